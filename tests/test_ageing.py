"""Ageing: by hand, and by what has to hold for every garden."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_yields import SHARES, storm_table

from screening.ageing import age_gardens, depth_after_mm, first_due, year_rows
from screening.params import load_params
from screening.uncertainty import mean_year
from screening.water_balance import YieldTable, kept_of_gardens

STABLE = settings(max_examples=40, derandomize=True, deadline=None, database=None)


def params_of(**ageing):
    return load_params(None, {f"ageing.{key}": value for key, value in ageing.items()}).ageing


def depth_table():
    """Keeps 0.4 % for each mm of the catchment's share of the depth; 1,000 mm of runoff a year."""
    store = np.array([0.0, 250.0, 1000.0])
    ln_rate = np.array([-np.inf, -3.0, 5.0])
    kept = np.broadcast_to(np.minimum(0.004 * store, 1.0), (1, 1, 1, 4, 3, 3))
    return YieldTable(np.ascontiguousarray(kept), np.full((1, 1), 1000.0), np.array([1.27]), ln_rate, store, SHARES)


def age(table, area, depth, roof, rate=7.6, loss_mm=1.27, **ageing):
    def column(x):
        return np.atleast_1d(np.asarray(x, dtype=float))

    n = len(column(depth))
    return age_gardens(
        table,
        np.broadcast_to(column(area), n),
        column(depth),
        np.broadcast_to(column(roof), n),
        np.zeros(n, dtype=int),
        np.full(n, rate),
        loss_mm=loss_mm,
        params=params_of(**ageing),
    )


def test_sediment_by_hand():
    # 10 m2 for 90 m2 of roof: a tenth of the catchment, so 150 mm are 15 mm of it: 6 % of 90 m3 = 5.4 m3 a year.
    # With 5 mm/y the first year's mean depth is 147.5 mm: 5.9 % = 5.31 m3; the tenth's 102.5 mm: 4.1 % = 3.69 m3.
    # 90 % of the volume is 90 % of the depth, 135 mm: reached after exactly 3 years.
    out = age(depth_table(), 10.0, 150.0, 90.0, sediment_mm_y=5.0, keep_frac=0.9)
    assert out.as_dug_m3_y == pytest.approx([5.4])
    assert out.depth_mm[0, [0, 9]] == pytest.approx([147.5, 102.5])
    assert out.volume_m3_y[0, [0, 9]] == pytest.approx([5.31, 3.69])
    assert out.dig_out_after_y.tolist() == [3]
    # a hair more sediment, and the third year is too much
    assert age(depth_table(), 10.0, 150.0, 90.0, sediment_mm_y=5.01).dig_out_after_y.tolist() == [2]
    # after 30 years nothing is left, and not less
    out = age(depth_table(), 10.0, 150.0, 90.0, sediment_mm_y=5.0, horizon_y=40)
    assert out.volume_m3_y[0, 29:] == pytest.approx(np.r_[0.09, np.zeros(10)], abs=1e-12)


def test_a_bowl_that_loses_nothing_need_not_be_dug():
    out = age(depth_table(), 10.0, [150.0, 200.0], 90.0, sediment_mm_y=0.0)
    assert out.dig_out_after_y.tolist() == [-1, -1]
    assert out.volume_m3_y == pytest.approx(np.broadcast_to(out.as_dug_m3_y[:, None], (2, 30)))
    assert first_due(out) == -1
    assert not any(row.is_digging_due for row in year_rows(out, params_of(sediment_mm_y=0.0)))


def test_a_shallow_bowl_may_have_to_be_dug_within_the_first_year():
    out = age(depth_table(), 10.0, 40.0, 90.0, sediment_mm_y=5.0)
    assert out.dig_out_after_y.tolist() == [0]
    assert all(row.is_digging_due for row in year_rows(out, params_of()))


def test_growing_in_slows_the_first_years_and_calls_for_no_spade():
    table = mean_year(storm_table())
    full = age(table, 12.0, 150.0, 60.0, sediment_mm_y=0.0)
    out = age(table, 12.0, 150.0, 60.0, sediment_mm_y=0.0, establishment_y=2, establishment_rate_frac=0.5)
    half = kept_of_gardens(table, np.array([0.2]), np.array([150.0]), np.array([3.8]), 1.27)
    assert out.volume_m3_y[0, :2] == pytest.approx(np.repeat(half * 60.0 * table.runoff_mm_y[0, 0] / 1000.0, 2))
    assert out.volume_m3_y[0, 2:] == pytest.approx(full.volume_m3_y[0, 2:])
    assert out.volume_m3_y[0, 0] < full.volume_m3_y[0, 0]
    assert out.as_dug_m3_y == pytest.approx(full.as_dug_m3_y)
    assert out.dig_out_after_y.tolist() == [-1]


@given(st.floats(2.0, 30.0), st.floats(60.0, 300.0), st.floats(10.0, 200.0), st.floats(0.5, 30.0), st.floats(0.0, 30.0))
@STABLE
def test_years_only_take(area, depth, roof, rate, sediment):
    table = mean_year(storm_table())
    out = age(table, area, depth, roof, rate, sediment_mm_y=sediment)
    assert (np.diff(out.volume_m3_y[0]) <= 1e-9).all()
    assert (out.volume_m3_y <= out.as_dug_m3_y[0] + 1e-9).all()
    assert (out.volume_m3_y >= 0.0).all()
    due = int(out.dig_out_after_y[0])
    years = np.arange(31) if due < 0 else np.array([due, due + 1])
    left = kept_of_gardens(
        table, np.full(len(years), area / roof), depth_after_mm(depth, years, sediment), np.full(len(years), rate), 1.27
    )
    fresh = kept_of_gardens(table, np.array([area / roof]), np.array([depth]), np.array([rate]), 1.27)[0]
    if due < 0:
        assert left.min() >= 0.9 * fresh - 1e-9
    else:
        assert left[0] >= 0.9 * fresh - 1e-9
        assert left[1] < 0.9 * fresh


def test_all_years_and_the_mean_year_say_the_same():
    table = storm_table()
    one = age(table, 12.0, [100.0, 150.0], 60.0)
    two = age(mean_year(table), 12.0, [100.0, 150.0], 60.0)
    assert one.volume_m3_y == pytest.approx(two.volume_m3_y, rel=1e-9)
    assert np.array_equal(one.dig_out_after_y, two.dig_out_after_y)


def test_the_short_table_of_a_home():
    # two gardens: 5.4 + 7.2 m3 as dug; the shallower is due first, after 3 years
    out = age(depth_table(), 10.0, [150.0, 200.0], 90.0, sediment_mm_y=5.0)
    rows = year_rows(out, params_of())
    assert [row.year for row in rows] == [1, 2, 3, 4, 5, 10, 15, 20, 30]
    assert rows[0].volume_m3_y == pytest.approx(5.31 + 7.11)
    assert rows[0].kept_frac == pytest.approx(12.42 / 12.6)
    assert rows[0].depth_mm == pytest.approx(147.5)
    assert [row.is_growing_in for row in rows[:4]] == [True, True, True, False]
    assert [row.is_digging_due for row in rows[:4]] == [False, False, False, True]
    assert first_due(out) == 3


def test_a_garden_without_a_roof_keeps_nothing():
    out = age(depth_table(), 10.0, 150.0, 0.0)
    assert out.volume_m3_y.max() == 0.0
    assert year_rows(out, params_of())[0].kept_frac == 0.0
    assert out.dig_out_after_y.tolist() == [-1]
