"""Short ways past many places: exact for few, near the best for many, and what no way can fall short of.

Distances are a symmetric matrix [m]. A way may begin and end at a hub of its own (a start point), whose distances stand
in the last row; a hub at distance 0 from everything makes it an open way.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_EXACT: Final = 10
"""Places whose best order is found by going through all (2^10 sets)."""

_LEAST_GAIN_M: Final = 1e-7
_SEGMENT: Final = 3
_ASCENTS: Final = 100
_PATIENCE: Final = 8


def way_length_m(order: IntArray, distance_m: FloatArray) -> float:
    """Length of a closed way [m]; with a hub at 0 that of the open one."""
    return float(distance_m[order, np.roll(order, -1)].sum())


def shortest_order(distance_m: FloatArray) -> IntArray:
    """Best order of few places between leaving and reaching the hub.

    Parameters
    ----------
    distance_m : (n + 1, n + 1) array
        Of n places, at most `MOST_EXACT`, and the hub.

    Returns
    -------
    (n,) int array
        Of the two directions the one whose first place comes first.

    Notes
    -----
    Held and Karp's table over sets of places (Bellman 1962; Held and Karp 1962; from memory).
    """
    n = len(distance_m) - 1
    if n <= 1:
        return np.arange(n)
    between, from_hub = distance_m[:n, :n], distance_m[n, :n]
    length = np.full((1 << n, n), np.inf)
    before = np.zeros((1 << n, n), dtype=np.int64)
    length[1 << np.arange(n), np.arange(n)] = from_hub
    bit = 1 << np.arange(n)
    for members in range(1, 1 << n):
        inside = (members & bit) != 0
        if inside.sum() == n:
            break
        step = length[members][:, None] + between
        best = np.argmin(step, axis=0)
        outside = np.flatnonzero(~inside)
        length[members | bit[outside], outside] = step[best[outside], outside]
        before[members | bit[outside], outside] = best[outside]
    members = (1 << n) - 1
    last = int(np.argmin(length[members] + from_hub))
    order = [last]
    while len(order) < n:
        previous = int(before[members, last])
        members ^= 1 << last
        last = previous
        order.append(last)
    # found backwards, which is as good a way
    return np.array(order if order[0] <= order[-1] else order[::-1], dtype=np.int64)


def good_order(distance_m: FloatArray) -> IntArray:
    """A short order of many places between leaving and reaching the hub.

    Parameters
    ----------
    distance_m : (n + 1, n + 1) array
        Of n places and the hub.

    Notes
    -----
    The walk around the shortest tree that joins the places, then reversals (2-opt; Croes 1958, from memory) and moves
    of up to three neighbours (Or 1976, from memory) as long as one shortens the way. Where distances keep the triangle
    inequality the first is at most twice the shortest way, and what follows only shortens it.
    """
    n = len(distance_m) - 1
    if n <= 1:
        return np.arange(n)
    order = np.concatenate([[n], _around_tree(distance_m)])
    while True:
        order, gain = _reversed(order, distance_m)
        order, more = _moved(order, distance_m)
        if gain + more <= 0.0:
            break
    at = int(np.flatnonzero(order == n)[0])
    order = np.concatenate([order[at + 1 :], order[:at]])
    return order if order[0] <= order[-1] else order[::-1]


def _around_tree(distance_m: FloatArray) -> IntArray:
    """Places in the order of a walk around the shortest tree, nearer branches first.

    The tree of an open way is one of the places alone: the hub is no place, and over it all are at distance 0.
    """
    n = len(distance_m) - 1
    is_open = not distance_m[n].any()
    size = n if is_open else n + 1
    parent = shortest_tree(distance_m[:size, :size])[0]
    children: list[list[int]] = [[] for _ in range(size)]
    for place in range(size):
        if parent[place] >= 0:
            children[parent[place]].append(place)
    root = int(np.flatnonzero(parent < 0)[0])
    order, left = [], [root]
    while left:
        place = left.pop()
        order.append(place)
        left += sorted(children[place], key=lambda child: (-distance_m[place, child], -child))
    walk = np.array(order, dtype=np.int64)
    if is_open:
        return walk
    at = int(np.flatnonzero(walk == n)[0])
    return np.concatenate([walk[at + 1 :], walk[:at]])


def shortest_tree(distance_m: FloatArray) -> tuple[IntArray, float]:
    """The shortest tree that joins all places (Prim 1957, from memory).

    Returns
    -------
    parent : (n,) int array
        -1 for the root, the last place.
    length_m : float
    """
    n = len(distance_m)
    parent = np.full(n, n - 1, dtype=np.int64)
    parent[n - 1] = -1
    nearest = distance_m[n - 1].copy()
    is_in = np.zeros(n, dtype=bool)
    is_in[n - 1] = True
    reach = np.where(is_in, np.inf, nearest)
    length = 0.0
    for _ in range(n - 1):
        place = int(np.argmin(reach))
        length += float(reach[place])
        is_in[place] = True
        row = distance_m[place]
        closer = (row < reach) & ~is_in
        reach[closer] = row[closer]
        parent[closer] = place
        reach[place] = np.inf
    return parent, length


def _reversed(order: IntArray, distance_m: FloatArray) -> tuple[IntArray, float]:
    """Reverse pieces of a closed way as long as that shortens it."""
    n, total = len(order), 0.0
    is_better = True
    while is_better:
        is_better = False
        for i in range(n - 2):
            # pieces i + 1 .. j between the steps (i, i + 1) and (j, j + 1)
            ends, after = order[i + 1 :], np.append(order[i + 2 :], order[0])
            here, there = order[i], order[i + 1]
            gain = distance_m[here, there] + distance_m[ends, after] - distance_m[here, ends] - distance_m[there, after]
            j = int(np.argmax(gain[1:])) + 1
            if gain[j] > _LEAST_GAIN_M:
                order[i + 1 : i + 2 + j] = order[i + 1 : i + 2 + j][::-1].copy()
                total += float(gain[j])
                is_better = True
    return order, total


def _moved(order: IntArray, distance_m: FloatArray) -> tuple[IntArray, float]:
    """Move up to three neighbours of a closed way elsewhere, either way round, as long as that shortens it."""
    n, total = len(order), 0.0
    is_better = n > _SEGMENT + 1
    while is_better:
        is_better = False
        for size in range(1, _SEGMENT + 1):
            for i in range(n):
                turned = np.roll(order, -i)
                piece, rest = turned[:size], turned[size:]
                first, last = piece[0], piece[-1]
                after = np.roll(rest, -1)
                freed = distance_m[rest[-1], first] + distance_m[last, rest[0]] - distance_m[rest[-1], rest[0]]
                step = distance_m[rest, after]
                straight = distance_m[rest, first] + distance_m[last, after] - step
                turned_round = distance_m[rest, last] + distance_m[first, after] - step
                gain = freed - np.minimum(straight, turned_round)
                # between the last and the first of the rest the piece stands already
                gain[-1] = freed - turned_round[-1]
                j = int(np.argmax(gain))
                if gain[j] > _LEAST_GAIN_M:
                    is_straight = straight[j] <= turned_round[j] and j < len(rest) - 1
                    order = np.concatenate([rest[: j + 1], piece if is_straight else piece[::-1], rest[j + 1 :]])
                    total += float(gain[j])
                    is_better = True
    return order, total


def least_length_m(distance_m: FloatArray, n_ways: int, upper_m: float) -> float:
    """What closed ways from the hub, so many of them, cannot fall short of [m].

    Parameters
    ----------
    distance_m : (n + 1, n + 1) array
        Of n places and the hub.
    n_ways : int
        Ways that together pass all places, none of them empty.
    upper_m : float
        Length of ways that are known.

    Notes
    -----
    Ways from a hub are one closed tour through as many copies of it, none next to another. A tour less one place and
    its two steps is a tree, so the shortest tree of the others and the two shortest steps to that place are no longer
    than the tour (Held and Karp's 1-tree, 1970, 1971; from memory). Adding a price to every step to and from a place
    changes all tours alike but not all trees: prices are raised where the tree has too many steps and lowered where it
    has one, and the best bound of all rounds counts. That a day takes only so many places is not in it.
    """
    n = len(distance_m) - 1
    if n <= 0:
        return 0.0
    at = np.concatenate([np.arange(n), np.full(n_ways, n)])
    steps = distance_m[np.ix_(at, at)]
    # copies of the hub are never neighbours, for no day is empty; the price is what no way costs
    steps[n:, n:] = 2.0 * max(upper_m, 1.0) + 1.0
    size = n + n_ways
    if size < 3:
        return float(2.0 * distance_m[n, 0])
    price = np.zeros(size)
    if n > n_ways:
        # a copy of the hub should be worth a visit about where the ways end: at the longest steps of the places' tree
        parent = shortest_tree(distance_m[:n, :n])[0]
        joined = np.flatnonzero(parent >= 0)
        longest = np.sort(distance_m[joined, parent[joined]])[::-1]
        price[n:] = max(float(longest[n_ways - 1]) - float(distance_m[n, :n].min()), 0.0)
    best, pace, waited = 0.0, 2.0, 0
    for _ in range(_ASCENTS):
        priced = steps + price[:, None] + price[None, :]
        degree, length = _one_tree(priced)
        bound = length - 2.0 * price.sum()
        waited += 1
        if bound > best + 1e-9 * max(best, 1.0):
            best, waited = bound, 0
        elif waited >= _PATIENCE:
            pace, waited = pace / 2.0, 0
        off = degree - 2
        if not off.any():
            break
        price += pace * max(upper_m - bound, 0.0) / float(off @ off) * off
    return best


def _one_tree(distance_m: FloatArray) -> tuple[IntArray, float]:
    """Shortest tree of all places but the last, with the two shortest steps to that."""
    n = len(distance_m) - 1
    parent, length = shortest_tree(distance_m[:n, :n])
    joined = np.flatnonzero(parent >= 0)
    degree = np.bincount(parent[joined], minlength=n + 1)
    degree[joined] += 1
    two = np.argsort(distance_m[n, :n], kind="stable")[:2]
    degree[two] += 1
    degree[n] += 2
    return degree, length + float(distance_m[n, two].sum())
