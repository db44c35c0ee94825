"""Visits spread over days, each a short walk."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.street_plan.tours import MOST_EXACT, good_order, least_length_m, shortest_order

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_STOPS: Final = 2_000
"""Visits that a walk is planned for: more are no season for one office, and the matrix of distances would be large
(program default)."""

_LEAST_GAIN_M: Final = 1e-6


class Walks(NamedTuple):
    """Walks of all days.

    Attributes
    ----------
    days : tuple of int arrays
        Places of each day in the order of the walk.
    length_m : (d,) array
        Length of each day's walk [m].
    bound_m : float
        What no walks of as many days with as many places a day can fall short of together [m].
    """

    days: tuple[IntArray, ...]
    length_m: FloatArray
    bound_m: float


def plan_days(distance_m: FloatArray, per_day: int, start_m: FloatArray | None = None) -> Walks:
    """Share places out over as few days as possible, so that all walks together are short.

    Parameters
    ----------
    distance_m : (n, n) array
        Between the places, symmetric, with the triangle inequality.
    per_day : int
        Most places a day.
    start_m : (n,) array, optional
        To the start, where each day begins and ends; without it a day's walk begins at its first place and ends at its
        last.

    Notes
    -----
    One short way past all places (`good_order`) is cut into days where that costs least, and every day is put in order
    anew: days of at most `MOST_EXACT` places exactly. Then single places change their day, or two of them change
    places, as long as that shortens the sum.
    """
    n = len(distance_m)
    if n == 0:
        return Walks((), np.zeros(0), 0.0)
    hub_m = np.zeros(n) if start_m is None else start_m
    every = np.zeros((n + 1, n + 1))
    every[:n, :n] = distance_m
    every[n, :n] = every[:n, n] = hub_m
    order = good_order(every)
    days = [_ordered(rows, every) for rows in _cut(order, every, per_day)]
    days = _exchanged(days, every, per_day)
    length = np.array([_length_m(rows, every) for rows in days])
    total = float(length.sum())
    around = least_length_m(every, len(days), total)
    # a walk is at least twice as long as its farthest place is far, so as its places are far on average
    there_and_back = 2.0 * float(hub_m.sum()) / per_day
    bound = max(around, there_and_back)
    if bound > total * (1.0 + 1e-9) + 1e-6:
        msg = f"walks of {total} m are shorter than their bound of {bound} m"
        raise RuntimeError(msg)
    return Walks(tuple(days), length, min(bound, total))


def _length_m(rows: IntArray, every: FloatArray) -> float:
    hub = len(every) - 1
    return float(every[hub, rows[0]] + every[rows[:-1], rows[1:]].sum() + every[rows[-1], hub])


def _ordered(rows: IntArray, every: FloatArray) -> IntArray:
    """Put the places of a day in order."""
    rows = np.sort(rows)
    at = np.append(rows, len(every) - 1)
    find = shortest_order if len(rows) <= MOST_EXACT else good_order
    return rows[find(every[np.ix_(at, at)])]


def _cut(order: IntArray, every: FloatArray, per_day: int) -> list[IntArray]:
    """Cut an order into as few days as possible, where that costs least."""
    n, hub = len(order), len(every) - 1
    n_days = -(-n // per_day)
    step = np.concatenate([[0.0], every[order[:-1], order[1:]]]).cumsum()
    to_hub = every[hub, order]
    # cost[j]: best sum for the first j places in the days so far
    cost = np.full(n + 1, np.inf)
    cost[0] = 0.0
    cuts = np.zeros((n_days, n + 1), dtype=np.int64)
    for day in range(n_days):
        longer = np.full(n + 1, np.inf)
        for size in range(1, min(per_day, n) + 1):
            first, stop = np.arange(n + 1 - size), np.arange(size, n + 1)
            with_day = cost[first] + to_hub[first] + step[stop - 1] - step[first] + to_hub[stop - 1]
            better = with_day < longer[stop] - 1e-9
            longer[stop[better]] = with_day[better]
            cuts[day, stop[better]] = first[better]
        cost = longer
    days, end = [], n
    for day in range(n_days - 1, -1, -1):
        begin = int(cuts[day, end])
        days.append(order[begin:end])
        end = begin
    return days[::-1]


class _Places(NamedTuple):
    """Where each place stands at the moment, by place; size and last place by day."""

    day: IntArray
    before: IntArray
    after: IntArray
    size: IntArray
    last: IntArray


def _standing(days: list[IntArray], hub: int) -> _Places:
    size = np.array([len(rows) for rows in days])
    order, stop = np.concatenate(days), np.cumsum(size)
    day, before, after = (np.full(len(order), hub, dtype=np.int64) for _ in range(3))
    day[order] = np.repeat(np.arange(len(days)), size)
    for rows in days:
        before[rows[1:]], after[rows[:-1]] = rows[:-1], rows[1:]
    return _Places(day, before, after, size, order[stop - 1])


def _exchanged(days: list[IntArray], every: FloatArray, per_day: int) -> list[IntArray]:
    """Let single places change their day, or two of them change places, as long as that shortens the sum."""
    n = len(every) - 1
    is_better = len(days) > 1
    while is_better:
        is_better = False
        now = _standing(days, n)
        for place in range(n):
            changed = _moved_day(place, days, now, every, per_day) or _swapped(place, days, now, every)
            if changed:
                days, is_better = changed, True
                now = _standing(days, n)
    return days


def _moved_day(
    place: int, days: list[IntArray], now: _Places, every: FloatArray, per_day: int
) -> list[IntArray] | None:
    """Move a place into the step of another day where that saves most; None where nothing does."""
    mine = int(now.day[place])
    if now.size[mine] == 1:
        return None
    freed = (
        every[now.before[place], place] + every[place, now.after[place]] - every[now.before[place], now.after[place]]
    )
    # the step before each place, and the last step of each day
    hub = len(every) - 1
    begin = np.concatenate([now.before, now.last])
    end = np.concatenate([np.arange(len(now.day)), np.full(len(days), hub)])
    into = np.concatenate([now.day, np.arange(len(days))])
    added = every[begin, place] + every[place, end] - every[begin, end]
    added[(into == mine) | (now.size[into] >= per_day)] = np.inf
    best = int(np.argmin(added))
    if freed - added[best] <= _LEAST_GAIN_M:
        return None
    theirs = int(into[best])
    return _if_shorter(days, {mine: days[mine][days[mine] != place], theirs: np.append(days[theirs], place)}, every)


def _swapped(place: int, days: list[IntArray], now: _Places, every: FloatArray) -> list[IntArray] | None:
    """Exchange a place for one of another day where that saves most; None where nothing does."""
    other = np.arange(len(now.day))
    before, after = now.before[place], now.after[place]
    mine_now = every[before, place] + every[place, after]
    theirs_now = every[now.before, other] + every[other, now.after]
    then = every[before, other] + every[other, after] + every[now.before, place] + every[place, now.after]
    gain = mine_now + theirs_now - then
    gain[now.day == now.day[place]] = -np.inf
    best = int(np.argmax(gain))
    if gain[best] <= _LEAST_GAIN_M:
        return None
    mine, theirs = int(now.day[place]), int(now.day[best])
    return _if_shorter(
        days,
        {
            mine: np.where(days[mine] == place, best, days[mine]),
            theirs: np.where(days[theirs] == best, place, days[theirs]),
        },
        every,
    )


def _if_shorter(days: list[IntArray], changed: dict[int, IntArray], every: FloatArray) -> list[IntArray] | None:
    """Days with some of them changed and put in order anew, if they are shorter together."""
    ordered = {day: _ordered(rows, every) for day, rows in changed.items()}
    old = sum(_length_m(days[day], every) for day in ordered)
    new = sum(_length_m(rows, every) for rows in ordered.values())
    if old - new <= _LEAST_GAIN_M:
        return None
    return [ordered.get(day, rows) for day, rows in enumerate(days)]
