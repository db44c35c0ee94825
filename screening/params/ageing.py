"""How a garden changes over the years: ``[ageing]``."""

from __future__ import annotations

from dataclasses import dataclass

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeingParams(Section):
    """Loss of depth to sediment, and the years until the plants have grown in."""

    sediment_mm_y: float = P(5.0, "mm/y", "depth that a bowl loses each year", ge=0, source=PROGRAM_DEFAULT)
    keep_frac: float = P(
        0.9,
        "",
        "part of the first full year's volume below which the bowl is dug out again",
        gt=0,
        lt=1,
        source=PROGRAM_DEFAULT,
    )
