"""Gardens through the bucket one by one: exact, and fast enough for a city."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.kernels.bucket import LANES, spill_of_gardens, yearly_balance
from screening.kernels.wetting import spill_of_wetting_gardens, yearly_balance_wetting

if TYPE_CHECKING:
    from collections.abc import Callable

    from screening.water_balance.series import RainSteps

FloatArray = npt.NDArray[np.float64]


class Wetting(NamedTuple):
    """A soil that takes in water by Green and Ampt.

    Attributes
    ----------
    suction_mm : float
        Suction head at the wetting front [mm].
    k_mm_h : float
        Hydraulic conductivity [mm/h].
    moisture_deficit : float
        Water that a unit of dry soil takes up.
    recovery_h : float
        Time without ponding in which the soil's filling fades to 37 % [h].
    """

    suction_mm: float
    k_mm_h: float
    moisture_deficit: float
    recovery_h: float


class Catchments(NamedTuple):
    """Gardens with their roofs as the bucket counts them, over garden and roof together; (n,) arrays.

    Attributes
    ----------
    share : (n,) array
        Garden over garden and roof.
    store_mm : (n,) array
        Ponding depth times the share [mm].
    soak : (n,) array
        Infiltration rate times the share [mm/h]; on a wetting soil the factor on its conductivity times the share.
    """

    share: FloatArray
    store_mm: FloatArray
    soak: FloatArray


class Balance(NamedTuple):
    """Water of one garden in each year, (n_years,) arrays, [mm] over the garden's own area.

    Attributes
    ----------
    from_roof_mm, from_rain_mm : (n_years,) array
        What comes from the roof, and what falls on the garden itself.
    soaked_mm, spilled_mm : (n_years,) array
        What soaks in and what spills.
    ponded_mm : (n_years,) array
        What stands in the garden when the next year's rain begins: dry hours count with the rain before them.
    """

    from_roof_mm: FloatArray
    from_rain_mm: FloatArray
    soaked_mm: FloatArray
    spilled_mm: FloatArray
    ponded_mm: FloatArray


def catchments(area_ratio: FloatArray, depth_mm: FloatArray, rate: FloatArray) -> Catchments:
    """Gardens as the bucket counts them.

    Parameters
    ----------
    area_ratio : (n,) array
        Garden area over roof area, 0 or more.
    depth_mm : (n,) array
        Ponding depth [mm].
    rate : (n,) array
        Infiltration rate [mm/h], or factor on a wetting soil's conductivity.
    """
    ratio, depth, speed = np.broadcast_arrays(area_ratio, depth_mm, rate)
    share = np.asarray(ratio / (1.0 + ratio), dtype=float)
    return Catchments(share, share * depth, share * speed)


def usable_threads() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def in_threads(n: int, work: Callable[[int, int], None], threads: int | None) -> None:
    """Do the work on 0 to n in pieces, on some threads; which thread does what changes no figure."""
    count = usable_threads() if threads is None else threads
    if count <= 1 or n <= 4 * LANES:
        work(0, n)
        return
    piece = max(LANES, -(-n // (8 * count * LANES)) * LANES)
    with ThreadPoolExecutor(count) as pool:
        for done in [pool.submit(work, begin, min(begin + piece, n)) for begin in range(0, n, piece)]:
            done.result()


def kept_each_year(
    steps: RainSteps, gardens: Catchments, loss: int = 0, *, soil: Wetting | None = None, threads: int | None = None
) -> FloatArray:
    """Part of the roof's runoff that each garden keeps in each year, by simulation.

    Parameters
    ----------
    steps : RainSteps
    gardens : Catchments
    loss : int
        Which of the initial losses of the steps.
    soil : Wetting or None
        The soil that all gardens lie on; None where the rate is constant.
    threads : int or None
        None: every core that the process may use. The figures are the same.

    Returns
    -------
    (n_years, n) array
        ``1 - spilled / inflow`` of the year. What spills is roof water and rain mixed, so this is the roof's part of it
        too. A year without inflow counts as 1.
    """
    n_years = len(steps.years)
    n = len(gardens.share)
    spilled = np.empty((n_years, n))
    rain = (steps.rain_mm, steps.runoff_mm[loss], steps.dry_h, steps.step_h, steps.first)

    if soil is None:

        def work(begin: int, end: int) -> None:
            spill_of_gardens(*rain, *gardens, begin, end, spilled)
    else:
        k = soil.k_mm_h * gardens.soak
        suction = soil.suction_mm * gardens.share
        on = (gardens.share, gardens.store_mm, k, suction, soil.moisture_deficit, soil.recovery_h)

        def work(begin: int, end: int) -> None:
            spill_of_wetting_gardens(*rain, *on, begin, end, spilled)

    in_threads(n, work, threads)
    from_roof = steps.runoff_mm_y[:, loss, None] * (1.0 - gardens.share)
    inflow = from_roof + steps.rain_mm_y[:, None] * gardens.share
    return np.asarray(1.0 - np.divide(spilled, inflow, out=np.zeros_like(spilled), where=inflow > 0.0))


def long_term(kept_frac: FloatArray, runoff_mm_y: FloatArray) -> FloatArray:
    """Part kept over all years, (n,).

    Parameters
    ----------
    kept_frac : (n_years, n) array
        Part kept in each year.
    runoff_mm_y : (n_years,) array
        Runoff of each year [mm], the weight of the years.
    """
    total = float(runoff_mm_y.sum())
    if total <= 0.0:
        return np.ones(kept_frac.shape[1:])
    return np.asarray(np.tensordot(runoff_mm_y, kept_frac, axes=1) / total)


def kept_long_term(
    steps: RainSteps,
    area_ratio: FloatArray,
    depth_mm: FloatArray,
    rate: FloatArray,
    loss: int = 0,
    *,
    soil: Wetting | None = None,
    threads: int | None = None,
) -> FloatArray:
    """Part of the roof's runoff that each garden keeps over the whole record, by simulation, (n,).

    Parameters
    ----------
    steps : RainSteps
    area_ratio, depth_mm, rate
        See `catchments`.
    loss, soil, threads
        See `kept_each_year`.
    """
    gardens = catchments(area_ratio, depth_mm, rate)
    return long_term(kept_each_year(steps, gardens, loss, soil=soil, threads=threads), steps.runoff_mm_y[:, loss])


def balance(
    steps: RainSteps, area_ratio: float, depth_mm: float, rate: float, loss: int = 0, *, soil: Wetting | None = None
) -> Balance:
    """Water of one garden, year by year, every term of it.

    Parameters
    ----------
    steps : RainSteps
    area_ratio, depth_mm, rate
        See `catchments`; the ratio more than 0.
    loss, soil
        See `kept_each_year`.
    """
    one = catchments(np.array([area_ratio]), np.array([depth_mm]), np.array([rate]))
    share, store, soak = (float(values[0]) for values in one)
    rain = (steps.rain_mm, steps.runoff_mm[loss], steps.dry_h, steps.step_h, steps.first)
    if soil is None:
        found = yearly_balance(*rain, share, store, soak)
    else:
        found = yearly_balance_wetting(
            *rain, share, store, soil.k_mm_h * soak, soil.suction_mm * share, soil.moisture_deficit, soil.recovery_h
        )
    # from the catchment's area to the garden's
    return Balance(
        steps.runoff_mm_y[:, loss] * (1.0 - share) / share,
        steps.rain_mm_y,
        found[:, 1] / share,
        found[:, 2] / share,
        found[:, 3] / share,
    )
