"""How much of a roof's yearly runoff a garden keeps: the whole rain record through a bucket."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from screening.kernels.bucket import bucket, roof_runoff_mm

if TYPE_CHECKING:
    from screening.params import RainParams, RoofParams

FloatArray = npt.NDArray[np.float64]

HOURS_PER_YEAR = 8766.0
"""Hours of a mean year, leap years included."""

LOG_RATIO_FIRST = float(np.log(0.002))
LOG_RATIO_LAST = float(np.log(10.0))
N_RATIOS = 121
"""Grid of ln(garden area / roof area): from 0.2 % to ten times the roof, a step of 7 %."""


@dataclass(frozen=True)
class WetSteps:
    """The steps of a rain record in which water leaves a roof.

    Attributes
    ----------
    runoff_mm : (n,) array
        Runoff of each wet step [mm].
    gap_steps : (n,) array
        Dry steps that follow it.
    step_h : float
        Length of a step [h].
    years : float
        Length of the record [a].
    """

    runoff_mm: FloatArray
    gap_steps: npt.NDArray[np.int64]
    step_h: float
    years: float

    @property
    def runoff_mm_y(self) -> float:
        """Mean yearly runoff of a roof [mm]."""
        return float(self.runoff_mm.sum()) / self.years


def wet_steps(
    time: npt.NDArray[np.datetime64], rain_mm: FloatArray, step_h: float, rain: RainParams, roof: RoofParams
) -> WetSteps:
    """Roof runoff of a record without the steps in which nothing happens.

    Parameters
    ----------
    time : (n,) array of datetime64
        Start of each step; steps follow each other without a gap.
    rain_mm : (n,) array
        Rain of each step [mm].
    step_h : float
        Length of a step [h]: 1 or 24.
    rain, roof : RainParams, RoofParams
        Initial loss, dry spell, frozen months.

    Notes
    -----
    The length in years is that of all steps over 8,766 hours.
    """
    frozen = np.zeros(len(rain_mm), dtype=bool)
    if rain.frozen_months:
        month = time.astype("datetime64[M]").astype(np.int64) % 12 + 1
        frozen = np.isin(month, rain.frozen_months)
    dry_steps = max(1, round(rain.dry_spell_h / step_h))
    runoff = roof_runoff_mm(rain_mm, roof.initial_loss_mm, dry_steps, frozen)
    wet = np.flatnonzero(runoff > 0.0)
    gaps = np.diff(np.append(wet, len(rain_mm))) - 1
    return WetSteps(runoff[wet], gaps.astype(np.int64), step_h, len(rain_mm) * step_h / HOURS_PER_YEAR)


def diverted_fraction(steps: WetSteps, area_ratio: float, depth_mm: float, rate_mm_h: float) -> tuple[float, float]:
    """Fraction of a roof's runoff that a garden keeps, and the balance's error over the inflow.

    Parameters
    ----------
    steps : WetSteps
    area_ratio : float
        Garden area over roof area.
    depth_mm, rate_mm_h : float
        Ponding depth [mm], infiltration rate [mm/h].

    Notes
    -----
    ``inflow = infiltrated + overflowed + ponded at the end``. What is diverted is the inflow less the overflow.
    """
    total, soaked, spilled, ponded = bucket(
        steps.runoff_mm / area_ratio, steps.gap_steps, depth_mm, rate_mm_h * steps.step_h
    )
    if total <= 0.0:
        return 0.0, 0.0
    return (total - spilled) / total, (total - soaked - spilled - ponded) / total


def curve(steps: WetSteps, depth_mm: float, rate_mm_h: float) -> FloatArray:
    """Diverted fraction at every ratio of the grid, (N_RATIOS,)."""
    ratios = np.exp(np.linspace(LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS))
    return np.array([diverted_fraction(steps, float(r), depth_mm, rate_mm_h)[0] for r in ratios])


def storm_curve(rain: RainParams, depth_mm: float, rate_mm_h: float) -> FloatArray:
    """Diverted fraction at every ratio of the grid for exponentially distributed storms, (N_RATIOS,).

    Notes
    -----
    A storm of depth ``h`` with mean ``mu`` sends ``(h - l)+`` from the roof, and the garden, empty at its start,
    keeps at most ``c = ratio * (depth + rate * duration)``. The mean kept is
    ``E[min((h - l)+, c)] = mu exp(-l / mu) (1 - exp(-c / mu))`` and the mean runoff ``mu exp(-l / mu)``, so the
    fraction is ``1 - exp(-c / mu)``. Valid where gardens empty between storms, as the depth limit makes them.
    """
    ratios = np.exp(np.linspace(LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS))
    capacity = ratios * (depth_mm + rate_mm_h * rain.storm_duration_h)
    return np.asarray(1.0 - np.exp(-capacity / rain.storm_mean_mm))


def storm_runoff_mm_y(rain: RainParams, roof: RoofParams) -> float:
    """Mean yearly roof runoff [mm] of exponentially distributed storms."""
    return rain.storms_per_y * rain.storm_mean_mm * float(np.exp(-roof.initial_loss_mm / rain.storm_mean_mm))


@dataclass(frozen=True)
class YieldCurves:
    """What gardens keep, for every slope band and for the low, likely and high soil rate.

    Attributes
    ----------
    fraction : (3, bands, N_RATIOS) array
        Diverted fraction for the low, likely and high rate.
    depth_mm : (bands,) array
        Ponding depth [mm].
    rate_mm_h : (3,) array
        Infiltration rates [mm/h].
    runoff_mm_y : float
        Mean yearly runoff of a roof [mm].
    """

    fraction: FloatArray
    depth_mm: FloatArray
    rate_mm_h: FloatArray
    runoff_mm_y: float

    def kept(self, level: int, area_ratio: FloatArray, band: npt.NDArray[np.int64]) -> FloatArray:
        """Diverted fraction of gardens, interpolated over the logarithm of the area ratio.

        Parameters
        ----------
        level : int
            0 low, 1 likely, 2 high soil rate.
        area_ratio : (n,) array
            Garden area over roof area.
        band : (n,) int array
            Slope band.
        """
        step = (LOG_RATIO_LAST - LOG_RATIO_FIRST) / (N_RATIOS - 1)
        position = (np.log(area_ratio) - LOG_RATIO_FIRST) / step
        # below the grid a garden is always full: what it keeps is in proportion to its area
        below = np.exp(np.minimum(position, 0.0) * step)
        position = np.clip(position, 0.0, N_RATIOS - 1)
        i = np.minimum(position.astype(np.int64), N_RATIOS - 2)
        w = position - i
        table = self.fraction[level]
        return np.asarray(((1.0 - w) * table[band, i] + w * table[band, i + 1]) * below)
