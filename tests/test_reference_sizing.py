"""Sizes, depths and volumes against printed examples; the source stands beside each, what is from memory says so."""

from __future__ import annotations

import math

import numpy as np
import pytest

from screening import sizing, units
from screening.params import load_params

FOOT_M, INCH_MM = 0.3048, 25.4
FOOT2_M2 = FOOT_M * FOOT_M


def ft2(area_m2):
    return float(np.asarray(area_m2)) / FOOT2_M2


# R. Bannerman and E. Considine (2003), Rain Gardens: A how-to manual for homeowners, UW-Extension GWQ037 / Wisconsin
# DNR PUB-WT-776: gardens less than 30 ft from the downspout. Sandy row: URI/UConn slides (exploredoc.com/doc/4648720);
# silty 0.34: URI guide (scribd.com/document/73704853); silty 0.25: Illinois DNR (dnr.illinois.gov/education, plant
# lists); silty 0.16 and the clayey row: from memory of GWQ037.
SIZE_FACTORS = [
    ("sandy", 3, 0.19), ("sandy", 4, 0.19), ("sandy", 5, 0.19), ("sandy", 6, 0.15), ("sandy", 7, 0.15),
    ("sandy", 8, 0.08), ("silty", 3, 0.34), ("silty", 5, 0.34), ("silty", 6, 0.25), ("silty", 7, 0.25),
    ("silty", 8, 0.16), ("clayey", 4, 0.43), ("clayey", 6, 0.32), ("clayey", 8, 0.20),
]  # fmt: skip


@pytest.mark.parametrize(("soil", "depth_in", "factor"), SIZE_FACTORS)
def test_size_factors(soil, depth_in, factor):
    assert float(sizing.size_factor(soil, depth_in * INCH_MM)) == factor


# Printed look-up for sandy soils, URI/UConn slides (exploredoc.com/doc/4648720): drainage area [ft2] -> garden [ft2].
LOOK_UP = {
    4: {200: 38, 400: 76, 600: 114, 800: 152, 1000: 190},
    6: {200: 30, 400: 60, 600: 90, 800: 120, 1000: 150},
    8: {200: 16, 400: 32, 600: 48, 800: 64, 1000: 80},
}


@pytest.mark.parametrize("depth_in", LOOK_UP)
def test_printed_look_up_for_sandy_soils(depth_in):
    roofs = np.array(list(LOOK_UP[depth_in]), dtype=float)
    gardens = roofs * sizing.size_factor("sandy", depth_in * INCH_MM)
    np.testing.assert_allclose(gardens, list(LOOK_UP[depth_in].values()), rtol=1e-12)


def test_750_ft2_of_roof_on_loam():
    """Illinois DNR (dnr.illinois.gov/education/plantlists/plantlistrainsize.html): 0.25 gives 187.5 ft2."""
    for depth_in in (6, 7):
        assert 750 * float(sizing.size_factor("silty", depth_in * INCH_MM)) == 187.5


def test_a_house_of_60_ft_from_memory_of_the_handbook():
    """GWQ037, worked example, from memory: 60 x 60 ft, a quarter to the downspout, silty, 6-7 in -> 225 ft2."""
    assert 60 * 60 / 4 * float(sizing.size_factor("silty", 6 * INCH_MM)) == 225.0


def test_one_inch_method_for_half_a_roof():
    """UConn/URI slides (exploredoc.com/doc/4648720): 50 x 30 ft, half the roof, 6 in deep: 1500 -> 750 -> 125 ft2."""
    area = sizing.capture_area_m2(50 * 30 / 2 * FOOT2_M2, 1 * INCH_MM, 6 * INCH_MM)
    assert ft2(area) == pytest.approx(125.0, rel=1e-12)
    # it stores that inch: A d / roof
    assert float(area) * 6 * INCH_MM / (750 * FOOT2_M2) == pytest.approx(INCH_MM)


def test_one_inch_method_for_1917_ft2():
    """UConn/URI slides (exploredoc.com/doc/4648720): 1,917 ft2, 6 in deep: 319.5, printed 320 ft2."""
    area = ft2(sizing.capture_area_m2(1917 * FOOT2_M2, 1 * INCH_MM, 6 * INCH_MM))
    assert area == pytest.approx(319.5, rel=1e-12)
    assert math.ceil(area) == 320


def test_240_ft2_of_roof_over_what_drains_in_a_day():
    """Central Ohio Rain Garden Initiative (centralohioraingardens.org/?p=290), after Schmidt, Shaw and Dods (2007).

    240 ft2 of roof, 4 in drained in 24 h: roof over depth in inches, 60 ft2.
    """
    assert ft2(sizing.capture_area_m2(240 * FOOT2_M2, 1 * INCH_MM, 4 * INCH_MM)) == pytest.approx(60.0, rel=1e-12)


def test_the_tool_s_own_methods_use_these_formulas():
    handbook = load_params(None, {"sizing.method": "handbook", "sizing.depths_mm": [100.0, 165.0, 203.0],
                                  "soil.rate_mm_h": 20.0, "soil.rate_high_mm_h": 20.0})  # fmt: skip
    per_roof, fixed = sizing.area_per_roof(handbook.sizing, handbook.soil.rate_mm_h)
    assert (per_roof.tolist(), fixed) == ([0.34, 0.25, 0.16], 0.0)
    capture = load_params(None, {"sizing.method": "capture_depth", "sizing.depths_mm": [152.4, 152.4, 152.4]})
    per_roof, fixed = sizing.area_per_roof(capture.sizing, 7.6)
    np.testing.assert_allclose(per_roof, 1 / 6)
    assert fixed == 0.0
    per_roof, fixed = sizing.area_per_roof(load_params(None, {"sizing.method": "fixed_area"}).sizing, 7.6)
    assert (per_roof.tolist(), fixed) == ([0.0, 0.0, 0.0], 15.0)


# Depth by slope of the lawn: URI, Rain Gardens: A Design Guide for Homeowners (scribd.com/document/73704853): under 4 %
# 3-5 in, 5-7 % 6-7 in, 8-12 % 8 in; a workshop's slides (paperzz.com/doc/7876155, publisher not shown): 1-4 % 4 in,
# 4-8 % 6 in, 8-12 % 8 in, which close the gaps at 4-5 and 7-8 %. The tool rounds 4, 6, 8 in to 100, 150, 200 mm.
DEPTH_BY_SLOPE = [(0.5, 4, (3, 5)), (2.0, 4, (3, 5)), (4.0, 4, None), (4.5, 6, None), (5.0, 6, (6, 7)),
                  (7.0, 6, (6, 7)), (7.5, 6, None), (8.0, 6, None), (8.5, 8, (8, 8)), (12.0, 8, (8, 8))]  # fmt: skip


@pytest.mark.parametrize(("slope_pct", "slides_in", "guide_in"), DEPTH_BY_SLOPE)
def test_depth_by_slope(slope_pct, slides_in, guide_in):
    # a soil so fast that the time to soak away caps nothing
    depth_mm = float(sizing.depth_for_slope_mm(slope_pct, load_params().sizing, 100.0))
    assert depth_mm == pytest.approx(slides_in * INCH_MM, abs=3.5)
    if guide_in:
        # whole inches, as the guides print them
        assert guide_in[0] <= round(depth_mm / INCH_MM) <= guide_in[1]


def test_eleven_inches_in_fifteen_feet():
    """GWQ037, string level: 11 in of fall over 15 ft (180 in) is 6.1 %, printed about 6 %: 6 in deep."""
    slope_pct = 100.0 * 11 / 180
    assert round(slope_pct, 1) == 6.1
    depth_mm = float(sizing.depth_for_slope_mm(slope_pct, load_params().sizing, 100.0))
    assert round(depth_mm / INCH_MM) == 6


def test_depth_is_capped_by_what_soaks_away_in_a_day():
    """Household tests: a hole has to drain within 24 h (Show Me Raingardens, Missouri; Central Ohio guides)."""
    params = load_params().sizing
    for rate in (1.5, 5.1, 7.6, 41.4):
        depths = sizing.band_depths_mm(params, rate)
        assert (depths / rate <= 24.0 + 1e-12).all()
        assert depths.tolist() == [min(d, 24.0 * rate) for d in (100.0, 150.0, 200.0)]


def test_levelling_a_garden_of_ten_feet_into_ten_percent():
    """GWQ037: a garden 10 ft wide across a slope of 10 % is cut by 12 in at the uphill edge."""
    assert sizing.levelling_depth_m(10 * FOOT_M, 10.0) * 1000 / INCH_MM == pytest.approx(12.0)


def test_an_inch_on_a_thousand_square_feet():
    """City of Bondurant, Iowa (cityofbondurant.com, rain barrels): 623 gal; gal = ft2 x in x 0.623; computed 623.38."""
    volume_m3 = 1000 * units.FOOT2_M2 * INCH_MM / 1000.0
    assert volume_m3 / units.US_GALLON_M3 == pytest.approx(623.38, abs=0.005)
    assert int(volume_m3 / units.US_GALLON_M3) == 623


def test_an_inch_and_a_quarter_on_a_square_foot():
    """Iowa Rain Garden Design and Installation Manual pages: 1.25 in of rain is 0.78 gal on a square foot."""
    gallons = units.FOOT2_M2 * 1.25 * units.INCH_MM / 1000.0 / units.US_GALLON_M3
    assert round(gallons, 2) == 0.78
    assert gallons == pytest.approx(0.7792, abs=5e-5)


def test_a_millimetre_on_a_square_metre_is_a_litre():
    """By definition of the units; the whole program's volumes rest on it."""
    from screening.water_balance import WetSteps

    steps = WetSteps(np.array([1.0]), np.array([0]), 1.0, 1.0)
    # 1 mm a year from 1 m2
    assert steps.runoff_mm_y / 1000.0 * 1.0 == pytest.approx(0.001)
