"""A comparison in words, as a list of homes, and as plain data."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
import pyarrow as pa

from screening.comparison.compare import CHANGE_CODES, FACTORS, GAINED, LOST, STAYED, TOLD
from screening.comparison.differences import KINDS
from screening.comparison.runs import MERGED, NOT_THERE
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.lists import FOR_STAFF
from screening.report.quantities import Units
from screening.report.season_text import counted, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from screening.comparison.compare import CauseRow, Comparison

_WIDTH: Final = 110
_MOST: Final = 5

_TOLD_WORDS: Final[Mapping[str, str]] = {
    "roof_area_m2": "roof",
    "treated_roof_m2": "roof that drains to gardens",
    "n_gardens": "gardens",
    "garden_area_m2": "garden area",
    "depth_mm": "depth",
    "soil_rate_mm_h": "soil rate",
    "runoff_mm_y": "runoff of a roof",
    "open_area_m2": "open ground",
    "confidence_frac": "confidence",
}
_CAUSE_WORDS: Final[Mapping[str, str]] = {
    "lost": "homes lost",
    "gained": "homes gained",
    "roof": "roof that drains to gardens",
    "rain": "rain on the roofs",
    "kept": "part that gardens keep",
    "middle": "middle of the draws",
    "sum_middle": "middle of the sum",
}


def comparison_text(comparison: Comparison, *, display_units: str, is_everything: bool = False) -> str:
    """Write a comparison for people.

    Parameters
    ----------
    comparison : Comparison
    display_units : str
        ``"metric"`` or ``"us"``.
    is_everything : bool
        Whether every home that changed is listed, not only the first of each kind.
    """
    units = Units(display_units)
    most = None if is_everything else _MOST
    lines = [
        *_head(comparison),
        *_why(comparison),
        *_total(comparison, units),
        *_one_sided(comparison, LOST, "Homes lost, the largest volume first", units, most),
        *_one_sided(comparison, GAINED, "Homes gained, the largest volume first", units, most),
        *_moves(comparison, units, most),
        STANDING,
        FOR_STAFF,
    ]
    return "\n".join(lines)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=rest)


def _head(comparison: Comparison) -> Iterator[str]:
    yield f"First:  {comparison.first.path}"
    yield f"Second: {comparison.second.path}"
    yield ""
    n = [len(run.homes) for run in (comparison.first, comparison.second)]
    yield (
        f"Candidate homes: {n[0]:,} -> {n[1]:,}; {comparison.count(LOST):,} lost, {comparison.count(GAINED):,} gained, "
        f"{comparison.count(STAYED):,} in both"
    )
    yield ""


def _why(comparison: Comparison) -> Iterator[str]:
    """What differs between the runs, and what that can tell."""
    found = comparison.differences
    yield "What differs between the runs"
    for one in found:
        text = f"{KINDS[one.kind]} {one.name}: {one.before} -> {one.after}"
        yield from _wrapped(one_line(text), "  - ", "    ")
    yield from _wrapped(why_text(comparison), "  ", "  ")
    yield ""


def why_text(comparison: Comparison) -> str:
    """Say in a sentence or two what the differences between the runs tell of their outcomes."""
    found = comparison.differences
    if not found and comparison.is_same:
        return "Nothing: the same files, parameters and versions, and the same homes."
    if not found:
        return (
            "Nothing in their records, but their homes differ: one of the files was changed since its run, so run "
            "again."
        )
    if comparison.is_same:
        return "None of this changed a number of any home."
    if len(found) == 1:
        return "Only this differs in their records, so all that follows comes from it."
    return (
        f"{len(found)} things differ. What follows tells how homes changed, not which of these did it: that needs a "
        "run with one of them changed and the others kept."
    )


def _signed(value: float, units: Units) -> str:
    if value == 0.0:
        return "no change"
    return f"{'+' if value >= 0.0 else '-'}{units.rough(abs(value), 'm3/y')}"


def _total(comparison: Comparison, units: Units) -> Iterator[str]:
    before, after = comparison.total
    what = "Diverted a year, likely" if comparison.has_own_total else "Diverted a year, sum of the homes"
    yield f"{what}: {units.rough(before, 'm3/y')} -> {units.rough(after, 'm3/y')}, {_signed(after - before, units)}"
    ranges = []
    for run in (comparison.first, comparison.second):
        low, high = run.total("_low"), run.total("_high")
        if low is not None and high is not None:
            ranges.append(units.rough_span(low, high, "m3/y"))
    if len(ranges) == 2:
        yield f"  ranges: {ranges[0]}; then {ranges[1]}"
    if comparison.is_same and before == after:
        yield ""
        return
    width = max(len(_CAUSE_WORDS.get(row.cause, row.words)) + 2 * row.level for row in comparison.causes)
    for row in comparison.causes:
        if not row.change_m3_y and not row.n_homes:
            continue
        yield from _cause_line(row, width, units)
    yield f"  {'together':<{width}}  {_signed(after - before, units):>16}"
    yield from _wrapped(
        "The parts add up to the change. Homes that stayed are split by Shapley's value over roof x runoff x part kept "
        "x middle of the draws (docs/method/comparison.md).",
        "  ",
        "  ",
    )
    yield ""


def _cause_line(row: CauseRow, width: int, units: Units) -> Iterator[str]:
    name = f"{'  ' * row.level}{_CAUSE_WORDS.get(row.cause, row.words)}"
    homes = "" if row.n_homes is None else counted(row.n_homes, "home")
    yield f"  {name:<{width}}  {_signed(row.change_m3_y, units):>16}  {homes}".rstrip()


def _name(home_id: object, home: Any) -> str:
    address = one_line(home["address"]) if isinstance(home["address"], str) else "(no address)"
    return f"{address}, home {one_line(str(home_id))}"


def _one_sided(comparison: Comparison, code: str, title: str, units: Units, most: int | None) -> Iterator[str]:
    part = comparison.homes[comparison.homes["change_code"] == code]
    if part.empty:
        return
    part = part.sort_values("change_m3_y", key=lambda values: -values.abs(), kind="stable")
    side = "before" if code == LOST else "after"
    other = "now" if code == LOST else "before"
    yield title
    for home_id, home in part.head(len(part) if most is None else most).iterrows():
        yield f"  {_name(home_id, home)}: rank {home[f'rank_{side}']:.0f}, {units.rough(home[f'{side}_m3_y'], 'm3/y')}"
        yield from _wrapped(f"{other} {home['reason_code']}: {one_line(home['reason_text'])}", "      ", "      ")
    yield from _more(len(part), most)
    yield ""


def _more(n_rows: int, most: int | None) -> Iterator[str]:
    if most is not None and n_rows > most:
        yield f"  and {counted(n_rows - most, 'home')} more: --all lists them, so does -o"


def _moves(comparison: Comparison, units: Units, most: int | None) -> Iterator[str]:
    stayed = comparison.homes[comparison.homes["change_code"] == STAYED]
    changed = stayed[stayed["is_changed"]]
    if changed.empty:
        return
    by_itself, by_others = (changed[f"rank_by_{name}"] for name in ("itself", "others"))
    n_own, n_others = int((by_itself != 0).sum()), int(((by_itself == 0) & (by_others != 0)).sum())
    yield (
        f"Homes in both: {counted(len(changed), 'home')} of {len(stayed):,} changed; {n_own:,} moved in rank by their "
        f"own numbers, {n_others:,} only because others did"
    )
    far = (changed["rank_after"] - changed["rank_before"]).abs()
    order = pd.DataFrame({"far": -far, "water": -changed["change_m3_y"].abs()})
    changed = changed.loc[order.sort_values(["far", "water"], kind="stable").index]
    for home_id, home in changed.head(len(changed) if most is None else most).iterrows():
        yield (
            f"  {_name(home_id, home)}: rank {home['rank_before']:.0f} -> {home['rank_after']:.0f} (by itself "
            f"{home['rank_by_itself']:+.0f}, by others {home['rank_by_others']:+.0f}), "
            f"{_signed(home['change_m3_y'], units)}"
        )
        yield from _wrapped(changed_text(home, units), "      ", "      ")
    yield from _more(len(changed), most)
    yield ""


def changed_text(home: Any, units: Units) -> str:
    """Say which numbers of a home changed; "" for none."""
    parts = []
    for name, unit in TOLD.items():
        before, after = home[f"{name}_before"], home[f"{name}_after"]
        if before is None or after is None or math.isclose(before, after, rel_tol=1e-9) or before != before:  # noqa: PLR0124 - not a number
            continue
        decimals = 0 if name == "n_gardens" else None
        shown = [units.show(value, unit, decimals=decimals) for value in (before, after)]
        parts.append(f"{_TOLD_WORDS[name]} {shown[0]} -> {shown[1]}")
    return "; ".join(parts) or "only how the draws fall"


def comparison_about() -> tuple[str, ...]:
    """Return what somebody should know who has only the list."""
    return (FOR_STAFF, STANDING, *CAUTIONS)


def comparison_tables(comparison: Comparison) -> dict[str, pa.Table]:
    """Return the lists: homes, causes of the change, differences of the runs; in the units of the layers."""
    causes = [row._asdict() for row in comparison.causes]
    found = [one._asdict() for one in comparison.differences]
    return {
        "homes": _table(_home_rows(comparison), _HOME_FIELDS, 2),
        "causes": _table(causes, _CAUSE_FIELDS, 1),
        "differences": _table(found, _DIFFERENCE_FIELDS, 2),
    }


_CHANGE: Final = "change of the likely volume"
_HOME_FIELDS: Final = (
    ("change_code", pa.string(), "", "; ".join(f"{code}: {text}" for code, text in CHANGE_CODES.items())),
    ("home_id", pa.string(), "", "identifier of the home"),
    ("parcel_id", pa.string(), "", "identifier of the parcel in the input"),
    ("address", pa.string(), "", "address of the parcel in the input"),
    ("street", pa.string(), "", "street the home is counted to"),
    (
        "reason_code",
        pa.string(),
        "",
        f"why it is no candidate in the other run: a code of other_parcels, {MERGED} or {NOT_THERE}",
    ),
    ("reason_text", pa.string(), "", "the same in words, with the numbers of this parcel"),
    ("rank_before", pa.int64(), "", "rank in the first run"),
    ("rank_after", pa.int64(), "", "rank in the second run"),
    ("rank_by_itself", pa.int64(), "", "ranks it would have moved in the first run with its numbers of the second"),
    ("rank_by_others", pa.int64(), "", "the rest of the way, because others changed, came or went"),
    ("before_m3_y", pa.float64(), "m3/y", "likely volume in the first run"),
    ("after_m3_y", pa.float64(), "m3/y", "likely volume in the second run"),
    ("change_m3_y", pa.float64(), "m3/y", _CHANGE),
    *((name, pa.float64(), "m3/y", f"part of that change: {words}") for name, words in FACTORS.items()),
    ("kept_by", pa.string(), "", "which numbers changed of those that the part kept hangs on"),
    ("changed", pa.string(), "", "the numbers of the home that changed, in words"),
)
_CAUSE_FIELDS: Final = (
    ("cause", pa.string(), "", "cause of the change; with a dot: a part of the row above"),
    ("words", pa.string(), "", "what it is"),
    ("n_homes", pa.int64(), "", "homes it concerns; null: it concerns the sum"),
    ("change_m3_y", pa.float64(), "m3/y", f"{_CHANGE} of all candidates; rows of level 0 add up to it"),
    ("level", pa.int64(), "", "0: adds up to the change; 1: a part of the row above"),
)
_DIFFERENCE_FIELDS: Final = (
    ("kind", pa.string(), "", "input, parameter, version, library or part of the town"),
    ("name", pa.string(), "", "which one"),
    ("before", pa.string(), "", "in the first run"),
    ("after", pa.string(), "", "in the second run"),
)


def _home_rows(comparison: Comparison) -> list[dict[str, Any]]:
    units = Units("metric")
    frame = comparison.homes.sort_values(["change_m3_y"], key=lambda values: -values.abs(), kind="stable")
    rows = []
    for home_id, home in frame.iterrows():
        row = {name: _plain(home.get(name)) for name, *_ in _HOME_FIELDS}
        row["home_id"] = str(home_id)
        row["changed"] = changed_text(home, units) if home["change_code"] == STAYED and home["is_changed"] else None
        rows.append(row)
    return rows


def _plain(value: Any) -> Any:
    return None if value is None or value != value or value == "" else value  # noqa: PLR0124 - not a number


def _table(rows: list[dict[str, Any]], fields: Any, n_fixed: int) -> pa.Table:
    schema = pa.schema(
        [pa.field(name, kind, metadata={"unit": unit, "meaning": text}) for name, kind, unit, text in fields],
        metadata={"n_fixed": str(n_fixed)},
    )
    whole = {name for name, kind, _, _ in fields if pa.types.is_integer(kind)}
    made = [
        {name: int(row[name]) if name in whole and row[name] is not None else row[name] for name in schema.names}
        for row in rows
    ]
    return pa.Table.from_pylist(made, schema=schema)


def comparison_record(comparison: Comparison) -> dict[str, str]:
    """Return both run records, their keys told apart."""
    found = {"first.file": comparison.first.path.name, "second.file": comparison.second.path.name}
    for side, run in (("first", comparison.first), ("second", comparison.second)):
        found |= {f"{side}.{key}": text for key, text in run.record.items()}
    return found


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """Return the comparison as plain data, ready for JSON, in the units of the layers."""
    before, after = comparison.total
    return {
        "about": list(comparison_about()),
        "first": str(comparison.first.path),
        "second": str(comparison.second.path),
        "is_same": comparison.is_same,
        "why": why_text(comparison),
        "n_homes": {code: comparison.count(code) for code in CHANGE_CODES},
        "total": {"before_m3_y": before, "after_m3_y": after, "change_m3_y": after - before},
        **{name: table.to_pylist() for name, table in comparison_tables(comparison).items()},
    }
