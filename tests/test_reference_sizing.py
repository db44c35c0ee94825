"""Sizes and depths against the figures of tests/reference/sizing.toml, where each has its source and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest
from reference_values import reference, references

from screening import sizing, units
from screening.params import SizingParams, load_params
from screening.params.area_ratios import AREA_RATIOS
from screening.units import FOOT2_M2, FOOT_M, INCH_MM

SIZES = references("sizing")


def of_kind(*kinds):
    """Decorate a test to run for every entry of a kind."""
    found = [ref for ref in SIZES if ref.given["kind"] in kinds]
    assert found
    return pytest.mark.parametrize("ref", found, ids=str)


def test_every_entry_is_of_a_kind_that_a_test_takes():
    assert {ref.given["kind"] for ref in SIZES} == {
        "near", "far", "limit", "look_up", "example", "capture", "drain", "slope", "string", "levelling", "drawdown",
        "ratio",
    }  # fmt: skip


@of_kind("near")
def test_size_factors_near_the_downspout(ref):
    depth_mm = np.array(ref.given["depth_in"]) * INCH_MM
    assert sizing.size_factor(ref.given["soil_class"], depth_mm).tolist() == ref.figure("factor")


@of_kind("far")
def test_size_factors_far_from_the_downspout(ref):
    factor = sizing.FAR_SIZE_FACTORS[ref.given["soil_class"]]
    assert factor == ref.figure("factor")
    # roof and uphill lawn times the factor: 600 ft2 of roof and a strip of lawn as wide as the garden, 40 ft deep
    area = float(sizing.handbook_area_m2(0.0, 600 * FOOT2_M2, 40 * FOOT_M, near_factor=0.34, far_factor=factor,
                                         side_ratio=2.0)) / FOOT2_M2  # fmt: skip
    long_ft = (2.0 * area) ** 0.5
    assert area == pytest.approx(ref.expected["factor"] * (600 + 40 * long_ft), rel=1e-12)


@of_kind("limit")
def test_the_near_table_ends_thirty_feet_from_the_downspout(ref):
    assert load_params().sizing.near_limit_m / FOOT_M == ref.figure("run_ft")


@of_kind("look_up")
def test_printed_look_up(ref):
    gardens = np.array(ref.given["drainage_ft2"]) * sizing.size_factor(
        ref.given["soil_class"], ref.given["depth_in"] * INCH_MM
    )
    assert gardens.tolist() == ref.figure("garden_ft2")


@of_kind("example")
def test_worked_examples(ref):
    factor = sizing.size_factor(ref.given["soil_class"], ref.given["depth_in"] * INCH_MM)
    assert ref.given["roof_ft2"] * float(factor) == ref.figure("garden_ft2")


@of_kind("capture")
def test_a_stored_rain(ref):
    rain_mm, depth_mm = ref.given["rain_in"] * INCH_MM, ref.given["depth_in"] * INCH_MM
    roof_m2 = ref.given["roof_ft2"] * FOOT2_M2
    area_m2 = float(sizing.capture_area_m2(roof_m2, rain_mm, depth_mm))
    assert area_m2 / FOOT2_M2 == ref.figure("garden_ft2")
    # the identity behind it: area x depth over the roof is that rain
    assert area_m2 * depth_mm / roof_m2 == pytest.approx(rain_mm, rel=1e-12)
    # and the run's own method asks for the same
    params = SizingParams(method="capture_depth", capture_depth_mm=rain_mm, depths_mm=(depth_mm,) * 3)
    per_roof, fixed = sizing.area_per_roof(params, 100.0)
    np.testing.assert_allclose(per_roof * roof_m2, area_m2)
    assert fixed == 0.0


@of_kind("drain")
def test_what_drains_in_a_day(ref):
    rate_mm_h = ref.given["drained_in"] * INCH_MM / ref.given["in_hours"]
    params = SizingParams(method="drain_in_a_day")
    np.testing.assert_allclose(sizing.band_depths_mm(params, rate_mm_h) / INCH_MM, ref.expected["depth_in"])
    asked = sizing.wanted(params, rate_mm_h)
    gardens_ft2 = asked.per_roof * ref.given["roof_ft2"]
    assert gardens_ft2.tolist() == pytest.approx([ref.expected["garden_ft2"]] * 3, rel=1e-12)


@of_kind("slope")
def test_depth_by_slope(ref):
    # a soil so fast that the time to soak away caps nothing
    depth_mm = sizing.depth_for_slope_mm(np.array(ref.given["slope_pct"]), load_params().sizing, 100.0)
    inches = np.round(depth_mm / INCH_MM)
    # 4, 6 and 8 in are 100, 150 and 200 mm here
    np.testing.assert_allclose(depth_mm, inches * INCH_MM, atol=3.5)
    assert (inches >= ref.expected["least_in"]).all()
    assert (inches <= ref.expected["most_in"]).all()


@of_kind("string")
def test_slope_by_string_level(ref):
    slope_pct = 100.0 * ref.given["fall_in"] / (12.0 * ref.given["run_ft"])
    assert slope_pct == ref.figure("slope_pct")
    depth_mm = float(sizing.depth_for_slope_mm(slope_pct, load_params().sizing, 100.0))
    assert round(depth_mm / INCH_MM) == ref.expected["depth_in"]


@of_kind("levelling")
def test_levelling(ref):
    cut_m = sizing.levelling_depth_m(ref.given["width_ft"] * FOOT_M, ref.given["slope_pct"])
    assert units.mm_to_inch(cut_m * 1000.0) == ref.figure("cut_in")


@of_kind("drawdown")
def test_depth_is_capped_by_what_soaks_away_in_time(ref):
    params = load_params().sizing
    assert params.drawdown_limit_h == ref.figure("drawdown_h")
    for rate in (1.5, 5.1, 7.6, 41.4):
        assert sizing.band_depths_mm(params, rate).tolist() == [min(d, 24.0 * rate) for d in (100.0, 150.0, 200.0)]


@of_kind("ratio")
def test_ratios_by_jurisdiction(ref):
    rule = AREA_RATIOS[ref.given["rule"]]
    soil = ref.given.get("soil_class", "silty")
    figures = [rule.figure(soil, choice) for choice in ref.given["choices"]]
    if "roof_per_garden" in ref.expected:
        assert [1.0 / figure for figure in figures] == ref.figure("roof_per_garden")
    else:
        assert [100.0 * figure for figure in figures] == ref.figure("ratio_pct")
    assert rule.least_depth_mm / INCH_MM == ref.figure("least_depth_in")
    assert rule.least_rate_mm_h / INCH_MM == ref.figure("least_rate_in_h")
    # the run's own method asks for the same on every slope
    for choice, figure in zip(ref.given["choices"], figures, strict=True):
        params = SizingParams(method="area_ratio", ratio_rule=ref.given["rule"], ratio_choice=choice, soil_class=soil)
        assert sizing.area_per_roof(params, 7.6)[0].tolist() == [figure] * 3


def test_no_ratio_is_offered_without_an_entry():
    assert {ref.given["rule"] for ref in SIZES if ref.given["kind"] == "ratio"} == set(AREA_RATIOS)
    assert all(ref.mark == "read" for ref in SIZES if ref.given["kind"] == "ratio")


def test_the_handbook_s_method_takes_the_factors_of_its_depths():
    params = SizingParams(depths_mm=(100.0, 165.0, 203.0), soil_class="silty")
    per_roof, fixed = sizing.area_per_roof(params, 20.3)
    assert (per_roof.tolist(), fixed) == ([0.34, 0.25, 0.16], 0.0)
    # left to the soil: the Minnesota manual's sand to sandy loam, loam, and clays, whose depth a day's drawdown caps
    by_soil = SizingParams(depths_mm=(100.0, 165.0, 203.0))
    assert sizing.area_per_roof(by_soil, 20.3)[0].tolist() == [0.19, 0.15, 0.08]
    assert sizing.area_per_roof(by_soil, 7.6)[0].tolist() == [0.34, 0.25, 0.25]
    assert sizing.area_per_roof(by_soil, 1.5)[0].tolist() == [0.43, 0.43, 0.43]
    assert sizing.area_per_roof(SizingParams(method="fixed_area"), 7.6)[1] == 15.0


def test_the_factors_credit_infiltration_and_are_no_static_volume():
    """Storage alone would be 0.90, 1.5, 1.92 and 0.64 in of rain: standards of the trade, not of arithmetic."""
    stored_in = [
        float(sizing.size_factor(soil, depth_in * INCH_MM)) * depth_in
        for soil, depth_in in (("sandy", 6.0), ("silty", 6.0), ("clayey", 6.0), ("sandy", 8.0))
    ]
    assert stored_in == pytest.approx([0.90, 1.50, 1.92, 0.64])


def test_a_millimetre_on_a_square_metre_is_a_litre():
    """By definition of the units; the whole program's volumes rest on it."""
    assert units.depth_on_area_m3(1.0, 1.0) == 0.001
    assert reference("runoff_volumes", "an inch on 1,000 ft2").expected["volume_gal"] == 623
