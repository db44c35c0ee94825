"""The causes of uncertainty: how each is distributed, and what of it all homes share."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from screening.kernels import draws as kernel
from screening.kernels.points import N_BINS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.params import RoofParams, UncertaintyParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CAUSES: Final = ("soil_rate", "roof_share", "roof_form", "initial_loss", "connection", "rain_year")
"""The causes, in the order of every array over them."""

OWN_DIFFERENCES: Final = "own_differences"
"""What in the spread of a sum no shared cause explains: what each home has for itself."""

Z_10: Final = float(special.ndtri(0.9))
"""The 90 % point of the standard normal, 1.2816; the 10 % point is its negative."""

_CITY, _SHARE, _LOSS, _CONNECTION, _YEAR = range(5)
_SHARED_CAUSE: Final = (kernel.SOIL, kernel.ROOF_SHARE, kernel.INITIAL_LOSS, kernel.CONNECTION, kernel.RAIN_YEAR)


class SoilSpread(NamedTuple):
    """How far the rate of each soil class may be off.

    Attributes
    ----------
    name : sequence of str
        Names of the classes: each draws from its own name, whatever other classes there are.
    factor : (n,) array
        The 10 and 90 % points of the rate are the design rate over and times this.
    """

    name: Sequence[str]
    factor: FloatArray


class Drawn(NamedTuple):
    """The draws that all homes share.

    Attributes
    ----------
    causes : Causes
        What the kernels take.
    loss_mm : (N_Z,) array
        Initial loss over the tabled normal [mm].
    shared_bin : (m, n_draws) uint8 array
        Class, one of `N_BINS`, of each draw in each shared dimension.
    shared_cause : (m,) array
        Cause to which the dimension belongs.
    """

    causes: kernel.Causes
    loss_mm: FloatArray
    shared_bin: npt.NDArray[np.uint8]
    shared_cause: IntArray


def three_point_quantile(chance: FloatArray, low: float, likely: float, high: float) -> FloatArray:
    """Quantile function through three points.

    Parameters
    ----------
    chance : (n,) array
        Between 0 and 1.
    low, likely, high : float
        10, 50 and 90 % points.

    Notes
    -----
    Straight lines over the chance from 10 to 50 and from 50 to 90 %, each carried on outwards: a value is uniform
    on either side of the likely one.
    """
    slope = np.where(chance < 0.5, likely - low, high - likely) / 0.4
    return np.asarray(likely + slope * (chance - 0.5))


def initial_losses_mm(params: UncertaintyParams, roof: RoofParams) -> FloatArray:
    """Initial losses [mm] that the yield table needs for the draws: the least, the likely and the largest, rising."""
    likely = roof.initial_loss_mm
    ends = three_point_quantile(
        np.array([0.0, 0.5, 1.0]),
        likely * params.initial_loss_low_factor,
        likely,
        likely * params.initial_loss_high_factor,
    )
    return np.unique(np.maximum(ends, 0.0))


def storm_year_cv(storms_per_y: float, storm_mean_mm: float, loss_mm: float) -> float:
    """Standard deviation of a year's runoff over its mean, for exponentially distributed storms that come at random.

    Parameters
    ----------
    storms_per_y, storm_mean_mm, loss_mm : float
        Storms a year, their mean depth [mm], the roof's initial loss [mm].

    Notes
    -----
    Of a Poisson number of storms, mean N, those above the loss l are Poisson too, mean N exp(-l / mu), and the excess
    of each is exponential with mean mu. Such a sum has the mean N exp(-l / mu) mu and the variance
    N exp(-l / mu) 2 mu2, so the ratio is sqrt(2 / (N exp(-l / mu))).
    """
    return float(np.sqrt(2.0 / (storms_per_y * np.exp(-loss_mm / storm_mean_mm))))


def mean_year(table: Any) -> Any:
    """The yield table with one year, the mean of all: runoff averaged, kept parts weighted by it."""
    weight = table.runoff_mm_y / np.maximum(table.runoff_mm_y.sum(axis=0), np.finfo(float).tiny)
    # a record without any runoff keeps nothing of nothing
    kept = np.einsum("yl,sylabc->slabc", weight, table.kept_frac)[:, None]
    return table._replace(
        kept_frac=np.ascontiguousarray(kept), runoff_mm_y=np.ascontiguousarray(table.runoff_mm_y.mean(axis=0)[None])
    )


def draw_causes(
    runoff_mm_y: FloatArray, soils: SoilSpread, params: UncertaintyParams, roof: RoofParams, year_cv_frac: float
) -> Drawn:
    """Draw what all homes share.

    Parameters
    ----------
    runoff_mm_y : (n_years, n_losses) array
        Roof runoff of the table's years.
    soils : SoilSpread
    params : UncertaintyParams
    roof : RoofParams
        Likely initial loss; low, likely and high connection.
    year_cv_frac : float
        Used only where the table has a single year: standard deviation of a year's volume over its mean; 0: none.

    Notes
    -----
    Scrambled Sobol' points in the dimensions that all share; one point lies in each of the n_draws classes of equal
    chance of each dimension, and its middle is taken.
    """
    n = params.n_draws
    normal = special.ndtri((np.arange(n) + 0.5) / n)
    shared_class = _sobol_classes(len(_SHARED_CAUSE), n, (params.seed, 0))
    own_class = _sobol_classes(kernel.N_OWN, n, (params.seed, 1))
    class_class = np.array([_class_order(name, n, params.seed) for name in soils.name], dtype=np.int64).reshape(-1, n)

    # of each cause's variance: the part of all homes, and the rest of each home by itself
    together = np.zeros(kernel.N_OWN)
    together[kernel.SOIL] = params.soil_city_frac
    together[kernel.ROOF_SHARE] = params.roof_share_shared_frac
    together[kernel.INITIAL_LOSS] = params.initial_loss_shared_frac
    together[kernel.CONNECTION] = params.connection_shared_frac
    alone = 1.0 - together
    alone[kernel.SOIL] -= params.soil_class_frac
    shared = np.zeros((kernel.N_OWN, n))
    for dimension, cause in enumerate(_SHARED_CAUSE[:_YEAR]):
        shared[cause] = np.sqrt(together[cause]) * normal[shared_class[dimension]]

    chance = special.ndtr(np.linspace(-kernel.Z_REACH, kernel.Z_REACH, kernel.N_Z))
    loss = three_point_quantile(
        chance,
        roof.initial_loss_mm * params.initial_loss_low_factor,
        roof.initial_loss_mm,
        roof.initial_loss_mm * params.initial_loss_high_factor,
    )
    connection = three_point_quantile(
        chance, roof.connection_low_frac, roof.connection_likely_frac, roof.connection_high_frac
    )
    with np.errstate(divide="ignore"):  # nothing arrives: the logarithm of nothing
        ln_connection = np.log(np.clip(connection, 0.0, 1.0))
    year, year_bin, year_factor = _years(runoff_mm_y, shared_class[_YEAR], params, year_cv_frac)
    causes = kernel.Causes(
        normal=normal,
        own_class=own_class.astype(np.int32),
        shared=shared,
        own_weight=np.sqrt(np.maximum(alone, 0.0)),
        soil_class_part=np.sqrt(params.soil_class_frac) * normal[class_class],
        soil_class_spread=np.log(np.asarray(soils.factor, dtype=float)) / Z_10,
        year=year,
        year_bin=year_bin,
        year_factor=year_factor,
        z_bin=np.minimum((chance * N_BINS).astype(np.int64), N_BINS - 1),
        gable_below_z=float(special.ndtri(params.gable_frac)),
        ln_connection=ln_connection,
    )
    shared_bin = np.concatenate([shared_class, class_class]) * N_BINS // n
    shared_bin[_YEAR] = year_bin
    return Drawn(
        causes,
        np.maximum(loss, 0.0),
        shared_bin.astype(np.uint8),
        np.array([*_SHARED_CAUSE, *[kernel.SOIL] * len(class_class)], dtype=np.int64),
    )


def _sobol_classes(n_dimensions: int, n: int, seed: tuple[int, int]) -> IntArray:
    """Class of equal chance of each point of a scrambled Sobol' set, (n_dimensions, n)."""
    # nothing else of a run needs the statistics, and half a second goes into reading them in
    from scipy.stats import qmc  # noqa: PLC0415

    engine = qmc.Sobol(n_dimensions, scramble=True, rng=np.random.default_rng(seed))
    return np.ascontiguousarray((engine.random(n) * n).astype(np.int64).T)


def _class_order(name: str, n: int, seed: int) -> IntArray:
    """An order of the classes of equal chance that belongs to a name."""
    order = np.empty(n, dtype=np.int64)
    kernel.shuffle_order(key_of(f"soil {name}", seed), order)
    return order


def _years(
    runoff_mm_y: FloatArray, year_class: IntArray, params: UncertaintyParams, year_cv_frac: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Year of the table, class of that year, and factor on its volume, for each draw."""
    n = params.n_draws
    n_years = len(runoff_mm_y)
    none = np.zeros(n, dtype=np.int64)
    if params.rain_year == "mean":
        return none, none, np.ones(n)
    if n_years == 1:
        if year_cv_frac <= 0.0:
            return none, none, np.ones(n)
        # the gamma distribution of that mean and variance: no year is below nothing
        shape = 1.0 / year_cv_frac**2
        factor = special.gammaincinv(shape, (year_class + 0.5) / n) / shape
        return none, year_class * N_BINS // n, np.asarray(factor)
    year = year_class * n_years // n
    if n_years <= N_BINS:
        return year, year, np.ones(n)
    place = np.empty(n_years, dtype=np.int64)
    place[np.argsort(runoff_mm_y.mean(axis=1), kind="stable")] = np.arange(n_years)
    return year, place[year] * N_BINS // n_years, np.ones(n)


def key_of(text: str, seed: int) -> np.uint64:
    """Hash of a text and the seed: the same on every machine."""
    return np.uint64(int.from_bytes(hashlib.blake2b(f"{seed} {text}".encode(), digest_size=8).digest(), "little"))


def keys_of(texts: Sequence[str], seed: int) -> npt.NDArray[np.uint64]:
    """`key_of` for many texts."""
    return np.array([key_of(text, seed) for text in texts], dtype=np.uint64)
