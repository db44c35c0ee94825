"""Diverted volumes of gardens: low, likely, high."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from screening.params import RoofParams
    from screening.water_balance import YieldCurves

FloatArray = npt.NDArray[np.float64]


class Volumes(NamedTuple):
    """What gardens keep [m3/y].

    Attributes
    ----------
    low, high : (2, n) array
        Under the main form and under a gable.
    likely : (n,) array
        Under the main form.
    """

    low: FloatArray
    likely: FloatArray
    high: FloatArray


def diverted_m3_y(
    curves: YieldCurves,
    area_m2: FloatArray,
    roof_m2: FloatArray,
    gable_roof_m2: FloatArray,
    band: npt.NDArray[np.int64],
    params: RoofParams,
) -> Volumes:
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
    Low takes the low soil rate and the low connection, high the other ends. A garden keeps more the more roof it
    serves, so under one form low <= likely <= high. A roof has one form: over the gardens of a home the volumes are
    summed under each form before the lesser (or greater) sum is taken.
    """

    def kept(level: int, roof: FloatArray) -> FloatArray:
        volume = np.zeros(len(area_m2))
        some = roof > 0.0
        fraction = curves.kept(level, area_m2[some] / roof[some], band[some])
        volume[some] = curves.runoff_mm_y / 1000.0 * roof[some] * fraction
        return volume

    low = [kept(0, roof * params.connection_low_frac) for roof in (roof_m2, gable_roof_m2)]
    likely = kept(1, roof_m2 * params.connection_likely_frac)
    high = [kept(2, roof * params.connection_high_frac) for roof in (roof_m2, gable_roof_m2)]
    # a garden's water under the forms that its roof may have, the main form first
    return Volumes(np.array(low), likely, np.array(high))
