"""What an explanation is made of: facts under headings, and the rows of the result that they are read from.

A formula is shown only where it gives the recorded number again; where it does not, both are shown, so that the text
never explains a number by something else than what made it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening.report.quantities import plain

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.report.result_file import HomeResult

# Recorded numbers are rounded for the file; a formula on rounded numbers may differ by this part.
_AGREE_FRAC: Final = 5e-3


@dataclass(frozen=True, slots=True)
class Fact:
    """One line: what, how much, and how that came about."""

    label: str
    value: str
    how: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """Facts under one heading."""

    title: str
    facts: tuple[Fact, ...]


def garden_name(garden: Mapping[str, Any]) -> str:
    """Return the short name of a garden within its home."""
    return short_name(garden["garden_id"], garden["home_id"])


def short_name(identifier: str, home_id: str) -> str:
    """Return the part of an identifier that follows the home's."""
    rest = identifier.removeprefix(home_id).lstrip("-_:/. ")
    return rest or identifier


def rows_of(home: HomeResult, layer: str) -> list[dict[str, Any]]:
    """Return the rows of a layer as plain values, null as None; downspouts as one counts, d2 before d10."""
    frame = home.layers.get(layer)
    if frame is None:
        return []
    rows = frame.drop(columns="geometry").astype(object).to_dict("records")
    plain_rows = [{key: plain(value) for key, value in row.items()} for row in rows]
    return sorted(plain_rows, key=lambda row: _counted(str(row.get("downspout_id", ""))))


def _counted(identifier: str) -> tuple[str, int]:
    """A key that puts the number at the end of an identifier in the order of counting."""
    number = re.search(r"\d*$", identifier)
    digits = number.group() if number else ""
    return identifier.removesuffix(digits), int(digits or 0)


def formula_text(formula: str, computed: float | None, recorded: float | None, shown: str) -> str:
    """Give a formula, and say so where it doesn't give the recorded number."""
    if computed is None or recorded is None:
        return formula
    if abs(computed - recorded) <= _AGREE_FRAC * max(abs(computed), abs(recorded)) + 5e-4:
        return formula
    return f"as recorded; {formula} would give {shown}"


def building_gap_m(home: HomeResult) -> float | None:
    """Return the distance to building outlines that was in force [m]; walls lie inside them by the overhang."""
    without = home.parameters.get("rules.basement") == "no"
    distance_m = home.parameter("rules.foundation_no_basement_m" if without else "rules.foundation_m")
    if distance_m is None:
        return None
    return max(0.0, distance_m - (home.parameter("roof.overhang_m") or 0.0))


def keep_away_rules(home: HomeResult) -> list[tuple[str, float | None]]:
    """Return the kinds of keep-away layers of the run and the distance kept to each [m]."""
    found = []
    for entry in filter(None, home.parameters.get("inputs.keep_away", "").split(";")):
        kind, distance, *_ = [*entry.split(","), ""]
        found.append((kind, float(distance) if distance else home.parameter(f"rules.{kind}_m")))
    return found


def flag_codes(row: Mapping[str, Any]) -> list[str]:
    """Return the codes in the column `flags`."""
    return [code for code in (row["flags"] or "").split(";") if code]
