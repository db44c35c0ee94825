"""The yearly estimate: by hand, by integral, and by what has to hold whatever the rain."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_lots import hourly_rain
from scipy import integrate

from screening import water_balance
from screening.params import load_params
from screening.water_balance import LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS, WetSteps, YieldCurves

PARAMS = load_params()
STABLE = settings(max_examples=40, derandomize=True, deadline=None, database=None)

ratios = st.floats(1e-4, 50.0)
depths = st.floats(20.0, 400.0)
rates = st.floats(0.5, 80.0)
seeds = st.integers(0, 10_000)


def steps_of(rain_mm, step_h=1.0, start="2015-01-01T00", **rain):
    """Wet steps of a record that starts with a year."""
    unit = "h" if step_h == 1.0 else "D"
    time = np.datetime64(start, unit) + np.arange(len(rain_mm)).astype(f"timedelta64[{unit}]")
    params = load_params(None, {f"rain.{key}": value for key, value in rain.items()})
    return water_balance.wet_steps(time, np.asarray(rain_mm, dtype=float), step_h, params.rain, params.roof)


@pytest.fixture(scope="module")
def record() -> WetSteps:
    """Four years of invented hourly rain."""
    return steps_of(hourly_rain(4))


def test_a_storm_by_hand():
    # 11.27 mm in one hour: 1.27 mm wet the roof, 10 mm run off; a tenth of the roof as garden gets 100 mm; 8 mm soak
    # in within the hour, 60 mm stay, 32 mm spill
    steps = steps_of([11.27] + [0.0] * 50)
    assert steps.runoff_mm.tolist() == pytest.approx([10.0])
    fraction, error = water_balance.diverted_fraction(steps, 0.1, 60.0, 8.0)
    assert fraction == pytest.approx(0.68)
    assert error == pytest.approx(0.0, abs=1e-12)


def test_two_storms_by_hand():
    # 100 mm a storm; 80 mm stay, after 5 dry hours 30 mm are left; the second storm spills 100 + 30 - 10 - 80 = 40 mm
    steps = steps_of([11.27, 0, 0, 0, 0, 0, 10.0, 0, 0])
    assert steps.runoff_mm.tolist() == pytest.approx([10.0, 10.0])
    assert steps.gap_steps.tolist() == [5, 2]
    fraction, error = water_balance.diverted_fraction(steps, 0.1, 80.0, 10.0)
    assert fraction == pytest.approx((200.0 - 10.0 - 40.0) / 200.0)
    assert error == pytest.approx(0.0, abs=1e-12)


def test_dry_steps_left_out_change_nothing():
    rain = hourly_rain(1)
    steps = steps_of(rain)
    every = np.zeros(len(rain))
    every[len(rain) - np.cumsum((steps.gap_steps + 1)[::-1])[::-1]] = steps.runoff_mm
    assert every.sum() == pytest.approx(steps.runoff_mm.sum())
    whole = WetSteps(every, np.zeros(len(every), dtype=np.int64), 1.0, steps.years)
    for ratio in (0.02, 0.1, 0.4):
        short = water_balance.diverted_fraction(steps, ratio, 120.0, 7.6)[0]
        assert short == pytest.approx(water_balance.diverted_fraction(whole, ratio, 120.0, 7.6)[0], abs=1e-12)


def test_a_year_of_runoff_is_rain_less_the_loss_of_each_storm():
    # 24 storms of 5 mm in two years, half a month apart
    rain = np.zeros(2 * 8766)
    rain[::730][:24] = 5.0
    steps = steps_of(rain)
    assert steps.years == pytest.approx(2.0)
    assert steps.runoff_mm_y == pytest.approx(12 * (5.0 - 1.27))


def test_frozen_months_give_no_runoff():
    rain = np.full(8760, 1.0)
    steps = steps_of(rain, frozen_months=[1, 2, 12])
    hours = 8760 - 24 * (31 + 28 + 31)
    assert steps.runoff_mm.sum() == pytest.approx(hours - 1.27)


def test_with_daily_steps_each_day_is_a_storm():
    steps = steps_of([0.0, 5.0, 6.0, 0.0, 1.0], step_h=24.0)
    assert steps.runoff_mm.tolist() == pytest.approx([3.73, 4.73])
    assert steps.gap_steps.tolist() == [0, 2]


@STABLE
@given(seeds, ratios, depths, rates)
def test_the_balance_closes(seed, ratio, depth, rate):
    steps = steps_of(hourly_rain(1, seed))
    fraction, error = water_balance.diverted_fraction(steps, ratio, depth, rate)
    assert abs(error) <= 1e-9
    assert 0.0 < fraction <= 1.0


@STABLE
@given(ratios, depths, rates, st.floats(1.0, 3.0), st.sampled_from(["ratio", "depth", "rate"]))
def test_a_larger_deeper_or_faster_garden_never_keeps_less(record, ratio, depth, rate, more, which):
    factor = {"ratio": (more, 1, 1), "depth": (1, more, 1), "rate": (1, 1, more)}[which]
    less = water_balance.diverted_fraction(record, ratio, depth, rate)[0]
    larger = water_balance.diverted_fraction(record, ratio * factor[0], depth * factor[1], rate * factor[2])[0]
    assert larger >= less - 1e-12


@STABLE
@given(st.floats(0.5, 40.0), st.floats(1.0, 400.0), st.floats(1.0, 4.0), depths, rates)
def test_more_roof_never_diverts_less(record, area, roof, more, depth, rate):
    less = roof * water_balance.diverted_fraction(record, area / roof, depth, rate)[0]
    larger = roof * more * water_balance.diverted_fraction(record, area / (roof * more), depth, rate)[0]
    assert larger >= less * (1.0 - 1e-12)


def curves_of(steps, depth_mm, rate_mm_h) -> YieldCurves:
    """Curves of the bucket for bands of depth, the same at every level."""
    table = np.array([[water_balance.curve(steps, float(d), rate_mm_h) for d in depth_mm]] * 3)
    return YieldCurves(table, np.asarray(depth_mm, dtype=float), np.full(3, rate_mm_h), steps.runoff_mm_y)


@pytest.mark.parametrize("rate", [1.5, 5.1, 7.6, 41.4])
@pytest.mark.parametrize("step_h", [1.0, 24.0])
def test_interpolation_is_within_half_a_percent_of_the_inflow(rate, step_h):
    rain = hourly_rain(4)
    steps = steps_of(rain) if step_h == 1.0 else steps_of(rain.reshape(-1, 24).sum(axis=1), step_h=24.0)
    curves = curves_of(steps, (100.0, 200.0), rate)
    rng = np.random.default_rng(1)
    ratio = np.exp(rng.uniform(np.log(2e-4), np.log(60.0), 400))
    band = rng.integers(0, 2, len(ratio))
    got = curves.kept(1, ratio, band)
    direct = [
        water_balance.diverted_fraction(steps, r, d, rate)[0] for r, d in zip(ratio, curves.depth_mm[band], strict=True)
    ]
    worst = np.abs(got - direct).max()
    print(f"\nstep {step_h:g} h, rate {rate:g} mm/h: worst {worst:.5f} of the inflow")  # noqa: T201
    assert worst <= 0.005


@STABLE
@given(st.floats(0.5, 40.0), st.floats(1.0, 400.0), st.floats(1.0, 4.0), st.sampled_from([0, 1]))
def test_interpolated_more_roof_never_diverts_less(record, area, roof, more, band):
    curves = fixed_curves(record)
    bands = np.array([band, band])
    kept = curves.kept(1, np.array([area / roof, area / (roof * more)]), bands)
    # chords of the curve may lose what interpolation may err
    assert roof * more * kept[1] >= roof * kept[0] * (1.0 - 1e-3)


_KNOWN: dict[int, YieldCurves] = {}


def fixed_curves(record) -> YieldCurves:
    """Curves of the record, made once."""
    if not _KNOWN:
        _KNOWN[0] = curves_of(record, (100.0, 182.0), 7.6)
    return _KNOWN[0]


def test_on_the_grid_of_ratios_interpolation_is_the_curve_itself(record):
    curves = fixed_curves(record)
    ratio = np.exp(np.linspace(LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS))
    for band in (0, 1):
        got = curves.kept(1, ratio, np.full(N_RATIOS, band))
        np.testing.assert_allclose(got, curves.fraction[1, band], atol=1e-9)
    beyond = curves.kept(1, np.array([ratio[-1] * 3]), np.array([0]))
    assert beyond[0] == pytest.approx(curves.fraction[1, 0, -1])


@pytest.mark.parametrize("ratio", [0.005, 0.03, 0.1, 0.34, 2.0])
def test_assumed_storms_keep_what_the_integral_over_their_depths_says(ratio):
    rain, loss, depth, rate = PARAMS.rain, PARAMS.roof.initial_loss_mm, 100.0, 7.6
    mu = rain.storm_mean_mm
    capacity = ratio * (depth + rate * rain.storm_duration_h)

    def density(h):
        return np.exp(-h / mu) / mu

    limits = [loss, loss + capacity, loss + capacity + 60.0 * mu]
    kept = sum(integrate.quad(lambda h: min(h - loss, capacity) * density(h), a, b)[0] for a, b in pairwise(limits))
    runoff = integrate.quad(lambda h: (h - loss) * density(h), loss, 60.0 * mu, limit=200)[0]
    curve = water_balance.storm_curve(rain, depth, rate)
    at = np.interp(np.log(ratio), np.linspace(LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS), curve)
    assert at == pytest.approx(kept / runoff, abs=5e-3)
    assert water_balance.storm_runoff_mm_y(rain, PARAMS.roof) == pytest.approx(rain.storms_per_y * runoff, rel=1e-6)
