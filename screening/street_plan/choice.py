"""Which street sides to visit with so many visits: mixed-integer programming, with one answer and its proof."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, vstack

from screening.street_plan.greedy import filled, greedy
from screening.street_plan.wishes import check_locks, faults, worth_l

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from screening.street_plan.wishes import BoolArray, Sides, Wishes

    Row = tuple[npt.NDArray[np.float64], float, float]

FloatArray = npt.NDArray[np.float64]

NODE_LIMIT: Final = 2_000
"""Branches that the solver may look at for one answer (program default). A limit of time would give other plans on
other machines."""

_BLOCK: Final = 16  # sides whose order is settled in one solve: 2^16 is far below what a tolerance of 1e-6 can blur
_RETRIES: Final = 20


class Choice(NamedTuple):
    """The chosen sides.

    Attributes
    ----------
    is_chosen : (n,) bool array
    worth_l : int
        Their volume with the bonus of neighbours, in whole litres.
    bound_l : int
        What no plan can exceed.
    is_settled : bool
        Whether the plan is the only answer: none is better, and of all as good it is the one with the fewest visits
        and, of these, with the side that comes first where they differ. Otherwise the solver met its limit.
    """

    is_chosen: BoolArray
    worth_l: int
    bound_l: int
    is_settled: bool

    @property
    def gap_frac(self) -> float:
        """How far the plan may be from the best one, over the bound."""
        return 0.0 if self.bound_l <= 0 else (self.bound_l - self.worth_l) / self.bound_l


def choose(sides: Sides, wishes: Wishes, *, node_limit: int = NODE_LIMIT) -> Choice:
    """Find the sides with the largest volume that keep the wishes.

    Parameters
    ----------
    sides : Sides
    wishes : Wishes
    node_limit : int
        Branches to look at in one solve; where it is met, the plan may be short of the best by its gap.

    Raises
    ------
    ParameterError
        What is locked in cannot be kept together with the visits or the share.

    Notes
    -----
    maximise    sum of volume_i x_i + sum of bonus_p z_p
    subject to  sum of visits_i x_i <= visits there are,
                sum of (priority_i - share visits_i) x_i >= 0,
                z_p <= x_i and z_p <= x_j for the neighbours i, j of the pair p,
                x_i = 1 or 0 where locked, x_i in {0, 1}, 0 <= z_p <= 1.

    Volumes are whole litres, so that equal plans are equal and not nearly so. The solver's answer is taken as a set and
    counted again in whole numbers. A second solve asks for the best of all other sets; only where that is as good, the
    fewest visits and then the order of the sides decide.
    """
    check_locks(sides, wishes)
    simple = greedy(sides, wishes)
    if not len(sides.n_visits):
        return Choice(simple, 0, 0, is_settled=True)
    model = _Model(sides, wishes, node_limit)
    model.narrow(worth_l(simple, sides, wishes))
    answer = model.solve(model.volume)
    if answer.is_chosen is None and answer.is_best:
        msg = "the solver finds no plan, and the simple rule's is one"
        raise RuntimeError(msg)
    plans = [simple] if answer.is_chosen is None else [simple, answer.is_chosen]
    best = min(plans, key=lambda chosen: _rank(chosen, sides, wishes))
    worth = worth_l(best, sides, wishes)
    if answer.is_best:
        best, is_settled = _first_of_equals(model, best)
        return Choice(best, worth, worth, is_settled)
    # what still fits would be better, whatever the rest
    best = filled(best, sides, wishes)
    worth = worth_l(best, sides, wishes)
    most = int(sides.volume_l[~wishes.is_out].sum()) + int(wishes.bonus_l.sum())
    bound = most if not np.isfinite(answer.bound) else min(most, int(np.floor(answer.bound + 1e-6)))
    return Choice(best, worth, max(bound, worth), is_settled=False)


class _Answer(NamedTuple):
    """What the solver said: a set that keeps the wishes or None, its bound, whether this is proven the last word."""

    is_chosen: BoolArray | None
    bound: float
    is_best: bool


class _Model:
    """The program in the solver's form: one column for each side, then one for each pair."""

    def __init__(self, sides: Sides, wishes: Wishes, node_limit: int) -> None:
        self.sides, self.wishes, self.node_limit = sides, wishes, node_limit
        self.n, m = len(sides.n_visits), len(wishes.pairs)
        self.volume = np.concatenate([sides.volume_l, wishes.bonus_l]).astype(float)
        self.visits = np.concatenate([sides.n_visits, np.zeros(m)])
        share = float(wishes.least_priority_frac)
        balance = np.concatenate([sides.n_priority - share * sides.n_visits, np.zeros(m)])
        rows = [csr_array(self.visits[None, :]), csr_array(balance[None, :])]
        at = np.arange(m)
        for k in (0, 1):
            columns = np.column_stack([self.n + at, wishes.pairs[:, k]]).ravel()
            signs = np.tile([1.0, -1.0], m)
            rows.append(csr_array((signs, (np.repeat(at, 2), columns)), shape=(m, self.n + m)))
        self.matrix = vstack(rows, format="csr")
        self.least = np.concatenate([[-np.inf, 0.0], np.full(2 * m, -np.inf)])
        self.most = np.concatenate([[wishes.n_visits, np.inf], np.zeros(2 * m)])
        self.integrality = np.concatenate([np.ones(self.n), np.zeros(m)])
        self.floor = np.concatenate([wishes.is_in, np.zeros(m)]).astype(float)
        self.ceiling = np.concatenate([~wishes.is_out, np.ones(m)]).astype(float)

    def solve(self, gain: FloatArray, extra: Sequence[Row] = ()) -> _Answer:
        """Maximise a gain over the wishes and further rows, each with its least and its most."""
        matrix = vstack([self.matrix, *(csr_array(row[None, :]) for row, _, _ in extra)], format="csr")
        least = np.concatenate([self.least, [low for _, low, _ in extra]])
        most = np.concatenate([self.most, [high for _, _, high in extra]])
        with _silent_solver():
            found: Any = milp(
                -gain,
                constraints=LinearConstraint(matrix, least, most),
                integrality=self.integrality,
                bounds=Bounds(self.floor, self.ceiling),
                options={"mip_rel_gap": 0.0, "node_limit": self.node_limit},
            )
        bound = np.inf if found.mip_dual_bound is None else -float(found.mip_dual_bound)
        if found.x is None:
            return _Answer(None, bound, is_best=found.status == 2)
        chosen = found.x[: self.n] > 0.5
        broken = faults(chosen, self.sides, self.wishes)
        if broken:
            msg = f"the solver's plan breaks its own rules: {broken}"
            raise RuntimeError(msg)
        return _Answer(chosen, bound, is_best=found.status == 0)

    def narrow(self, litres: int) -> None:
        """Fix the sides, and pairs, that are the same in every set of at least so many litres.

        The relaxed program (any part of a side may be chosen) is worth no less than any set, and its reduced costs say
        how much less it is worth with a side forced in or out.
        """
        is_upper = np.isfinite(self.most)
        rows = vstack([self.matrix[is_upper], -self.matrix[~is_upper]], format="csr")
        limits = np.concatenate([self.most[is_upper], -self.least[~is_upper]])
        relaxed: Any = linprog
        with _silent_solver():
            found = relaxed(
                -self.volume, A_ub=rows, b_ub=limits, bounds=np.column_stack([self.floor, self.ceiling]), method="highs"
            )
        if found.status != 0:
            return
        # a margin for the tolerance of the relaxed program: too much of it only fixes fewer sides
        short = -found.fun - litres + 0.5 + 1e-7 * litres
        is_free = self.floor < self.ceiling
        self.ceiling[is_free & (found.lower.marginals > short)] = 0.0
        self.floor[is_free & (-found.upper.marginals > short)] = 1.0

    def as_good(self, gain: FloatArray, litres: int, extra: Sequence[Row]) -> _Answer:
        """Maximise a gain over the sets of at least so many litres.

        Litres are whole, so half of one separates less from enough; what the solver's tolerance lets through all the
        same is forbidden by name.
        """
        rows = [*extra, (self.volume, litres - 0.5, np.inf)]
        for _ in range(_RETRIES):
            answer = self.solve(gain, rows)
            if answer.is_chosen is None or worth_l(answer.is_chosen, self.sides, self.wishes) >= litres:
                return answer
            rows.append(self.other_than(answer.is_chosen))
        return _Answer(None, np.inf, is_best=False)

    def other_than(self, is_chosen: BoolArray, start: int = 0) -> Row:
        """Row that forbids a set, from a side on."""
        row = np.zeros(len(self.volume))
        row[start : self.n] = np.where(is_chosen[start:], -1.0, 1.0)
        return row, 1.0 - int(is_chosen[start:].sum()), np.inf

    def same_as(self, is_chosen: BoolArray, stop: int) -> Row:
        """Row that keeps a set as it is, up to a side."""
        row = np.zeros(len(self.volume))
        row[:stop] = np.where(is_chosen[:stop], -1.0, 1.0)
        return row, -np.inf, 0.5 - int(is_chosen[:stop].sum())


def _first_of_equals(model: _Model, best: BoolArray) -> tuple[BoolArray, bool]:
    """Of all sets as good as one: the fewest visits, then the side that comes first where they differ.

    Returns
    -------
    (n,) bool array
        The set.
    bool
        Whether it is settled; not where the solver met its limit.
    """
    sides, wishes = model.sides, model.wishes
    litres = worth_l(best, sides, wishes)
    model.narrow(litres)
    others = model.other_than(best)
    answer = model.solve(model.volume, [others])
    if answer.is_best and (answer.is_chosen is None or worth_l(answer.is_chosen, sides, wishes) < litres):
        return best, True
    answer = model.as_good(-model.visits, litres, [others])
    is_settled = answer.is_best
    if answer.is_chosen is None:
        return best, is_settled
    best = min(best, answer.is_chosen, key=lambda chosen: _rank(chosen, sides, wishes))
    # sides that are fixed are settled already
    free = np.flatnonzero(model.floor[: model.n] < model.ceiling[: model.n])
    for start, block in ((rows[0], rows) for rows in np.split(free, range(_BLOCK, len(free), _BLOCK)) if len(rows)):
        # earlier sides weigh more; what weighs most among all other sets is held against the best one
        weight = np.zeros(len(model.volume))
        weight[block] = 2.0 ** np.arange(len(block) - 1, -1, -1)
        fewest = (model.visits, -np.inf, int(sides.n_visits[best].sum()) + 0.5)
        answer = model.as_good(weight, litres, [fewest, model.same_as(best, start), model.other_than(best, start)])
        is_settled &= answer.is_best
        if answer.is_chosen is None:
            # no other set is left, so the order of the rest is settled
            break
        best = min(best, answer.is_chosen, key=lambda chosen: _rank(chosen, sides, wishes))
    return best, is_settled


def _rank(is_chosen: BoolArray, sides: Sides, wishes: Wishes) -> tuple[int, int, list[bool]]:
    """Order among sets: more volume, fewer visits, earlier sides come first."""
    return (-worth_l(is_chosen, sides, wishes), int(sides.n_visits[is_chosen].sum()), (~is_chosen).tolist())


@contextlib.contextmanager
def _silent_solver() -> Iterator[None]:
    """Keep the solver's own prints off the standard output.

    HiGHS as scipy 1.17 carries it prints lines for developers past Python, whatever it is told, and they would stand in
    the middle of somebody's JSON.
    """
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError, AttributeError):
        # no standard output, so nothing to keep clean
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(nowhere)
        os.close(kept)
