"""The last look at every garden, on the exact outlines and with none of the search's means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from screening.siting.open_ground import SIMPLE_CORNERS

if TYPE_CHECKING:
    from screening.params import RuleParams
    from screening.siting.gardens import Gardens
    from screening.siting.search import Lots

ObjectArray = npt.NDArray[Any]

TOLERANCE_M = 1e-4
"""A tenth of a millimetre: rounding of coordinates, nothing more."""


def comes_near(things: ObjectArray, others: ObjectArray, distance_m: float) -> npt.NDArray[np.bool_]:
    """Which geometries lie nearer than a distance [m] to any of others."""
    out = np.zeros(len(things), dtype=bool)
    if len(others) and len(things):
        grown = shapely.bounds(things) + np.array([-1.0, -1.0, 1.0, 1.0]) * distance_m
        thing, other = shapely.STRtree(others).query(shapely.box(*grown.T))
        # for outlines of a few corners the plain distance is quicker; for a creek it pays to prepare it
        simple = shapely.get_num_coordinates(others[other]) <= SIMPLE_CORNERS
        long = np.unique(other[~simple])
        shapely.prepare(others[long])
        simple[~simple] = shapely.dwithin(others[other[~simple]], things[thing[~simple]], distance_m)
        near = np.flatnonzero(simple)
        near = near[shapely.distance(things[thing[near]], others[other[near]]) < distance_m]
        out[thing[near]] = True
    return out


def obeys_rules(
    gardens: Gardens,
    homes: Lots,
    footprints: ObjectArray,
    keep_away: tuple[tuple[ObjectArray, float], ...],
    setback_m: float,
    spacing_m: float,
    rules: RuleParams,
) -> npt.NDArray[np.bool_]:
    """Which gardens obey the rules.

    Parameters
    ----------
    gardens : Gardens
    homes : Lots
    footprints : (m,) array of polygons
        Every footprint near the homes [m].
    keep_away : tuple of (geometry array, distance)
    setback_m, spacing_m : float
        Setback from buildings, and distance between two gardens of a home [m].
    rules : RuleParams
    """
    shape = gardens.geometry
    if len(shape) == 0:
        return np.zeros(0, dtype=bool)
    lot = homes.lot[gardens.home]
    fine = shapely.covers(lot, shape)
    fine &= shapely.distance(shapely.boundary(lot), shape) >= rules.lot_line_m - TOLERANCE_M
    fine &= ~comes_near(shape, footprints, setback_m - TOLERANCE_M)
    for things, distance in keep_away:
        fine &= ~comes_near(shape, things, distance - TOLERANCE_M)
    area = shapely.area(shape)
    fine &= (area >= rules.min_garden_area_m2 - 1e-6) & (area <= rules.max_garden_area_m2 + 1e-6)
    fine &= gardens.width_m >= rules.min_garden_width_m - TOLERANCE_M
    fine &= gardens.slope_pct <= rules.max_slope_pct + 1e-9
    twin = np.flatnonzero(gardens.home[1:] == gardens.home[:-1]) + 1
    near = shapely.distance(shape[twin], shape[twin - 1]) < spacing_m - TOLERANCE_M
    fine[twin[near]] = False
    served = gardens.spout_garden >= 0
    garden = gardens.spout_garden[served]
    bad_run = (gardens.run_m[served] > rules.max_run_m + TOLERANCE_M) | (
        gardens.fall_m[served] < rules.min_fall_pct / 100.0 * gardens.run_m[served] - TOLERANCE_M
    )
    run = (
        shapely.linestrings(np.stack([homes.spouts[served, :2], gardens.run_end[served]], axis=1))
        if served.any()
        else np.empty(0, dtype=object)
    )
    bad_run |= runs_through(run, lot[garden], footprints)
    fine[garden[bad_run]] = False
    fine &= np.bincount(garden, minlength=len(shape)) > 0
    return np.asarray(fine)


def runs_through(runs: ObjectArray, lots: ObjectArray, footprints: ObjectArray) -> npt.NDArray[np.bool_]:
    """Which runs leave their lot or go through a building for more than a millimetre."""
    out = np.zeros(len(runs), dtype=bool)
    if not len(runs):
        return out
    # a downspout may hang over the lot line by the width of a gutter; what counts is the way
    doubtful = np.flatnonzero(~shapely.covers(lots, runs))
    out[doubtful] = shapely.length(shapely.difference(runs[doubtful], lots[doubtful])) > 1e-3
    run, building = shapely.STRtree(footprints).query(runs, predicate="intersects")
    touched, which = np.unique(building, return_inverse=True)
    inner = shapely.buffer(footprints[touched], -1e-3)
    # most runs only touch the wall that they begin at
    inside = np.flatnonzero(shapely.intersects(runs[run], inner[which]))
    run, which = run[inside], which[inside]
    through = shapely.length(shapely.intersection(runs[run], inner[which]))
    out[run[through > 1e-3]] = True
    return out
