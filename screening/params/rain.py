"""The rain record, and what stands for it where there is none: ``[rain]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

_DRISCOLL: Final = (
    "from memory: E. Driscoll et al., Analysis of Storm Event Characteristics for Selected Rainfall Gages "
    "(US EPA 1989), zone North Central"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RainParams(Section):
    """The rain record, and what stands for it where none is given."""

    unit: Literal["mm", "in"] = P("mm", "", "unit of the record's depths")
    years: tuple[int, ...] = P((), "", "calendar years to use; empty: all complete ones", ge=1700, le=2200)
    frozen_months: tuple[int, ...] = P(
        (), "", "months (1 to 12) whose rain counts neither as runoff nor as diverted: snow, frozen ground", ge=1, le=12
    )
    dry_spell_h: float = P(
        12.0,
        "h",
        "time without rain after which the roof is dry again and loses the initial depth anew",
        gt=0,
        source="12 h between events: STEP/TRCA guide, Drainage time",
    )
    max_missing_frac: float = P(0.05, "", "part of a record that may be missing", ge=0, lt=1, source=PROGRAM_DEFAULT)
    storms_per_y: float = P(55.0, "1/y", "storms a year, used only without a record", gt=0, source=_DRISCOLL)
    storm_mean_mm: float = P(
        14.0, "mm", "mean depth of a storm, used only without a record", gt=0, source=f"0.55 in, {_DRISCOLL}"
    )
    storm_duration_h: float = P(9.5, "h", "mean length of a storm, used only without a record", gt=0, source=_DRISCOLL)
