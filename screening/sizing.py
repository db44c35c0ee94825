"""How large and how deep a garden should be, by published sizing rules."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.params import SizingParams

FloatArray = npt.NDArray[np.float64]

NEAR_SIZE_FACTORS: Final[Mapping[str, tuple[float, float, float]]] = MappingProxyType(
    {
        "sandy": (0.19, 0.15, 0.08),
        "silty": (0.34, 0.25, 0.16),
        "clayey": (0.43, 0.32, 0.20),
    }
)
"""Garden area over roof area for gardens within 30 ft of the downspout, for depths of 3-5, 6-7 and 8 in.

R. Bannerman and E. Considine (2003), Rain Gardens: A how-to manual for homeowners, UW-Extension GWQ037. Sandy row and
silty 0.34 and 0.25 as read in its reprints (URI and UConn guides, Illinois DNR); silty 0.16 and the clayey row from
memory.
"""

DEPTH_LIMITS_MM: Final = (5.5 * 25.4, 7.5 * 25.4)
"""Depths [mm] at which the next factor holds: midway between the printed 3-5 in, 6-7 in and 8 in."""


def size_factor(soil_class: str, depth_mm: FloatArray | float) -> FloatArray:
    """Handbook size factor for a soil class and ponding depths [garden m2 per roof m2].

    Parameters
    ----------
    soil_class : str
        "sandy", "silty" or "clayey".
    depth_mm : float or array
        Ponding depth [mm].
    """
    column = np.searchsorted(np.array(DEPTH_LIMITS_MM), np.asarray(depth_mm, dtype=float), side="left")
    return np.asarray(np.array(NEAR_SIZE_FACTORS[soil_class])[column])


def capture_area_m2(roof_area_m2: FloatArray | float, rain_mm: float, depth_mm: FloatArray | float) -> FloatArray:
    """Garden area [m2] that stores a rain depth on a roof: ``roof * rain / depth``.

    Parameters
    ----------
    roof_area_m2 : float or array
        Plan area [m2].
    rain_mm : float
        Rain to store [mm].
    depth_mm : float or array
        Ponding depth [mm].
    """
    return np.asarray(np.asarray(roof_area_m2, dtype=float) * rain_mm / np.asarray(depth_mm, dtype=float))


def levelling_depth_m(width_m: float, slope_pct: float) -> float:
    """Cut [m] at the uphill edge when a garden of a width is levelled into a slope.

    From the handbook's advice on digging across a slope (GWQ037).
    """
    return width_m * slope_pct / 100.0


def band_depths_mm(params: SizingParams, soil_rate_mm_h: float) -> FloatArray:
    """Ponding depth [mm] of each slope band: the band's own, but no more than soaks away in time.

    Parameters
    ----------
    params : SizingParams
    soil_rate_mm_h : float
        Likely infiltration rate [mm/h].

    Returns
    -------
    (bands,) array
    """
    return np.asarray(np.minimum(np.array(params.depths_mm, dtype=float), soil_rate_mm_h * params.drawdown_limit_h))


def depth_for_slope_mm(slope_pct: FloatArray | float, params: SizingParams, soil_rate_mm_h: float) -> FloatArray:
    """Ponding depth [mm] of a garden on ground of a slope; a slope on a break belongs to the gentler band."""
    band = np.searchsorted(np.array(params.slope_breaks_pct), np.asarray(slope_pct, dtype=float), side="left")
    depth: FloatArray = band_depths_mm(params, soil_rate_mm_h)[band]
    return depth


def area_per_roof(params: SizingParams, soil_rate_mm_h: float) -> tuple[FloatArray, float]:
    """What the sizing method asks for: garden area per roof area of each slope band, and a fixed area [m2].

    Returns
    -------
    per_roof : (bands,) array
        [m2/m2]; 0 where the method is a fixed area.
    fixed_m2 : float
        [m2]; 0 where the method follows the roof.
    """
    depths = band_depths_mm(params, soil_rate_mm_h)
    if params.method == "handbook":
        return size_factor(params.soil_class, depths), 0.0
    if params.method == "capture_depth":
        return capture_area_m2(np.ones(len(depths)), params.capture_depth_mm, depths), 0.0
    return np.zeros(len(depths)), params.fixed_area_m2
