"""Figures for a whole result: its totals, and what became of its parcels, as Arrow tables."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Final

import pyarrow as pa
import pyarrow.compute as pc

from screening import columns
from screening.errors import InputError
from screening.report.list_kinds import CANDIDATE, MERGED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from screening.report.result_layers import ResultLayers

logger = logging.getLogger(__name__)

_DIVERTED: Final = "diverted_m3_y"

NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "candidate_homes": ("home_id", "street", "n_gardens", _DIVERTED),
    "gardens": ("garden_id", "home_id"),
    "streets": ("street", "n_candidates", _DIVERTED),
    "districts": ("district", "n_candidates", _DIVERTED),
    "other_parcels": ("parcel_id", "reason_code"),
}
"""Columns without which no list of a layer can be made."""

# Columns whose sums over the candidates are totals. The volume diverted is none: its low, likely and high are
# computed for the total itself, and stand in the run record.
_SUMMED: Final = (
    ("candidate_homes", "roof_area_m2", "plan area of the candidates' roofs that count"),
    ("candidate_homes", "garden_area_m2", "area of all proposed gardens"),
    ("candidate_homes", "treated_roof_m2", "plan area of roof that drains to them"),
    ("candidate_homes", "storage_m3", "water they hold when full"),
    ("candidate_homes", "runoff_roof_m3_y", "water that runs off the candidates' roofs in a mean year"),
    ("other_parcels", "alternative_m3_y", "what the alternatives at other homes would divert in a mean year"),
)
_CAUSE: Final = "total_cause_frac."

_COUNTED: Final = {
    "n_parcels_read": "parcels in the input",
    "n_candidate_homes": "candidate homes",
    "n_other_parcels": "other parcels, each with a reason",
    "n_parcels_merged": "parcels that count with another: same outline, unit on common ground, linked lot",
    "n_gardens": "proposed gardens",
}

_OUTCOMES: Final[Mapping[str, str]] = {
    CANDIDATE: "a garden fits that keeps every rule of the run",
    **columns.REASON_CODES,
    MERGED: "counts with another parcel: same outline, unit on common ground, linked lot",
}


def _made_field(name: str, kind: pa.DataType, meaning: str, unit: str = "") -> pa.Field:
    return pa.field(name, kind, metadata={"unit": unit, "meaning": meaning})


def counted_parcels(result: ResultLayers) -> dict[str, int]:
    """Count the parcels of a result by outcome: candidates first, then the reasons, most first, last the merged ones.

    Raises
    ------
    InputError
        The run record doesn't say how many parcels were merged.
    """
    counts = {CANDIDATE: result.table("candidate_homes", needs=NEEDS["candidate_homes"]).num_rows}
    reasons = pc.value_counts(result.table("other_parcels", needs=NEEDS["other_parcels"])["reason_code"]).to_pylist()
    for row in sorted(reasons, key=lambda row: (-row["counts"], str(row["values"]))):
        counts[str(row["values"])] = row["counts"]
    counts[MERGED] = n_merged = _recorded(result, "n_parcels_merged")
    if not n_merged:
        del counts[MERGED]
    return counts


def warn_of_missing_rows(result: ResultLayers) -> None:
    """Warn where rows were added to the result or taken away since the run."""
    n_counted, n_read = sum(counted_parcels(result).values()), _recorded(result, "n_parcels_read")
    if n_counted != n_read:
        logger.warning(
            "the rows of %s don't add up: %d parcels are there or were merged, %d were read; the file was changed "
            "since the run",
            result.path.name,
            n_counted,
            n_read,
        )


def _recorded(result: ResultLayers, key: str) -> int:
    try:
        return int(result.record[key])
    except (KeyError, ValueError) as error:
        raise InputError(f"the run record of '{result.path}' doesn't say {key}: run again") from error


def count_outcomes(result: ResultLayers) -> pa.Table:
    """Every outcome with its count; together all parcels that were read."""
    counts = counted_parcels(result)
    n_all = sum(counts.values())
    schema = pa.schema(
        [
            _made_field("outcome_code", pa.string(), "what became of the parcel"),
            _made_field("meaning", pa.string(), "the same in words"),
            _made_field("n_parcels", pa.int64(), "parcels of the input"),
            _made_field("parcels_frac", pa.float64(), "that count over the sum of all rows"),
        ]
    )
    rows = {
        "outcome_code": list(counts),
        "meaning": [_OUTCOMES.get(code, "") for code in counts],
        "n_parcels": list(counts.values()),
        "parcels_frac": [count / n_all if n_all else None for count in counts.values()],
    }
    return pa.table(rows, schema=schema)


def sum_up(result: ResultLayers) -> pa.Table:
    """Counts and sums of the whole result, one row each with its unit."""
    rows = list(_total_rows(result))
    schema = pa.schema(
        [
            _made_field("quantity", pa.string(), "what is counted or summed"),
            _made_field("low", pa.float64(), "low estimate: in one of ten draws it is less; null: no range"),
            _made_field("value", pa.float64(), "the count or sum; where there is a range, the likely value"),
            _made_field("high", pa.float64(), "high estimate: in one of ten draws it is more; null: no range"),
            _made_field("unit", pa.string(), "unit of low, value and high; null: a count or a fraction"),
            _made_field("meaning", pa.string(), "what it is"),
        ]
    )
    return pa.Table.from_pylist([dict(zip(schema.names, row, strict=True)) for row in rows], schema=schema)


def _total_rows(result: ResultLayers) -> Iterator[tuple[str, float | None, float | None, float | None, str, str]]:
    homes = result.table("candidate_homes", needs=NEEDS["candidate_homes"])
    counts = counted_parcels(result)
    n_merged = counts.get(MERGED, 0)
    found = {
        "n_parcels_read": _recorded(result, "n_parcels_read"),
        "n_candidate_homes": counts[CANDIDATE],
        "n_other_parcels": sum(counts.values()) - counts[CANDIDATE] - n_merged,
        "n_parcels_merged": n_merged,
        "n_gardens": result.table("gardens", needs=NEEDS["gardens"]).num_rows,
    }
    for name, meaning in _COUNTED.items():
        yield name, None, found[name], None, "", meaning
    layers = {"candidate_homes": homes, "other_parcels": result.table("other_parcels")}
    for layer, name, meaning in _SUMMED:
        if name in layers[layer].column_names:
            yield name, None, _sum(layers[layer][name]), None, result.entry(layer, name).unit, meaning
    unit = result.entry("candidate_homes", _DIVERTED).unit
    meaning = "roof water a year that no longer runs off"
    if f"total_{_DIVERTED}" in result.record:
        low, likely, high = (_number(result, f"total_diverted{part}_m3_y") for part in ("_low", "", "_high"))
        yield _DIVERTED, low, likely, high, unit, f"{meaning}, all candidates"
    else:
        # the lows of the homes don't add up to the low of their sum, so there is no range
        yield _DIVERTED, None, _sum(homes[_DIVERTED]), None, unit, f"{meaning}, all candidates: sum of the homes"
    causes = {key.removeprefix(_CAUSE): _number(result, key) for key in result.record if key.startswith(_CAUSE)}
    for cause, part in sorted(causes.items(), key=lambda item: (-(item[1] or 0.0), item[0])):
        words = columns.CAUSE_CODES.get(cause, cause)
        yield f"cause_frac.{cause}", None, part, None, "", f"part of that range due to: {words}"


def _sum(values: pa.ChunkedArray) -> float:
    return float(pc.sum(values).as_py() or 0.0)


def _number(result: ResultLayers, key: str) -> float | None:
    try:
        return float(result.record[key])
    except (KeyError, ValueError):
        return None
