"""What gardens keep where there is no rain record, from the statistics of storms alone.

Storms have exponentially distributed depths, durations and dry times between them: the garden's level before a storm
is then a Markov chain whose stationary distribution has a closed form. It is derived in docs/method/storms.md; the
names here are those of that page. All depths count over the whole catchment, as in `screening.kernels.bucket`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.water_balance.table import YieldTable, spaced, store_axis

if TYPE_CHECKING:
    from screening.params import RainParams
    from screening.water_balance.series import RainSteps

FloatArray = npt.NDArray[np.float64]

STORM_RATES: Final = ((0.0005, 1000.0, 1.15),)
"""Axis of rates [mm/h over the catchment]: from, to, factor between neighbours."""


def storms_y(rain: RainParams) -> float:
    """Storms a year that fall on unfrozen ground: as many in every month."""
    return rain.storms_per_y * (1.0 - len(set(rain.frozen_months)) / 12.0)


def runoff_of_storms_mm_y(rain: RainParams, loss_mm: float) -> float:
    """Mean yearly runoff of a roof [mm]: ``N mu exp(-l / mu)``.

    Parameters
    ----------
    rain : RainParams
    loss_mm : float
        Initial loss of the roof [mm].
    """
    return storms_y(rain) * rain.storm_mean_mm * float(np.exp(-loss_mm / rain.storm_mean_mm))


class StormStatistics(NamedTuple):
    """Storms of a record: the words of ``[rain]`` for a town without one.

    Attributes
    ----------
    storms_per_y : float
        Storms a year.
    mean_mm, duration_h, dry_h : float
        Means of depth [mm], duration [h] and dry time until the next storm [h].
    """

    storms_per_y: float
    mean_mm: float
    duration_h: float
    dry_h: float


def storm_statistics(steps: RainSteps, dry_spell_h: float) -> StormStatistics:
    """Storms of a record, parted by dry spells of at least ``dry_spell_h`` [h].

    Parameters
    ----------
    steps : RainSteps
        Of a record in which it rains at all.
    dry_spell_h : float
        Dry time that ends a storm [h].
    """
    ends = steps.dry_h >= dry_spell_h
    ends[-1] = True
    n = int(ends.sum())
    dry = float(steps.dry_h[ends].sum())
    wet = float(steps.dry_h[~ends].sum()) + len(ends) * steps.step_h
    return StormStatistics(n / len(steps.years), float(steps.rain_mm.sum()) / n, wet / n, dry / n)


def draw_storms(
    rain: RainParams, n_years: int, seed: int, *, step_min: int = 60
) -> tuple[npt.NDArray[np.datetime64], FloatArray]:
    """Invented rain of storms with exponentially distributed depth, duration and dry time.

    Parameters
    ----------
    rain : RainParams
        Means of the three.
    n_years : int
        Whole years from 2001 on.
    seed : int
        Seed of the draws.
    step_min : int
        Length of a step [min].

    Returns
    -------
    time : (n,) array of datetime64
        Start of each step.
    rain_mm : (n,) array
        Rain of each step [mm]; within a storm it falls evenly.
    """
    step = np.timedelta64(step_min, "m")
    time = np.arange(np.datetime64("2001-01-01T00", "m"), np.datetime64(f"{2001 + n_years}-01-01T00", "m"), step)
    rng = np.random.default_rng(seed)
    step_h = step_min / 60.0
    mean = len(time) * step_h / (rain.storm_duration_h + rain.mean_dry_h)
    # more than enough: six standard deviations of the number of storms, and some for short records
    n = int(mean + 6.0 * np.sqrt(mean) + 20)
    spans = np.column_stack([rng.exponential(rain.mean_dry_h, n), rng.exponential(rain.storm_duration_h, n)])
    knots = np.cumsum(spans.ravel())
    fallen = np.repeat(np.cumsum(rng.exponential(rain.storm_mean_mm, n)), 2)
    fallen[0::2] = np.concatenate([[0.0], fallen[1:-1:2]])
    total = np.interp(np.arange(len(time) + 1.0) * step_h, knots, fallen)
    return time, np.diff(total)


def storm_kept_frac(store_mm: FloatArray, soak_mm_h: FloatArray, loss_mm: float, rain: RainParams) -> FloatArray:
    """Part of the roof's runoff that gardens keep in the long run, (n,).

    Parameters
    ----------
    store_mm, soak_mm_h : (n,) array
        Ponding depth [mm] and infiltration rate [mm/h], each times the garden's share of its catchment.
    loss_mm : float
        Initial loss of the roof [mm].
    rain : RainParams
        Mean depth, duration and dry time of storms.

    Notes
    -----
    The level before a storm has the density ``w(x) = c0 + c1 exp(s1 x) + c2 exp(s2 x)`` inside the garden and an atom
    at 0; ``s1`` and ``s2`` solve a quadratic equation, ``c0 .. c2`` and the atom four linear ones. What spills is
    ``z_d / p`` of the inflow, with ``z_d`` the chance that a storm fills the garden and ``p`` that it brings runoff.
    """
    d, f = (np.atleast_1d(np.asarray(v, dtype=float)) for v in np.broadcast_arrays(store_mm, soak_mm_h))
    # one unit of length is the mean depth of a storm: the equations lose their units
    mu = rain.storm_mean_mm
    depth = d / mu
    alpha = f * rain.storm_duration_h / mu
    eta = f * rain.mean_dry_h / mu
    p = float(np.exp(-loss_mm / mu))
    kept = np.empty(len(d))
    # without infiltration nothing is ever emptied; without depth nothing is left over for the next storm
    kept[f <= 0.0] = 0.0
    flat = (f > 0.0) & (depth <= 0.0)
    kept[flat] = alpha[flat] / (1.0 + alpha[flat])
    some = (f > 0.0) & (depth > 0.0)
    kept[some] = 1.0 - _filling(depth[some], alpha[some], eta[some], p) / p
    return np.clip(kept, 0.0, 1.0)


class _Part(NamedTuple):
    """One of the three functions whose sum is the density w; (n,) arrays.

    ``above`` is its integral from 0 to x against exp(-(x - y)), ``below`` that from x to d against exp(b (x - y)), each
    without the term that the boundary conditions take out.
    """

    at_d: FloatArray
    above_0: FloatArray
    above_d: FloatArray
    below_d: FloatArray
    total: FloatArray


def _exponential(s: FloatArray, d: FloatArray, b: FloatArray) -> _Part:
    """``exp(s x)``, or ``exp(s (x - d))`` where it rises: at most 1."""
    fall = np.exp(-np.abs(s) * d)
    at_0 = np.where(s > 0.0, fall, 1.0)
    at_d = np.where(s > 0.0, 1.0, fall)
    with np.errstate(divide="ignore", invalid="ignore"):
        total = np.where(s == 0.0, d, -np.expm1(-np.abs(s) * d) / np.abs(s))
    return _Part(at_d, at_0 / (s + 1.0), at_d / (s + 1.0), at_d / (b - s), total)


def _rise(s: FloatArray, d: FloatArray, b: FloatArray) -> _Part:
    """``(exp(s x) - 1) / s``, which is x for s = 0; for ``abs(s) d < 1``."""
    z = np.clip(s * d, -1.0, 1.0)
    close = np.abs(z) < 1e-4
    safe = np.where(close, 1.0, z)
    at_d = d * np.where(close, 1.0 + z / 2.0, np.expm1(safe) / safe)
    total = d * d * np.where(close, 0.5 + z / 6.0, (np.expm1(safe) - safe) / safe**2)
    return _Part(at_d, -1.0 / (s + 1.0), (at_d - 1.0) / (s + 1.0), (at_d + 1.0 / b) / (b - s), total)


def _filling(d: FloatArray, alpha: FloatArray, eta: FloatArray, p: float) -> FloatArray:
    """Chance ``z_d`` that a storm fills the garden, (n,); depths in mean storms."""
    b = 1.0 / alpha
    # density of storm less soaking above 0: p1 exp(-u)
    p1 = p / (1.0 + alpha)
    # eta s^2 - (1 + eta (b - 1)) s + (p b - 1 - eta b) = 0
    half = 0.5 * (1.0 + eta * (b - 1.0)) / eta
    product = (p * b - 1.0 - eta * b) / eta
    root = half + np.where(half < 0.0, -1.0, 1.0) * np.sqrt(np.maximum(half * half - product, 0.0))
    other = product / root
    near = np.where(np.abs(root) < np.abs(other), root, other)
    far = np.where(np.abs(root) < np.abs(other), other, root)

    one = np.ones_like(d)
    # a root near 0 (inflow and infiltration in balance) makes its exponential a constant, of which there is one already
    small = np.abs(near) * d < 1.0
    parts = (
        _Part(one, one, one, one / b, d),
        _Part(*(np.where(small, x, y) for x, y in zip(_rise(near, d, b), _exponential(near, d, b), strict=True))),
        _exponential(far, d, b),
    )
    # unknowns: c0, c1, c2, w0
    system = np.empty((len(d), 4, 4))
    right = np.zeros((len(d), 4))
    for k, part in enumerate(parts):
        system[:, 0, k] = part.above_0
        system[:, 1, k] = part.below_d
        system[:, 2, k] = eta * part.at_d - p1 * part.above_d
        system[:, 3, k] = part.total
    system[:, :, 3] = (-1.0, 0.0, 0.0, 1.0)
    right[:, 3] = 1.0
    solved = np.linalg.solve(system, right[:, :, None])[:, :, 0]
    level = sum(solved[:, k] * part.at_d for k, part in enumerate(parts))
    return np.asarray(np.clip(eta * level, 0.0, p))


def storm_table(rain: RainParams, loss_mm: FloatArray) -> YieldTable:
    """Table of what gardens keep in the long run of storms; one year stands for all, one share for every share.

    Parameters
    ----------
    rain : RainParams
    loss_mm : (n_losses,) array
        Initial losses of roofs [mm], rising.
    """
    stores = store_axis()
    rates = np.concatenate([[0.0], spaced(STORM_RATES)])
    grid_rate, grid_store = (v.ravel() for v in np.meshgrid(rates, stores, indexing="ij"))
    kept = [storm_kept_frac(grid_store, grid_rate, float(one), rain) for one in loss_mm]
    with np.errstate(divide="ignore"):
        ln_rate = np.log(rates)
    return YieldTable(
        np.array(kept).reshape(1, 1, len(loss_mm), 1, len(rates), len(stores)),
        np.array([[runoff_of_storms_mm_y(rain, float(one)) for one in loss_mm]]),
        np.asarray(loss_mm, dtype=float),
        ln_rate,
        stores,
        np.zeros(1),
    )
