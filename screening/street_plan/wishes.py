"""What a plan is made from and what it has to keep, counted in whole numbers."""

from __future__ import annotations

from fractions import Fraction
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.errors import ParameterError

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SHARE_STEP: Final = Fraction(1, 10_000)
"""A wished share is rounded to this: far above the solver's tolerance of 1e-6, so that what it takes for kept is
kept."""


class Sides(NamedTuple):
    """Street sides to choose from, in the order that settles ties: (n,) arrays.

    Attributes
    ----------
    n_visits : int array
        Visits that the side needs, at least 1.
    volume_l : int array
        What it diverts a year if chosen, in whole litres.
    n_priority : int array
        Visits of these that go to priority areas.
    """

    n_visits: IntArray
    volume_l: IntArray
    n_priority: IntArray


class Wishes(NamedTuple):
    """What the plan has to keep.

    Attributes
    ----------
    n_visits : int
        Visits there are.
    least_priority_frac : Fraction
        Least share of the plan's visits in priority areas; a multiple of `SHARE_STEP`.
    is_in, is_out : (n,) bool array
        Sides that have to be chosen, and that cannot be.
    pairs : (m, 2) int array
        Neighbouring sides.
    bonus_l : (m,) int array
        What choosing both counts more [L/y].
    """

    n_visits: int
    least_priority_frac: Fraction
    is_in: BoolArray
    is_out: BoolArray
    pairs: IntArray
    bonus_l: IntArray


def worth_l(is_chosen: BoolArray, sides: Sides, wishes: Wishes) -> int:
    """Volume of the chosen sides with the bonus of neighbours [L/y], in whole numbers."""
    both = is_chosen[wishes.pairs].all(axis=1)
    return int(sides.volume_l[is_chosen].sum()) + int(wishes.bonus_l[both].sum())


def share_gain(sides: Sides, wishes: Wishes) -> IntArray:
    """What each side adds to the balance of the share, in whole numbers: a plan whose sum is not below 0 keeps it."""
    share = wishes.least_priority_frac
    return share.denominator * sides.n_priority - share.numerator * sides.n_visits


def faults(is_chosen: BoolArray, sides: Sides, wishes: Wishes) -> list[str]:
    """Which wishes a set of sides breaks; empty if none."""
    found = []
    if int(sides.n_visits[is_chosen].sum()) > wishes.n_visits:
        found.append("visits")
    if int(share_gain(sides, wishes)[is_chosen].sum()) < 0:
        found.append("share")
    if (wishes.is_in & ~is_chosen).any() or (wishes.is_out & is_chosen).any():
        found.append("locks")
    return found


def check_locks(sides: Sides, wishes: Wishes) -> None:
    """Refuse locks that cannot be kept.

    Raises
    ------
    ParameterError
        Locked in and out at once, too many visits locked in, or a share that they make impossible.
    """
    if (wishes.is_in & wishes.is_out).any():
        raise ParameterError("a street side is locked in and out at once")
    needed = int(sides.n_visits[wishes.is_in].sum())
    if needed > wishes.n_visits:
        raise ParameterError(
            f"the streets locked in need {needed} visits, and there are {wishes.n_visits}: plan more visits, lock in "
            "fewer streets, or limit the visits of a street side"
        )
    gain = share_gain(sides, wishes)
    best = mended(sides, wishes)
    if int(gain[best].sum()) < 0:
        raise ParameterError(
            f"with the streets locked in, no plan of {wishes.n_visits} visits has "
            f"{float(100 * wishes.least_priority_frac):g} % of them in the priority areas: lock in fewer streets, plan "
            "more visits, or ask for a smaller share"
        )


def mended(sides: Sides, wishes: Wishes) -> BoolArray:
    """Sides that make up best for a share that those locked in fall short of, with these; nothing more if they don't.

    Notes
    -----
    A knapsack of its own: visits are small whole numbers, so a table over them settles it exactly.
    """
    gain = share_gain(sides, wishes)
    chosen = wishes.is_in.copy()
    if int(gain[chosen].sum()) >= 0:
        return chosen
    free = np.flatnonzero(~wishes.is_in & ~wishes.is_out & (gain > 0))
    left = min(wishes.n_visits - int(sides.n_visits[chosen].sum()), int(sides.n_visits[free].sum()))
    best = np.zeros(left + 1, dtype=np.int64)
    taken = np.zeros((len(free), left + 1), dtype=bool)
    for k, i in enumerate(free):
        n = int(sides.n_visits[i])
        if n <= left:
            with_it = best[: left + 1 - n] + gain[i]
            taken[k, n:] = with_it > best[n:]
            best[n:] = np.maximum(best[n:], with_it)
    for k in range(len(free) - 1, -1, -1):
        if taken[k, left]:
            chosen[free[k]] = True
            left -= int(sides.n_visits[free[k]])
    return chosen
