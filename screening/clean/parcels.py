"""Parcels: one row per place, with a reason for each that cannot be used and for each that another stands for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely

from screening.clean.features import Features, in_text_order, text_table
from screening.clean.not_lots import STREET, WATER, Surroundings
from screening.clean.outlines import repair, unique_ids
from screening.clean.places import NAMES, OPTIONAL, find_places
from screening.clean.shapes import points_inside
from screening.params import HomeParams

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from screening.clean.places import Places

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

COLUMNS: Final = (*NAMES, "street")
"""Columns of text that parcels have beside the optional ones."""

NOTHING: Final = Surroundings.of(np.empty(0, dtype=object), np.empty(0, dtype=object), None, None)


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


class UsableParcels(NamedTuple):
    """Parcels that can be used, and what is to be said of the others.

    Attributes
    ----------
    geometry : (n,) array of polygons and multipolygons
        [m]
    features : Features
        Text ``parcel_id, address, land_use, street, lot_kind, linked_lot``.
    broken : DataFrame
        As of `CleanParcels`, in the file's order.
    repairs : mapping of str to int
        Number of features by what was put right or has no outline.
    """

    geometry: ObjectArray
    features: Features
    broken: pd.DataFrame
    repairs: Mapping[str, int]


class SettledParcels(NamedTuple):
    """Which parcels are kept, under which name.

    Attributes
    ----------
    row : (k,) int array
        Features that are kept, in order of ``home_id``.
    kept_by : (n,) int array
        Place in `row` of the parcel that stands for each feature; features as in the file.
    columns : mapping
        Of the kept ones: ``home_id`` and ``ground_code`` (text or None), ``is_stack``, ``is_overlapped``,
        ``n_features``, ``n_units``, ``n_joined``.
    bounds, point : (k, 4) and (k, 2) arrays
        Boxes, and points inside [m].
    joined : mapping of int to polygon
        Place in `row` and outline of the parcels that others are folded into [m].
    merged : DataFrame
        As of `CleanParcels`.
    repairs : mapping of str to int
        Number of features by what was put right.
    """

    row: IntArray
    kept_by: IntArray
    columns: dict[str, npt.NDArray[Any]]
    bounds: FloatArray
    point: FloatArray
    joined: dict[int, Any]
    merged: pd.DataFrame
    repairs: Mapping[str, int]


def usable_parcels(parcels: gpd.GeoDataFrame) -> UsableParcels:
    """Outlines of the parcels that can be used, what orders them, and the rows that cannot.

    Parameters
    ----------
    parcels : GeoDataFrame
        As for `clean_parcels`.
    """
    given = parcels.geometry.to_numpy()
    geometry, is_repaired, is_unusable = repair(given)
    was_null = shapely.is_missing(given) | shapely.is_empty(given)
    broken = pd.DataFrame(parcels.loc[is_unusable, ["parcel_id", "address"]])
    broken["reason_text"] = np.where(
        was_null[is_unusable],
        "the parcel has no outline",
        "the outline crosses itself and no repair keeps its area",
    )
    is_usable = ~is_unusable
    geometry = geometry[is_usable]
    repairs = {
        "geometry_missing": int(was_null.sum()),
        "outline_unusable": int((is_unusable & ~was_null).sum()),
        "ring_invalid": int(is_repaired.sum()),
        "lot_in_parts": int((shapely.get_num_geometries(geometry) > 1).sum()),
    }
    text = text_table(parcels[is_usable], (*COLUMNS, *OPTIONAL))
    return UsableParcels(geometry, Features.of(geometry, text, is_repaired[is_usable]), broken, repairs)


def broken_in_order(broken: pd.DataFrame) -> pd.DataFrame:
    """Rows without a usable outline in an order that does not depend on the file's."""
    keys = ["parcel_id", "address", "reason_text"]
    ordered: pd.DataFrame = broken.sort_values(keys, na_position="last").reset_index(drop=True)
    return ordered


def settle_parcels(
    features: Features, outlines: Callable[[IntArray], ObjectArray], around: Surroundings, params: HomeParams
) -> SettledParcels:
    """One row per place: which features stand for others, and what they are called.

    Parameters
    ----------
    features : Features
        As of `UsableParcels`.
    outlines : callable
        Gives the outlines of some rows [m].
    around : Surroundings
        Buildings, streets and water, by which streets, units and linked lots are recognised.
    params : HomeParams

    Notes
    -----
    Features with the same outline are one place. If id, address and land use are equal as well they are
    duplicates of one parcel; otherwise they are a stack, the yard of several owners, and no home. Units on common
    ground and linked lots are folded into the place that stands for them.
    """
    places = find_places(features, outlines, around, params)
    order, n_places = places.order, len(places.host)
    is_host = places.host == np.arange(n_places)
    # kept features in the fixed order, and the number of each host among them
    is_kept = places.is_first & is_host[places.of_feature]
    kept = order[is_kept]
    hosts = places.of_feature[is_kept]
    number = np.full(n_places, -1, dtype=np.int64)
    number[hosts] = np.arange(len(hosts))
    bounds, point = features.bounds[kept], features.point[kept]
    joined = {int(number[host]): outline for host, outline in places.joined.items()}
    for k, outline in joined.items():
        bounds[k] = shapely.bounds(outline)
        point[k] = points_inside(np.array([outline], dtype=object))[0]
    ids = features.words("parcel_id", kept)
    home_id = unique_ids(ids, lambda rows: point[rows], "at-")
    kept_by = number[places.host[places.of_feature]]
    merged, n_different = _merged(features, places, is_kept)
    merged["kept_parcel_id"] = ids[kept_by[~is_kept]]
    merged["home_id"] = home_id[kept_by[~is_kept]]
    n_units = np.bincount(places.host[places.code == "unit"], minlength=n_places)[hosts]
    columns: dict[str, npt.NDArray[Any]] = {
        "home_id": home_id,
        "ground_code": places.ground_code[hosts],
        "is_stack": (n_different[hosts] > 1) | (n_units > 0),
        "is_overlapped": places.is_overlapped[hosts],
        "n_features": np.bincount(kept_by, minlength=len(kept)),
        "n_units": n_units,
        "n_joined": np.bincount(places.host[places.code == "linked"], minlength=n_places)[hosts],
    }
    repairs = _counted(columns, ids, merged, places)
    by_name = in_text_order(home_id)
    place_of = np.empty(len(kept), dtype=np.int64)
    place_of[by_name] = np.arange(len(kept))
    of_row = np.empty(len(order), dtype=np.int64)
    of_row[order] = place_of[kept_by]
    return SettledParcels(
        kept[by_name],
        of_row,
        {name: values[by_name] for name, values in columns.items()},
        bounds[by_name],
        point[by_name],
        {int(place_of[k]): outline for k, outline in joined.items()},
        merged.reset_index(drop=True),
        repairs,
    )


def _merged(features: Features, places: Places, is_kept: BoolArray) -> tuple[pd.DataFrame, IntArray]:
    """Features that another stands for, and why; and how many different features each place has."""
    n_places = len(places.host)
    n_of_place = np.bincount(places.of_feature, minlength=n_places)
    is_guest = (places.host != np.arange(n_places))[places.of_feature]
    # the others are alone in their place, and stay
    shared = np.flatnonzero((n_of_place[places.of_feature] > 1) | is_guest)
    who = features.text.select(list(NAMES)).take(pa.array(places.order[shared])).to_pandas().astype(object)
    who = who.where(who.notna(), None)
    place = places.of_feature[shared]
    named = who.fillna("").assign(place=place)
    n_different = np.ones(n_places, dtype=np.int64)
    counts = named.drop_duplicates().groupby("place").size()
    n_different[counts.index.to_numpy(dtype=np.int64)] = counts.to_numpy()
    of_place = np.zeros(n_places, dtype=np.int64)
    is_first = places.is_first[shared]
    of_place[place[is_first]] = np.flatnonzero(is_first)
    same = (named.to_numpy() == named.to_numpy()[of_place[place]]).all(axis=1)
    code = np.where(is_guest[shared], places.code[place], np.where(same, "duplicate", "stack"))
    merged = who[["parcel_id", "address"]].assign(merge_code=code.astype(object))
    return merged[~is_kept[shared]], n_different


def _counted(
    columns: Mapping[str, npt.NDArray[Any]], ids: ObjectArray, merged: pd.DataFrame, places: Places
) -> dict[str, int]:
    """Number of features by what happened to them."""
    code = merged["merge_code"].to_numpy(dtype=object)
    given = pd.Series(ids, dtype=object)
    n_units = int((places.code == "unit").sum())
    kinds = places.ground_code[places.of_feature]
    return {
        "lot_twice": int((code == "duplicate").sum()),
        "lots_stacked": int((code == "stack").sum()),
        "lots_puzzle": places.n_cut_out,
        "lots_on_ground_parcel": n_units - places.n_cut_out,
        "lots_linked": int((code == "linked").sum()),
        "lots_overlap": int(columns["is_overlapped"].sum()),
        "road_among_lots": int((kinds == STREET).sum()),
        "water_among_lots": int((kinds == WATER).sum()),
        # where the run file names no field, ids from the place are no repair
        "id_missing": int(given.isna().sum()) if given.notna().any() or merged["parcel_id"].notna().any() else 0,
        "id_repeated": int(given[given.notna()].duplicated().sum()),
    }


def clean_parcels(
    parcels: gpd.GeoDataFrame, around: Surroundings = NOTHING, params: HomeParams | None = None
) -> CleanParcels:
    """One row per place, with a reason for each that cannot be used; see `settle_parcels`.

    Parameters
    ----------
    parcels : GeoDataFrame
        ``parcel_id, address, street, land_use`` (text or null) and the outline [m]; ``lot_kind`` and ``linked_lot`` may
        be missing.
    around : Surroundings
        Buildings, streets and water, by which streets, units and linked lots are recognised.
    params : HomeParams, optional
        Defaults where left out.
    """
    usable = usable_parcels(parcels)
    features = usable.features
    settled = settle_parcels(features, lambda rows: usable.geometry[rows], around, params or HomeParams())
    outline = usable.geometry[settled.row]
    for k, one in settled.joined.items():
        outline[k] = one
    names = (*COLUMNS, *OPTIONAL)
    kept = gpd.GeoDataFrame(
        {
            **{name: pd.Series(features.words(name, settled.row), dtype=object) for name in names},
            "is_repaired": features.is_repaired[settled.row],
            **{
                name: pd.Series(values, dtype=object) if values.dtype == object else values
                for name, values in settled.columns.items()
            },
        },
        geometry=outline,
        crs=parcels.crs,
    )
    repairs = {**usable.repairs, **settled.repairs}
    return CleanParcels(kept, broken_in_order(usable.broken), settled.merged, repairs)
