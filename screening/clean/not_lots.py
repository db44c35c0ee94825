"""Polygons among the parcels that are no lots: streets, railways, water.

They are part of the ground on which an overflow arrives, and no neighbour's yard.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

if TYPE_CHECKING:
    from screening.params import HomeParams

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

STREET: Final = "street"
WATER: Final = "drainage"

LONG_CONFIRMED: Final = 20.0
LONG_ALONE: Final = 60.0
"""Square of the perimeter over the area, from which a shape counts as long and thin: 20 is a strip three times as long
as wide, 60 one thirteen times; the second where neither a street nor water is known to run in it (program defaults)."""

NEIGHBOURS_ALONE: Final = 8
"""Neighbours that a strip has at least where nothing but its shape tells it (program default)."""

WIDEST_ALONE_M: Final = 60.0
"""Mean width of a strip at most where nothing but its shape tells it (program default) [m]."""

ALONG_FRAC: Final = 0.25
"""Part of a strip's length along which a street or water runs in it, or of its area that they cover (program
default)."""

TOUCH_M: Final = 0.5
"""Parcels nearer than this are neighbours: edges of two drawings rarely coincide (program default) [m]."""


class Surroundings(NamedTuple):
    """What else the map shows, in working coordinates [m].

    Attributes
    ----------
    houses : (b,) array of polygons
        Buildings that count as houses.
    footprints : (b,) array of polygons
        All buildings.
    streets, water : (n,) arrays of lines or polygons, or None
        None where the city gives no such layer.
    """

    houses: ObjectArray
    footprints: ObjectArray
    streets: ObjectArray | None
    water: ObjectArray | None


def find_not_lots(
    outline: ObjectArray, kind: ObjectArray, is_nameless: BoolArray, around: Surroundings, params: HomeParams
) -> ObjectArray:
    """What each polygon is where it is no lot: ``street``, ``drainage``, else None.

    Parameters
    ----------
    outline : (n,) array of polygons
    kind : (n,) array of str or None
        Kind of polygon in the city's own words, for ``street_values`` and ``water_values``.
    is_nameless : (n,) bool array
        Without an address, or without an id where the file has no addresses.
    around : Surroundings
    params : HomeParams

    Notes
    -----
    Without a word of the city a polygon is taken for a street or for water if it is nameless, long and thin, holds no
    house, and a street or a water course runs along it. Where no street layer is given, shape and number of neighbours
    have to be clearer.
    """
    found = np.full(len(outline), None, dtype=object)
    if not len(outline):
        return found
    area, perimeter = shapely.area(outline), shapely.length(outline)
    length = perimeter**2 / area
    rows = np.flatnonzero(is_nameless & (length >= LONG_CONFIRMED))
    rows = rows[~_holds_any(outline[rows], around.houses)]
    if len(rows):
        by_street = _along(outline[rows], around.streets)
        by_water = _along(outline[rows], around.water)
        found[rows[by_street >= ALONG_FRAC]] = STREET
        found[rows[(by_water >= ALONG_FRAC) & (by_water > by_street)]] = WATER
        if around.streets is None:
            width = 2.0 * area[rows] / perimeter[rows]
            alone = rows[(length[rows] >= LONG_ALONE) & (width <= WIDEST_ALONE_M) & pd.isna(found[rows])]
            found[alone[_n_neighbours(outline, alone) >= NEIGHBOURS_ALONE]] = STREET
    words = pd.Series(kind, dtype=object)
    found[words.isin(params.street_values).to_numpy(dtype=bool)] = STREET
    found[words.isin(params.water_values).to_numpy(dtype=bool)] = WATER
    return found


def _holds_any(outline: ObjectArray, houses: ObjectArray) -> BoolArray:
    """Whether the middle of any house lies in each outline."""
    holds = np.zeros(len(outline), dtype=bool)
    if len(outline) and len(houses):
        tree = shapely.STRtree(shapely.point_on_surface(houses))
        holds[tree.query(outline, predicate="intersects")[0]] = True
    return holds


def _along(outline: ObjectArray, things: ObjectArray | None) -> FloatArray:
    """Part of each strip along which lines run, or which areas cover."""
    part = np.zeros(len(outline))
    if things is None or not len(things):
        return part
    strip, thing = shapely.STRtree(things).query(outline, predicate="intersects")
    inside = shapely.intersection(outline[strip], things[thing])
    half_perimeter = 0.5 * shapely.length(outline)
    is_area = shapely.get_dimensions(things[thing]) == 2
    share = np.where(is_area, shapely.area(inside) / shapely.area(outline)[strip], 0.0)
    share[~is_area] = shapely.length(inside[~is_area]) / half_perimeter[strip[~is_area]]
    np.add.at(part, strip, share)
    return part


def _n_neighbours(outline: ObjectArray, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Number of other outlines that touch some of them."""
    if not len(rows):
        return np.zeros(0, dtype=np.int64)
    strip, _ = shapely.STRtree(outline).query(outline[rows], predicate="dwithin", distance=TOUCH_M)
    return np.bincount(strip, minlength=len(rows)) - 1
