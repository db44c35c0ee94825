"""The rain record, and what stands for it where there is none: ``[rain]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator

_DRISCOLL: Final = (
    "from memory: E. Driscoll et al., Analysis of Storm Event Characteristics for Selected Rainfall Gages "
    "(US EPA 1989), zone North Central"
)

HOURS_PER_YEAR: Final = 8766.0
"""Hours of a mean year, leap years included [h]."""


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
        le=8760,
        source="12 h between events: STEP/TRCA guide, Drainage time",
    )
    daily_rain_h: int = P(
        6,
        "h",
        "hours of a day over which its rain is spread, only for daily records",
        ge=1,
        le=24,
        source=f"{PROGRAM_DEFAULT}; measured in docs/method/rain.md",
    )
    each_garden: bool = P(
        default=False,
        unit="",
        meaning="send the rain through every garden by itself instead of reading from curves what it keeps: up to "
        "half a percent nearer, and slower",
    )
    max_missing_frac: float = P(
        0.05, "", "part of a record, and of any of its years, that may be missing", ge=0, lt=1, source=PROGRAM_DEFAULT
    )
    storms_per_y: float = P(55.0, "1/y", "storms a year, used only without a record", gt=0, source=_DRISCOLL)
    storm_mean_mm: float = P(
        14.0, "mm", "mean depth of a storm, used only without a record", gt=0, source=f"0.55 in, {_DRISCOLL}"
    )
    storm_duration_h: float = P(9.5, "h", "mean length of a storm, used only without a record", gt=0, source=_DRISCOLL)
    storm_dry_h: float | None = P(
        None,
        "h",
        "mean dry time between storms, used only without a record; left out: what the storms leave of the year",
        gt=0,
        source=PROGRAM_DEFAULT,
    )

    @property
    def mean_dry_h(self) -> float:
        """Mean dry time between storms in force [h]."""
        if self.storm_dry_h is not None:
            return self.storm_dry_h
        return HOURS_PER_YEAR / self.storms_per_y - self.storm_duration_h

    def contradictions(self) -> Iterator[str]:
        """Compare the storms with the length of a year."""
        # 1 % over: statistics are rounded
        if self.storms_per_y * (self.storm_duration_h + (self.storm_dry_h or 0.0)) > 1.01 * HOURS_PER_YEAR or (
            self.storm_dry_h is None and self.mean_dry_h <= 0.0
        ):
            yield "storms_per_y storms of storm_duration_h, with storm_dry_h between them, are longer than a year"
