"""How a garden changes over the years: its bowl silts up, its plants grow in, and one day it is dug out again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.kernels.yield_table import kept_by_gardens

if TYPE_CHECKING:
    from screening.params import AgeingParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SHOWN_YEARS = (1, 2, 3, 5, 10, 15, 20, 30, 50, 100)
"""Years that a short table shows."""

WHOLE_YEARS = 1e-9
"""Depth over sediment is counted in whole years; so little of a year is rounding."""


class Ageing(NamedTuple):
    """Gardens over the years, if nobody digs them out.

    Attributes
    ----------
    as_dug_m3_y : (n,) array
        Volume at the full depth and the design rate: the figure of the result [m3/y].
    depth_mm : (n, years) array
        Depth in the middle of each year, from the first after digging [mm].
    volume_m3_y : (n, years) array
        Volume of each year [m3/y].
    dig_out_after_y : (n,) int array
        Whole years after which the bowl no longer keeps the stated part of ``as_dug_m3_y``; -1: not within the years
        looked at.
    """

    as_dug_m3_y: FloatArray
    depth_mm: FloatArray
    volume_m3_y: FloatArray
    dig_out_after_y: IntArray


class YearRow(NamedTuple):
    """One line of a short table.

    Attributes
    ----------
    year : int
        Year after digging, 1 is the first.
    depth_mm : float
        Depth in its middle [mm].
    volume_m3_y : float
        Volume of that year, all gardens of the home [m3/y].
    kept_frac : float
        That over the volume as dug.
    is_growing_in : bool
        Whether the plants are still growing in.
    is_digging_due : bool
        Whether the bowl should have been dug out before.
    """

    year: int
    depth_mm: float
    volume_m3_y: float
    kept_frac: float
    is_growing_in: bool
    is_digging_due: bool


def depth_after_mm(depth_mm: FloatArray, years: FloatArray | float, sediment_mm_y: float) -> FloatArray:
    """Depth that is left after some years [mm].

    Parameters
    ----------
    depth_mm : (...) array
        Depth as dug [mm].
    years : (...) array
        Time since [y].
    sediment_mm_y : float
        Depth lost each year [mm/y].
    """
    return np.asarray(np.maximum(np.asarray(depth_mm) - sediment_mm_y * np.asarray(years), 0.0))


def age_gardens(
    table: Any,
    area_m2: FloatArray,
    depth_mm: FloatArray,
    roof_m2: FloatArray,
    soil: IntArray,
    rate: FloatArray,
    *,
    loss_mm: float,
    params: AgeingParams,
) -> Ageing:
    """Follow gardens over the years.

    Parameters
    ----------
    table : YieldTable
        One with a single mean year is as good and much quicker.
    area_m2, depth_mm, roof_m2 : (n,) array
        Garden area [m2], depth [mm], roof that it serves, connected part [m2].
    soil : (n,) int array
        Soil of the table.
    rate : (n,) array
        Design rate [mm/h]; with Green-Ampt the factor on the conductivity, 1.
    loss_mm : float
        Initial loss of the roofs [mm].
    params : AgeingParams

    Notes
    -----
    ``d(t) = max(0, d0 - s t)``; year ``y`` is computed with the depth in its middle, ``t = y - 1/2``, and while the
    plants grow in with a part of the design rate. When to dig follows from the depth alone, for digging does not help
    the plants: the last whole year after which ``V(d(y)) >= keep * V(d0)``.
    """
    years = np.arange(1.0, params.horizon_y + 1.0)
    runoff_m = float(np.mean([np.interp(loss_mm, table.loss_mm, one) for one in table.runoff_mm_y])) / 1000.0

    def volume(depth: FloatArray, rate_frac: FloatArray) -> FloatArray:
        """Volume [m3/y] of every garden (rows) for every depth (columns)."""
        shape = depth.shape
        out = np.empty(depth.size)
        with np.errstate(divide="ignore"):  # a garden that serves no roof keeps nothing of nothing
            ln_rate = np.log(rate[:, None] * rate_frac)
            ln_ratio = np.log(area_m2 / roof_m2)[:, None]
        columns = (np.broadcast_to(c, shape).ravel() for c in (ln_rate, depth, ln_ratio))
        kept_by_gardens(
            table.kept_frac,
            table.runoff_mm_y,
            table.loss_mm,
            table.ln_rate,
            table.store_mm,
            table.share,
            np.broadcast_to(np.asarray(soil, dtype=np.int64)[:, None], shape).ravel(),
            loss_mm,
            *(np.ascontiguousarray(c, dtype=float) for c in columns),
            out,
        )
        return np.asarray(out.reshape(shape) * roof_m2[:, None] * runoff_m)

    depth = np.asarray(depth_mm, dtype=float)[:, None]
    as_dug = volume(depth, np.ones(1))
    middle = depth_after_mm(depth, years - 0.5, params.sediment_mm_y)
    growing = np.where(years <= params.establishment_y, params.establishment_rate_frac, 1.0)
    at_end = volume(depth_after_mm(depth, years, params.sediment_mm_y), np.ones(1))
    # rounding must not call for the spade where nothing has changed
    holds = at_end >= params.keep_frac * as_dug * (1.0 - WHOLE_YEARS)
    after = np.where(holds.all(axis=1), -1, np.argmin(holds, axis=1))
    return Ageing(as_dug[:, 0], middle, volume(middle, growing), after)


def year_rows(ageing: Ageing, params: AgeingParams, years: tuple[int, ...] = SHOWN_YEARS) -> list[YearRow]:
    """Short table of a home: its gardens together, year by year.

    Parameters
    ----------
    ageing : Ageing
        Of the home's gardens.
    params : AgeingParams
    years : tuple of int
        Years to show; those behind the horizon are left out, and the first after digging is due is added.
    """
    due = first_due(ageing)
    shown = {year for year in years if year <= params.horizon_y}
    if 0 <= due < params.horizon_y:
        shown.add(due + 1)
    as_dug = float(ageing.as_dug_m3_y.sum())
    rows = []
    for year in sorted(shown):
        volume = float(ageing.volume_m3_y[:, year - 1].sum())
        rows.append(
            YearRow(
                year=year,
                depth_mm=float(ageing.depth_mm[:, year - 1].min()),
                volume_m3_y=volume,
                kept_frac=volume / as_dug if as_dug > 0.0 else 0.0,
                is_growing_in=year <= params.establishment_y,
                is_digging_due=0 <= due < year,
            )
        )
    return rows


def first_due(ageing: Ageing) -> int:
    """Whole years after which the first of a home's gardens should be dug out; -1: none within the years looked at."""
    due = ageing.dig_out_after_y[ageing.dig_out_after_y >= 0]
    return int(due.min()) if len(due) else -1
