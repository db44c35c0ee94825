"""Ranks of homes in every draw."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf
from screening.kernels.draws import STRIP
from screening.kernels.points import N_CELLS, three_points

Array = np.ndarray

_DIGIT_BITS = 11
_N_DIGITS = 2048


@leaf
def by_digit(key: Array, row: Array, out_key: Array, out_row: Array, shift: int, counts: Array) -> None:
    """Sort rows by 11 bits of their keys; equal ones keep their order."""
    n = key.shape[0]
    for digit in range(_N_DIGITS):
        counts[digit] = 0
    for i in range(n):
        counts[(key[i] >> np.uint32(shift)) & np.uint32(_N_DIGITS - 1)] += 1
    place = 0
    for digit in range(_N_DIGITS):
        here = counts[digit]
        counts[digit] = place
        place += here
    for i in range(n):
        digit = (key[i] >> np.uint32(shift)) & np.uint32(_N_DIGITS - 1)
        j = counts[digit]
        counts[digit] = j + 1
        out_key[j] = key[i]
        out_row[j] = row[i]


@kernel
def rank_draws(drawn: Array, order: Array, volume_weight: float, rest: Array, begin: int, end: int) -> None:
    """Put each home's rank in the place of its volume, for the draws from ``begin`` to ``end``.

    Parameters
    ----------
    drawn : (n_ranked, n) float32 array
        Volumes [m3/y]; written: ranks, 1 is best.
    order : (n,) int64 array
        The homes from best to worst where nothing is uncertain: equal scores keep this order.
    volume_weight : float
        Weight of the volume, over the largest of the draw, in the score.
    rest : (n,) array
        What the other measures add to the score.
    begin, end : int
    """
    n = order.shape[0]
    score = np.empty(n, dtype=np.float32)
    key = np.empty(n, dtype=np.uint32)
    row = np.empty(n, dtype=np.int32)
    other_key = np.empty(n, dtype=np.uint32)
    other_row = np.empty(n, dtype=np.int32)
    counts = np.empty(_N_DIGITS, dtype=np.int64)
    for d in range(begin, end):
        largest = np.float32(0.0)
        for h in range(n):
            largest = max(largest, drawn[d, h])
        scale = volume_weight / largest if largest > 0.0 else 0.0
        for i in range(n):
            h = order[i]
            score[i] = np.float32(rest[h] + scale * drawn[d, h])
            row[i] = h
        # no score is negative: the bits of such numbers rise as the numbers do; the best has the smallest key
        bits = score.view(np.uint32)
        for i in range(n):
            key[i] = np.uint32(0xFFFFFFFF) - bits[i]
        # from the last digit to the first: 32 bits in three steps
        by_digit(key, row, other_key, other_row, 0, counts)
        by_digit(other_key, other_row, key, row, _DIGIT_BITS, counts)
        by_digit(key, row, other_key, other_row, 2 * _DIGIT_BITS, counts)
        for i in range(n):
            drawn[d, other_row[i]] = np.float32(i + 1)


@kernel
def spread_ranks(drawn: Array, n_first: int, ranks: Array, first_frac: Array, begin: int, end: int) -> None:
    """Range of the ranks of the homes from ``begin`` to ``end``.

    Parameters
    ----------
    drawn : (n_ranked, n) float32 array
        Ranks of the homes in every draw.
    n_first : int
    ranks : (n, 2) int64 array
        Written: 10 and 90 % points of the rank, outwards to whole ranks.
    first_frac : (n,) array
        Written: part of the draws in which the home is among the first ``n_first``.
    begin, end : int
    """
    n_ranked = drawn.shape[0]
    strip = np.empty((STRIP, n_ranked))
    counts = np.empty(N_CELLS, dtype=np.int64)
    room = np.empty(n_ranked)
    points = np.empty(3)
    for strip_begin in range(begin, end, STRIP):
        strip_end = min(strip_begin + STRIP, end)
        for d in range(n_ranked):
            for h in range(strip_begin, strip_end):
                strip[h - strip_begin, d] = drawn[d, h]
        for h in range(strip_begin, strip_end):
            mine = strip[h - strip_begin]
            n_among = 0
            for d in range(n_ranked):
                if mine[d] <= n_first:
                    n_among += 1
            first_frac[h] = n_among / n_ranked
            three_points(mine, counts, room, points)
            ranks[h, 0] = int(math.floor(points[0]))
            ranks[h, 1] = int(math.ceil(points[2]))
