"""Lots that are one home: joined where the city's own data link them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    IntArray = npt.NDArray[np.int64]

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]

TOUCH_M: Final = 0.5
"""Linked lots farther apart stay apart: a garden across the street is another yard (program default) [m]."""


def find_linked(
    outline: ObjectArray, parcel_id: ObjectArray, linked_lot: ObjectArray, may_be: BoolArray, houses: ObjectArray
) -> IntArray:
    """Row of the lot that each lot is joined to; its own where it stays.

    Parameters
    ----------
    outline : (n,) array of polygons
        Different outlines, in an order that does not depend on the file.
    parcel_id, linked_lot : (n,) arrays of str or None
        A lot belongs to the one that it names, and with all that name the same.
    may_be : (n,) bool array
        Lots that may be joined; units on common ground, streets and water are none.
    houses : (b,) array of polygons
        Buildings that count as houses.

    Notes
    -----
    Lots are joined where they touch and hold one house between them. Two houses are two homes, however they are billed.
    The lot with the house gives the joined one its name.
    """
    n = len(outline)
    host = np.arange(n, dtype=np.int64)
    if pd.isna(linked_lot).all():
        return host
    named = np.isin(parcel_id.astype(str), pd.unique(linked_lot[~pd.isna(linked_lot)]).astype(str)) & ~pd.isna(
        parcel_id
    )
    key = np.where(pd.isna(linked_lot) & named, parcel_id, linked_lot)
    rows = np.flatnonzero(may_be & ~pd.isna(key))
    if len(rows) < 2:
        return host
    key_of = pd.factorize(key[rows])[0]
    one, other = shapely.STRtree(outline[rows]).query(outline[rows], predicate="dwithin", distance=TOUCH_M)
    same = key_of[one] == key_of[other]
    one, other = one[same], other[same]
    near = coo_array((np.ones(len(one)), (one, other)), shape=(len(rows), len(rows)))
    group = connected_components(near, directed=False)[1]
    n_houses = np.zeros(len(rows), dtype=np.int64)
    if len(houses):
        at, _ = shapely.STRtree(shapely.point_on_surface(houses)).query(outline[rows], predicate="intersects")
        n_houses = np.bincount(at, minlength=len(rows))
    of_group = np.bincount(group, weights=n_houses)
    has_house = n_houses == 1
    main = np.full(len(of_group), -1, dtype=np.int64)
    main[group[has_house]] = rows[has_house]
    joined = (of_group[group] == 1) & (main[group] >= 0)
    host[rows[joined]] = main[group[joined]]
    return host
