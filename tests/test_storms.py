"""The closed form of storms against simulations of them, by its limits, and by what has to hold for any storms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from screening import water_balance
from screening.errors import ParameterError
from screening.params import load_params
from screening.water_balance import (
    catchments,
    draw_storms,
    kept_long_term,
    kept_of_gardens,
    runoff_of_storms_mm_y,
    storm_curves,
    storm_kept_frac,
    storm_statistics,
    storm_table,
)

STABLE = settings(max_examples=100, derandomize=True, deadline=None, database=None)


def storms(**entries):
    """Section [rain] with other storms."""
    return load_params(None, {f"rain.storm{key}": value for key, value in entries.items()}).rain


DEFAULT = storms()
CLIMATES = {
    "default": DEFAULT,
    "wet": storms(s_per_y=110.0, _mean_mm=12.0, _duration_h=14.0),
    "monsoon": storms(s_per_y=60.0, _mean_mm=25.0, _duration_h=6.0, _dry_h=18.0),
    "never dry": storms(s_per_y=60.0, _mean_mm=20.0, _duration_h=9.0, _dry_h=5.0),
    "desert": storms(s_per_y=8.0, _mean_mm=6.0, _duration_h=3.0),
}


@njit
def spilled_by_storms(runoff, duration_h, dry_h, store, soak):
    """Storm after storm: an even storm is one exact step of the bucket, the dry time after it another one."""
    spilled = np.zeros(store.shape[0])
    for k in range(store.shape[0]):
        level = 0.0
        for i in range(runoff.shape[0]):
            level = max(level + runoff[i] - soak[k] * duration_h[i], 0.0)
            if level > store[k]:
                spilled[k] += level - store[k]
                level = store[k]
            level = max(level - soak[k] * dry_h[i], 0.0)
    return spilled


def gardens(n, seed):
    """Depths and rates over the catchment, from almost nothing to more than any garden has."""
    rng = np.random.default_rng(seed)
    return np.exp(rng.uniform(np.log(0.2), np.log(300.0), n)), np.exp(rng.uniform(np.log(0.005), np.log(60.0), n))


@pytest.mark.parametrize("loss", [0.0, 1.27, 6.0])
@pytest.mark.parametrize("climate", CLIMATES)
def test_a_simulation_of_such_storms_converges_to_the_closed_form(climate, loss):
    rain = CLIMATES[climate]
    store, soak = gardens(60, 1)
    rng = np.random.default_rng(5)
    n = 1_000_000
    depth = rng.exponential(rain.storm_mean_mm, n)
    runoff = np.maximum(depth - loss, 0.0)
    spilled = spilled_by_storms(
        runoff, rng.exponential(rain.storm_duration_h, n), rng.exponential(rain.mean_dry_h, n), store, soak
    )
    simulated = 1.0 - spilled / runoff.sum()
    closed = storm_kept_frac(store, soak, loss, rain)
    worst = float(np.abs(closed - simulated).max())
    print(f"\n{climate}, loss {loss:g} mm: worst {worst:.5f} of the inflow")  # noqa: T201
    assert worst <= 0.01
    # of what is kept too, wherever that is more than a fiftieth
    some = simulated > 0.02
    assert float(np.abs(closed / simulated - 1.0)[some].max()) <= 0.01


def test_the_error_of_the_simulation_falls_as_it_grows_longer():
    store, soak = gardens(40, 2)
    closed = storm_kept_frac(store, soak, 1.27, DEFAULT)
    errors = []
    for n in (1_000, 30_000, 1_000_000):
        rng = np.random.default_rng(6)
        depth, length, dry = (
            rng.exponential(mean, n) for mean in (DEFAULT.storm_mean_mm, DEFAULT.storm_duration_h, DEFAULT.mean_dry_h)
        )
        runoff = np.maximum(depth - 1.27, 0.0)
        spilled = spilled_by_storms(runoff, length, dry, store, soak)
        errors.append(float(np.sqrt(np.mean((1.0 - spilled / runoff.sum() - closed) ** 2))))
    # with the root of the number of storms: 30 times as many, 5.5 times as near
    assert errors[0] > 2.0 * errors[1] > 4.0 * errors[2]


def test_rain_of_such_storms_through_the_bucket_of_a_run_converges_as_its_steps_shrink():
    # a roof that is dry again after an hour: two storms within it are the only ones that the closed form takes apart
    rain = load_params(None, {"rain.dry_spell_h": 1.0}).rain
    worst = [worst_off(rain, step_min) for step_min in (60, 15)]
    print(f"\nworst {worst} of what is kept")  # noqa: T201
    # whole hours lengthen short storms, which then soak in longer
    assert worst[0] <= 0.03
    assert worst[1] <= 0.01


def worst_off(rain, step_min):
    """Closed form against drawn rain in steps [min]: largest difference over what is kept."""
    time, rain_mm = draw_storms(rain, 600, 7, step_min=step_min)
    steps = water_balance.rain_steps(time, rain_mm, step_min / 60.0, rain, np.array([1.27]))
    assert steps.runoff_mm_y.mean() == pytest.approx(runoff_of_storms_mm_y(rain, 1.27), rel=0.01)
    ratio, depth, rate = (
        v.ravel() for v in np.meshgrid([0.05, 0.1, 0.2, 0.34], [75.0, 150.0, 200.0], [2.5, 7.6, 11.4])
    )
    simulated = kept_long_term(steps, ratio, depth, rate)
    closed = storm_kept_frac(*catchments(ratio, depth, rate)[1:], 1.27, rain)
    return float(np.abs(closed / simulated - 1.0).max())


def test_after_endless_dry_times_gardens_are_empty():
    # min(X, d + A) of two independent exponentials by hand: 1 - m / (m + a) exp(-d / m)
    rain = storms(s_per_y=1e-6)
    store, soak = gardens(200, 3)
    mu, alpha = rain.storm_mean_mm, soak * rain.storm_duration_h
    expected = 1.0 - mu / (mu + alpha) * np.exp(-store / mu)
    np.testing.assert_allclose(storm_kept_frac(store, soak, 2.0, rain), expected, atol=1e-6)


def test_without_depth_only_what_soaks_in_during_the_storm():
    soak = np.array([0.01, 1.0, 30.0])
    alpha = soak * DEFAULT.storm_duration_h
    expected = alpha / (alpha + DEFAULT.storm_mean_mm)
    np.testing.assert_allclose(storm_kept_frac(np.zeros(3), soak, 1.27, DEFAULT), expected, rtol=1e-12)
    np.testing.assert_allclose(storm_kept_frac(np.full(3, 1e-7), soak, 1.27, DEFAULT), expected, rtol=1e-5)


def test_a_garden_that_is_not_empty_at_the_next_storm_keeps_less():
    store, soak = np.array([30.0]), np.array([0.1])
    often, seldom = storms(s_per_y=60.0, _dry_h=10.0), storms(s_per_y=60.0, _dry_h=100.0)
    assert storm_kept_frac(store, soak, 1.27, often)[0] < 0.5 * storm_kept_frac(store, soak, 1.27, seldom)[0]


def test_near_the_balance_of_inflow_and_infiltration_nothing_jumps():
    balanced = np.exp(-1.27 / DEFAULT.storm_mean_mm) * DEFAULT.storm_mean_mm
    balanced /= DEFAULT.storm_duration_h + DEFAULT.mean_dry_h
    near = balanced * (1.0 + np.array([-1e-4, -1e-7, -1e-10, 0.0, 1e-10, 1e-7, 1e-4]))
    for store in (1.0, 30.0, 300.0):
        kept = storm_kept_frac(np.full(7, store), near, 1.27, DEFAULT)
        assert (np.diff(kept) >= -1e-12).all()
        assert kept[-1] - kept[0] <= 1e-3


@STABLE
@given(
    st.floats(0.0, 1000.0), st.floats(1e-4, 1000.0), st.floats(0.0, 10.0), st.floats(1.0, 4.0),
    st.sampled_from(["store", "soak"]), st.sampled_from(sorted(CLIMATES)),
)  # fmt: skip
def test_more_never_keeps_less(store, soak, loss, more, which, climate):
    times = (more, 1.0) if which == "store" else (1.0, more)
    less, larger = storm_kept_frac(
        np.array([store, store * times[0]]), np.array([soak, soak * times[1]]), loss, CLIMATES[climate]
    )
    assert 0.0 <= less <= larger + 1e-9 <= 1.0 + 2e-9


@STABLE
@given(st.floats(0.1, 200.0), st.floats(1e-3, 100.0), st.floats(1.0, 500.0), st.floats(1.0, 4.0))
def test_more_roof_never_diverts_less(store, soak, roof, more):
    # the same garden: its depth and rate over the catchment fall as the roof grows
    less, larger = storm_kept_frac(np.array([store, store / more]), np.array([soak, soak / more]), 1.27, DEFAULT)
    assert roof * more * larger >= roof * less * (1.0 - 1e-9)


def test_table_and_curves_are_the_closed_form():
    loss_mm = np.array([0.64, 1.27, 2.54])
    table = storm_table(DEFAULT, loss_mm)
    assert table.kept_frac.shape == (1, 1, 3, 1, len(table.ln_rate), len(table.store_mm))
    rng = np.random.default_rng(4)
    n = 5000
    ratio, depth = np.exp(rng.uniform(np.log(2e-4), np.log(60.0), n)), rng.uniform(0.0, 1000.0, n)
    rate = np.exp(rng.uniform(np.log(0.1), np.log(500.0), n))
    sane = depth <= 1000.0 * rate
    ratio, depth, rate = ratio[sane], depth[sane], rate[sane]
    direct = storm_kept_frac(*catchments(ratio, depth, rate)[1:], 1.27, DEFAULT)
    worst = float(np.abs(kept_of_gardens(table, ratio, depth, rate, 1.27) - direct).max())
    print(f"\nworst {worst:.5f} of the inflow")  # noqa: T201
    assert worst <= 0.005
    curves = storm_curves(DEFAULT, 1.27, np.array([100.0, 182.4]), np.array([5.1, 7.6, 11.4])[:, None])
    one = storm_kept_frac(*catchments(water_balance.curve_ratios(), 182.4, 11.4)[1:], 1.27, DEFAULT)
    np.testing.assert_allclose(curves[2, 1], one, rtol=1e-12)


def test_frozen_months_take_their_part_of_the_storms():
    frozen = load_params(None, {"rain.frozen_months": [12, 1, 2]}).rain
    assert runoff_of_storms_mm_y(frozen, 1.27) == pytest.approx(0.75 * runoff_of_storms_mm_y(DEFAULT, 1.27))


def test_statistics_of_drawn_storms_are_those_they_were_drawn_from():
    rain = load_params(None, {"rain.dry_spell_h": 1.0}).rain
    time, rain_mm = draw_storms(rain, 400, 1)
    found = storm_statistics(water_balance.rain_steps(time, rain_mm, 1.0, rain, np.zeros(1)), 1.0)
    # storms within an hour of each other become one, and each is cut to whole hours
    assert found.storms_per_y == pytest.approx(rain.storms_per_y, rel=0.03)
    assert found.mean_mm == pytest.approx(rain.storm_mean_mm, rel=0.03)
    assert found.duration_h == pytest.approx(rain.storm_duration_h + 1.0, rel=0.05)
    assert found.dry_h == pytest.approx(rain.mean_dry_h, rel=0.03)


def test_statistics_by_hand():
    rain = np.zeros(8760)
    rain[[10, 12, 100, 101, 130]] = (4.0, 1.0, 2.0, 6.0, 8.0)
    time = np.datetime64("2015-01-01T00") + np.arange(8760)
    found = storm_statistics(water_balance.rain_steps(time, rain, 1.0, DEFAULT, np.zeros(1)), 12.0)
    assert found.storms_per_y == 3.0
    assert found.mean_mm == pytest.approx(7.0)
    assert found.duration_h == pytest.approx((3 + 2 + 1) / 3)
    assert found.dry_h == pytest.approx((87 + 28 + 8629) / 3)


def test_drawn_storms_depend_on_the_seed_alone():
    one, other, third = (draw_storms(DEFAULT, 3, seed)[1] for seed in (1, 1, 2))
    assert one.tobytes() == other.tobytes() != third.tobytes()
    assert draw_storms(DEFAULT, 300, 1)[1].sum() / 300 == pytest.approx(770.0, rel=0.03)


def test_dry_time_follows_from_the_year_unless_given():
    assert DEFAULT.mean_dry_h == pytest.approx(8766.0 / 55.0 - 9.5)
    assert storms(_dry_h=70.0).mean_dry_h == 70.0
    for wrong in ({"s_per_y": 1000.0}, {"_dry_h": 160.0}):
        with pytest.raises(ParameterError, match="longer than a year"):
            storms(**wrong)
