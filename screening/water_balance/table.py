"""A table of what gardens keep, built once a run and read by everything that asks often.

Counted over the whole catchment, garden and roof, a garden is its share of the area, the depth times the share and the
rate times the share (`screening.kernels.bucket`). The first of them matters little: it only says how much of the water
comes without the roof's initial loss. So a fine grid over the other two and a few shares serve gardens of every size,
depth and soil.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.kernels.yield_table import kept_at, kept_by_gardens, runoff_at
from screening.water_balance.direct import Catchments, Wetting, kept_each_year

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.water_balance.series import RainSteps

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SHARES: Final = (0.0, 0.15, 0.4, 0.7, 1.0)
"""Shares of a garden in its catchment, for constant rates."""

WETTING_SHARES: Final = (0.0, 0.02, 0.06, 0.14, 0.28, 0.55, 1.0)
"""The same for Green-Ampt: there the share also scales the soil's suction."""

RATE_STEPS: Final = ((0.0005, 0.02, 1.15), (0.02, 0.6, 1.06))
"""Pieces of the axis of rates [mm/h over the catchment]: from, to, factor between neighbours; then on to the heaviest
rain with the first factor. Fine where the rate is near the mean rain: there a little decides whether a deep garden is
ever empty."""

LOSS_STEP_MM: Final = 1.3
"""Largest distance of initial losses [mm]: between them runoff and the part kept are off by 0.2 %."""

STORE_STEPS: Final = (0.1, 1000.0, 1.15)
"""Axis of depths [mm over the catchment]: from, to (the deepest that parameters allow), factor between neighbours."""

WETTING_COARSER: Final = 1.25
"""Steps of the axes of Green-Ampt are so much longer in their logarithm, for its bucket takes 20 times as long."""


class YieldTable(NamedTuple):
    """What gardens keep of their roof's runoff; float64, C-contiguous.

    Attributes
    ----------
    kept_frac : (n_soils, n_years, n_losses, n_shares, n_rates, n_stores) array
        Part of the roof's runoff of a year that the garden keeps.
    runoff_mm_y : (n_years, n_losses) array
        Runoff of a roof in each year [mm].
    loss_mm : (n_losses,) array
        Initial loss of the roof [mm], rising.
    ln_rate : (n_rates,) array
        ln of the infiltration rate times the garden's share of the catchment [mm/h], rising from that of 0; for
        Green-Ampt ln of the factor on the conductivity times the share.
    store_mm : (n_stores,) array
        Ponding depth times the share [mm], rising from 0.
    share : (n_shares,) array
        Garden area over that of garden and roof, rising.
    """

    kept_frac: FloatArray
    runoff_mm_y: FloatArray
    loss_mm: FloatArray
    ln_rate: FloatArray
    store_mm: FloatArray
    share: FloatArray


def spaced(pieces: Sequence[tuple[float, float, float]], coarser: float = 1.0) -> FloatArray:
    """Numbers that rise by at most the given factors, piece after piece: (from, to, factor)."""
    parts = []
    for start, end, factor in pieces:
        n = max(1, int(np.ceil(np.log(end / start) / (coarser * np.log(factor)))))
        parts.append(np.geomspace(start, end, n + 1)[:-1])
    return np.concatenate([*parts, [pieces[-1][1]]])


def rate_axis(heaviest: float, k_mm_h: tuple[float, float] = (1.0, 1.0), coarser: float = 1.0) -> FloatArray:
    """Logarithms of 0 and of rates up to one at which no rain ever spills.

    Parameters
    ----------
    heaviest : float
        Heaviest rain [mm/h].
    k_mm_h : tuple of float
        Least and largest conductivity [mm/h] of the soils whose factors the axis holds; 1 and 1 for an axis of rates.
    coarser : float
        Factor on the steps' logarithm.
    """
    (first, fine, factor), (_, fine_end, fine_factor) = RATE_STEPS
    least, largest = k_mm_h
    fine_end *= largest / least
    top = max(heaviest * largest / least, 2.0 * fine_end)
    rates = spaced([(first, fine, factor), (fine, fine_end, fine_factor), (fine_end, top, factor)], coarser)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.concatenate([[0.0], rates / largest])))


def store_axis(coarser: float = 1.0) -> FloatArray:
    """Depths [mm over the catchment] from 0 up."""
    return np.concatenate([[0.0], spaced([STORE_STEPS], coarser)])


def loss_axis(low_mm: float, high_mm: float) -> FloatArray:
    """Initial losses [mm] from one to another, close enough to be interpolated: at most 1.3 mm apart."""
    n = max(1, int(np.ceil((high_mm - low_mm) / LOSS_STEP_MM)))
    return np.linspace(low_mm, high_mm, n + 1) if high_mm > low_mm else np.array([low_mm])


def build_table(steps: RainSteps, soils: Sequence[Wetting] | None = None, *, threads: int | None = None) -> YieldTable:
    """Simulate the table of a rain record.

    Parameters
    ----------
    steps : RainSteps
        Its initial losses are the table's.
    soils : sequence of Wetting or None
        None: one soil of constant rate. Otherwise Green-Ampt, one soil index each; the axis of rates then holds factors
        on the conductivity, and only every second loss is simulated, the others lie between.
    threads : int or None
        None: every core that the process may use. The figures are the same.
    """
    # no rain is faster: from here on nothing ever spills
    heaviest = max(float(steps.rain_mm.max(initial=0.0)) / steps.step_h, 1.0)
    if soils is None:
        share, stores, ln_rate = np.array(SHARES), store_axis(), rate_axis(heaviest)
    else:
        share, stores = np.array(WETTING_SHARES), store_axis(WETTING_COARSER)
        speeds = [soil.k_mm_h for soil in soils]
        ln_rate = rate_axis(heaviest, (min(speeds), max(speeds)), WETTING_COARSER)
    with np.errstate(under="ignore"):
        grid = np.meshgrid(share, np.exp(ln_rate), stores, indexing="ij")
    points = Catchments(grid[0].ravel(), grid[2].ravel(), grid[1].ravel())
    of_soil: Sequence[Wetting | None] = [None] if soils is None else list(soils)
    n_years, n_losses = steps.runoff_mm_y.shape
    kept = np.empty((len(of_soil), n_years, n_losses, *grid[0].shape))
    for s, soil in enumerate(of_soil):
        for k in range(n_losses):
            if soil is None or k % 2 == 0 or k == n_losses - 1:
                one = kept_each_year(steps, points, k, soil=soil, threads=threads)
                kept[s, :, k] = one.reshape(n_years, *grid[0].shape)
        if soil is not None:
            for k in range(1, n_losses - 1, 2):
                low, here, high = steps.loss_mm[k - 1 : k + 2]
                weight = (here - low) / (high - low)
                kept[s, :, k] = (1.0 - weight) * kept[s, :, k - 1] + weight * kept[s, :, k + 1]
    return YieldTable(kept, steps.runoff_mm_y, steps.loss_mm, ln_rate, stores, share)


def kept_of_gardens(
    table: YieldTable,
    area_ratio: FloatArray,
    depth_mm: FloatArray,
    rate: FloatArray,
    loss_mm: float,
    soil: IntArray | int = 0,
) -> FloatArray:
    """Part of the roof's runoff that each garden keeps in the mean year, from the table, (n,).

    Parameters
    ----------
    table : YieldTable
    area_ratio, depth_mm : (n,) array
        Garden area over roof area; ponding depth [mm].
    rate : (n,) array
        Infiltration rate [mm/h], or factor on the soil's conductivity.
    loss_mm : float
        Initial loss of the roofs [mm].
    soil : int or (n,) array
        Soil index of the table.
    """
    with np.errstate(divide="ignore"):
        ln_ratio, ln_rate = np.log(area_ratio), np.log(rate)
    n = np.broadcast_shapes(np.shape(ln_ratio), np.shape(depth_mm), np.shape(ln_rate), np.shape(soil))
    out = np.empty(n)
    columns = [np.ascontiguousarray(np.broadcast_to(v, n), dtype=float) for v in (ln_rate, depth_mm, ln_ratio)]
    kept_by_gardens(
        table.kept_frac,
        table.runoff_mm_y,
        table.loss_mm,
        table.ln_rate,
        table.store_mm,
        table.share,
        np.ascontiguousarray(np.broadcast_to(soil, n), dtype=np.int64),
        loss_mm,
        *columns,
        out,
    )
    return out


__all__ = ["YieldTable", "build_table", "kept_at", "kept_of_gardens", "loss_axis", "runoff_at"]
