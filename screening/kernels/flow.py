"""Where water goes on the ground: steepest descent from cell to cell, and what it meets."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from screening.kernels.plane import distance_to_edges, point_segment_distance

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

# cells looked at to find the way out of one pit: a bound on the work, far above any pit of centimetres
_MOST_PIT_CELLS = 400


@njit(cache=True, nogil=True)
def steepest(z: Array, r: int, c: int) -> int:
    """Index 0-7 (east, then clockwise) of the steepest lower neighbour; -1 in a pit, -2 beside missing cells or the edge.

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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _out_of_pit(z: Array, r0: int, c0: int, fill_m: float, way_r: Array, way_c: Array) -> int:
    """The way from a pit over its lowest rim to the first lower cell; its length, or 0 if the rim is too high.

    Cells are taken in order of the level at which water would reach them, as a rising pool would. The way is
    written to ``way_r``, ``way_c`` from the first cell after the pit on. -1: the pool reaches the edge.
    """
    rows, cols = z.shape
    seen_r = np.empty(_MOST_PIT_CELLS, dtype=np.int64)
    seen_c = np.empty(_MOST_PIT_CELLS, dtype=np.int64)
    parent = np.empty(_MOST_PIT_CELLS, dtype=np.int64)
    level = np.empty(_MOST_PIT_CELLS)
    done = np.zeros(_MOST_PIT_CELLS, dtype=np.bool_)
    seen_r[0] = r0
    seen_c[0] = c0
    parent[0] = -1
    level[0] = z[r0, c0]
    n = 1
    while True:
        best = -1
        for i in range(n):
            if not done[i] and (best < 0 or level[i] < level[best] - 1e-9):
                best = i
        if best < 0 or level[best] > z[r0, c0] + fill_m + 1e-9:
            return 0
        r = seen_r[best]
        c = seen_c[best]
        if z[r, c] < z[r0, c0] - 1e-9:
            length = 0
            i = best
            while i > 0:
                length += 1
                i = parent[i]
            if length > way_r.shape[0]:
                return 0
            i = best
            for q in range(length - 1, -1, -1):
                way_r[q] = seen_r[i]
                way_c[q] = seen_c[i]
                i = parent[i]
            return length
        done[best] = True
        for k in range(8):
            rr = r + _DR[k]
            cc = c + _DC[k]
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols or math.isnan(z[rr, cc]):
                return -1
            known = False
            for i in range(n):
                if seen_r[i] == rr and seen_c[i] == cc:
                    known = True
                    break
            if known:
                continue
            if n == _MOST_PIT_CELLS:
                return 0
            seen_r[n] = rr
            seen_c[n] = cc
            parent[n] = best
            level[n] = max(level[best], z[rr, cc])
            done[n] = False
            n += 1


@njit(cache=True, nogil=True)
def _segments_distance(edges: Array, x1: float, y1: float, x2: float, y2: float) -> float:
    """Distance [m] between a segment that crosses no edge and the nearest edge."""
    best = distance_to_edges(edges, x1, y1)
    d = distance_to_edges(edges, x2, y2)
    best = min(best, d)
    for i in range(edges.shape[0]):
        d = point_segment_distance(edges[i, 0], edges[i, 1], x1, y1, x2, y2)
        best = min(best, d)
    return best


@njit(cache=True, nogil=True)
def trace(
    z: Array,
    grid: Array,
    lots: Array,
    drains: Array,
    own: int,
    buildings: Array,
    setback_m: float,
    pit_fill_m: float,
    max_trace_m: float,
    r: int,
    c: int,
    path: Array,
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
    own : int
        The home's lot in ``lots``.
    buildings : (n, 4) array
        Edges of every building near the lot [m].
    setback_m, pit_fill_m, max_trace_m : float
        Foundation setback, deepest pit that is passed, longest way looked at [m].
    path : (k, 2) array
        Is filled with the way's points [m], the centre of the first cell first.

    Returns
    -------
    code, n : int
        What the way ends at, and the number of points in ``path``.
    """
    cell = grid[4]
    rows, cols = z.shape
    way_r = np.empty(_MOST_PIT_CELLS, dtype=np.int64)
    way_c = np.empty(_MOST_PIT_CELLS, dtype=np.int64)
    queued = 0
    taken = 0
    n = 0
    length = 0.0
    on_street = False
    while True:
        if r < 0 or c < 0 or r >= rows or c >= cols or math.isnan(z[r, c]):
            return OFF_ELEVATION, n
        x = grid[0] + (grid[3] + c + 0.5) * cell
        y = grid[1] - (grid[2] + r + 0.5) * cell
        path[n, 0] = x
        path[n, 1] = y
        n += 1
        if n > 1:
            length += math.hypot(x - path[n - 2, 0], y - path[n - 2, 1])
            near = _segments_distance(buildings, path[n - 2, 0], path[n - 2, 1], x, y)
        else:
            near = distance_to_edges(buildings, x, y)
        if near < setback_m - 1e-3:
            return BUILDING_SETBACK, n
        if drains[r, c]:
            return DRAINAGE, n
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
                return STREET, n
            on_street = True
        elif lot != own:
            return NEIGHBOUR_LOT, n
        else:
            on_street = False
        if length >= max_trace_m or n >= path.shape[0] - 1:
            return (STREET if on_street else OWN_GROUND), n
        if taken < queued:
            r = way_r[taken]
            c = way_c[taken]
            taken += 1
            continue
        k = steepest(z, r, c)
        if k >= 0:
            r += _DR[k]
            c += _DC[k]
            continue
        if k == -2:
            return OFF_ELEVATION, n
        queued = _out_of_pit(z, r, c, pit_fill_m, way_r, way_c)
        taken = 0
        if queued < 0:
            return OFF_ELEVATION, n
        if queued == 0:
            return (STREET if on_street else OWN_LOW_SPOT), n
