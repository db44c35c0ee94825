"""What area each sizing method asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.params.area_ratios import AREA_RATIOS
from screening.sizing.depth import band_depths_mm
from screening.sizing.handbook import FAR_SIZE_FACTORS, handbook_class, size_factor

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.params import SizingParams

FloatArray = npt.NDArray[np.float64]

HANDBOOK_LEAST_MM: Final = 76.0
"""3 in, the shallowest gardens of the handbook's table (GWQ037)."""


class Wanted(NamedTuple):
    """What a sizing method asks for, as the search for a place reads it.

    Attributes
    ----------
    per_roof : (bands,) array
        Garden area per roof area of each slope band [m2/m2]; 0 where the method is a fixed area, NaN where the soil
        takes no water.
    far_factor : float
        Garden area per area of roof and lawn for downspouts beyond the limit [m2/m2]; 0 where the method has no such
        rule.
    near_limit_m : float
        Run up to which ``per_roof`` holds [m]; infinite where the method has no far rule.
    fixed_m2 : float
        Area whatever the roof [m2]; 0 where the method follows the roof.
    """

    per_roof: FloatArray
    far_factor: float
    near_limit_m: float
    fixed_m2: float


def capture_area_m2(roof_area_m2: FloatArray | float, rain_mm: float, depth_mm: FloatArray | float) -> FloatArray:
    """Garden area [m2] that stores a rain depth on a roof: ``roof * rain / depth``; NaN where the depth is 0.

    Parameters
    ----------
    roof_area_m2 : float or array
        Plan area [m2].
    rain_mm : float
        Rain to store [mm].
    depth_mm : float or array
        Ponding depth [mm].
    """
    volume, depth = np.broadcast_arrays(
        np.asarray(roof_area_m2, dtype=float) * rain_mm, np.asarray(depth_mm, dtype=float)
    )
    return np.asarray(np.divide(volume, depth, out=np.full(depth.shape, np.nan), where=depth > 0.0))


def wanted(params: SizingParams, soil_rate_mm_h: float) -> Wanted:
    """What the run's sizing method asks for on soil of a rate.

    Parameters
    ----------
    params : SizingParams
    soil_rate_mm_h : float
        Likely infiltration rate [mm/h].
    """
    depths = band_depths_mm(params, soil_rate_mm_h)
    nothing = np.zeros(len(depths))
    soil_class = handbook_class(params, soil_rate_mm_h)
    if params.method == "handbook":
        factor = np.where(depths > 0.0, size_factor(soil_class, depths), np.nan)
        return Wanted(factor, FAR_SIZE_FACTORS[soil_class], params.near_limit_m, 0.0)
    if params.method == "fixed_area":
        return Wanted(nothing, 0.0, np.inf, params.fixed_area_m2)
    if params.method == "area_ratio":
        ratio = AREA_RATIOS[params.ratio_rule].figure(soil_class, params.ratio_choice)
        return Wanted(np.where(depths > 0.0, ratio, np.nan), 0.0, np.inf, 0.0)
    # capture_depth and drain_in_a_day store the same rain and differ in the depth of the bands
    return Wanted(capture_area_m2(np.ones(len(depths)), params.capture_depth_mm, depths), 0.0, np.inf, 0.0)


def area_per_roof(params: SizingParams, soil_rate_mm_h: float) -> tuple[FloatArray, float]:
    """Garden area per roof area of each slope band, and a fixed area [m2], for gardens near their downspouts.

    Returns
    -------
    per_roof : (bands,) array
        [m2/m2]; 0 where the method is a fixed area.
    fixed_m2 : float
        [m2]; 0 where the method follows the roof.
    """
    asked = wanted(params, soil_rate_mm_h)
    return asked.per_roof, asked.fixed_m2


def unmet_conditions(params: SizingParams, soil_rate_mm_h: float) -> Iterator[str]:
    """Yield in words what the source of the chosen ratio asks for and the run does not give.

    Parameters
    ----------
    params : SizingParams
    soil_rate_mm_h : float
        Likely infiltration rate [mm/h].
    """
    if params.method == "handbook":
        least = float(band_depths_mm(params, soil_rate_mm_h).min())
        if least < HANDBOOK_LEAST_MM:
            yield (
                "the handbook's factors are meant for gardens of 3 in (76 mm) or more; on soil of "
                f"{soil_rate_mm_h:g} mm/h they are {least:.0f} mm deep on the gentlest ground, and divert less than "
                "the handbook means"
            )
    if params.method != "area_ratio":
        return
    rule = AREA_RATIOS[params.ratio_rule]
    shallowest = float(band_depths_mm(params, soil_rate_mm_h).min())
    # the tool's 150 mm are the source's 6 in
    if shallowest < rule.least_depth_mm - 3.0:
        yield (
            f"the area ratio of {rule.title} is meant for ponding of {rule.least_depth_mm:.0f} mm or more; the run has "
            f"{shallowest:.0f} mm on its gentlest slopes"
        )
    if soil_rate_mm_h < rule.least_rate_mm_h - 0.05:
        yield (
            f"the area ratio of {rule.title} is meant for soil that takes {rule.least_rate_mm_h:.1f} mm/h or more; the "
            f"run has {soil_rate_mm_h:g} mm/h"
        )
