"""How far the data carry a proposal: one number between 0 and 1 from plain, stated factors."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

FloatArray = npt.NDArray[np.float64]

# every factor below is a program default: an order of trust, no measured probability
CELL_GRACE: Final = 1.0001
"""A cell of a metre counted in feet may come out a hair over a metre."""

MIDDLING_CELL: Final = 0.8
COARSE_CELL: Final = 0.4
ASSUMED_DOWNSPOUTS: Final = 0.85
ASSUMED_ROOF_FORM: Final = 0.95
ASSUMED_RAIN: Final = 0.9
WORST_PLANE: Final = 0.8
WORST_FALL: Final = 0.7
SURE_FALL_M: Final = 0.3
LEVEL_PCT: Final = 2.0
OVERFLOW: Final[Mapping[str, float]] = MappingProxyType(
    {
        "street": 1.0,
        "drainage": 1.0,
        "own_ground": 0.9,
        "own_low_spot": 0.9,
        "off_elevation": 0.7,
        "neighbour_lot": 0.7,
    }
)


def confidence(
    *,
    cell_m: float,
    warn_cell_m: float,
    max_cell_m: float,
    is_measured: npt.NDArray[np.bool_],
    is_form_known: bool,
    is_rain_assumed: bool,
    slope_pct: FloatArray,
    fit_frac: FloatArray,
    fall_m: FloatArray,
    overflow_code: npt.NDArray[np.object_],
) -> FloatArray:
    """Product of factors for the data behind a home's proposal.

    Parameters
    ----------
    cell_m, warn_cell_m, max_cell_m : float
        Elevation cell, and the sizes from which it counts as middling and as coarse [m].
    is_measured : (n,) bool array
        Downspouts are measured.
    is_form_known, is_rain_assumed : bool
    slope_pct, fit_frac : (n,) array
        Plane around the house [%], its R2; on nearly level ground R2 says nothing and does not count.
    fall_m : (n,) array
        Smallest fall of a run [m]: below 0.3 m the noise of an elevation model matters.
    overflow_code : (n,) array of str
    """
    factor = np.ones(len(slope_pct))
    if cell_m > max_cell_m * CELL_GRACE:
        factor *= COARSE_CELL
    elif cell_m > warn_cell_m * CELL_GRACE:
        factor *= MIDDLING_CELL
    factor *= np.where(is_measured, 1.0, ASSUMED_DOWNSPOUTS)
    if not is_form_known:
        factor *= ASSUMED_ROOF_FORM
    if is_rain_assumed:
        factor *= ASSUMED_RAIN
    factor *= np.where(slope_pct < LEVEL_PCT, 1.0, WORST_PLANE + (1.0 - WORST_PLANE) * np.clip(fit_frac, 0.0, 1.0))
    factor *= WORST_FALL + (1.0 - WORST_FALL) * np.clip(fall_m / SURE_FALL_M, 0.0, 1.0)
    factor *= np.array([OVERFLOW[code] for code in overflow_code], dtype=float)
    return factor
