"""The handbook's size factors: gardens near the downspout, and gardens with lawn between house and garden."""

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

FAR_SIZE_FACTORS: Final[Mapping[str, float]] = MappingProxyType({"sandy": 0.03, "silty": 0.06, "clayey": 0.10})
"""Garden area over the area of roof and uphill lawn for gardens more than 30 ft from the downspout, at any depth.

The same handbook; all three from memory. That the lawn uphill is added before this table is used was read in a reprint.
"""

DEPTH_LIMITS_MM: Final = (5.5 * 25.4, 7.5 * 25.4)
"""Depths [mm] at which the next factor holds: midway between the printed 3-5 in, 6-7 in and 8 in."""


SANDY_MM_H: Final = 20.0
CLAYEY_MM_H: Final = 2.5
"""Design rates [mm/h] from which a soil counts as sandy, and below which as clayey (program default).

Between the classes of the Minnesota Stormwater Manual: sand to sandy loam 20.3 mm/h, silty sand to sandy clay loam 11.4
to 5.1, clays 1.5."""


def handbook_class(params: SizingParams, soil_rate_mm_h: float) -> str:
    """Soil class of the handbook: the run file's, or where it gives none that of a design rate [mm/h]."""
    if params.soil_class:
        return params.soil_class
    if soil_rate_mm_h >= SANDY_MM_H:
        return "sandy"
    return "silty" if soil_rate_mm_h >= CLAYEY_MM_H else "clayey"


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


def handbook_area_m2(
    near_roof_m2: FloatArray | float,
    far_roof_m2: FloatArray | float,
    lawn_run_m: FloatArray | float,
    *,
    near_factor: FloatArray | float,
    far_factor: float,
    side_ratio: float,
) -> FloatArray:
    """Garden area [m2] by both tables, with the lawn between house and garden where a far downspout is served.

    Parameters
    ----------
    near_roof_m2, far_roof_m2 : float or array
        Roof of the served downspouts within and beyond the handbook's 30 ft [m2].
    lawn_run_m : float or array
        Shortest run among the served downspouts [m]: the lawn between house and garden is about so deep.
    near_factor, far_factor : float or array
        Size factors: `size_factor`, `FAR_SIZE_FACTORS`.
    side_ratio : float
        Length over width of the garden.

    Notes
    -----
    The handbook adds the lawn that drains to the garden to the roof. It is a strip as wide as the garden is long, from
    the house to the garden, so that the area ``A = k_n R_n + k_f (R_f + r sqrt(ratio A))`` stands on both sides: a
    quadratic in ``sqrt(A)`` with one positive root. Where no far downspout is served the lawn does not count.
    """
    near, far = np.asarray(near_roof_m2, dtype=float), np.asarray(far_roof_m2, dtype=float)
    wanted = near_factor * near + far_factor * far
    half = np.where(far > 0.0, 0.5 * far_factor * np.asarray(lawn_run_m, dtype=float) * np.sqrt(side_ratio), 0.0)
    root = half + np.sqrt(half * half + wanted)
    # without a far downspout the square of the root would only lose digits
    return np.asarray(np.where(far > 0.0, root * root, wanted))
