"""All homes of a tile in flat arrays, and the loop over them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.bowls import rectangle_outline_m2
from screening.kernels.compiled import kernel
from screening.kernels.gardens import ground_of, overflow_way, place, rectangle_edges, runs_to_rectangle
from screening.kernels.ground import (
    USUAL_RATIO,
    Ground,
    Home,
    Rules,
    TownYield,
    Yield,
    band_of,
    diverted_roof,
    low_rim,
    mean_elevation,
)
from screening.kernels.placement import ANGLE, BAND, CX, CY, END, FOUND, LENGTH, N_COLUMNS, ROOF, VOLUME, WIDTH
from screening.kernels.targets import split_downspouts

Array = np.ndarray


LIMITED_FRAC = 0.9
"""A garden of at least this part of the greatest area counts as limited by it (program default)."""

WORTH_DIVIDING = 1.1
"""Two gardens in the place of one have to keep so much more (program default)."""


class City(NamedTuple):
    """All homes of a tile in flat arrays; the rows of home ``i`` run from ``first[i]`` to ``first[i + 1]``.

    ``origin`` is (homes, 2) [m]; edges and downspouts are in home coordinates; ``soil`` (homes,) is the soil class.
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
    soil: Array


@kernel
def yield_on(gain: TownYield, soil: int) -> Yield:
    """What gardens ask for and divert on one soil."""
    return Yield(
        gain.breaks_pct,
        gain.fraction[soil],
        gain.first,
        gain.step,
        gain.per_roof[soil],
        gain.fixed_m2,
        gain.depth_m[soil],
        gain.side_run,
        gain.berm_m,
        gain.far_factor[soil],
        gain.near_limit_m,
        gain.connected,
    )


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
def _home_gardens(
    home: Home,
    here: Ground,
    rules: Rules,
    gain: Yield,
    angles: Array,
    ratios: Array,
    step: float,
    thorough: bool,
    any_will_do: bool,
    for_first: Array,
    path: Array,
    rows: Array,
    runs: Array,
    paths: Array,
    path_points: Array,
    slopes: Array,
) -> int:
    """Place the gardens of one home one after the other, and return how many positions fitted.

    The first garden takes water of the downspouts ``for_first`` only; each further one of those that are left. The
    other arrays are rows of what `place_all` returns, and are filled in.
    """
    nothing = np.empty((0, 4))
    taken = nothing
    fitted = 0
    for k in range(runs.shape[0]):
        runs[k, 0] = -1.0
    most_points = paths.shape[1]
    for g in range(rows.shape[0]):
        open_spouts = np.empty(home.downspouts.shape[0], dtype=np.int64)
        n_open = 0
        roof = 0.0
        for j in range(home.downspouts.shape[0]):
            if runs[j, 0] < 0.0 and (g > 0 or for_first[j]):
                open_spouts[n_open] = j
                n_open += 1
                roof += home.downspouts[j, 3]
        open_spouts = open_spouts[:n_open]
        if n_open == 0 or home.allowed.shape[0] == 0 or (g > 0 and roof < rules.least_roof_m2):
            break
        part = Home(
            home.allowed,
            home.lot,
            home.buildings,
            home.own,
            _picked(home.downspouts, open_spouts),
            home.foundation_m,
            home.max_run_m,
            _stacked(home.buildings, taken[:4]),
        )
        row, fits = place(
            part, here, rules, gain, taken, angles, ratios, step, thorough and g == 0, g > 0, any_will_do, path
        )
        if g == 0:
            fitted = fits
        if row[FOUND] == 0.0:
            break
        rows[g] = row
        if any_will_do:
            break
        ways = runs_to_rectangle(part, here, rules, row)
        for j in range(n_open):
            if ways[j, 0] == 1.0:
                runs[open_spouts[j], 0] = g
                for q in range(1, 5):
                    runs[open_spouts[j], q] = ways[j, q]
        _, slopes[g, 0] = ground_of(here, rules, row, nothing)
        # the drawing's slope may lie on the other side of a break by a hair: the written one decides
        rows[g, BAND] = band_of(slopes[g, 0], gain.breaks_pct)
        ux = math.cos(row[ANGLE])
        uy = math.sin(row[ANGLE])
        hl = 0.5 * row[LENGTH]
        hw = 0.5 * row[WIDTH]
        slopes[g, 1] = mean_elevation(here, row[CX], row[CY], ux, uy, hl, hw)
        rim_x, rim_y = low_rim(here, row[CX], row[CY], ux, uy, hl, hw)
        end, points = overflow_way(part, here, rules, rim_x, rim_y, row[CX], row[CY], path)
        points = min(points, most_points - 1)
        if end != flow.BUILDING_SETBACK or rules.ignore_overflow:
            rows[g, END] = end
        paths[g, 0, 0] = rim_x
        paths[g, 0, 1] = rim_y
        for k in range(points):
            paths[g, k + 1, 0] = path[k, 0]
            paths[g, k + 1, 1] = path[k, 1]
        path_points[g] = points + 1
        taken = _stacked(rectangle_edges(row), _run_lines(part.downspouts, ways))
    return fitted


@kernel
def _share_of_first(home: Home, rules: Rules, gain: Yield, rows: Array, runs: Array) -> Array:
    """Downspouts (n,) that the first of two gardens should take where one is not enough; none where it is.

    A garden over the greatest area is divided where two of that area, each with half the roof, would keep so much more
    than what was found that the second is worth digging.
    """
    n = home.downspouts.shape[0]
    none = np.zeros(n, dtype=np.bool_)
    band = int(rows[0, BAND])
    wanted = gain.per_roof[band] * rows[0, ROOF]
    if gain.side_run > 0.0 or gain.berm_m > 0.0:
        wanted = rectangle_outline_m2(wanted, USUAL_RATIO, gain.depth_m[band], gain.side_run, gain.berm_m)
    if rows[0, FOUND] == 0.0 or wanted <= rules.max_area_m2 * (1.0 + 1e-9):
        return none
    # where the ground gives less than the greatest area, it is not this limit that asks for a second garden
    if rows[0, LENGTH] * rows[0, WIDTH] < LIMITED_FRAC * rules.max_area_m2:
        return none
    total = 0.0
    for j in range(n):
        total += home.downspouts[j, 3]
    most = 0.0
    for other in range(gain.per_roof.shape[0]):
        most = max(most, 2.0 * diverted_roof(0.5 * total, rules.max_area_m2, other, gain))
    if most < WORTH_DIVIDING * (rows[0, VOLUME] + rows[1, VOLUME]):
        return none
    served = np.empty(n, dtype=np.int64)
    n_served = 0
    for j in range(n):
        if runs[j, 0] == 0.0:
            served[n_served] = j
            n_served += 1
    spouts = _picked(home.downspouts, served[:n_served])
    share = split_downspouts(wanted, rules.max_area_m2, spouts[:, 3].copy(), spouts[:, :2].copy())
    for k in range(n_served):
        none[served[k]] = share[k]
    return none


@kernel
def place_all(
    city: City,
    ground: Ground,
    rules: Rules,
    gain: TownYield,
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
    most_points = int(rules.max_trace_m / ground.grid[4]) + 8
    paths = np.full((n, most_gardens, most_points, 2), np.nan)
    path_points = np.zeros((n, most_gardens), dtype=np.int64)
    slopes = np.full((n, most_gardens, 2), np.nan)
    path = np.empty((most_points, 2))
    for i in range(n):
        home = home_of(city, i)
        here = ground_at(ground, city.origin[i, 0], city.origin[i, 1])
        on_soil = yield_on(gain, city.soil[i])
        first = city.downspouts_first[i]
        last = city.downspouts_first[i + 1]
        everyone = np.ones(last - first, dtype=np.bool_)
        fitted[i] = _home_gardens(
            home,
            here,
            rules,
            on_soil,
            city.angles[i],
            ratios,
            step,
            thorough,
            any_will_do,
            everyone,
            path,
            rows[i],
            runs[first:last],
            paths[i],
            path_points[i],
            slopes[i],
        )
        if most_gardens < 2 or any_will_do:
            continue
        share = _share_of_first(home, rules, on_soil, rows[i], runs[first:last])
        if not np.any(share):
            continue
        rows2 = np.zeros((most_gardens, N_COLUMNS))
        runs2 = np.full((last - first, 6), np.nan)
        paths2 = np.full((most_gardens, most_points, 2), np.nan)
        points2 = np.zeros(most_gardens, dtype=np.int64)
        slopes2 = np.full((most_gardens, 2), np.nan)
        _home_gardens(
            home,
            here,
            rules,
            on_soil,
            city.angles[i],
            ratios,
            step,
            False,
            False,
            share,
            path,
            rows2,
            runs2,
            paths2,
            points2,
            slopes2,
        )
        if rows2[0, VOLUME] + rows2[1, VOLUME] >= WORTH_DIVIDING * (rows[i, 0, VOLUME] + rows[i, 1, VOLUME]):
            rows[i] = rows2
            runs[first:last] = runs2
            paths[i] = paths2
            path_points[i] = points2
            slopes[i] = slopes2
    return rows, fitted, runs, paths, path_points, slopes
