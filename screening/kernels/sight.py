"""Which way from a downspout leads straight into the house: a table by direction, quick to look up."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf
from screening.kernels.ground import PROBE_M, Home
from screening.kernels.plane import inside

Array = np.ndarray

BINS = 64


@leaf
def direction_bin(dx: float, dy: float) -> int:
    """Which of the ``BINS`` a direction falls into, counter-clockwise from east; 0 for none at all.

    Bins are even in ``|dx| + |dy| = 1`` instead of the angle, which needs no arc tangent.
    """
    total = abs(dx) + abs(dy)
    if total == 0.0:
        return 0
    t = dy / total
    if dx < 0.0:
        t = 2.0 - t
    elif dy < 0.0:
        t = 4.0 + t
    return min(int(t * (BINS // 4)), BINS - 1)


@kernel
def indoors_table(home: Home) -> Array:
    """Whether every run from a downspout in a direction goes indoors at once: (downspouts, BINS) bool array.

    True only where both borders of the bin and its middle do, so that a bin which holds a wall's own direction is
    left to the exact test.
    """
    n = home.downspouts.shape[0]
    out = np.zeros((n, BINS), dtype=np.bool_)
    half = np.empty(2 * BINS, dtype=np.bool_)
    level = np.empty_like(home.barriers)
    probe = np.empty((2 * BINS, 2))
    for k in range(2 * BINS):
        t = 2.0 * k / BINS
        dx = abs(2.0 - t) - 1.0
        dy = 1.0 - abs(t - 1.0) if t <= 2.0 else abs(t - 3.0) - 1.0
        length = math.sqrt(dx * dx + dy * dy)
        probe[k, 0] = PROBE_M * dx / length
        probe[k, 1] = PROBE_M * dy / length
    for j in range(n):
        x0 = home.downspouts[j, 0]
        y0 = home.downspouts[j, 1]
        # an edge that passes above, below or west of all these points says nothing of them
        m = 0
        for i in range(home.barriers.shape[0]):
            low = min(home.barriers[i, 1], home.barriers[i, 3])
            high = max(home.barriers[i, 1], home.barriers[i, 3])
            east = max(home.barriers[i, 0], home.barriers[i, 2])
            if low <= y0 + 2.0 * PROBE_M and high >= y0 - 2.0 * PROBE_M and east >= x0 - 2.0 * PROBE_M:
                for k in range(4):
                    level[m, k] = home.barriers[i, k]
                m += 1
        for k in range(2 * BINS):
            half[k] = inside(level[:m], x0 + probe[k, 0], y0 + probe[k, 1])
        for k in range(BINS):
            out[j, k] = half[2 * k] and half[2 * k + 1] and half[(2 * k + 2) % (2 * BINS)]
    return out
