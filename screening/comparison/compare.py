"""Two results compared: homes gained, lost and moved, and the change of the total split up by cause."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from screening.comparison.differences import differences
from screening.comparison.runs import read_pair, reasons_in
from screening.comparison.split import place_in, split_change

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.comparison.differences import Difference
    from screening.comparison.runs import RunHomes

FloatArray = npt.NDArray[np.float64]

GAINED: Final = "gained"
LOST: Final = "lost"
STAYED: Final = "stayed"
CHANGE_CODES: Final[Mapping[str, str]] = {
    GAINED: "a candidate in the second run only",
    LOST: "a candidate in the first run only",
    STAYED: "a candidate in both",
}
"""What became of a home."""

FACTORS: Final[Mapping[str, str]] = {
    "roof_m3_y": "more or less roof drains to the gardens",
    "rain_m3_y": "more or less water runs off a square metre of roof",
    "kept_m3_y": "the gardens keep another part of that water",
    "middle_m3_y": "the middle of the draws lies otherwise to the volume with every cause at its likely value",
}
"""Causes of the change of a home that stayed, by the column that holds what they add."""

SUM_MIDDLE: Final = "sum_middle_m3_y"
_SUM_MIDDLE_WORDS: Final = "the middle of the draws of a sum is not the sum of the homes' middles"

# What the part that gardens keep hangs on, and that a home has a number of.
_KEPT_BY: Final[Mapping[str, str]] = {
    "garden_area_m2": "garden area",
    "depth_mm": "depth of ponding",
    "soil_rate_mm_h": "rate of the soil",
}
_ELSE: Final = "none of area, depth and rate"
_ALIKE: Final = 1e-9

TOLD: Final[Mapping[str, str]] = {
    "roof_area_m2": "m2",
    "treated_roof_m2": "m2",
    "n_gardens": "",
    "garden_area_m2": "m2",
    "depth_mm": "mm",
    "soil_rate_mm_h": "mm/h",
    "runoff_mm_y": "mm/y",
    "open_area_m2": "m2",
    "confidence_frac": "",
}
"""Numbers of a home that are told where they changed, with their units."""


class CauseRow(NamedTuple):
    """What one cause adds to the total.

    Attributes
    ----------
    cause : str
        Short name.
    words : str
        What it is.
    n_homes : int or None
        Homes it concerns; None where it concerns the sum.
    change_m3_y : float
        What it adds. [m3/y]
    level : int
        0 for what adds up to the change of the total, 1 for parts of the row above.
    """

    cause: str
    words: str
    n_homes: int | None
    change_m3_y: float
    level: int = 0


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two results compared.

    Attributes
    ----------
    first, second : RunHomes
    differences : tuple of Difference
        What differs between the runs themselves.
    homes : DataFrame
        Every home that is a candidate in one of them, by `home_id`; columns as in `HOME_COLUMNS`.
    causes : tuple of CauseRow
        The change of the total; rows of level 0 add up to it.
    total : tuple of float
        Volume of all candidates in each [m3/y].
    has_own_total : bool
        Whether these are the totals of the runs; otherwise the sums of their homes.
    """

    first: RunHomes
    second: RunHomes
    differences: tuple[Difference, ...]
    homes: pd.DataFrame
    causes: tuple[CauseRow, ...]
    total: tuple[float, float]
    has_own_total: bool

    @property
    def change_m3_y(self) -> float:
        """Change of the total [m3/y]."""
        return self.total[1] - self.total[0]

    def count(self, code: str) -> int:
        """Count the homes of a change code."""
        return int((self.homes["change_code"] == code).sum())

    @property
    def is_same(self) -> bool:
        """Whether no number of any home changed."""
        return bool((self.homes["change_code"] == STAYED).all() and not self.homes["is_changed"].any())


def compare_results(first: Path, second: Path) -> Comparison:
    """Compare two results.

    Parameters
    ----------
    first, second : Path
        Results of runs; only these are read.

    Raises
    ------
    InputError
        As `read_pair`.
    """
    a, b = read_pair(first, second)
    gained = b.homes.index.difference(a.homes.index)
    lost = a.homes.index.difference(b.homes.index)
    both = a.homes.index.intersection(b.homes.index)
    homes = pd.concat([_moved(a, b, both), _one_sided(b, a, gained, GAINED), _one_sided(a, b, lost, LOST)])
    own = [run.total() for run in (a, b)]
    sums = [float(run.homes["diverted_m3_y"].sum()) for run in (a, b)]
    has_own = None not in own
    total = (own[0], own[1]) if own[0] is not None and own[1] is not None else (sums[0], sums[1])
    return Comparison(
        first=a,
        second=b,
        differences=differences(a.record, b.record),
        homes=homes,
        causes=tuple(_causes(homes, total, has_own=has_own)),
        total=total,
        has_own_total=has_own,
    )


def _one_sided(here: RunHomes, there: RunHomes, names: pd.Index, code: str) -> pd.DataFrame:
    """Homes that are candidates in one run only, with the reason in the other."""
    rows = here.homes.index.get_indexer(names)
    frame = here.homes.iloc[rows]
    reasons = reasons_in(there, frame, here.lots("candidate_homes")[rows])
    side = "after" if code == GAINED else "before"
    sign = 1.0 if code == GAINED else -1.0
    return _frame(
        frame,
        {
            "change_code": code,
            "reason_code": [one for one, _ in reasons],
            "reason_text": [text for _, text in reasons],
            f"rank_{side}": frame["rank"],
            f"{side}_m3_y": frame["diverted_m3_y"],
            "change_m3_y": sign * frame["diverted_m3_y"],
            "is_changed": True,
        },
    )


HOME_COLUMNS: Final = (
    "change_code",
    "parcel_id",
    "address",
    "street",
    "reason_code",
    "reason_text",
    "rank_before",
    "rank_after",
    "rank_by_itself",
    "rank_by_others",
    "before_m3_y",
    "after_m3_y",
    "change_m3_y",
    *FACTORS,
    "kept_by",
    *(f"{name}_{side}" for name in TOLD for side in ("before", "after")),
    "is_changed",
)
"""Columns of the homes of a comparison."""


_TEXT_COLUMNS: Final = frozenset(
    {"change_code", "parcel_id", "address", "street", "reason_code", "reason_text", "kept_by"}
)


def _frame(homes: pd.DataFrame, found: Mapping[str, Any]) -> pd.DataFrame:
    """Put the columns together; one that is not found is the home's own, or null."""
    columns = {}
    for name in HOME_COLUMNS:
        values = found[name] if name in found else homes[name] if name in homes.columns else None
        kind: Any = object if name in _TEXT_COLUMNS else bool if name == "is_changed" else float
        columns[name] = pd.Series(values, index=homes.index, dtype=kind)
    return pd.DataFrame(columns, index=homes.index)


def _moved(a: RunHomes, b: RunHomes, names: pd.Index) -> pd.DataFrame:
    """Homes of both runs: their volumes split up by factor, their ranks by what moved them."""
    before, after = a.homes.loc[names], b.homes.loc[names]
    parts = split_change(*_factors(before, after))
    by_itself = _rank_by_itself(a, after, names)
    told = {f"{name}_{side}": frame[name] for name in TOLD for side, frame in (("before", before), ("after", after))}
    change = (after["diverted_m3_y"] - before["diverted_m3_y"]).to_numpy()
    return _frame(
        after,
        {
            "change_code": STAYED,
            "rank_before": before["rank"],
            "rank_after": after["rank"],
            "rank_by_itself": by_itself - before["rank"].to_numpy(),
            "rank_by_others": after["rank"].to_numpy() - by_itself,
            "before_m3_y": before["diverted_m3_y"],
            "after_m3_y": after["diverted_m3_y"],
            "change_m3_y": change,
            **{name: parts[:, k] for k, name in enumerate(FACTORS)},
            "kept_by": _kept_by(before, after),
            **told,
            "is_changed": _is_changed(before, after),
        },
    )


def _factors(before: pd.DataFrame, after: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Factors whose product is the volume: roof that drains, runoff of it, part kept, middle of the draws.

    Where a factor is nothing over nothing (no roof drains) it is the other run's, so that the change is the roof's.
    """
    roof, rain, kept, middle = (np.empty((len(before), 2)) for _ in range(4))
    for k, frame in enumerate((before, after)):
        roof[:, k] = frame["treated_roof_m2"]
        rain[:, k] = frame["runoff_mm_y"] / 1000.0
        comes = roof[:, k] * rain[:, k]
        likely = frame["all_likely_m3_y"].to_numpy()
        with np.errstate(divide="ignore", invalid="ignore"):
            kept[:, k] = np.where(comes > 0.0, likely / comes, np.nan)
            middle[:, k] = np.where(likely > 0.0, frame["diverted_m3_y"].to_numpy() / likely, np.nan)
    for one in (roof, rain, kept, middle):
        _fill(one)
    both = np.stack([roof, rain, kept, middle], axis=1)
    return both[:, :, 0], both[:, :, 1]


def _fill(pairs: FloatArray) -> None:
    """Put the other run's value where one has none, 1 where both have none."""
    for k in range(2):
        is_missing = ~np.isfinite(pairs[:, k])
        pairs[is_missing, k] = pairs[is_missing, 1 - k]
    pairs[~np.isfinite(pairs)] = 1.0


def _differs(before: pd.DataFrame, after: pd.DataFrame, name: str) -> npt.NDArray[np.bool_]:
    one, other = before[name].to_numpy(dtype=float), after[name].to_numpy(dtype=float)
    is_near = np.abs(other - one) <= _ALIKE * np.maximum(np.abs(one), np.abs(other))
    return np.asarray(~(is_near | (np.isnan(one) & np.isnan(other))), dtype=np.bool_)


def _kept_by(before: pd.DataFrame, after: pd.DataFrame) -> list[str]:
    """Which of the numbers changed on which the part that gardens keep hangs."""
    changed = {words: _differs(before, after, name) for name, words in _KEPT_BY.items()}
    return [", ".join(words for words in changed if changed[words][row]) for row in range(len(before))]


def _is_changed(before: pd.DataFrame, after: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Whether any number that is told, the volume or the rank changed."""
    names = [*TOLD, "diverted_m3_y", "diverted_low_m3_y", "diverted_high_m3_y", "rank"]
    return np.asarray(np.column_stack([_differs(before, after, name) for name in names]).any(axis=1), dtype=np.bool_)


def _rank_by_itself(a: RunHomes, after: pd.DataFrame, names: pd.Index) -> FloatArray:
    """Rank that each home would have in the first run with its numbers of the second, all others as they were."""
    weights = [_weight(a.record, name) for name in ("volume", "confidence", "treated")]
    largest = float(a.homes["diverted_m3_y"].max()) if len(a.homes) else 0.0

    def scores(frame: pd.DataFrame) -> FloatArray:
        volume = frame["diverted_m3_y"].to_numpy() / largest if largest > 0.0 else np.zeros(len(frame))
        measures = np.column_stack([volume, frame["confidence_frac"], frame["treated_roof_frac"]])
        return np.asarray(measures @ np.array(weights) / sum(weights), dtype=np.float64)

    place = a.homes.index.get_indexer(names)
    old, new = scores(a.homes), scores(after)
    found = place_in(old, place, new).astype(float)
    # among equals the rank is by volume, confidence and name: a home whose score stays keeps its own
    stays = np.round(old[place], 9) == np.round(new, 9)
    found[stays] = a.homes["rank"].to_numpy()[place][stays]
    return found


def _weight(record: Mapping[str, str], name: str) -> float:
    try:
        return float(record[f"param.ranking.weight_{name}"])
    except (KeyError, ValueError):
        return 1.0 if name == "volume" else 0.0


def _causes(homes: pd.DataFrame, total: tuple[float, float], *, has_own: bool) -> list[CauseRow]:
    """Split the change of the total up; rows of level 0 add up to it."""
    rows = []
    for code, words in ((LOST, "homes that are no candidates any more"), (GAINED, "homes that are candidates now")):
        part = homes[homes["change_code"] == code]
        rows.append(CauseRow(code, words, len(part), _sum(part["change_m3_y"])))
        by_reason = part.groupby("reason_code")["change_m3_y"]
        found = sorted(((_sum(values), name, len(values)) for name, values in by_reason), key=lambda one: -abs(one[0]))
        rows += [CauseRow(f"{code}.{name}", str(name), n, change, 1) for change, name, n in found]
    stayed = homes[homes["change_code"] == STAYED]
    for name, words in FACTORS.items():
        values = stayed[name]
        moved = stayed[values.abs() > _ALIKE * stayed["after_m3_y"].abs()]
        rows.append(CauseRow(name.removesuffix("_m3_y"), words, len(moved), _sum(values)))
        if name == "kept_m3_y":
            groups = moved.groupby("kept_by")[name]
            by_number = sorted(((_sum(one), str(key), len(one)) for key, one in groups), key=lambda one: -abs(one[0]))
            rows += [
                CauseRow(
                    f"kept.{key or 'else'}", f"changed there: {key or 'none of area, depth and rate'}", n, change, 1
                )
                for change, key, n in by_number
            ]
    if has_own:
        of_homes = math.fsum(row.change_m3_y for row in rows if row.level == 0)
        rows.append(CauseRow("sum_middle", _SUM_MIDDLE_WORDS, None, (total[1] - total[0]) - of_homes))
    return rows


def _sum(values: pd.Series) -> float:
    return math.fsum(values)
