"""What stands in for a garden: figures by hand, the choice, and what map data speak against."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_rain import hourly_rain
from test_barrels import steps_of

from screening import alternatives, barrels
from screening.alternatives import Homes, Setbacks
from screening.barrels import BarrelCurve
from screening.columns import ALTERNATIVE_CODES
from screening.errors import ParameterError
from screening.kernels.bucket import yearly_balance
from screening.params import BarrelParams, load_params

STABLE = settings(max_examples=80, derandomize=True, deadline=None, database=None)
PARAMS = BarrelParams()
WIDE = Setbacks(np.array([3.05]), 1.52, None)

HALF = BarrelCurve(np.array([0.0, 10.0]), np.array([0.0, 0.5]))
"""A barrel of 10 mm or more keeps half, smaller ones in proportion."""


def keeps(rows, area_ratio, depth_mm):
    """Ground keeps a hundredth for each millimetre it holds over the roof, up to all."""
    return np.minimum(1.0, area_ratio * depth_mm / 100.0 * 10.0)


def home(open_ground=40.0, slope=2.0, *, toward=False, roofs=(50.0, 30.0), barrel=208.0):
    """One home."""
    roofs = np.asarray(roofs, dtype=float)
    return Homes(
        np.array([open_ground]),
        np.array([slope]),
        np.array([toward]),
        np.zeros(len(roofs), dtype=np.int64),
        roofs,
        np.full(len(roofs), barrel),
    )


def look(homes, setbacks=WIDE, params=PARAMS, runoff=600.0):
    return alternatives.find_alternatives(homes, setbacks, runoff, keeps, HALF, params)


def test_three_figures_by_hand():
    found = look(home())
    # 80 m2 of roof and 600 mm a year: 48 m3. Lawn: 8 m2 hold 8.89 mm: 0.0889 of it; strip: 10 m2 hold 90 mm, all of it
    # but for the cap; barrels: 208 L on 50 m2 are 4.16 mm and keep 0.208, on 30 m2 6.93 mm and 0.347
    assert found.lawn_m3_y[0] == pytest.approx(48.0 * 0.0889)
    assert found.strip_m3_y[0] == pytest.approx(48.0 * 1.0)
    assert found.barrel_m3_y[0] == pytest.approx(30.0 * 0.208 + 18.0 * 208.0 / 30.0 / 20.0)
    assert (found.code[0], found.diverted_m3_y[0]) == ("permeable_strip", found.strip_m3_y[0])


@pytest.mark.parametrize(
    ("homes", "lawn", "strip"),
    [
        (home(), True, True),
        # less than a tenth of the roof
        (home(open_ground=7.9), False, True),
        (home(open_ground=8.0), True, True),
        (home(open_ground=0.0), False, False),
        # slopes: 1 to 5 % for a lawn, up to 1 in 20 for a strip
        (home(slope=0.9), False, True),
        (home(slope=1.0), True, True),
        (home(slope=5.0), True, True),
        (home(slope=5.01), False, False),
        (home(slope=np.nan), False, False),
        (home(toward=True), False, False),
        # one downspout with more than 100 m2
        (home(roofs=(101.0, 5.0)), False, True),
        (home(roofs=(100.0, 100.0)), True, True),
    ],
)
def test_what_map_data_speak_against_has_no_figure(homes, lawn, strip):
    found = look(homes)
    assert np.isfinite(found.lawn_m3_y[0]) == lawn
    assert np.isfinite(found.strip_m3_y[0]) == strip
    assert np.isfinite(found.barrel_m3_y[0])


@pytest.mark.parametrize(
    ("setbacks", "may"),
    [
        (WIDE, True),
        (Setbacks(np.array([1.83]), 1.52, 3.05), True),
        (Setbacks(np.array([0.61]), 1.52, None), False),
        (Setbacks(np.array([3.05]), 1.0, None), False),
        (Setbacks(np.array([3.05]), 1.52, 2.0), False),
        (Setbacks(np.array([3.05]), 1.52, 5.0), True),
    ],
)
def test_ground_nearer_than_a_discharge_may_be_is_no_lawn(setbacks, may):
    assert np.isfinite(look(home(), setbacks).lawn_m3_y[0]) == may


def test_the_one_that_diverts_most_is_chosen_and_of_equals_the_cheapest():
    assert look(home(open_ground=0.0)).code[0] == "barrel"
    # a tiny strip against barrels that keep half
    assert look(home(open_ground=0.3, barrel=500.0)).code[0] == "barrel"
    # as much lawn storage as strip storage: the same figure
    same = BarrelParams(strip_area_m2=8.0, strip_base_mm=8.89 / 0.3, lawn_area_per_roof=0.1)
    assert look(home(barrel=20.0), params=same).code[0] == "lawn_discharge"
    assert set(alternatives.CODES) | {alternatives.NONE} == set(ALTERNATIVE_CODES)


def test_without_a_roof_or_rain_there_is_nothing_to_propose():
    for found in (look(home(roofs=())), look(home(roofs=(0.0,))), look(home(), runoff=0.0)):
        assert found.code[0] == "none"
        assert np.isnan(found.diverted_m3_y[0])
    nobody = Homes(np.empty(0), np.empty(0), np.empty(0, bool), np.empty(0, np.int64), np.empty(0), np.empty(0))
    assert len(look(nobody, Setbacks(np.empty(0), 1.52, None)).code) == 0


def many(seed, n=60):
    """Homes of every kind."""
    rng = np.random.default_rng(seed)
    spouts = rng.integers(0, 5, n)
    roofs = rng.uniform(0.0, 140.0, int(spouts.sum()))
    slope = rng.uniform(0.0, 8.0, n)
    slope[rng.random(n) < 0.1] = np.nan
    ground = np.where(rng.random(n) < 0.2, 0.0, rng.exponential(20.0, n))
    homes = Homes(
        ground, slope, rng.random(n) < 0.2, np.repeat(np.arange(n), spouts), roofs, barrels.volume_l(roofs, PARAMS)
    )
    return homes, Setbacks(rng.choice([0.61, 3.05], n), 1.52, None)


@STABLE
@given(st.integers(0, 10_000))
def test_every_home_alone_gets_what_it_gets_among_others(seed):
    homes, setbacks = many(seed)
    found = look(homes, setbacks)
    roof = np.bincount(homes.spout_home, weights=homes.spout_roof_m2, minlength=len(found.code))
    for i in range(0, len(found.code), 7):
        mine = homes.spout_home == i
        alone = look(
            Homes(homes.open_ground_m2[[i]], homes.slope_pct[[i]], homes.falls_toward_house[[i]],
                  np.zeros(int(mine.sum()), dtype=np.int64), homes.spout_roof_m2[mine], homes.barrel_l[mine]),
            setbacks._replace(foundation_m=setbacks.foundation_m[[i]]),
        )  # fmt: skip
        assert alone.code[0] == found.code[i]
        for one, all_of_them in zip(alone[1:], found[1:], strict=True):
            np.testing.assert_allclose(one[0], all_of_them[i], rtol=1e-12)
    figures = np.array(found[2:])
    # never more than runs off, never negative; the chosen one is the largest
    assert (np.nan_to_num(figures) <= 0.6 * roof * (1.0 + 1e-12)).all()
    assert (np.nan_to_num(figures) >= 0.0).all()
    has = found.code != "none"
    np.testing.assert_allclose(np.nanmax(figures[:, has], axis=0), found.diverted_m3_y[has], rtol=1e-8)
    assert (roof[~has] == 0.0).all()


def test_with_the_run_s_own_bucket_more_roof_or_rate_never_diverts_less():
    """A strip of 10 m2 in the water balance's bucket, for growing roofs and growing rates."""
    steps = steps_of(hourly_rain(2), 0.1, 2)
    curve = barrels.barrel_curve(steps, 0, PARAMS)
    runoff = float(steps.runoff_mm.sum()) / 2.0

    def bucket(rate):
        def kept(rows, area_ratio, depth_mm):
            share = area_ratio / (1.0 + area_ratio)
            out = np.empty(len(rows))
            for k, s in enumerate(share):
                balance = yearly_balance(
                    steps.rain_mm, steps.runoff_mm[0], steps.dry_h, 1.0, steps.first, s, s * depth_mm, s * rate
                )
                out[k] = 1.0 - balance[:, 2].sum() / balance[:, 0].sum()
            return out

        return kept

    before = None
    for rate, roof in ((1.5, 60.0), (7.6, 60.0), (7.6, 90.0), (20.0, 90.0)):
        one = home(roofs=(roof,))
        found = alternatives.find_alternatives(one, WIDE, runoff, bucket(rate), curve, PARAMS)
        now = (found.strip_m3_y[0], found.lawn_m3_y[0], found.barrel_m3_y[0])
        assert before is None or all(b >= a * (1.0 - 1e-12) for a, b in zip(before, now, strict=True))
        before = now


def test_slopes_of_a_lawn_that_no_ground_can_have_are_refused():
    with pytest.raises(ParameterError, match="lawn_min_slope_pct must be smaller"):
        load_params(None, {"barrel.lawn_min_slope_pct": 5.0})


def test_the_run_s_own_steps_and_table_serve_as_they_are():
    """The table of the water balance against simulating each home's strip and lawn, barrels by curve and directly."""
    from screening import water_balance

    params = load_params()
    rain = hourly_rain(2)
    time = np.datetime64("2015-01-01T00") + np.arange(len(rain)).astype("timedelta64[h]")
    loss = np.array([params.roof.initial_loss_mm])
    steps = water_balance.rain_steps(time, rain, 1.0, params.rain, loss)
    table = water_balance.build_table(steps)
    homes, setbacks = many(3, 1000)
    rate = np.random.default_rng(1).choice([1.5, 7.6, 20.3], len(homes.open_ground_m2))
    runoff = float(steps.runoff_mm_y[:, 0].mean())

    def by_table(rows, area_ratio, depth_mm):
        return water_balance.kept_of_gardens(table, area_ratio, np.full(len(rows), depth_mm), rate[rows], loss[0])

    def direct(rows, area_ratio, depth_mm):
        return water_balance.kept_long_term(steps, area_ratio, np.full(len(rows), depth_mm), rate[rows])

    curve = barrels.barrel_curve(steps, 0, PARAMS)
    quick, slow = (
        alternatives.find_alternatives(homes, setbacks, runoff, keeps_of, curve, PARAMS)
        for keeps_of in (by_table, direct)
    )
    roof = np.bincount(homes.spout_home, weights=homes.spout_roof_m2, minlength=len(rate))
    inflow = runoff / 1000.0 * roof
    for one, other in zip(quick[1:], slow[1:], strict=True):
        np.testing.assert_array_equal(np.isnan(one), np.isnan(other))
        worst = np.nanmax(np.abs(one - other)[roof > 0.0] / inflow[roof > 0.0])
        assert worst <= 0.005
    assert np.isfinite(quick.lawn_m3_y).sum() > 10
    assert np.isfinite(quick.strip_m3_y).sum() > 100
