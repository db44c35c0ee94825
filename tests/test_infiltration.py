"""Green and Ampt's infiltration: kernels against plain twins, an ODE solver, and what water does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from screening import infiltration
from screening.kernels import green_ampt as kernels
from screening.params import load_params
from screening.soils import GreenAmptSoil, soil_class, tables

DEPTH_MM = 150.0

TEXTURES = sorted(tables.RAWLS_1983)


def soil_of(texture, saturation=0.5):
    settings = {"soil.infiltration": "green_ampt", "soil.start_saturation_frac": saturation}
    return soil_class(texture, load_params(None, settings).soil).green_ampt


soils = st.builds(
    GreenAmptSoil,
    suction_mm=st.floats(20.0, 400.0),
    k_mm_h=st.floats(0.1, 200.0),
    moisture_deficit=st.floats(0.01, 0.49),
)
fronts = st.just(0.0) | st.floats(1e-3, 2000.0)
heads = st.just(0.0) | st.floats(0.1, 300.0)
spans = st.floats(0.01, 72.0)


# Plain twins: the same equations, solved by bisection ---------------------------------------------


def plain_ponded(front, head, hours, soil):
    """Depth under a constant head: root of F1 - F0 - A ln((F1 + A) / (F0 + A)) = K t."""
    pull = (soil.suction_mm + head) * soil.moisture_deficit

    def missing(depth):
        return depth - pull * math.log1p(depth / (front + pull)) - soil.k_mm_h * hours

    high = 1.0
    while missing(high) < 0.0:
        high *= 2.0
    return brentq(missing, 0.0, high, xtol=1e-13, rtol=1e-13)


def plain_falling(front, ponded, hours, soil):
    """Depth while the head falls: dF/dt = K (1 + (psi + h) d / F) with h = ponded - (F - F0)."""
    if hours >= plain_hours(front, ponded, soil):
        return ponded

    def rate(_, depth):
        pull = (soil.suction_mm + ponded - depth) * soil.moisture_deficit
        return soil.k_mm_h * (1.0 + pull / (front + depth))

    # started off zero where the rate is infinite
    start = 0.0 if front > 0.0 else 1e-9
    found = solve_ivp(rate, (0.0, hours), [start], rtol=1e-10, atol=1e-12, method="LSODA")
    return float(found.y[0, -1])


def plain_hours(front, ponded, soil):
    """Hours until the pond is gone: the integral of dF / f."""
    from scipy.integrate import quad

    def slowness(depth):
        pull = (soil.suction_mm + ponded - depth) * soil.moisture_deficit
        filled = front + depth
        return filled / (filled + pull) / soil.k_mm_h

    return quad(slowness, 0.0, ponded, epsabs=0.0, epsrel=1e-12, limit=200)[0]


def plain_step(front, ponded, inflow, depth, hours, soil):
    """One wet step as the kernel's notes say it."""
    there, left, at_once = ponded + inflow, hours, 0.0
    if ponded <= 0.0:
        speed = inflow / hours
        if speed <= soil.k_mm_h:
            return inflow
        # rain until the soil, without water on it, takes just as much: K (1 + psi d / F) = speed
        at_once = soil.k_mm_h * soil.suction_mm * soil.moisture_deficit / (speed - soil.k_mm_h) - front
        if at_once >= inflow:
            return inflow
        at_once = max(at_once, 0.0)
        left = hours - at_once / speed
    soaked, coming = at_once, (inflow - at_once) / 2
    for _ in range(2):
        end = ponded + coming - plain_guess(front + soaked, ponded, left / 2, soil)
        # mean of the water's depth on its even way from ponded to end, held between 0 and the spill
        path = np.maximum([ponded, end], 0.0)
        if end > depth:
            way = np.interp(np.linspace(0.0, 1.0, 200_001), [0.0, 1.0], path)
            head = float(np.minimum(way, depth).mean())
        else:
            head = float(path.mean())
        more = min(ponded + coming, plain_ponded(front + soaked, head, left / 2, soil))
        soaked += more
        ponded = min(ponded + coming - more, depth)
    return min(there, soaked)


def plain_guess(front, head, hours, soil):
    """One turn of Newton's method, from a depth that is too large for sure."""
    pull = (soil.suction_mm + head) * soil.moisture_deficit
    base, tau = front + pull, soil.k_mm_h * hours / pull
    bounds = [base * (tau + math.sqrt(2.0 * tau)) / (base / pull)]
    if front > 0.0:
        bounds.append(base * tau / (base / pull - 1.0))
    depth = min(bounds)
    missing = depth - pull * math.log1p(depth / base) - soil.k_mm_h * hours
    return depth - missing / (1.0 - pull / (base + depth))


@given(soil=soils, front=fronts, head=heads, hours=spans)
def test_ponded_depth_is_that_of_the_plain_twin(soil, front, head, hours):
    got = kernels.ponded_mm(front, head, hours, *soil)
    assert got == pytest.approx(plain_ponded(front, head, hours, soil), rel=1e-9, abs=1e-9)
    assert got >= soil.k_mm_h * hours


@given(soil=soils, front=fronts, ponded=st.floats(0.5, 300.0), hours=spans)
@settings(max_examples=40)
def test_a_falling_pond_is_that_of_an_ode_solver(soil, front, ponded, hours):
    got = kernels.falling_mm(front, ponded, hours, *soil)
    assert got == pytest.approx(plain_falling(front, ponded, hours, soil), rel=1e-5, abs=1e-5)
    assert kernels.hours_to_soak(front, ponded, *soil) == pytest.approx(plain_hours(front, ponded, soil), rel=1e-6)


@given(soil=soils, front=fronts, ponded=st.floats(0.5, 300.0))
def test_a_pond_is_just_gone_after_the_hours_it_takes(soil, front, ponded):
    hours = kernels.hours_to_soak(front, ponded, *soil)
    assert kernels.falling_mm(front, ponded, hours, *soil) == pytest.approx(ponded, rel=1e-9)
    assert kernels.falling_mm(front, ponded, 0.9 * hours, *soil) < ponded


@given(soil=soils, front=fronts, ponded=heads, inflow=st.floats(0.01, 900.0), hours=st.floats(0.1, 1.0))
@settings(max_examples=60)
def test_a_wet_step_is_that_of_the_plain_twin(soil, front, ponded, inflow, hours):
    ponded = min(ponded, DEPTH_MM)
    got = kernels.wet_step_mm(front, ponded, inflow, DEPTH_MM, hours, *soil)
    assert got == pytest.approx(plain_step(front, ponded, inflow, DEPTH_MM, hours, soil), rel=1e-5, abs=1e-6)
    # never more than there is
    assert 0.0 < got <= ponded + inflow


# Whole storms -------------------------------------------------------------------------------------


def storm(soil, inflow_mm_h, hours, parts, *, depth_mm=DEPTH_MM, dry_h=24.0):
    """Soaked, spilled and ponded [mm] of one storm of steady inflow and the dry time after it."""
    front = ponded = spilled = 0.0
    step_h = hours / parts
    for _ in range(parts):
        soaked = kernels.wet_step_mm(front, ponded, inflow_mm_h * step_h, depth_mm, step_h, *soil)
        front += soaked
        ponded += inflow_mm_h * step_h - soaked
        if ponded > depth_mm:
            spilled += ponded - depth_mm
            ponded = depth_mm
    soaked = kernels.falling_mm(front, ponded, dry_h, *soil)
    return front + soaked, spilled, ponded - soaked


def storm_by_ode(soil, inflow_mm_h, hours, *, depth_mm=DEPTH_MM, dry_h=24.0):
    """The same storm by a solver: F and the pond as one system, cut where the pond begins, is full, is empty."""

    def rate(front, head):
        return soil.k_mm_h * (1.0 + (soil.suction_mm + head) * soil.moisture_deficit / front)

    pond_h = float(infiltration.ponding_time_h(inflow_mm_h, soil))
    if pond_h >= hours:
        return inflow_mm_h * hours, 0.0, 0.0
    state = [inflow_mm_h * pond_h, 0.0]

    def rising(_, y):
        soaked = rate(y[0], y[1])
        return [soaked, inflow_mm_h - soaked]

    def full(_, y):
        return y[1] - depth_mm

    full.terminal = True
    exact = {"rtol": 1e-9, "atol": 1e-10, "method": "LSODA"}
    part = solve_ivp(rising, (pond_h, hours), state, events=full, **exact)
    front, ponded = part.y[:, -1]
    spilled = 0.0
    if part.t[-1] < hours:
        more = solve_ivp(lambda _, y: [rate(y[0], depth_mm)], (part.t[-1], hours), [front], **exact).y[0, -1] - front
        spilled = inflow_mm_h * (hours - part.t[-1]) - more
        front += more
    soaked = plain_falling(front, ponded, dry_h, soil)
    return front + soaked, spilled, ponded - soaked


STORMS = [(texture, inflow, hours) for texture in TEXTURES for inflow, hours in ((8.0, 6), (40.0, 2), (250.0, 3))]


@pytest.mark.parametrize(("texture", "inflow_mm_h", "hours"), STORMS)
def test_single_storms_agree_with_an_ode_solver(texture, inflow_mm_h, hours):
    soil = soil_of(texture)
    exact = storm_by_ode(soil, inflow_mm_h, hours)
    # the solver's own account closes
    assert sum(exact) == pytest.approx(inflow_mm_h * hours, rel=1e-7)
    got = storm(soil, inflow_mm_h, hours, hours)
    # steps of an hour: within half a percent of the inflow
    np.testing.assert_allclose(got, exact, atol=0.005 * inflow_mm_h * hours)
    fine = storm(soil, inflow_mm_h, hours, 64 * hours)
    np.testing.assert_allclose(fine, exact, atol=2e-5 * inflow_mm_h * hours)


@pytest.mark.parametrize(("texture", "inflow_mm_h", "hours"), STORMS)
def test_half_the_step_gives_the_same_answer(texture, inflow_mm_h, hours):
    soil = soil_of(texture)
    whole = storm(soil, inflow_mm_h, hours, hours)
    half = storm(soil, inflow_mm_h, hours, 2 * hours)
    np.testing.assert_allclose(whole, half, atol=0.005 * inflow_mm_h * hours)


@given(
    soil=soils,
    inflow=st.lists(st.just(0.0) | st.floats(0.01, 400.0), min_size=1, max_size=30),
    depth_mm=st.floats(20.0, 300.0),
)
def test_the_balance_closes(soil, inflow, depth_mm):
    front = ponded = soaked = spilled = 0.0
    for mm in inflow:
        if mm > 0.0:
            took = kernels.wet_step_mm(front, ponded, mm, depth_mm, 1.0, *soil)
        else:
            took = kernels.falling_mm(front, ponded, 1.0, *soil)
        assert took <= ponded + mm + 1e-12
        ponded += mm - took
        soaked += took
        over = max(ponded - depth_mm, 0.0)
        spilled += over
        ponded -= over
        front += took
    assert soaked + spilled + ponded == pytest.approx(sum(inflow), rel=1e-9, abs=1e-12)
    assert ponded >= -1e-12


# What water does ----------------------------------------------------------------------------------


@given(soil=soils, front=fronts, head=heads, hours=spans, more=st.floats(1.01, 3.0))
def test_more_of_what_drives_water_never_lets_less_of_it_in(soil, front, head, hours, more):
    base = kernels.ponded_mm(front, head, hours, *soil)
    slack = 1e-9 * base
    assert kernels.ponded_mm(front, head, hours * more, *soil) > base
    assert kernels.ponded_mm(front, head, hours, soil.suction_mm, soil.k_mm_h * more, soil.moisture_deficit) > base
    assert kernels.ponded_mm(front, head + 10.0, hours, *soil) >= base - slack
    assert kernels.ponded_mm(front, head, hours, soil.suction_mm * more, *soil[1:]) >= base - slack
    # and filled soil takes less
    assert kernels.ponded_mm(front * more + 1.0, head, hours, *soil) <= base + slack


@given(soil=soils, ponded=st.floats(0.0, 150.0), front=fronts, inflow=st.floats(0.01, 500.0), more=st.floats(1.0, 3.0))
def test_a_faster_soil_or_more_inflow_never_takes_up_less_in_a_step(soil, ponded, front, inflow, more):
    base = kernels.wet_step_mm(front, ponded, inflow, DEPTH_MM, 1.0, *soil)
    faster = kernels.wet_step_mm(front, ponded, inflow, DEPTH_MM, 1.0, soil[0], soil[1] * more, soil[2])
    wetter = kernels.wet_step_mm(front, ponded, inflow * more, DEPTH_MM, 1.0, *soil)
    # the head is a mean found in two passes: what it misses is far below the step's own error
    assert faster >= base * (1.0 - 0.005)
    assert wetter >= base * (1.0 - 0.005)


@given(soil=soils, front=fronts, head=heads, first=spans, second=spans)
def test_two_spans_are_as_one(soil, front, head, first, second):
    one = kernels.ponded_mm(front, head, first + second, *soil)
    a = kernels.ponded_mm(front, head, first, *soil)
    b = kernels.ponded_mm(front + a, head, second, *soil)
    assert a + b == pytest.approx(one, rel=1e-9)


def test_the_rate_falls_to_the_conductivity():
    soil = soil_of("loam")
    front = infiltration.infiltrated_mm([1.0, 10.0, 100.0, 1e5], soil)
    rates = infiltration.rate_mm_h(front, soil)
    assert (np.diff(rates) < 0.0).all()
    assert rates[-1] == pytest.approx(soil.k_mm_h, rel=1e-3)
    assert math.isinf(infiltration.rate_mm_h(0.0, soil))
    # the rate is the slope of the depth over time
    slope = (infiltration.infiltrated_mm(10.0 + 1e-5, soil) - infiltration.infiltrated_mm(10.0 - 1e-5, soil)) / 2e-5
    assert float(slope) == pytest.approx(rates[1], rel=1e-5)


def test_slow_rain_never_ponds():
    soil = soil_of("loam")
    assert math.isinf(infiltration.ponding_time_h(soil.k_mm_h, soil))
    assert float(infiltration.infiltrated_from_rain_mm(soil.k_mm_h * 0.9, 100.0, soil)) == pytest.approx(
        soil.k_mm_h * 90.0
    )
    assert kernels.wet_step_mm(500.0, 0.0, soil.k_mm_h, DEPTH_MM, 1.0, *soil) == soil.k_mm_h


def test_soil_that_is_full_takes_its_conductivity():
    assert kernels.ponded_mm(10.0, 50.0, 2.0, 100.0, 3.0, 0.0) == 6.0
    assert kernels.falling_mm(10.0, 50.0, 2.0, 100.0, 3.0, 0.0) == 6.0
    assert kernels.falling_mm(10.0, 5.0, 2.0, 100.0, 3.0, 0.0) == 5.0
    assert kernels.hours_to_soak(10.0, 6.0, 100.0, 3.0, 0.0) == 2.0


def test_a_pond_on_dry_soil_is_gone_sooner_than_at_the_conductivity_alone():
    soil = soil_of("loam")
    hours = infiltration.hours_to_soak_away([0.0, 50.0, 150.0], soil)
    assert hours[0] == 0.0
    assert (np.diff(hours) > 0.0).all()
    assert (hours[1:] < np.array([50.0, 150.0]) / soil.k_mm_h).all()
    # later ones into filled soil take longer
    assert float(infiltration.hours_to_soak_away(50.0, soil, front_mm=100.0)) > hours[1]


def test_soil_recovers_by_and_by():
    filled = [kernels.recovered_mm(80.0, hours, 24.0) for hours in (0.0, 12.0, 24.0, 72.0, 1e6)]
    assert filled[0] == 80.0
    assert filled == sorted(filled, reverse=True)
    assert filled[2] == pytest.approx(80.0 / math.e)
    assert filled[3] < 0.05 * 80.0
    assert filled[4] == 0.0
    # any cutting of the dry time gives the same
    twice = kernels.recovered_mm(kernels.recovered_mm(80.0, 5.0, 24.0), 7.0, 24.0)
    assert twice == pytest.approx(filled[1], rel=1e-12)


def test_arrays_and_numbers_give_the_same():
    soil = soil_of("silt loam")
    hours = np.array([[0.5, 1.0], [2.0, 4.0]])
    got = infiltration.infiltrated_mm(hours, soil, head_mm=20.0, front_mm=[3.0, 4.0])
    assert got.shape == (2, 2)
    for (i, j), one in np.ndenumerate(got):
        assert one == kernels.ponded_mm([3.0, 4.0][j], 20.0, hours[i, j], *soil)
    assert infiltration.infiltrated_mm(1.0, soil).shape == ()
