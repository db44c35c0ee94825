"""Points of a distribution of draws, and how much of its variance a cause explains."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray

N_BINS = 16
"""Classes of equal chance into which a cause is cut to see how much of the variance it explains."""

N_CELLS = 256
"""Cells into which draws are counted on the way to their points."""


@leaf
def select(values: Array, first: int, last: int, k: int) -> float:
    """The ``k``-th smallest of ``values[first:last + 1]`` (k counts from the array's start); reorders them.

    Notes
    -----
    Hoare's selection with the median of three: afterwards nothing before ``k`` is larger, nothing behind it smaller.
    """
    while last > first:
        middle = (first + last) >> 1
        a, b, c = values[first], values[middle], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        i = first
        j = last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            last = j
        elif k >= i:
            first = i
        else:
            break
    return values[k]


@leaf
def three_points(values: Array, counts: Array, room: Array, out: Array) -> None:
    """Write the 10, 50 and 90 % points of ``values`` into ``out``.

    Parameters
    ----------
    values : (n,) array
    counts : (N_CELLS,) int64 array
        Room to work in.
    room : (n,) array
        Room to work in.
    out : (3,) array
        Written.

    Notes
    -----
    The i-th smallest of n values stands at (i - 0.5) / n, straight lines between (Hazen's positions): draws that lie
    one in each of n classes of equal chance stand at the middle of their classes. Only the values of the cell that
    holds a point, of ``N_CELLS`` between the least and the largest, are looked at closely.
    """
    n = values.shape[0]
    least = values[0]
    most = values[0]
    for i in range(n):
        least = min(least, values[i])
        most = max(most, values[i])
    per_value = N_CELLS / (most - least)
    if not per_value < math.inf:
        for q in range(3):
            out[q] = least
        return
    for c in range(N_CELLS):
        counts[c] = 0
    for i in range(n):
        counts[min(int((values[i] - least) * per_value), N_CELLS - 1)] += 1
    for q in range(3):
        place = n * (0.1, 0.5, 0.9)[q] - 0.5
        k = min(max(int(math.floor(place)), 0), n - 1)
        cell = 0
        below = 0
        while below + counts[cell] <= k:
            below += counts[cell]
            cell += 1
        m = 0
        behind = most
        for i in range(n):
            c = min(int((values[i] - least) * per_value), N_CELLS - 1)
            if c == cell:
                room[m] = values[i]
                m += 1
            elif c > cell:
                behind = min(behind, values[i])
        low = select(room, 0, m - 1, k - below)
        # the next larger one is the least of those behind, in this cell or in the next that holds any
        for i in range(k - below + 1, m):
            behind = min(behind, room[i])
        out[q] = low + min(max(place - k, 0.0), 1.0) * (behind - low)


@leaf
def explained(volume: Array, value: Array, sums: Array, counts: Array) -> tuple[float, float]:
    """Variance of the volumes, and the part of it between the classes of one cause.

    Parameters
    ----------
    volume : (n,) array
    value : (n,) int array
        Class of each draw, below ``N_BINS``.
    sums, counts : (N_BINS,) array
        Room to work in.

    Notes
    -----
    The sum of squares between classes holds noise: with ``b`` classes (b - 1) mean squares within. It is taken off
    (Kelley's epsilon squared, 1935; from memory), and what is left below nothing is nothing.
    """
    n = volume.shape[0]
    for b in range(N_BINS):
        sums[b] = 0.0
        counts[b] = 0.0
    # all figures are counted from the first one: the mean is large against the spread
    origin = volume[0]
    total = 0.0
    squares = 0.0
    for d in range(n):
        v = volume[d] - origin
        total += v
        squares += v * v
        sums[value[d]] += v
        counts[value[d]] += 1.0
    whole = squares - total * total / n
    between = -total * total / n
    filled = 0
    for b in range(N_BINS):
        if counts[b] > 0.0:
            between += sums[b] * sums[b] / counts[b]
            filled += 1
    # rounding of equal volumes is no variance
    if whole <= 1e-18 * (squares + n * origin * origin) or filled < 2 or n <= filled:
        return (0.0 if whole <= 1e-18 * (squares + n * origin * origin) else whole / n), 0.0
    within = max(whole - between, 0.0) / (n - filled)
    return whole / n, max(between - (filled - 1) * within, 0.0) / n


@kernel
def spread_sums(volume: Array, value: Array, cause: Array, points_m3_y: Array, cause_frac: Array) -> None:
    """Spread of sums over homes.

    Parameters
    ----------
    volume : (rows, n_draws) array
        Sums in every draw [m3/y].
    value : (m, n_draws) uint8 array
        Class, below ``N_BINS``, of each draw in each dimension that the homes share.
    cause : (m,) int64 array
        Cause to which the dimension belongs; parts of one cause are added up.
    points_m3_y : (rows, 3) array
        Written: 10, 50 and 90 % points.
    cause_frac : (rows, n_causes) array
        Added to: part of the variance that what the homes share of each cause explains.
    """
    bin_sums = np.empty(N_BINS)
    bin_counts = np.empty(N_BINS)
    counts = np.empty(N_CELLS, dtype=np.int64)
    room = np.empty(volume.shape[1])
    for row in range(volume.shape[0]):
        for m in range(value.shape[0]):
            whole, part = explained(volume[row], value[m], bin_sums, bin_counts)
            if whole > 0.0:
                cause_frac[row, cause[m]] += part / whole
        three_points(volume[row], counts, room, points_m3_y[row])
