"""How fast water soaks in: ``[soil]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.params.fields import P, Section

if TYPE_CHECKING:
    from collections.abc import Iterator

_MPCA_RATES: Final = (
    "Minnesota Stormwater Manual (2022), Design infiltration rate as a function of soil texture for bioretention"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilParams(Section):
    """How fast water soaks in."""

    rate_mm_h: float = P(7.6, "mm/h", "infiltration rate, likely", gt=0, source=f"loam, silt loam (B), {_MPCA_RATES}")
    rate_low_mm_h: float = P(
        5.1, "mm/h", "infiltration rate, low estimate", gt=0, source=f"sandy clay loam, silt (C), {_MPCA_RATES}"
    )
    rate_high_mm_h: float = P(
        11.4, "mm/h", "infiltration rate, high estimate", gt=0, source=f"silty sand (B), {_MPCA_RATES}"
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the estimates."""
        if not self.rate_low_mm_h <= self.rate_mm_h <= self.rate_high_mm_h:
            yield "rate_low_mm_h, rate_mm_h, rate_high_mm_h must not fall"
