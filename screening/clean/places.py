"""Places: different outlines among the parcels, and which of them are no lots, units, or linked to another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening.clean.common_ground import find_units
from screening.clean.linked import find_linked
from screening.clean.not_lots import find_not_lots
from screening.clean.shapes import Outlines

if TYPE_CHECKING:
    from collections.abc import Callable

    from screening.clean.features import Features
    from screening.clean.not_lots import Surroundings
    from screening.params import HomeParams

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

NAMES: Final = ("parcel_id", "address", "land_use")
OPTIONAL: Final = ("lot_kind", "linked_lot")
"""Columns of text by which features are ordered; the optional ones are null where the parcels lack them."""


class Places(NamedTuple):
    """Different outlines, in the order of their first features.

    Attributes
    ----------
    order : (n,) int array
        Rows of the features, in an order that does not depend on the file's.
    of_feature : (n,) int array
        Place of each feature of that order.
    is_first : (n,) bool array
        Whether it is the first of its place.
    ground_code : (p,) array of str or None
    host : (p,) int array
        Place that stands for each; its own for most.
    code : (p,) array of str or None
        Why another place stands for it.
    n_cut_out : int
        Units that lie in holes of their ground.
    is_overlapped : (p,) bool array
    joined : mapping of int to polygon
        Outlines of the places that others are folded into, with the others' ground [m].
    """

    order: IntArray
    of_feature: IntArray
    is_first: BoolArray
    ground_code: ObjectArray
    host: IntArray
    code: ObjectArray
    n_cut_out: int
    is_overlapped: BoolArray
    joined: dict[int, Any]


def find_places(
    features: Features, outlines: Callable[[IntArray], ObjectArray], around: Surroundings, params: HomeParams
) -> Places:
    """Tell places apart, and which of them another stands for.

    Parameters
    ----------
    features : Features
    outlines : callable
        Gives the outlines of some rows [m].
    around : Surroundings
    params : HomeParams
    """
    order = features.in_order(*NAMES, *OPTIONAL)
    of_feature = features.outline_numbers(order)
    is_first = ~pd.Series(of_feature).duplicated().to_numpy()
    first = order[is_first]
    n = len(first)
    lots = Outlines(
        features.bounds[first],
        features.point[first],
        features.area_m2[first],
        features.perimeter_m[first],
        lambda rows: outlines(first[rows]),
    )
    has_address = features.text["address"].is_valid().to_numpy()
    has_id = features.text["parcel_id"].is_valid().to_numpy()
    is_nameless = ~(has_address if has_address.any() else has_id)[first]
    ground_code = find_not_lots(lots, features.words("lot_kind", first), is_nameless, around, params)
    is_lot = np.asarray(pd.isna(ground_code), dtype=bool)
    is_named = (has_id | has_address)[first]
    units = find_units(lots, is_lot, is_named, around.footprints, params.min_principal_area_m2)
    is_unit = units.ground >= 0
    is_ground = np.isin(np.arange(n), units.ground[is_unit])
    host = np.where(is_unit, units.ground, np.arange(n))
    code = np.full(n, None, dtype=object)
    code[is_unit] = "unit"
    if features.text["linked_lot"].null_count < len(order):
        ids, links = features.words("parcel_id", first), features.words("linked_lot", first)
        linked = find_linked(lots, ids, links, is_lot & ~is_unit & ~is_ground, around.houses)
        is_linked = linked != np.arange(n)
        host[is_linked] = linked[is_linked]
        code[is_linked] = "linked"
    # a unit of what is itself a unit belongs to the larger ground
    while not (host == host[host]).all():
        host = host[host]
    n_cut_out = int((is_unit & units.is_cut_out).sum())
    joined = _joined_outlines(lots, host)
    return Places(order, of_feature, is_first, ground_code, host, code, n_cut_out, units.is_overlapped, joined)


def _joined_outlines(lots: Outlines, host: IntArray) -> dict[int, Any]:
    """Outlines of the places that others are folded into, with the others' ground."""
    guests = np.flatnonzero(host != np.arange(len(host)))
    guests = guests[np.argsort(host[guests], kind="stable")]
    if not len(guests):
        return {}
    hosts, begin = np.unique(host[guests], return_index=True)
    return {
        int(one): shapely.union_all(lots.get(np.append(some, one)))
        for one, some in zip(hosts, np.split(guests, begin[1:]), strict=True)
    }
