"""Where water may leave a garden and trouble nobody: counted once a drawing, asked for at every node."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening.kernels import flow
from screening.kernels.compiled import kernel, leaf
from screening.kernels.ground import Ground, Home, Rules, overflow_end
from screening.kernels.placement import block_of, row_of

if TYPE_CHECKING:
    from screening.kernels.canvas import Canvas

Array = np.ndarray


class Outlets(NamedTuple):
    """Integral image (rows + 1, cols + 1) of the cells from which an overflow troubles nobody.

    The first of them is the elevation cell ``(row0, col0)``.
    """

    clean: Array
    row0: int
    col0: int


@kernel
def no_outlets(ground: Ground, canvas: Canvas) -> Outlets:
    """Room for the cells that a drawing lies in and those around them; nothing is counted yet."""
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    x_low = np.inf
    x_high = -np.inf
    y_low = np.inf
    y_high = -np.inf
    for k in range(4):
        u = (canvas.i0 + (k % 2) * nu) * canvas.step
        v = (canvas.j0 + (k // 2) * nv) * canvas.step
        x = u * canvas.ux - v * canvas.uy
        y = u * canvas.uy + v * canvas.ux
        x_low = min(x_low, x)
        x_high = max(x_high, x)
        y_low = min(y_low, y)
        y_high = max(y_high, y)
    cell = ground.grid[4]
    row0 = max(0, int(math.floor((ground.grid[1] - y_high) / cell - ground.grid[2])) - 2)
    col0 = max(0, int(math.floor((x_low - ground.grid[0]) / cell - ground.grid[3])) - 2)
    row1 = min(ground.z.shape[0], int(math.floor((ground.grid[1] - y_low) / cell - ground.grid[2])) + 3)
    col1 = min(ground.z.shape[1], int(math.floor((x_high - ground.grid[0]) / cell - ground.grid[3])) + 3)
    clean = np.zeros((max(0, row1 - row0) + 1, max(0, col1 - col0) + 1), dtype=np.int32)
    clean[0, 0] = -1  # an integral image has 0 there: this one is still to be filled
    return Outlets(clean, row0, col0)


@leaf
def count_outlets(home: Home, ground: Ground, rules: Rules, canvas: Canvas, out: Outlets, path: Array) -> int:
    """Fill in the counts, and return how many cells there are.

    Looks at the cells that the drawn ground lies in and at those around them, where an overflow may set out.
    """
    clean = out.clean
    rows = clean.shape[0] - 1
    cols = clean.shape[1] - 1
    grid = ground.grid
    nu = canvas.usable.shape[0] - 1
    nv = canvas.usable.shape[1] - 1
    every = max(1, int(0.5 * grid[4] / canvas.step))
    for i in range(0, nu, every):
        for j in range(0, nv, every):
            if block_of(canvas.usable, i, j, min(every, nu - i), min(every, nv - j)) == 0:
                continue
            u = (canvas.i0 + i + 0.5) * canvas.step
            v = (canvas.j0 + j + 0.5) * canvas.step
            r = int(math.floor((grid[1] - u * canvas.uy - v * canvas.ux) / grid[4] - grid[2])) - out.row0
            c = int(math.floor((u * canvas.ux - v * canvas.uy - grid[0]) / grid[4] - grid[3])) - out.col0
            for k in range(max(r - 1, 0), min(r + 2, rows)):
                for m in range(max(c - 1, 0), min(c + 2, cols)):
                    clean[k + 1, m + 1] = 1
    for k in range(rows):
        in_row = 0
        for m in range(cols):
            if clean[k + 1, m + 1] == 1:
                end = overflow_end(home, ground, rules, out.row0 + k, out.col0 + m, path)
                if end != flow.BUILDING_SETBACK and row_of(end) == 0:
                    in_row += 1
            clean[k + 1, m + 1] = clean[k, m + 1] + in_row
    return clean[rows, cols]


@leaf
def may_leave(ground: Ground, out: Outlets, cx: float, cy: float, reach_x: float, reach_y: float) -> bool:
    """Whether any of those cells lies under or beside a rectangle that reaches so far east and north of its middle."""
    rows = out.clean.shape[0] - 1
    cols = out.clean.shape[1] - 1
    grid = ground.grid
    per_cell = 1.0 / grid[4]
    # an overflow sets out half a cell from the rim; the rest is for rounding and half a step of a smaller rectangle
    r0 = max(0, int(math.floor((grid[1] - cy - reach_y) * per_cell - grid[2])) - 1 - out.row0)
    r1 = min(rows, int(math.floor((grid[1] - cy + reach_y) * per_cell - grid[2])) + 2 - out.row0)
    c0 = max(0, int(math.floor((cx - reach_x - grid[0]) * per_cell - grid[3])) - 1 - out.col0)
    c1 = min(cols, int(math.floor((cx + reach_x - grid[0]) * per_cell - grid[3])) + 2 - out.col0)
    if r0 >= r1 or c0 >= c1:
        return False
    return block_of(out.clean, r0, c0, r1 - r0, c1 - c0) > 0
