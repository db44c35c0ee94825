"""Yield tables and towns made up for tests of what draws on them."""

from __future__ import annotations

import numpy as np

from screening.uncertainty import Gardens, Homes
from screening.water_balance import YieldTable

SHARES = np.array([0.0, 0.3, 0.65, 1.0])


def storm_table(n_years=6, losses_mm=(1.27, 2.8575), n_soils=1, seed=3):
    """What gardens keep of exponentially distributed storms of 8 h, whose mean depth differs from year to year."""
    rng = np.random.default_rng(seed)
    storm_mm = 14.0 * rng.uniform(0.8, 1.2, n_years)
    loss_mm = np.array(losses_mm)
    runoff = 55.0 * storm_mm[:, None] * np.exp(-loss_mm / storm_mm[:, None])
    rate = np.geomspace(0.005, 60.0, 60)
    with np.errstate(divide="ignore"):
        ln_rate = np.log(np.concatenate([[0.0], rate]))
    store = np.concatenate([[0.0], np.geomspace(0.1, 300.0, 50)])
    capacity = store + 8.0 * np.concatenate([[0.0], rate])[:, None]
    kept = 1.0 - np.exp(-capacity / (storm_mm[:, None, None, None] * np.maximum(1.0 - SHARES, 0.1)[:, None, None]))
    kept = np.broadcast_to(kept[None, :, None], (n_soils, n_years, len(loss_mm), *kept.shape[1:]))
    return YieldTable(np.ascontiguousarray(kept), runoff, loss_mm, ln_rate, store, SHARES)


def linear_table(constant, slope, runoff_mm_y=800.0, loss_mm=(1.27,)):
    """A table whose kept part is ``constant + slope * ln(share of the rate)`` and depends on nothing else."""
    ln_rate = np.concatenate([[-np.inf], np.linspace(-6.0, 6.0, 25)])
    kept = constant + slope * np.where(np.isinf(ln_rate), 0.0, ln_rate)
    n_losses = len(loss_mm)
    kept = np.broadcast_to(kept[:, None], (1, 1, n_losses, 4, len(ln_rate), 3))
    runoff = np.full((1, n_losses), runoff_mm_y)
    return YieldTable(
        np.ascontiguousarray(kept), runoff, np.array(loss_mm), ln_rate, np.array([0.0, 50.0, 1000.0]), SHARES
    )


def made_town(n, seed=1, n_soils=2):
    """Homes with one garden or two."""
    rng = np.random.default_rng(seed)
    roof_m2 = rng.uniform(80.0, 250.0, n)
    home = np.concatenate([np.arange(n), np.flatnonzero(rng.random(n) < 0.5)])
    share = rng.uniform(0.15, 0.48, len(home))
    gable = np.minimum(share * rng.uniform(0.6, 1.4, len(home)), 0.5)
    soil = rng.integers(0, n_soils, len(home))
    gardens = Gardens(
        home=home,
        area_m2=rng.uniform(5.0, 27.9, len(home)),
        depth_mm=rng.choice([100.0, 150.0, 182.4], len(home)),
        roof_m2=share * roof_m2[home],
        gable_roof_m2=gable * roof_m2[home],
        soil=soil,
        ln_rate=np.log(np.array([7.6, 5.1, 20.3])[soil]),
    )
    homes = Homes(
        home_id=[f"lot-{i}" for i in range(n)],
        roof_area_m2=roof_m2,
        is_measured=rng.random(n) < 0.3,
        rank=rng.permutation(n) + 1,
        score_rest=np.zeros(n),
    )
    return gardens, homes


def equal_town(n, ln_rate=2.0, roof_m2=100.0, area_m2=1e8, depth_mm=150.0):
    """Equal homes with one garden each; so large a garden that its share of the catchment is 1."""
    gardens = Gardens(
        home=np.arange(n),
        area_m2=np.full(n, area_m2),
        depth_mm=np.full(n, depth_mm),
        roof_m2=np.full(n, roof_m2),
        gable_roof_m2=np.full(n, roof_m2),
        soil=np.zeros(n, dtype=int),
        ln_rate=np.full(n, ln_rate),
    )
    homes = Homes(
        [f"e{i}" for i in range(n)], np.full(n, 10.0 * roof_m2), np.zeros(n, bool), np.arange(n) + 1, np.zeros(n)
    )
    return gardens, homes
