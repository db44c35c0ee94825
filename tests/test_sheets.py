"""Sheets for visits: tapes that lead to the pegs, true scales, nothing over anything else, cautions on every page."""

# ruff: noqa: RUF001 - pages are typeset, and addresses come in every script

from __future__ import annotations

import csv
import itertools
import math
import re
import sqlite3
import time

import made_up_result
import numpy as np
import pypdf
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import affinity

from screening import columns
from screening.cli.main import main
from screening.errors import InputError, ParameterError
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.lists import FOR_STAFF
from screening.report.quantities import Units
from screening.report.result_layers import ResultLayers
from screening.sheets import blocks, materials, tapes, view
from screening.sheets.book import write_book
from screening.sheets.choice import choose_stops
from screening.sheets.direction import join_arabic, visual
from screening.sheets.languages import LANGUAGES, SheetUnits
from screening.sheets.letters import PLAIN, Letters
from screening.sheets.page import MARGIN, PAPERS
from screening.sheets.pen import Pen
from screening.sheets.words import ENGLISH, SEASONS
from screening.units import FOOT_M, INCH_M
from screening.write import write_package

HOUSE = shapely.Polygon([(0, 0), (11, 0), (11, 8), (7, 8), (7, 12), (0, 12)])


def write(path, layers=None, record=None, **parameters):
    layers = made_up_result.layers() if layers is None else layers
    whole = made_up_result.record(**parameters) | {"screening_version": "0.1.0"} | (record or {})
    write_package(path, layers, crs=made_up_result.CRS, record=whole, overwrite=True)
    return path


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """The made-up result, written once."""
    return write(tmp_path_factory.mktemp("result") / "candidates.gpkg")


def book(result_path, path, **options):
    return write_book(ResultLayers(result_path), path, **options)


def page_texts(path):
    """The text of every page, blanks squeezed."""
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages]


def squeezed(text):
    return " ".join(text.split())


@pytest.fixture
def drawn(monkeypatch):
    """Every text that is drawn: box around it as drawn upright, its words; turned ones apart."""
    texts = []
    original = Pen.flush

    def flush(self):
        for x, y, shown, size, font, _, angle in self._texts:
            texts.append((x, y, self.letters.width(shown, size, font), size, angle, shown))
        original(self)

    monkeypatch.setattr(Pen, "flush", flush)
    return texts


def outline(one):
    """The rectangle that the letters of a drawn text take: from the base line to the height of capitals."""
    x, y, wide, size, angle, _ = one
    box = shapely.box(0.0, 0.05 * size, wide, 0.62 * size)
    return affinity.translate(affinity.rotate(box, angle, origin=(0, 0), use_radians=True), x, y)


def assert_nothing_collides(texts, paper):
    """No text leaves the page's margins, and none lies over another."""
    width, height = PAPERS[paper]
    boxes = [outline(one) for one in texts]
    page = shapely.box(MARGIN - 1, MARGIN - 8, width - MARGIN + 1, height - MARGIN + 1)
    outside = [one[5] for one, box in zip(texts, boxes, strict=True) if not page.covers(box)]
    assert outside == []
    tree = shapely.STRtree(boxes)
    over = [
        (texts[one][5], texts[other][5])
        for one, other in tree.query(boxes, predicate="intersects").T
        if one < other and boxes[one].intersection(boxes[other]).area > 1.0
    ]
    assert over == []


# --- tapes ---


def test_a_peg_is_found_where_two_known_circles_cross():
    # the triangle of sides 3, 4 and 5
    spot = tapes.locate(np.array([0.0, 0.0]), np.array([4.0, 0.0]), 5.0, 3.0)
    np.testing.assert_allclose(spot, [4.0, 3.0], atol=1e-12)


def test_tapes_of_a_garden_in_front_of_a_wall():
    house = shapely.box(0, 0, 10, 8)
    pegs = tapes.pegs_of(shapely.box(2, -6, 8, -3), is_free=False)
    found = tapes.find_tapes(house, pegs, tapes.insides([house]))
    # the corners of the wall that looks at it, garden to the left of the way from the first to the second
    np.testing.assert_allclose(found.corners_m, [[10, 0], [0, 0]])
    by_hand = {(2, -6): (10.0, math.sqrt(40)), (8, -3): (math.sqrt(13), math.sqrt(73))}
    for peg, lengths in by_hand.items():
        (row,) = np.flatnonzero((found.pegs_m == peg).all(axis=1))
        np.testing.assert_allclose(found.lengths_m[row], lengths, atol=1e-12)


def printed_m(text):
    """A printed length back in metres."""
    us = re.fullmatch(r"(\d+)′ (\d+)([¼½¾]?)″", text)
    if us:
        quarters = {"": 0.0, "¼": 0.25, "½": 0.5, "¾": 0.75}[us[3]]
        return (12 * int(us[1]) + int(us[2]) + quarters) * INCH_M
    return float(text)


def distance_of_peg(found, row, lengths):
    """How far from a peg two tapes lead, on the side that the plan shows."""
    first, second = np.flatnonzero(~np.isnan(lengths))
    corners = found.corners_m
    spots = [
        tapes.locate(corners[one], corners[other], lengths[one], lengths[other])
        for one, other in ((first, second), (second, first))
    ]
    return min(math.dist(spot, found.pegs_m[row]) for spot in spots)


@given(
    away_m=st.floats(1.0, 9.0),
    around=st.floats(0.0, 1.0),
    long_m=st.floats(2.0, 9.0),
    wide_m=st.floats(1.5, 5.0),
    turn_deg=st.floats(0.0, 180.0),
)
def test_tapes_lead_to_every_peg_wherever_the_garden_lies(away_m, around, long_m, wide_m, turn_deg):
    ring = HOUSE.buffer(away_m + 0.5 * math.hypot(long_m, wide_m)).exterior
    spot = ring.interpolate(around, normalized=True)
    bed = affinity.rotate(shapely.box(0, 0, long_m, wide_m), turn_deg)
    bed = affinity.translate(bed, spot.x - bed.centroid.x, spot.y - bed.centroid.y)
    assume(bed.distance(HOUSE) > 0.9)
    found = tapes.find_tapes(HOUSE, tapes.pegs_of(bed, is_free=False), tapes.insides([HOUSE]))
    if found is None:
        # close to a wall the tapes from its corners hardly cross, and the sheet says that there are none
        assert away_m < 3.05
        return
    for row, lengths in enumerate(found.lengths_m):
        assert np.count_nonzero(~np.isnan(lengths)) == 2
        assert distance_of_peg(found, row, lengths) < 1e-6
        for corner, length_m in zip(found.corners_m, lengths, strict=True):
            if not np.isnan(length_m):
                line = shapely.LineString([corner, found.pegs_m[row]])
                assert line.length == pytest.approx(length_m)
                assert HOUSE.buffer(-0.03).intersection(line).is_empty
        for is_us, error_m in ((False, 0.005), (True, INCH_M / 8)):
            shown = np.array(
                [np.nan if np.isnan(one) else printed_m(tapes.tape_text(one, is_us=is_us)) for one in lengths]
            )
            # an error e in both tapes moves the peg by e over the strength; second order adds a little
            assert distance_of_peg(found, row, shown) <= 1.2 * error_m / found.strength
    if found.strength >= 0.5:
        shown = [np.round(lengths, 2) for lengths in found.lengths_m]
        assert max(distance_of_peg(found, row, lengths) for row, lengths in enumerate(shown)) <= 0.0102


def test_pegs_of_the_demo_rectangles_are_set_out_to_a_centimetre(result):
    from screening.sheets.gather import gather_homes
    from screening.sheets.prepare import Rules, make_beds

    rules = Rules(3.05, 1.52, 0.0, 0.0, 0.0, 30, "", "", 2)
    beds = [bed for home in gather_homes(ResultLayers(result), ["h-0017", "h-0018"]) for bed in make_beds(home, rules)]
    assert next(bed.peg_names for bed in beds) == "ABCD"
    for bed in beds:
        drawn_beds = shapely.Polygon(bed.pegs_m)
        assert drawn_beds.area == pytest.approx(bed.outline.area, rel=0.05)
        for row, lengths in enumerate(bed.tapes.lengths_m):
            assert distance_of_peg(bed.tapes, row, lengths) < 1e-6
            assert distance_of_peg(bed.tapes, row, np.round(lengths, 2)) <= 0.01 * max(1.0, 0.5 / bed.tapes.strength)
    names = "".join(bed.peg_names for bed in beds if bed.row["home_id"] == "h-0017")
    assert len(set(names)) == len(names), "two pegs of one home go by one letter"


def test_a_third_corner_helps_where_two_see_too_little():
    # a garden off the corner of a house: each wall hides it from the other's far end
    house = shapely.box(0, 0, 10, 8)
    pegs = tapes.pegs_of(affinity.rotate(shapely.box(12, -6, 17, -2), 40), is_free=False)
    found = tapes.find_tapes(house, pegs, tapes.insides([house]))
    two_only = max(
        (
            candidate.strength
            for one, other in itertools.combinations(tapes.house_corners(house), 2)
            if (
                candidate := tapes.find_tapes(
                    shapely.LineString([one, other]).buffer(1e-9), pegs, tapes.insides([house])
                )
            )
        ),
        default=0.0,
    )
    assert found is not None
    assert found.strength >= two_only


def test_no_tapes_where_a_shed_hides_the_garden():
    house = shapely.box(0, 0, 10, 8)
    wall = shapely.box(-40, -3, 50, -2)
    pegs = tapes.pegs_of(shapely.box(2, -9, 8, -6), is_free=False)
    assert tapes.find_tapes(house, pegs, tapes.insides([house, wall])) is None
    assert tapes.find_tapes(house, pegs, tapes.insides([house])) is not None


def test_bends_of_a_wall_are_no_corners():
    bent = shapely.Polygon([(0, 0), (5, 0.05), (10, 0), (10, 8), (9.9, 8.1), (5, 8), (0, 8)])
    corners = {tuple(corner) for corner in tapes.house_corners(bent)}
    assert {(0.0, 0.0), (10.0, 0.0), (0.0, 8.0)} <= corners
    assert (5.0, 0.05) not in corners
    assert len(corners) == 4
    inner = {tuple(corner) for corner in tapes.house_corners(HOUSE)}
    assert (7.0, 8.0) not in inner, "a corner that points inwards is no place to hold a tape"


@given(seed=st.integers(0, 10_000))
def test_a_free_bed_has_few_pegs_and_nearly_its_area(seed):
    # as the search makes them: ground between setbacks, trimmed to what lies nearest to a downspout
    random = np.random.default_rng(seed)
    ground = affinity.rotate(shapely.box(-random.uniform(0.8, 3), -random.uniform(0.8, 3), 5, 5), random.uniform(0, 90))
    bed = ground.intersection(shapely.Point(0, 0).buffer(random.uniform(1.5, 3.0)))
    pegs = tapes.pegs_of(bed, is_free=True)
    assert 4 <= len(pegs) <= tapes.MOST_PEGS
    assert not shapely.LinearRing(pegs).is_ccw
    # a regular polygon of eight corners in a circle has 10 % less; cut ones lose no more
    assert shapely.Polygon(pegs).is_valid
    assert 0.86 <= shapely.Polygon(pegs).area / bed.area <= 1.02


def test_lengths_read_as_tapes_are_marked():
    assert tapes.tape_text(12.3449, is_us=False) == "12.34"
    # 12 ft 3 1/4 in, 11 ft 11 7/8 in rounds to 12 ft
    assert tapes.tape_text((12 * 12 + 3.25) * INCH_M, is_us=True) == "12′ 3¼″"
    assert tapes.tape_text((12 * 12 - 0.1) * INCH_M, is_us=True) == "12′ 0″"


# --- scales ---


@pytest.mark.parametrize(
    ("wide_m", "tall_m", "is_us", "expected"),
    [
        # 100 mm of paper for 40 m: 1 to 400 just fits; a little more takes the next scale
        (40.0, 10.0, False, 400.0),
        (40.1, 10.0, False, 500.0),
        (10.0, 30.0, False, 300.0),
        # 100 mm are 3.937 in: 78.74 ft at 20 ft to the inch are exactly 24 m
        (24.0, 1.0, True, 240.0),
        (24.1, 1.0, True, 300.0),
        (900.0, 1.0, False, 9000.0),
    ],
)
def test_scales_are_the_largest_round_ones_that_fit(wide_m, tall_m, is_us, expected):
    paper = 0.1 / view.POINT_M
    assert view.round_scale(wide_m, tall_m, paper, paper, is_us=is_us) == pytest.approx(expected)


def test_scales_are_said_as_people_say_them():
    assert view.scale_text(250.0, is_us=False) == "1 : 250"
    assert view.scale_text(240.0, is_us=True) == "1 in = 20 ft"


def test_a_large_lot_is_shown_around_its_garden():
    lot, garden = shapely.box(0, 0, 900, 300), shapely.box(100, 100, 106, 103)
    seen = view.choose_view(lot, [garden], [], 370.0, 340.0, is_us=False)
    assert not seen.is_whole
    assert seen.box.covers(garden)
    assert seen.scale <= 200
    small = view.choose_view(shapely.box(0, 0, 22, 40), [garden], [], 370.0, 340.0, is_us=False)
    assert small.is_whole


@pytest.mark.parametrize(("units", "unit_m"), [("metric", 1.0), ("us", FOOT_M)])
def test_scale_bar_and_plan_are_of_one_scale(result, tmp_path, monkeypatch, drawn, units, unit_m):
    boxes, areas = [], []
    box, rings = Pen.box, Pen.rings
    monkeypatch.setattr(
        Pen,
        "box",
        lambda self, x, y, wide, tall, **look: (boxes.append((wide, tall)), box(self, x, y, wide, tall, **look))[1],
    )
    monkeypatch.setattr(
        Pen,
        "rings",
        lambda self, shapes, **look: (areas.append((shapes, look.get("fill"))), rings(self, shapes, **look))[1],
    )
    book(result, tmp_path / "s.pdf", homes=["h-0018"], display_units=units)
    half, other = [wide for wide, tall in boxes if tall == 4.0][:2]
    assert half == other
    texts = [one[5] for one in drawn]
    sign = Units(units).sign("m")
    length = next(float(text.split()[0]) for text in texts if re.fullmatch(rf"(1|2|5)0*0? {sign}", text))
    points_per_m = 2 * half / (length * unit_m)
    # the scale that is written, in points of 1/72 inch
    written = next(text for text in texts if text.startswith(("1 :", "1 in =")))
    number = float(re.findall(r"= (\d+)|: (\d+)", written)[0][0 if units == "us" else 1])
    scale = number * 12 if units == "us" else number
    assert points_per_m == pytest.approx(1 / (scale * 0.0254 / 72), rel=1e-9)
    # and the garden of 8 by 4 m is drawn at that scale
    from screening import colours

    garden = next(shapes for shapes, fill in areas if fill == colours.GARDEN)
    sides = np.hypot(*np.diff(np.asarray(next(iter(garden))), axis=0).T)
    np.testing.assert_allclose(sorted(sides), np.array([4, 4, 8, 8]) * points_per_m, rtol=1e-4)


# --- materials, by hand ---


def test_levelling_is_a_wedge():
    # Rain Garden Handbook for Western Washington (2013): 10 ft across a 10 % slope are 12 in of cut at the uphill edge,
    # so 10 ft by 20 ft take half of 1 ft x 200 ft2.
    volume = materials.levelling_m3(200 * FOOT_M**2, 10 * FOOT_M, 10.0)
    assert volume == pytest.approx(100 * FOOT_M**3)


@pytest.mark.parametrize(
    ("area_ft2", "spacing_ft", "n_plants"),
    [
        # Alabama Extension, step 6: 100 ft2 at 2 ft take 25
        (100.0, 2.0, 25),
        # Clermont SWCD: 18-inch centres, area over 2.25: 225 / 2.25 = 100, 226 / 2.25 = 100.4
        (225.0, 1.5, 100),
        (226.0, 1.5, 101),
        (0.0, 1.5, 0),
    ],
)
def test_plants_in_a_square_grid(area_ft2, spacing_ft, n_plants):
    assert materials.plants_needed(area_ft2 * FOOT_M**2, spacing_ft * FOOT_M) == n_plants


def test_zones_of_a_rectangle():
    # 6 x 3 m, edge 0.3 m, sides 3 x 0.1 m: 5.4 x 2.4 inside the edge, 4.8 x 1.8 on the floor
    found = materials.zones(shapely.box(0, 0, 6, 3), 0.1, run_per_rise=0.0, berm_m=0.0)
    assert (found.edge_m2, found.side_m2, found.floor_m2) == pytest.approx((18 - 12.96, 12.96 - 8.64, 8.64))
    # what the run reckons with goes before what is assumed
    own = materials.zones(shapely.box(0, 0, 6, 3), 0.1, run_per_rise=2.0, berm_m=0.5)
    assert (own.edge_m2, own.side_m2, own.floor_m2) == pytest.approx((18 - 10, 10 - 4.6 * 1.6, 4.6 * 1.6))
    # a narrow deep bed has no level floor
    assert materials.zones(shapely.box(0, 0, 6, 1), 0.2, run_per_rise=0.0, berm_m=0.0).floor_m2 == 0.0


def test_materials_of_a_garden():
    found = materials.garden_materials(
        shapely.box(0, 0, 6, 3),
        storage_m3=1.8,
        depth_m=0.1,
        across_m=3.0,
        slope_pct=4.0,
        n_inlets=2,
        run_m=11.5,
        run_per_rise=0.0,
        berm_m=0.0,
    )
    assert found.level_m3 == pytest.approx(0.5 * 18 * 3 * 0.04)
    assert found.compost_m3 == pytest.approx(12.96 * 0.0508)
    assert found.mulch_m3 == pytest.approx(18 * 0.0762)
    assert found.dug_m3 == pytest.approx(1.8 + 1.08 + 12.96 * 0.0508 + 18 * 0.0762)
    # two inlets and one outlet, each 0.6 x 0.6 x 0.15 m
    assert found.stone_m3 == pytest.approx(3 * 0.054)
    # 18 in are 0.4572 m, a plant takes 0.20903 m2: 8.64 / .. = 41.3, 4.32 / .. = 20.7, 5.04 / .. = 24.1
    assert (found.n_floor, found.n_side, found.n_edge, found.n_plants) == (42, 21, 25, 88)
    assert found.n_wide == math.ceil(18 / 0.6096**2)
    assert found.weekly_m3 == pytest.approx(18 * 0.0254)
    both = materials.together([found, found])
    assert both.dug_m3 == pytest.approx(2 * found.dug_m3)
    assert (both.n_inlets, both.n_outlets, both.n_plants) == (4, 2, 176)


def test_bulk_is_written_as_it_is_ordered():
    us, metric, french = SheetUnits("us", ENGLISH), SheetUnits("metric", ENGLISH), SheetUnits("metric", LANGUAGES["fr"])
    assert blocks.bulk(27 * FOOT_M**3, us) == "1.0 yd³"
    assert blocks.bulk(26 * FOOT_M**3, us) == "26.0 ft³"
    assert blocks.bulk(1.26, metric) == "1.3 m³"
    assert blocks.bulk(0.054, metric) == "0.05 m³"
    assert blocks.bulk(1.26, french) == "1,3 m³"
    assert blocks.weekly(0.4178, metric) == "420 L"
    assert blocks.weekly(1.24, french) == "1\u00a0200 L"
    # 110.4 gallons
    assert blocks.weekly(0.4178, us) == "110 gal"
    assert blocks.thickness(materials.MULCH_DEPTH_M, us) == "3 in"
    assert blocks.thickness(materials.WIDE_SPACING_M, us) == "2 ft"
    assert french.rough_span(80.4, 1234.5, "m3/y") == "80,4–1\u00a0230 m³/an"
    assert french.show(None, "m") == LANGUAGES["fr"].missing


# --- the pages ---


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_page_a_home_with_everything_on_it(result, tmp_path, paper, units):
    made = book(result, tmp_path / "s.pdf", paper=paper, display_units=units)
    assert made.n_pages == 2
    assert made.notes == ()
    reader = pypdf.PdfReader(tmp_path / "s.pdf")
    assert [tuple(map(float, page.mediabox[2:])) for page in reader.pages] == [pytest.approx(PAPERS[paper])] * 2
    texts = page_texts(tmp_path / "s.pdf")
    for address, text in zip(("17 Alder Street", "19 Alder Street"), texts, strict=True):
        assert address in text
        assert squeezed(STANDING) in text
        for caution in CAUTIONS:
            assert squeezed(caution) in text
        for words in (
            ENGLISH.check_title,
            ENGLISH.materials_title,
            ENGLISH.upkeep_title,
            ENGLISH.why_title,
            ENGLISH.pegs_title,
            ENGLISH.sketch_title,
            *ENGLISH.soil_rows,
            *(line.split("☐")[0].strip() for line in ENGLISH.checks),
        ):
            assert squeezed(words) in text
        assert not re.search(r"\b(approved|suitable|guaranteed)\b", text, re.IGNORECASE)
        assert "{" not in text
        assert "None" not in text
        assert "nan" not in text.split()


def test_numbers_are_those_of_the_result(result, tmp_path):
    book(result, tmp_path / "s.pdf", homes=["h-0018"], display_units="metric")
    (text,) = page_texts(tmp_path / "s.pdf")
    home = made_up_result.layers()["candidate_homes"].iloc[1]
    units = Units("metric")
    assert units.rough(home.diverted_m3_y, "m3/y") in text
    assert SheetUnits("metric", ENGLISH).rough_span(home.diverted_low_m3_y, home.diverted_high_m3_y, "m3/y") in text
    garden = made_up_result.layers()["gardens"].set_index("garden_id").loc["h-0018-g1"]
    for value, unit in ((garden.area_m2, "m2"), (garden.storage_m3, "m3"), (garden.lot_line_dist_m, "m")):
        assert units.show(value, unit) in text
    assert "8.00 × 4.00 m" in text
    # the diagonal of 8 by 4 m
    assert "8.94 m" in text


def test_a_garden_that_is_dug_out_again(tmp_path):
    layers = made_up_result.layers()
    layers["gardens"]["dig_out_after_y"] = [9, None, 12]
    for column, values in (("year_5_frac", (0.94, 0.97, 0.96)), ("year_10_frac", (0.88, 0.93, 0.91))):
        layers["gardens"][column] = values
    book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf")
    text, other = page_texts(tmp_path / "s.pdf")
    assert "G1 after about 9 years, G2 not within 30 years" in text
    assert "94–97 % in year 5, 88–93 % in year 10" in text
    assert "G1 after about 12 years. Left undug they hold 96 % in year 5" in other


def test_the_document_names_itself_and_brings_its_fonts(result, tmp_path):
    book(result, tmp_path / "s.pdf")
    reader = pypdf.PdfReader(tmp_path / "s.pdf")
    assert reader.metadata.title == ENGLISH.document_title
    catalog = reader.trailer["/Root"]
    assert catalog["/Lang"] == "en"
    assert str(catalog["/ViewerPreferences"]["/DisplayDocTitle"]) == "True"
    assert [entry.title for entry in reader.outline] == ["1 · 17 Alder Street", "2 · 19 Alder Street"]
    fonts = {}
    for page in reader.pages:
        fonts |= page["/Resources"]["/Font"]
    assert fonts
    for font in fonts.values():
        assert "/FontFile2" in font.get_object()["/FontDescriptor"]
        assert "/ToUnicode" in font.get_object()


def test_same_result_same_bytes(result, tmp_path):
    for name in ("a.pdf", "b.pdf"):
        book(result, tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


ODD = [
    "<b>17</b> & <script>alert(1)</script> Alder Street",
    "שדרות רוטשילד 17",
    "شارع السلام ١٧",
    "17 Ünal Čapek-Straße, Ελλάδα, Москва",
    "17 Alder Street, " + "the house behind the house " * 12,
    "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft" * 3,
    "17 Alder\nStreet\t(back)\x07",
    None,
    "",
]


@pytest.mark.parametrize("address", ODD)
@pytest.mark.parametrize("paper", list(PAPERS))
def test_odd_addresses_stay_where_they_belong(tmp_path, drawn, address, paper):
    layers = made_up_result.layers()
    for name in ("candidate_homes", "streets"):
        layers[name]["street"] = [address or "x"] * len(layers[name])
    layers["candidate_homes"]["address"] = [address, "19 Alder Street"]
    made = book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf", homes=["h-0017"], paper=paper)
    assert made.notes == ()
    assert_nothing_collides(drawn, paper)
    (text,) = page_texts(tmp_path / "s.pdf")
    assert squeezed(CAUTIONS[0]) in text
    if not address:
        assert ENGLISH.no_address in text
    elif address.isascii() and len(address) < 60:
        assert squeezed(address.replace("\x07", "")) in text


def test_letters_that_no_font_has_are_squares_and_are_told(tmp_path):
    layers = made_up_result.layers()
    layers["candidate_homes"]["address"] = ["中山路 17 号", "19 Alder Street"]
    path = write(tmp_path / "r.gpkg", layers)
    made = book(path, tmp_path / "s.pdf")
    (note,) = made.notes
    assert "--font" in note
    assert "中" in note
    assert "□□□ 17 □" in page_texts(tmp_path / "s.pdf")[0]
    with pytest.raises(InputError, match=r"no TrueType font"):
        book(path, tmp_path / "s.pdf", font_file=path)


def test_scripts_from_right_to_left_are_set_and_read_in_their_order(tmp_path):
    # seen initial, lam with alef final, meem isolated (Unicode's Arabic presentation forms)
    assert join_arabic("سلام") == "\ufeb3\ufefc\ufee1"
    assert visual("سلام") == "\ufee1\ufefc\ufeb3"
    # digits keep their order in a line that runs backward, brackets turn with it
    assert visual("רחוב 17") == "17 בוחר"
    assert visual("בית (דירה 3)") == "(3 הריד) תיב"
    # Hebrew within a Latin line: only its own letters turn, brackets and the number after them stay
    assert visual("abc (אב) 12") == "abc (בא) 12"
    assert visual("17 Alder Street") == "17 Alder Street"
    layers = made_up_result.layers()
    layers["candidate_homes"]["address"] = ["רחוב 17", "19 Alder Street"]
    book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf", homes=["h-0017"])
    text = page_texts(tmp_path / "s.pdf")[0]
    assert "רחוב" in text or "בוחר" in text


def every_flag(layers):
    layers["candidate_homes"]["flags"] = ";".join(columns.FLAG_CODES)
    layers["candidate_homes"]["main_cause_code"] = "own_differences"
    layers["candidate_homes"]["rank_best"] = 1
    layers["candidate_homes"]["rank_worst"] = 123_456
    layers["candidate_homes"]["parcel_id"] = "PARCEL-0000-1111-2222-3333-4444-5555-6666-7777"
    layers["candidate_homes"]["district"] = "District of the upper and the lower brook and the meadows between them"
    layers["gardens"]["dig_out_after_y"] = [9, None, 12]
    layers["gardens"]["year_5_frac"] = [0.9, 0.8, 0.7]
    layers["gardens"]["year_10_frac"] = [0.5, 0.4, 0.3]
    return layers


@pytest.mark.parametrize("paper", list(PAPERS))
@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("home_id", ["h-0017", "h-0018"])
@pytest.mark.parametrize("language", list(LANGUAGES))
def test_nothing_lies_over_anything_else_on_the_fullest_page(tmp_path, drawn, paper, units, home_id, language):
    path = write(tmp_path / "r.gpkg", every_flag(made_up_result.layers()))
    book(path, tmp_path / "s.pdf", homes=[home_id], paper=paper, display_units=units, language=language)
    assert len(drawn) > 100
    assert_nothing_collides(drawn, paper)
    # what is the same on every sheet is never cut; the pointer to the rest of a list and pegs A B … are no cuts
    words = LANGUAGES[language]
    cut = [one[5] for one in drawn if one[5].endswith("…") and one[5] != words.legend["garden"]]
    assert all("meadows" not in text and text.startswith(words.rank.format(1, 2)[:4]) for text in cut), cut


@pytest.mark.parametrize("language", list(LANGUAGES))
def test_every_language_has_every_caution_on_every_page(result, tmp_path, language):
    book(result, tmp_path / "s.pdf", language=language)
    words = LANGUAGES[language]
    assert pypdf.PdfReader(tmp_path / "s.pdf").trailer["/Root"]["/Lang"] == language
    for text in page_texts(tmp_path / "s.pdf"):
        for caution in (*words.cautions, words.standing):
            assert squeezed(caution) in text


def test_placeholders_are_the_same_in_every_language():
    from dataclasses import fields

    def places(value):
        if isinstance(value, str):
            return sorted(re.findall(r"\{\w*\}", value))
        if isinstance(value, tuple):
            return [places(one) for one in value]
        return {key: places(one) for key, one in value.items()}

    for words in LANGUAGES.values():
        for field in fields(words):
            assert places(getattr(words, field.name)) == places(getattr(ENGLISH, field.name)), field.name


def test_the_check_for_collisions_finds_one():
    text = (100.0, 100.0, 50.0, 8.0, 0.0, "one")
    with pytest.raises(AssertionError):
        assert_nothing_collides([text, (120.0, 102.0, 50.0, 8.0, 0.0, "other")], "letter")
    with pytest.raises(AssertionError):
        assert_nothing_collides([(600.0, 100.0, 50.0, 8.0, 0.0, "outside")], "letter")
    assert_nothing_collides([text], "letter")


def test_numbers_that_were_not_computed_are_said_to_be_so(tmp_path, drawn):
    layers = made_up_result.layers()
    for name in ("candidate_homes", "gardens", "inlet_runs", "overflow_paths", "downspouts"):
        layer = columns.layer(name)
        optional = [column.name for column in layer.columns if not column.is_required and column.name != "rank"]
        keep = {"home_id", "garden_id", "downspout_id", "street"}
        for column in set(optional) - keep:
            layers[name][column] = None
    made = book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf", homes=["h-0017"], paper="letter")
    assert made.n_pages == 1
    (text,) = page_texts(tmp_path / "s.pdf")
    assert "not computed" in text
    assert "None" not in text
    assert_nothing_collides(drawn, "letter")


def test_a_lot_of_a_kilometre_and_many_downspouts(tmp_path, drawn):
    layers = made_up_result.layers()
    lot = made_up_result.place(shapely.MultiPolygon([shapely.box(-500, -30, 500, 400)]))
    layers["candidate_homes"].geometry = [lot, layers["candidate_homes"].geometry.iloc[1]]
    book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf", homes=["h-0017"], paper="letter", display_units="us")
    (text,) = page_texts(tmp_path / "s.pdf")
    assert ENGLISH.whole_lot in text
    assert_nothing_collides(drawn, "letter")


def test_a_lean_result_has_plans_without_houses_and_says_so(tmp_path):
    layers = {
        name: frame
        for name, frame in made_up_result.layers().items()
        if name not in {"buildings", "roof_parts", "open_ground"}
    }
    made = book(write(tmp_path / "r.gpkg", layers), tmp_path / "s.pdf")
    assert any("detail = full" in note for note in made.notes)
    assert squeezed(ENGLISH.no_house) in page_texts(tmp_path / "s.pdf")[0]


def test_walls_inside_the_outline_have_corners_of_their_own(tmp_path):
    path = write(tmp_path / "r.gpkg", **{"roof.overhang_m": 0.5})
    book(path, tmp_path / "s.pdf", homes=["h-0018"], display_units="metric")
    text = page_texts(tmp_path / "s.pdf")[0]
    assert squeezed(ENGLISH.pegs_wall_note.format("0.5 m")) in text
    assert "2.55 m from buildings" in text


# --- which homes ---


def ids(stops):
    return [stop.home_id for stop in stops]


def test_homes_come_by_rank_address_name_or_plan(result, tmp_path):
    layers = ResultLayers(result)
    assert ids(choose_stops(layers)) == ["h-0017", "h-0018"]
    assert ids(choose_stops(layers, homes=["0018", "h-0017"])) == ["h-0018", "h-0017"]
    assert ids(choose_stops(layers, first=1)) == ["h-0017"]
    assert ids(choose_stops(layers, streets=["ALDER  street"])) == ["h-0017", "h-0018"]
    plan = tmp_path / "plan.csv"
    plan.write_text("day,stop,home_id\n2,1,h-0017\n1,1,h-0018\n", encoding="utf-8")
    stops = choose_stops(layers, plan=plan)
    assert [(stop.home_id, stop.day, stop.number, stop.n_stops) for stop in stops] == [
        ("h-0018", "1", 1, 1),
        ("h-0017", "2", 1, 1),
    ]
    assert all(stop.is_planned for stop in stops)


def test_house_numbers_count_as_numbers(tmp_path):
    layers = made_up_result.layers()
    layers["candidate_homes"]["address"] = ["110 Alder Street", "9 Alder Street"]
    layers = ResultLayers(write(tmp_path / "r.gpkg", layers))
    assert ids(choose_stops(layers, by_address=True)) == ["h-0018", "h-0017"]
    assert ids(choose_stops(layers)) == ["h-0017", "h-0018"]


def test_a_plan_may_be_a_geopackage(result, tmp_path):
    plan = tmp_path / "plan.gpkg"
    with sqlite3.connect(plan) as connection:
        connection.execute("CREATE TABLE gpkg_contents (table_name TEXT)")
        connection.executemany("INSERT INTO gpkg_contents VALUES (?)", [("way",), ("visits",)])
        connection.execute("CREATE TABLE way (fid INTEGER PRIMARY KEY, day INTEGER)")
        connection.execute("CREATE TABLE visits (fid INTEGER PRIMARY KEY, home_id TEXT, day INTEGER, stop INTEGER)")
        connection.executemany("INSERT INTO visits VALUES (?, ?, ?, ?)", [(1, "h-0017", 1, 10), (2, "h-0018", 1, 9)])
    connection.close()
    assert ids(choose_stops(ResultLayers(result), plan=plan)) == ["h-0018", "h-0017"]


@pytest.mark.parametrize(
    ("options", "kind", "said"),
    [
        ({"homes": ["h-0071"]}, ParameterError, "the nearest names are h-0018, h-0017"),
        ({"homes": ["0016"]}, ParameterError, r"no candidate \(too_steep\)"),
        ({"streets": ["Alter Street"]}, ParameterError, "Alder Street"),
        ({"plan": "missing.csv"}, InputError, "there is no plan"),
        ({"plan": "other.csv"}, InputError, "made for another result"),
        ({"plan": "columns.csv"}, InputError, "no column home_id"),
        ({"plan": "empty.csv"}, InputError, "has no homes"),
        ({"plan": "broken.gpkg"}, InputError, "no readable GeoPackage"),
        ({"plan": "one.csv", "homes": ["h-0018"]}, ParameterError, "no candidate is left"),
    ],
)
def test_what_is_not_there_is_told_in_one_sentence(result, tmp_path, options, kind, said):
    (tmp_path / "other.csv").write_text("home_id\nh-9\n", encoding="utf-8")
    (tmp_path / "columns.csv").write_text("home\nh-0017\n", encoding="utf-8")
    (tmp_path / "empty.csv").write_text("home_id\n", encoding="utf-8")
    (tmp_path / "one.csv").write_text("home_id\nh-0017\n", encoding="utf-8")
    (tmp_path / "broken.gpkg").write_text("no database", encoding="utf-8")
    if "plan" in options:
        options = options | {"plan": tmp_path / options["plan"]}
    with pytest.raises(kind, match=said):
        choose_stops(ResultLayers(result), **options)


def test_a_result_without_candidates(tmp_path):
    layers = made_up_result.layers()
    layers = {name: frame if name == "other_parcels" else frame.iloc[:0] for name, frame in layers.items()}
    with pytest.raises(InputError, match="no candidates"):
        choose_stops(ResultLayers(write(tmp_path / "r.gpkg", layers)))


# --- the words ---


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_every_code_has_words(words):
    assert set(words.flags) | set(words.assumed_flags) == set(columns.FLAG_CODES)
    assert set(words.overflow_ends) == set(columns.END_CODES)
    assert set(words.causes) == set(columns.CAUSE_CODES)
    assert len(words.winds) == 8
    assert len(words.cautions) == len(CAUTIONS)


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_every_task_has_its_twelve_seasons(words):
    assert set(words.upkeep) == set(SEASONS)
    assert all(re.fullmatch(r"[x.]{4} [x.]{4} [x.]{4}", marks) for marks in SEASONS.values())
    assert len(words.seasons.split()) == 4


def test_a_line_that_is_too_long_is_cut_and_fits():
    letters = Letters()
    text, size = letters.fit("a long line that does not fit " * 3, 100.0, 10.0, least=8.0)
    assert text.endswith("…")
    assert size == 8.0
    assert letters.width(text, size) <= 100.01
    whole, size = letters.fit("short", 100.0, 10.0, least=8.0)
    assert (whole, size) == ("short", 10.0)
    lines = letters.wrap("words of a text " * 10 + "y" * 200, 80.0, 8.0)
    assert all(letters.width(line, 8.0, PLAIN) <= 80.01 for line in lines)
    assert "".join(lines).replace(" ", "") == ("wordsofatext" * 10 + "y" * 200)


# --- the command ---


def test_command_writes_and_says_what(result, tmp_path, runner):
    out = tmp_path / "sheets.pdf"
    done = runner.invoke(main, ["sheets", str(result), "-o", str(out), "--units", "us"])
    assert done.exit_code == 0, done.output
    assert "2 sheets on US Letter paper" in done.output
    assert STANDING in done.output
    assert FOR_STAFF in done.output
    assert len(pypdf.PdfReader(out).pages) == 2
    again = runner.invoke(main, ["sheets", str(result), "-o", str(out)])
    assert again.exit_code == 3
    assert "--overwrite" in again.output
    metric = runner.invoke(main, ["sheets", str(result), "-o", str(out), "--overwrite", "--units", "metric"])
    assert "A4" in metric.output


@pytest.mark.parametrize(
    ("arguments", "exit_code", "said"),
    [
        (["-o", "s.txt"], 2, ".pdf"),
        (["-o", "s.pdf", "--first", "0"], 2, "--first"),
        (["-o", "s.pdf", "--home", "nobody"], 2, "there is no home"),
        (["-o", "s.pdf", "--plan", "nowhere.csv"], 3, "there is no plan"),
    ],
)
def test_command_refuses_in_one_sentence(result, tmp_path, runner, monkeypatch, arguments, exit_code, said):
    monkeypatch.chdir(tmp_path)
    done = runner.invoke(main, ["sheets", str(result), *arguments])
    assert done.exit_code == exit_code
    assert said in done.output
    assert "Traceback" not in done.output
    assert list(tmp_path.iterdir()) == []


def test_a_file_of_another_program_is_refused(tmp_path, runner):
    path = tmp_path / "other.gpkg"
    path.write_text("something else", encoding="utf-8")
    done = runner.invoke(main, ["sheets", str(path), "-o", str(tmp_path / "s.pdf")])
    assert done.exit_code == 3
    assert "no readable GeoPackage" in done.output


@pytest.mark.slow
def test_a_thousand_pages_in_twenty_seconds(tmp_path):
    import geopandas as gpd
    import pandas as pd

    n_blocks = 500
    layers = {}
    for name, frame in made_up_result.layers().items():
        if name in {"streets", "districts", "merged_parcels"}:
            layers[name] = frame
            continue
        parts = []
        for number in range(n_blocks):
            part = frame.copy()
            for column in ("home_id", "garden_id", "downspout_id", "building_id", "parcel_id"):
                if column in part:
                    part[column] = [None if one is None else f"{one}-{number}" for one in part[column]]
            # identifiers of a home's things begin with the home's
            part.geometry = part.geometry.translate(100.0 * (number % 25), 120.0 * (number // 25))
            parts.append(part)
        layers[name] = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=frame.crs)
    layers["candidate_homes"]["rank"] = range(1, 2 * n_blocks + 1)
    path = write(tmp_path / "r.gpkg", layers)
    start = time.process_time()
    made = book(path, tmp_path / "s.pdf")
    assert made.n_pages == 1000
    assert time.process_time() - start < 20.0


def test_the_plan_reader_takes_a_spreadsheet_s_csv(result, tmp_path):
    plan = tmp_path / "plan.csv"
    with plan.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["home_id", "stop"])
        writer.writerows([["h-0017", 2], ["h-0018", 1], ["", 3]])
    assert ids(choose_stops(ResultLayers(result), plan=plan)) == ["h-0018", "h-0017"]
