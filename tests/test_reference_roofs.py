"""Roofs against what the trade and the handbooks say, the source beside each check."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from made_lots import NORTH_M, WEST_M, one_home

from screening.params import load_params
from screening.roof import count_downspouts, split_roof

FOOT_M = 0.3048


def split(roof, points, **changes):
    params = load_params(None, {f"roof.{key}": value for key, value in changes.items()})
    return split_roof(roof, None, np.asarray(points, dtype=float), params.roof)


def test_two_corner_downspouts_of_a_small_hip_roof_bring_about_two_thirds_to_one_garden():
    """Common practice, no source: two corners of a small hip-roofed house can serve one garden with about two thirds.

    A house of 10 m x 8 m whose gutters drain to three downspouts, two at the corners of the garden's side and one in
    the middle of the far side.
    """
    roof = shapely.box(0.0, 0.0, 10.0, 8.0)
    three = split(roof, [(0.0, 0.0), (10.0, 0.0), (5.0, 8.0)], form="hip")
    order = np.lexsort((three.xy[:, 0], three.xy[:, 1]))
    front = three.share_frac[order][:2].sum()
    assert 0.60 <= front <= 0.72
    # and the whole job brings them to one garden
    x, y = WEST_M + 45, NORTH_M - 78
    home = one_home(downspouts=[(x, y + 8.0), (x + 10.0, y + 8.0), (x + 5.0, y)], north=-0.03)
    layers = home.screened(siting__second_garden=False, roof__form="hip")
    gardens = layers["gardens"]
    assert len(gardens) == 1
    assert 0.60 <= layers["candidate_homes"]["treated_roof_frac"].iloc[0] <= 0.72


def test_four_corner_downspouts_take_a_quarter_each():
    """R. Bannerman and E. Considine (2003), GWQ037: many houses have four downspouts, each with about a quarter."""
    for sides in ((10.0, 8.0), (14.0, 9.0), (9.0, 9.0)):
        roof = shapely.box(0.0, 0.0, *sides)
        shares = split(roof, shapely.get_coordinates(roof)[:4], form="hip").share_frac
        np.testing.assert_allclose(shares, 0.25, atol=1e-5)


def test_roof_area_is_the_footprint_s():
    """GWQ037: the roof counts with its footprint, the plan area, whatever the pitch."""
    home = one_home()
    layers = home.screened()
    assert layers["candidate_homes"]["roof_area_m2"].iloc[0] == pytest.approx(80.0, rel=1e-12)
    assert layers["downspouts"]["roof_area_m2"].sum() == pytest.approx(80.0, rel=1e-9)


@pytest.mark.parametrize(("eave_ft", "roof_ft2", "count"), [
    (60, 500, 2),  # never fewer than two
    (105, 500, 3), (107, 500, 4), (140, 1000, 4),  # one per 35 ft of eave
    (70, 1900, 4), (70, 2390, 4), (70, 2410, 5),  # one per 600 ft2
])  # fmt: skip
def test_number_of_downspouts(eave_ft, roof_ft2, count):
    """One per 35 ft (trade text, theroofingbrief.com) and per 600 ft2 of a 2 x 3 in downspout (City of Irving, Texas).

    The parameters are the metric figures 10.7 m and 55.7 m2, which are 35.1 ft and 599.6 ft2.
    """
    params = load_params().roof
    got = count_downspouts(eave_ft * FOOT_M, roof_ft2 * FOOT_M**2, params)
    assert got == count


def test_a_gable_sheds_to_its_long_eaves_only():
    """By the form itself: two planes meet at a ridge in the middle, so each long eave takes half the plan."""
    roof = shapely.box(0.0, 0.0, 12.0, 8.0)
    got = split(roof, [(2.0, 0.0), (9.0, 8.0)], form="gable")
    np.testing.assert_allclose(got.share_frac, 0.5, atol=1e-6)
    # a hip sheds over all four sides; with one downspout in the middle of each, the short ends take a square's quarter
    hip = split(roof, [(6.0, 0.0), (12.0, 4.0), (6.0, 8.0), (0.0, 4.0)], form="hip")
    assert hip.share_frac.sum() == pytest.approx(1.0, abs=1e-12)


def test_hip_planes_of_a_rectangle_have_the_areas_of_their_faces():
    """Equal pitch: the end faces of a w x l hip roof are triangles of w/2 x w/2, the long ones trapezoids.

    With downspouts at all four corners each face splits in halves, so the pair at the ends of one long side takes its
    trapezoid and half of each triangle: exactly one half of the roof.
    """
    roof = shapely.box(0.0, 0.0, 15.0, 7.0)
    got = split(roof, shapely.get_coordinates(roof)[:4], form="hip")
    order = np.lexsort((got.xy[:, 0], got.xy[:, 1]))
    trapezoid, triangle = 0.5 * 3.5 * (15.0 + 8.0), 0.5 * 7.0 * 3.5
    assert got.share_frac[order][:2].sum() * roof.area == pytest.approx(trapezoid + triangle, abs=1e-3)
