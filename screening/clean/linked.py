"""Lots that are one home: joined where the city's own data link them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from screening.clean.shapes import AT_A_TIME

if TYPE_CHECKING:
    from screening.clean.shapes import Outlines, Shapes

    IntArray = npt.NDArray[np.int64]

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]

TOUCH_M: Final = 0.5
"""Linked lots farther apart stay apart: a garden across the street is another yard (program default) [m]."""


def find_linked(
    lots: Outlines, parcel_id: ObjectArray, linked_lot: ObjectArray, may_be: BoolArray, houses: Shapes
) -> IntArray:
    """Row of the lot that each lot is joined to; its own where it stays.

    Parameters
    ----------
    lots : Outlines
    parcel_id, linked_lot : (n,) arrays of str or None
        A lot belongs to the one that it names, and with all that name the same.
    may_be : (n,) bool array
        Lots that may be joined; units on common ground, streets and water are none.
    houses : Shapes
        Buildings that count as houses.

    Notes
    -----
    Lots are joined where they touch and hold one house between them. Two houses are two homes, however they are billed.
    The lot with the house gives the joined one its name.
    """
    host = np.arange(len(may_be), dtype=np.int64)
    if pd.isna(linked_lot).all():
        return host
    named = np.isin(parcel_id.astype(str), pd.unique(linked_lot[~pd.isna(linked_lot)]).astype(str)) & ~pd.isna(
        parcel_id
    )
    key = np.where(pd.isna(linked_lot) & named, parcel_id, linked_lot)
    rows = np.flatnonzero(may_be & ~pd.isna(key))
    key_of = pd.factorize(key[rows])[0]
    # lots of one key one after another; what has a key for itself stays
    n_of_key = np.bincount(key_of)
    shared = np.flatnonzero(n_of_key[key_of] > 1)
    shared = shared[np.argsort(key_of[shared], kind="stable")]
    rows, key_of = rows[shared], key_of[shared]
    begin = 0
    while begin < len(rows):
        end = int(np.searchsorted(key_of, key_of[min(begin + AT_A_TIME, len(rows)) - 1], side="right"))
        some = rows[begin:end]
        host[some] = _hosts(lots, some, key_of[begin:end], houses)
        begin = end
    return host


def _hosts(lots: Outlines, rows: IntArray, key_of: IntArray, houses: Shapes) -> IntArray:
    """Row of the lot that each of some lots with the same keys is joined to."""
    outline = lots.get(rows)
    one, other = shapely.STRtree(outline).query(outline, predicate="dwithin", distance=TOUCH_M)
    same = key_of[one] == key_of[other]
    one, other = one[same], other[same]
    near = coo_array((np.ones(len(one)), (one, other)), shape=(len(rows), len(rows)))
    group = connected_components(near, directed=False)[1]
    n_houses = np.zeros(len(rows), dtype=np.int64)
    near_houses = houses.hits(lots.bounds[rows])
    if len(near_houses):
        tree = shapely.STRtree(shapely.points(houses.point[near_houses]))
        n_houses = np.bincount(tree.query(outline, predicate="intersects")[0], minlength=len(rows))
    of_group = np.bincount(group, weights=n_houses)
    has_house = n_houses == 1
    main = np.full(len(of_group), -1, dtype=np.int64)
    main[group[has_house]] = rows[has_house]
    joined = (of_group[group] == 1) & (main[group] >= 0)
    return np.where(joined, main[group], rows)
