"""Outlines of parcels and buildings: repaired, in an order of their own, told apart, and named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

if TYPE_CHECKING:
    import geopandas as gpd

ObjectArray = npt.NDArray[Any]

MAX_AREA_CHANGE_FRAC = 0.01
"""A repair that changes the area by more is no repair: nobody knows which outline was meant."""


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


def in_fixed_order(frame: gpd.GeoDataFrame, keys: list[str]) -> gpd.GeoDataFrame:
    """Sort by text keys (null last), then by place, area and outline, so that the file's order does not matter."""
    normal = shapely.normalize(frame.geometry.to_numpy())
    bounds = shapely.bounds(normal)
    helper = pd.DataFrame({key: frame[key].to_numpy() for key in keys})
    for k in range(4):
        helper[f"bound{k}"] = bounds[:, k]
    helper["outline"] = shapely.to_wkb(normal)
    order = helper.sort_values(list(helper.columns), kind="stable", na_position="last").index.to_numpy()
    return frame.iloc[order].reset_index(drop=True)


def outline_numbers(geometry: ObjectArray) -> npt.NDArray[np.int64]:
    """Number of each different outline."""
    wkb = shapely.to_wkb(shapely.normalize(geometry))
    return pd.factorize(pd.Series(wkb, dtype=object))[0].astype(np.int64)
