"""Search for the place of a rectangular garden on one home's allowed ground.

A *frame* turns home coordinates by an angle, so that a garden's long side lies along the first axis ``u``. The allowed
ground is drawn once a frame on a fine grid; two integral images then tell in constant time whether a rectangle of
cells fits and how steep its ground is. What would become the best place is tested exactly.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from screening.kernels import flow
from screening.kernels.canvas import draw_ground
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
    starts_indoors,
    target_area,
)
from screening.kernels.plane import box_meets_edge, point_segment_distance, rectangle_within

Array = np.ndarray

_BITS = 62

# one row of a result
FOUND, VOLUME, RUN, CX, CY, ANGLE, LENGTH, WIDTH, ROOF, END, BAND, TARGET = range(12)


@njit(cache=True, nogil=True)
def _block(table: Array, i: int, j: int, n: int, m: int) -> float:
    return table[i + n, j + m] - table[i, j + m] - table[i + n, j] + table[i, j]


@njit(cache=True, nogil=True)
def _fits(count: Array, p: int, q: int, n: int, m: int) -> bool:
    i = p - n // 2
    j = q - m // 2
    if i < 0 or j < 0 or i + n >= count.shape[0] or j + m >= count.shape[1]:
        return False
    return _block(count, i, j, n, m) == n * m


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _roof_near(
    home: Home,
    cx: float,
    cy: float,
    ux: float,
    uy: float,
    hl: float,
    hw: float,
    ignore_blocks: bool,
) -> tuple[float, int]:
    """Roof area [m2] of the downspouts within a run's length and not behind the house, uphill or not; their bits."""
    roof = 0.0
    mask = 0
    limit = home.max_run_m * home.max_run_m * (1.0 + 1e-9)
    for j in range(home.downspouts.shape[0]):
        x = home.downspouts[j, 0]
        y = home.downspouts[j, 1]
        px, py = nearest_on_rectangle(x, y, cx, cy, ux, uy, hl, hw)
        run2 = (px - x) * (px - x) + (py - y) * (py - y)
        if run2 > limit:
            continue
        if not ignore_blocks and starts_indoors(home.barriers, x, y, px, py):
            continue
        roof += home.downspouts[j, 3]
        if j < _BITS:
            mask |= 1 << j
    return roof, mask


@njit(cache=True, nogil=True)
def _most(roof_m2: float, area_m2: float, gain: Yield) -> float:
    """The most that any slope band would keep [m2 of roof]."""
    best = 0.0
    for band in range(gain.fraction.shape[0]):
        best = max(best, diverted_roof(roof_m2, area_m2, band, gain))
    return best


@njit(cache=True, nogil=True)
def _better(volume: float, run: float, row: Array) -> bool:
    if row[FOUND] == 0.0:
        return True
    if volume > row[VOLUME] * (1.0 + 1e-9):
        return True
    return volume > row[VOLUME] * (1.0 - 1e-9) and run < row[RUN] - 1e-6


@njit(cache=True, nogil=True)
def _size_for(area_m2: float, ratio: float, step: float, m_low: int, m_high: int) -> int:
    """Width in cells of a rectangle of at most a wanted area, between two widths."""
    return max(m_low, min(m_high, int(math.floor(math.sqrt(area_m2 / ratio) / step + 1e-9))))


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _row_of(end: int) -> int:
    """Row of the result: 1 for an overflow that troubles a neighbour or cannot be followed, else 0."""
    return 1 if end in (flow.NEIGHBOUR_LOT, flow.OFF_ELEVATION) else 0


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _try(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    count: Array,
    slope_sum: Array,
    i0: int,
    j0: int,
    p: int,
    q: int,
    ratio: float,
    m_low: int,
    m_top: int,
    step: float,
    angle: float,
    taken: Array,
    path: Array,
    best: Array,
) -> bool:
    """Try the node ``(p, q)`` as a rectangle's middle; keep it in ``best`` if it is better. Whether anything fits."""
    n = int(round(ratio * m_low))
    if not _fits(count, p, q, n, m_low):
        return False
    low = m_low
    high = m_top + 1
    while high - low > 1:
        mid = (low + high) // 2
        if _fits(count, p, q, int(round(ratio * mid)), mid):
            low = mid
        else:
            high = mid
    m = low
    ux = math.cos(angle)
    uy = math.sin(angle)
    n = int(round(ratio * m))
    cu = (i0 + p - n // 2 + 0.5 * n) * step
    cv = (j0 + q - m // 2 + 0.5 * m) * step
    cx = cu * ux - cv * uy
    cy = cu * uy + cv * ux
    near, among = _roof_near(home, cx, cy, ux, uy, 0.5 * n * step, 0.5 * m * step, rules.ignore_blocks)
    most = _most(near, n * m * step * step, gain)
    if near <= 0.0 or not _better(most, 0.0, best[0]):
        return True
    # where the overflow goes decides against which of the two best places this one has to stand
    m = _size_for(target_area(near, 0, gain, rules), ratio, step, m_low, m)
    n = int(round(ratio * m))
    cu = (i0 + p - n // 2 + 0.5 * n) * step
    cv = (j0 + q - m // 2 + 0.5 * m) * step
    end = flow.OWN_GROUND
    if not rules.ignore_overflow:
        end = _end_of(
            home,
            ground,
            rules,
            cu * ux - cv * uy,
            cu * uy + cv * ux,
            ux,
            uy,
            0.5 * n * step,
            0.5 * m * step,
            path,
        )
    if end == flow.BUILDING_SETBACK or not _better(most, 0.0, best[_row_of(end)]):
        return True
    first_m = m
    roof = 0.0
    run = 0.0
    volume = 0.0
    band = 0
    target = 0.0
    for _ in range(4):
        n = int(round(ratio * m))
        i = p - n // 2
        j = q - m // 2
        cu = (i0 + i + 0.5 * n) * step
        cv = (j0 + j + 0.5 * m) * step
        cx = cu * ux - cv * uy
        cy = cu * uy + cv * ux
        band = band_of(_block(slope_sum, i, j, n, m) / (n * m), gain.breaks_pct)
        roof, run = roof_in_reach(home, ground, rules, cx, cy, ux, uy, 0.5 * n * step, 0.5 * m * step, False, among)
        if roof <= 0.0:
            return True
        target = target_area(roof, band, gain, rules)
        if m == m_low or n * m * step * step <= target * 1.001:
            break
        m = _size_for(target, ratio, step, m_low, m - 1)
    area = n * m * step * step
    volume = diverted_roof(roof, min(area, target), band, gain)
    if not _better(volume, run, best[_row_of(end)]):
        return True
    hl = 0.5 * n * step
    hw = 0.5 * m * step
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
    volume = diverted_roof(roof, min(area, target), band, gain)
    if not _better(volume, run, best[0]):
        return True
    if m != first_m and not rules.ignore_overflow:
        end = _end_of(home, ground, rules, cx, cy, ux, uy, hl, hw, path)
        if end == flow.BUILDING_SETBACK:
            return True
    row = _row_of(end)
    if _better(volume, run, best[row]):
        best[row, FOUND] = 1.0
        best[row, VOLUME] = volume
        best[row, RUN] = run
        best[row, CX] = cx
        best[row, CY] = cy
        best[row, ANGLE] = angle
        best[row, LENGTH] = n * step
        best[row, WIDTH] = m * step
        best[row, ROOF] = roof
        best[row, END] = end
        best[row, BAND] = band
        best[row, TARGET] = target
    return True


@njit(cache=True, nogil=True)
def _widths(ratio: float, step: float, rules: Rules) -> tuple[int, int]:
    """Least and greatest width in cells of a rectangle of a shape within the allowed areas."""
    m_low = int(math.ceil(rules.min_width_m / step - 1e-9))
    while int(round(ratio * m_low)) * m_low * step * step < rules.min_area_m2 - 1e-9:
        m_low += 1
    m_top = m_low
    while int(round(ratio * (m_top + 1))) * (m_top + 1) * step * step <= rules.max_area_m2 + 1e-9:
        m_top += 1
    return m_low, m_top


@njit(cache=True, nogil=True)
def search_frame(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    taken: Array,
    angle: float,
    ratios: Array,
    step: float,
    stride: int,
    strict: bool,
    most_nodes: int,
    clip: Array,
    path: Array,
    best: Array,
) -> int:
    """Search one frame over all ratios; returns how many positions fit (0: none lies in the allowed ground).

    Nodes are looked at every ``stride`` cells, then ever nearer around the best one. ``most_nodes`` bounds the
    nodes of one ratio: the stride grows where there are more.
    """
    diagonal = 2.0 * math.sqrt(rules.max_area_m2 * 3.0)
    count, slope_sum, i0, j0 = draw_ground(
        home,
        ground,
        rules,
        taken,
        math.cos(angle),
        math.sin(angle),
        step,
        home.max_run_m + diagonal,
        strict,
        clip,
    )
    nu = count.shape[0] - 1
    nv = count.shape[1] - 1
    if nu < 1 or nv < 1 or count[nu, nv] * step * step < rules.min_area_m2 * 0.5:
        return 0
    while (nu // stride) * (nv // stride) > most_nodes:
        stride += 1
    fitted = 0
    for k in range(ratios.shape[0]):
        ratio = ratios[k]
        m_low, m_top = _widths(ratio, step, rules)
        # (i0 + p) a multiple of the stride: the same nodes whatever part of the ground is drawn
        p_first = (-i0) % stride
        q_first = (-j0) % stride
        for p in range(p_first, nu + 1, stride):
            for q in range(q_first, nv + 1, stride):
                if _try(
                    home,
                    ground,
                    rules,
                    gain,
                    count,
                    slope_sum,
                    i0,
                    j0,
                    p,
                    q,
                    ratio,
                    m_low,
                    m_top,
                    step,
                    angle,
                    taken,
                    path,
                    best,
                ):
                    fitted += 1
        if best[0, FOUND] == 1.0 and reached_target(best[0]):
            break
    for row in range(2):
        if best[row, FOUND] == 0.0 or best[row, ANGLE] != angle:
            continue
        move = stride // 2
        while move >= 1:
            # the eight neighbours of the best place so far, twice as near each time
            ratio = best[row, LENGTH] / best[row, WIDTH]
            for k in range(ratios.shape[0]):
                if abs(ratios[k] - ratio) < 0.26:
                    ratio = ratios[k]
                    break
            m_low, m_top = _widths(ratio, step, rules)
            u = best[row, CX] * math.cos(angle) + best[row, CY] * math.sin(angle)
            v = -best[row, CX] * math.sin(angle) + best[row, CY] * math.cos(angle)
            pc = int(round(u / step)) - i0
            qc = int(round(v / step)) - j0
            for dp in range(-1, 2):
                for dq in range(-1, 2):
                    p = pc + dp * move
                    q = qc + dq * move
                    if (dp != 0 or dq != 0) and 0 <= p <= nu and 0 <= q <= nv:
                        _try(
                            home,
                            ground,
                            rules,
                            gain,
                            count,
                            slope_sum,
                            i0,
                            j0,
                            p,
                            q,
                            ratio,
                            m_low,
                            m_top,
                            step,
                            angle,
                            taken,
                            path,
                            best,
                        )
            move //= 2
    return fitted


@njit(cache=True, nogil=True)
def reached_target(row: Array) -> bool:
    """Whether a place has room for enough of the area its roof asks for.

    A garden 30 % smaller still controls about 90 % of the runoff (quoted from a household guide, see
    docs/method/siting.md), so four fifths are no reason to look for another shape.
    """
    return row[LENGTH] * row[WIDTH] >= 0.8 * row[TARGET]
