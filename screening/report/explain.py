"""One home in words: every intermediate number with its unit, how it came about, and the reason for it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from screening.columns import ALTERNATIVE_CODES, REASON_CODES, TIGHTEST_CODES
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.facts import Fact, Part, building_gap_m, garden_name, rows_of
from screening.report.garden_facts import garden_facts
from screening.report.place_facts import MERGED, lot_facts, merged_facts, roof_facts
from screening.report.quantities import Units, percent
from screening.report.rank_facts import flag_facts, rank_facts
from screening.report.recorded import recorded_params
from screening.report.source_facts import alternative_sources, home_sources
from screening.report.water_facts import cause_facts, kept_facts, rain_facts, soil_facts, volume_facts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.report.result_file import HomeResult

_WIDTH: Final = 110
_LABEL_WIDTH: Final = 22
_VALUE_WIDTH: Final = 26
# What the numbers of a home rest on, besides the parameters.
_OF_THE_RUN: Final = ("rain_", "runoff_", "soil.", "total_")


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
    units = Units(home.display_units)
    parts = _home_parts(home, units) if home.is_candidate else _other_parts(home, units)
    lines = [title(home), *textwrap.wrap(standing(home), _WIDTH)]
    if home.asked_for:
        lines.extend(textwrap.wrap(_stands_for(home), _WIDTH))
    lines.append("")
    for part in parts:
        if not part.facts:
            continue
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
    codes = [one["merge_code"] for one in home.merged if one["parcel_id"] == home.asked_for]
    _, what = MERGED[codes[0] if codes else "stack"]
    kept = home.row["parcel_id"]
    return f"Parcel {home.asked_for} {what} parcel {kept}: the result has one row for both, which follows."


def standing(home: HomeResult) -> str:
    """Say what the home is in the result, and that this is no permit."""
    what = f"Candidate, rank {home.row['rank']} of {home.n_candidates}." if home.is_candidate else "No candidate."
    return f"{what} {STANDING}"


def _home_parts(home: HomeResult, units: Units) -> tuple[Part, ...]:
    """Return all facts of a candidate, in the order in which the numbers follow from each other."""
    gardens = rows_of(home, "gardens")
    return (
        Part("Lot and house", tuple(lot_facts(home, units))),
        Part("Roof and downspouts", tuple(roof_facts(home, units))),
        Part("Rain and runoff", tuple(rain_facts(home, units))),
        Part("Soil", tuple(soil_facts(home, units))),
        *(
            Part(
                f"Garden {garden_name(garden)}",
                (*garden_facts(home, garden, units), *kept_facts(home, garden, units)),
            )
            for garden in gardens
        ),
        Part("Water a year", tuple(volume_facts(home, gardens, units))),
        Part("What may be otherwise", tuple(cause_facts(home, gardens, units))),
        Part("Rank", tuple(rank_facts(home, units))),
        Part("What to know", tuple(flag_facts(home))),
        Part("Where the numbers come from", tuple(home_sources(home, units))),
    )


def _other_parts(home: HomeResult, units: Units) -> tuple[Part, ...]:
    """Return the reason, the rule nearest to letting a garden fit, what else to look at, and the rules."""
    return (
        Part("Why not", tuple(_reason(home, units))),
        Part("Rules that held", tuple(_rules(home, units))),
        Part("Where the numbers come from", tuple(alternative_sources(home, units))),
    )


def _reason(home: HomeResult, units: Units) -> Iterator[Fact]:
    row = home.row
    yield Fact("reason", row["reason_code"], REASON_CODES[row["reason_code"]])
    yield Fact("in numbers", "", row["reason_text"])
    yield from merged_facts(home)
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
        volume = row["alternative_m3_y"]
        if volume is not None:
            how = f"of the roof's runoff in a mean year, every cause likely: {_alternative(home, alternative, units)}"
            yield Fact("that would divert", units.show(volume, "m3/y"), how)
    if home.n_same:
        yield Fact("same identifier", f"{home.n_same} more", "rows go by the same parcel_id; this is the first")


def _alternative(home: HomeResult, code: str, units: Units) -> str:
    """Say what the figure of an alternative was computed for."""
    params = recorded_params(home.parameters)
    if params is None:
        return ALTERNATIVE_CODES[code]
    barrel = params.barrel
    if code == "barrel":
        volume, roof = units.given(barrel.volume_l, "L"), units.given(barrel.roof_per_barrel_m2, "m2")
        after = f"{barrel.empty_after_h:g} h after water came in"
        return f"barrels of {volume} for every {roof} of roof begun below a downspout, emptied {after}"
    if code == "permeable_strip":
        depth = barrel.strip_base_mm * barrel.strip_void_frac
        return (
            f"a strip of up to {units.given(barrel.strip_area_m2, 'm2')} that takes the whole roof, with "
            f"{units.given(barrel.strip_base_mm, 'mm')} of stone x {percent(barrel.strip_void_frac)} voids = "
            f"{units.given(depth, 'mm')} of water below, soaking in at the soil's rate"
        )
    if code == "lawn_discharge":
        return (
            f"the whole roof led onto lawn of {percent(barrel.lawn_area_per_roof)} of its area, with "
            f"{units.given(barrel.lawn_storage_mm, 'mm')} of water in the grass, soaking in at the soil's rate"
        )
    return ALTERNATIVE_CODES[code]


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
        of every layer about it; ``run``, what the run record says of rain, runoff, soil and total; ``cautions``.
    """
    data: dict[str, Any] = {"home" if home.is_candidate else "parcel": dict(home.row)}
    if home.asked_for:
        data["asked_for"] = home.asked_for
    data |= {layer: rows_of(home, layer) for layer in home.layers}
    if home.merged:
        data["merged_parcels"] = [dict(one) for one in home.merged]
    run = {key: text for key, text in home.record.items() if key.startswith(_OF_THE_RUN)}
    return data | {"run": run, "cautions": list(CAUTIONS)}
