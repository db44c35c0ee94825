"""What is not known for sure, followed to each home's volume, its rank, and the sums of many homes."""

from __future__ import annotations

from screening.uncertainty.causes import (
    CAUSES,
    OWN_DIFFERENCES,
    SoilSpread,
    initial_losses_mm,
    mean_year,
    storm_year_cv,
)
from screening.uncertainty.spread import Gardens, Homes, Spread, Sums, spread_volumes

__all__ = [
    "CAUSES",
    "OWN_DIFFERENCES",
    "Gardens",
    "Homes",
    "SoilSpread",
    "Spread",
    "Sums",
    "initial_losses_mm",
    "mean_year",
    "spread_volumes",
    "storm_year_cv",
]
