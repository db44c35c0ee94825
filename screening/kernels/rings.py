"""Chains and rings of points."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel

Array = np.ndarray

SAME_M = 1e-5
"""Points nearer than this are one point, and a spike thinner than this is none."""


@kernel
def push(out: Array, n: int, x: float, y: float) -> int:
    """Append a point to a chain; returns its length. A chain that turns back on itself is shortened.

    Two eaves of one interval share a border that is none of the part's: its points come once on the way there
    and once on the way back.
    """
    while n > 0:
        bx = out[n - 1, 0]
        by = out[n - 1, 1]
        px = x - bx
        py = y - by
        way = math.hypot(px, py)
        if way < SAME_M:
            return n
        if n == 1:
            break
        ax = out[n - 2, 0] - bx
        ay = out[n - 2, 1] - by
        back = math.hypot(ax, ay)
        if ax * px + ay * py <= 0.0 or abs(ax * py - ay * px) > SAME_M * max(way, back):
            break
        n -= 1
    if n >= out.shape[0]:
        raise ValueError("a roof part has more corners than there is room for")
    out[n, 0] = x
    out[n, 1] = y
    return n + 1


@kernel
def ring_area(ring: Array) -> float:
    """Signed area [m2] of an unclosed ring; counter-clockwise is positive."""
    area = 0.0
    m = ring.shape[0]
    for i in range(1, m - 1):
        area += (ring[i, 0] - ring[0, 0]) * (ring[i + 1, 1] - ring[0, 1])
        area -= (ring[i + 1, 0] - ring[0, 0]) * (ring[i, 1] - ring[0, 1])
    return 0.5 * area
