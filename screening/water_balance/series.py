"""The rain record as the bucket takes it: steps of at most an hour, only those in which it rains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from screening.kernels.bucket import roof_runoff_mm
from screening.years import year_of

if TYPE_CHECKING:
    from screening.params import RainParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
TimeArray = npt.NDArray[np.datetime64]

DAY_H: Final = 24.0


@dataclass(frozen=True, eq=False)
class RainSteps:
    """Rain, and the runoff of roofs, in the steps of a record in which it rains on unfrozen ground.

    Attributes
    ----------
    rain_mm : (n,) array
        Rain of each step [mm].
    runoff_mm : (n_losses, n) array
        Runoff of a roof with each initial loss [mm].
    dry_h : (n,) array
        Unfrozen hours without rain that follow each step [h].
    first : (n_years + 1,) int array
        Year ``y`` has the steps ``first[y]`` to ``first[y + 1]``.
    years : tuple of int
        Calendar years, or the years in which twelve months begin that the record's first month opens.
    loss_mm : (n_losses,) array
        Initial losses [mm], rising.
    step_h : float
        Length of a step [h].
    """

    rain_mm: FloatArray
    runoff_mm: FloatArray
    dry_h: FloatArray
    first: IntArray
    years: tuple[int, ...]
    loss_mm: FloatArray
    step_h: float

    @property
    def rain_mm_y(self) -> FloatArray:
        """Rain of each year [mm], (n_years,)."""
        return _sums(self.rain_mm[None], self.first)[:, 0]

    @property
    def runoff_mm_y(self) -> FloatArray:
        """Runoff of a roof in each year [mm], (n_years, n_losses)."""
        return _sums(self.runoff_mm, self.first)

    def loss_index(self, loss_mm: float) -> int:
        """Which of the initial losses is nearest to one [mm]."""
        return int(np.argmin(np.abs(self.loss_mm - loss_mm)))


def _sums(depths: FloatArray, first: IntArray) -> FloatArray:
    """Sums of the columns of each year, (n_years, rows)."""
    total = np.concatenate([np.zeros((len(depths), 1)), np.cumsum(depths, axis=1)], axis=1)
    return np.ascontiguousarray(np.diff(total[:, first], axis=1).T)


def spread_days(time: TimeArray, rain_mm: FloatArray, rain_h: int) -> tuple[TimeArray, FloatArray]:
    """Spread each day's rain evenly over its middle hours.

    Parameters
    ----------
    time : (n,) array of datetime64
        Days.
    rain_mm : (n,) array
        Rain of each day [mm].
    rain_h : int
        Hours over which it falls, 1 to 24.

    Returns
    -------
    time : (24 n,) array of datetime64
        Hours.
    rain_mm : (24 n,) array
        Rain of each hour [mm].
    """
    hours: TimeArray = time.astype("datetime64[h]")[:, None] + np.arange(24).astype("timedelta64[h]")
    day = np.zeros(24)
    begin = (24 - rain_h) // 2
    day[begin : begin + rain_h] = 1.0 / rain_h
    return hours.ravel(), (rain_mm[:, None] * day).ravel()


def rain_steps(
    time: TimeArray, rain_mm: FloatArray, step_h: float, params: RainParams, loss_mm: FloatArray
) -> RainSteps:
    """Take the steps with rain out of a record.

    Parameters
    ----------
    time : (n,) array of datetime64
        Start of each step; without gaps but between picked calendar years. Whole years.
    rain_mm : (n,) array
        Rain of each step [mm].
    step_h : float
        Length of a step [h]: at most 1, or 24 for days, which are spread over hours first.
    params : RainParams
        Dry spell, frozen months, hours of a day's rain.
    loss_mm : (n_losses,) array
        Initial losses of roofs [mm], rising.

    Raises
    ------
    ValueError
        If steps are longer than an hour and no days.

    Notes
    -----
    The roof holds back the first ``loss_mm`` of a storm, and is dry again after ``dry_spell_h`` without rain. In frozen
    months nothing runs off, nothing falls on gardens and nothing soaks away; water that stood in a garden stands there
    until the thaw.
    """
    if step_h == DAY_H:
        time, rain_mm = spread_days(time, rain_mm, params.daily_rain_h)
        step_h = 1.0
    if step_h > 1.0:
        msg = f"steps of {step_h:g} h are too long for the bucket: at most 1 h"
        raise ValueError(msg)
    month = time.astype("datetime64[M]").astype(np.int64)
    frozen = np.isin(month % 12 + 1, params.frozen_months)
    dry_steps = max(1, round(params.dry_spell_h / step_h))
    wet = np.flatnonzero((rain_mm > 0.0) & ~frozen)
    loss = np.atleast_1d(np.asarray(loss_mm, dtype=float))
    runoff = np.array([roof_runoff_mm(rain_mm, float(one), dry_steps, frozen)[wet] for one in loss])
    # hours of thaw from each wet step to the next, less the step itself
    thawed = np.concatenate([[0], np.cumsum(~frozen)])
    dry = np.diff(np.append(thawed[wet], thawed[-1])) - 1.0
    year = year_of(time)
    labels = np.unique(year)
    ends = np.searchsorted(year[wet], labels, side="left")
    return RainSteps(
        rain_mm=np.ascontiguousarray(rain_mm[wet], dtype=float),
        runoff_mm=runoff.reshape(len(loss), len(wet)),
        dry_h=dry * step_h,
        first=np.append(ends, len(wet)).astype(np.int64),
        years=tuple(labels.tolist()),
        loss_mm=loss,
        step_h=float(step_h),
    )
