"""What a run came to: counts, totals and the first few of the lists."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from screening.batch.parts import tile_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.batch.gather import Gathered
    from screening.batch.merge import Merged
    from screening.tiles import Tile

HOME_COLUMNS = [
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
N_BEST = 5


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
    merged: Merged, gathered: Gathered, output: Path, notes: list[str], failed: list[tuple[Tile, str]]
) -> RunSummary:
    """Counts and totals of the merged layers; every feature has to be counted exactly once."""
    layers, spread = merged.layers, merged.spread
    n_homes, n_others = layers["candidate_homes"].num_rows, layers["other_parcels"].num_rows
    n_read = gathered.n_features
    n_merged = n_read - n_homes - n_others
    expected = len(gathered.merged)
    if not n_merged == expected == layers["merged_parcels"].num_rows:
        msg = f"{n_read} parcels were read, but {n_homes} + {n_others} + {expected} are accounted for"
        raise AssertionError(msg)

    def total(column: str) -> float:
        return float(spread.total[column].iloc[0]) if spread is not None else 0.0

    return RunSummary(
        output=output,
        n_parcels_read=n_read,
        n_candidate_homes=n_homes,
        n_other_parcels=n_others,
        n_parcels_merged=n_merged,
        n_gardens=layers["gardens"].num_rows,
        reasons=dict(sorted(merged.reasons.items(), key=lambda entry: (-entry[1], entry[0]))),
        diverted_m3_y=total("diverted_m3_y"),
        diverted_low_m3_y=total("diverted_low_m3_y"),
        diverted_high_m3_y=total("diverted_high_m3_y"),
        runoff_roof_m3_y=merged.runoff_roof_m3_y,
        cause_frac={} if spread is None else spread.cause_frac,
        best_homes=merged.best_homes,
        best_streets=tuple(layers["streets"].slice(0, N_BEST).select(_STREET_COLUMNS).to_pylist()),
        failed_tiles=told(failed),
        seconds=0.0,
        notes=tuple(notes),
        repairs=gathered.repairs,
        flagged=merged.flagged,
    )


def told(failed: list[tuple[Tile, str]]) -> tuple[str, ...]:
    """Failed tiles in words."""
    return tuple(f"{tile_name(tile)}: {reason}" for tile, reason in failed)
