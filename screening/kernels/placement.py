"""Search for the place of a rectangular garden on one home's allowed ground.

A *frame* turns home coordinates by an angle, so that a garden's long side lies along the first axis ``u``. The allowed
ground is drawn once a frame on a fine grid; two integral images then tell in constant time whether a rectangle of
cells fits and how steep its ground is. What would become the best place is tested exactly.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.compiled import inlined, leaf
from screening.kernels.ground import (
    Ground,
    Home,
    Rules,
    Yield,
    band_of,
    can_serve,
    cells_are_usable,
    diverted_roof,
    low_rim,
    mean_elevation,
    nearest_on_rectangle,
    overflow_end,
    overflow_start,
    run_is_clear,
    target_area,
    target_with_far,
)
from screening.kernels.plane import box_meets_edge, point_segment_distance, rectangle_within
from screening.kernels.sight import direction_bin

if TYPE_CHECKING:
    from screening.kernels.canvas import Canvas

Array = np.ndarray

_BITS = 62

# one row of a result
FOUND, VOLUME, RUN, CX, CY, ANGLE, LENGTH, WIDTH, ROOF, END, BAND, TARGET, TROUBLE = range(13)

N_COLUMNS = 13
"""Columns of a row; TROUBLE: 1 no place has a harmless overflow, 2 some may have one, 0 not looked at yet."""


class Shape(NamedTuple):
    """What is common to the rectangles tried in a frame: direction of the long side [rad], ratio of the sides.

    Where ``across``, the long side lies along the frame's second axis. ``least`` and ``most`` are the widths in cells,
    ``band_low`` and ``band_high`` the slope bands that occur, ``roof_m2`` is the roof of all downspouts.
    """

    angle: float
    across: bool
    ratio: float
    least: int
    most: int
    band_low: int
    band_high: int
    roof_m2: float


@inlined
def block_of(table: Array, i: int, j: int, n: int, m: int) -> float:
    """Sum of the ``n`` by ``m`` cells from ``(i, j)`` on, from an integral image."""
    return table[i + n, j + m] - table[i, j + m] - table[i + n, j] + table[i, j]


@leaf
def length_of(ratio: float, width: int) -> int:
    """Length in cells of a rectangle."""
    return int(ratio * width + 0.5)


@inlined
def fits(count: Array, p: int, q: int, n: int, m: int) -> bool:
    """Whether ``n`` by ``m`` usable cells lie around a node."""
    i = p - n // 2
    j = q - m // 2
    if i < 0 or j < 0 or i + n >= count.shape[0] or j + m >= count.shape[1]:
        return False
    return block_of(count, i, j, n, m) == n * m


@inlined
def _sides(shape: Shape, width: int) -> tuple[int, int]:
    """Cells of a rectangle along the frame's axes."""
    length = length_of(shape.ratio, width)
    return (width, length) if shape.across else (length, width)


@inlined
def middle_of(canvas: Canvas, p: int, q: int, n: int, m: int) -> tuple[float, float]:
    """Middle [m] of the rectangle of ``n`` by ``m`` cells at a node."""
    u = (canvas.i0 + p - n // 2 + 0.5 * n) * canvas.step
    v = (canvas.j0 + q - m // 2 + 0.5 * m) * canvas.step
    return u * canvas.ux - v * canvas.uy, u * canvas.uy + v * canvas.ux


@inlined
def roof_in_reach(
    home: Home,
    ground: Ground,
    rules: Rules,
    cx: float,
    cy: float,
    ux: float,
    uy: float,
    hl: float,
    hw: float,
    lines_too: bool,
    among: int,
) -> tuple[float, float]:
    """Roof area [m2] of the downspouts a rectangle can serve, and the sum of their runs [m].

    ``among`` has a bit for each downspout worth looking at (the first 62 of them).
    """
    # the mean of the ground is worth its price only for what may become the best place
    mean_z = -np.inf
    if lines_too and not rules.ignore_fall:
        mean_z = mean_elevation(ground, cx, cy, ux, uy, hl, hw)
    roof = 0.0
    run = 0.0
    for j in range(home.downspouts.shape[0]):
        if j < _BITS and not (among >> j) & 1:
            continue
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_rectangle(x, y, cx, cy, ux, uy, hl, hw)
        fine, dist, _ = can_serve(home, ground, rules, j, px, py, mean_z)
        if not fine:
            continue
        if lines_too and not rules.ignore_blocks and not run_is_clear(home, x, y, px, py):
            continue
        roof += home.downspouts[j, 3]
        run += dist
    return roof, run


@inlined
def _roof_near(
    home: Home,
    indoors: Array,
    cx: float,
    cy: float,
    ux: float,
    uy: float,
    hl: float,
    hw: float,
    ignore_blocks: bool,
) -> tuple[float, float, int]:
    """Roof area [m2] of the downspouts within a run's length and not behind the house, uphill or not.

    Also the sum of their runs [m], and their bits.
    """
    roof = 0.0
    run = 0.0
    mask = 0
    limit = home.max_run_m * home.max_run_m * (1.0 + 1e-9)
    for j in range(home.downspouts.shape[0]):
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_rectangle(x, y, cx, cy, ux, uy, hl, hw)
        run2 = (px - x) * (px - x) + (py - y) * (py - y)
        if run2 > limit:
            continue
        if not ignore_blocks and indoors[j, direction_bin(px - x, py - y)]:
            continue
        roof += home.downspouts[j, 3]
        run += math.sqrt(run2)
        if j < _BITS:
            mask |= 1 << j
    return roof, run, mask


@leaf
def _target_here(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    roof_m2: float,
    band: int,
    cx: float,
    cy: float,
    ux: float,
    uy: float,
    hl: float,
    hw: float,
) -> float:
    """Area [m2] that a rectangle of a place should have for the roof that it serves, by near and far factors."""
    far = 0.0
    shortest = home.max_run_m
    for j in range(home.downspouts.shape[0]):
        px, py = nearest_on_rectangle(home.downspouts[j, 0], home.downspouts[j, 1], cx, cy, ux, uy, hl, hw)
        fine, dist, _ = can_serve(home, ground, rules, j, px, py, -np.inf)
        if fine:
            shortest = min(shortest, dist)
            if dist > gain.near_limit_m:
                far += home.downspouts[j, 3]
    far = min(far, roof_m2)
    return target_with_far(roof_m2 - far, far, shortest, band, gain, rules)


@inlined
def most_of(roof_m2: float, area_m2: float, low: int, high: int, gain: Yield, rules: Rules) -> float:
    """The most that a garden of at most an area would keep in any of some slope bands [m2 of roof]."""
    best = 0.0
    for band in range(low, high + 1):
        area = min(area_m2, target_area(roof_m2, band, gain, rules))
        best = max(best, diverted_roof(roof_m2, area, band, gain))
    return best


@leaf
def _better(volume: float, run: float, row: Array) -> bool:
    if row[FOUND] == 0.0:
        return True
    if volume > row[VOLUME] * (1.0 + 1e-9):
        return True
    return volume > row[VOLUME] * (1.0 - 1e-9) and run < row[RUN] - 1e-6


@leaf
def _size_for(area_m2: float, ratio: float, step: float, m_low: int, m_high: int) -> int:
    """Width in cells of a rectangle of at most a wanted area, between two widths."""
    return max(m_low, min(m_high, int(math.floor(math.sqrt(area_m2 / ratio) / step + 1e-9))))


@inlined
def _end_of(
    home: Home,
    ground: Ground,
    rules: Rules,
    cx: float,
    cy: float,
    ux: float,
    uy: float,
    hl: float,
    hw: float,
    path: Array,
) -> int:
    """What the overflow of a rectangle ends at."""
    rim_x, rim_y = low_rim(ground, cx, cy, ux, uy, hl, hw)
    r, c = overflow_start(ground, rim_x, rim_y, cx, cy)
    return overflow_end(home, ground, rules, r, c, path)


@leaf
def row_of(end: int) -> int:
    """Row of the result: 1 for an overflow that troubles a neighbour or cannot be followed, else 0."""
    return 1 if end in (flow.NEIGHBOUR_LOT, flow.OFF_ELEVATION) else 0


@leaf
def leaves_room(
    taken: Array, cx: float, cy: float, ux: float, uy: float, hl: float, hw: float, spacing_m: float
) -> bool:
    """Whether a rectangle keeps its distance from the first garden and lies on none of its runs.

    ``taken`` has the first garden's four edges, then its runs (k, 4) [m].
    """
    for i in range(taken.shape[0]):
        a = (taken[i, 0] - cx) * ux + (taken[i, 1] - cy) * uy
        b = -(taken[i, 0] - cx) * uy + (taken[i, 1] - cy) * ux
        c = (taken[i, 2] - cx) * ux + (taken[i, 3] - cy) * uy
        d = -(taken[i, 2] - cx) * uy + (taken[i, 3] - cy) * ux
        if box_meets_edge(hl, hw, a, b, c, d):
            return False
        if i >= 4:
            continue
        # between two rectangles the nearest points are a corner of one and a side of the other
        outside_a = math.hypot(max(0.0, abs(a) - hl), max(0.0, abs(b) - hw))
        if outside_a < spacing_m:
            return False
        for k in range(4):
            x = hl if k % 2 == 0 else -hl
            y = hw if k < 2 else -hw
            if point_segment_distance(x, y, a, b, c, d) < spacing_m:
                return False
    return True


@leaf
def shape_of(home: Home, rules: Rules, gain: Yield, canvas: Canvas, angle: float, across: bool, ratio: float) -> Shape:
    """The rectangles of a ratio within the allowed areas, none larger than the whole roof asks for."""
    step = canvas.step
    low = band_of(canvas.least_pct, gain.breaks_pct)
    high = band_of(canvas.greatest_pct, gain.breaks_pct)
    roof = 0.0
    for j in range(home.downspouts.shape[0]):
        roof += home.downspouts[j, 3]
    wanted = 0.0
    for band in range(low, high + 1):
        wanted = max(wanted, target_area(roof, band, gain, rules))
    least = int(math.ceil(rules.min_width_m / step - 1e-9))
    while length_of(ratio, least) * least * step * step < rules.min_area_m2 - 1e-9:
        least += 1
    most = least
    while length_of(ratio, most + 1) * (most + 1) * step * step <= wanted + 1e-9:
        most += 1
    return Shape(angle, across, ratio, least, most, low, high, roof)


@inlined
def try_node(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    canvas: Canvas,
    shape: Shape,
    least: int,
    p: int,
    q: int,
    taken: Array,
    path: Array,
    rival: int,
    best: Array,
) -> bool:
    """Try the node ``(p, q)`` as a rectangle's middle; keep it in ``best`` if it is better.

    It has to beat row ``rival`` of ``best`` to be looked at closely: row 0, the best place whose overflow troubles
    nobody, unless no place of the home can have such an overflow.

    Returns whether a rectangle ``least`` cells wide fits.
    """
    count = canvas.usable
    n, m = _sides(shape, least)
    if not fits(count, p, q, n, m):
        return False
    low = least
    high = shape.most + 1
    while high - low > 1:
        mid = (low + high) // 2
        n, m = _sides(shape, mid)
        if fits(count, p, q, n, m):
            low = mid
        else:
            high = mid
    width = low
    ux = canvas.ux
    uy = canvas.uy
    step = canvas.step
    n, m = _sides(shape, width)
    cx, cy = middle_of(canvas, p, q, n, m)
    roof, run, among = _roof_near(home, indoors, cx, cy, ux, uy, 0.5 * n * step, 0.5 * m * step, rules.ignore_blocks)
    if roof <= 0.0:
        return True
    # a smaller rectangle about the same middle has longer runs and serves no more
    most = most_of(roof, n * m * step * step, shape.band_low, shape.band_high, gain, rules)
    if not _better(most, run, best[rival]):
        return True
    volume = 0.0
    band = band_of(block_of(canvas.slope_sum, p - n // 2, q - m // 2, n, m) / (n * m), gain.breaks_pct)
    target = target_area(roof, band, gain, rules)
    # more than the downspouts near it ask for no rectangle needs, whichever of them it can serve
    if gain.far_factor <= 0.0 and width > shape.least and n * m * step * step > target * 1.001:
        width = _size_for(target, shape.ratio, step, shape.least, width - 1)
    for _ in range(4):
        n, m = _sides(shape, width)
        cx, cy = middle_of(canvas, p, q, n, m)
        band = band_of(block_of(canvas.slope_sum, p - n // 2, q - m // 2, n, m) / (n * m), gain.breaks_pct)
        roof, run = roof_in_reach(home, ground, rules, cx, cy, ux, uy, 0.5 * n * step, 0.5 * m * step, False, among)
        if roof <= 0.0:
            return True
        target = target_area(roof, band, gain, rules)
        if gain.far_factor > 0.0:
            target = _target_here(home, ground, rules, gain, roof, band, cx, cy, ux, uy, 0.5 * n * step, 0.5 * m * step)
        if width == shape.least or n * m * step * step <= target * 1.001:
            break
        width = _size_for(target, shape.ratio, step, shape.least, width - 1)
    area = n * m * step * step
    volume = diverted_roof(roof, min(area, target), band, gain)
    if not _better(volume, run, best[rival]):
        return True
    hl = 0.5 * n * step
    hw = 0.5 * m * step
    # where the overflow goes decides against which of the two best places this one has to stand
    end = flow.OWN_GROUND
    if not rules.ignore_overflow:
        end = _end_of(home, ground, rules, cx, cy, ux, uy, hl, hw, path)
    if end == flow.BUILDING_SETBACK:
        return True
    row = row_of(end)
    if not _better(volume, run, best[row]):
        return True
    if not rectangle_within(home.allowed, cx, cy, ux, uy, 2.0 * hl, 2.0 * hw):
        return True
    if not cells_are_usable(ground, rules, cx, cy, ux, uy, hl, hw):
        return True
    if taken.shape[0] > 0 and not leaves_room(taken, cx, cy, ux, uy, hl, hw, rules.spacing_m):
        return True
    roof, run = roof_in_reach(home, ground, rules, cx, cy, ux, uy, hl, hw, True, -1)
    if roof <= 0.0:
        return True
    target = target_area(roof, band, gain, rules)
    if gain.far_factor > 0.0:
        target = _target_here(home, ground, rules, gain, roof, band, cx, cy, ux, uy, hl, hw)
    volume = diverted_roof(roof, min(area, target), band, gain)
    if _better(volume, run, best[row]):
        best[row, FOUND] = 1.0
        best[row, VOLUME] = volume
        best[row, RUN] = run
        best[row, CX] = cx
        best[row, CY] = cy
        best[row, ANGLE] = shape.angle
        best[row, LENGTH] = max(n, m) * step
        best[row, WIDTH] = min(n, m) * step
        best[row, ROOF] = roof
        best[row, END] = end
        best[row, BAND] = band
        best[row, TARGET] = target
    return True
