"""A season's plan in words: what to expect, which streets and why, which day which homes."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from screening.report.cautions import CAUTIONS, STANDING
from screening.report.quantities import Units, percent
from screening.street_plan import CROSSING_M, MOST_EXACT, PUBLISHED, SOURCES, by_chance

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.report.season_model import SeasonPlan, SidePlan

FOR_STAFF: Final = "Rows of single homes are for the staff who visit them, not for publication."

_WIDTH: Final = 110
_MOST_OUT: Final = 12
_LITRES: Final = 1000.0


def season_text(plan: SeasonPlan, *, display_units: str, is_everything: bool = False) -> str:
    """Write a plan for people.

    Parameters
    ----------
    plan : SeasonPlan
    display_units : str
        ``"metric"`` or ``"us"``.
    is_everything : bool
        Whether every street side left out is listed, not only those that bring most a visit.

    Returns
    -------
    str
        Lines, without a final line break.
    """
    units = Units(display_units)
    lines = [
        *_head(plan),
        *_expected(plan, units),
        *_proof(plan, units),
        *_streets_in(plan, units),
        *_streets_out(plan, units, is_everything=is_everything),
        *_walk(plan, units),
        "Cautions",
        *(line for caution in CAUTIONS for line in _wrapped(caution, "  - ", "    ")),
    ]
    return "\n".join(lines)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=rest)


def counted(n: int, what: str) -> str:
    """Write a count with its noun."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def one_line(text: str) -> str:
    """Write somebody else's text without what would break a line or move a cursor."""
    return " ".join("".join(" " if ord(sign) < 32 or 127 <= ord(sign) < 160 else sign for sign in text).split())


def _head(plan: SeasonPlan) -> Iterator[str]:
    chosen = plan.chosen
    yield (
        f"Plan for {counted(plan.wishes.n_visits, 'visit')}: {counted(len(chosen), 'street side')} of "
        f"{len(plan.sides):,}, {counted(plan.n_visits, 'home')} of {len(plan.homes.home_id):,}"
    )
    yield from _wrapped(f"{STANDING} {FOR_STAFF}")
    for note in plan.notes:
        yield from _wrapped(note)
    yield ""


def _expected(plan: SeasonPlan, units: Units) -> Iterator[str]:
    """What to expect at three rates of response."""
    if not plan.chosen:
        yield from _wrapped(_empty(plan))
        yield ""
        return
    n, volume, response = plan.n_visits, plan.volume, plan.wishes.response
    yield "What to expect"
    yield f"  {'of 100 homes':>14} {'gardens':>9}   {'roof water kept from running off, likely':>42}   low to high"
    rates = {"low": response.low_frac, "likely": response.likely_frac, "high": response.high_frac}
    for frac in dict.fromkeys(rates.values()):
        shown = units.rough(frac * volume.likely, "m3/y")
        span = units.rough_span(frac * volume.low, frac * volume.high, "m3/y")
        yield f"  {100 * frac:>14.3g} {n * frac:>9.1f}   {shown:>42}   {span}"
    everybody = units.rough(volume.likely, "m3/y"), units.rough_span(volume.low, volume.high, "m3/y")
    yield f"  {'everybody':>14} {n:>9}   {everybody[0]:>42}   {everybody[1]}"
    few, many = by_chance(n, response.likely_frac)
    yield from _wrapped(
        f"The rates are an input (--response-pct). At {100 * response.likely_frac:.3g} of 100, chance alone makes it "
        f"{few} to {many} gardens (10 and 90 % points). Low to high: the gardens' volume in a year, ends of streets "
        "added as if all had their good and bad years together, so rather too wide than too narrow.",
        "  ",
        "  ",
    )
    if response == PUBLISHED:
        for source in SOURCES:
            yield from _wrapped(source, "    ", "         ")
    yield ""


def _empty(plan: SeasonPlan) -> str:
    """Say why no street is in the plan."""
    if plan.limits.is_out.all():
        largest = max(len(side.rows) for side in plan.sides)
        return (
            f"Every street side is locked out or has fewer than {plan.min_homes} candidate homes; the largest has "
            f"{largest}: ask for fewer with --min-homes, or take both sides together with --whole-streets."
        )
    if plan.wishes.least_priority_frac:
        return "No street side keeps the wished share of visits in the priority areas: ask for a smaller one."
    return "No street side that may be chosen would bring anything."


def _proof(plan: SeasonPlan, units: Units) -> Iterator[str]:
    """How good the plan is, and what the simple rule would give."""
    choice = plan.choice
    bonus = " with the bonus of neighbours" if len(plan.limits.pairs) else ""
    yield "How good"
    if choice.is_settled:
        text = f"Proven best (gap 0 %): no other choice under these wishes brings more{bonus}; ties go by the name."
    elif choice.gap_frac == 0.0:
        text = "Proven best (gap 0 %), but the solver met its limit before it had looked at every choice as good."
    else:
        text = (
            f"At most {100 * choice.gap_frac:.2g} % short of the best possible (gap), where the solver met its limit."
        )
    yield from _wrapped(text, "  ", "  ")
    greedy, best = plan.greedy_l, choice.worth_l
    n_simple = sum(side.is_greedy for side in plan.sides)
    n_same = sum(side.is_chosen and side.is_greedy for side in plan.sides)
    if all(side.is_chosen == side.is_greedy for side in plan.sides):
        text = "The simple rule (always the side that brings most a visit and still fits) gives the same plan."
    else:
        less = (best - greedy) / best if best else 0.0
        text = (
            f"The simple rule (always the side that brings most a visit and still fits) brings {100 * less:.2g} % "
            f"less{bonus}: {units.rough(greedy / _LITRES, 'm3/y')} against {units.rough(best / _LITRES, 'm3/y')}"
            f"{'' if bonus else ' if everybody took a garden'}; {n_same} of its {counted(n_simple, 'side')} "
            f"{'is' if n_same == 1 else 'are'} in this plan too."
        )
    yield from _wrapped(text, "  ", "  ")
    if plan.homes.is_priority is not None:
        asked = plan.wishes.least_priority_frac
        wished = f", {float(100 * asked):g} % asked for" if asked else ""
        yield (
            f"  In priority areas: {plan.n_priority:,} of {counted(plan.n_visits, 'visit')}"
            f" ({percent(plan.n_priority / plan.n_visits if plan.n_visits else 0.0)}{wished})"
        )
    left = plan.limits.n_visits - plan.n_visits
    if left:
        yield f"  {counted(left, 'visit')} {'is' if left == 1 else 'are'} left over: no side that is left out fits."
    yield ""


def _side_head(plan: SeasonPlan, width: int) -> str:
    priority = "  priority" if plan.homes.is_priority is not None else ""
    return (
        f"  {'':<{width}} {'homes':>6} {'visits':>6} {'gardens':>8} {'water':>14}   {'low to high':<24} "
        f"{'confidence':>10}{priority}"
    )


def _side_row(plan: SeasonPlan, side: SidePlan, units: Units, width: int) -> str:
    response, volume = plan.wishes.response, side.volume
    low, high = response.low_frac * volume.low, response.high_frac * volume.high
    priority = f"  {side.n_priority:>8}" if plan.homes.is_priority is not None else ""
    return (
        f"  {one_line(side.name):<{width}} {len(side.rows):>6,} {side.n_visits:>6,} "
        f"{side.n_visits * response.likely_frac:>8.1f} "
        f"{units.rough(response.likely_frac * volume.likely, 'm3/y'):>14}   {units.rough_span(low, high, 'm3/y'):<24} "
        f"{percent(side.confidence_frac):>10}{priority}"
    )


def _streets_in(plan: SeasonPlan, units: Units) -> Iterator[str]:
    rows = [row for row, side in enumerate(plan.sides) if side.is_chosen]
    if not rows:
        return
    rows.sort(key=lambda row: (-plan.sides[row].volume.likely, row))
    width = max(len(one_line(plan.sides[row].name)) for row in rows)
    yield "Streets to visit (gardens and water as expected, low to high over rates and years)"
    yield _side_head(plan, width)
    for row in rows:
        yield _side_row(plan, plan.sides[row], units, width)
        yield from _wrapped(_sentence(plan, row, units), "      ", "      ")
    yield ""


def _streets_out(plan: SeasonPlan, units: Units, *, is_everything: bool) -> Iterator[str]:
    rows = [row for row, side in enumerate(plan.sides) if not side.is_chosen]
    if not rows:
        return
    # what could have been chosen first
    rows.sort(key=lambda row: (plan.limits.is_out[row], -plan.sides[row].volume.likely / plan.sides[row].n_visits, row))
    shown = rows if is_everything else rows[:_MOST_OUT]
    width = max(len(one_line(plan.sides[row].name)) for row in shown)
    yield "Streets left out, those that bring most a visit first"
    yield _side_head(plan, width)
    for row in shown:
        yield _side_row(plan, plan.sides[row], units, width)
        yield from _wrapped(_sentence(plan, row, units), "      ", "      ")
    if len(rows) > len(shown):
        yield f"  and {counted(len(rows) - len(shown), 'street side')} more: --all lists them, so do --json and -o"
    yield ""


def _sentence(plan: SeasonPlan, row: int, units: Units) -> str:
    return plan.sentence(row, lambda litres: units.rough(litres / _LITRES, "m3/y"))


def _walk(plan: SeasonPlan, units: Units) -> Iterator[str]:
    if not plan.is_walked:
        return
    total = sum(day.length_m for day in plan.days)
    where = f"from and to {plan.wishes.start}" if plan.start_m is not None else "from the first home to the last"
    yield f"Walk: {counted(len(plan.days), 'day')} of at most {counted(plan.wishes.per_day, 'visit')}, each {where}"
    saved = 1.0 - plan.walk_bound_m / total if total > 0.0 else 0.0
    longest = max(len(day.rows) for day in plan.days)
    each = "Each day's order is the shortest for its homes. " if longest <= MOST_EXACT else ""
    other = "order" if len(plan.days) == 1 else "share-out over as many days"
    best = (
        f"no other {other} could save more than {100 * saved:.0f} %" if saved >= 0.005 else "none shorter is possible"
    )
    yield from _wrapped(
        f"{_length(total, units)} together; {best}. {each}Along the streets that the result has, straight over gaps; "
        f"from one street side to another {_length(CROSSING_M, units)} are counted for crossing.",
        "  ",
        "  ",
    )
    for number, day in enumerate(plan.days, start=1):
        yield f"  Day {number}: {counted(len(day.rows), 'visit')}, {_length(day.length_m, units)}"
        for stop, row in enumerate(day.rows, start=1):
            address = plan.homes.address[row]
            name = one_line(address) if address else "(no address)"
            yield f"    {stop:>3}  {name:<40}  home {one_line(plan.homes.home_id[row])}"
    yield ""


def _length(length_m: float, units: Units) -> str:
    """Write the length of a walk: metres or kilometres, feet or miles."""
    if units.is_us:
        miles = length_m / 1609.344
        return f"{miles:.1f} mi" if miles >= 0.5 else f"{length_m / 0.3048:,.0f} ft"
    return f"{length_m / 1000.0:.1f} km" if length_m >= 1000.0 else f"{length_m:.0f} m"
