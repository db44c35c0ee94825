"""Roofs that can be split by hand: eaves, downspouts, shares and parts."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity

from screening.homes import Pieces
from screening.kernels.downspouts import assumed
from screening.kernels.eaves import eaves_of
from screening.kernels.gutters import gutters, stretches
from screening.kernels.rings import push
from screening.kernels.roofs import part_ring
from screening.params import load_params
from screening.pipeline.home_roofs import downspouts_of, largest_parts, party_walls, split_roofs
from screening.roof import outlines_of, split_all, split_roof

NOWHERE = np.empty((0, 2))
L_HOUSE = shapely.box(0.0, 0.0, 14.0, 10.0).difference(shapely.box(8.0, 5.0, 20.0, 20.0))
T_HOUSE = shapely.box(0.0, 0.0, 16.0, 6.0).union(shapely.box(5.0, 0.0, 11.0, 13.0))
U_HOUSE = shapely.box(0.0, 0.0, 15.0, 12.0).difference(shapely.box(5.0, 5.0, 10.0, 20.0))
COURT_HOUSE = shapely.box(0.0, 0.0, 20.0, 16.0).difference(shapely.box(6.0, 5.0, 9.0, 9.0))
ROUND_HOUSE = shapely.Point(3.0, 4.0).buffer(6.0, quad_segs=16)
JITTERED = shapely.Polygon([(0, 0), (4, 0.06), (7, -0.05), (12, 0), (12.05, 4), (12, 8), (6, 7.94), (0, 8), (0.03, 3)])
HOUSES = {
    "rectangle": shapely.box(0.0, 0.0, 10.0, 6.0),
    "square": shapely.box(0.0, 0.0, 9.0, 9.0),
    "L": L_HOUSE,
    "T": T_HOUSE,
    "U": U_HOUSE,
    "court": COURT_HOUSE,
    "round": ROUND_HOUSE,
    "jittered": JITTERED,
    "large": affinity.scale(T_HOUSE, 3.0, 3.0, origin=(0, 0)),
}


def params(**changes):
    return load_params(None, {f"roof.{key}": value for key, value in changes.items()}).roof


def split(roof, points=NOWHERE, walls=None, **changes):
    return split_roof(roof, walls, np.asarray(points, dtype=float).reshape(-1, 2), params(**changes))


def share_at(result, place, *, gable=False):
    """Share of the downspout at a place."""
    distance = np.hypot(*(result.xy - place).T)
    assert distance.min() < 1e-4
    return (result.gable_share_frac if gable else result.share_frac)[distance.argmin()]


def drawn_area(result):
    return np.array([0.0 if part is None else part.area for part in result.part])


def pieces_of(*shapes):
    """Each building on a lot of its own."""
    geometry = np.array(shapes, dtype=object)
    numbers = np.arange(len(shapes))
    return Pieces(
        geometry,
        numbers,
        numbers,
        shapely.area(geometry),
        np.zeros(len(shapes), dtype=bool),
        np.ones(len(shapes), dtype=np.int64),
    )


# --- hip roofs -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 211.0])
def test_four_corner_downspouts_take_a_quarter_each(angle):
    roof = affinity.rotate(shapely.box(0.0, 0.0, 14.0, 9.0), angle, origin=(0, 0))
    result = split(roof, shapely.get_coordinates(roof)[:4])
    assert result.is_measured
    np.testing.assert_allclose(result.share_frac, 0.25, atol=1e-9)
    np.testing.assert_allclose(result.gable_share_frac, 0.25, atol=1e-9)


def test_a_downspout_amid_each_side_of_a_hip_roof():
    """10 m x 6 m: end faces of 9 m2, and from either long side a triangle of 1/2 m2 beyond the middle of the gutter."""
    roof = shapely.box(0.0, 0.0, 10.0, 6.0)
    result = split(roof, [(5, 0), (10, 3), (5, 6), (0, 3)], form="hip")
    for place, share in (((5, 0), 20 / 60), ((10, 3), 10 / 60), ((5, 6), 20 / 60), ((0, 3), 10 / 60)):
        assert share_at(result, place) == pytest.approx(share, abs=1e-9)


def test_two_corners_and_the_middle_of_the_far_side():
    """Half the front (21 / 2 m2) and the end face up to 5.5 m of its 6 m (9 - 1/8 m2) each; the back takes the rest."""
    roof = shapely.box(0.0, 0.0, 10.0, 6.0)
    result = split(roof, [(0, 0), (10, 0), (5, 6)], form="hip")
    assert share_at(result, (0, 0)) == pytest.approx((10.5 + 8.875) / 60, abs=1e-9)
    assert share_at(result, (10, 0)) == pytest.approx((10.5 + 8.875) / 60, abs=1e-9)
    assert share_at(result, (5, 6)) == pytest.approx(21.25 / 60, abs=1e-9)


@pytest.mark.parametrize("n", range(2, 12))
def test_no_gaps_between_the_parts_wherever_the_gutter_divides(n):
    """A gutter may divide on a hip's slope, or beyond it: the hip is then a border on one side only."""
    for start in (0.0, 0.4, 1.7, 5.0):
        for roof in (HOUSES["rectangle"], L_HOUSE, T_HOUSE, U_HOUSE):
            where = (start + roof.length * np.arange(n) / n) % roof.length
            points = shapely.get_coordinates(shapely.line_interpolate_point(roof.exterior, where))
            result = split(roof, points, form="hip")
            assert shapely.is_valid(result.part).all()
            assert (shapely.get_type_id(result.part) == shapely.GeometryType.POLYGON).all()
            assert shapely.area(result.part).sum() == pytest.approx(roof.area, abs=1e-4)
            assert shapely.union_all(result.part).area == pytest.approx(roof.area, abs=1e-4)
            np.testing.assert_allclose(drawn_area(result) / roof.area, result.share_frac, atol=1e-6)


def test_a_chain_that_turns_back_is_shortened():
    out, n = np.empty((9, 2)), 0
    # out along a hip and back beyond where it began, then the same with stations that differ
    for x, y in ((0, 0), (2, 2), (5, 5), (7, 7), (5, 5), (3, 3), (3, 3), (1, 1), (1, 4), (1, 6), (1, 3)):
        n = push(out, n, float(x), float(y))
    assert out[:n].tolist() == [[0, 0], [1, 1], [1, 3]]
    with pytest.raises(ValueError, match="more corners"):
        push(np.empty((0, 2)), 0, 1.0, 1.0)


def test_the_outline_of_a_part_goes_over_no_hip_within_it():
    """A stretch around the end of a house: three eaves, the ridge, and neither hip."""
    ring = np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 8.0], [0.0, 8.0]])
    house = eaves_of(ring, np.ones(4, dtype=bool), np.array([7.0, 25.0]), 0.5)
    part = part_ring(house, 7.0, 25.0, np.empty((500, 2)))
    np.testing.assert_allclose(part, [[7, 0], [12, 0], [12, 8], [7, 8], [7, 4]], atol=1e-6)


def test_one_downspout_drains_the_whole_roof():
    for form in ("hip", "gable", "unknown"):
        result = split(L_HOUSE, [(3.0, 0.2)], form=form)
        assert result.share_frac.tolist() == result.gable_share_frac.tolist() == [1.0]
        assert result.part[0].equals(L_HOUSE)


@pytest.mark.parametrize("name", HOUSES)
@pytest.mark.parametrize("form", ["hip", "gable", "unknown"])
def test_shares_sum_to_one_and_parts_are_valid_and_on_the_roof(name, form):
    for angle in (0.0, 23.0, 90.0):
        roof = affinity.rotate(HOUSES[name], angle, origin=(0, 0))
        result = split(roof, form=form)
        assert result.share_frac.sum() == pytest.approx(1.0, abs=1e-9)
        assert result.gable_share_frac.sum() == pytest.approx(1.0, abs=1e-9)
        parts = result.part[~shapely.is_missing(result.part)]
        assert shapely.is_valid(parts).all()
        # a digitised outline's jitter of at most 0.15 m is smoothed
        noise = 0.15 if name in ("jittered", "round") else 1e-6
        assert shapely.covers(shapely.buffer(roof, noise), parts).all()
        np.testing.assert_allclose(drawn_area(result) / drawn_area(result).sum(), result.share_frac, atol=1e-6)
        if name != "round":
            assert drawn_area(result).sum() == pytest.approx(roof.area, rel=0.01 if name == "jittered" else 1e-5)


@pytest.mark.parametrize("name", HOUSES)
@pytest.mark.parametrize("form", ["gable", "unknown"])
def test_the_start_and_the_direction_of_the_ring_do_not_matter(name, form):
    shell = shapely.get_coordinates(HOUSES[name].exterior)[:-1]
    holes = [shapely.get_coordinates(hole) for hole in HOUSES[name].interiors]
    wanted = split(HOUSES[name], form=form)
    for start in range(0, len(shell), 1 + len(shell) // 9):
        for step in (1, -1):
            ring = np.roll(shell, -start, axis=0)[::step]
            got = split(shapely.Polygon(ring, holes), form=form)
            assert got.xy.tolist() == wanted.xy.tolist()
            assert got.share_frac.tolist() == wanted.share_frac.tolist()
            assert got.gable_share_frac.tolist() == wanted.gable_share_frac.tolist()
            assert shapely.equals_exact(got.part, wanted.part).all()


@pytest.mark.parametrize("name", HOUSES)
def test_far_from_the_origin_the_shares_are_the_same(name):
    near = split(HOUSES[name])
    far = split(affinity.translate(HOUSES[name], 524_288.0, 4_194_304.0))
    np.testing.assert_allclose(far.share_frac, near.share_frac, atol=1e-7)
    np.testing.assert_allclose(far.xy - [524_288.0, 4_194_304.0], near.xy, atol=1e-6)


def test_many_roofs_at_once_are_split_as_one_by_one():
    roofs = np.array([*HOUSES.values(), *(affinity.rotate(h, 31.0) for h in HOUSES.values())], dtype=object)
    points = [NOWHERE if i % 3 else shapely.get_coordinates(roof)[:2] for i, roof in enumerate(roofs)]
    first = np.concatenate([[0], np.cumsum([len(p) for p in points])])
    together = split_all(roofs, np.full(len(roofs), None, dtype=object), np.concatenate(points), first, params())
    for i, roof in enumerate(roofs):
        alone, mine = split(roof, points[i]), together.roof == i
        assert together.xy[mine].tolist() == alone.xy.tolist()
        assert together.share_frac[mine].tolist() == alone.share_frac.tolist()
        assert together.gable_share_frac[mine].tolist() == alone.gable_share_frac.tolist()
        assert together.is_measured[mine].tolist() == [alone.is_measured] * len(alone.xy)
        assert shapely.equals_exact(together.part[mine], alone.part).all()


def test_no_roofs_have_no_downspouts():
    none = np.empty(0, dtype=object)
    result = split_all(none, none, NOWHERE, np.zeros(1, dtype=np.int64), params())
    assert [len(column) for column in result] == [0] * 6


# --- assumed downspouts ----------------------------------------------------------------------------------------------


def test_assumed_downspouts_stand_at_corners_as_evenly_as_these_allow():
    """12 m x 8 m is 40 m of eave: four downspouts, one a corner. 7 m x 5 m is 24 m: three."""
    corners = shapely.get_coordinates(shapely.box(0.0, 0.0, 12.0, 8.0))[:4]
    four = split(shapely.box(0.0, 0.0, 12.0, 8.0)).xy
    assert sorted(four.tolist()) == sorted(corners.tolist())
    three = split(shapely.box(0.0, 0.0, 7.0, 5.0)).xy
    assert len(three) == 3
    assert (
        np.hypot(*(three[:, None] - shapely.get_coordinates(shapely.box(0, 0, 7, 5))[None, :4]).T).min(0).max() < 1e-9
    )


def test_the_longest_gutter_is_halved_where_corners_are_too_few():
    """30 m x 8 m: 76 m of eave need eight downspouts; the four more halve the long sides, then one of the halves."""
    result = split(shapely.box(0.0, 0.0, 30.0, 8.0), form="hip")
    sides = [np.sort(result.xy[np.isclose(result.xy[:, 1], y), 0]).tolist() for y in (0.0, 8.0)]
    assert len(result.xy) == 8
    assert sorted(sides, key=len) == [[0.0, 15.0, 30.0], [0.0, 7.5, 15.0, 22.5, 30.0]]


def test_a_round_house_has_evenly_spaced_downspouts():
    result = split(ROUND_HOUSE)
    n = len(result.xy)
    assert n == 4
    angle = np.sort(np.arctan2(*(result.xy - [3.0, 4.0]).T))
    # the outline is smoothed to a polygon with sides of about 2 m
    np.testing.assert_allclose(np.diff(angle), 2.0 * np.pi / n, atol=0.01)
    np.testing.assert_allclose(result.share_frac, 1.0 / n, atol=0.01)


def test_a_stretch_with_a_downspout_at_one_end_counts_double():
    along = np.array([0.0, 20.0, 30.0, 50.0, 60.0])
    eave = np.array([True, False, False, False])
    corner = np.array([True, False, False, False])
    assert assumed(along, eave, corner, 2).tolist() == [0.0, 20.0]
    assert assumed(along, eave, corner, 3).tolist() == [0.0, 10.0, 20.0]


def test_gutters_run_on_over_the_start_of_the_outline():
    assert gutters(np.array([True, False, True, True])).tolist() == [[2, 3]]
    assert gutters(np.array([True, True, True])).tolist() == [[0, 3]]
    assert gutters(np.array([False, True, False, True])).tolist() == [[1, 1], [3, 1]]
    assert gutters(np.zeros(3, dtype=bool)).tolist() == []


def test_stretches_of_gutter_belong_to_the_nearest_downspout():
    along = np.array([0.0, 10.0, 16.0, 26.0, 32.0])
    whole = np.ones(4, dtype=bool)
    stretch, owner = stretches(np.array([0.0, 10.0, 21.0]), along, whole)
    assert stretch.tolist() == [[26.5, 37.0], [5.0, 15.5], [15.5, 26.5]]
    assert owner.tolist() == [0, 1, 2]
    # two gutters with ends: the second has no downspout of its own and leads its water to the nearest along the outline
    ends = np.array([True, False, True, False])
    stretch, owner = stretches(np.array([0.0, 10.0]), along, ends)
    assert stretch.tolist() == [[0.0, 5.0], [5.0, 10.0], [16.0, 21.0], [21.0, 26.0]]
    assert owner.tolist() == [0, 1, 1, 0]
    # a downspout a rounding error before the gutter's start stands at its start
    stretch, owner = stretches(np.array([2.0, 16.0 - 1e-9]), along, ends)
    assert owner.tolist() == [0, 1]


# --- measured downspouts ---------------------------------------------------------------------------------------------


def test_measured_downspouts_are_moved_to_the_nearest_eave():
    roof = shapely.box(0.0, 0.0, 10.0, 6.0)
    result = split(roof, [(2.0, -1.5), (11.0, 4.0), (5.0, 7.0)])
    assert result.is_measured
    np.testing.assert_allclose(sorted(result.xy.tolist()), [[2.0, 0.0], [5.0, 6.0], [10.0, 4.0]], atol=1e-9)
    # farther than 2 m from the eave, on the ground or on the roof, it does not count
    result = split(roof, [(2.0, -2.1), (5.0, 3.0), (2.0, 0.0)])
    np.testing.assert_allclose(result.xy, [[2.0, 0.0]], atol=1e-9)
    result = split(roof, [(2.0, -2.1)])
    assert not result.is_measured
    assert len(result.xy) == 3


def test_points_at_one_corner_are_one_downspout():
    """Also where the outline starts and ends, and where rounding puts one on either side of the corner."""
    roof = shapely.box(0.0, 0.0, 10.0, 6.0)
    for corner in shapely.get_coordinates(roof)[:4]:
        outward = np.sign(corner - [5.0, 3.0])
        points = [corner, corner + 0.5 * outward, corner + np.array([0.0, 1e-8]), corner - np.array([1e-8, 0.0])]
        result = split(roof, [*points, (5.0, 0.0)])
        assert len(result.xy) == 2


def test_a_measured_downspout_belongs_to_the_nearest_building_only():
    """Houses 3 m apart: a downspout in the side yard is within 2 m of both, and one on a shed is no house's."""
    pieces = pieces_of(shapely.box(0, 0, 10, 8), shapely.box(13, 0, 23, 8), shapely.box(11, 9, 12.5, 12))
    points = shapely.points([(10.2, 4.0), (12.9, 2.0), (11.5, 8.9), (0.0, 0.0), (10.0, -5.0)])
    xy, first = downspouts_of(np.array([0, 1]), pieces, points, 2.0)
    assert first.tolist() == [0, 2, 3]
    assert xy.tolist() == [[10.2, 4.0], [0.0, 0.0], [12.9, 2.0]]
    # on the line between two row houses both get it
    row = pieces_of(shapely.box(0, 0, 6, 10), shapely.box(6, 0, 12, 10))
    xy, first = downspouts_of(np.array([1, 0]), row, shapely.points([(6.0, 0.0)]), 2.0)
    assert first.tolist() == [0, 1, 2]


# --- gables ----------------------------------------------------------------------------------------------------------


def test_a_gable_has_downspouts_and_water_on_its_long_eaves_only():
    result = split(shapely.box(0.0, 0.0, 12.0, 8.0), form="gable")
    assert np.isin(result.xy[:, 1], [0.0, 8.0]).all()
    front = result.xy[:, 1] == 0.0
    assert result.share_frac[front].sum() == pytest.approx(0.5, abs=1e-9)
    assert shapely.union_all(result.part[front]).symmetric_difference(shapely.box(0, 0, 12, 4)).area < 1e-4


def test_a_downspout_under_the_gable_end_drains_nothing_under_a_gable():
    roof = shapely.box(0.0, 0.0, 12.0, 8.0)
    result = split(roof, [(0.0, 0.0), (12.0, 4.0), (0.0, 8.0)])
    assert share_at(result, (12.0, 4.0)) > 0.2
    assert share_at(result, (12.0, 4.0), gable=True) == 0.0
    assert share_at(result, (0.0, 0.0), gable=True) == pytest.approx(0.5, abs=1e-9)
    # where the form is known, a point by the gable end is moved to the end of the long eave
    known = split(roof, [(12.1, 0.6), (0.0, 8.0)], form="gable")
    assert share_at(known, (12.0, 0.0)) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("angle", np.arange(0.0, 360.0, 7.0))
def test_a_turned_gable_drains_the_same(angle):
    """Downspouts at corners stand on their gutter whatever rounding does; nor does it take away a gutter end's fan."""
    roof = affinity.rotate(shapely.box(0.0, 0.0, 12.0, 8.0), angle, origin=(3, 1))
    for k in range(4):
        corners = shapely.get_coordinates(roof)[[k, (k + 2) % 4]]
        np.testing.assert_allclose(split(roof, corners, form="gable").share_frac, 0.5, atol=1e-9)
    wing = affinity.rotate(L_HOUSE, angle, origin=(3, 1))
    place = shapely.get_coordinates(affinity.rotate(shapely.MultiPoint([(0, 0), (0, 10), (14, 5)]), angle, (3, 1)))
    result = split(wing, place, form="gable")
    straight = split(L_HOUSE, [(0, 0), (0, 10), (14, 5)], form="gable")
    # half of the wing, and around the inner corner what two parabolas enclose, with chords: 2 (125 - 125 / 3) / 10
    assert share_at(result, place[2]) == pytest.approx((15.0 + 50.0 / 3.0) / 110.0, abs=5e-4)
    for turned, original in zip(place, [(0, 0), (0, 10), (14, 5)], strict=True):
        assert share_at(result, turned) == pytest.approx(share_at(straight, original), abs=1e-6)
    assert drawn_area(result).sum() == pytest.approx(L_HOUSE.area, abs=1e-3)


def test_a_gable_whose_long_eaves_miss_a_wing_has_eaves_all_around():
    """Two wings at 60 degrees, joined at a neck: the eaves along one see nothing of the other."""
    wing = shapely.box(0.0, 0.0, 16.0, 6.0)
    roof = wing.union(affinity.rotate(shapely.box(0.0, 0.0, 14.0, 6.0), 115.0, origin=(0, 0)))
    roof = shapely.union_all([roof, shapely.box(-1, -0.5, 1, 3)]).buffer(0)
    gable, hip = split(roof, form="gable"), split(roof, form="hip")
    assert gable.xy.tolist() == hip.xy.tolist()
    assert gable.share_frac.tolist() == hip.share_frac.tolist()
    assert drawn_area(gable).sum() == pytest.approx(drawn_area(hip).sum())


# --- row houses ------------------------------------------------------------------------------------------------------

ROW = pieces_of(*(shapely.box(7.0 * k, 0.0, 7.0 * (k + 1), 10.0) for k in range(4)), shapely.box(60, 0, 70, 8))


def row_split(house, **changes):
    walls = party_walls(np.array([house]), ROW)
    return split(ROW.geometry[house], walls=walls[0], **changes)


def test_only_buildings_that_touch_have_party_walls():
    walls = party_walls(np.array([4, 1, 0]), ROW)
    assert shapely.is_missing(walls).tolist() == [True, False, False]
    assert walls[1].equals(shapely.buffer(shapely.union_all(ROW.geometry[[0, 2]]), 0.2))
    assert walls[2].equals(shapely.buffer(ROW.geometry[1], 0.2))


@pytest.mark.parametrize("form", ["hip", "gable", "unknown"])
def test_the_middle_of_a_row_drains_to_the_front_and_the_back(form):
    result = row_split(1, form=form)
    assert len(result.xy) == 2
    assert sorted(result.xy[:, 1].tolist()) == [0.0, 10.0]
    np.testing.assert_allclose(result.share_frac, 0.5, atol=1e-9)
    np.testing.assert_allclose(result.gable_share_frac, 0.5, atol=1e-9)
    halves = shapely.union_all([shapely.box(7, 0, 14, 5).boundary, shapely.box(7, 5, 14, 10).boundary])
    assert shapely.covers(halves.buffer(1e-4), shapely.boundary(result.part)).all()


def test_the_end_of_a_row_has_three_eaves_but_the_row_s_ridge():
    """7 m x 10 m, open to the west: under a gable, water goes to the front and the back, not to the west side."""
    result = row_split(0, form="unknown")
    assert not np.isclose(result.xy[(result.xy[:, 1] > 0.1) & (result.xy[:, 1] < 9.9), 0], 7.0).any()
    front = result.xy[:, 1] < 1e-6
    back = result.xy[:, 1] > 10.0 - 1e-6
    assert result.gable_share_frac[front].sum() == pytest.approx(0.5, abs=1e-9)
    assert result.gable_share_frac[back].sum() == pytest.approx(0.5, abs=1e-9)
    west = split(ROW.geometry[0], [(0.0, 5.0), (3.0, 0.0), (3.0, 10.0)], party_walls(np.array([0]), ROW)[0])
    assert share_at(west, (0.0, 5.0)) > 0.2
    assert share_at(west, (0.0, 5.0), gable=True) == 0.0


def test_a_shed_against_the_house_takes_only_its_own_width_of_eave():
    house, shed = shapely.box(0.0, 0.0, 12.0, 8.0), shapely.box(4.0, 8.0, 7.0, 10.0)
    pieces = pieces_of(house, shed)
    outlines = outlines_of(np.array([house], dtype=object), party_walls(np.array([0]), pieces))
    lengths = np.hypot(*(np.roll(outlines.xy, -1, axis=0) - outlines.xy).T)
    # the ground within 0.2 m of the shed
    assert lengths[~outlines.eave].sum() == pytest.approx(3.4, abs=1e-6)
    assert lengths.sum() == pytest.approx(40.0)
    # no row: the ridge still runs along the house
    np.testing.assert_allclose(np.abs(outlines.axis), [[1.0, 0.0]], atol=1e-12)
    result = split(house, walls=party_walls(np.array([0]), pieces)[0])
    assert not shapely.dwithin(shed, shapely.points(result.xy), 0.1).any()
    assert drawn_area(result).sum() == pytest.approx(96.0, abs=1e-3)


def test_measured_points_on_a_party_wall_go_to_the_end_of_an_eave():
    walls = party_walls(np.array([1]), ROW)[0]
    result = split(ROW.geometry[1], [(7.0, 1.0), (14.0, 9.5), (7.0, 0.0)], walls)
    np.testing.assert_allclose(sorted(result.xy.tolist()), [[7.0, 0.0], [14.0, 10.0]], atol=1e-9)


def test_a_house_walled_in_all_around_has_no_downspouts():
    result = split(shapely.box(0, 0, 8, 8), walls=shapely.box(-5, -5, 13, 13))
    assert len(result.xy) == len(result.share_frac) == len(result.part) == 0
    assert not result.is_measured


# --- odd outlines ----------------------------------------------------------------------------------------------------


def test_a_court_is_no_roof():
    """The court lies wholly in the front left quarter's part, which is smaller by its 2 m x 2 m."""
    roof = shapely.box(0.0, 0.0, 20.0, 16.0).difference(shapely.box(4.0, 4.0, 6.0, 6.0))
    corners = [(0, 0), (20, 0), (20, 16), (0, 16)]
    result = split(roof, corners)
    for place, area in zip(corners, (76.0, 80.0, 80.0, 80.0), strict=True):
        assert share_at(result, place) == pytest.approx(area / 316.0, abs=1e-7)
        assert share_at(result, place, gable=True) == pytest.approx(area / 316.0, abs=1e-7)
    assert drawn_area(result).sum() == pytest.approx(316.0, abs=1e-4)
    known = split(roof, corners, form="gable")
    np.testing.assert_allclose(known.share_frac, result.gable_share_frac, atol=1e-9)
    np.testing.assert_allclose(known.gable_share_frac, known.share_frac, atol=1e-12)


def test_a_court_across_parts_leaves_polygons_only():
    result = split(COURT_HOUSE)
    assert np.isin(shapely.get_type_id(result.part), [3, 6]).all()
    assert shapely.union_all(result.part).symmetric_difference(COURT_HOUSE).area < 1e-3


def test_jitter_makes_no_corners():
    result = split(JITTERED)
    corners = shapely.get_coordinates(shapely.box(0, 0, 12, 8))[:4]
    assert len(result.xy) == 4
    assert np.hypot(*(result.xy[:, None] - corners[None]).T).min(axis=0).max() < 0.15


@pytest.mark.parametrize("roof", [
    shapely.Polygon([(0, 0), (20, 0), (20, 0.01)]),
    shapely.Polygon([(0, 0), (10, 0.02), (20, 0), (10, 0.05)]),
    shapely.box(0, 0, 0.1, 0.1),
    shapely.Polygon([(0, 0), (10, 0), (10, 8), (5, 8), (5, 20), (5 - 1e-4, 20), (5 - 1e-4, 8), (0, 8)]),
])  # fmt: skip
def test_slivers_and_spikes_are_split_without_fuss(roof):
    for form in ("hip", "gable", "unknown"):
        result = split(roof, form=form)
        assert result.share_frac.sum() == pytest.approx(1.0, abs=1e-9)
        assert result.gable_share_frac.sum() == pytest.approx(1.0, abs=1e-9)
        parts = result.part[~shapely.is_missing(result.part)]
        assert shapely.is_valid(parts).all()


# --- the roofs of homes ----------------------------------------------------------------------------------------------


def test_roofs_of_homes_come_in_their_order():
    house = shapely.MultiPolygon([shapely.box(0, 0, 10, 8), shapely.box(30, 0, 30.5, 0.5)])
    pieces = Pieces(
        np.array(
            [house, shapely.box(12, 0, 15, 3), shapely.box(40, 0, 52, 8), shapely.box(80, 0, 90, 8)], dtype=object
        ),
        np.arange(4),
        np.array([0, 0, 1, -1]),
        np.array([80.25, 9.0, 96.0, 80.0]),
        np.zeros(4, dtype=bool),
        np.ones(4, dtype=np.int64),
    )
    principal = np.array([0, 2])
    none = np.empty(0, dtype=object)
    run = load_params(None, {"roof.form": "hip"})
    roofs = split_roofs(np.array([1, 0]), pieces, principal, none, run)
    assert largest_parts(pieces.geometry[[0]])[0].equals(shapely.box(0, 0, 10, 8))
    assert roofs.roof_area_m2.tolist() == [96.0, 80.25]
    assert roofs.piece.tolist() == [2] * roofs.first[1] + [0] * (roofs.first[2] - roofs.first[1])
    sums = np.add.reduceat(roofs.area_m2, roofs.first[:-1])
    np.testing.assert_allclose(sums, [96.0, 80.25], rtol=1e-12)
    # the shed counts if asked for, after the house; a building on no lot never does
    run = load_params(None, {"roof.form": "hip", "homes.count_other_roofs": True})
    roofs = split_roofs(np.array([1, 0]), pieces, principal, none, run)
    assert roofs.roof_area_m2.tolist() == [96.0, 89.25]
    assert roofs.piece[np.sort(np.unique(roofs.piece, return_index=True)[1])].tolist() == [2, 0, 1]
    assert np.add.reduceat(roofs.area_m2, roofs.first[:-1]).tolist() == pytest.approx([96.0, 89.25], rel=1e-12)
