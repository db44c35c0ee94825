"""Why no garden fits: which condition stops it, and which single rule would have to give how much."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.siting.beds import opened
from screening.siting.open_ground import Kept, open_ground, some_pairs
from screening.siting.search import Lots, SitingRules, city_of, pick_lots, place_gardens

if TYPE_CHECKING:
    from collections.abc import Callable

    from screening.kernels.ground import Ground, TownYield
    from screening.siting.search import FloatArray, IntArray

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]

HALVINGS = 4
"""Halvings of a distance in the search for the margin: 3.05 m is known to 0.2 m."""

LONGEST_RUN_FACTOR = 4.0
ANY_RUN_M = 1000.0


CONDITIONS = (
    ("", "too_narrow"),
    ("ignore_gaps", "elevation_gap"),
    ("ignore_slope", "too_steep"),
    ("run", "run_too_long"),
    ("ignore_fall", "no_downhill_place"),
    ("ignore_blocks", "run_blocked"),
    ("ignore_overflow", "overflow_to_building"),
)
"""Conditions in the order in which they come into force, and the reason where one leaves no place."""

RUN_STEP = next(step for step, (name, _) in enumerate(CONDITIONS) if name == "run")


class Surroundings(NamedTuple):
    """What the setbacks of the homes are made from.

    Attributes
    ----------
    building_edges : (edges, first)
        Edges of all footprints.
    lot_line_m : float
        Setback from the lot line [m].
    buildings : Kept
        All footprints.
    keep_away : tuple of Kept
        Other things.
    """

    building_edges: tuple[FloatArray, IntArray]
    lot_line_m: float
    buildings: Kept
    keep_away: tuple[Kept, ...]


class Why(NamedTuple):
    """Per home: why no garden fits.

    Attributes
    ----------
    reason : (n,) array of str
    tightest : (n,) array of str or None
        The rule whose relaxation alone would let a garden fit.
    margin_m : (n,) array
        By how much it would have to give [m]; NaN where the rule is no distance.
    """

    reason: ObjectArray
    tightest: ObjectArray
    margin_m: FloatArray


def explain_refusals(lots: Lots, around: Surroundings, ground: Ground, how: SitingRules, gain: TownYield) -> Why:
    """Find for each home without a garden the condition that stops it and the tightest rule.

    Parameters
    ----------
    lots : Lots
        The homes in question.
    around : Surroundings
    ground : Ground
    how : SitingRules
    gain : Yield
    """
    n = len(lots.lot)
    how = how._replace(most_gardens=1)
    reason = np.full(n, "too_narrow", dtype=object)
    area = shapely.area(lots.open_ground)
    reason[area < how.rules.min_area_m2] = "no_open_ground"
    wide = opened(lots.open_ground, how.rules.min_width_m - 0.01)
    largest = np.zeros(n)
    parts, owner = shapely.get_parts(wide, return_index=True)
    np.maximum.at(largest, owner, shapely.area(parts))
    has_room = np.flatnonzero(largest >= how.rules.min_area_m2 * 0.98)

    # each condition in its turn comes into force on top of those before; the first that leaves no place names the
    # reason, and bisection finds it; that all of them together leave none is known
    for_step = np.zeros(len(has_room), dtype=np.int64)
    top = np.full(len(has_room), len(CONDITIONS) - 1, dtype=np.int64)
    while (for_step < top).any():
        # among the last few the earlier is the likelier
        middle = (for_step + top - (for_step > 0)) // 2
        found = np.zeros(len(has_room), dtype=bool)
        for step in np.unique(middle[for_step < top]).tolist():
            group = np.flatnonzero((middle == step) & (for_step < top))
            found[group] = _fits_under(step, has_room[group], lots, around, ground, how, gain)
        open_ones = for_step < top
        for_step = np.where(open_ones & found, middle + 1, for_step)
        top = np.where(open_ones & ~found, middle, top)
    names = np.array([code for _, code in CONDITIONS], dtype=object)
    reason[has_room] = names[for_step]
    tightest = np.full(n, None, dtype=object)
    margin = np.full(n, np.nan)
    # where the rule that names the reason would do alone, it is the one to name, and no other is asked
    for code, rule, changes in (
        ("too_steep", "slope", {"ignore_slope": True}),
        ("no_downhill_place", "fall", {"ignore_fall": True}),
    ):
        rows = np.flatnonzero(reason == code)
        if len(rows):
            fewer = how._replace(rules=how.rules._replace(**changes))
            tightest[rows[_finds(pick_lots(lots, rows), around, ground, fewer, gain)]] = rule
    rest = np.flatnonzero(tightest == None)  # noqa: E711 - elementwise
    # without a place even for runs of any length a longer run is no way out
    may_run = np.zeros(n, dtype=bool)
    may_run[has_room[for_step >= RUN_STEP]] = True
    tightest[rest], margin[rest] = _tightest(
        pick_lots(lots, rest), may_run[rest], _around(around, rest, n), ground, how, gain
    )
    return Why(reason, tightest, margin)


def _fits_under(
    step: int, rows: IntArray, lots: Lots, around: Surroundings, ground: Ground, how: SitingRules, gain: TownYield
) -> BoolArray:
    """Which homes get a garden with the first ``step`` + 1 conditions in force."""
    relaxed = {name: True for name, _ in CONDITIONS[step + 1 :] if name.startswith("ignore")}
    has_run = any(name == "run" for name, _ in CONDITIONS[: step + 1])
    run = lots.max_run_m[rows] if has_run else np.full(len(rows), ANY_RUN_M)
    some = pick_lots(lots, rows, max_run_m=run)
    return _finds(some, around, ground, how._replace(rules=how.rules._replace(**relaxed)), gain)


def _finds(lots: Lots, around: Surroundings, ground: Ground, how: SitingRules, gain: TownYield) -> BoolArray:
    """Which homes get a garden."""
    fresh = ground._replace(memo=np.zeros_like(ground.memo))
    placed = place_gardens(city_of(lots, around.building_edges), fresh, how, gain, any_will_do=True)
    return np.asarray(placed.rows[:, 0, 0] == 1.0)


def _around(around: Surroundings, rows: IntArray, n: int) -> Surroundings:
    """The surroundings of some of ``n`` homes."""
    buildings, *things = (
        one._replace(pairs=some_pairs(one.pairs, rows, n)) for one in (around.buildings, *around.keep_away)
    )
    return around._replace(buildings=buildings, keep_away=tuple(things))


def _tightest(
    lots: Lots, may_run: BoolArray, around: Surroundings, ground: Ground, how: SitingRules, gain: TownYield
) -> tuple[ObjectArray, FloatArray]:
    """The rule that has to give least, as a part of its own distance; then the rules that are no distances."""
    n = len(lots.lot)
    code = np.full(n, None, dtype=object)
    margin = np.full(n, np.nan)
    least = np.full(n, np.inf)
    keep = max((float(np.max(kept.distance_m)) for kept in around.keep_away), default=0.0)

    def with_ground(rows: IntArray, part: FloatArray, name: str) -> Lots:
        """The homes with one distance cut to a part of itself."""
        ground_of = _relaxed_ground(lots, around, rows, part, name)
        foundation = lots.foundation_m[rows] * (part if name == "foundation" else 1.0)
        return pick_lots(lots, rows, open_ground=ground_of, foundation_m=foundation)

    def with_run(rows: IntArray, part: FloatArray) -> Lots:
        longer = lots.max_run_m[rows] * (1.0 + (LONGEST_RUN_FACTOR - 1.0) * (1.0 - part))
        return pick_lots(lots, rows, max_run_m=longer)

    everyone = np.arange(n)
    trials: list[tuple[str, float, Callable[[IntArray, FloatArray], Lots]]] = [
        ("foundation", float(lots.foundation_m.max(initial=0.0)), lambda r, p: with_ground(r, p, "foundation")),
        ("lot_line", around.lot_line_m, lambda r, p: with_ground(r, p, "lot_line")),
        ("keep_away", keep, lambda r, p: with_ground(r, p, "keep_away")),
        ("run", 1.0, with_run),
    ]
    for name, distance, lots_with in trials:
        if distance <= 0.0:
            continue
        # where nothing is kept away from, giving way changes nothing
        rows = everyone
        if name in {"keep_away", "run"}:
            rows = np.flatnonzero(may_run if name == "run" else _has_keep_away(lots, around))
        # how much of a run's greatest relaxation is as much as another rule has to give
        scale = LONGEST_RUN_FACTOR - 1.0 if name == "run" else 1.0
        # a rule that has to give more than another is not asked how much
        low = np.maximum(0.0, 1.0 - least[rows] / scale)
        rows, low = rows[low < 1.0], low[low < 1.0]
        if len(rows):
            fits = _finds(lots_with(rows, low), around, ground, how, gain)
            rows, low = rows[fits], low[fits]
        if not len(rows):
            continue
        high = np.ones(len(rows))
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            fits = _finds(lots_with(rows, middle), around, ground, how, gain)
            low = np.where(fits, middle, low)
            high = np.where(fits, high, middle)
        give = (1.0 - low) * scale
        whole = lots.foundation_m[rows] if name == "foundation" else lots.max_run_m[rows] if name == "run" else distance
        better = give < least[rows] - 1e-9
        code[rows[better]] = name
        margin[rows[better]] = np.round((give * whole)[better], 2)
        least[rows[better]] = give[better]
    rest = np.flatnonzero(code == None)  # noqa: E711 - elementwise
    for name, changes in (
        ("slope", {"ignore_slope": True}),
        ("fall", {"ignore_fall": True}),
        ("area", {"min_area_m2": 1.0, "min_width_m": 0.75}),
    ):
        if not len(rest):
            break
        fewer = how._replace(rules=how.rules._replace(**changes))
        found = _finds(pick_lots(lots, rest), around, ground, fewer, gain)
        code[rest[found]] = name
        rest = rest[~found]
    return code, margin


def _has_keep_away(lots: Lots, around: Surroundings) -> BoolArray:
    """Which lots have anything to keep away from so near that it takes ground."""
    out = np.zeros(len(lots.lot), dtype=bool)
    for kept in around.keep_away:
        out[kept.pairs.lot] = True
    return out


def _relaxed_ground(lots: Lots, around: Surroundings, rows: IntArray, part: FloatArray, name: str) -> ObjectArray:
    """Open ground of some homes with one distance cut to a part of itself, home by home."""
    n = len(lots.lot)
    factor = {rule: part if rule == name else np.ones(len(rows)) for rule in ("foundation", "lot_line", "keep_away")}
    kept = [(around.buildings, "foundation"), *((one, "keep_away") for one in around.keep_away)]
    return open_ground(
        lots.lot[rows],
        around.lot_line_m * factor["lot_line"],
        [Kept(one.things, some_pairs(one.pairs, rows, n), one.distance_m * factor[rule]) for one, rule in kept],
    )
