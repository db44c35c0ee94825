"""From a found place to a finished garden: growth to the wanted area, its runs, its overflow."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels import flow
from screening.kernels.canvas import Canvas, clear_of, draw_ground, unclipped
from screening.kernels.compiled import kernel, leaf
from screening.kernels.frames import Sweep, is_enough, search_frame
from screening.kernels.ground import (
    Ground,
    Home,
    Rules,
    Yield,
    band_of,
    can_serve,
    cell_state,
    cells_are_usable,
    diverted_roof,
    follow,
    low_rim,
    mean_elevation,
    nearest_on_rectangle,
    overflow_end,
    overflow_start,
    run_is_clear,
)
from screening.kernels.placement import (
    ANGLE,
    BAND,
    CX,
    CY,
    END,
    FOUND,
    LENGTH,
    N_COLUMNS,
    ROOF,
    TARGET,
    VOLUME,
    WIDTH,
    block_of,
    leaves_room,
    roof_in_reach,
)
from screening.kernels.plane import rectangle_within
from screening.kernels.sight import indoors_table

Array = np.ndarray

SCARCE = 60
"""Fewer fitting positions than this on the coarse grid make a finer one worth its time."""


FINE_STEP_M = 0.1
SAME_RAD = 1e-9

FINE_ENOUGH = 800
"""Fitting positions on the fine grid after which the search for one that will do ends."""


@kernel
def rectangle_edges(row: Array) -> Array:
    """The four edges (4, 4) of a found rectangle, counter-clockwise [m]."""
    ux = math.cos(row[ANGLE])
    uy = math.sin(row[ANGLE])
    hl = 0.5 * row[LENGTH]
    hw = 0.5 * row[WIDTH]
    out = np.empty((4, 4))
    a = (-hl, hl, hl, -hl)
    b = (-hw, -hw, hw, hw)
    for k in range(4):
        j = (k + 1) % 4
        out[k, 0] = row[CX] + a[k] * ux - b[k] * uy
        out[k, 1] = row[CY] + a[k] * uy + b[k] * ux
        out[k, 2] = row[CX] + a[j] * ux - b[j] * uy
        out[k, 3] = row[CY] + a[j] * uy + b[j] * ux
    return out


@leaf
def ground_of(ground: Ground, rules: Rules, row: Array, taken: Array) -> tuple[bool, float]:
    """Whether every cell under a rectangle is usable, and the mean slope [%] of its ground."""
    ux = math.cos(row[ANGLE])
    uy = math.sin(row[ANGLE])
    hl = 0.5 * row[LENGTH]
    hw = 0.5 * row[WIDTH]
    n = max(2, int(math.ceil(row[LENGTH] / 0.25 + 1e-6)))
    m = max(2, int(math.ceil(row[WIDTH] / 0.25 + 1e-6)))
    total = 0.0
    for i in range(n):
        for j in range(m):
            a = -hl + (i + 0.5) * row[LENGTH] / n
            b = -hw + (j + 0.5) * row[WIDTH] / m
            x = row[CX] + a * ux - b * uy
            y = row[CY] + a * uy + b * ux
            state = cell_state(ground, x, y, rules)
            if (state == 1 and not rules.ignore_slope) or (state == 2 and not rules.ignore_gaps):
                return False, np.nan
            if taken.shape[0] > 0 and not clear_of(taken[:4], x, y, rules.spacing_m):
                return False, np.nan
            r = int(math.floor((ground.grid[1] - y) / ground.grid[4] - ground.grid[2]))
            c = int(math.floor((x - ground.grid[0]) / ground.grid[4] - ground.grid[3]))
            if state != 2:
                total += ground.slope[r, c]
    return True, total / (n * m)


@kernel
def _grow(home: Home, ground: Ground, rules: Rules, gain: Yield, taken: Array, row: Array, path: Array) -> None:
    """Grow a rectangle about its middle towards its wanted area, as far as every rule still holds."""
    area = row[LENGTH] * row[WIDTH]
    if area >= row[TARGET]:
        return
    ux = math.cos(row[ANGLE])
    uy = math.sin(row[ANGLE])
    low = 1.0
    high = math.sqrt(row[TARGET] / area)
    trial = row.copy()
    for k in range(6):
        s = high if k == 0 else 0.5 * (low + high)
        trial[LENGTH] = row[LENGTH] * s
        trial[WIDTH] = row[WIDTH] * s
        fine = rectangle_within(home.allowed, row[CX], row[CY], ux, uy, trial[LENGTH], trial[WIDTH])
        if fine:
            fine = cells_are_usable(ground, rules, row[CX], row[CY], ux, uy, 0.5 * trial[LENGTH], 0.5 * trial[WIDTH])
        if fine and taken.shape[0] > 0:
            fine = leaves_room(
                taken, row[CX], row[CY], ux, uy, 0.5 * trial[LENGTH], 0.5 * trial[WIDTH], rules.spacing_m
            )
        if fine:
            fine, slope = ground_of(ground, rules, trial, taken)
            fine = fine and band_of(slope, gain.breaks_pct) == int(row[BAND])
        if fine:
            roof, _ = roof_in_reach(
                home, ground, rules, row[CX], row[CY], ux, uy, 0.5 * trial[LENGTH], 0.5 * trial[WIDTH], True, -1
            )
            fine = roof >= row[ROOF] - 1e-9
        if fine and not rules.ignore_overflow:
            rim_x, rim_y = low_rim(ground, row[CX], row[CY], ux, uy, 0.5 * trial[LENGTH], 0.5 * trial[WIDTH])
            r, c = overflow_start(ground, rim_x, rim_y, row[CX], row[CY])
            fine = overflow_end(home, ground, rules, r, c, path) == int(row[END])
        if fine:
            low = s
            if k == 0:
                break
        elif k > 0 or s == high:
            high = s
    # whole centimetres can be pegged out
    row[LENGTH] = max(math.floor(row[LENGTH] * low * 100.0 + 1e-6) / 100.0, row[LENGTH])
    row[WIDTH] = max(math.floor(row[WIDTH] * low * 100.0 + 1e-6) / 100.0, row[WIDTH])
    row[VOLUME] = diverted_roof(row[ROOF], min(row[LENGTH] * row[WIDTH], row[TARGET]), int(row[BAND]), gain)


@leaf
def _extend(canvas: Canvas, n: int, m: int, margin: int, out: Array) -> None:
    """Extend a box (least u, v, greatest u, v) [m] by every place where ``n`` by ``m`` cells fit, and a margin."""
    last = canvas.usable.shape[1] - 1
    for i in range(canvas.usable.shape[0] - n):
        # too few usable cells in the whole strip
        if block_of(canvas.usable, i, 0, n, last) < n * m:
            continue
        for j in range(canvas.usable.shape[1] - m):
            if block_of(canvas.usable, i, j, n, m) == n * m:
                out[0] = min(out[0], (canvas.i0 + i - margin) * canvas.step)
                out[1] = min(out[1], (canvas.j0 + j - margin) * canvas.step)
                out[2] = max(out[2], (canvas.i0 + i + n + margin) * canvas.step)
                out[3] = max(out[3], (canvas.j0 + j + m + margin) * canvas.step)


@kernel
def may_fit(
    home: Home,
    ground: Ground,
    rules: Rules,
    taken: Array,
    angle: float,
    ratios: Array,
    step: float,
    length_part: float,
    width_part: float,
) -> Array:
    """Where most of a smallest rectangle fits the cells whose centres are usable.

    A necessary condition on the coarse grid for anything that a finer grid could find: parts of the length and the
    width, less a cell.

    Returns
    -------
    (4,) array
        Least u, v and greatest u, v [m] that such a rectangle may reach; the least above the greatest where none fits.
    """
    canvas = draw_ground(
        home,
        ground,
        rules,
        taken,
        math.cos(angle),
        math.sin(angle),
        step,
        2.0 * home.max_run_m,
        False,
        unclipped(),
    )
    out = np.array([np.inf, np.inf, -np.inf, -np.inf])
    for k in range(ratios.shape[0]):
        width = max(rules.min_width_m, math.sqrt(rules.min_area_m2 / ratios[k]))
        length = max(width, rules.min_area_m2 / width)
        short = max(1, int(math.floor(width_part * width / step)) - 1)
        long = max(1, int(math.floor(length_part * length / step)) - 1)
        for turn in range(2):
            n, m = (long, short) if turn == 0 else (short, long)
            _extend(canvas, n, m, 2, out)
    return out


@kernel
def anything_to_serve(home: Home, ground: Ground, rules: Rules, angle: float, step: float) -> bool:
    """Whether any point of the usable ground lies near enough to a downspout and lower than it.

    A necessary condition that is quick to test, with a cell's width and its fall at the steepest slope to spare.
    """
    nothing = np.empty((0, 4))
    ux = math.cos(angle)
    uy = math.sin(angle)
    canvas = draw_ground(home, ground, rules, nothing, ux, uy, step, home.max_run_m + step, False, unclipped())
    count, i0, j0 = canvas.usable, canvas.i0, canvas.j0
    spare = step + ground.grid[4]
    for i in range(count.shape[0] - 1):
        for j in range(count.shape[1] - 1):
            if block_of(count, i, j, 1, 1) == 0:
                continue
            u = (i0 + i + 0.5) * step
            v = (j0 + j + 0.5) * step
            x = u * ux - v * uy
            y = u * uy + v * ux
            r = int(math.floor((ground.grid[1] - y) / ground.grid[4] - ground.grid[2]))
            c = int(math.floor((x - ground.grid[0]) / ground.grid[4] - ground.grid[3]))
            if r < 0 or c < 0 or r >= ground.z.shape[0] or c >= ground.z.shape[1]:
                continue
            z = ground.z[r, c]
            for k in range(home.downspouts.shape[0]):
                run = math.hypot(x - home.downspouts[k, 0], y - home.downspouts[k, 1]) - spare
                if run > home.max_run_m:
                    continue
                low_enough = home.downspouts[k, 2] - z + 0.01 * rules.max_slope_pct * spare
                if rules.ignore_fall or low_enough >= rules.min_fall * max(run, 0.0):
                    return True
    return False


@kernel
def _search_everywhere(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    indoors: Array,
    taken: Array,
    angle: float,
    step: float,
    fitted: int,
    path: Array,
    best: Array,
) -> int:
    """Every 15 degrees on the same grid; where hardly any position fits, every five degrees on a 0.1 m grid."""
    square = np.array([2.0, 1.5, 1.0])
    if not anything_to_serve(home, ground, rules, angle, 2.0 * step):
        return 0
    more = 0
    for k in range(6):
        sweep = Sweep(step, 3, True, 1500, True, False)
        turned = angle + k * math.pi / 12.0
        more += search_frame(home, ground, rules, gain, indoors, taken, turned, square, sweep, unclipped(), path, best)
        if best[0, FOUND] == 1.0:
            return more
    # only where room is scarce can a finer grid find what the coarser one missed
    if best[1, FOUND] == 1.0 or fitted + more >= SCARCE:
        return more
    fine = 0
    clip = unclipped()
    sweep = Sweep(FINE_STEP_M, 1, False, 20000, True, False)
    for k in range(18):
        # a rectangle turned by five degrees holds one that is not, of 0.9 of its width and 0.7 of its length
        turned = k * math.pi / 36.0
        if k % 3 == 0:
            clip = may_fit(home, ground, rules, taken, turned + math.pi / 36.0, square, step, 0.7, 0.9)
        if clip[0] > clip[2]:
            continue
        box = may_fit(home, ground, rules, taken, turned, square, step, 1.0, 1.0)
        if box[0] > box[2]:
            continue
        fine += search_frame(home, ground, rules, gain, indoors, taken, turned, square, sweep, box, path, best)
        # hundreds of fitting positions of which none will do: room is not what is missing
        if best[0, FOUND] == 1.0 or fine > FINE_ENOUGH:
            break
    return more + fine


@kernel
def place(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    taken: Array,
    angles: Array,
    ratios: Array,
    step: float,
    thorough: bool,
    any_frame: bool,
    any_will_do: bool,
    path: Array,
) -> tuple[Array, int]:
    """The best rectangle for a home: one result row, and the number of positions that fitted.

    First along the first of the ``angles`` (2,) [rad], then along and across the second, on the ``step`` grid; the
    search ends with the first frame whose best place has room for enough of its wanted area, or with ``any_frame`` has
    any; with ``any_will_do`` at the first place. Where nothing is found and ``thorough``, in more directions.
    """
    best = np.zeros((2, N_COLUMNS))
    indoors = indoors_table(home)
    fitted = 0
    # on level ground both are the lot's own
    alone = abs(angles[1] - angles[0]) < SAME_RAD
    for k in range(1 if alone else 2):
        sweep = Sweep(step, 4 if k == 0 else 6, True, 100000, alone or k == 1, any_will_do)
        fitted += search_frame(
            home, ground, rules, gain, indoors, taken, angles[k], ratios, sweep, unclipped(), path, best
        )
        if is_enough(best, any_frame or any_will_do):
            break
    if best[0, FOUND] == 0.0 and best[1, FOUND] == 0.0 and thorough:
        fitted += _search_everywhere(home, ground, rules, gain, indoors, taken, angles[0], step, fitted, path, best)
    row = best[0] if best[0, FOUND] == 1.0 else best[1]
    if row[FOUND] == 1.0 and not any_will_do:
        _grow(home, ground, rules, gain, taken, row, path)
    return row, fitted


@kernel
def runs_to_rectangle(home: Home, ground: Ground, rules: Rules, row: Array) -> Array:
    """The runs of a garden: (n, 5) per downspout: served 0/1, end x, end y, length, fall [m]."""
    n = home.downspouts.shape[0]
    out = np.zeros((n, 5))
    ux = math.cos(row[ANGLE])
    uy = math.sin(row[ANGLE])
    hl = 0.5 * row[LENGTH]
    hw = 0.5 * row[WIDTH]
    mean_z = mean_elevation(ground, row[CX], row[CY], ux, uy, hl, hw)
    for j in range(n):
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_rectangle(x, y, row[CX], row[CY], ux, uy, hl, hw)
        fine, dist, fall = can_serve(home, ground, rules, j, px, py, mean_z)
        if fine and (rules.ignore_blocks or run_is_clear(home, x, y, px, py)):
            out[j, 0] = 1.0
        out[j, 1] = px
        out[j, 2] = py
        out[j, 3] = dist
        out[j, 4] = fall
    return out


@kernel
def overflow_way(
    home: Home,
    ground: Ground,
    rules: Rules,
    rim_x: float,
    rim_y: float,
    cx: float,
    cy: float,
    path: Array,
) -> tuple[int, int]:
    """Trace the overflow of a finished garden into ``path``; end code and number of points."""
    r, c = overflow_start(ground, rim_x, rim_y, cx, cy)
    if r < 0 or c < 0 or r >= ground.z.shape[0] or c >= ground.z.shape[1]:
        return flow.OFF_ELEVATION, 0
    return follow(home, ground, rules, r, c, path, np.empty((0, 0), dtype=np.int8))
