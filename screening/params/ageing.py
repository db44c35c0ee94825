"""How a garden changes over the years: ``[ageing]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

_SEASONS: Final = "native perennials take about three growing seasons to establish: common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeingParams(Section):
    """Loss of depth to sediment, and the years until the plants have grown in."""

    sediment_mm_y: float = P(
        5.0, "mm/y", "depth that a bowl loses each year to sediment and plant litter", ge=0, source=PROGRAM_DEFAULT
    )
    keep_frac: float = P(
        0.9,
        "",
        "part of the volume as dug below which a bowl is dug out again",
        gt=0,
        lt=1,
        source=PROGRAM_DEFAULT,
    )
    establishment_y: int = P(3, "y", "years until the plants have grown in", ge=0, le=20, source=_SEASONS)
    establishment_rate_frac: float = P(
        1.0,
        "",
        "part of the design infiltration rate in those years; 1: none is lost, for we read no source with a figure",
        gt=0,
        le=1,
        source=PROGRAM_DEFAULT,
    )
    horizon_y: int = P(30, "y", "years that are looked ahead", ge=1, le=200, source=PROGRAM_DEFAULT)
