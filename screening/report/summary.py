"""What a run came to, in one screen of text or as plain data."""

from __future__ import annotations

import dataclasses
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from screening.columns import CAUSE_CODES, REASON_CODES
from screening.report.cautions import STANDING
from screening.report.quantities import Units, is_missing, percent, plain
from screening.report.recorded import town_soils, year_spans, years_used

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

_N_BEST: Final = 5
_WIDTH: Final = 110


def summary_data(summary: Any) -> dict[str, Any]:
    """Return the summary of a run as plain data, ready for JSON: names carry the units, null is None.

    Parameters
    ----------
    summary : RunSummary
        What the run gave back: a dataclass of numbers, texts, paths, mappings and sequences.
    """
    return {field.name: _plain(getattr(summary, field.name)) for field in dataclasses.fields(summary)}


def summary_text(summary: Any, record: Mapping[str, str], *, display_units: str = "metric") -> str:
    """Write the summary of a run for people.

    Parameters
    ----------
    summary : RunSummary
        What the run gave back.
    record : Mapping[str, str]
        The run record of its result: it says what rain and soil the volumes rest on.
    display_units : str
        ``"metric"`` or ``"us"``.

    Returns
    -------
    str
        Lines, without a final line break.
    """
    return "\n".join(_lines(summary_data(summary), record, Units(display_units)))


def _lines(data: Mapping[str, Any], record: Mapping[str, str], units: Units) -> Iterator[str]:
    read, candidates = data["n_parcels_read"], data["n_candidate_homes"]
    share = percent(candidates / read) if read else percent(None)
    homes, gardens = _counted(candidates, "candidate home"), _counted(data["n_gardens"], "garden")
    yield f"{homes} with {gardens}, of {read:,} parcels ({share})"
    yield f"{data['n_other_parcels']:,} other parcels"
    for code, count in sorted(data["reasons"].items(), key=lambda item: (-item[1], item[0])):
        yield f"  {count:>8,}  {code:<22} {REASON_CODES.get(code, '')}".rstrip()
    if data["n_parcels_merged"]:
        yield f"{data['n_parcels_merged']:,} parcels merged into the row of another"
    yield ""
    yield from _volumes(data, record, units)
    yield from _table("Best streets", data["best_streets"], ("street", "n_candidates"), units)
    yield from _table("Best homes", data["best_homes"], ("rank", "home_id", "address"), units)
    if data["notes"]:
        yield ""
        yield "Notes"
        for note in data["notes"]:
            yield from textwrap.wrap(note, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
    yield ""
    yield f"Time:   {data['seconds']:.1f} s"
    yield f"Result: {data['output']}"
    yield STANDING


def _volumes(data: Mapping[str, Any], record: Mapping[str, str], units: Units) -> Iterator[str]:
    """Tell the total, how far it may be off and why, and what it rests on."""
    low, high = data["diverted_low_m3_y"], data["diverted_high_m3_y"]
    kept = percent(data["diverted_m3_y"] / data["runoff_roof_m3_y"]) if data["runoff_roof_m3_y"] else percent(None)
    yield f"Diverted a year, likely: {units.rough(data['diverted_m3_y'], 'm3/y')}"
    yield f"  range, 10 to 90 %: {units.rough_span(low, high, 'm3/y')}"
    code, part = max(data["cause_frac"].items(), key=lambda item: item[1], default=("", 0.0))
    if part > 0.0:
        yield f"  unsure most of all: {CAUSE_CODES.get(code, code)} ({percent(part)} of the variance)"
    yield f"  of all that the candidates' roofs shed, {units.rough(data['runoff_roof_m3_y'], 'm3/y')}: {kept}"
    yield f"  rain: {_rain(record)}; soil: {_soil(record, units)}"


def _rain(record: Mapping[str, str]) -> str:
    """Say which rain the volumes rest on."""
    years = years_used(record)
    if not years:
        return "assumed storms, no record"
    return f"{record.get('input.rain.name', 'record')}, {_counted(len(years), 'year')} ({year_spans(years)})"


def _soil(record: Mapping[str, str], units: Units) -> str:
    """Say which soils the volumes rest on."""
    rates = {name: float(record[f"soil.{name}.rate_mm_h"]) for name in town_soils(record)}
    if not rates:
        return "not recorded"
    if len(rates) > 1:
        return f"{len(rates)} classes, {units.span(min(rates.values()), max(rates.values()), 'mm/h')}"
    ((name, rate),) = rates.items()
    shown = units.given(rate, "mm/h")
    return shown if shown == name else f"{name}, {shown}"


def _table(title: str, rows: Sequence[Mapping[str, Any]], names: Sequence[str], units: Units) -> Iterator[str]:
    """Set the first rows in columns: what they are, then the volume and its range."""
    if not rows:
        return
    yield ""
    yield title
    cells = [[_cell(row.get(name), name) for name in names] for row in rows[:_N_BEST]]
    widths = [max(len(line[index]) for line in cells) for index in range(len(names))]
    for line, row in zip(cells, rows, strict=False):
        shown = [
            text.rjust(width) if _is_number(row, name) else text.ljust(width)
            for text, width, name in zip(line, widths, names, strict=True)
        ]
        volume = units.rough(row.get("diverted_m3_y"), "m3/y")
        span = units.rough_span(row.get("diverted_low_m3_y"), row.get("diverted_high_m3_y"), "m3/y")
        yield f"  {'  '.join(shown)}  {volume:>14}" + (
            f"  ({span})" if row.get("diverted_low_m3_y") is not None else ""
        )


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")


def _cell(value: object, name: str) -> str:
    if is_missing(value):
        return ""
    return _counted(int(str(value)), "home") if name == "n_candidates" else str(value)


def _is_number(row: Mapping[str, Any], name: str) -> bool:
    return isinstance(row.get(name), int)


def _plain(value: Any) -> Any:
    """Turn what the summary holds into what JSON knows."""
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, str | bool):
        return value
    if hasattr(value, "items"):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return plain(value)
