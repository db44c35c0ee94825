"""The plan that a simple rule gives, to hold the computed one against."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from screening.street_plan.wishes import mended, share_gain

if TYPE_CHECKING:
    from screening.street_plan.wishes import BoolArray, IntArray, Sides, Wishes


def greedy(sides: Sides, wishes: Wishes) -> BoolArray:
    """Always take the side that brings most a visit and still fits; of equals the first.

    Parameters
    ----------
    sides : Sides
    wishes : Wishes
        Checked before (`check_locks`).

    Returns
    -------
    (n,) bool array
        A plan that keeps every wish.

    Notes
    -----
    While what is locked in falls short of the share in priority areas, only sides that mend it are looked at; after
    that only sides that keep it. A side passed over may come in later, when others have made room in the share.
    """
    chosen = filled(wishes.is_in, sides, wishes)
    if int(share_gain(sides, wishes)[chosen].sum()) < 0:
        # It spent the visits on sides that mend too little.
        chosen = filled(mended(sides, wishes), sides, wishes)
    return chosen


def filled(start: BoolArray, sides: Sides, wishes: Wishes) -> BoolArray:
    """Go on from a set with that rule until nothing more fits."""
    n, gain = sides.n_visits, share_gain(sides, wishes)
    chosen = start.copy()
    is_open = ~chosen & ~wishes.is_out
    left, balance = wishes.n_visits - int(n[chosen].sum()), int(gain[chosen].sum())
    worth = sides.volume_l.astype(np.int64)
    for i in np.flatnonzero(chosen):
        _add_bonus(worth, int(i), wishes)
    while True:
        able = is_open & (n <= left) & (worth > 0) & ((gain > 0) if balance < 0 else (balance + gain >= 0))
        rows = np.flatnonzero(able)
        if not len(rows):
            return chosen
        best = int(rows[np.argmax(worth[rows] / n[rows])])
        chosen[best], is_open[best] = True, False
        left, balance = left - int(n[best]), balance + int(gain[best])
        _add_bonus(worth, best, wishes)


def _add_bonus(worth: IntArray, row: int, wishes: Wishes) -> None:
    """Raise what the neighbours of a chosen side are worth."""
    for k in (0, 1):
        beside = wishes.pairs[:, k] == row
        np.add.at(worth, wishes.pairs[beside, 1 - k], wishes.bonus_l[beside])
