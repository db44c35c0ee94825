"""Barrels: published rules, a plain hourly twin, balances, and what must hold whatever the rain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_rain import hourly_rain
from reference_values import references
from test_reference_files import FILES

from screening import barrels, units
from screening.barrels import BarrelSites
from screening.params import BarrelParams, load_params

FIGURES = references("barrels")
STABLE = settings(max_examples=60, derandomize=True, deadline=None, database=None)
LOSS_MM = 1.27


def of_kind(kind):
    found = [ref for ref in FIGURES if ref.given["kind"] == kind]
    assert found
    return pytest.mark.parametrize("ref", found, ids=str)


@dataclass(frozen=True)
class Steps:
    """Wet steps of an hourly record; the runoff is given, for the roof's loss is not this module's business."""

    rain_mm: np.ndarray
    runoff_mm: np.ndarray
    dry_h: np.ndarray
    first: np.ndarray
    step_h: float = 1.0


def steps_of(rain_mm, loss_mm=0.0, n_years=1):
    """Wet steps of hourly rain of which each hour loses the same."""
    rain_mm = np.asarray(rain_mm, dtype=float)
    wet = np.flatnonzero(rain_mm > 0.0)
    dry = np.diff(np.append(wet, len(rain_mm))) - 1.0
    ends = np.searchsorted(wet, np.linspace(0, len(rain_mm), n_years + 1).astype(int))
    return Steps(rain_mm[wet], np.maximum(rain_mm[wet] - loss_mm, 0.0)[np.newaxis], dry, ends.astype(np.int64))


@pytest.fixture(scope="module")
def record():
    """Three years of invented hourly rain."""
    return steps_of(hourly_rain(3), 0.2, 3)


def site(roof=100.0, barrel=208.0, garden=20.0, depth=100.0, strip=0.0, strip_depth=90.0, rate=7.6):
    return BarrelSites(*(np.atleast_1d(np.asarray(v, float)) for v in (roof, barrel, garden, depth, strip, strip_depth, rate)))  # fmt: skip # noqa: E501


# Published rules and figures -----------------------------------------------------------------------


@of_kind("series")
def test_check_series(ref):
    inflow = np.array(ref.given["inflow"], dtype=float)
    demand = np.full(len(inflow), ref.given["demand"], dtype=float)
    got = barrels.store_with_demand(
        inflow, demand, ref.given["volume"], rule=ref.given["rule"], start=ref.given["start"]
    )
    assert got.supplied.tolist() == ref.figure("supplied")
    assert got.spilled.sum() == ref.figure("overflow")
    assert got.stored[-1] == ref.figure("stored")
    assert inflow.sum() == got.supplied.sum() + got.spilled.sum() + got.stored[-1]


UNITS = {"gal": 1000.0 * units.US_GALLON_M3, "ft": units.FOOT_M, "in": units.INCH_MM}


@of_kind("range")
def test_defaults_lie_in_published_ranges(ref):
    value = getattr(BarrelParams(), ref.given["parameter"]) / UNITS.get(ref.given["unit"], 1.0)
    assert ref.expected["low"] - 0.06 <= value <= ref.expected["high"]


@of_kind("value")
def test_defaults_are_published_values(ref):
    value = getattr(BarrelParams(), ref.given["parameter"]) / UNITS.get(ref.given["unit"], 1.0)
    assert value == ref.figure("value")


@of_kind("lawn_area")
def test_receiving_area(ref):
    assert BarrelParams().lawn_area_per_roof * ref.given["roof_ft2"] == ref.figure("lawn_ft2")


@of_kind("full")
def test_a_barrel_filled_by_an_inch(ref):
    steps = steps_of([ref.given["rain_in"] * units.INCH_MM] + [0.0] * 5)
    volume_l = ref.expected["volume_gal"] * units.US_GALLON_M3 * 1000.0
    balance = barrels.yearly_balances(
        steps, 0, site(roof=units.ft2_to_m2(ref.given["roof_ft2"]), barrel=volume_l, garden=0.0), BarrelParams()
    )[0, 0]
    _, _, spilled, _, _, in_barrel = balance * units.ft2_to_m2(ref.given["roof_ft2"]) / 1000.0 / units.US_GALLON_M3
    assert in_barrel == ref.figure("volume_gal")
    assert spilled < 0.5


def test_every_reference_file_of_this_part_is_read():
    assert {"barrels", "curve_number", "curve_numbers_by_cover", "runoff_volumes", "sizing"} <= set(FILES)


# By hand -----------------------------------------------------------------------------------------


def test_a_storm_on_a_barrel_by_hand():
    # 100 m2 of roof: 5 mm are 500 L; 200 L fill the barrel, 300 L pass by into 10 m2 of garden: 30 mm, of which 10 mm
    # soak in within the hour and the rest in two more; two days later the barrel gives the garden 20 mm within an hour,
    # 10 mm of it soaks in meanwhile, and the rest later
    steps = steps_of([5.0] + [0.0] * 100)
    c = site(barrel=200.0, garden=10.0, depth=25.0, rate=10.0)
    inflow, soaked, spilled, *standing = barrels.yearly_balances(steps, 0, c, BarrelParams())[0, 0] * 110.0
    assert inflow == pytest.approx(500.0 + 50.0)
    # 30 mm of passed water and 5 mm of rain: 10 soak in, 25 mm stand up to the brim
    assert spilled == pytest.approx(0.0, abs=1e-9)
    assert soaked == pytest.approx(550.0)
    assert standing == pytest.approx([0.0, 0.0, 0.0])
    lower = barrels.yearly_balances(steps, 0, c._replace(garden_depth_mm=np.array([8.0])), BarrelParams())[0, 0] * 110.0
    # 17 mm spill at once; of the 20 mm from the barrel 10 soak in and 8 may stand: 2 mm more spill
    assert lower[2] == pytest.approx((17.0 + 2.0) * 10.0)


def litres_kept(hours, rule):
    """What a barrel of 200 L below 100 m2 keeps of so many hours of 1 mm [L]."""
    steps = steps_of([1.0] * hours)
    kept = barrels.kept_frac(steps, 0, site(barrel=200.0, garden=0.0, strip=1e-12, strip_depth=1e18),
                             BarrelParams(empty_onto="strip", rule=rule))  # fmt: skip
    return float(kept[0, 0]) * hours * 100.0


@pytest.mark.parametrize(
    ("hours", "after_spillage", "before_spillage"),
    # full after two hours; 48 h after the end of the first one it runs out, into the 50th hour. Its own rain comes
    # before that (all of it spills) or after it (100 L stay); two hours later both are full again
    [(2, 200.0, 200.0), (49, 200.0, 200.0), (50, 200.0, 300.0), (51, 300.0, 400.0), (52, 400.0, 400.0)],
)
def test_a_barrel_in_lasting_rain_is_emptied_two_days_after_water_came(hours, after_spillage, before_spillage):
    assert litres_kept(hours, "yield_after_spillage") == pytest.approx(after_spillage, rel=1e-6)
    assert litres_kept(hours, "yield_before_spillage") == pytest.approx(before_spillage, rel=1e-6)


def test_a_barrel_that_is_not_full_is_emptied_as_well():
    # 50 L at the beginning of each of eight days: emptied with three days' water after hours 48 and 120, and the
    # last two days' stand in it at the end
    drip = np.zeros(24 * 8)
    drip[::24] = 0.5
    c = site(barrel=200.0, garden=1.0, depth=0.0, rate=0.0)
    balance = barrels.yearly_balances(steps_of(drip), 0, c, BarrelParams())[0, 0] * 101.0
    assert balance[5] == pytest.approx(100.0)
    # the garden holds nothing: all that came out, and its own rain
    assert balance[2] == pytest.approx(300.0 + 8 * 0.5)


# Plain twin --------------------------------------------------------------------------------------


def twin(rain_mm, runoff_mm, volume, after_h, garden, strip, *, onto_strip, spill_first):
    """Every hour of the record, dry ones too; a full barrel runs out within an hour."""
    stored, waited = 0.0, None
    level = {"garden": 0.0, "strip": 0.0}
    place = {"garden": garden, "strip": strip}
    total = {"inflow": 0.0, "soaked": 0.0, "spilled": 0.0}
    roof = 1.0 - garden[0] - strip[0]
    for rain, runoff in zip(rain_mm, runoff_mm, strict=True):
        water = roof * runoff
        wanted = 0.0
        if waited is not None and waited >= after_h:
            wanted, waited = stored, None
        waited = waited + 1 if waited is not None else 0 if runoff > 0.0 else None
        if spill_first:
            passed = max(0.0, stored + water - volume)
            released = min(wanted, stored)
            now = stored + water - passed - released
        else:
            released = min(wanted, stored + water)
            passed = max(0.0, stored + water - released - volume)
            now = stored + water - released - passed
        stored = now
        comes = {"garden": passed, "strip": 0.0}
        comes["strip" if onto_strip else "garden"] += released
        total["inflow"] += water
        # a barrel half full runs out in half an hour, unless it rains: then the hour's water comes evenly
        parts = [(1.0, 1.0)]
        if rain <= 0.0 and released > 0.0:
            parts = [(released / volume, 1.0), (1.0 - released / volume, 0.0)]
        for name, (share, store, soak) in place.items():
            total["inflow"] += share * rain
            for hours, part in parts:
                there = level[name] + part * (comes[name] + share * rain)
                gone = min(there, soak * hours)
                over = max(0.0, there - gone - store)
                level[name] = there - gone - over
                total["soaked"] += gone
                total["spilled"] += over
    return [*total.values(), level["garden"], level["strip"], stored]


@STABLE
@given(
    st.integers(0, 500),
    st.floats(0.0, 30.0),
    st.sampled_from([1, 24, 48, 100]),
    st.floats(0.0, 0.6),
    st.floats(0.0, 0.4),
    st.floats(0.0, 200.0),
    st.floats(0.0, 40.0),
    st.booleans(),
    st.sampled_from(["yield_after_spillage", "yield_before_spillage"]),
)
def test_the_kernel_agrees_with_an_hourly_twin(seed, volume, after_h, share, strip, depth, rate, onto_strip, rule):
    rain = hourly_rain(1, seed)[: 24 * 60]
    steps = steps_of(rain, 0.1)
    garden_m2, strip_m2, roof_m2 = 100.0 * share, 100.0 * strip, 100.0 * (1.0 - share - strip)
    c = site(roof_m2, volume * 100.0, garden_m2, depth, strip_m2, 0.5 * depth, rate)
    params = BarrelParams(empty_after_h=after_h, empty_onto="strip" if onto_strip else "garden", rule=rule)
    got = barrels.yearly_balances(steps, 0, c, params)[0, 0]
    runoff = np.where(rain > 0.0, np.maximum(rain - 0.1, 0.0), 0.0)
    garden = (share, share * depth, share * rate)
    other = (strip, strip * 0.5 * depth, strip * rate)
    expected = twin(rain, runoff, volume, after_h, garden, other, onto_strip=onto_strip,
                    spill_first=rule == "yield_after_spillage")  # fmt: skip
    np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-7)


# Properties --------------------------------------------------------------------------------------

areas = st.floats(0.0, 60.0)
any_barrel = st.floats(0.0, 4000.0)


@STABLE
@given(
    any_barrel, areas, st.floats(0.0, 300.0), areas, st.floats(0.0, 60.0), st.floats(0.5, 200.0), st.floats(0.1, 30.0),
    st.booleans(), st.sampled_from(["yield_after_spillage", "yield_before_spillage"]),
)  # fmt: skip
def test_the_balance_closes(record, barrel, garden, depth, strip, rate, after_h, over_h, onto_strip, rule):
    params = BarrelParams(
        empty_after_h=after_h, empty_over_h=over_h, empty_onto="strip" if onto_strip else "garden", rule=rule
    )
    balance = barrels.yearly_balances(record, 0, site(60.0, barrel, garden, depth, strip, 90.0, rate), params)[0]
    inflow, soaked, spilled = balance[:, :3].sum(axis=0)
    assert abs(inflow - soaked - spilled - balance[-1, 3:].sum()) <= 1e-9 * inflow
    assert (balance >= 0.0).all()
    # year by year too: what stood at the beginning is inflow of its kind
    stood = np.concatenate([[0.0], balance[:-1, 3:].sum(axis=1)])
    np.testing.assert_allclose(
        stood + balance[:, 0], balance[:, 1:3].sum(axis=1) + balance[:, 3:].sum(axis=1), rtol=1e-9
    )
    # never more in the barrel than it holds
    assert (balance[:, 5] * (60.0 + garden + strip) <= barrel * (1.0 + 1e-12) + 1e-9).all()


@STABLE
@given(st.floats(1.0, 2000.0), st.floats(1.0, 3.0))
def test_a_larger_barrel_alone_never_keeps_less(record, volume, more):
    curve = barrels.barrel_curve(record, 0, BarrelParams())
    assert curve.kept(more * volume / 100.0) >= curve.kept(volume / 100.0) - 1e-12


def test_a_barrel_alone_keeps_nothing_without_volume_and_all_with_enough(record):
    curve = barrels.barrel_curve(record, 0, BarrelParams())
    assert curve.kept_frac[0] == 0.0
    assert (np.diff(curve.kept_frac) >= -1e-12).all()
    assert curve.kept(1e9) == curve.kept_frac[-1] == pytest.approx(1.0, abs=1e-12)


def test_interpolated_barrels_are_within_half_a_percent_of_the_inflow(record):
    curve = barrels.barrel_curve(record, 0, BarrelParams())
    rng = np.random.default_rng(4)
    depth = np.exp(rng.uniform(np.log(0.01), np.log(400.0), 300))
    ones = np.ones(300)
    c = BarrelSites(100.0 * ones, 100.0 * depth, 0.0 * ones, 0.0 * ones, 1e-9 * ones, 1e15 * ones, 0.0 * ones)
    balance = barrels.yearly_balances(record, 0, c, BarrelParams(empty_onto="strip"))
    direct = 1.0 - balance[:, :, 2].sum(axis=1) / balance[:, :, 0].sum(axis=1)
    worst = float(np.abs(curve.kept(depth) - direct).max())
    print(f"\nworst {worst:.5f} of the inflow")  # noqa: T201
    assert worst <= 0.005


def test_a_barrel_emptied_sooner_keeps_more_on_this_record(record):
    kept = [
        float(barrels.barrel_curve(record, 0, BarrelParams(empty_after_h=h)).kept(4.0))
        for h in (12.0, 24.0, 48.0, 96.0)
    ]
    assert kept == sorted(kept, reverse=True)
    assert kept[0] > kept[-1]


def test_a_garden_without_a_barrel_is_the_water_balance_s_own_bucket(record):
    """The same rain, garden and year through `screening.kernels.bucket`."""
    from screening.kernels.bucket import yearly_balance

    c = site(80.0, 0.0, 12.0, 120.0, 0.0, 0.0, 7.6)
    got = barrels.yearly_balances(record, 0, c, BarrelParams())[0]
    share = 12.0 / 92.0
    own = yearly_balance(record.rain_mm, record.runoff_mm[0], record.dry_h, 1.0, record.first, share, share * 120.0,
                         share * 7.6)  # fmt: skip
    np.testing.assert_allclose(got[:, :4], own, rtol=1e-12)
    assert (got[:, 4:] == 0.0).all()


def test_a_barrel_before_a_small_garden_helps_it(record):
    for garden in (3.0, 6.0, 12.0):
        without, with_barrel = (
            float(barrels.kept_frac(record, 0, site(80.0, v, garden), BarrelParams()).mean()) for v in (0.0, 400.0)
        )
        assert with_barrel > without


def test_one_barrel_for_all_downspouts_is_no_worse_than_one_for_each(record):
    """Barrels are pooled where a garden serves several downspouts: how much that flatters, at most."""
    curve = barrels.barrel_curve(record, 0, BarrelParams())
    roofs = np.array([60.0, 20.0])
    each = float((roofs * curve.kept(208.0 / roofs)).sum())
    pooled = float(80.0 * curve.kept(416.0 / 80.0))
    assert pooled >= each
    assert (pooled - each) / 80.0 < 0.05


# How many ----------------------------------------------------------------------------------------


def test_how_many_barrels_a_downspout_gets():
    params = load_params().barrel
    roofs = np.array([0.0, 5.0, 50.0, 50.0000000001, 51.0, 120.0])
    assert barrels.n_barrels(roofs, params).tolist() == [0, 1, 1, 1, 2, 3]
    assert barrels.volume_l(roofs, params).tolist() == [0.0, 208.0, 208.0, 208.0, 416.0, 624.0]


@pytest.mark.parametrize(
    ("inflow", "demand", "start"),
    [([-1.0], [0.0], 0.0), ([np.nan], [0.0], 0.0), ([1.0], [-1.0], 0.0), ([1.0], [1.0], 11.0), ([1.0], [1.0], -1.0)],
)
def test_a_store_with_impossible_numbers_is_refused(inflow, demand, start):
    with pytest.raises(ValueError, match="store"):
        barrels.store_with_demand(np.array(inflow), np.array(demand), 10.0, rule="yield_after_spillage", start=start)


# Without a rain record ---------------------------------------------------------------------------


@pytest.mark.parametrize("after_h", [24.0, 48.0, 120.0])
def test_the_estimate_from_storm_statistics_is_the_mean_over_random_cycles(after_h):
    """Cycles drawn one by one: a storm, those that begin before the barrel is emptied, what fits of their sum."""
    params = load_params().rain
    rng = np.random.default_rng(8)
    n = 400_000
    interval_h = (params.mean_dry_h + params.storm_duration_h) * np.exp(LOSS_MM / params.storm_mean_mm)
    storms = 1 + rng.poisson(after_h / interval_h, n)
    total = rng.gamma(storms, params.storm_mean_mm)
    curve = barrels.storm_barrel_curve(params, LOSS_MM, BarrelParams(empty_after_h=after_h))
    for depth in (1.0, 4.0, 15.0, 60.0):
        drawn = np.minimum(total, depth).sum() / total.sum()
        assert float(curve.kept(depth)) == pytest.approx(drawn, rel=0.01)
    assert (np.diff(curve.kept_frac) >= -1e-12).all()
    assert curve.kept_frac[[0, -1]] == pytest.approx([0.0, 1.0], abs=1e-9)


@pytest.mark.parametrize(("is_lasting", "low", "high"), [(False, -0.01, 0.01), (True, -0.001, 0.05)])
def test_simulated_storms_keep_what_the_estimate_says_or_a_little_more(is_lasting, low, high):
    """Sudden storms agree; storms that last let a barrel be emptied while they go on, up to 3 % of the inflow more."""
    params = load_params().rain
    rng = np.random.default_rng(2)
    n, step_h = 20_000, 0.25
    lasting = rng.exponential(params.storm_duration_h, n) if is_lasting else np.full(n, step_h)
    mean_gap_h = params.mean_dry_h + (0.0 if is_lasting else params.storm_duration_h)
    start = np.cumsum(rng.exponential(mean_gap_h, n) + lasting) - lasting
    depth = np.maximum(rng.exponential(params.storm_mean_mm, n) - LOSS_MM, 0.0)
    first = (start / step_h).astype(int)
    last = np.maximum(first + 1, ((start + lasting) / step_h).astype(int))
    rain = np.zeros(last[-1] + 1000)
    for i, j, h in zip(first, last, depth, strict=True):
        rain[i:j] += h / (j - i)
    hours = steps_of(rain)
    steps = Steps(hours.rain_mm, hours.runoff_mm, hours.dry_h * step_h, hours.first, step_h)
    simulated = barrels.barrel_curve(steps, 0, BarrelParams())
    estimate = barrels.storm_barrel_curve(params, LOSS_MM, BarrelParams())
    off = simulated.kept_frac - estimate.kept_frac
    print(f"\nfrom {off.min():.4f} to {off.max():.4f} of the inflow")  # noqa: T201
    assert low <= off.min()
    assert off.max() <= high
