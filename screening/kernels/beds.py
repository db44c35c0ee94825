"""What a bed of any outline would serve and keep, by the same conditions as a rectangle."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels import flow
from screening.kernels.city import City, ground_at, home_of, yield_on
from screening.kernels.compiled import kernel, leaf
from screening.kernels.disc import radius_of_area
from screening.kernels.elevation import sample
from screening.kernels.gardens import anything_to_serve, overflow_way
from screening.kernels.ground import (
    Ground,
    Home,
    Rules,
    TownYield,
    Yield,
    band_of,
    can_serve,
    diverted_roof,
    overflow_end,
    overflow_start,
    run_is_clear,
    target_area,
    target_with_far,
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
def worth_a_trial(city: City, ground: Ground, rules: Rules, rows: Array, step: float) -> Array:
    """Whether any usable ground of some homes lies near enough to a downspout and lower than it."""
    out = np.empty(rows.shape[0], dtype=np.bool_)
    for k in range(rows.shape[0]):
        i = rows[k]
        here = ground_at(ground, city.origin[i, 0], city.origin[i, 1])
        out[k] = anything_to_serve(home_of(city, i), here, rules, city.angles[i, 0], step)
    return out


@kernel
def prospects(
    reachable_m2: Array, part_area_m2: Array, soil: Array, gain: TownYield, rules: Rules
) -> tuple[Array, Array]:
    """Area that parts of the ground should get, and the most that a bed on them keeps under any slope band [m2]."""
    target = np.empty(reachable_m2.shape[0])
    most = np.zeros(reachable_m2.shape[0])
    for k in range(reachable_m2.shape[0]):
        here = yield_on(gain, soil[k])
        target[k] = target_area(reachable_m2[k], 0, here, rules)
        room = min(part_area_m2[k], rules.max_area_m2)
        for band in range(here.per_roof.shape[0]):
            most[k] = max(most[k], diverted_roof(reachable_m2[k], room, band, here))
    return target, most


@kernel
def radii(edges: Array, first: Array, part: Array, seed: Array, area_m2: Array) -> Array:
    """Radius [m] of the disc around each seed (n, 2) that holds an area of a part; infinite where the part is less."""
    out = np.empty(part.shape[0])
    for k in range(part.shape[0]):
        of_part = edges[first[part[k]] : first[part[k] + 1]]
        out[k] = radius_of_area(of_part, seed[k, 0], seed[k, 1], area_m2[k])
    return out


@leaf
def _serve(home: Home, ground: Ground, rules: Rules, edges: Array, elevation_m: float, runs: Array) -> float:
    """Fill in the runs (downspouts, 5) to a bed; the roof area [m2] that it serves."""
    roof = 0.0
    for j in range(home.downspouts.shape[0]):
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_edges(edges, x, y)
        served, length, fall = can_serve(home, ground, rules, j, px, py, elevation_m)
        runs[j, 0] = 0.0
        if served and run_is_clear(home, x, y, px, py):
            runs[j, 0] = 1.0
            roof += home.downspouts[j, 3]
        runs[j, 1] = px
        runs[j, 2] = py
        runs[j, 3] = length
        runs[j, 4] = fall
    return roof


@leaf
def _target(home: Home, gain: Yield, rules: Rules, runs: Array, roof_m2: float, band: int) -> float:
    """Area [m2] that a bed should have for the roof that it serves."""
    if gain.far_factor <= 0.0:
        return target_area(roof_m2, band, gain, rules)
    far = 0.0
    shortest = home.max_run_m
    for j in range(runs.shape[0]):
        if runs[j, 0] == 1.0:
            shortest = min(shortest, runs[j, 3])
            if runs[j, 3] > gain.near_limit_m:
                far += home.downspouts[j, 3]
    return target_with_far(roof_m2 - far, far, shortest, band, gain, rules)


@kernel
def judge_all(
    city: City,
    home_of_bed: Array,
    ground: Ground,
    rules: Rules,
    gain: TownYield,
    edges: Array,
    first: Array,
    area_m2: Array,
    middle: Array,
) -> tuple[Array, Array, Array, Array, Array]:
    """What beds would serve and keep.

    Parameters
    ----------
    city, ground : City, Ground
        The homes of a tile; its grid in working coordinates.
    home_of_bed : (n,) int array
    edges, first : (m, 4), (n + 1,) arrays
        Outer outline of each bed in home coordinates [m].
    area_m2 : (n,) array
    middle : (n, 2) array
        Centroids [m].

    Returns
    -------
    rows : (n, 7) array
        ``VOLUME``, ``BAND`` ... of this module; ROOF is 0 where the ground is too steep or unknown, the bed serves
        nothing, or its overflow runs at a building.
    runs, runs_first : (k, 5), (n + 1,) arrays
        Served 0/1, end x, y, length, fall [m] of the downspouts of each bed's home.
    path, points : (n, p, 2), (n,) arrays
        Way of the overflow, from the rim [m], and its number of points.
    """
    n = home_of_bed.shape[0]
    rows = np.zeros((n, 7))
    runs_first = np.zeros(n + 1, dtype=np.int64)
    for k in range(n):
        i = home_of_bed[k]
        runs_first[k + 1] = runs_first[k] + city.downspouts_first[i + 1] - city.downspouts_first[i]
    runs = np.zeros((runs_first[n], 5))
    path = np.empty((n, int(rules.max_trace_m / ground.grid[4]) + 9, 2))
    points = np.zeros(n, dtype=np.int64)
    for k in range(n):
        i = home_of_bed[k]
        home = home_of(city, i)
        here = ground_at(ground, city.origin[i, 0], city.origin[i, 1])
        outline = edges[first[k] : first[k + 1]]
        fine, slope, elevation = bed_ground(here, rules, outline)
        if not fine:
            continue
        roof = _serve(home, here, rules, outline, elevation, runs[runs_first[k] : runs_first[k + 1]])
        if roof <= 0.0:
            continue
        x, y = lowest_of_rim(here, outline)
        if math.isnan(x):
            continue
        r, c = overflow_start(here, x, y, middle[k, 0], middle[k, 1])
        end = overflow_end(home, here, rules, r, c, path[k])
        if end == flow.BUILDING_SETBACK:
            continue
        _, n_points = overflow_way(home, here, rules, x, y, middle[k, 0], middle[k, 1], path[k, 1:])
        on_soil = yield_on(gain, city.soil[i])
        band = band_of(slope, gain.breaks_pct)
        rows[k, TARGET] = _target(home, on_soil, rules, runs[runs_first[k] : runs_first[k + 1]], roof, band)
        rows[k, VOLUME] = diverted_roof(roof, min(area_m2[k], rows[k, TARGET]), band, on_soil)
        rows[k, BAND] = band
        rows[k, END] = end
        rows[k, SLOPE] = slope
        rows[k, ELEV] = elevation
        rows[k, ROOF] = roof
        path[k, 0, 0] = x
        path[k, 0, 1] = y
        points[k] = n_points + 1
    return rows, runs, runs_first, path, points
