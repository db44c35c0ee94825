"""The rain record as the bucket takes it: roofs, days, frozen months, years."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_rain import SAMPLE, hourly_rain, steps_of

from screening import water_balance
from screening.params import load_params
from screening.read import read_rain

STABLE = settings(max_examples=40, derandomize=True, deadline=None, database=None)


def plain_runoff(rain_mm, loss_mm, dry_steps):
    """Runoff of a roof, written down as the sentence says it."""
    runoff, held, dry = [], 0.0, 0
    for rain in rain_mm:
        dry = dry + 1 if rain == 0.0 else 0
        if dry >= dry_steps:
            held = 0.0
        stays = min(rain, loss_mm - held)
        held += stays
        runoff.append(rain - stays)
    return np.array(runoff)


def test_the_roof_loses_its_depth_once_a_storm():
    # 3 mm, 11 dry hours, 2 mm: one storm; 12 dry hours, 2 mm: another one
    rain = [3.0, *[0.0] * 11, 2.0, *[0.0] * 12, 2.0]
    steps = steps_of(rain)
    assert steps.runoff_mm[0].tolist() == pytest.approx([1.73, 2.0, 0.73])
    assert steps.rain_mm.tolist() == [3.0, 2.0, 2.0]
    assert steps.dry_h.tolist() == [11.0, 12.0, 0.0]


def test_a_loss_that_one_hour_does_not_fill_goes_on():
    assert steps_of([1.0, 0.5, 0.0, 2.0]).runoff_mm[0].tolist() == pytest.approx([0.0, 0.23, 2.0])


@STABLE
@given(st.integers(0, 10_000), st.floats(0.0, 8.0), st.integers(1, 48))
def test_runoff_is_the_plain_twin(seed, loss, spell):
    rain = hourly_rain(1, seed)
    steps = steps_of(rain, loss_mm=(loss,), dry_spell_h=float(spell))
    twin = plain_runoff(rain, loss, spell)
    np.testing.assert_allclose(steps.runoff_mm[0], twin[rain > 0.0], atol=1e-12)
    assert steps.runoff_mm_y[0, 0] == pytest.approx(twin.sum(), rel=1e-9)


@STABLE
@given(st.integers(0, 10_000), st.floats(0.0, 5.0), st.floats(0.0, 5.0))
def test_a_larger_loss_never_gives_more_runoff(seed, one, more):
    steps = steps_of(hourly_rain(1, seed), loss_mm=(one, one + more))
    assert steps.runoff_mm_y[0, 1] <= steps.runoff_mm_y[0, 0] * (1.0 + 1e-12)
    assert steps.runoff_mm_y[0, 0] <= steps.rain_mm_y[0] * (1.0 + 1e-12)


def test_frozen_months_bring_nothing_and_nothing_soaks_away():
    # 26 hours of November, then frozen December, then January
    rain = np.zeros(26 + 31 * 24 + 10)
    rain[[0, 100, 26 + 31 * 24 + 4]] = 5.0
    steps = steps_of(rain, start="2015-11-29T22", frozen_months=[12])
    assert steps.rain_mm.tolist() == [5.0, 5.0], "the rain of December is left out"
    assert steps.dry_h.tolist() == [25.0 + 4.0, 5.0]
    assert steps.runoff_mm[0].tolist() == pytest.approx([3.73, 3.73])


def test_a_year_round_frost_leaves_nothing():
    steps = steps_of(hourly_rain(1), frozen_months=list(range(1, 13)))
    assert len(steps.rain_mm) == 0
    assert steps.runoff_mm_y.tolist() == [[0.0]]
    garden = water_balance.kept_long_term(steps, np.array([0.1]), np.array([100.0]), np.array([7.6]))
    assert garden.tolist() == [1.0], "of no water nothing spills"


@pytest.mark.parametrize("hours", [1, 6, 11, 24])
def test_days_are_spread_evenly_over_their_middle_hours(hours):
    steps = steps_of([0.0, 12.0, 6.0, 0.0], step_h=24.0, daily_rain_h=hours, loss_mm=(0.0,))
    assert steps.step_h == 1.0
    assert steps.rain_mm == pytest.approx(np.repeat([12.0, 6.0], hours) / hours)
    within = np.zeros(hours)
    within[-1] = 24 - hours
    first, second = within.copy(), within.copy()
    second[-1] = 24.0 + (24 - hours + 1) // 2
    assert steps.dry_h.tolist() == [*first, *second]


def test_the_middle_of_the_day():
    time, rain = water_balance.spread_days(np.array(["2015-03-01"], dtype="datetime64[D]"), np.array([6.0]), 6)
    assert np.datetime_as_string(time[rain > 0.0]).tolist() == [f"2015-03-01T{h:02d}" for h in range(9, 15)]
    assert rain.sum() == pytest.approx(6.0)


def test_hours_of_a_year_are_its_own():
    rain = np.zeros(2 * 8760)
    rain[[10, 8759, 8760]] = (4.0, 5.0, 6.0)
    steps = steps_of(rain, loss_mm=(0.0,))
    assert steps.years == (2015, 2016)
    assert steps.rain_mm_y.tolist() == [9.0, 6.0]


def test_years_begin_with_the_record():
    # from 1 March 2015: two times twelve months, the second one with a 29 February
    time_h = 24 * (366 + 365)
    rain = np.zeros(time_h)
    rain[[0, 24 * 366 - 1, 24 * 366, time_h - 1]] = (1.0, 2.0, 4.0, 8.0)
    steps = steps_of(rain, start="2015-03-01T00", loss_mm=(0.0,))
    assert steps.years == (2015, 2016)
    assert steps.rain_mm_y.tolist() == [3.0, 12.0]


def test_picked_years_that_do_not_follow_each_other():
    time = np.concatenate(
        [np.arange(f"{y}-01-01T00", f"{y + 1}-01-01T00", dtype="datetime64[h]") for y in (2012, 2016)]
    )
    rain = np.zeros(len(time))
    rain[[0, 8784, -1]] = (1.0, 2.0, 4.0)
    steps = water_balance.rain_steps(time, rain, 1.0, load_params().rain, np.array([0.0]))
    assert steps.years == (2012, 2016)
    assert steps.rain_mm_y.tolist() == [1.0, 6.0]


def test_a_year_without_rain_is_a_year():
    rain = np.zeros(8760 + 8784 + 8760)
    rain[[5, 8760 + 8784 + 5]] = 3.0
    steps = steps_of(rain, loss_mm=(0.0,))
    assert len(steps.years) == 3
    assert steps.rain_mm_y.tolist() == [3.0, 0.0, 3.0]


def test_steps_longer_than_an_hour_are_refused():
    with pytest.raises(ValueError, match="at most 1 h"):
        steps_of([1.0, 2.0], step_h=3.0)


def test_six_hours_a_day_keep_what_the_hourly_record_keeps():
    """The default of `daily_rain_h` on the sample's hourly record; docs/method/rain.md has the whole table."""
    record, _ = read_rain(SAMPLE / "rain.csv")
    days, of_day = np.unique(record.time.astype("datetime64[D]"), return_inverse=True)
    daily = np.bincount(of_day, weights=record.rain_mm)
    params = load_params()
    loss = np.array([params.roof.initial_loss_mm])
    ratio, depth, rate = (v.ravel() for v in np.meshgrid([0.05, 0.16, 0.34], [100.0, 180.0], [7.6, 11.4, 20.3]))
    volumes = []
    for time, rain, step_h in ((record.time, record.rain_mm, 1.0), (days, daily, 24.0)):
        steps = water_balance.rain_steps(time, rain, step_h, params.rain, loss)
        volumes.append(water_balance.kept_long_term(steps, ratio, depth, rate) * steps.runoff_mm_y.mean())
    off = volumes[1] / volumes[0] - 1.0
    assert abs(off.mean()) <= 0.03
    assert np.abs(off).max() <= 0.05
