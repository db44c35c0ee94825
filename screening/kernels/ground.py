"""One home's ground as the kernels see it: what is there, what a garden would keep, which downspouts it can serve.

Positions are in *home coordinates*: metres east and north of the home's origin.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.bowls import rectangle_outline_m2, rectangle_storage_m2
from screening.kernels.compiled import inlined, leaf
from screening.kernels.elevation import sample
from screening.kernels.plane import crosses, inside, segment_enters
from screening.kernels.targets import wanted_area

Array = np.ndarray

PROBE_M = 0.02
"""How far along a run to look whether it has gone indoors."""


class Ground(NamedTuple):
    """The elevation window of a tile and what lies on it; arrays are (rows, cols), ``grid`` in home coordinates.

    ``built`` marks the cells near enough to a building for the setback to matter to a step from them.
    """

    z: Array
    ground: Array
    slope: Array
    lots: Array
    drains: Array
    built: Array
    memo: Array
    grid: Array


class Rules(NamedTuple):
    """The numbers of the rule set that the search needs, and which of them are relaxed."""

    min_width_m: float
    min_area_m2: float
    max_area_m2: float
    max_slope_pct: float
    min_fall: float
    pit_fill_m: float
    max_trace_m: float
    spacing_m: float
    least_roof_m2: float
    ignore_slope: bool
    ignore_gaps: bool
    ignore_fall: bool
    ignore_blocks: bool
    ignore_overflow: bool


USUAL_RATIO = 2.0
"""Length over width of the usual garden."""


class TownYield(NamedTuple):
    """What gardens ask for and divert on every soil of a town.

    ``fraction`` is (soils, bands, n): the part kept over ``n`` evenly spaced values of ``ln(storage area per roof
    area)`` from ``first`` by ``step``. The wanted storage area is ``per_roof`` (soils, bands) times the roof, or
    ``fixed_m2``; with a ``far_factor`` (soils,) above 0 another for downspouts beyond ``near_limit_m``. ``depth_m`` is
    (soils, bands); ``side_run`` [m/m] and ``berm_m`` say what sides and berm take of an outline; the part
    ``connected`` of a roof's water arrives.
    """

    breaks_pct: Array
    fraction: Array
    first: float
    step: float
    per_roof: Array
    fixed_m2: float
    depth_m: Array
    side_run: float
    berm_m: float
    far_factor: Array
    near_limit_m: float
    connected: float


class Yield(NamedTuple):
    """`TownYield` on one home's soil: ``fraction`` is (bands, n), ``per_roof`` and ``depth_m`` (bands,)."""

    breaks_pct: Array
    fraction: Array
    first: float
    step: float
    per_roof: Array
    fixed_m2: float
    depth_m: Array
    side_run: float
    berm_m: float
    far_factor: float
    near_limit_m: float
    connected: float


class Home(NamedTuple):
    """One home: edge arrays in home coordinates, downspouts (n, 4) as x, y, z [m] and roof [m2], distances [m]."""

    allowed: Array
    lot: Array
    buildings: Array
    own: int
    downspouts: Array
    foundation_m: float
    max_run_m: float
    barriers: Array


@inlined
def band_of(slope_pct: float, breaks_pct: Array) -> int:
    """Which slope band a slope falls into: 0 up to and with the first break."""
    band = 0
    for i in range(breaks_pct.shape[0]):
        if slope_pct > breaks_pct[i]:
            band = i + 1
    return band


@inlined
def diverted_roof(roof_m2: float, area_m2: float, band: int, gain: Yield) -> float:
    """Roof area [m2] whose whole runoff would equal what a garden of an outline's area diverts."""
    roof_m2 *= gain.connected
    if roof_m2 <= 0.0:
        return 0.0
    if gain.side_run > 0.0 or gain.berm_m > 0.0:
        # in the search every outline counts as a rectangle of the usual ratio
        width = math.sqrt(area_m2 / USUAL_RATIO)
        area_m2 = rectangle_storage_m2(USUAL_RATIO * width, width, gain.depth_m[band], gain.side_run, gain.berm_m)
        if area_m2 <= 0.0:
            return 0.0
    t = (math.log(area_m2 / roof_m2) - gain.first) / gain.step
    last = gain.fraction.shape[1] - 1
    if t <= 0.0:
        return roof_m2 * gain.fraction[band, 0] * math.exp(t * gain.step)
    if t >= last:
        return roof_m2 * gain.fraction[band, last]
    i = int(t)
    w = t - i
    return roof_m2 * ((1.0 - w) * gain.fraction[band, i] + w * gain.fraction[band, i + 1])


@inlined
def target_area(roof_m2: float, band: int, gain: Yield, rules: Rules) -> float:
    """Area [m2] of the outline the sizing method asks for near the house, within the least and greatest allowed."""
    return _allowed_area(max(gain.per_roof[band] * roof_m2, gain.fixed_m2), band, gain, rules)


@inlined
def _allowed_area(storage_m2: float, band: int, gain: Yield, rules: Rules) -> float:
    """Area [m2] of the outline of a garden with a storage area, within the least and greatest allowed."""
    area = storage_m2
    if gain.side_run > 0.0 or gain.berm_m > 0.0:
        area = rectangle_outline_m2(storage_m2, USUAL_RATIO, gain.depth_m[band], gain.side_run, gain.berm_m)
    return min(max(area, rules.min_area_m2), rules.max_area_m2)


@leaf
def target_with_far(
    near_roof_m2: float, far_roof_m2: float, shortest_m: float, band: int, gain: Yield, rules: Rules
) -> float:
    """The same where some of the roof lies beyond the limit of the near factors."""
    wanted = wanted_area(
        near_roof_m2, far_roof_m2, shortest_m, gain.per_roof[band], gain.far_factor, gain.fixed_m2, USUAL_RATIO
    )
    return _allowed_area(wanted, band, gain, rules)


@leaf
def cell_state(ground: Ground, x: float, y: float, rules: Rules) -> int:
    """State of the elevation cell that holds a point: 0 usable, 1 too steep, 2 missing."""
    # a hair of grace: a point on the border of two cells is in the same one wherever the map lies
    r = int(math.floor((ground.grid[1] - y) / ground.grid[4] - ground.grid[2] + 1e-7))
    c = int(math.floor((x - ground.grid[0]) / ground.grid[4] - ground.grid[3] + 1e-7))
    if r < 0 or c < 0 or r >= ground.z.shape[0] or c >= ground.z.shape[1]:
        return 2
    s = ground.slope[r, c]
    if math.isnan(s):
        return 2
    return 1 if s > rules.max_slope_pct else 0


@leaf
def cells_are_usable(
    ground: Ground, rules: Rules, cx: float, cy: float, ux: float, uy: float, hl: float, hw: float
) -> bool:
    """Whether every elevation cell that a rectangle overlaps is known and not too steep.

    Two convex shapes are apart if the sides of one of them part them; an overlap of less than a millimetre is none.
    """
    cell = ground.grid[4]
    half = 0.5 * cell - 1e-3
    reach_x = hl * abs(ux) + hw * abs(uy)
    reach_y = hl * abs(uy) + hw * abs(ux)
    c0 = int(math.floor((cx - reach_x - ground.grid[0]) / cell - ground.grid[3]))
    c1 = int(math.floor((cx + reach_x - ground.grid[0]) / cell - ground.grid[3]))
    r0 = int(math.floor((ground.grid[1] - cy - reach_y) / cell - ground.grid[2]))
    r1 = int(math.floor((ground.grid[1] - cy + reach_y) / cell - ground.grid[2]))
    for r in range(r0, r1 + 1):
        dy = ground.grid[1] - (ground.grid[2] + r + 0.5) * cell - cy
        for c in range(c0, c1 + 1):
            dx = ground.grid[0] + (ground.grid[3] + c + 0.5) * cell - cx
            if abs(dx) >= reach_x + half or abs(dy) >= reach_y + half:
                continue
            spread = half * (abs(ux) + abs(uy))
            if abs(dx * ux + dy * uy) >= hl + spread or abs(dy * ux - dx * uy) >= hw + spread:
                continue
            inside_raster = 0 <= r < ground.z.shape[0] and 0 <= c < ground.z.shape[1]
            if not inside_raster or math.isnan(ground.slope[r, c]):
                if not rules.ignore_gaps:
                    return False
            elif ground.slope[r, c] > rules.max_slope_pct and not rules.ignore_slope:
                return False
    return True


@leaf
def mean_elevation(ground: Ground, cx: float, cy: float, ux: float, uy: float, hl: float, hw: float) -> float:
    """Mean ground elevation [m] of a rectangle from nine points of it."""
    total = 0.0
    n = 0
    for i in range(-1, 2):
        for j in range(-1, 2):
            a = 0.667 * hl * i
            b = 0.667 * hw * j
            value = sample(
                ground.z,
                ground.ground,
                ground.grid,
                cx + a * ux - b * uy,
                cy + a * uy + b * ux,
            )
            if not math.isnan(value):
                total += value
                n += 1
    return total / n if n > 0 else np.nan


@inlined
def can_serve(
    home: Home, ground: Ground, rules: Rules, j: int, px: float, py: float, mean_z: float
) -> tuple[bool, float, float]:
    """Whether downspout ``j`` can run to a garden's point: near enough and downhill. Also length and fall [m].

    Both the inlet and the mean ground of the garden have to lie lower by the least fall.
    """
    dx = home.downspouts[j, 0] - px
    dy = home.downspouts[j, 1] - py
    dist = math.sqrt(dx * dx + dy * dy)
    if dist > home.max_run_m + 1e-9:
        return False, dist, np.nan
    z_end = sample(ground.z, ground.ground, ground.grid, px, py)
    fall = home.downspouts[j, 2] - z_end
    if math.isnan(fall):
        return False, dist, fall
    if not rules.ignore_fall:
        need = rules.min_fall * dist - 1e-9
        if fall < need or not home.downspouts[j, 2] - mean_z >= need:
            return False, dist, fall
    return True, dist, fall


@leaf
def starts_indoors(buildings: Array, x1: float, y1: float, x2: float, y2: float) -> bool:
    """Whether a run from a wall goes into the house at once: the garden lies on the house's far side."""
    length = math.hypot(x2 - x1, y2 - y1)
    if length < 2.0 * PROBE_M:
        return False
    t = PROBE_M / length
    return inside(buildings, x1 + t * (x2 - x1), y1 + t * (y2 - y1))


@leaf
def run_is_clear(home: Home, x1: float, y1: float, x2: float, y2: float) -> bool:
    """Whether a straight run stays on the lot and crosses no building."""
    if starts_indoors(home.barriers, x1, y1, x2, y2):
        return False
    if crosses(home.lot, x1, y1, x2, y2):
        return False
    return not segment_enters(home.barriers, x1, y1, x2, y2)


@leaf
def nearest_on_rectangle(
    x: float, y: float, cx: float, cy: float, ux: float, uy: float, hl: float, hw: float
) -> tuple[float, float]:
    """The rectangle's point nearest to a point outside it."""
    dx = x - cx
    dy = y - cy
    a = min(max(dx * ux + dy * uy, -hl), hl)
    b = min(max(-dx * uy + dy * ux, -hw), hw)
    return cx + a * ux - b * uy, cy + a * uy + b * ux


@inlined
def low_rim(ground: Ground, cx: float, cy: float, ux: float, uy: float, hl: float, hw: float) -> tuple[float, float]:
    """The lowest of eight points of the rim: middles of the sides first, then corners."""
    best = np.inf
    bx = cx
    by = cy
    for k in range(8):
        if k < 4:
            a = hl * (k == 0) - hl * (k == 1)
            b = hw * (k == 2) - hw * (k == 3)
        else:
            a = hl if k % 2 == 0 else -hl
            b = hw if k < 6 else -hw
        x = cx + a * ux - b * uy
        y = cy + a * uy + b * ux
        value = sample(ground.z, ground.ground, ground.grid, x, y)
        if value < best - 1e-6:
            best = value
            bx = x
            by = y
    return bx, by


@inlined
def overflow_start(ground: Ground, rim_x: float, rim_y: float, cx: float, cy: float) -> tuple[int, int]:
    """The cell half a cell outside the rim, seen from the garden's middle, where the overflow sets out."""
    length = math.sqrt((rim_x - cx) * (rim_x - cx) + (rim_y - cy) * (rim_y - cy))
    out = 0.5 * ground.grid[4] / length if length > 0.0 else 0.0
    x = rim_x + out * (rim_x - cx)
    y = rim_y + out * (rim_y - cy)
    # a hair of grace: a point on the border of two cells is in the same one wherever the map lies
    r = int(math.floor((ground.grid[1] - y) / ground.grid[4] - ground.grid[2] + 1e-7))
    c = int(math.floor((x - ground.grid[0]) / ground.grid[4] - ground.grid[3] + 1e-7))
    return r, c


@leaf
def follow(home: Home, ground: Ground, rules: Rules, r: int, c: int, path: Array, memo: Array) -> tuple[int, int]:
    """Trace the water of a home's cell; see `screening.kernels.flow.trace`."""
    return flow.trace(
        ground.z,
        ground.grid,
        ground.lots,
        ground.drains,
        ground.built,
        home.own,
        home.buildings,
        home.foundation_m,
        rules.pit_fill_m,
        rules.max_trace_m,
        r,
        c,
        path,
        memo,
    )


@inlined
def overflow_end(home: Home, ground: Ground, rules: Rules, r: int, c: int, path: Array) -> int:
    """What the overflow from a cell ends at; remembered for cells of the own lot."""
    if r < 0 or c < 0 or r >= ground.z.shape[0] or c >= ground.z.shape[1]:
        return flow.OFF_ELEVATION
    # most places start from a cell whose end is known
    if ground.lots[r, c] == home.own and ground.memo[r, c] != flow.UNKNOWN:
        return ground.memo[r, c]
    code, _ = follow(home, ground, rules, r, c, path, ground.memo)
    return code
