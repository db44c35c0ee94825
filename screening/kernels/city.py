"""All homes of a tile in flat arrays, and the loop over them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.compiled import kernel
from screening.kernels.gardens import ground_of, overflow_way, place, rectangle_edges, runs_to_rectangle
from screening.kernels.ground import Ground, Home, Rules, Yield, low_rim, mean_elevation
from screening.kernels.placement import ANGLE, CX, CY, END, FOUND, LENGTH, N_COLUMNS, WIDTH

Array = np.ndarray


class City(NamedTuple):
    """All homes of a tile in flat arrays; the rows of home ``i`` run from ``first[i]`` to ``first[i + 1]``.

    ``origin`` is (homes, 2) [m]; edges and downspouts are in home coordinates.
    """

    origin: Array
    allowed: Array
    allowed_first: Array
    lot: Array
    lot_first: Array
    buildings: Array
    buildings_first: Array
    own: Array
    downspouts: Array
    downspouts_first: Array
    angles: Array
    foundation_m: Array
    max_run_m: Array


@kernel
def home_of(city: City, i: int) -> Home:
    """One home of the flat arrays."""
    return Home(
        city.allowed[city.allowed_first[i] : city.allowed_first[i + 1]],
        city.lot[city.lot_first[i] : city.lot_first[i + 1]],
        city.buildings[city.buildings_first[i] : city.buildings_first[i + 1]],
        city.own[i],
        city.downspouts[city.downspouts_first[i] : city.downspouts_first[i + 1]],
        city.foundation_m[i],
        city.max_run_m[i],
        city.buildings[city.buildings_first[i] : city.buildings_first[i + 1]],
    )


@kernel
def ground_at(ground: Ground, x: float, y: float) -> Ground:
    """The same ground with its grid reckoned from ``(x, y)``."""
    grid = ground.grid.copy()
    grid[0] -= x
    grid[1] -= y
    return Ground(ground.z, ground.ground, ground.slope, ground.lots, ground.drains, ground.built, ground.memo, grid)


# written out, because numba takes seconds to compile what numpy says in a word


@kernel
def _picked(table: Array, rows: Array) -> Array:
    """Some rows of a table."""
    out = np.empty((rows.shape[0], table.shape[1]))
    for i in range(rows.shape[0]):
        for k in range(table.shape[1]):
            out[i, k] = table[rows[i], k]
    return out


@kernel
def _stacked(first: Array, second: Array) -> Array:
    """One table (n, 4) after another."""
    n = first.shape[0]
    out = np.empty((n + second.shape[0], 4))
    for i in range(out.shape[0]):
        for k in range(4):
            out[i, k] = first[i, k] if i < n else second[i - n, k]
    return out


@kernel
def _run_lines(spouts: Array, ways: Array) -> Array:
    """The runs (n, 4) from the served downspouts to the garden [m]."""
    n = 0
    for j in range(ways.shape[0]):
        if ways[j, 0] == 1.0:
            n += 1
    out = np.empty((n, 4))
    n = 0
    for j in range(ways.shape[0]):
        if ways[j, 0] == 1.0:
            out[n, 0] = spouts[j, 0]
            out[n, 1] = spouts[j, 1]
            out[n, 2] = ways[j, 1]
            out[n, 3] = ways[j, 2]
            n += 1
    return out


@kernel
def place_all(
    city: City,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    ratios: Array,
    step: float,
    thorough: bool,
    any_will_do: bool,
    most_gardens: int,
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Place up to ``most_gardens`` gardens for every home of a tile.

    Where ``any_will_do``, the rows only say whether there is any place at all.

    Returns
    -------
    rows : (homes, most_gardens, 13) array
        Result rows of `screening.kernels.placement`; its FOUND is 0 where there is none.
    fitted : (homes,) array
        Positions in which a rectangle fitted the allowed ground.
    runs : (downspouts, 6) array
        Garden that serves the downspout (0, 1 ...; -1: none), end x, y [m], length, fall [m], unused.
    paths : (homes, most_gardens, k, 2) array
        Way of the overflow, the rim's lowest point first [m].
    path_points : (homes, most_gardens) array
        Number of points of each way.
    slopes : (homes, most_gardens, 2) array
        Mean slope [%] and mean elevation [m] of each garden's ground.
    """
    n = city.own.shape[0]
    rows = np.zeros((n, most_gardens, N_COLUMNS))
    fitted = np.zeros(n, dtype=np.int64)
    runs = np.full((city.downspouts.shape[0], 6), np.nan)
    for k in range(runs.shape[0]):
        runs[k, 0] = -1.0
    most_points = int(rules.max_trace_m / ground.grid[4]) + 8
    paths = np.full((n, most_gardens, most_points, 2), np.nan)
    path_points = np.zeros((n, most_gardens), dtype=np.int64)
    slopes = np.full((n, most_gardens, 2), np.nan)
    path = np.empty((most_points, 2))
    nothing = np.empty((0, 4))
    for i in range(n):
        home = home_of(city, i)
        here = ground_at(ground, city.origin[i, 0], city.origin[i, 1])
        taken = nothing
        first = city.downspouts_first[i]
        open_spouts = np.arange(home.downspouts.shape[0])
        for g in range(most_gardens):
            if open_spouts.shape[0] == 0 or home.allowed.shape[0] == 0:
                break
            spouts = _picked(home.downspouts, open_spouts)
            roof = 0.0
            for j in range(spouts.shape[0]):
                roof += spouts[j, 3]
            if g > 0 and roof < rules.least_roof_m2:
                break
            part = Home(
                home.allowed,
                home.lot,
                home.buildings,
                home.own,
                spouts,
                home.foundation_m,
                home.max_run_m,
                _stacked(home.buildings, taken[:4]),
            )
            row, fits = place(
                part,
                here,
                rules,
                gain,
                taken,
                city.angles[i],
                ratios,
                step,
                thorough and g == 0,
                g > 0,
                any_will_do,
                path,
            )
            if g == 0:
                fitted[i] = fits
            if row[FOUND] == 0.0:
                break
            rows[i, g] = row
            if any_will_do:
                break
            ways = runs_to_rectangle(part, here, rules, row)
            left = 0
            for j in range(open_spouts.shape[0]):
                if ways[j, 0] == 1.0:
                    k = first + open_spouts[j]
                    runs[k, 0] = g
                    for q in range(1, 5):
                        runs[k, q] = ways[j, q]
                else:
                    open_spouts[left] = open_spouts[j]
                    left += 1
            open_spouts = open_spouts[:left]
            _, slopes[i, g, 0] = ground_of(here, rules, row, nothing)
            ux = math.cos(row[ANGLE])
            uy = math.sin(row[ANGLE])
            hl = 0.5 * row[LENGTH]
            hw = 0.5 * row[WIDTH]
            slopes[i, g, 1] = mean_elevation(here, row[CX], row[CY], ux, uy, hl, hw)
            rim_x, rim_y = low_rim(here, row[CX], row[CY], ux, uy, hl, hw)
            end, points = overflow_way(part, here, rules, rim_x, rim_y, row[CX], row[CY], path)
            points = min(points, most_points - 1)
            if end != flow.BUILDING_SETBACK or rules.ignore_overflow:
                rows[i, g, END] = end
            paths[i, g, 0, 0] = rim_x
            paths[i, g, 0, 1] = rim_y
            for k in range(points):
                paths[i, g, k + 1, 0] = path[k, 0]
                paths[i, g, k + 1, 1] = path[k, 1]
            path_points[i, g] = points + 1
            taken = _stacked(rectangle_edges(row), _run_lines(part.downspouts, ways))
    return rows, fitted, runs, paths, path_points, slopes
