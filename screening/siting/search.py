"""Placing rectangular gardens: the arrays that the search kernel reads, and what it found."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import city as kernel
from screening.kernels.ground import Ground, Rules, TownYield
from screening.outlines import edges_of, gather
from screening.siting.open_ground import Obstacles, some_pairs

if TYPE_CHECKING:
    from screening.params import Params

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[Any]

LEVEL_PCT = 1.0
"""On ground flatter than this a contour has no direction worth following (program default)."""

MOST_GARDENS = 2


class Lots(NamedTuple):
    """The homes to be served, one entry each.

    Attributes
    ----------
    lot : (n,) array of polygons
        Part of the lot that holds the house [m].
    open_ground : (n,) array of polygons
        Where the distance rules allow a garden [m].
    origin : (n, 2) array
        Middle of the house [m]; positions are reckoned from it.
    label : (n,) int array
        The home's lot in the raster of lots.
    downslope_deg, slope_pct : (n,) array
        Plane around the house.
    spouts : (k, 4) array
        Downspouts in working coordinates: x, y, elevation [m], roof area [m2].
    spouts_first : (n + 1,) int array
        Those of home ``i`` are ``spouts_first[i]`` to ``spouts_first[i + 1]``.
    near : Obstacles
        Buildings that matter to each home: to runs, to setbacks on the overflow's way.
    foundation_m, max_run_m : (n,) array
        Setback from buildings and longest run in force for each home [m].
    soil : (n,) int array
        Soil class of each home's ground.
    """

    lot: ObjectArray
    open_ground: ObjectArray
    origin: FloatArray
    label: IntArray
    downslope_deg: FloatArray
    slope_pct: FloatArray
    spouts: FloatArray
    spouts_first: IntArray
    near: Obstacles
    foundation_m: FloatArray
    max_run_m: FloatArray
    soil: IntArray


def pick_lots(lots: Lots, rows: IntArray, **changes: Any) -> Lots:
    """The entries of some homes, with other values where given."""
    counts = np.diff(lots.spouts_first)[rows]
    starts = np.cumsum(counts) - counts
    spout = np.arange(int(counts.sum())) - np.repeat(starts, counts) + np.repeat(lots.spouts_first[rows], counts)
    fewer = Lots(
        lots.lot[rows],
        lots.open_ground[rows],
        lots.origin[rows],
        lots.label[rows],
        lots.downslope_deg[rows],
        lots.slope_pct[rows],
        lots.spouts[spout],
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        some_pairs(lots.near, rows, len(lots.lot)),
        lots.foundation_m[rows],
        lots.max_run_m[rows],
        lots.soil[rows],
    )
    return fewer._replace(**changes)


class SitingRules(NamedTuple):
    """How the search goes: the kernel's rules, shapes and grid."""

    rules: Rules
    ratios: FloatArray
    step_m: float
    most_gardens: int


class Placed(NamedTuple):
    """What the search found; see `screening.kernels.gardens.place_all`."""

    rows: FloatArray
    fitted: IntArray
    runs: FloatArray
    paths: FloatArray
    path_points: IntArray
    ground: FloatArray


def siting_rules(params: Params) -> SitingRules:
    """The kernel's rules from the parameters."""
    rules = Rules(
        params.rules.min_garden_width_m,
        params.rules.min_garden_area_m2,
        params.rules.max_garden_area_m2,
        params.rules.max_slope_pct,
        params.rules.min_fall_pct / 100.0,
        params.overflow.pit_fill_m,
        params.overflow.max_trace_m,
        params.siting.garden_spacing_m,
        params.siting.second_garden_roof_m2,
        ignore_slope=False,
        ignore_gaps=False,
        ignore_fall=False,
        ignore_blocks=False,
        ignore_overflow=False,
    )
    return SitingRules(
        rules,
        np.array(params.siting.shape_ratios, dtype=float),
        params.siting.search_step_m,
        MOST_GARDENS if params.siting.second_garden else 1,
    )


def directions(lot: ObjectArray, downslope_deg: FloatArray, slope_pct: FloatArray) -> FloatArray:
    """Directions of the long side to try (n, 2) [rad, counter-clockwise from east].

    First along the contour (square to the downslope direction), then along the lot, and square to that. On level
    ground both are the lot's own.
    """
    box = shapely.get_coordinates(shapely.get_exterior_ring(shapely.oriented_envelope(lot))).reshape(-1, 5, 2)
    side = np.diff(box[:, :3], axis=1)
    length = np.hypot(side[..., 0], side[..., 1])
    long = np.where(np.round(length[:, 0] - length[:, 1], 6) >= 0.0, 0, 1)
    axis = side[np.arange(len(lot)), long]
    lot_angle = np.arctan2(axis[:, 1], axis[:, 0])
    # the downslope direction turns the frame's second axis downhill, so that turning the map turns the search
    contour = math.pi / 2.0 - np.radians(downslope_deg) + math.pi / 2.0
    level = ~(slope_pct >= LEVEL_PCT)
    turned = np.where(level, 0.0, np.round((contour - lot_angle) / (math.pi / 2.0)) * (math.pi / 2.0))
    lot_angle = lot_angle + turned
    return np.column_stack([np.where(level, lot_angle, contour), lot_angle])


def city_of(lots: Lots, building_edges: tuple[FloatArray, IntArray]) -> kernel.City:
    """Flat arrays of all homes in home coordinates."""
    n = len(lots.lot)
    allowed, allowed_first = edges_of(lots.open_ground, lots.origin)
    lot, lot_first = edges_of(lots.lot, lots.origin)
    near, near_first = gather(*building_edges, lots.near.thing, lots.near.lot, n)
    owner = np.repeat(np.arange(n), np.diff(near_first))
    near = near - np.tile(lots.origin[owner], 2) if len(near) else near
    spouts = lots.spouts.copy()
    spouts[:, :2] -= lots.origin[np.repeat(np.arange(n), np.diff(lots.spouts_first))]
    return kernel.City(
        lots.origin,
        allowed,
        allowed_first,
        lot,
        lot_first,
        np.ascontiguousarray(near),
        near_first,
        lots.label,
        spouts,
        lots.spouts_first,
        directions(lots.lot, lots.downslope_deg, lots.slope_pct),
        lots.foundation_m,
        lots.max_run_m,
        lots.soil,
    )


def place_gardens(
    city: kernel.City,
    ground: Ground,
    how: SitingRules,
    gain: TownYield,
    *,
    is_thorough: bool = False,
    any_will_do: bool = False,
) -> Placed:
    """Place gardens for all homes.

    Parameters
    ----------
    city : City
        As `city_of` makes it.
    ground : Ground
        Elevation, lots and drains of the window.
    how : SitingRules
    gain : Yield
        What gardens keep.
    is_thorough : bool
        Whether every five degrees on a finer grid are tried where nothing was found.
    any_will_do : bool
        Whether the search ends with the first place: for the question if there is one.
    """
    return Placed(
        *kernel.place_all(
            city, ground, how.rules, gain, how.ratios, how.step_m, is_thorough, any_will_do, how.most_gardens
        )
    )
