"""The bucket: by hand, by its plain twin, by a solver of differential equations, by what has to hold for any rain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_rain import hourly_rain, rain_of_seattle, steps_of
from scipy.integrate import solve_ivp

from screening import water_balance
from screening.water_balance import catchments, kept_each_year, kept_long_term

STABLE = settings(max_examples=40, derandomize=True, deadline=None, database=None)

ratios = st.floats(1e-4, 50.0)
depths = st.floats(0.0, 500.0)
rates = st.floats(0.1, 120.0)
seeds = st.integers(0, 10_000)


@pytest.fixture(scope="module")
def record():
    """Four years of invented hourly rain."""
    return steps_of(hourly_rain(4))


def kept(steps, ratio, depth, rate):
    """Part kept over the record by one garden."""
    return float(kept_long_term(steps, np.array([ratio]), np.array([depth]), np.array([rate]))[0])


def plain_bucket(rain_mm, runoff_mm, ratio, depth_mm, rate_mm_h, step_h=1.0):
    """Every step of a record, dry ones too, over the garden's own area: inflow, soaked, spilled, ponded."""
    ponded = inflow = soaked = spilled = 0.0
    for rain, runoff in zip(rain_mm, runoff_mm, strict=True):
        comes = runoff / ratio + rain
        out = min(ponded + comes, rate_mm_h * step_h)
        over = max(ponded + comes - out - depth_mm, 0.0)
        ponded += comes - out - over
        inflow, soaked, spilled = inflow + comes, soaked + out, spilled + over
    return inflow, soaked, spilled, ponded


def test_a_storm_by_hand():
    # 11.27 mm in one hour: 1.27 mm wet the roof, 10 mm run off; a garden a tenth of the roof gets 100 mm of it and
    # 11.27 mm of rain; 8 mm soak in within the hour, 60 mm stay, 43.27 mm spill
    steps = steps_of([11.27] + [0.0] * 50)
    found = water_balance.balance(steps, 0.1, 60.0, 8.0)
    assert found.from_roof_mm.tolist() == pytest.approx([100.0])
    assert found.from_rain_mm.tolist() == pytest.approx([11.27])
    assert found.spilled_mm.tolist() == pytest.approx([43.27])
    assert found.soaked_mm.tolist() == pytest.approx([68.0])
    assert found.ponded_mm.tolist() == pytest.approx([0.0])
    # of what spills, roof water is 100 parts in 111.27
    assert kept(steps, 0.1, 60.0, 8.0) == pytest.approx((100.0 - 43.27 * 100.0 / 111.27) / 100.0)


def test_two_storms_by_hand():
    # no loss of its own for the second one: 111.27 mm and 110 mm; 80 mm stay, after five dry hours 30 mm are left
    steps = steps_of([11.27, 0, 0, 0, 0, 0, 10.0, 0, 0])
    found = water_balance.balance(steps, 0.1, 80.0, 10.0)
    assert found.spilled_mm.tolist() == pytest.approx([(111.27 - 10.0 - 80.0) + (30.0 + 110.0 - 10.0 - 80.0)])
    assert found.ponded_mm.tolist() == pytest.approx([60.0])


def test_storage_identity():
    # 125 ft2 x 6 in hold 1 in of rain on 750 ft2 (arithmetic of the simple 1-inch method's worked example): soil that
    # takes nothing in keeps just that
    ratio, depth = 125.0 / 750.0, 6.0 * 25.4
    steps = steps_of([0.0, 25.4, 0.0], loss_mm=(0.0,))
    found = water_balance.balance(steps, ratio, depth + 25.4, 0.0)
    assert found.spilled_mm.tolist() == pytest.approx([0.0], abs=1e-9), "the rain on the garden needs its own depth"
    assert water_balance.balance(steps, ratio, depth, 0.0).spilled_mm.tolist() == pytest.approx([25.4])


@STABLE
@given(seeds, ratios, depths, rates, st.floats(0.0, 5.0))
def test_kernel_and_lanes_are_the_plain_twin(seed, ratio, depth, rate, loss):
    rain = hourly_rain(1, seed)
    steps = steps_of(rain, loss_mm=(loss,))
    runoff = np.zeros(len(rain))
    runoff[rain > 0.0] = steps.runoff_mm[0]
    inflow, soaked, spilled, ponded = plain_bucket(rain, runoff, ratio, depth, rate)
    found = water_balance.balance(steps, ratio, depth, rate)
    near = {"rel": 1e-9, "abs": 1e-9 * inflow}
    assert found.from_roof_mm[0] + found.from_rain_mm[0] == pytest.approx(inflow, **near)
    assert found.soaked_mm[0] == pytest.approx(soaked, **near)
    assert found.spilled_mm[0] == pytest.approx(spilled, **near)
    assert found.ponded_mm[0] == pytest.approx(ponded, **near)
    assert kept(steps, ratio, depth, rate) == pytest.approx(1.0 - spilled / inflow, abs=1e-9)


@STABLE
@given(seeds, ratios, depths, st.floats(0.0, 120.0))
def test_the_balance_closes(seed, ratio, depth, rate):
    steps = steps_of(hourly_rain(2, seed))
    found = water_balance.balance(steps, ratio, depth, rate)
    inflow = found.from_roof_mm + found.from_rain_mm
    stored = np.diff(np.concatenate([[0.0], found.ponded_mm]))
    error = inflow - found.soaked_mm - found.spilled_mm - stored
    assert np.abs(error).max() <= 1e-9 * inflow.min()
    assert (found.ponded_mm <= depth * (1 + 1e-12)).all()
    assert found.soaked_mm.sum() <= rate * 2 * 8760 * (1 + 1e-12)


@STABLE
@given(ratios, depths, rates, st.floats(1.0, 3.0), st.sampled_from(["ratio", "depth", "rate"]))
def test_a_larger_deeper_or_faster_garden_never_keeps_less(record, ratio, depth, rate, more, which):
    factor = {"ratio": (more, 1, 1), "depth": (1, more, 1), "rate": (1, 1, more)}[which]
    less = kept(record, ratio, depth, rate)
    larger = kept(record, ratio * factor[0], depth * factor[1], rate * factor[2])
    assert larger >= less - 1e-12


@STABLE
@given(st.floats(0.5, 40.0), st.floats(1.0, 400.0), st.floats(1.0, 4.0), depths, rates)
def test_more_roof_never_diverts_less(record, area, roof, more, depth, rate):
    less = roof * kept(record, area / roof, depth, rate)
    larger = roof * more * kept(record, area / (roof * more), depth, rate)
    assert larger >= less * (1.0 - 1e-9)


@STABLE
@given(seeds, ratios, depths, rates)
def test_every_year_keeps_between_nothing_and_all(seed, ratio, depth, rate):
    steps = steps_of(hourly_rain(3, seed))
    part = kept_each_year(steps, catchments(np.array([ratio]), np.array([depth]), np.array([rate])))
    assert part.shape == (3, 1)
    assert ((part >= 0.0) & (part <= 1.0)).all()


@pytest.mark.parametrize("halves", [2, 4])
def test_shorter_steps_change_less_than_half_a_percent(halves):
    rain = hourly_rain(4)
    whole = steps_of(rain)
    short = steps_of(np.repeat(rain / halves, halves), step_h=1.0 / halves)
    assert short.rain_mm_y.sum() == pytest.approx(whole.rain_mm_y.sum())
    rng = np.random.default_rng(2)
    ratio = np.exp(rng.uniform(np.log(0.002), np.log(10.0), 500))
    depth, rate = rng.uniform(0.0, 400.0, 500), np.exp(rng.uniform(np.log(0.3), np.log(120.0), 500))
    one, other = (kept_long_term(steps, ratio, depth, rate) for steps in (whole, short))
    worst = float(np.abs(one - other).max())
    print(f"\nsteps of 1/{halves} h: worst {worst:.5f} of the inflow")  # noqa: T201
    assert 0.0 < worst <= 0.005


def by_solver(inflow_mm_h, depth_mm, rate_mm_h):
    """Soaked and spilled depths of hourly inflow by an implicit solver of the bucket's differential equation.

    Soaking fades over the last micrometres and spilling starts over the first ones, so that the equation is smooth.
    """
    film, hurry = 1e-3, 1e3

    def slope(_, y, inflow):
        level = y[0]
        soaking = rate_mm_h * min(max(level / film, 0.0), 1.0)
        spilling = hurry * max(level - depth_mm, 0.0)
        return [inflow - soaking - spilling, soaking, spilling]

    state = np.zeros(3)
    for inflow in inflow_mm_h:
        done = solve_ivp(slope, (0.0, 1.0), state, args=(inflow,), method="Radau", rtol=1e-6, atol=1e-8)
        assert done.success
        state = done.y[:, -1]
    return state


@pytest.mark.parametrize(
    ("rain", "ratio", "depth", "rate"),
    [
        ([2.0, 9.0, 14.0, 6.0, 1.0, 0.0, 0.0, 3.0, 8.0, 0.0, 0.0, 0.0], 0.12, 150.0, 7.6),
        ([30.0, 2.0, 0.0, 0.0, 0.0, 0.0], 0.05, 100.0, 20.3),
        ([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0], 0.2, 200.0, 1.5),
        ([0.4, 12.0, 0.0, 25.0, 0.2, 0.0, 0.0, 0.0, 5.0], 0.34, 90.0, 7.6),
    ],
)
def test_a_solver_of_differential_equations_agrees_on_single_storms(rain, ratio, depth, rate):
    steps = steps_of(rain)
    found = water_balance.balance(steps, ratio, depth, rate)
    inflow = np.zeros(len(rain))
    inflow[np.array(rain) > 0.0] = steps.runoff_mm[0] / ratio + steps.rain_mm
    ponded, soaked, spilled = by_solver(inflow, depth, rate)
    near = pytest.approx
    # to a thousandth of the inflow: the film and the height over the brim
    assert found.soaked_mm[0] == near(soaked, abs=1e-3 * inflow.sum())
    assert found.spilled_mm[0] == near(spilled, abs=1e-3 * inflow.sum())
    assert found.ponded_mm[0] == near(ponded, abs=1e-3 * inflow.sum())
    if depth < 200.0:
        assert spilled > 1.0, "the storm fills the garden"


@STABLE
@given(seeds, st.integers(1, 200), st.integers(1, 3))
def test_neighbours_and_threads_change_nothing(seed, n, threads):
    steps = steps_of(hourly_rain(1))
    rng = np.random.default_rng(seed)
    gardens = catchments(rng.uniform(0.01, 2.0, n), rng.uniform(0.0, 300.0, n), rng.uniform(0.5, 50.0, n))
    together = kept_each_year(steps, gardens, threads=threads)
    one = int(rng.integers(n))
    alone = kept_each_year(steps, water_balance.Catchments(*(v[one : one + 1] for v in gardens)), threads=1)
    assert together[:, one].tolist() == alone[:, 0].tolist()


def test_thousands_of_gardens_in_threads_are_bit_for_bit_the_same(record):
    rng = np.random.default_rng(4)
    gardens = catchments(rng.uniform(0.01, 2.0, 3001), rng.uniform(0.0, 300.0, 3001), rng.uniform(0.5, 50.0, 3001))
    one = kept_each_year(record, gardens, threads=1)
    assert one.tobytes() == kept_each_year(record, gardens, threads=2).tobytes()
    assert one.tobytes() == kept_each_year(record, gardens, threads=5).tobytes()


@STABLE
@given(seeds, st.floats(0.01, 3.0), st.floats(1.0, 300.0), st.floats(0.5, 50.0), st.floats(0.2, 5.0))
def test_gardens_alike_over_their_catchment_keep_alike(seed, ratio, depth, rate, factor):
    """The scaling on which the table rests: without a roof loss only depth and rate over the whole catchment count."""
    share = ratio / (1.0 + ratio)
    other = share * factor
    assume(other < 0.99)
    steps = steps_of(hourly_rain(1, seed), loss_mm=(0.0,))
    one = kept(steps, ratio, depth, rate)
    assert kept(steps, other / (1.0 - other), depth / factor, rate / factor) == pytest.approx(one, abs=1e-9)


def test_no_depth_no_rate_no_garden(record):
    part = kept_long_term(
        record, np.array([0.0, 0.1, 0.1, 0.1]), np.array([100.0, 0.0, 0.0, 100.0]), np.array([7.6, 0.0, 7.6, 0.0])
    )
    assert part[0] == pytest.approx(0.0, abs=1e-12), "no garden keeps nothing"
    assert part[1] == pytest.approx(0.0, abs=1e-12), "no depth and no infiltration"
    assert 0.0 < part[2] < 0.2, "what soaks in while it rains"
    full = 100.0 * 0.1 / (record.runoff_mm_y[0, 0] + 0.1 * record.rain_mm_y[0]) * record.runoff_mm_y[0, 0]
    assert part[3] * record.runoff_mm_y.sum() == pytest.approx(full), "filled once and never emptied"


def test_frost_holds_the_water_in_the_garden():
    # filled on 30 November and frozen until January: the rain of 1 January finds it full
    rain = np.zeros(24 * (2 + 31 + 1))
    rain[[40, -20]] = 30.0
    steps = steps_of(rain, start="2015-11-29T00", frozen_months=[12], loss_mm=(0.0,))
    # 30 November has 7 hours left after the storm, 1 January 4 hours before the next one
    found = water_balance.balance(steps, 0.2, 100.0, 5.0)
    assert found.spilled_mm.sum() == pytest.approx((180.0 - 5.0 - 100.0) + (100.0 - 11 * 5.0 + 180.0 - 5.0 - 100.0))


def test_real_daily_rain_of_seattle():
    days, rain = rain_of_seattle()
    assert len(rain) == 1461
    assert (np.diff(days).astype(int) == 1).all()
    steps = steps_of(rain, step_h=24.0, start=str(days[0]))
    assert steps.years == (2012, 2013, 2014, 2015)
    assert steps.rain_mm_y.sum() == pytest.approx(rain.sum())
    roof_m2 = 60.0
    rain_m3_y = roof_m2 * rain.sum() / 4.0 / 1000.0
    runoff_m3_y = roof_m2 * steps.runoff_mm_y.mean() / 1000.0
    # a loss of at most 1.27 mm on each day with rain
    least_m3_y = rain_m3_y - roof_m2 * 1.27 * np.count_nonzero(rain) / 4.0 / 1000.0
    assert least_m3_y <= runoff_m3_y <= rain_m3_y
    volumes = [runoff_m3_y * kept(steps, area / roof_m2, 150.0, 7.6) for area in (4.6, 10.0, 27.9)]
    assert 0.3 * rain_m3_y < volumes[0] < volumes[1] < volumes[2] <= runoff_m3_y
    print(f"\nSeattle: {rain_m3_y:.1f} m3/y of rain, {runoff_m3_y:.1f} of runoff, kept {volumes}")  # noqa: T201
