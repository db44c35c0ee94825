"""What gardens of one depth on one soil keep over the ratio of garden to roof: the curves that the search reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from screening.water_balance.direct import Wetting, catchments, kept_each_year, long_term
from screening.water_balance.storms import storm_kept_frac

if TYPE_CHECKING:
    from screening.params import RainParams
    from screening.water_balance.series import RainSteps

FloatArray = npt.NDArray[np.float64]

LOG_RATIO_FIRST: Final = float(np.log(0.002))
LOG_RATIO_LAST: Final = float(np.log(1000.0))
N_RATIOS: Final = 185
"""Grid of ln(garden area / roof area): from 0.2 % to 1,000 times the roof, a step of 7 %. Read linearly between the
ratios, in proportion to the ratio below and at the end above, curves are off by less than 0.5 % of the inflow."""


def curve_ratios() -> FloatArray:
    """Ratios of garden to roof area at which curves are given, (N_RATIOS,)."""
    return np.asarray(np.exp(np.linspace(LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS)))


def record_curves(
    steps: RainSteps,
    depth_mm: FloatArray,
    rate: FloatArray,
    loss: int = 0,
    *,
    soil: Wetting | None = None,
    threads: int | None = None,
) -> FloatArray:
    """Part of the roof's runoff kept over the whole record, simulated at every ratio, (..., N_RATIOS).

    Parameters
    ----------
    steps : RainSteps
    depth_mm, rate : array
        Depth [mm] and infiltration rate [mm/h] of each curve, broadcast against each other; with a wetting soil the
        factor on its conductivity.
    loss : int
        Which of the initial losses of the steps.
    soil, threads
        See `kept_each_year`.
    """
    depth, speed = np.broadcast_arrays(depth_mm, rate)
    shape = (*depth.shape, N_RATIOS)
    ratio = np.broadcast_to(curve_ratios(), shape).ravel()
    gardens = catchments(ratio, np.repeat(depth.ravel(), N_RATIOS), np.repeat(speed.ravel(), N_RATIOS))
    kept = kept_each_year(steps, gardens, loss, soil=soil, threads=threads)
    return long_term(kept, steps.runoff_mm_y[:, loss]).reshape(shape)


def storm_curves(rain: RainParams, loss_mm: float, depth_mm: FloatArray, rate_mm_h: FloatArray) -> FloatArray:
    """Part of the roof's runoff kept in the long run of storms, at every ratio, (..., N_RATIOS).

    Parameters
    ----------
    rain : RainParams
        Statistics of the storms.
    loss_mm : float
        Initial loss of the roof [mm].
    depth_mm, rate_mm_h : array
        Depth [mm] and infiltration rate [mm/h] of each curve, broadcast against each other.
    """
    depth, rate = np.broadcast_arrays(depth_mm, rate_mm_h)
    shape = (*depth.shape, N_RATIOS)
    ratio = np.broadcast_to(curve_ratios(), shape).ravel()
    gardens = catchments(ratio, np.repeat(depth.ravel(), N_RATIOS), np.repeat(rate.ravel(), N_RATIOS))
    return storm_kept_frac(gardens.store_mm, gardens.soak, loss_mm, rain).reshape(shape)
