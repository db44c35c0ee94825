"""How fast water soaks into the ground: a constant design rate, or Green and Ampt's equation with ponded water.

All depths are in mm over the garden's own area, all times in h. The loops over rain records use the leaves of
`screening.kernels.green_ampt`; these functions are the same equations for arrays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from screening.kernels.green_ampt import hours_to_soak_many, ponded_many

if TYPE_CHECKING:
    from typing import Protocol

    class Soil(Protocol):
        """What a Green-Ampt soil has (`screening.soils.GreenAmptSoil`)."""

        @property
        def suction_mm(self) -> float:
            """Suction head at the wetting front [mm]."""

        @property
        def k_mm_h(self) -> float:
            """Hydraulic conductivity [mm/h]."""

        @property
        def moisture_deficit(self) -> float:
            """Water that a unit of dry soil takes up."""


FloatArray = npt.NDArray[np.float64]
Numbers = FloatArray | float


def drawdown_h(depth_mm: Numbers, rate_mm_h: Numbers) -> FloatArray:
    """Time [h] in which a ponded depth [mm] soaks away at a constant rate [mm/h]."""
    return np.asarray(np.asarray(depth_mm, dtype=float) / rate_mm_h)


def drained_mm(hours: Numbers, rate_mm_h: Numbers) -> FloatArray:
    """Depth [mm] that a constant rate [mm/h] drains in some hours: the greatest ponding depth for a drawdown limit."""
    return np.asarray(np.asarray(hours, dtype=float) * rate_mm_h)


def rate_mm_h(front_mm: Numbers, soil: Soil, head_mm: Numbers = 0.0) -> FloatArray:
    """Infiltration rate [mm/h] once some water has soaked in; infinite into dry soil.

    Parameters
    ----------
    front_mm : (...) array
        Water soaked in since the soil was dry [mm].
    soil : GreenAmptSoil
    head_mm : (...) array
        Water standing on the ground [mm].

    Notes
    -----
    ``f = K (1 + (psi + h) d / F)``. With the depth of the front ``L = F / d`` that is Darcy's law over the wetted soil.
    """
    pull = (soil.suction_mm + np.asarray(head_mm, dtype=float)) * soil.moisture_deficit
    front = np.asarray(front_mm, dtype=float)
    wet = front > 0.0
    return np.asarray(np.where(wet, soil.k_mm_h * (1.0 + pull / np.where(wet, front, 1.0)), np.inf))


def infiltrated_mm(hours: Numbers, soil: Soil, head_mm: Numbers = 0.0, front_mm: Numbers = 0.0) -> FloatArray:
    """Depth [mm] that soaks in within some hours under a constant head.

    Parameters
    ----------
    hours : (...) array
        [h]
    soil : GreenAmptSoil
    head_mm : (...) array
        Water standing on the ground all the time [mm].
    front_mm : (...) array
        Water soaked in before [mm].

    Notes
    -----
    Solves ``F1 - F0 - A ln((F1 + A) / (F0 + A)) = K t`` with ``A = (psi + h) d`` to a relative 1e-12.
    """
    front, head, t, suction, k, deficit = _flat(
        front_mm, head_mm, hours, soil.suction_mm, soil.k_mm_h, soil.moisture_deficit
    )
    shape = np.broadcast(front_mm, head_mm, hours).shape
    return np.asarray(ponded_many(front, head, t, suction, k, deficit)).reshape(shape)


def hours_to_infiltrate(depth_mm: Numbers, soil: Soil, head_mm: Numbers = 0.0) -> FloatArray:
    """Time [h] in which a depth [mm] soaks into dry soil under a constant head [mm]."""
    depth = np.asarray(depth_mm, dtype=float)
    pull = (soil.suction_mm + np.asarray(head_mm, dtype=float)) * soil.moisture_deficit
    return np.asarray((depth - pull * np.log1p(depth / pull)) / soil.k_mm_h)


def hours_to_soak_away(depth_mm: Numbers, soil: Soil, front_mm: Numbers = 0.0) -> FloatArray:
    """Time [h] in which a ponded depth [mm] soaks away without further inflow, its head falling.

    Parameters
    ----------
    depth_mm : (...) array
        Water on the ground at first [mm].
    soil : GreenAmptSoil
    front_mm : (...) array
        Water soaked in before [mm].
    """
    front, depth, suction, k, deficit = _flat(front_mm, depth_mm, soil.suction_mm, soil.k_mm_h, soil.moisture_deficit)
    shape = np.broadcast(front_mm, depth_mm).shape
    return np.asarray(hours_to_soak_many(front, depth, suction, k, deficit)).reshape(shape)


def ponding_time_h(rain_mm_h: Numbers, soil: Soil) -> FloatArray:
    """Time [h] from which water stands on dry soil under steady rain; infinite for rain slower than the conductivity.

    Notes
    -----
    ``t = K psi d / (i (i - K))``.
    """
    rain = np.asarray(rain_mm_h, dtype=float)
    ponds = rain > soil.k_mm_h
    excess = np.where(ponds, rain * (rain - soil.k_mm_h), 1.0)
    return np.asarray(np.where(ponds, soil.k_mm_h * soil.suction_mm * soil.moisture_deficit / excess, np.inf))


def infiltrated_from_rain_mm(rain_mm_h: Numbers, hours: Numbers, soil: Soil) -> FloatArray:
    """Depth [mm] that soaks into dry soil within some hours of steady rain whose excess runs off.

    Parameters
    ----------
    rain_mm_h : (...) array
        [mm/h]
    hours : (...) array
        [h]
    soil : GreenAmptSoil
    """
    rain, t = np.broadcast_arrays(np.asarray(rain_mm_h, dtype=float), np.asarray(hours, dtype=float))
    before_h = np.minimum(ponding_time_h(rain, soil), t)
    before_mm = rain * before_h
    return np.asarray(before_mm + infiltrated_mm(t - before_h, soil, front_mm=before_mm))


def front_depth_mm(front_mm: Numbers, soil: Soil) -> FloatArray:
    """Depth of the wetting front [mm] once some water [mm] has soaked in."""
    return np.asarray(np.asarray(front_mm, dtype=float) / soil.moisture_deficit)


def _flat(*values: Numbers) -> list[FloatArray]:
    """Values of one shape as flat arrays, as kernels read them."""
    arrays = np.broadcast_arrays(*[np.asarray(value, dtype=float) for value in values])
    return [np.ascontiguousarray(array).ravel() for array in arrays]
