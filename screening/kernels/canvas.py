"""The allowed ground of one home drawn on a fine grid, turned by an angle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from screening.kernels.plane import point_segment_distance

if TYPE_CHECKING:
    from screening.kernels.ground import Ground, Home, Rules

Array = np.ndarray

UNCLIPPED = np.array([-1e9, -1e9, 1e9, 1e9])


@njit(cache=True, nogil=True)
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
) -> tuple[Array, Array, int, int]:
    """Draw the allowed ground in a frame; integral images of the usable cells and of their slope.

    Only ground within ``reach_m`` of the downspouts' bounding box, and within ``clip`` (least u, v, greatest u, v) [m],
    is drawn. With ``strict`` a cell that an edge passes through is left out; without, a cell counts where its centre is
    allowed.

    Returns
    -------
    count, slope_sum : (nu + 1, nv + 1) array
    i0, j0 : int
        Index of the first cell; cell ``(i, j)`` covers ``(i0 + i) * step`` and on along ``u``.
    """
    n = home.allowed.shape[0]
    e = np.empty((n, 4))
    umin = np.inf
    umax = -np.inf
    vmin = np.inf
    vmax = -np.inf
    for i in range(n):
        for k in range(2):
            x = home.allowed[i, 2 * k]
            y = home.allowed[i, 2 * k + 1]
            # a tenth of a micrometre: the same cells whether the lot came in feet or metres
            u = round((x * ux + y * uy) * 1e7) * 1e-7
            v = round((-x * uy + y * ux) * 1e7) * 1e-7
            e[i, 2 * k] = u
            e[i, 2 * k + 1] = v
            umin = min(umin, u)
            umax = max(umax, u)
            vmin = min(vmin, v)
            vmax = max(vmax, v)
    du0 = np.inf
    du1 = -np.inf
    dv0 = np.inf
    dv1 = -np.inf
    for j in range(home.downspouts.shape[0]):
        u = home.downspouts[j, 0] * ux + home.downspouts[j, 1] * uy
        v = -home.downspouts[j, 0] * uy + home.downspouts[j, 1] * ux
        du0 = min(du0, u)
        du1 = max(du1, u)
        dv0 = min(dv0, v)
        dv1 = max(dv1, v)
    i0 = int(math.floor(max(umin, du0 - reach_m, clip[0]) / step))
    j0 = int(math.floor(max(vmin, dv0 - reach_m, clip[1]) / step))
    nu = max(0, int(math.ceil(min(umax, du1 + reach_m, clip[2]) / step)) - i0)
    nv = max(0, int(math.ceil(min(vmax, dv1 + reach_m, clip[3]) / step)) - j0)
    used = np.zeros((nu, nv), dtype=np.uint8)
    hits = np.empty(n)
    for j in range(nv):
        v = (j0 + j + 0.5) * step
        m = 0
        for i in range(n):
            v1 = e[i, 1]
            v2 = e[i, 3]
            if (v1 > v) != (v2 > v):
                hits[m] = e[i, 0] + (v - v1) * (e[i, 2] - e[i, 0]) / (v2 - v1)
                m += 1
        if m < 2:
            continue
        row = np.sort(hits[:m])
        for q in range(0, m - 1, 2):
            first = max(0, int(math.ceil(row[q] / step - 0.5 - 1e-6)) - i0)
            last = min(nu - 1, int(math.floor(row[q + 1] / step - 0.5 + 1e-6)) - i0)
            for i in range(first, last + 1):
                used[i, j] = 1
    if strict:
        # row by row every cell that an edge passes through; one that runs along a border passes through none
        hair = 1e-6
        for k in range(n):
            v_low = min(e[k, 1], e[k, 3])
            v_high = max(e[k, 1], e[k, 3])
            for j in range(
                max(0, int(math.floor((v_low + hair) / step)) - j0),
                min(nv - 1, int(math.floor((v_high - hair) / step)) - j0) + 1,
            ):
                t0 = 0.0
                t1 = 1.0
                rise = e[k, 3] - e[k, 1]
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
    count = np.zeros((nu + 1, nv + 1), dtype=np.int32)
    slope_sum = np.zeros((nu + 1, nv + 1))
    grid = ground.grid
    rows, cols = ground.z.shape
    for i in range(nu):
        row_count = 0
        row_slope = 0.0
        u = (i0 + i + 0.5) * step
        for j in range(nv):
            if used[i, j]:
                v = (j0 + j + 0.5) * step
                x = u * ux - v * uy
                y = u * uy + v * ux
                r = int(math.floor((grid[1] - y) / grid[4] - grid[2] + 1e-7))
                c = int(math.floor((x - grid[0]) / grid[4] - grid[3] + 1e-7))
                s = np.nan
                if 0 <= r < rows and 0 <= c < cols:
                    s = ground.slope[r, c]
                fine = True
                if math.isnan(s):
                    fine = rules.ignore_gaps
                    s = 0.0
                elif s > rules.max_slope_pct:
                    fine = rules.ignore_slope
                if fine and taken.shape[0] > 0:
                    fine = clear_of(taken[:4], x, y, rules.spacing_m + 0.71 * step)
                if fine:
                    row_count += 1
                    row_slope += s
            count[i + 1, j + 1] = count[i, j + 1] + row_count
            slope_sum[i + 1, j + 1] = slope_sum[i, j + 1] + row_slope
    return count, slope_sum, i0, j0


@njit(cache=True, nogil=True)
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
