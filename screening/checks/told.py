"""The report in words and as data."""

from __future__ import annotations

import shlex
import textwrap
from typing import TYPE_CHECKING, Any, Final

from screening.checks.words import count
from screening.columns import SEVERITIES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from screening.checks.finding import Finding
    from screening.checks.whole import Report

WIDTH: Final = 100
SHOWN_VALUES: Final = 8
PLACES_IN_DATA: Final = 20
NOTHING_TO_DO: Final = "Nothing to do"

_HEADS: Final = {"error": "ERRORS", "warning": "WARNINGS", "note": "NOTES"}


def report_data(report: Report, run_file: Path) -> dict[str, Any]:
    """Return the report as plain data, for JSON.

    Parameters
    ----------
    report : Report
    run_file : Path
        As the command was given it.
    """
    return {
        "run_file": str(run_file),
        "will_run": report.will_run,
        "counts": {severity: report.count(severity) for severity in SEVERITIES},
        "working_crs": report.working_crs or None,
        "n_parcels": report.n_parcels,
        "n_buildings": report.n_buildings,
        "elevation_cell_m": report.cell_m,
        "land_use": [{"value": name, "n": n, "is_eligible": wanted} for name, n, wanted in report.land_use],
        "building_types": [{"value": name, "n": n, "is_house": wanted} for name, n, wanted in report.building_kinds],
        "findings": [_finding_data(one) for one in report.findings],
    }


def _finding_data(one: Finding) -> dict[str, Any]:
    point = None
    if len(one.places_m):
        point = {
            "x_m": round(float(one.places_m[0, 0]), 2),
            "y_m": round(float(one.places_m[0, 1]), 2),
            "lon_deg": one.lon_deg,
            "lat_deg": one.lat_deg,
        }
    return {
        "code": one.code,
        "severity": one.severity,
        "role": one.role or None,
        "file": one.file or None,
        "layer": one.layer or None,
        "field": one.field_name or None,
        "n": one.n,
        "of": one.of,
        "ids": list(one.ids),
        "point": point,
        "places_m": [[round(float(x), 2), round(float(y), 2)] for x, y in one.places_m[:PLACES_IN_DATA]],
        "sentence": one.sentence,
        "effect": one.effect,
        "way_out": one.way_out,
    }


def report_text(report: Report, run_file: Path) -> str:
    """Return the report in words, the gravest first; the last line says whether a run will go.

    Parameters
    ----------
    report : Report
    run_file : Path
        As the command was given it.
    """
    lines = [f"{run_file}: {', '.join(count(report.count(one), one) for one in SEVERITIES)}"]
    about = _about(report)
    if about:
        lines.append(about)
    for severity, meaning in SEVERITIES.items():
        of_it = [one for one in report.findings if one.severity == severity]
        if of_it:
            lines += ["", *_wrapped(f"{_HEADS[severity]}: {meaning}", "")]
            lines += _block(of_it)
    lines += ["", *_values(report), _last(report, run_file)]
    return "\n".join(lines)


def _about(report: Report) -> str:
    """What was read, in one line."""
    said = []
    if report.n_parcels is not None:
        said.append(count(report.n_parcels, "parcel"))
    if report.n_buildings is not None:
        said.append(count(report.n_buildings, "building"))
    if report.cell_m is not None:
        said.append(f"elevation cells of {report.cell_m:.3g} m")
    if report.working_crs:
        said.append(report.working_crs)
    return "; ".join(said)


def _block(findings: list[Finding]) -> Iterator[str]:
    """Findings of one severity; those of one code stand together, with effect and way out once."""
    for code in dict.fromkeys(one.code for one in findings):
        same = [one for one in findings if one.code == code]
        yield f"  {code}"
        for one in same:
            yield from _wrapped(one.sentence + _where(one), "    ")
        first = same[0]
        if first.severity == "error" and first.is_told:
            continue
        said = f"{first.effect}"
        if not first.is_told and not first.way_out.startswith(NOTHING_TO_DO):
            said += f" {first.way_out}"
        yield from _wrapped(f"-> {said}", "    ")


def _where(one: Finding) -> str:
    """A few features and the place of the first, in brackets."""
    said = []
    if one.ids and one.n is not None:
        said.append(("such as " if one.n > len(one.ids) else "") + ", ".join(one.ids))
    if one.lat_deg is not None and one.lon_deg is not None:
        said.append(f"{'first at' if len(one.places_m) > 1 else 'at'} {one.lat_deg:.5f}, {one.lon_deg:.5f}")
    return f" ({'; '.join(said)})" if said else ""


def _values(report: Report) -> Iterator[str]:
    """Land uses and kinds of buildings with their counts; the run takes the marked ones."""
    for name, values in (("Land use of the parcels", report.land_use), ("Kinds of buildings", report.building_kinds)):
        if not values:
            continue
        all_wanted = all(wanted for *_, wanted in values)
        told = [f"{value} ({n:,}{' *' if wanted and not all_wanted else ''})" for value, n, wanted in values]
        more = f" and {len(told) - SHOWN_VALUES} others" if len(told) > SHOWN_VALUES else ""
        mark = "" if all_wanted else "; * counts for the run" if any(one[2] for one in values) else "; none counts"
        yield from _wrapped(f"{name}: {', '.join(told[:SHOWN_VALUES])}{more}{mark}.", "")
    if report.land_use or report.building_kinds:
        yield ""


def _last(report: Report, run_file: Path) -> str:
    """Whether the run will go, and the command."""
    file = shlex.quote(str(run_file))
    if report.will_run:
        look = " after a look at the warnings" if report.count("warning") else ""
        return f"The run will go{look}: screening run {file} -o candidates.gpkg"
    n = report.count("error")
    what = "the error" if n == 1 else f"the {n} errors"
    return f"The run will not go: mend {what}, then once more: screening check {file}"


def _wrapped(text: str, indent: str) -> list[str]:
    hang = indent + ("   " if text.startswith("-> ") else "")
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=hang, break_on_hyphens=False)
