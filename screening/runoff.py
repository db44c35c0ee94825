"""Runoff of a single storm by the trade's quick formulas: an independent look at what the roof model gives.

The run itself takes the whole rain record through an initial loss (`screening.water_balance`). These formulas serve the
documentation and checks: the curve number method was made for large storms on fields and understates small storms on
roofs, and a yearly volume rests on small storms.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.units import INCH_MM, depth_on_area_m3

if TYPE_CHECKING:
    from collections.abc import Mapping

FloatArray = npt.NDArray[np.float64]

ROOF_CURVE_NUMBER: Final = 98
"""Curve number of roofs and paved ground, all soils.

USDA SCS (1986), Urban Hydrology for Small Watersheds, TR-55, Table 2-2a."""

CURVE_NUMBERS: Final[Mapping[str, tuple[int, int, int, int]]] = MappingProxyType(
    {
        "roof": (98, 98, 98, 98),
        "paved": (98, 98, 98, 98),
        "lawn_good": (39, 61, 74, 80),
        "lawn_fair": (49, 69, 79, 84),
        "lawn_poor": (68, 79, 86, 89),
    }
)
"""Curve numbers by cover for the hydrologic soil groups A, B, C, D.

TR-55 (1986), Table 2-2a; lawns with grass on more than 75 %, 50-75 % and less than 50 % of the ground."""


class Loss(NamedTuple):
    """Rain that a cover holds back at the start of a storm [mm]: range and recommended value."""

    low_mm: float
    high_mm: float
    recommended_mm: float


DEPRESSION_STORAGE: Final[Mapping[str, Loss]] = MappingProxyType(
    {
        cover: Loss(low * INCH_MM, high * INCH_MM, usual * INCH_MM)
        for cover, (low, high, usual) in {
            "roof_sloped": (0.05, 0.1, 0.05),
            "roof_flat": (0.1, 0.3, 0.1),
            "paved": (0.05, 0.15, 0.1),
            "lawn": (0.2, 0.5, 0.35),
            "open_field": (0.2, 0.6, 0.4),
        }.items()
    }
)
"""Denver UDFCD, Drainage Criteria Manual (1984), Table 2-1, from inches."""

RUNOFF_COEFFICIENTS: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "roof": (0.75, 0.95),
        "lawn_sandy_flat": (0.05, 0.10),
        "lawn_sandy_average": (0.10, 0.15),
        "lawn_sandy_steep": (0.15, 0.20),
        "lawn_heavy_flat": (0.13, 0.17),
        "lawn_heavy_average": (0.18, 0.22),
        "lawn_heavy_steep": (0.25, 0.35),
    }
)
"""Coefficients of the rational formula, least and greatest; lawns are flat under 2 %, steep over 7 %.

Roofs: ASCE/WPCF, from memory. Lawns: University of Illinois, TSM 352, table of runoff coefficients (read)."""

LEAST_DEPTH_MM: Final = 0.2 * INCH_MM
"""Least water quality depth over a site that is hardly built on [mm]: 0.2 in (stormwatercenter.net, slides)."""

LEAST_DEPTH_BELOW_FRAC: Final = 0.15
"""Impervious part under which that least depth counts (the same slides)."""


def curve_number_runoff_mm(rain_mm: FloatArray | float, curve_number: FloatArray | float) -> FloatArray:
    """Runoff of a storm by curve number [mm].

    Parameters
    ----------
    rain_mm : float or array
        Rain of the storm [mm].
    curve_number : float or array
        Over 0, up to 100.

    Notes
    -----
    ``Q = (P - 0.2 S)^2 / (P + 0.8 S)`` with ``S = 1000 / CN - 10`` in inches, 0 where the rain is at most ``0.2 S``. It
    was fitted to storms of inches on whole fields; of 10 mm on a roof (98) it lets 5.7 mm run off, where an initial
    loss of 1.27 mm leaves 8.7.

    References
    ----------
    USDA SCS (1986), Urban Hydrology for Small Watersheds, TR-55, equations 2-3 and 2-4.
    """
    rain = np.asarray(rain_mm, dtype=float)
    storage = (1000.0 / np.asarray(curve_number, dtype=float) - 10.0) * INCH_MM
    excess = np.maximum(rain - 0.2 * storage, 0.0)
    below = rain + 0.8 * storage
    # without rain and without storage nothing runs off
    return np.asarray(np.divide(excess * excess, below, out=np.zeros(excess.shape), where=excess > 0.0))


def lot_curve_number(impervious_frac: FloatArray | float, pervious_curve_number: FloatArray | float) -> FloatArray:
    """Curve number of a lot, by the parts of roof and pavement (98) and of what grows between them.

    Parameters
    ----------
    impervious_frac : float or array
        Part of the lot under roofs and pavement, 0 to 1, all of it connected.
    pervious_curve_number : float or array
        Curve number of the rest.

    References
    ----------
    TR-55 (1986), Table 2-2a, whose lots of 1/8 to 1 acre are lawns in good condition with such parts.
    """
    frac = np.asarray(impervious_frac, dtype=float)
    return np.asarray(frac * ROOF_CURVE_NUMBER + (1.0 - frac) * np.asarray(pervious_curve_number, dtype=float))


def initial_loss_runoff_mm(rain_mm: FloatArray | float, loss_mm: FloatArray | float) -> FloatArray:
    """Runoff of a storm on a dry roof that holds back its first millimetres [mm].

    Parameters
    ----------
    rain_mm, loss_mm : float or array
        Rain of the storm and initial loss [mm].
    """
    return np.asarray(np.maximum(np.asarray(rain_mm, dtype=float) - np.asarray(loss_mm, dtype=float), 0.0))


def volumetric_coefficient(impervious_frac: FloatArray | float) -> FloatArray:
    """Part of a storm that leaves a site by its impervious part: ``Rv = 0.05 + 0.9 I``.

    Parameters
    ----------
    impervious_frac : float or array
        Impervious part of the site, 0 to 1.

    References
    ----------
    T. Schueler's method in slides of stormwatercenter.net, ``0.05 + 0.009 I`` with I in percent (read); New Hampshire
    Env-Wq 1504.10 with I as a fraction (read).
    """
    return np.asarray(0.05 + 0.9 * np.asarray(impervious_frac, dtype=float))


def water_quality_volume_m3(
    rain_mm: float, impervious_frac: FloatArray | float, area_m2: FloatArray | float
) -> FloatArray:
    """Water quality volume of a site [m3]: ``P Rv A``, on hardly built sites at least 0.2 in over all of it.

    Parameters
    ----------
    rain_mm : float
        Rain of the design storm [mm].
    impervious_frac : float or array
        Impervious part, 0 to 1.
    area_m2 : float or array
        Area of the site [m2].
    """
    frac = np.asarray(impervious_frac, dtype=float)
    depth = rain_mm * volumetric_coefficient(frac)
    depth = np.where(frac < LEAST_DEPTH_BELOW_FRAC, np.maximum(depth, LEAST_DEPTH_MM), depth)
    return np.asarray(depth_on_area_m3(depth, np.asarray(area_m2, dtype=float)))
