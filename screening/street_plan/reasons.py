"""Why a street side is in the plan or not, in one plain sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening.street_plan.wishes import share_gain

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from fractions import Fraction

    from screening.street_plan.choice import Choice
    from screening.street_plan.wishes import BoolArray, Sides, Wishes

WHY_CODES: Final[Mapping[str, str]] = {
    "locked_in": "it was locked in",
    "most_a_visit": "no side left out brings more a visit",
    "fits": "it brings less a visit than some side left out, and fits what that leaves",
    "neighbours": "the bonus of neighbours speaks for it",
    "priority": "its visits in priority areas keep the share",
    "locked_out": "it was locked out",
    "too_few_homes": "it has fewer homes than wished for",
    "nothing": "it would bring nothing",
    "less_a_visit": "it brings less a visit than every side that was free to choose and is in the plan",
    "no_room": "its visits fit only in place of others that together bring as much, or that the share needs",
    "locked_full": "what is locked in leaves too few visits",
    "share": "it would push the share in priority areas too low",
}
"""Why a side is in or out, with their meanings."""


def whys(sides: Sides, wishes: Wishes, choice: Choice, is_too_small: BoolArray) -> tuple[str, ...]:
    """Find the reason of every side: a code of `WHY_CODES`.

    Parameters
    ----------
    sides : Sides
    wishes : Wishes
    choice : Choice
    is_too_small : (n,) bool array
        Sides that are out because they have too few homes.
    """
    chosen = choice.is_chosen
    a_visit = sides.volume_l / np.maximum(sides.n_visits, 1)
    gain = share_gain(sides, wishes)
    left = wishes.n_visits - int(sides.n_visits[chosen].sum())
    balance = int(gain[chosen].sum())
    could = ~chosen & ~wishes.is_out
    best_out = float(a_visit[could].max(initial=-1.0))
    free_in = chosen & ~wishes.is_in
    worst_in = float(a_visit[free_in].min(initial=np.inf))
    both = chosen[wishes.pairs].all(axis=1) & (wishes.bonus_l > 0)
    has_neighbour = np.zeros(len(chosen), dtype=bool)
    has_neighbour[wishes.pairs[both].ravel()] = True
    found = []
    for i in range(len(chosen)):
        if wishes.is_in[i]:
            why = "locked_in"
        elif chosen[i]:
            why = "most_a_visit"
            if a_visit[i] < best_out:
                why = "fits"
                if gain[i] > 0 and balance < gain[i]:
                    why = "priority"
                elif has_neighbour[i]:
                    why = "neighbours"
        elif is_too_small[i]:
            why = "too_few_homes"
        elif wishes.is_out[i]:
            why = "locked_out"
        elif sides.volume_l[i] == 0:
            why = "nothing"
        elif sides.n_visits[i] <= left and balance + gain[i] < 0:
            why = "share"
        elif not free_in.any():
            why = "locked_full"
        elif a_visit[i] < worst_in:
            why = "less_a_visit"
        else:
            why = "no_room"
        found.append(why)
    return tuple(found)


def sentence(
    why: str,
    row: int,
    sides: Sides,
    wishes: Wishes,
    choice: Choice,
    show_l: Callable[[float], str],
    *,
    n_homes: int,
    min_homes: int,
) -> str:
    """Say why a side is in the plan or not.

    Parameters
    ----------
    why : str
        Its code, of `WHY_CODES`.
    row : int
        The side.
    sides, wishes, choice
        As for `whys`.
    show_l : callable
        Writes litres a year for people.
    n_homes, min_homes : int
        Homes of the side, and the least that a side should have.

    Returns
    -------
    str
        Begins with "in" or "out".
    """
    chosen = choice.is_chosen
    a_visit = sides.volume_l / np.maximum(sides.n_visits, 1)
    mine = f"{show_l(a_visit[row])} a visit"
    n = int(sides.n_visits[row])
    visits, fit = (f"{n} visits", "fit") if n != 1 else ("1 visit", "fits")
    left = wishes.n_visits - int(sides.n_visits[chosen].sum())
    free_in = chosen & ~wishes.is_in
    least_in = show_l(float(a_visit[free_in].min())) if free_in.any() else ""
    could = ~chosen & ~wishes.is_out
    best_out = show_l(float(a_visit[could].max())) if could.any() else ""
    n_priority = int(sides.n_priority[row])
    share = _percent(wishes.least_priority_frac)
    is_best = choice.worth_l == choice.bound_l
    # with a bonus of neighbours sides are worth more than the water they bring
    bring = "count" if wishes.bonus_l.any() else "bring"
    as_much = f" that together {bring} at least as much" if is_best else " in the plan"
    needed = " or that the share in priority areas needs" if wishes.least_priority_frac else ""
    texts = {
        "locked_in": f"in: it was locked in; it brings {mine}",
        "most_a_visit": f"in: it brings {mine}"
        + (f"; no side left out brings more than {best_out}" if could.any() else ""),
        "fits": f"in: {mine} is less than the {best_out} of a side left out, but its {visits} {fit}"
        + (f", and together the sides in the plan {bring} most" if is_best else ""),
        "neighbours": f"in: it brings {mine}, and lies next to a side in the plan, which counts more by the bonus",
        "priority": f"in: {n_priority} of its {visits} are in the priority areas; without them the plan would fall "
        f"below "
        f"{share}",
        "locked_out": "out: it was locked out",
        "too_few_homes": f"out: its candidate homes are {n_homes}, fewer than the {min_homes} asked for",
        "nothing": "out: it would bring nothing",
        "less_a_visit": f"out: it brings {mine}; the least of those chosen brings {least_in}",
        "no_room": f"out: it brings {mine}, but its {visits} {fit} only in place of others{as_much}{needed}",
        "locked_full": f"out: it needs {visits}, and what is locked in leaves {left}",
        "share": f"out: with its {visits}, {n_priority} of them in the priority areas, the plan would fall below "
        f"{share}",
    }
    return texts[why]


def _percent(share: Fraction) -> str:
    return f"{float(100 * share):g} %"
