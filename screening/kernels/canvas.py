"""The allowed ground of one home drawn on a fine grid, turned by an angle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening.kernels.compiled import kernel, leaf
from screening.kernels.plane import point_segment_distance

if TYPE_CHECKING:
    from screening.kernels.ground import Ground, Home, Rules

Array = np.ndarray
IntPairs = tuple[int, int, int, int]

_FAR_M = 1e9


@kernel
def unclipped() -> Array:
    """A box that clips nothing; made anew, because a constant array would have a type and compilation of its own."""
    return np.array([-_FAR_M, -_FAR_M, _FAR_M, _FAR_M])


class Canvas(NamedTuple):
    """A frame's drawing: integral images (nu + 1, nv + 1) of the usable cells and of their slope [%].

    Cell ``(i, j)`` covers ``(i0 + i) * step`` and on along ``u``, which points along ``(ux, uy)``. The usable cells'
    slopes lie between ``least_pct`` and ``greatest_pct``.
    """

    usable: Array
    slope_sum: Array
    i0: int
    j0: int
    step: float
    ux: float
    uy: float
    least_pct: float
    greatest_pct: float


@leaf
def clear_of(taken: Array, x: float, y: float, spacing_m: float) -> bool:
    """Whether a point lies at least ``spacing_m`` from a garden's edges and not within them."""
    odd = False
    for i in range(taken.shape[0]):
        if point_segment_distance(x, y, taken[i, 0], taken[i, 1], taken[i, 2], taken[i, 3]) < spacing_m:
            return False
        if (taken[i, 1] > y) != (taken[i, 3] > y):
            t = (y - taken[i, 1]) / (taken[i, 3] - taken[i, 1])
            if x < taken[i, 0] + t * (taken[i, 2] - taken[i, 0]):
                odd = not odd
    return not odd


@leaf
def _turned(edges: Array, ux: float, uy: float, out: Array) -> None:
    """Edges in the frame's own coordinates."""
    for i in range(edges.shape[0]):
        for k in range(0, 4, 2):
            x = edges[i, k]
            y = edges[i, k + 1]
            # a tenth of a micrometre: the same cells whether the lot came in feet or metres
            out[i, k] = math.floor((x * ux + y * uy) * 1e7 + 0.5) * 1e-7
            out[i, k + 1] = math.floor((-x * uy + y * ux) * 1e7 + 0.5) * 1e-7


@leaf
def _window(e: Array, spouts: Array, ux: float, uy: float, reach_m: float, clip: Array, step: float) -> IntPairs:
    """First cell and number of cells along both axes that the drawing has to hold."""
    out = (0, 0, 0, 0)
    for axis in range(2):
        low = np.inf
        high = -np.inf
        for i in range(e.shape[0]):
            low = min(low, e[i, axis], e[i, axis + 2])
            high = max(high, e[i, axis], e[i, axis + 2])
        near = np.inf
        far = -np.inf
        for j in range(spouts.shape[0]):
            x = spouts[j, 0]
            y = spouts[j, 1]
            t = x * ux + y * uy if axis == 0 else -x * uy + y * ux
            near = min(near, t)
            far = max(far, t)
        first = int(math.floor(max(low, near - reach_m, clip[axis]) / step))
        cells = max(0, int(math.ceil(min(high, far + reach_m, clip[axis + 2]) / step)) - first)
        out = (first, out[1], cells, out[3]) if axis == 0 else (out[0], first, out[2], cells)
    return out


@leaf
def _fill(e: Array, i0: int, j0: int, step: float, used: Array) -> None:
    """Mark the cells whose centres lie within the edges.

    Each edge turns over the cells beyond it on the lines that it crosses: what is turned over an odd number of times
    lies within. First only where the edge crosses, then the marks are handed on from cell to cell.
    """
    nu, nv = used.shape
    for k in range(e.shape[0]):
        v1 = e[k, 1]
        v2 = e[k, 3]
        if v1 == v2:
            continue
        slant = (e[k, 2] - e[k, 0]) / (v2 - v1)
        first = max(0, int(math.ceil(min(v1, v2) / step - 0.5)) - j0 - 1)
        last = min(nv - 1, int(math.floor(max(v1, v2) / step - 0.5)) - j0 + 1)
        for j in range(first, last + 1):
            v = (j0 + j + 0.5) * step
            if (v1 > v) != (v2 > v):
                # a hair of grace: a centre on an edge is on the same side wherever the map lies
                i = max(0, int(math.ceil((e[k, 0] + (v - v1) * slant) / step - 0.5 - 1e-6)) - i0)
                if i < nu:
                    used[i, j] ^= 1
    # unsigned numbers need no look for negative ones: the line is done many cells at a time
    for i in range(np.uint64(1), np.uint64(nu)):
        for j in range(np.uint64(nv)):
            used[i, j] ^= used[i - np.uint64(1), j]


@leaf
def _clear_edges(e: Array, i0: int, j0: int, step: float, used: Array) -> None:
    """Leave out, row by row, every cell that an edge passes through; one along a border passes through none."""
    nu, nv = used.shape
    hair = 1e-6
    for k in range(e.shape[0]):
        v_low = min(e[k, 1], e[k, 3])
        v_high = max(e[k, 1], e[k, 3])
        rise = e[k, 3] - e[k, 1]
        for j in range(
            max(0, int(math.floor((v_low + hair) / step)) - j0),
            min(nv - 1, int(math.floor((v_high - hair) / step)) - j0) + 1,
        ):
            t0 = 0.0
            t1 = 1.0
            if abs(rise) > hair:
                ta = ((j0 + j) * step - e[k, 1]) / rise
                tb = ((j0 + j + 1) * step - e[k, 1]) / rise
                t0 = max(0.0, min(ta, tb))
                t1 = min(1.0, max(ta, tb))
            ua = e[k, 0] + t0 * (e[k, 2] - e[k, 0])
            ub = e[k, 0] + t1 * (e[k, 2] - e[k, 0])
            first = max(0, int(math.floor((min(ua, ub) + hair) / step)) - i0)
            last = min(nu - 1, int(math.floor((max(ua, ub) - hair) / step)) - i0)
            for i in range(first, last + 1):
                used[i, j] = 0


@leaf
def _clear_taken(
    taken: Array, ux: float, uy: float, spacing_m: float, i0: int, j0: int, step: float, used: Array
) -> None:
    """Leave out the cells that lie in the first garden or nearer to it than the spacing."""
    nu, nv = used.shape
    u_low = np.inf
    u_high = -np.inf
    v_low = np.inf
    v_high = -np.inf
    for k in range(4):
        u = taken[k, 0] * ux + taken[k, 1] * uy
        v = -taken[k, 0] * uy + taken[k, 1] * ux
        u_low = min(u_low, u)
        u_high = max(u_high, u)
        v_low = min(v_low, v)
        v_high = max(v_high, v)
    for i in range(
        max(0, int(math.floor((u_low - spacing_m) / step)) - i0),
        min(nu - 1, int(math.floor((u_high + spacing_m) / step)) - i0) + 1,
    ):
        u = (i0 + i + 0.5) * step
        for j in range(
            max(0, int(math.floor((v_low - spacing_m) / step)) - j0),
            min(nv - 1, int(math.floor((v_high + spacing_m) / step)) - j0) + 1,
        ):
            v = (j0 + j + 0.5) * step
            if used[i, j] and not clear_of(taken[:4], u * ux - v * uy, u * uy + v * ux, spacing_m):
                used[i, j] = 0


@leaf
def _has_no_exception(
    ground: Ground, rules: Rules, used: Array, ux: float, uy: float, i0: int, j0: int, step: float
) -> bool:
    """Whether the whole drawing lies on the raster, and every rule is in force."""
    if rules.ignore_gaps or rules.ignore_slope:
        return False
    rows, cols = ground.slope.shape
    for k in range(4):
        u = (i0 + (used.shape[0] if k % 2 == 1 else 0)) * step
        v = (j0 + (used.shape[1] if k >= 2 else 0)) * step
        r = (ground.grid[1] - u * uy - v * ux) / ground.grid[4] - ground.grid[2]
        c = (u * ux - v * uy - ground.grid[0]) / ground.grid[4] - ground.grid[3]
        if not (1.0 <= r < rows - 1.0 and 1.0 <= c < cols - 1.0):
            return False
    return True


@leaf
def _sum_up(
    ground: Ground,
    rules: Rules,
    used: Array,
    ux: float,
    uy: float,
    i0: int,
    j0: int,
    step: float,
    count: Array,
    slope_sum: Array,
) -> tuple[float, float]:
    """Integral images of the usable cells and of their slope; their least and greatest slope [%]."""
    nu, nv = used.shape
    slope = ground.slope
    rows, cols = slope.shape
    per_cell = 1.0 / ground.grid[4]
    # a hair of grace: a point on the border of two cells is in the same one wherever the map lies
    row0 = ground.grid[1] * per_cell - ground.grid[2] + 1e-7
    col0 = ground.grid[0] * per_cell + ground.grid[3] - 1e-7
    row_step = step * ux * per_cell
    col_step = step * uy * per_cell
    is_plain = _has_no_exception(ground, rules, used, ux, uy, i0, j0, step)
    least = np.inf
    greatest = -np.inf
    for j in range(nv + 1):
        count[0, j] = 0
        slope_sum[0, j] = 0.0
    # unsigned numbers need no look for negative ones
    for i in range(np.uint64(nu)):
        row_count = 0
        row_slope = 0.0
        u = (i0 + np.int64(i) + 0.5) * step
        r_first = row0 - u * uy * per_cell - (j0 + 0.5) * row_step
        c_first = u * ux * per_cell - col0 - (j0 + 0.5) * col_step
        below = i + np.uint64(1)
        count[below, 0] = 0
        slope_sum[below, 0] = 0.0
        for j in range(np.uint64(nv)):
            if used[i, j]:
                at = float(np.int64(j))
                if is_plain:
                    s = slope[
                        np.uint64(np.int64(r_first - at * row_step)), np.uint64(np.int64(c_first - at * col_step))
                    ]
                    fine = s <= rules.max_slope_pct
                else:
                    r = int(math.floor(r_first - at * row_step))
                    c = int(math.floor(c_first - at * col_step))
                    s = np.nan
                    if 0 <= r < rows and 0 <= c < cols:
                        s = slope[r, c]
                    if math.isnan(s):
                        fine = rules.ignore_gaps
                        s = 0.0
                    else:
                        fine = s <= rules.max_slope_pct or rules.ignore_slope
                if fine:
                    row_count += 1
                    row_slope += s
                    least = min(least, s)
                    greatest = max(greatest, s)
            after = j + np.uint64(1)
            count[below, after] = count[i, after] + row_count
            slope_sum[below, after] = slope_sum[i, after] + row_slope
    return least, greatest


@kernel
def draw_ground(
    home: Home,
    ground: Ground,
    rules: Rules,
    taken: Array,
    ux: float,
    uy: float,
    step: float,
    reach_m: float,
    strict: bool,
    clip: Array,
) -> Canvas:
    """Draw the allowed ground in a frame.

    Only ground within ``reach_m`` of the downspouts' bounding box, and within ``clip`` (least u, v, greatest u, v) [m],
    is drawn. With ``strict`` a cell that an edge passes through is left out; without, a cell counts where its centre is
    allowed.
    """
    e = np.empty((home.allowed.shape[0], 4))
    _turned(home.allowed, ux, uy, e)
    i0, j0, nu, nv = _window(e, home.downspouts, ux, uy, reach_m, clip, step)
    used = np.zeros((nu, nv), dtype=np.uint8)
    _fill(e, i0, j0, step, used)
    if strict:
        _clear_edges(e, i0, j0, step, used)
    if taken.shape[0] > 0:
        _clear_taken(taken, ux, uy, rules.spacing_m + 0.71 * step, i0, j0, step, used)
    count = np.empty((nu + 1, nv + 1), dtype=np.int32)
    slope_sum = np.empty((nu + 1, nv + 1))
    least, greatest = _sum_up(ground, rules, used, ux, uy, i0, j0, step, count, slope_sum)
    return Canvas(count, slope_sum, i0, j0, step, ux, uy, least, greatest)
