"""Lists for publication: sums only, with small counts hidden so that no subtraction finds them.

What goes in is named here; whatever a layer or the record gains later stays out until somebody has thought about it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import pyarrow as pa

from screening.errors import InputError
from screening.report.list_kinds import CANDIDATE
from screening.report.small_counts import hide_small, is_small

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from screening.report.small_counts import Hidden

TOGETHER: Final = "(others together)"
"""Name of the row that stands for all hidden ones."""

HIDDEN: Final = "not shown: it is about fewer than 10 homes or would tell of a count under 10"
"""Why a figure is missing."""

# Gardens stay out: less the homes they would count the homes with two. So does the main cause, which a single
# home can decide.
_PLACE_COLUMNS: Final = (
    "n_candidates",
    "runoff_roof_m3_y",
    "diverted_m3_y",
    "diverted_low_m3_y",
    "diverted_high_m3_y",
    "length_m",
)
_OF_ALL_PARCELS: Final = "n_parcels_read"
_OF_CANDIDATES: Final = (
    "n_candidate_homes",
    "roof_area_m2",
    "garden_area_m2",
    "treated_roof_m2",
    "storage_m3",
    "runoff_roof_m3_y",
    "diverted_m3_y",
)
_CAUSES: Final = "cause_frac."

# Not the notes nor the counts of the inputs and outcomes: they count parcels, some of them few.
_RECORD_PREFIXES: Final = ("param.", "rain_", "soil.", "crs_")
_RECORD_SUFFIXES: Final = ("_version", "_version_vector", "_version_raster")
_RECORD_KEYS: Final = frozenset({"runoff_roof_mm_y", "elevation_cell_m", "bounds_m", "caution"})
_INPUT: Final = "input."
_INPUT_COUNT: Final = ".n_features"


PLACE_DIGITS: Final = 2
TOTAL_DIGITS: Final = 3
"""Digits of volumes, areas and lengths.  Exact sums could be matched with sums over the roofs on an open map, which
would tell which homes are in them; and an estimate carries no more digits.  How many is our own choice."""

_EXACT: Final = "parcels_frac"


class PublicLists(NamedTuple):
    """Lists as they may be published.

    Attributes
    ----------
    places : pyarrow.Table
        Streets, districts or squares with at least ten homes, then the rows for those without a place and for all
        hidden ones together.
    totals, reasons : pyarrow.Table
    """

    places: pa.Table
    totals: pa.Table
    reasons: pa.Table


def public_lists(places: pa.Table, totals: pa.Table, reasons: pa.Table) -> PublicLists:
    """Hide what a published copy must not show.

    Parameters
    ----------
    places : pyarrow.Table
        Streets, districts or squares, one of them only: where a district is made of whole streets but for a few homes,
        their difference tells of these. The first column names them.
    totals, reasons : pyarrow.Table
        Lists of the result of these names.

    Raises
    ------
    InputError
        The counts contradict each other.
    """
    counts = dict(zip(*(reasons[name].to_pylist() for name in ("outcome_code", "n_parcels")), strict=True))
    n_candidates = counts[CANDIDATE]
    shown_places, hides_sum = _places(places, n_candidates)
    hides_candidates = hides_sum or is_small(n_candidates)
    shown_reasons, hides_all = _reasons(reasons, counts, hides_candidates=hides_candidates)
    shown_totals = _totals(totals, hides_candidates=hides_candidates, hides_all=hides_all)
    return PublicLists(
        to_digits(shown_places, PLACE_DIGITS),
        to_digits(shown_totals, TOTAL_DIGITS),
        to_digits(shown_reasons, TOTAL_DIGITS),
    )


def to_digits(table: pa.Table, n_digits: int) -> pa.Table:
    """Round the numbers of a table that are no counts to so many digits.

    A part of all parcels stays: it follows from counts that are shown. So do the counts among the totals.
    """
    is_row_count = [False] * table.num_rows
    if "quantity" in table.column_names:
        is_row_count = [name.startswith("n_") for name in table["quantity"].to_pylist()]
    for place, field in enumerate(table.schema):
        if pa.types.is_floating(field.type) and field.name != _EXACT:
            values = [
                value if value is None or is_count else float(f"{value:.{n_digits}g}")
                for value, is_count in zip(table[field.name].to_pylist(), is_row_count, strict=True)
            ]
            table = table.set_column(place, field, pa.array(values, type=field.type))
    return table


def public_record(record: Mapping[str, str]) -> dict[str, str]:
    """Return what of the run record may be published: how the result was made, not what it counts."""
    return {
        key: value
        for key, value in record.items()
        if key in _RECORD_KEYS
        or key.startswith(_RECORD_PREFIXES)
        or key.endswith(_RECORD_SUFFIXES)
        or (key.startswith(_INPUT) and not key.endswith(_INPUT_COUNT))
    }


def _places(table: pa.Table, n_candidates: int) -> tuple[pa.Table, bool]:
    """Places with their homes, the hidden ones in one row; and whether their sum is hidden as well."""
    place = table.column_names[0]
    table = table.select([place, *(name for name in _PLACE_COLUMNS if name in table.column_names)])
    counts = table["n_candidates"].to_pylist()
    n_outside = n_candidates - sum(counts)
    if n_outside < 0:
        raise InputError(
            f"the {place}s of the result count {sum(counts)} homes, but it has {n_candidates}: the file was changed "
            "since the run, so run again"
        )
    outside = f"(no {place})"
    names = table[place].to_pylist()
    by_name = {**dict(zip(names, counts, strict=True)), outside: n_outside}
    hidden = hide_small(by_name)
    rows = []
    if n_outside and outside not in hidden.names:
        rows.append({place: outside, "n_candidates": n_outside})
    if hidden.names and not hidden.total:
        rows.append({place: TOGETHER, "n_candidates": _sum(by_name, hidden)})
    # those without homes stay out too: see `hide_small`
    is_shown = [count > 0 and name not in hidden.names for name, count in zip(names, counts, strict=True)]
    return _with_rows(_shown(table, is_shown), rows), hidden.total


def _reasons(table: pa.Table, counts: Mapping[str, int], *, hides_candidates: bool) -> tuple[pa.Table, bool]:
    """Outcomes with their parcels, the hidden ones in one row; and whether the sum of all is hidden as well."""
    candidates = [CANDIDATE] if counts[CANDIDATE] else []
    hide, shown_elsewhere = (candidates, []) if hides_candidates else ([], candidates)
    hidden = hide_small(counts, hide=hide, shown_elsewhere=shown_elsewhere)
    shown = _shown(table, [count > 0 and code not in hidden.names for code, count in counts.items()])
    if hidden.total:
        # a part of the whole tells of the whole
        return _with_nulls(shown, "parcels_frac"), True
    if not hidden.names:
        return shown, False
    together = _sum(counts, hidden)
    row = {
        "outcome_code": TOGETHER,
        "meaning": "every other outcome",
        "n_parcels": together,
        "parcels_frac": together / sum(counts.values()),
    }
    return _with_rows(shown, [row]), False


def _totals(table: pa.Table, *, hides_candidates: bool, hides_all: bool) -> pa.Table:
    """Figures for the whole, without those that few homes could be read from."""
    rows = []
    for row in table.to_pylist():
        name = row["quantity"]
        if name != _OF_ALL_PARCELS and name not in _OF_CANDIDATES and not name.startswith(_CAUSES):
            continue
        if hides_all if name == _OF_ALL_PARCELS else hides_candidates:
            row |= {"low": None, "value": None, "high": None, "meaning": f"{row['meaning']} ({HIDDEN})"}
        rows.append(row)
    return pa.Table.from_pylist(rows, schema=table.schema)


def _sum(counts: Mapping[str, int], hidden: Hidden) -> int:
    return sum(count for name, count in counts.items() if name in hidden.names)


def _shown(table: pa.Table, mask: Iterable[bool]) -> pa.Table:
    return table.filter(pa.array(mask, type=pa.bool_()))


def _with_rows(table: pa.Table, rows: list[dict[str, object]]) -> pa.Table:
    return pa.concat_tables([table, pa.Table.from_pylist(rows, schema=table.schema)]) if rows else table


def _with_nulls(table: pa.Table, name: str) -> pa.Table:
    place = table.schema.get_field_index(name)
    field = table.schema.field(name)
    return table.set_column(place, field, pa.nulls(table.num_rows, field.type))
