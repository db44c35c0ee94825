"""Diverted volumes of gardens: low, likely, high."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from screening.params import RoofParams
    from screening.water_balance import YieldCurves

FloatArray = npt.NDArray[np.float64]


def diverted_m3_y(
    curves: YieldCurves,
    area_m2: FloatArray,
    roof_m2: FloatArray,
    gable_roof_m2: FloatArray,
    band: npt.NDArray[np.int64],
    params: RoofParams,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Low, likely and high volume [m3/y] that each garden keeps.

    Parameters
    ----------
    curves : YieldCurves
    area_m2 : (n,) array
        Garden area [m2].
    roof_m2, gable_roof_m2 : (n,) array
        Served roof under the main form and under a gable [m2].
    band : (n,) int array
        Slope band.
    params : RoofParams
        Connection of the roofs.

    Notes
    -----
    Low takes the low soil rate, the lesser of the two served roofs and the low connection; high the other ends. A
    garden keeps more the more roof it serves, so low <= likely <= high.
    """
    least = np.minimum(roof_m2, gable_roof_m2) * params.connection_low_frac
    most = np.maximum(roof_m2, gable_roof_m2) * params.connection_high_frac
    out = []
    for level, roof in ((0, least), (1, roof_m2 * params.connection_likely_frac), (2, most)):
        volume = np.zeros(len(area_m2))
        some = roof > 0.0
        fraction = curves.kept(level, area_m2[some] / roof[some], band[some])
        volume[some] = curves.runoff_mm_y / 1000.0 * roof[some] * fraction
        out.append(volume)
    return out[0], out[1], out[2]
