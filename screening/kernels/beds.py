"""What a bed of any outline would serve and keep, by the same conditions as a rectangle."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels import flow
from screening.kernels.compiled import kernel, leaf
from screening.kernels.elevation import sample
from screening.kernels.gardens import overflow_way
from screening.kernels.ground import (
    Ground,
    Home,
    Rules,
    Yield,
    band_of,
    can_serve,
    diverted_roof,
    overflow_end,
    overflow_start,
    run_is_clear,
    target_area,
)
from screening.kernels.plane import inside

Array = np.ndarray

_LOOK_M = 0.25
"""Distance of the points at which a bed's ground is looked at."""

_RIM_M = 1.0
"""Greatest distance of the points at which its rim is."""

# one row of a result
VOLUME, BAND, END, SLOPE, ELEV, TARGET, ROOF = range(7)


@leaf
def _bounds(edges: Array) -> tuple[float, float, float, float]:
    x0 = np.inf
    y0 = np.inf
    x1 = -np.inf
    y1 = -np.inf
    for i in range(edges.shape[0]):
        x0 = min(x0, edges[i, 0])
        y0 = min(y0, edges[i, 1])
        x1 = max(x1, edges[i, 0])
        y1 = max(y1, edges[i, 1])
    return x0, y0, x1, y1


@leaf
def bed_ground(ground: Ground, rules: Rules, edges: Array) -> tuple[bool, float, float]:
    """Whether the ground of a bed is known and not too steep; its mean slope [%] and elevation [m]."""
    x0, y0, x1, y1 = _bounds(edges)
    grid = ground.grid
    n = 0
    slope = 0.0
    z = 0.0
    for i in range(int(math.ceil((x1 - x0) / _LOOK_M))):
        x = x0 + (i + 0.5) * _LOOK_M
        for j in range(int(math.ceil((y1 - y0) / _LOOK_M))):
            y = y0 + (j + 0.5) * _LOOK_M
            if not inside(edges, x, y):
                continue
            r = int(math.floor((grid[1] - y) / grid[4] - grid[2]))
            c = int(math.floor((x - grid[0]) / grid[4] - grid[3]))
            if r < 0 or c < 0 or r >= ground.z.shape[0] or c >= ground.z.shape[1]:
                return False, np.nan, np.nan
            if not ground.slope[r, c] <= rules.max_slope_pct:
                return False, np.nan, np.nan
            n += 1
            slope += ground.slope[r, c]
            z += ground.z[r, c]
    if n == 0:
        return False, np.nan, np.nan
    return True, slope / n, z / n


@leaf
def nearest_on_edges(edges: Array, x: float, y: float) -> tuple[float, float]:
    """The point of an outline nearest to a point outside it."""
    best = np.inf
    bx = np.nan
    by = np.nan
    for i in range(edges.shape[0]):
        dx = edges[i, 2] - edges[i, 0]
        dy = edges[i, 3] - edges[i, 1]
        length2 = dx * dx + dy * dy
        t = 0.0
        if length2 > 0.0:
            t = min(1.0, max(0.0, ((x - edges[i, 0]) * dx + (y - edges[i, 1]) * dy) / length2))
        px = edges[i, 0] + t * dx
        py = edges[i, 1] + t * dy
        d2 = (px - x) * (px - x) + (py - y) * (py - y)
        if d2 < best - 1e-12:
            best = d2
            bx = px
            by = py
    return bx, by


@leaf
def lowest_of_rim(ground: Ground, edges: Array) -> tuple[float, float]:
    """The lowest point of a rim looked at every metre at least; NaN where none is known."""
    best = np.inf
    bx = np.nan
    by = np.nan
    for i in range(edges.shape[0]):
        dx = edges[i, 2] - edges[i, 0]
        dy = edges[i, 3] - edges[i, 1]
        pieces = max(1, int(math.ceil(math.sqrt(dx * dx + dy * dy) / _RIM_M - 1e-9)))
        for k in range(pieces):
            x = edges[i, 0] + dx * k / pieces
            y = edges[i, 1] + dy * k / pieces
            z = sample(ground.z, ground.ground, ground.grid, x, y)
            if z < best - 1e-6:
                best = z
                bx = x
                by = y
    return bx, by


@kernel
def judge(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    edges: Array,
    area_m2: float,
    middle: Array,
) -> tuple[bool, Array, Array, Array]:
    """What a bed would serve and keep.

    Parameters
    ----------
    edges : (n, 4) array
        Its outer outline in home coordinates [m].
    area_m2 : float
    middle : (2,) array
        Its centroid [m].

    Returns
    -------
    will_do : bool
        False where its ground is too steep or unknown, it serves nothing, or its overflow runs at a building.
    row : (7,) array
        ``VOLUME``, ``BAND`` ... of this module.
    runs : (downspouts, 5) array
        Served 0/1, end x, y, length, fall [m].
    path : (k, 2) array
        Way of the overflow, from the rim [m].
    """
    row = np.zeros(7)
    runs = np.zeros((home.downspouts.shape[0], 5))
    path = np.empty((int(rules.max_trace_m / ground.grid[4]) + 9, 2))
    fine, slope, elevation = bed_ground(ground, rules, edges)
    if not fine:
        return False, row, runs, path
    roof = 0.0
    for j in range(home.downspouts.shape[0]):
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_edges(edges, x, y)
        served, length, fall = can_serve(home, ground, rules, j, px, py, elevation)
        if served and run_is_clear(home, x, y, px, py):
            runs[j, 0] = 1.0
            roof += home.downspouts[j, 3]
        runs[j, 1] = px
        runs[j, 2] = py
        runs[j, 3] = length
        runs[j, 4] = fall
    if roof <= 0.0:
        return False, row, runs, path
    x, y = lowest_of_rim(ground, edges)
    if math.isnan(x):
        return False, row, runs, path
    r, c = overflow_start(ground, x, y, middle[0], middle[1])
    end = overflow_end(home, ground, rules, r, c, path)
    if end == flow.BUILDING_SETBACK:
        return False, row, runs, path
    band = band_of(slope, gain.breaks_pct)
    row[TARGET] = target_area(roof, band, gain, rules)
    row[VOLUME] = diverted_roof(roof, min(area_m2, row[TARGET]), band, gain)
    row[BAND] = band
    row[END] = end
    row[SLOPE] = slope
    row[ELEV] = elevation
    row[ROOF] = roof
    _, points = overflow_way(home, ground, rules, x, y, middle[0], middle[1], path[1:])
    path[0, 0] = x
    path[0, 1] = y
    return True, row, runs, path[: points + 1]
