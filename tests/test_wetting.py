"""The bucket on soil that takes in water by Green and Ampt: fast lanes, solved equations, a solver, and properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_rain import hourly_rain, steps_of
from scipy.integrate import solve_ivp

from screening import water_balance
from screening.kernels.wetting import growth_mm, less_log
from screening.water_balance import Wetting, catchments, kept_each_year, kept_long_term

STABLE = settings(max_examples=30, derandomize=True, deadline=None, database=None)

# Rawls, Brakensiek & Miller (1983), Table 2: suction and K; effective porosity times 0.5
SOILS = {
    "sand": Wetting(49.5, 117.8, 0.2085, 24.0),
    "loam": Wetting(88.9, 3.4, 0.217, 24.0),
    "silt loam": Wetting(166.8, 6.5, 0.243, 24.0),
    "clay": Wetting(316.3, 0.3, 0.1925, 24.0),
}

ratios = st.floats(1e-3, 20.0)
depths = st.floats(0.0, 400.0)
factors = st.floats(0.2, 5.0)
names = st.sampled_from(sorted(SOILS))


@pytest.fixture(scope="module")
def record():
    """Four years of invented hourly rain."""
    return steps_of(hourly_rain(4))


def sample(n, seed=1):
    """Gardens over the whole range: ratio, depth, factor on the conductivity."""
    rng = np.random.default_rng(seed)
    ratio = np.exp(rng.uniform(np.log(0.002), np.log(10.0), n))
    return ratio, rng.uniform(0.0, 400.0, n), np.exp(rng.uniform(np.log(0.2), np.log(5.0), n))


@pytest.mark.parametrize("name", SOILS)
def test_fast_lanes_agree_with_the_solved_equations(record, name):
    soil = SOILS[name]
    gardens = sample(120)
    fast = kept_each_year(record, catchments(*gardens), soil=soil)
    solved = np.empty_like(fast)
    for k, (ratio, depth, factor) in enumerate(zip(*gardens, strict=True)):
        found = water_balance.balance(record, ratio, depth, factor, soil=soil)
        solved[:, k] = 1.0 - found.spilled_mm / (found.from_roof_mm + found.from_rain_mm)
    worst = float(np.abs(fast - solved).max())
    print(f"\n{name}: worst {worst:.5f} of a year's inflow")  # noqa: T201
    assert worst <= 0.003


@STABLE
@given(st.floats(0.0, 500.0), st.floats(0.001, 300.0), st.floats(0.0, 300.0))
def test_growth_solves_green_and_ampts_equation(front, pull, supply):
    # D - A ln(1 + D / (F + A)) = S; the fast formula may be off by 3 % of what soaks in where the soil is driest
    grown = growth_mm(front, pull, supply)
    low, high = 0.0, supply + 10.0 * pull + 10.0 * np.sqrt(supply * pull) + 1.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle - pull * np.log1p(middle / (front + pull)) < supply:
            low = middle
        else:
            high = middle
    assert grown == pytest.approx(low, rel=0.03, abs=1e-6)


@pytest.mark.parametrize(("u", "within"), [(0.0, 0.0), (1e-8, 1e-6), (0.1, 1e-5), (1.0, 3e-3), (3.0, 0.02)])
def test_the_fraction_that_stands_for_the_logarithm(u, within):
    assert less_log(u) == pytest.approx(u - np.log1p(u), rel=within + 1e-7, abs=1e-15)


@STABLE
@given(st.integers(0, 1000), ratios, depths, factors, names)
def test_the_balance_closes(seed, ratio, depth, factor, name):
    steps = steps_of(hourly_rain(2, seed))
    found = water_balance.balance(steps, ratio, depth, factor, soil=SOILS[name])
    inflow = found.from_roof_mm + found.from_rain_mm
    stored = np.diff(np.concatenate([[0.0], found.ponded_mm]))
    error = inflow - found.soaked_mm - found.spilled_mm - stored
    assert np.abs(error).max() <= 1e-9 * inflow.min()
    assert (found.ponded_mm <= depth * (1 + 1e-12)).all()


@STABLE
@given(ratios, st.floats(20.0, 400.0), factors, names, st.floats(1.1, 3.0), st.sampled_from(["ratio", "depth", "rate"]))
def test_a_larger_deeper_or_faster_garden_keeps_no_less(record, ratio, depth, factor, name, more, which):
    times = {"ratio": (more, 1, 1), "depth": (1, more, 1), "rate": (1, 1, more)}[which]
    one = (
        np.array([ratio, ratio * times[0]]),
        np.array([depth, depth * times[1]]),
        np.array([factor, factor * times[2]]),
    )
    less, larger = kept_long_term(record, *one, soil=SOILS[name])
    # a wetter soil is slower at the next storm: to a thousandth
    assert larger >= less - 1e-3


@pytest.mark.parametrize("name", SOILS)
def test_shorter_steps_change_less_than_half_a_percent(name):
    rain = hourly_rain(2)
    gardens = sample(300, 3)
    whole = kept_long_term(steps_of(rain), *gardens, soil=SOILS[name])
    halves = kept_long_term(steps_of(np.repeat(rain / 2.0, 2), step_h=0.5), *gardens, soil=SOILS[name])
    worst = float(np.abs(whole - halves).max())
    print(f"\n{name}: worst {worst:.5f} of the inflow")  # noqa: T201
    assert worst <= 0.005


def by_solver(inflow_mm_h, depth_mm, soil):
    """Soaked and spilled depths of hourly inflow by an implicit solver of Green and Ampt's equation with ponding."""
    film_h, hurry = 1e-3, 1e3

    def slope(_, y, inflow):
        level, front, _ = y
        head = max(level, 0.0)
        most = soil.k_mm_h * (1.0 + (soil.suction_mm + head) * soil.moisture_deficit / max(front, 1e-6))
        soaking = min(most, inflow + head / film_h)
        # water over the brim runs off, and cannot be more than what comes
        spilling = hurry * max(level - depth_mm, 0.0)
        return [inflow - soaking - spilling, soaking, spilling]

    state = np.zeros(3)
    for inflow in inflow_mm_h:
        done = solve_ivp(slope, (0.0, 1.0), state, args=(inflow,), method="LSODA", rtol=1e-7, atol=1e-8, max_step=0.01)
        assert done.success
        state = done.y[:, -1]
    return state


@pytest.mark.parametrize("name", ["loam", "silt loam", "clay"])
@pytest.mark.parametrize(
    ("rain", "ratio", "depth"),
    [
        ([2.0, 9.0, 14.0, 6.0, 1.0, 2.0, 4.0], 0.12, 150.0),
        ([30.0, 2.0, 1.0, 0.5], 0.08, 100.0),
        ([1.0, 0.2, 3.0, 1.0, 6.0, 1.0], 0.3, 60.0),
    ],
)
def test_a_solver_of_differential_equations_agrees_on_single_storms(name, rain, ratio, depth):
    soil = SOILS[name]
    steps = steps_of(rain)
    found = water_balance.balance(steps, ratio, depth, 1.0, soil=soil)
    inflow = steps.runoff_mm[0] / ratio + steps.rain_mm
    ponded, soaked, spilled = by_solver(inflow, depth, soil)
    near = {"abs": 5e-3 * inflow.sum()}
    assert found.soaked_mm[0] == pytest.approx(soaked, **near)
    assert found.spilled_mm[0] == pytest.approx(spilled, **near)
    assert found.ponded_mm[0] == pytest.approx(ponded, **near)


def test_without_suction_and_deficit_it_is_the_constant_rate(record):
    ratio, depth, factor = sample(200, 5)
    wetting = kept_each_year(record, catchments(ratio, depth, factor), soil=Wetting(0.0, 7.6, 0.0, 24.0))
    constant = kept_each_year(record, catchments(ratio, depth, 7.6 * factor))
    np.testing.assert_allclose(wetting, constant, atol=1e-9)


def test_a_dry_soil_takes_in_more_than_its_conductivity_alone(record):
    gardens = sample(200, 6)
    soil = SOILS["loam"]
    more = kept_each_year(record, catchments(*gardens), soil=soil)
    alone = kept_each_year(record, catchments(gardens[0], gardens[1], soil.k_mm_h * gardens[2]))
    assert (more >= alone - 1e-6).all()
    assert (more - alone).max() > 0.02
