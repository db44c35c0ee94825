"""Cleaning: repaired outlines, one row per place, unique text ids, an order that does not depend on the file."""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

ObjectArray = npt.NDArray[Any]

MAX_AREA_CHANGE_FRAC = 0.01
"""A repair that changes the area by more is no repair: nobody knows which outline was meant."""


class CleanParcels(NamedTuple):
    """What `clean_parcels` returns.

    Attributes
    ----------
    kept : GeoDataFrame
        One row per place in order of ``home_id``: ``home_id, parcel_id, address, street, land_use, is_repaired,
        is_stack, n_features``.
    broken : DataFrame
        Rows without a usable outline: ``parcel_id, address, reason_text``.
    merged : DataFrame
        Features folded into another row: ``parcel_id, address, merge_code, kept_parcel_id``, and the ``home_id`` of
        the row that stands for them.
    """

    kept: gpd.GeoDataFrame
    broken: pd.DataFrame
    merged: pd.DataFrame


def repair(geometry: ObjectArray) -> tuple[ObjectArray, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Make polygons valid; which were repaired, and which cannot be used.

    Parameters
    ----------
    geometry : (n,) array of polygons or multipolygons
        None and empty geometries are allowed.

    Returns
    -------
    geometry : (n,) array
        Valid polygons and multipolygons, None where unusable.
    is_repaired, is_unusable : (n,) bool array
    """
    out = np.array(geometry, dtype=object)
    kind = shapely.get_type_id(out)
    is_area = np.isin(kind, (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    out[~is_area | shapely.is_empty(out)] = None
    is_repaired = np.zeros(len(out), dtype=bool)
    bad = np.flatnonzero(~shapely.is_missing(out) & ~shapely.is_valid(out))
    if len(bad):
        before = shapely.area(out[bad])
        mended = shapely.make_valid(out[bad], method="structure", keep_collapsed=False)
        after = shapely.area(mended)
        kind = shapely.get_type_id(mended)
        fine = np.isin(kind, (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
        fine &= (after > 0) & (np.abs(after - before) <= MAX_AREA_CHANGE_FRAC * after)
        mended[~fine] = None
        out[bad] = mended
        is_repaired[bad] = fine
    is_unusable = shapely.is_missing(out)
    out[shapely.area(out) <= 0.0] = None
    is_unusable = shapely.is_missing(out)
    return out, is_repaired, is_unusable


def unique_ids(ids: ObjectArray, geometry: ObjectArray, prefix: str) -> ObjectArray:
    """Unique text ids: the given ones, numbered where they repeat, made from the place where null.

    Rows have to stand in their final order. A repeated id keeps its first row's name; the next are ``id~2``,
    ``id~3``. A null id becomes the prefix and the whole metres of a point inside the outline.
    """
    names = np.array(ids, dtype=object)
    null = np.flatnonzero(pd.isna(names))
    if len(null):
        point = shapely.point_on_surface(geometry[null])
        names[null] = [
            f"{prefix}{x:.0f}-{y:.0f}" for x, y in zip(shapely.get_x(point), shapely.get_y(point), strict=True)
        ]
    taken = set(names.tolist())
    counts = pd.Series(names).groupby(names).cumcount().to_numpy()
    for i in np.flatnonzero(counts):
        k = int(counts[i]) + 1
        while f"{names[i]}~{k}" in taken:
            k += 1
        names[i] = f"{names[i]}~{k}"
        taken.add(names[i])
    return names


def _order(frame: gpd.GeoDataFrame, keys: list[str]) -> gpd.GeoDataFrame:
    """Sort by text keys (null last), then by place, area and outline, so that the file's order does not matter."""
    normal = shapely.normalize(frame.geometry.to_numpy())
    bounds = shapely.bounds(normal)
    helper = pd.DataFrame({key: frame[key].to_numpy() for key in keys})
    for k in range(4):
        helper[f"bound{k}"] = bounds[:, k]
    helper["outline"] = shapely.to_wkb(normal)
    order = helper.sort_values(list(helper.columns), kind="stable", na_position="last").index.to_numpy()
    return frame.iloc[order].reset_index(drop=True)


def _outline_key(geometry: ObjectArray) -> npt.NDArray[np.int64]:
    """Number of each different outline."""
    wkb = shapely.to_wkb(shapely.normalize(geometry))
    return pd.factorize(pd.Series(wkb, dtype=object))[0].astype(np.int64)


def clean_parcels(parcels: gpd.GeoDataFrame) -> CleanParcels:
    """One row per place, with a reason for each that cannot be used.

    Parameters
    ----------
    parcels : GeoDataFrame
        ``parcel_id, address, street, land_use`` (text or null) and the outline [m].

    Notes
    -----
    Features with the same outline are one place. If id, address and land use are equal as well they are
    duplicates of one parcel; otherwise they are a stack, the yard of several owners, and no home.
    """
    frame = parcels[["parcel_id", "address", "street", "land_use"]].copy()
    geometry, is_repaired, is_unusable = repair(parcels.geometry.to_numpy())
    was_null = shapely.is_missing(parcels.geometry.to_numpy()) | shapely.is_empty(parcels.geometry.to_numpy())
    broken = frame.loc[is_unusable, ["parcel_id", "address"]].copy()
    broken["reason_text"] = np.where(
        was_null[is_unusable],
        "the parcel has no outline",
        "the outline crosses itself and no repair keeps its area",
    )
    broken = broken.sort_values(["parcel_id", "address", "reason_text"], na_position="last").reset_index(drop=True)
    frame["is_repaired"] = is_repaired
    good = gpd.GeoDataFrame(frame[~is_unusable], geometry=geometry[~is_unusable], crs=parcels.crs).reset_index(
        drop=True
    )
    good = _order(good, ["parcel_id", "address", "land_use"])
    place = _outline_key(good.geometry.to_numpy())
    who = good[["parcel_id", "address", "land_use"]].astype(object).fillna("")
    who["place"] = place
    n_features = np.bincount(place)[place]
    n_different = who.drop_duplicates().groupby("place").size().reindex(range(place.max() + 1 if len(place) else 0))
    first = ~pd.Series(place).duplicated().to_numpy()
    good["n_features"] = n_features
    good["is_stack"] = n_different.to_numpy()[place] > 1 if len(place) else np.zeros(0, dtype=bool)
    kept = good[first].reset_index(drop=True)
    kept["home_id"] = unique_ids(kept["parcel_id"].to_numpy(dtype=object), kept.geometry.to_numpy(), "at-")
    # places are numbered in the order of their first rows, which are the kept ones
    stands_for = place[~first]
    merged = pd.DataFrame(good.loc[~first, ["parcel_id", "address"]])
    same = (who[~first].to_numpy() == who[first].to_numpy()[stands_for]).all(axis=1)
    merged["merge_code"] = np.where(same, "duplicate", "stack").astype(object)
    merged["kept_parcel_id"] = kept["parcel_id"].to_numpy(dtype=object)[stands_for]
    merged["home_id"] = kept["home_id"].to_numpy(dtype=object)[stands_for]
    kept = kept.sort_values("home_id", kind="stable").reset_index(drop=True)
    return CleanParcels(kept, broken, merged.reset_index(drop=True))


class CleanBuildings(NamedTuple):
    """What `clean_buildings` returns.

    Attributes
    ----------
    kept : GeoDataFrame
        One row per single polygon in order of ``building_id``: ``building_id, building_type, is_repaired``.
    n_unusable, n_merged : int
        Features without a usable outline; features that repeat another's outline.
    """

    kept: gpd.GeoDataFrame
    n_unusable: int
    n_merged: int


def clean_buildings(buildings: gpd.GeoDataFrame) -> CleanBuildings:
    """Single valid polygons with unique ids.

    Parameters
    ----------
    buildings : GeoDataFrame
        ``building_id, building_type`` (text or null) and the outline [m]; multipart ones become several.
    """
    geometry, is_repaired, is_unusable = repair(buildings.geometry.to_numpy())
    frame = buildings[["building_id", "building_type"]].copy()
    frame["is_repaired"] = is_repaired
    good = gpd.GeoDataFrame(
        frame[~is_unusable].reset_index(drop=True), geometry=geometry[~is_unusable], crs=buildings.crs
    )
    parts, owner = shapely.get_parts(good.geometry.to_numpy(), return_index=True)
    single = gpd.GeoDataFrame(good.drop(columns="geometry").iloc[owner], geometry=parts, crs=buildings.crs)
    single = _order(single.reset_index(drop=True), ["building_id", "building_type"])
    first = ~pd.Series(_outline_key(single.geometry.to_numpy())).duplicated().to_numpy()
    kept = single[first].reset_index(drop=True)
    kept["building_id"] = unique_ids(kept["building_id"].to_numpy(dtype=object), kept.geometry.to_numpy(), "b-")
    kept = kept.sort_values("building_id", kind="stable").reset_index(drop=True)
    return CleanBuildings(kept, int(is_unusable.sum()), int((~first).sum()))
