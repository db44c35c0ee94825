"""Units on common ground: small parcels laid on a larger one, or cut out of it as pieces of a puzzle are.

Condominiums are drawn in three ways: every unit with the outline of the whole, which `parcels` finds by the outline
itself; units as polygons on top of the ground parcel; units in holes of it. In all three the yard has several owners.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.clean.shapes import AT_A_TIME, BOXES_AT_A_TIME
from screening.outlines import as_boxes

if TYPE_CHECKING:
    from screening.clean.shapes import Outlines, Shapes

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

INSIDE_FRAC: Final = 0.9
"""Part of a unit's area that lies on the ground parcel, or in a hole of it (program default)."""

SMALLER_FRAC: Final = 0.5
"""A unit is at most so large a part of its ground parcel (program default)."""

COMMON_FRAC: Final = 0.5
"""Part of the land inside its outer rim that a ground parcel keeps for itself at least: a net of streets around blocks
keeps less (program default)."""

ROOF_FRAC: Final = 0.6
"""A parcel of which buildings cover so much is a unit, not a lot with a yard (program default)."""

STRIP_WIDTH_M: Final = 3.0
"""A narrower parcel is a mark for a unit, not a lot: no house fits (program default) [m]."""

FEWEST_UNITS: Final = 2
"""Units that a ground parcel has at least; one that buildings cover, on top of another parcel, is enough."""


class CommonGround(NamedTuple):
    """Which outlines are units, and of what.

    Attributes
    ----------
    ground : (n,) int array
        Row of the ground parcel of each unit; -1 for what is no unit.
    is_cut_out : (n,) bool array
        The unit lies in a hole of the ground parcel, not on top of it.
    is_overlapped : (n,) bool array
        The outline lies over another one without being a unit of it, or under one.
    """

    ground: IntArray
    is_cut_out: BoolArray
    is_overlapped: BoolArray


def find_units(
    lots: Outlines, may_be: BoolArray, is_named: BoolArray, footprints: Shapes, least_house_m2: float
) -> CommonGround:
    """Find units on common ground.

    Parameters
    ----------
    lots : Outlines
    may_be : (n,) bool array
        Outlines that are looked at; streets and water are none.
    is_named : (n,) bool array
        Outlines with an id or an address: scraps of drawing have neither.
    footprints : Shapes
        Buildings.
    least_house_m2 : float
        Smallest house [m2]; a smaller parcel can hold none.
    """
    n, area = len(may_be), lots.area_m2
    ground = np.full(n, -1, dtype=np.int64)
    is_cut_out, is_overlapped = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    inner, outer, filled_m2 = _pairs(lots, may_be)
    fits = (area[inner] <= SMALLER_FRAC * area[outer]) & (area[outer] >= COMMON_FRAC * filled_m2[outer])
    overlap = _common_m2(lots, inner, outer) / area[inner]
    on_top = overlap >= INSIDE_FRAC
    in_hole = overlap <= 1.0 - INSIDE_FRAC
    roof = _roof_frac(lots, np.unique(inner), footprints)
    width = 2.0 * area / lots.perimeter_m
    is_roof = roof >= ROOF_FRAC
    like_unit = is_named & (is_roof | (width < STRIP_WIDTH_M) | (area < least_house_m2))
    is_unit = fits & like_unit[inner] & ~like_unit[outer] & (on_top | in_hole)
    n_units = np.bincount(outer[is_unit], minlength=n)
    has_roof_on_top = np.bincount(outer[is_unit & on_top & is_roof[inner]], minlength=n) > 0
    is_unit &= (n_units >= FEWEST_UNITS)[outer] | has_roof_on_top[outer]
    # of several grounds the smallest is meant; of equal ones the first
    order = np.lexsort((outer, area[outer], inner))
    order = order[is_unit[order]]
    first = order[np.unique(inner[order], return_index=True)[1]]
    ground[inner[first]] = outer[first]
    is_cut_out[inner[first]] = in_hole[first]
    rest = ~in_hole & ((ground[inner] < 0) | (overlap < INSIDE_FRAC)) & (ground[inner] != outer)
    is_overlapped[inner[rest]] = True
    is_overlapped[outer[rest]] = True
    return CommonGround(ground, is_cut_out, is_overlapped)


def _pairs(lots: Outlines, may_be: BoolArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Rows of outlines with a point inside another's outer rim, rows of these, and the area inside their rims [m2]."""
    filled_m2 = np.zeros(len(may_be))
    found = [np.empty((0, 2), dtype=np.int64)]
    rows = np.flatnonzero(may_be)
    by_y = rows[np.argsort(lots.point[rows, 1], kind="stable")]
    y = lots.point[by_y, 1]
    for some in lots.by_place(rows):
        boxes = as_boxes(lots.bounds[some])
        west, south = lots.bounds[some, :2].min(axis=0)
        east, north = lots.bounds[some, 2:].max(axis=0)
        near = by_y[np.searchsorted(y, south) : np.searchsorted(y, north, side="right")]
        near = near[(lots.point[near, 0] >= west) & (lots.point[near, 0] <= east)]
        for begin in range(0, len(near), BOXES_AT_A_TIME):
            others = near[begin : begin + BOXES_AT_A_TIME]
            tree = shapely.STRtree(shapely.points(lots.point[others]))
            box, point = tree.query(boxes)
            with_others = some[np.unique(box[some[box] != others[point]])]
            if not len(with_others):
                continue
            parts, owner = shapely.get_parts(lots.get(with_others), return_index=True)
            filled, has_hole = parts.copy(), shapely.get_num_interior_rings(parts) > 0
            filled[has_hole] = shapely.polygons(shapely.get_exterior_ring(parts[has_hole]))
            filled_m2[with_others] = np.bincount(owner, weights=shapely.area(filled), minlength=len(with_others))
            part, point = tree.query(filled, predicate="contains")
            inner, outer = others[point], with_others[owner[part]]
            differ = inner != outer
            found.append(np.column_stack([inner[differ], outer[differ]]))
    pairs = np.unique(np.concatenate(found), axis=0)
    return pairs[:, 0], pairs[:, 1], filled_m2


def _common_m2(lots: Outlines, inner: IntArray, outer: IntArray) -> FloatArray:
    """Area that the outlines of each pair have in common [m2]."""
    common_m2 = np.zeros(len(inner))
    # a ground with many units is fetched once for many of them
    order = np.lexsort((inner, outer))
    for begin in range(0, len(order), AT_A_TIME):
        some = order[begin : begin + AT_A_TIME]
        rows, place = np.unique(np.concatenate([inner[some], outer[some]]), return_inverse=True)
        outline = lots.get(rows)
        one, other = place[: len(some)], place[len(some) :]
        common_m2[some] = shapely.area(shapely.intersection(outline[one], outline[other]))
    return common_m2


def _roof_frac(lots: Outlines, rows: IntArray, footprints: Shapes) -> FloatArray:
    """Part of some outlines that buildings cover; 0 for the others."""
    part = np.zeros(len(lots.area_m2))
    for some in lots.by_place(rows):
        outline = lots.get(some)
        near = footprints.outlines(footprints.hits(lots.bounds[some]))
        if len(near):
            row, roof = shapely.STRtree(near).query(outline, predicate="intersects")
            np.add.at(part, some[row], shapely.area(shapely.intersection(outline[row], near[roof])))
    part[rows] /= lots.area_m2[rows]
    return part
