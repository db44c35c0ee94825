"""``screening rules``: the rule sets, or one of them with the source of every value."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import click

from screening.cli.options import json_option
from screening.cli.plain import echo, echo_json
from screening.errors import ParameterError
from screening.rules import BASIS_MEANINGS, PROGRAM_DEFAULT, RULE_SETS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.rules import RuleSet, RuleValue

SHORT_HEADS = {
    "foundation_m": "building",
    "foundation_no_basement_m": "no basement",
    "lot_line_m": "lot line",
    "septic_m": "septic",
    "well_m": "well",
    "max_slope_pct": "slope %",
}
"""Columns of the overview, by rule."""

CAUTION = "Published guidance in numbers, not the law of a place: local codes and licensed practice decide."


@click.command()
@click.argument("name", required=False)
@json_option
def command(name: str | None, as_json: bool) -> None:
    """List the rule sets, or one with its sources.

    NAME is the name of a rule set, as in the run file under [rules] base. Distances are in metres.
    """
    if name is not None and name not in RULE_SETS:
        raise ParameterError(f"there is no rule set '{name}'; there are {', '.join(RULE_SETS)}")
    chosen = list(RULE_SETS.values()) if name is None else [RULE_SETS[name]]
    if as_json:
        data = {rule_set.name: _as_data(rule_set) for rule_set in chosen}
        echo_json(data)
    elif name is None:
        echo("\n".join(_overview()))
    else:
        echo("\n".join(_details(chosen[0])))


def all_values(rule_set: RuleSet) -> dict[str, RuleValue]:
    """Return every value of a rule set by its name: the limits, the other keep-away kinds, groundwater."""
    values = dict(rule_set.limits())
    values.update({f"keep_away {kind}": value for kind, value in rule_set.keep_away_m.items()})
    values["groundwater_m"] = rule_set.groundwater_m
    return values


def unit(name: str) -> str:
    """Return the unit of a value from the last part of its name."""
    return {"pct": "%", "m2": "m2"}.get(name.rpartition("_")[2], "m")


def number(value: RuleValue) -> str:
    """Return a value as text; "-" where the guidance gives none."""
    return "-" if value.value is None else f"{value.value:g}"


def _as_data(rule_set: RuleSet) -> dict[str, object]:
    """Return a rule set as plain data."""
    return {
        "title": rule_set.title,
        "values": {
            name: {"value": value.value, "unit": unit(name), "basis": value.basis, "source": value.source}
            for name, value in all_values(rule_set).items()
        },
        "notes": list(rule_set.notes),
    }


def _overview() -> Iterator[str]:
    """Yield the lines of the overview."""
    rows = [["name", *SHORT_HEADS.values(), ""]]
    for rule_set in RULE_SETS.values():
        values = [getattr(rule_set, name) for name in SHORT_HEADS]
        # A star marks what has no source, so that nobody takes it for somebody's rule.
        cells = [number(value) + ("*" if value.basis == "program default" and value.value else "") for value in values]
        rows.append([rule_set.name, *cells, rule_set.title])
    widths = [max(len(row[index]) for row in rows) for index in range(len(rows[0]))]
    for row in rows:
        cells = [row[0].ljust(widths[0]), *(row[index].rjust(widths[index]) for index in range(1, len(row) - 1))]
        yield "  ".join([*cells, row[-1]]).rstrip()
    yield ""
    yield "Least distances from a garden [m] and steepest ground under it [%]."
    yield "* program default: no source was found. - the run file has to say it."
    yield CAUTION


def _details(rule_set: RuleSet) -> Iterator[str]:
    """Yield the lines of one rule set."""
    yield f"{rule_set.name}: {rule_set.title}"
    yield ""
    for name, value in all_values(rule_set).items():
        reason = value.source.removeprefix(PROGRAM_DEFAULT).removeprefix(": ")
        yield f"{name:<26} {number(value):>6} {unit(name) if value.value is not None else '':<3} {value.basis}"
        yield from textwrap.wrap(
            reason,
            96,
            initial_indent="    ",
            subsequent_indent="    ",
            break_on_hyphens=False,
            break_long_words=False,
        )
    for note in rule_set.notes:
        yield ""
        yield from textwrap.wrap(f"Note: {note}", 100, break_on_hyphens=False)
    yield ""
    for basis in dict.fromkeys(value.basis for value in all_values(rule_set).values()):
        yield f"{basis}: {BASIS_MEANINGS[basis]}"
    yield CAUTION
