"""Which soil the ground of each home is, from the polygons of a soil map."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

STEP_FRAC: Final = 1e-6
"""Shares are rounded to this, so that equal ones are equal however the polygons are cut."""

MANY_CORNERS: Final = 1000
MAX_CUTS: Final = 20
"""Map units of more corners are cut in two, at most so many times over."""


class GroundSoil(NamedTuple):
    """Soil of the ground of each home.

    Attributes
    ----------
    soil : (n,) int array
        Soil class; -1 where neither map nor run file says it.
    share_frac : (n,) array
        Part of the ground that is of that class by the map; 0 where the map says none.
    covered_frac : (n,) array
        Part of the ground whose soil the map says.
    is_outside : (n,) bool array
        The map says the soil of less than half of the ground, so the run file's default holds.
    is_mixed : (n,) bool array
        The map says the soil, but more of the ground than allowed is of another one or unmapped.
    """

    soil: IntArray
    share_frac: FloatArray
    covered_frac: FloatArray
    is_outside: BoolArray
    is_mixed: BoolArray


def soil_everywhere(n_homes: int, soil: int) -> GroundSoil:
    """Soil of homes in a town without a soil map."""
    one, no = np.ones(n_homes), np.zeros(n_homes, dtype=bool)
    return GroundSoil(np.full(n_homes, soil, dtype=np.int64), one, one.copy(), no, no.copy())


def map_units(polygons: ObjectArray, soil: IntArray) -> tuple[ObjectArray, IntArray]:
    """Outlines of a soil map made ready for `soil_of_ground`, once for a town.

    Broken ones are repaired, and ones of many corners cut in two, across their longer side, until they have few: a
    map unit that winds through a whole county would otherwise be walked along for every home on its edge.

    Parameters
    ----------
    polygons : (m,) array of polygons or None
        As they were read.
    soil : (m,) int array
        Soil class of each, -1 for unknown.

    Returns
    -------
    polygons, soil
        Of known soil and some area only.
    """
    known = (soil >= 0) & ~shapely.is_missing(polygons)
    outlines, soil = np.array(polygons[known], dtype=object), soil[known]
    broken = ~shapely.is_valid(outlines)
    outlines[broken] = shapely.make_valid(outlines[broken], method="structure", keep_collapsed=False)
    ready: list[ObjectArray] = []
    soil_of: list[IntArray] = []
    for _ in range(MAX_CUTS):
        large = shapely.get_num_coordinates(outlines) > MANY_CORNERS
        ready.append(outlines[~large])
        soil_of.append(soil[~large])
        outlines, soil = _halves(outlines[large]), np.repeat(soil[large], 2)
    outlines, soil = np.concatenate([*ready, outlines]), np.concatenate([*soil_of, soil])
    there = shapely.area(outlines) > 0.0
    return outlines[there], soil[there]


def _halves(outlines: ObjectArray) -> ObjectArray:
    """Both halves of each outline, one after the other."""
    west, south, east, north = shapely.bounds(outlines).reshape(-1, 4).T
    wide = east - west > north - south
    middle_x = np.where(wide, 0.5 * (west + east), east)
    middle_y = np.where(wide, north, 0.5 * (south + north))
    first = shapely.box(west, south, middle_x, middle_y)
    second = shapely.box(np.where(wide, middle_x, west), np.where(wide, south, middle_y), east, north)
    cut: ObjectArray = shapely.intersection(np.repeat(outlines, 2), np.column_stack([first, second]).ravel())
    return cut


def soil_of_ground(
    ground: ObjectArray,
    lots: ObjectArray,
    polygons: ObjectArray,
    polygon_soil: IntArray,
    *,
    rate_mm_h: FloatArray,
    default: int,
    mixed_frac: float,
) -> GroundSoil:
    """Soil that most of each home's ground is of.

    Parameters
    ----------
    ground : (n,) array of polygons or None
        Open ground of each home [m], where a garden may lie.
    lots : (n,) array of polygons
        The lot of each home, which counts where there is no open ground.
    polygons : (m,) array of polygons
        From `map_units`, in any order; places between them are unmapped.
    polygon_soil : (m,) int array
        Soil class of each, -1 for unknown.
    rate_mm_h : (n_soils,) array
        Rate of each class [mm/h]: of equal shares the slower soil counts.
    default : int
        Class where the map says the soil of less than half of the ground; -1 for none.
    mixed_frac : float
        Part of the ground that may be of another soil or unmapped without a flag.

    Returns
    -------
    GroundSoil
        The same for any order of polygons and, row by row, of homes.

    Notes
    -----
    Where map units overlap, the doubly mapped ground counts for both and shares are taken of their sum.
    """
    n = len(ground)
    area = shapely.area(ground)
    place = np.where(area > 0.0, ground, lots)
    area = shapely.area(place)
    known = np.flatnonzero(polygon_soil >= 0)
    home, soil, cut_m2 = _cuts(place, area, polygons[known], polygon_soil[known])
    # added up in order of size, so that the order of the file can't show in the last digit
    order = np.lexsort((cut_m2, soil, home))
    home, soil, cut_m2 = home[order], soil[order], cut_m2[order]
    first = np.flatnonzero((np.diff(home, prepend=-1) != 0) | (np.diff(soil, prepend=-1) != 0))
    home, soil = home[first], soil[first]
    share = np.add.reduceat(cut_m2, first) / area[home] if len(first) else np.empty(0)
    mapped = np.bincount(home, weights=share, minlength=n)
    share = np.round(share / np.maximum(mapped, 1.0)[home] / STEP_FRAC) * STEP_FRAC
    covered = np.minimum(np.round(mapped / STEP_FRAC) * STEP_FRAC, 1.0)

    by_share = np.lexsort((soil, rate_mm_h[soil], -share, home))
    best = by_share[np.diff(home[by_share], prepend=-1) != 0]
    main = np.full(n, -1, dtype=np.int64)
    main_frac = np.zeros(n)
    main[home[best]] = soil[best]
    main_frac[home[best]] = share[best]
    outside = covered < 0.5
    main[outside] = default
    main_frac[outside] = 0.0
    mixed = ~outside & (main_frac < 1.0 - mixed_frac)
    return GroundSoil(main, main_frac, covered, outside, mixed)


def _cuts(
    place: ObjectArray, area_m2: FloatArray, polygons: ObjectArray, polygon_soil: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Home, soil and area [m2] of every piece of ground in a map unit."""
    usable = np.flatnonzero(area_m2 > 0.0)
    # map units are large and of many corners: the query prepares each of them once
    tree = shapely.STRtree(place[usable])
    unit, inside = tree.query(polygons, predicate="covers")
    unit_cut, cut = tree.query(polygons, predicate="intersects")
    across = ~np.isin(unit_cut * len(usable) + cut, unit * len(usable) + inside)
    unit_cut, cut = unit_cut[across], cut[across]
    pieces = shapely.area(shapely.intersection(place[usable[cut]], polygons[unit_cut]))
    home = usable[np.concatenate([inside, cut])]
    soil = polygon_soil[np.concatenate([unit, unit_cut])]
    cut_m2 = np.concatenate([area_m2[usable[inside]], pieces])
    there = cut_m2 > 0.0
    return home[there].astype(np.int64), soil[there].astype(np.int64), cut_m2[there]
