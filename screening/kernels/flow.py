"""Where water goes on the ground: steepest descent from cell to cell, and what it meets."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray

# what a way ends at; 0 is kept for "not traced yet"
UNKNOWN = 0
STREET = 1
DRAINAGE = 2
OWN_LOW_SPOT = 3
NEIGHBOUR_LOT = 4
BUILDING_SETBACK = 5
OFF_ELEVATION = 6
OWN_GROUND = 7

# E, SE, S, SW, W, NW, N, NE with the direction codes 1, 2, 4 ... 128 of O'Callaghan and Mark (1984)
_DR = (0, 1, 1, 1, 0, -1, -1, -1)
_DC = (1, 1, 0, -1, -1, -1, 0, 1)

# how far from its bottom a pit is looked at, in cells: far above any hollow of centimetres
_PIT_REACH = 20
_PIT_SIDE = 2 * _PIT_REACH + 1


@leaf
def steepest(z: Array, r: int, c: int) -> int:
    """Index 0-7 (east, then clockwise) of the steepest lower neighbour; -1 in a pit, -2 beside a gap or the edge.

    Diagonal drops are divided by sqrt(2) (O'Callaghan and Mark 1984). Of equal drops the first in the
    order east, south-east, ... wins. A cell beside the raster's edge or a gap may drain there unseen:
    it counts as a pit only where all eight neighbours are known.
    """
    rows, cols = z.shape
    best = -1
    drop = 0.0
    edge = False
    for k in range(8):
        rr = r + _DR[k]
        cc = c + _DC[k]
        if rr < 0 or cc < 0 or rr >= rows or cc >= cols or math.isnan(z[rr, cc]):
            edge = True
            continue
        d = z[r, c] - z[rr, cc]
        if k % 2 == 1:
            d /= math.sqrt(2.0)
        if d > drop + 1e-9:
            drop = d
            best = k
    if best < 0 and edge:
        return -2
    return best


@kernel
def d8(z: Array) -> Array:
    """Direction codes of every cell: 1 E, 2 SE, 4 S, 8 SW, 16 W, 32 NW, 64 N, 128 NE; 0 where none is lower.

    References
    ----------
    J. F. O'Callaghan and D. M. Mark (1984), The extraction of drainage networks from digital elevation
    data, Computer Vision, Graphics and Image Processing 28:323-344.
    """
    rows, cols = z.shape
    out = np.zeros((rows, cols), dtype=np.int64)
    for r in range(rows):
        for c in range(cols):
            k = steepest(z, r, c)
            if k >= 0:
                out[r, c] = 1 << k
    return out


@leaf
def _sift_up(heap: Array, level: Array, i: int) -> None:
    while i > 0:
        parent = (i - 1) // 2
        if level[heap[i]] >= level[heap[parent]]:
            return
        heap[i], heap[parent] = heap[parent], heap[i]
        i = parent


@leaf
def _sift_down(heap: Array, level: Array, n: int) -> None:
    i = 0
    while True:
        child = 2 * i + 1
        if child >= n:
            return
        if child + 1 < n and level[heap[child + 1]] < level[heap[child]]:
            child += 1
        if level[heap[i]] <= level[heap[child]]:
            return
        heap[i], heap[child] = heap[child], heap[i]
        i = child


@kernel
def _out_of_pit(z: Array, r0: int, c0: int, fill_m: float, way: Array) -> int:
    """The way from a pit over its lowest rim to the first lower cell; its length, or 0 if the rim is too high.

    Cells are taken in order of the level at which water would reach them, as a rising pool would. The way is
    written to ``way`` (n, 2) from the first cell after the pit on. -1: the pool reaches the raster's edge or a gap.
    """
    rows, cols = z.shape
    # numbers of cells in the square around the pit
    parent = np.full(_PIT_SIDE * _PIT_SIDE, -2, dtype=np.int64)
    level = np.empty(_PIT_SIDE * _PIT_SIDE)
    heap = np.empty(_PIT_SIDE * _PIT_SIDE, dtype=np.int64)
    start = _PIT_REACH * _PIT_SIDE + _PIT_REACH
    parent[start] = -1
    level[start] = z[r0, c0]
    heap[0] = start
    n = 1
    limit = z[r0, c0] + fill_m + 1e-9
    while n > 0:
        cell = heap[0]
        n -= 1
        heap[0] = heap[n]
        _sift_down(heap, level, n)
        r = r0 - _PIT_REACH + cell // _PIT_SIDE
        c = c0 - _PIT_REACH + cell % _PIT_SIDE
        if z[r, c] < z[r0, c0] - 1e-9:
            length = 0
            i = cell
            while i != start:
                length += 1
                i = parent[i]
            i = cell
            for q in range(length - 1, -1, -1):
                way[q, 0] = r0 - _PIT_REACH + i // _PIT_SIDE
                way[q, 1] = c0 - _PIT_REACH + i % _PIT_SIDE
                i = parent[i]
            return length
        for k in range(8):
            rr = r + _DR[k]
            cc = c + _DC[k]
            if abs(rr - r0) > _PIT_REACH or abs(cc - c0) > _PIT_REACH:
                # a pool this wide is a low spot, however shallow
                return 0
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols or math.isnan(z[rr, cc]):
                return -1
            i = (rr - r0 + _PIT_REACH) * _PIT_SIDE + cc - c0 + _PIT_REACH
            if parent[i] != -2:
                continue
            parent[i] = cell
            level[i] = max(level[cell], z[rr, cc])
            if level[i] <= limit:
                heap[n] = i
                n += 1
                _sift_up(heap, level, n - 1)
    return 0


@leaf
def _distance2(x: float, y: float, x1: float, y1: float, x2: float, y2: float) -> float:
    """Squared distance [m2] from a point to a segment."""
    dx = x2 - x1
    dy = y2 - y1
    length2 = dx * dx + dy * dy
    t = 0.0
    if length2 > 0.0:
        t = min(1.0, max(0.0, ((x - x1) * dx + (y - y1) * dy) / length2))
    ex = x - x1 - t * dx
    ey = y - y1 - t * dy
    return ex * ex + ey * ey


@leaf
def _crosses(x1: float, y1: float, x2: float, y2: float, a: float, b: float, c: float, d: float) -> bool:
    """Whether the segments properly cross."""
    p = (x2 - x1) * (b - y1) - (y2 - y1) * (a - x1)
    q = (x2 - x1) * (d - y1) - (y2 - y1) * (c - x1)
    r = (c - a) * (y1 - b) - (d - b) * (x1 - a)
    s = (c - a) * (y2 - b) - (d - b) * (x2 - a)
    return p * q < 0.0 and r * s < 0.0


@leaf
def _too_near(edges: Array, x1: float, y1: float, x2: float, y2: float, limit_m: float) -> bool:
    """Whether a step comes nearer than a limit to an edge, or crosses one."""
    left = min(x1, x2) - limit_m
    right = max(x1, x2) + limit_m
    low = min(y1, y2) - limit_m
    high = max(y1, y2) + limit_m
    limit2 = limit_m * limit_m
    for i in range(edges.shape[0]):
        a = edges[i, 0]
        b = edges[i, 1]
        c = edges[i, 2]
        d = edges[i, 3]
        if (a > right and c > right) or (a < left and c < left) or (b > high and d > high) or (b < low and d < low):
            continue
        if (
            _distance2(x1, y1, a, b, c, d) < limit2
            or _distance2(x2, y2, a, b, c, d) < limit2
            or _distance2(a, b, x1, y1, x2, y2) < limit2
            or _distance2(c, d, x1, y1, x2, y2) < limit2
            or _crosses(x1, y1, x2, y2, a, b, c, d)
        ):
            return True
    return False


@kernel
def trace(
    z: Array,
    grid: Array,
    lots: Array,
    drains: Array,
    built: Array,
    own: int,
    buildings: Array,
    setback_m: float,
    pit_fill_m: float,
    max_trace_m: float,
    r: int,
    c: int,
    path: Array,
    memo: Array,
) -> tuple[int, int]:
    """Follow the water from cell ``(r, c)`` to where it ends.

    Parameters
    ----------
    z : (rows, cols) array
        Elevation [m], NaN where missing. Cells under buildings keep their value: the setback stops the
        way before it reaches one.
    grid : (5,) array
        Where the window lies, see `screening.kernels.elevation`.
    lots : (rows, cols) int array
        Which lot holds the cell's centre; 0 is outside every lot, that is the street.
    drains : (rows, cols) bool array
        Cells of a drainage feature.
    built : (rows, cols) bool array
        Cells from which one step may come within the setback of a building; the exact distance is taken only there.
    own : int
        The home's lot in ``lots``.
    buildings : (n, 4) array
        Edges of every building near the lot [m].
    setback_m, pit_fill_m, max_trace_m : float
        Foundation setback, deepest pit that is passed, longest way looked at [m].
    path : (k, 2) array
        Is filled with the way's points [m], the centre of the first cell first.
    memo : (rows, cols) array
        Ends known of cells of the own lot; is added to. Without rows nothing is remembered, and the way is
        followed to its end.

    Returns
    -------
    code, n : int
        What the way ends at, and the number of points in ``path``.
    """
    cell = grid[4]
    rows, cols = z.shape
    way = np.empty((_PIT_SIDE * _PIT_SIDE, 2), dtype=np.int64)
    # row, column, and 1 where the way only came there to leave a pit
    cells = np.empty((path.shape[0], 3), dtype=np.int64)
    queued = 0
    taken = 0
    n = 0
    length = 0.0
    on_street = False
    end = UNKNOWN
    while end == UNKNOWN:
        if r < 0 or c < 0 or r >= rows or c >= cols or math.isnan(z[r, c]):
            end = OFF_ELEVATION
            break
        remembers = memo.shape[0] > 0 and taken == queued and lots[r, c] == own
        if remembers and memo[r, c] != UNKNOWN:
            end = memo[r, c]
            break
        x = grid[0] + (grid[3] + c + 0.5) * cell
        y = grid[1] - (grid[2] + r + 0.5) * cell
        path[n, 0] = x
        path[n, 1] = y
        cells[n, 0] = r
        cells[n, 1] = c
        cells[n, 2] = 1 if taken < queued else 0
        n += 1
        fx = x
        fy = y
        near_building = built[r, c]
        if n > 1:
            fx = path[n - 2, 0]
            fy = path[n - 2, 1]
            length += math.hypot(x - fx, y - fy)
            near_building |= built[cells[n - 2, 0], cells[n - 2, 1]]
        if near_building and _too_near(buildings, fx, fy, x, y, setback_m - 1e-3):
            end = BUILDING_SETBACK
            break
        if drains[r, c]:
            end = DRAINAGE
            break
        lot = lots[r, c]
        if lot == 0:
            # a gap of one cell between two lots is no street: look one cell further before believing it
            alone = False
            for k in range(8):
                rr = r + _DR[k]
                cc = c + _DC[k]
                if 0 <= rr < rows and 0 <= cc < cols and lots[rr, cc] != 0 and lots[rr, cc] != own:
                    alone = True
            if on_street or not alone:
                end = STREET
                break
            on_street = True
        elif lot != own:
            end = NEIGHBOUR_LOT
            break
        else:
            on_street = False
        if length >= max_trace_m or n >= path.shape[0] - 1:
            end = STREET if on_street else OWN_GROUND
            break
        if taken < queued:
            r = way[taken, 0]
            c = way[taken, 1]
            taken += 1
            continue
        k = steepest(z, r, c)
        if k >= 0:
            r += _DR[k]
            c += _DC[k]
            continue
        if k == -2:
            end = OFF_ELEVATION
            break
        queued = _out_of_pit(z, r, c, pit_fill_m, way)
        taken = 0
        if queued < 0:
            end = OFF_ELEVATION
        elif queued == 0:
            end = STREET if on_street else OWN_LOW_SPOT
        else:
            r = way[0, 0]
            c = way[0, 1]
            taken = 1
    if memo.shape[0] > 0 and n > 0:
        memo_first(memo, lots, own, cells, n, end)
    return end, n


@leaf
def memo_first(memo: Array, lots: Array, own: int, cells: Array, n: int, end: int) -> None:
    """Remember the end for the cells of a way.

    The last cell may only be the end of a step that passed too near a building: it is remembered where it is the
    first cell too. A way that was cut for its length says nothing about the cells after the first. Water that starts
    on the way out of a pit need not go that way.
    """
    last = 1 if end == OWN_GROUND else max(1, n - 1)
    for i in range(last):
        if cells[i, 2] == 0 and lots[cells[i, 0], cells[i, 1]] == own:
            memo[cells[i, 0], cells[i, 1]] = end
