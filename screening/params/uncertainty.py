"""What is not known for sure, and how many draws follow it: ``[uncertainty]``.

The spread of the soil rate stands with the soils (``[soil]``), the low, likely and high connection with the roofs
(``[roof]``); here stand the others, and which part of each cause is the same for all homes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator

_LOSS_RANGE: Final = (
    "Denver UDFCD, Drainage Criteria Manual (1984), Table 2-1: sloped roof 0.05-0.1 in, recommended 0.05 in"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyParams(Section):
    """Ranges and distributions behind the low and high figures."""

    n_draws: int = P(1024, "", "draws for each home, a power of two", ge=64, le=65536, source=PROGRAM_DEFAULT)
    seed: int = P(1, "", "seed of the draws", ge=0, source=PROGRAM_DEFAULT)
    n_first: int = P(100, "", "homes among which each home's chance to be is given", ge=1, source=PROGRAM_DEFAULT)
    soil_city_frac: float = P(
        0.25, "", "part of the log variance of the soil rate that the whole city shares", ge=0, le=1,
        source=PROGRAM_DEFAULT,
    )  # fmt: skip
    soil_class_frac: float = P(
        0.25, "", "part of the log variance of the soil rate that the gardens on one soil class share", ge=0, le=1,
        source=PROGRAM_DEFAULT,
    )  # fmt: skip
    roof_share_factor: float = P(
        1.2,
        "",
        "served roof with assumed downspouts: its 10 and 90 % points are the computed one over and times this",
        ge=1,
        le=5,
        source=PROGRAM_DEFAULT,
    )
    roof_share_measured_factor: float = P(
        1.1, "", "the same where the downspouts are measured", ge=1, le=5, source=PROGRAM_DEFAULT
    )
    roof_share_shared_frac: float = P(
        0.25, "", "part of that which all homes share: the rule by which roofs are divided", ge=0, le=1,
        source=PROGRAM_DEFAULT,
    )  # fmt: skip
    gable_frac: float = P(
        0.5, "", "chance that a roof of unknown form is a gable, each home by itself", ge=0, le=1,
        source=PROGRAM_DEFAULT,
    )  # fmt: skip
    initial_loss_low_factor: float = P(
        1.0, "", "10 % point of the roof's initial loss over the likely one", ge=0, le=1, source=_LOSS_RANGE
    )
    initial_loss_high_factor: float = P(
        2.0, "", "90 % point of the roof's initial loss over the likely one", ge=1, le=10, source=_LOSS_RANGE
    )
    initial_loss_shared_frac: float = P(
        0.5, "", "part of that which all homes share: what counts as loss", ge=0, le=1, source=PROGRAM_DEFAULT
    )
    connection_shared_frac: float = P(
        0.25, "", "part of the connection's uncertainty that all homes share: heavy storms overshoot all gutters",
        ge=0, le=1, source=PROGRAM_DEFAULT,
    )  # fmt: skip
    rain_year: Literal["one", "mean"] = P(
        "one",
        "",
        "one: the range is that of a single year, each draw takes one year of the record; mean: of the mean year",
    )

    def contradictions(self) -> Iterator[str]:
        """Ask for a power of two, and for parts that do not exceed the whole."""
        if self.n_draws & (self.n_draws - 1):
            # rounded down: n_draws = 1000 asks for at most so many
            fitting = 1 << (self.n_draws.bit_length() - 1)
            yield f"n_draws = {self.n_draws}: must be a power of two, for example {fitting} or {2 * fitting}"
        if self.soil_city_frac + self.soil_class_frac > 1.0:
            yield "soil_city_frac and soil_class_frac must not exceed 1 together"
