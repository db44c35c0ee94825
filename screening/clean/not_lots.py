"""Polygons among the parcels that are no lots: streets, railways, water.

They are part of the ground on which an overflow arrives, and no neighbour's yard.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening.clean.shapes import BOXES_AT_A_TIME, ShapesInMemory
from screening.outlines import as_boxes

if TYPE_CHECKING:
    from screening.clean.shapes import Outlines, Shapes
    from screening.params import HomeParams

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
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
    houses : Shapes
        Buildings that count as houses.
    footprints : Shapes
        All buildings.
    streets, water : tuple of Shapes, or None
        Lines and polygons, one entry a layer; None where the city gives no such layer.
    """

    houses: Shapes
    footprints: Shapes
    streets: tuple[Shapes, ...] | None
    water: tuple[Shapes, ...] | None

    @classmethod
    def of(
        cls, houses: ObjectArray, footprints: ObjectArray, streets: ObjectArray | None, water: ObjectArray | None
    ) -> Surroundings:
        """Surroundings at hand."""
        return cls(
            ShapesInMemory(houses),
            ShapesInMemory(footprints),
            None if streets is None else (ShapesInMemory(streets),),
            None if water is None else (ShapesInMemory(water),),
        )


def find_not_lots(
    lots: Outlines, kind: ObjectArray, is_nameless: BoolArray, around: Surroundings, params: HomeParams
) -> ObjectArray:
    """What each polygon is where it is no lot: ``street``, ``drainage``, else None.

    Parameters
    ----------
    lots : Outlines
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
    found = np.full(len(is_nameless), None, dtype=object)
    if not len(found):
        return found
    length = lots.perimeter_m**2 / lots.area_m2
    for rows in lots.by_place(np.flatnonzero(is_nameless & (length >= LONG_CONFIRMED))):
        outline = lots.get(rows)
        empty = ~_holds_any(outline, around.houses)
        found[rows[empty]] = _told_by_shape(lots, rows[empty], outline[empty], length[rows[empty]], around)
    words = pd.Series(kind, dtype=object)
    found[words.isin(params.street_values).to_numpy(dtype=bool)] = STREET
    found[words.isin(params.water_values).to_numpy(dtype=bool)] = WATER
    return found


def _told_by_shape(
    lots: Outlines, rows: IntArray, outline: ObjectArray, length: FloatArray, around: Surroundings
) -> ObjectArray:
    """What long and thin polygons without a house are, None where nothing tells it."""
    found = np.full(len(rows), None, dtype=object)
    by_street, by_water = _along(outline, around.streets), _along(outline, around.water)
    found[by_street >= ALONG_FRAC] = STREET
    found[(by_water >= ALONG_FRAC) & (by_water > by_street)] = WATER
    if around.streets is None:
        width = 2.0 * lots.area_m2[rows] / lots.perimeter_m[rows]
        alone = np.flatnonzero((length >= LONG_ALONE) & (width <= WIDEST_ALONE_M) & pd.isna(found))
        found[alone[_n_neighbours(lots, outline[alone]) >= NEIGHBOURS_ALONE]] = STREET
    return found


def _holds_any(outline: ObjectArray, houses: Shapes) -> BoolArray:
    """Whether the middle of any house lies in each outline."""
    holds = np.zeros(len(outline), dtype=bool)
    near = houses.hits(shapely.bounds(outline))
    if len(near):
        tree = shapely.STRtree(shapely.points(houses.point[near]))
        holds[tree.query(outline, predicate="intersects")[0]] = True
    return holds


def _along(outline: ObjectArray, layers: tuple[Shapes, ...] | None) -> FloatArray:
    """Part of each strip along which lines run, or which areas cover."""
    part = np.zeros(len(outline))
    if not len(outline):
        return part
    boxes = shapely.bounds(outline)
    near = [layer.outlines(layer.hits(boxes)) for layer in layers or ()]
    if not sum(map(len, near)):
        return part
    things = np.concatenate(near)
    strip, thing = shapely.STRtree(things).query(outline, predicate="intersects")
    inside = shapely.intersection(outline[strip], things[thing])
    half_perimeter = 0.5 * shapely.length(outline)
    is_area = shapely.get_dimensions(things[thing]) == 2
    share = np.where(is_area, shapely.area(inside) / shapely.area(outline)[strip], 0.0)
    share[~is_area] = shapely.length(inside[~is_area]) / half_perimeter[strip[~is_area]]
    np.add.at(part, strip, share)
    return part


def _n_neighbours(lots: Outlines, strips: ObjectArray) -> IntArray:
    """Number of other lots that touch each of some."""
    if not len(strips):
        return np.zeros(0, dtype=np.int64)
    n = np.zeros(len(strips), dtype=np.int64)
    tree = shapely.STRtree(as_boxes(shapely.bounds(strips) + np.array([-1.0, -1.0, 1.0, 1.0]) * TOUCH_M))
    for begin in range(0, len(lots.bounds), BOXES_AT_A_TIME):
        near = begin + np.unique(tree.query(as_boxes(lots.bounds[begin : begin + BOXES_AT_A_TIME]))[0])
        if len(near):
            strip, _ = shapely.STRtree(lots.get(near)).query(strips, predicate="dwithin", distance=TOUCH_M)
            n += np.bincount(strip, minlength=len(strips))
    return n - 1
