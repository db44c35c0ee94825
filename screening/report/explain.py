"""One home in words: every intermediate number with its unit, how it came about, and the reason for it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from screening.columns import ALTERNATIVE_CODES, REASON_CODES, TIGHTEST_CODES
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.facts import Fact, Part, building_gap_m, home_parts, rows_of
from screening.report.quantities import Units

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.report.result_file import HomeResult

_WIDTH: Final = 110
_LABEL_WIDTH: Final = 22
_VALUE_WIDTH: Final = 26
_N_NAMES: Final = 20


def explain_text(home: HomeResult) -> str:
    """Explain a home or another parcel.

    Parameters
    ----------
    home : HomeResult
        From `read_home`.

    Returns
    -------
    str
        Lines of at most 110 characters, without a final line break.
    """
    units = Units(home.parameters.get("output.display_units", "metric"))
    parts = home_parts(home, units) if home.is_candidate else _other_parts(home, units)
    lines = [title(home), standing(home)]
    if home.asked_for:
        lines.extend(textwrap.wrap(_stands_for(home), _WIDTH))
    lines.append("")
    for part in parts:
        lines.append(part.title)
        for fact in part.facts:
            lines.extend(_fact_lines(fact))
        lines.append("")
    lines.append("Cautions")
    for caution in CAUTIONS:
        lines.extend(textwrap.wrap(caution, _WIDTH, initial_indent="  - ", subsequent_indent="    "))
    return "\n".join(lines)


def title(home: HomeResult) -> str:
    """Name home, parcel and address in one line."""
    row = home.row
    names = []
    if row["home_id"]:
        names.append(f"Home {row['home_id']}")
    if row["parcel_id"] and row["parcel_id"] != row["home_id"]:
        names.append(f"parcel {row['parcel_id']}" if names else f"Parcel {row['parcel_id']}")
    if row["address"]:
        names.append(str(row["address"]))
    return " · ".join(names) or "Parcel without identifier"


def _stands_for(home: HomeResult) -> str:
    """Say why another parcel than the one asked for is shown."""
    return (
        f"Parcel {home.asked_for} has the same outline as parcel {home.row['parcel_id']}: the result has one row for "
        "both, which follows."
    )


def standing(home: HomeResult) -> str:
    """Say what the home is in the result, and that this is no permit."""
    what = f"Candidate, rank {home.row['rank']} of {home.n_candidates}." if home.is_candidate else "No candidate."
    return f"{what} {STANDING}"


def _other_parts(home: HomeResult, units: Units) -> tuple[Part, ...]:
    """Return the reason, the rule nearest to letting a garden fit, what else to look at, and the rules."""
    return (
        Part("Why not", tuple(_reason(home, units))),
        Part("Rules that held", tuple(_rules(home, units))),
    )


def _reason(home: HomeResult, units: Units) -> Iterator[Fact]:
    row = home.row
    yield Fact("reason", row["reason_code"], REASON_CODES[row["reason_code"]])
    yield Fact("in numbers", "", row["reason_text"])
    if home.merged:
        names = [str(one["parcel_id"]) if one["parcel_id"] else "one without identifier" for one in home.merged]
        more = "" if len(names) <= _N_NAMES else f" and {len(names) - _N_NAMES} more"
        how = f"this row stands for them too: {', '.join(names[:_N_NAMES])}{more}"
        yield Fact("same outline", f"{len(names)} other parcel{'s' if len(names) > 1 else ''}", how)
    yield Fact("lot", units.show(row["area_m2"], "m2"), "plan area of the parcel")
    rule, margin = row["tightest_rule_code"], row["tightest_margin_m"]
    if rule is None:
        yield Fact("tightest rule", "none", "no single rule, relaxed alone, would let a garden fit, or none was tried")
    else:
        give = f"; it would have to give {units.show(margin, 'm')}" if margin is not None else ""
        yield Fact("tightest rule", rule, f"{TIGHTEST_CODES[rule]}: relaxed alone it would let a garden fit{give}")
    alternative = row["alternative_code"]
    if alternative is not None:
        yield Fact("look instead at", alternative, ALTERNATIVE_CODES[alternative])
    if home.n_same:
        yield Fact("same identifier", f"{home.n_same} more", "rows go by the same parcel_id; this is the first")


def _rules(home: HomeResult, units: Units) -> Iterator[Fact]:
    rule_set = home.parameters.get("rules.base", "")
    rows: tuple[tuple[str, float | None, str, str], ...] = (
        ("to buildings", building_gap_m(home), "m", "at least"),
        ("to the lot line", home.parameter("rules.lot_line_m"), "m", "at least"),
        ("slope", home.parameter("rules.max_slope_pct"), "%", "at most, anywhere under the garden"),
        ("garden", home.parameter("rules.min_garden_area_m2"), "m2", "at least"),
        ("width", home.parameter("rules.min_garden_width_m"), "m", "at least"),
        ("run", home.parameter("rules.max_run_m"), "m", "at most, from downspout to garden"),
        ("fall", home.parameter("rules.min_fall_pct"), "%", "at least, over the run"),
    )
    yield Fact("rule set", rule_set, "values below may be overridden by the run file")
    for label, value, unit, how in rows:
        yield Fact(label, units.limit(value, unit), how)


def _fact_lines(fact: Fact) -> list[str]:
    """Set a fact in three columns; what is too long for its column goes on below."""
    start = f"  {fact.label:<{_LABEL_WIDTH}}"
    indent = " " * (2 + _LABEL_WIDTH)
    if not fact.how:
        return textwrap.wrap(f"{start} {fact.value}", _WIDTH, subsequent_indent=indent + " ", drop_whitespace=True)
    how_indent = indent + " " + " " * (_VALUE_WIDTH + 1)
    how = textwrap.wrap(fact.how, _WIDTH - len(how_indent), break_on_hyphens=False)
    if len(fact.value) > _VALUE_WIDTH:
        return [f"{start} {fact.value}".rstrip(), *(how_indent + line for line in how)]
    first, *rest = how
    return [f"{start} {fact.value:<{_VALUE_WIDTH}} {first}".rstrip(), *(how_indent + line for line in rest)]


def explain_data(home: HomeResult) -> dict[str, Any]:
    """Return the recorded numbers behind the explanation, metric, as plain data.

    Parameters
    ----------
    home : HomeResult
        From `read_home`.

    Returns
    -------
    dict
        ``home`` or ``parcel``: its row; ``asked_for`` where the row stands for the parcel of that name; then the rows
        of every layer about it; ``cautions``.
    """
    data: dict[str, Any] = {"home" if home.is_candidate else "parcel": dict(home.row)}
    if home.asked_for:
        data["asked_for"] = home.asked_for
    data |= {layer: rows_of(home, layer) for layer in home.layers}
    if home.merged:
        data["merged_parcels"] = [dict(one) for one in home.merged]
    return data | {"cautions": list(CAUTIONS)}
