"""Outlines drawn onto an elevation window: which cells have their centre in an outline, or meet it."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf
from screening.kernels.plane import crossings

Array = np.ndarray

_HAIR = 1e-7
"""A centre this near to an outline, in cells, lies in it wherever the map lies."""


@leaf
def _fill(edges: Array, value: int, grid: Array, hits: Array, out: Array) -> None:
    """Give a value to the cells whose centre lies within edges, row by row."""
    rows, cols = out.shape
    cell = grid[4]
    top = -np.inf
    bottom = np.inf
    for i in range(edges.shape[0]):
        top = max(top, edges[i, 1], edges[i, 3])
        bottom = min(bottom, edges[i, 1], edges[i, 3])
    if not bottom <= top:
        return
    first_row = max(0, int(math.floor((grid[1] - top) / cell - grid[2])) - 1)
    last_row = min(rows - 1, int(math.floor((grid[1] - bottom) / cell - grid[2])) + 1)
    for r in range(first_row, last_row + 1):
        y = grid[1] - (grid[2] + r + 0.5) * cell
        for q in range(0, crossings(edges, y, hits) - 1, 2):
            first = max(0, int(math.ceil((hits[q] - grid[0]) / cell - grid[3] - 0.5 - _HAIR)))
            last = min(cols - 1, int(math.floor((hits[q + 1] - grid[0]) / cell - grid[3] - 0.5 + _HAIR)))
            for c in range(first, last + 1):
                out[r, c] = value


@leaf
def _trace(edges: Array, value: int, grid: Array, out: Array) -> None:
    """Give a value to every cell that an edge passes through."""
    rows, cols = out.shape
    cell = grid[4]
    for i in range(edges.shape[0]):
        x1 = (edges[i, 0] - grid[0]) / cell - grid[3]
        x2 = (edges[i, 2] - grid[0]) / cell - grid[3]
        y1 = (grid[1] - edges[i, 1]) / cell - grid[2]
        y2 = (grid[1] - edges[i, 3]) / cell - grid[2]
        for r in range(max(0, int(math.floor(min(y1, y2)))), min(rows - 1, int(math.floor(max(y1, y2)))) + 1):
            t0 = 0.0
            t1 = 1.0
            if y1 != y2:
                a = (r - y1) / (y2 - y1)
                b = (r + 1 - y1) / (y2 - y1)
                t0 = max(0.0, min(a, b))
                t1 = min(1.0, max(a, b))
            xa = x1 + t0 * (x2 - x1)
            xb = x1 + t1 * (x2 - x1)
            for c in range(max(0, int(math.floor(min(xa, xb)))), min(cols - 1, int(math.floor(max(xa, xb)))) + 1):
                out[r, c] = value


@kernel
def draw_all(edges: Array, first: Array, is_area: Array, values: Array, grid: Array, touched: bool, out: Array) -> None:
    """Draw outlines one after another; where they overlap the last one is seen.

    Parameters
    ----------
    edges : (m, 4) array
        Edges of all outlines [m].
    first : (n + 1,) array
        The edges of outline ``i`` are ``first[i]`` to ``first[i + 1]``.
    is_area : (n,) bool array
        Whether the edges bound an area; of lines only the cells they pass through are drawn.
    values : (n,) int array
        Value of each.
    grid : (5,) array
        Where the window lies, see `screening.kernels.elevation`.
    touched : bool
        Whether the cells that an edge passes through count too.
    out : (rows, cols) int array
        Is drawn upon.
    """
    most = 0
    for i in range(values.shape[0]):
        most = max(most, first[i + 1] - first[i])
    hits = np.empty(most)
    for i in range(values.shape[0]):
        own = edges[first[i] : first[i + 1]]
        if is_area[i]:
            _fill(own, values[i], grid, hits, out)
        if touched or not is_area[i]:
            _trace(own, values[i], grid, out)
