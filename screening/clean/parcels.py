"""Parcels: one row per place, with a reason for each that cannot be used and for each that another stands for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening.clean.common_ground import find_units
from screening.clean.linked import find_linked
from screening.clean.not_lots import STREET, WATER, Surroundings, find_not_lots
from screening.clean.outlines import in_fixed_order, outline_numbers, repair, unique_ids
from screening.params import HomeParams

if TYPE_CHECKING:
    from collections.abc import Mapping

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

COLUMNS: Final = ("parcel_id", "address", "street", "land_use")
OPTIONAL: Final = ("lot_kind", "linked_lot")
"""Columns of text; the optional ones are null where the parcels lack them."""

NOTHING: Final = Surroundings(np.empty(0, dtype=object), np.empty(0, dtype=object), None, None)


class CleanParcels(NamedTuple):
    """What `clean_parcels` returns.

    Attributes
    ----------
    kept : GeoDataFrame
        One row per place in order of ``home_id``: ``home_id, parcel_id, address, street, land_use, is_repaired,
        is_stack, n_features``; ``n_units`` on common ground, ``n_joined`` lots, ``is_overlapped``, and ``ground_code``:
        ``street`` or ``drainage`` for what is no lot, else None.
    broken : DataFrame
        Rows without a usable outline: ``parcel_id, address, reason_text``.
    merged : DataFrame
        Features folded into another row: ``parcel_id, address, merge_code, kept_parcel_id``, and the ``home_id`` of
        the row that stands for them.
    repairs : mapping of str to int
        Number of features by what was put right, a code of `screening.columns.TROUBLES`.
    """

    kept: gpd.GeoDataFrame
    broken: pd.DataFrame
    merged: pd.DataFrame
    repairs: Mapping[str, int]


class _Places(NamedTuple):
    """Different outlines, in the order of their first features.

    Attributes
    ----------
    of_feature : (n,) int array
        Place of each feature.
    first : (p,) int array
        First feature of each place.
    ground_code : (p,) array of str or None
    host : (p,) int array
        Place that stands for each; its own for most.
    code : (p,) array of str or None
        Why another place stands for it.
    n_cut_out : int
        Units that lie in holes of their ground.
    is_overlapped : (p,) bool array
    """

    of_feature: IntArray
    first: IntArray
    ground_code: ObjectArray
    host: IntArray
    code: ObjectArray
    n_cut_out: int
    is_overlapped: BoolArray


def clean_parcels(
    parcels: gpd.GeoDataFrame, around: Surroundings = NOTHING, params: HomeParams | None = None
) -> CleanParcels:
    """One row per place, with a reason for each that cannot be used.

    Parameters
    ----------
    parcels : GeoDataFrame
        ``parcel_id, address, street, land_use`` (text or null) and the outline [m]; ``lot_kind`` and ``linked_lot`` may
        be missing.
    around : Surroundings
        Buildings, streets and water, by which streets, units and linked lots are recognised.
    params : HomeParams, optional
        Defaults where left out.

    Notes
    -----
    Features with the same outline are one place. If id, address and land use are equal as well they are
    duplicates of one parcel; otherwise they are a stack, the yard of several owners, and no home. Units on common
    ground and linked lots are folded into the place that stands for them.
    """
    params = params or HomeParams()
    good, broken, repairs = _usable(parcels)
    places = _find_places(good, around, params)
    of_feature = places.host[places.of_feature]
    first = np.zeros(len(good), dtype=bool)
    first[places.first[places.host == np.arange(len(places.host))]] = True
    is_guest = places.host[places.of_feature] != places.of_feature
    who = good[["parcel_id", "address", "land_use"]].astype(object).fillna("")
    who["place"] = places.of_feature
    n_places = len(places.host)
    n_different = np.bincount(who.drop_duplicates()["place"], minlength=n_places)
    n_units = np.bincount(places.host[places.code == "unit"], minlength=n_places)
    n_joined = np.bincount(places.host[places.code == "linked"], minlength=n_places)
    kept = good[first].reset_index(drop=True)
    row_place = of_feature[first]
    kept = kept.set_geometry(_joined_outlines(kept.geometry.to_numpy(), row_place, good, places), crs=parcels.crs)
    kept["n_features"] = np.bincount(of_feature, minlength=n_places)[row_place]
    kept["n_units"] = n_units[row_place]
    kept["n_joined"] = n_joined[row_place]
    kept["is_stack"] = (n_different[row_place] > 1) | (n_units[row_place] > 0)
    kept["is_overlapped"] = places.is_overlapped[row_place]
    kept["ground_code"] = pd.Series(places.ground_code[row_place], dtype=object)
    given = kept["parcel_id"].to_numpy(dtype=object)
    kept["home_id"] = unique_ids(given, kept.geometry.to_numpy(), "at-")
    # from the number of a place to its row
    row_of = np.full(n_places, -1, dtype=np.int64)
    row_of[row_place] = np.arange(len(kept))
    stands_for = row_of[of_feature[~first]]
    merged = pd.DataFrame(good.loc[~first, ["parcel_id", "address"]])
    same = (who[~first].to_numpy() == who.iloc[places.first[places.of_feature[~first]]].to_numpy()).all(axis=1)
    merged["merge_code"] = np.where(
        is_guest[~first], places.code[places.of_feature[~first]], np.where(same, "duplicate", "stack")
    ).astype(object)
    merged["kept_parcel_id"] = given[stands_for]
    merged["home_id"] = kept["home_id"].to_numpy(dtype=object)[stands_for]
    repairs |= _counted(kept, merged, good, places)
    kept = kept.sort_values("home_id", kind="stable").reset_index(drop=True)
    return CleanParcels(kept, broken, merged.reset_index(drop=True), repairs)


def _usable(parcels: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, pd.DataFrame, dict[str, int]]:
    """Features with a usable outline in a fixed order, the others with their reason, and what was counted."""
    frame = pd.DataFrame({name: parcels[name] for name in COLUMNS})
    for name in OPTIONAL:
        frame[name] = parcels[name] if name in parcels.columns else pd.Series(None, index=frame.index, dtype=object)
    given = parcels.geometry.to_numpy()
    geometry, is_repaired, is_unusable = repair(given)
    was_null = shapely.is_missing(given) | shapely.is_empty(given)
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
    repairs = {
        "geometry_missing": int(was_null.sum()),
        "outline_unusable": int((is_unusable & ~was_null).sum()),
        "ring_invalid": int(is_repaired.sum()),
        "lot_in_parts": int((shapely.get_num_geometries(geometry[~is_unusable]) > 1).sum()),
    }
    return in_fixed_order(good, ["parcel_id", "address", "land_use", *OPTIONAL]), broken, repairs


def _find_places(good: gpd.GeoDataFrame, around: Surroundings, params: HomeParams) -> _Places:
    """Different outlines, and which of them are no lots, units, or linked."""
    of_feature = outline_numbers(good.geometry.to_numpy())
    first = np.flatnonzero(~pd.Series(of_feature).duplicated().to_numpy())
    n = len(first)
    outline = good.geometry.to_numpy()[first]
    text = {name: good[name].to_numpy(dtype=object)[first] for name in ("parcel_id", "address", *OPTIONAL)}
    has_addresses = bool(good["address"].notna().any())
    is_nameless = pd.isna(text["address"] if has_addresses else text["parcel_id"])
    ground_code = find_not_lots(outline, text["lot_kind"], is_nameless, around, params)
    is_lot = np.asarray(pd.isna(ground_code))
    is_named = ~(pd.isna(text["parcel_id"]) & pd.isna(text["address"]))
    units = find_units(outline, is_lot, is_named, around.footprints, params.min_principal_area_m2)
    is_unit = units.ground >= 0
    is_ground = np.isin(np.arange(n), units.ground[is_unit])
    host = np.where(is_unit, units.ground, np.arange(n))
    code = np.full(n, None, dtype=object)
    code[is_unit] = "unit"
    may_be_linked = is_lot & ~is_unit & ~is_ground
    linked = find_linked(outline, text["parcel_id"], text["linked_lot"], may_be_linked, around.houses)
    is_linked = linked != np.arange(n)
    host[is_linked] = linked[is_linked]
    code[is_linked] = "linked"
    # a unit of what is itself a unit belongs to the larger ground
    while not (host == host[host]).all():
        host = host[host]
    n_cut_out = int((is_unit & units.is_cut_out).sum())
    return _Places(of_feature, first, ground_code, host, code, n_cut_out, units.is_overlapped)


def _joined_outlines(outline: ObjectArray, row_place: IntArray, good: gpd.GeoDataFrame, places: _Places) -> ObjectArray:
    """Outlines of the rows, those that others are folded into with the others' ground."""
    guests = np.flatnonzero(places.host != np.arange(len(places.host)))
    out = outline.copy()
    shapes = good.geometry.to_numpy()[places.first]
    hosts = places.host[guests]
    row_of = np.full(len(places.host), -1, dtype=np.int64)
    row_of[row_place] = np.arange(len(row_place))
    for host in np.unique(hosts):
        out[row_of[host]] = shapely.union_all(shapes[np.append(guests[hosts == host], host)])
    return out


def _counted(kept: gpd.GeoDataFrame, merged: pd.DataFrame, good: gpd.GeoDataFrame, places: _Places) -> dict[str, int]:
    """Number of features by what happened to them."""
    code = merged["merge_code"].to_numpy(dtype=object)
    given = kept["parcel_id"]
    n_units = int((places.code == "unit").sum())
    kinds = places.ground_code[places.of_feature]
    has_ids = bool(good["parcel_id"].notna().any())
    return {
        "lot_twice": int((code == "duplicate").sum()),
        "lots_stacked": int((code == "stack").sum()),
        "lots_puzzle": places.n_cut_out,
        "lots_on_ground_parcel": n_units - places.n_cut_out,
        "lots_linked": int((code == "linked").sum()),
        "lots_overlap": int(kept["is_overlapped"].sum()),
        "road_among_lots": int((kinds == STREET).sum()),
        "water_among_lots": int((kinds == WATER).sum()),
        "id_missing": int(given.isna().sum()) if has_ids else 0,
        "id_repeated": int(given[given.notna()].duplicated().sum()),
    }
