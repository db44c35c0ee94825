"""What a run came to: counts, totals and the first few of the lists."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from screening.batch.parts import tile_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.batch.divide import TileTask
    from screening.batch.prepare import Prepared
    from screening.batch.spread import TownSpread

_HOME_COLUMNS = [
    "rank",
    "home_id",
    "address",
    "street",
    "diverted_m3_y",
    "diverted_low_m3_y",
    "diverted_high_m3_y",
    "garden_area_m2",
    "treated_roof_m2",
    "confidence_frac",
]
_STREET_COLUMNS = ["street", "n_candidates", "n_gardens", "diverted_m3_y"]
_N_BEST = 5


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """What a run came to.

    Attributes
    ----------
    output : Path
        The GeoPackage.
    n_parcels_read, n_candidate_homes, n_other_parcels, n_parcels_merged, n_gardens : int
    reasons : mapping
        Number of other parcels by reason code, most first.
    diverted_m3_y, diverted_low_m3_y, diverted_high_m3_y : float
        50, 10 and 90 % points of the total over the candidates [m3/y].
    runoff_roof_m3_y : float
        Roof runoff of the candidates [m3/y].
    cause_frac : mapping
        Part of the total's variance by cause, the largest first; empty without candidates.
    best_homes, best_streets : tuple of mappings
        The first five of each.
    failed_tiles : tuple of str
        Why tiles failed, one entry each; their parcels have the reason ``tile_failed``.
    seconds : float
        Time of the run [s].
    notes : tuple of str
        What a person should know about the inputs.
    repairs : mapping of str to int
        Number of features by input and code of what was put right in them, for example ``parcels.ring_invalid``.
    flagged : mapping of str to int
        Number of candidates by flag.
    """

    output: Path
    n_parcels_read: int
    n_candidate_homes: int
    n_other_parcels: int
    n_parcels_merged: int
    n_gardens: int
    reasons: Mapping[str, int]
    diverted_m3_y: float
    diverted_low_m3_y: float
    diverted_high_m3_y: float
    runoff_roof_m3_y: float
    cause_frac: Mapping[str, float]
    best_homes: tuple[Mapping[str, object], ...]
    best_streets: tuple[Mapping[str, object], ...]
    failed_tiles: tuple[str, ...]
    seconds: float
    notes: tuple[str, ...]
    repairs: Mapping[str, int] = field(default_factory=dict)
    flagged: Mapping[str, int] = field(default_factory=dict)


def summarize(
    layers: Mapping[str, pa.Table],
    spread: TownSpread | None,
    prepared: Prepared,
    output: Path,
    notes: list[str],
    failed: list[tuple[TileTask, str]],
) -> RunSummary:
    """Counts and totals of the merged layers; every feature has to be counted exactly once."""
    homes, others, streets = layers["candidate_homes"], layers["other_parcels"], layers["streets"]
    n_homes, n_others = homes.num_rows, others.num_rows
    n_read = prepared.n_counted_features
    n_merged = n_read - n_homes - n_others
    counted = prepared.city.parcels["is_counted"].to_numpy(dtype=bool)
    expected = int((prepared.city.parcels["n_features"].to_numpy()[counted] - 1).sum())
    if not n_merged == expected == layers["merged_parcels"].num_rows:
        msg = f"{n_read} parcels were read, but {n_homes} + {n_others} + {expected} are accounted for"
        raise AssertionError(msg)
    reasons = [
        (str(entry["values"]), int(entry["counts"])) for entry in pc.value_counts(others["reason_code"]).to_pylist()
    ]

    def total(column: str) -> float:
        return float(spread.total[column].iloc[0]) if spread is not None else 0.0

    return RunSummary(
        output=output,
        n_parcels_read=n_read,
        n_candidate_homes=n_homes,
        n_other_parcels=n_others,
        n_parcels_merged=n_merged,
        n_gardens=layers["gardens"].num_rows,
        reasons=dict(sorted(reasons, key=lambda entry: (-entry[1], entry[0]))),
        diverted_m3_y=total("diverted_m3_y"),
        diverted_low_m3_y=total("diverted_low_m3_y"),
        diverted_high_m3_y=total("diverted_high_m3_y"),
        runoff_roof_m3_y=float(homes["runoff_roof_m3_y"].to_numpy().sum()) if n_homes else 0.0,
        cause_frac={} if spread is None else spread.cause_frac,
        best_homes=tuple(homes.slice(0, _N_BEST).select(_HOME_COLUMNS).to_pylist()),
        best_streets=tuple(streets.slice(0, _N_BEST).select(_STREET_COLUMNS).to_pylist()),
        failed_tiles=tuple(f"{tile_name(task.tile)}: {reason}" for task, reason in failed),
        seconds=0.0,
        notes=tuple(notes),
        repairs=prepared.repairs,
        flagged=_flagged(homes),
    )


def _flagged(homes: pa.Table) -> dict[str, int]:
    """Number of candidates by flag, in alphabetical order."""
    found = Counter(code for flags in homes["flags"].to_pylist() if flags for code in flags.split(";"))
    return dict(sorted(found.items()))
