"""How deep a garden ponds: by the slope of its ground, the sizing method, and what soaks away in time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from screening.params import SizingParams

FloatArray = npt.NDArray[np.float64]

DAY_H: Final = 24.0
"""Hours of the method drain_in_a_day.

Schmidt, Shaw and Dods (2007), The Blue Thumb Guide to Raingardens, as the Central Ohio Rain Garden Initiative
uses it (http://www.centralohioraingardens.org/?p=290): as deep as drains in 24 h, roof in ft2 over depth in inches.
"""


def levelling_depth_m(width_m: float, slope_pct: float) -> float:
    """Cut [m] at the uphill edge when a garden of a width is levelled into a slope.

    From the handbook's advice on digging across a slope (GWQ037).
    """
    return width_m * slope_pct / 100.0


def band_depths_mm(params: SizingParams, soil_rate_mm_h: FloatArray | float) -> FloatArray:
    """Ponding depth [mm] of each slope band: what the method asks for, but no more than soaks away in time.

    Parameters
    ----------
    params : SizingParams
    soil_rate_mm_h : float or (n,) array
        Likely infiltration rate [mm/h].

    Returns
    -------
    (bands,) or (n, bands) array
        0 where the rate is 0: no garden can be sized there.

    Notes
    -----
    The method drain_in_a_day digs as deep as the soil drains in 24 h whatever the slope, with the largest of the bands'
    depths as its limit, for deeper water stands too long and trips people.
    """
    rate = np.asarray(soil_rate_mm_h, dtype=float)[..., np.newaxis]
    depths = np.array(params.depths_mm, dtype=float)
    if params.method == "drain_in_a_day":
        depths = np.minimum(np.full(len(depths), depths.max()), rate * DAY_H)
    return np.asarray(np.minimum(depths, rate * params.drawdown_limit_h))


def depth_for_slope_mm(
    slope_pct: FloatArray | float, params: SizingParams, soil_rate_mm_h: FloatArray | float
) -> FloatArray:
    """Ponding depth [mm] of gardens on ground of a slope; a slope on a break belongs to the gentler band.

    Parameters
    ----------
    slope_pct : float or (n,) array
        Slope of the ground [%].
    params : SizingParams
    soil_rate_mm_h : float or (n,) array
        Likely infiltration rate [mm/h], one for all or one for each.
    """
    band = np.searchsorted(np.array(params.slope_breaks_pct), np.asarray(slope_pct, dtype=float), side="left")
    depths = band_depths_mm(params, soil_rate_mm_h)
    if depths.ndim == 1:
        return np.asarray(depths[band])
    return np.asarray(np.take_along_axis(depths, np.broadcast_to(band, depths.shape[:1])[:, np.newaxis], axis=1)[:, 0])
