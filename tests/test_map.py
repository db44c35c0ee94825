"""The page of the map before a browser sees it: what it holds, that nothing leads out of it, and what it refuses."""

from __future__ import annotations

import base64
import csv
import gzip
import hashlib
import json
import logging
import re
import struct
from html.parser import HTMLParser
from pathlib import Path

import geopandas as gpd
import made_up_result
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import screening.report.map_page as page_module
from screening import colours, columns
from screening.cli.main import main
from screening.errors import InputError, ParameterError
from screening.report import map_data
from screening.report.map_data import read_map
from screening.report.map_pack import GRID_M, leb128, pack_shapes
from screening.report.map_page import map_page
from screening.report.map_plan import read_plan
from screening.report.map_words import MAP_WORDS
from screening.report.quantities import Units
from screening.write import styles, write_package

PARTS = Path(page_module.__file__).parent / "map_parts"
LIBRARY = PARTS / "leaflet"


def write(folder, layers=None, record=None, name="result.gpkg"):
    layers = made_up_result.layers() if layers is None else layers
    record = made_up_result.record() if record is None else record
    write_package(folder / name, layers, crs=made_up_result.CRS, record=record, overwrite=True)
    return folder / name


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return write(tmp_path_factory.mktemp("result"))


@pytest.fixture(scope="module")
def page(result):
    return map_page(read_map(result))


# --- outlines ---


def unfold(number):
    return -(number + 1) // 2 if number % 2 else number // 2


def numbers_in(data):
    """Read LEB128, one byte after the other."""
    value, place = 0, 0
    for byte in data:
        value |= (byte & 127) << place
        place += 7
        if byte < 128:
            yield value
            value, place = 0, 0
    assert place == 0


def unpack(data, n_shapes, n_rings):
    """Rings of each shape as lists of whole centimetres, by the description in `map_pack`."""
    numbers = numbers_in(data)
    rings = [next(numbers) for _ in range(n_shapes)]
    points = [next(numbers) for _ in range(n_rings)]
    shapes, ring, begin = [], 0, (0, 0)
    for n in rings:
        found = []
        for k in range(n):
            at, line = begin, []
            for p in range(points[ring + k]):
                at = (at[0] + unfold(next(numbers)), at[1] + unfold(next(numbers)))
                begin = at if p == 0 else begin
                line.append(at)
            found.append(line)
        ring += n
        shapes.append(found)
    assert list(numbers) == []
    return shapes


def packed_and_back(geometry, origin=(0.0, 0.0), **options):
    packed = pack_shapes(np.array(geometry, dtype=object), origin, **options)
    return unpack(packed.data, packed.n_shapes, packed.n_rings), packed


@given(st.lists(st.integers(0, 2**35 - 1), max_size=50))
def test_whole_numbers_come_back_from_their_bytes(numbers):
    assert list(numbers_in(leb128(np.array(numbers, dtype=np.int64)))) == numbers


@pytest.mark.parametrize("number", [-1, 2**35])
def test_numbers_that_do_not_fit_are_refused(number):
    with pytest.raises(ValueError, match="too large"):
        leb128(np.array([number]))


@given(st.lists(st.tuples(st.floats(-5e4, 5e4), st.floats(-5e4, 5e4)), min_size=1, max_size=8))
def test_points_come_back_to_the_centimetre(points):
    (*shapes,), packed = packed_and_back([shapely.Point(xy) for xy in points], (12.0, -7.0))
    for xy, ((back,),) in zip(points, shapes, strict=True):
        assert np.allclose(np.array(back) * GRID_M + (12.0, -7.0), xy, atol=GRID_M / 2 + 1e-9)
    assert packed.n_points == len(points)


def test_outlines_come_back_with_parts_holes_and_gaps():
    ring = [(0, 0), (0, 10), (10, 10), (10, 0)]
    hole = [(2, 2), (4, 2), (4, 4), (2, 4)]
    other = shapely.box(20.004, 0, 21, 1.5)
    geometry = [shapely.Polygon(ring, [hole]), None, shapely.MultiPolygon([shapely.box(0, 0, 1, 1), other])]
    (first, gap, third), packed = packed_and_back(geometry)
    assert gap == []
    assert [len(shape) for shape in (first, third)] == [2, 2]
    assert packed.n_rings == 4
    # the outer ring counterclockwise, the hole clockwise, so that a fill by winding leaves the hole out
    assert shapely.LinearRing(first[0]).is_ccw
    assert not shapely.LinearRing(first[1]).is_ccw
    back = shapely.Polygon(first[0], [first[1]])
    assert back.equals(shapely.transform(geometry[0], lambda xy: xy * 100))
    assert set(third[1]) == {(2000, 0), (2100, 0), (2100, 150), (2000, 150)}


def test_lines_keep_their_direction_and_points_on_one_spot_count_once():
    ((run,), (spot,)), _ = packed_and_back(
        [shapely.LineString([(3, 3), (3.001, 3.001), (1, 2)]), shapely.LineString([(5, 5), (5.001, 5)])]
    )
    assert run == [(300, 300), (100, 200)]
    assert spot == [(500, 500)]


def test_nothing_to_pack_is_nothing():
    for geometry in ([], [None, None]):
        shapes, packed = packed_and_back(geometry)
        assert shapes == [[] for _ in geometry]
        assert packed.n_points == 0


def test_open_ground_is_simplified_by_no_more_than_said():
    disc = shapely.Point(0, 0).buffer(8, quad_segs=64)
    (((ring),),), packed = packed_and_back([disc], tolerance_m=map_data.TOLERANCE_M)
    back = shapely.Polygon(np.array(ring) * GRID_M)
    assert shapely.hausdorff_distance(back.exterior, disc.exterior) <= map_data.TOLERANCE_M + GRID_M
    assert packed.n_points < 60


# --- what the page holds ---


def column(head, table, name):
    found = head["tables"][table][name]
    if isinstance(found, dict):
        return [None if row < 0 else found["values"][row] for row in found["rows"]]
    return found


@pytest.mark.parametrize("display", ["metric", "us"])
def test_numbers_are_those_of_the_result_in_the_units_asked_for(result, display):
    data = read_map(result, display_units=display)
    homes, gardens = (made_up_result.layers()[name] for name in ("candidate_homes", "gardens"))
    units = Units(display)
    for table, frame, name, source, unit in (
        ("candidate_homes", homes, "volume", "diverted_m3_y", "m3/y"),
        ("candidate_homes", homes, "low", "diverted_low_m3_y", "m3/y"),
        ("candidate_homes", homes, "lot", "parcel_area_m2", "m2"),
        ("gardens", gardens, "own", "own_building_dist_m", "m"),
        ("gardens", gardens, "depth", "ponding_depth_mm", "mm"),
    ):
        shown = column(data.head, table, name)
        decimals = data.head["units"][unit][1]
        assert [f"{value:,.{decimals}f}" for value in shown] == [units.number(value, unit) for value in frame[source]]
    assert column(data.head, "candidate_homes", "confidence") == [
        round(100 * value) for value in homes["confidence_frac"]
    ]
    assert data.head["units"]["m3/y"][0] == {"metric": "m³/y", "us": "gal/y"}[display]
    assert data.head["rules"]["gap_m"] == made_up_result.FOUNDATION_M
    assert data.head["rules"]["texts"]["gap"] == units.limit(made_up_result.FOUNDATION_M, "m")


def test_rows_know_what_they_belong_to(result):
    head = read_map(result).head
    layers = made_up_result.layers()
    names = layers["candidate_homes"]["home_id"].tolist()
    for layer in ("gardens", "downspouts", "inlet_runs", "overflow_paths", "roof_parts", "open_ground"):
        assert [names[row] for row in head["tables"][layer]["home"]] == layers[layer]["home_id"].tolist()
    beds = layers["gardens"]["garden_id"].tolist()
    served = [beds[row] if row >= 0 else None for row in head["tables"]["downspouts"]["garden"]]
    assert served == [None if pd.isna(name) else name for name in layers["downspouts"]["garden_id"]]
    assert None in served
    is_served = dict(zip(layers["downspouts"]["downspout_id"], (name is not None for name in served), strict=True))
    expected = [int(is_served[name]) for name in layers["roof_parts"]["downspout_id"]]
    assert head["tables"]["roof_parts"]["served"] == expected
    # the address of another parcel leads to its street
    assert head["streets"]["of_others"] == [0, -1, -1, -1]


def test_a_building_is_there_once_and_as_the_house_it_is(result):
    data = read_map(result)
    outlines = made_up_result.layers()["buildings"].geometry.to_wkb()
    houses = data.head["tables"]["buildings"]["house_of"]
    assert len(houses) == outlines.nunique() < len(outlines)
    assert sorted(home for home in houses if home >= 0) == [0, 1]


def test_the_box_cuts_lots_and_what_belongs_to_them(result):
    layers = made_up_result.layers()
    second = layers["candidate_homes"].geometry.iloc[1]
    spot = second.representative_point()
    data = read_map(result, bounds_m=spot.buffer(0.5).bounds)
    assert column(data.head, "candidate_homes", "id") == ["h-0018"]
    assert data.n_others == 0
    assert set(data.head["tables"]["gardens"]["home"]) == {0}
    assert column(data.head, "gardens", "id") == ["h-0018-g1"]
    assert data.head["n_ranked"] == 2
    with pytest.raises(ParameterError, match="no parcel"):
        read_map(result, bounds_m=(0.0, 0.0, 1.0, 1.0))


def test_rows_of_homes_that_were_deleted_are_left_out_with_a_word(tmp_path, caplog):
    layers = made_up_result.layers()
    layers["candidate_homes"] = layers["candidate_homes"].iloc[[0]]
    path = write(tmp_path, layers)
    with caplog.at_level(logging.WARNING):
        data = read_map(path)
    assert "gardens" in caplog.text
    assert {home for name in ("gardens", "downspouts", "roof_parts") for home in data.head["tables"][name]["home"]} == {
        0
    }
    map_page(data)


def test_a_large_page_is_told(result, caplog, monkeypatch):
    monkeypatch.setattr(map_data, "MANY_PARCELS", 5)
    with caplog.at_level(logging.WARNING):
        read_map(result)
    assert "6 parcels" in caplog.text
    assert "--bbox" in caplog.text


def test_what_was_not_looked_at_has_its_own_sign_on_the_page_and_in_the_map_style(page):
    head, _ = data_of(page)
    refused, unscreened = (set(rule.tests[0].values) for rule in styles.layer_style("other_parcels", 0).rules)
    assert set(head["not_screened"]) == unscreened
    assert {"tile_failed", "soil_unknown"} <= unscreened
    assert refused | unscreened == set(columns.REASON_CODES)
    assert not refused & unscreened


# --- nothing leads out, nothing gets in ---


class Elements(HTMLParser):
    """Elements with their attributes and the texts inside."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.found = []
        self.is_inside = False
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs), ""))
        self.is_inside = True

    def handle_endtag(self, tag):  # noqa: ARG002 - signature of the parser
        self.is_inside = False

    def handle_data(self, data):
        if self.is_inside:
            tag, attributes, text = self.found[-1]
            self.found[-1] = (tag, attributes, text + data)

    def of(self, tag):
        return [(attributes, text) for name, attributes, text in self.found if name == tag]


def data_of(page):
    (text,) = [text for attributes, text in Elements(page).of("script") if attributes.get("id") == "data"]
    raw = gzip.decompress(base64.b64decode(text))
    (length,) = struct.unpack("<I", raw[:4])
    return json.loads(raw[4 : 4 + length]), raw[4 + length :]


def test_the_page_names_no_file_and_no_address_to_load(page):
    for tag, attributes, _ in Elements(page).found:
        assert "src" not in attributes
        assert "style" not in attributes
        assert not any(name.startswith("on") for name in attributes)
        assert attributes.get("href", "#").startswith(("#", "data:,")), tag
    (style,) = [text for _, text in Elements(page).of("style")]
    assert "url(" not in style
    assert "@import" not in style
    assert "sourceMappingURL" not in page
    # the library's own files do name some, or this test would look for nothing
    assert "url(" in (LIBRARY / "leaflet.css").read_text("utf-8")
    assert "sourceMappingURL" in (LIBRARY / "leaflet.js").read_text("utf-8")


def test_the_policy_lets_only_the_pages_own_scripts_and_style_run(page):
    elements = Elements(page)
    (policy,) = [a["content"] for a, _ in elements.of("meta") if a.get("http-equiv") == "Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert "unsafe" not in policy
    assert "http" not in policy

    def digest(text):
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    scripts = [text for attributes, text in elements.of("script") if attributes.get("id") != "data"]
    assert len(scripts) == 2
    assert set(rules["script-src"].split()) == {digest(text) for text in scripts}
    ((_, style),) = elements.of("style")
    assert rules["style-src"] == digest(style)


HOSTILE = "</script><script>alert(1)</script>\"'&<!-- {{data}} {{w_title}} \u2028"


def test_texts_of_a_result_stand_in_the_page_only_packed(tmp_path, page):
    layers = made_up_result.layers()
    for frame in (layers["candidate_homes"], layers["other_parcels"], layers["merged_parcels"]):
        for name in frame.columns.intersection(["address", "street", "parcel_id", "kept_parcel_id", "reason_text"]):
            frame[name] = HOSTILE
    made = map_page(read_map(write(tmp_path, layers, name="<b>&.gpkg")))
    assert "alert(1)" not in made
    assert "<b>" not in made
    assert [tag for tag, _, _ in Elements(made).found] == [tag for tag, _, _ in Elements(page).found]
    head, _ = data_of(made)
    assert column(head, "candidate_homes", "address") == [HOSTILE, HOSTILE]
    assert head["file"] == "<b>&.gpkg"


def test_the_same_result_gives_the_same_bytes(result, page):
    assert map_page(read_map(result)) == page


def test_the_licence_of_the_library_is_in_the_page_and_its_files_are_unchanged(page):
    text = (LIBRARY / "LICENSE").read_text("utf-8")
    assert "BSD 2-Clause" in text
    assert text.strip() in " ".join(text for _, text in Elements(page).of("pre"))
    notes = (LIBRARY / "README.md").read_text("utf-8")
    for name in ("leaflet.js", "leaflet.css", "LICENSE"):
        digest = hashlib.sha256((LIBRARY / name).read_bytes()).hexdigest()
        assert f"| `{name}` | `{digest}` |" in notes
    axe = Path(__file__).parent / "data" / "axe-core"
    assert hashlib.sha256((axe / "axe.min.js").read_bytes()).hexdigest() in (axe / "README.md").read_text("utf-8")


def test_every_word_of_the_page_is_in_one_place_and_every_one_is_used():
    script = "\n".join(path.read_text("utf-8") for path in sorted(PARTS.glob("*.js")))
    html = (PARTS / "page.html").read_text("utf-8")
    named = set(re.findall(r"\{\{w_(\w+)\}\}", html))
    assert named <= set(MAP_WORDS)
    quoted = set(re.findall(r'"(\w+)"', script))
    assert set(re.findall(r'say\("(\w+)"', script)) <= set(MAP_WORDS)
    assert set(MAP_WORDS) - named - quoted == set()
    # between the tags of the page stands nothing but words to be put in, and signs
    visible = re.sub(r"<[^>]*>|\{\{\w+\}\}|&\w+;", " ", html)
    assert not re.search(r"[A-Za-z]{2,}", visible), visible.split()


def test_every_script_and_style_is_in_the_page(page):
    assert {path.name for path in PARTS.glob("*.js")} == set(page_module._SCRIPTS)
    for path in [*PARTS.glob("*.js"), *PARTS.glob("*.css")]:
        assert path.read_text("utf-8").strip() in page
    assert "{{" not in re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)


def contrast(one, other):
    """Contrast ratio of WCAG 2.1 (from memory): 4.5 is asked for texts."""
    light, dark = sorted((colours.lightness(one), colours.lightness(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        (colours.INK, colours.PAPER),
        (colours.INK, colours.GARDEN),
        (colours.INK, colours.LOT_OTHER),
        (colours.INK, colours.UNSCREENED_LOT),
        (colours.QUIET_INK, colours.PAPER),
        (colours.PAPER, colours.LOT_BEST),
        (colours.PAPER, colours.LOT_LINE),
        (colours.PAPER, colours.INK),
        (colours.WATER, colours.PAPER),
        (colours.WATER, colours.LOT_OTHER),
        (colours.WATER_WARNING, colours.PAPER),
    ],
)
def test_texts_stand_out_from_their_ground(ink, ground):
    assert contrast(ink, ground) >= 4.5


# --- plans ---

VISITS = [{"home_id": "h-0018", "day": 1, "stop": 1}, {"home_id": "h-0017", "day": 2, "stop": 1}]


def write_plan(folder, kind, visits=VISITS, crs=made_up_result.CRS):
    path = folder / f"plan.{kind}"
    if kind == "csv":
        with path.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, ["day", "stop", "home_id"])
            writer.writeheader()
            writer.writerows(visits)
    elif kind == "json":
        days = {visit["day"] for visit in visits}
        walks = [
            {
                "day": day,
                "visits": [{k: v for k, v in one.items() if k != "day"} for one in visits if one["day"] == day],
            }
            for day in sorted(days)
        ]
        path.write_text(json.dumps({"walks": walks}), encoding="utf-8")
    else:
        lots = made_up_result.layers()["candidate_homes"].set_index("home_id").geometry.centroid
        points = [lots.get(visit["home_id"]) for visit in visits]
        way = gpd.GeoDataFrame({"day": [1]}, geometry=[shapely.LineString(points)], crs=crs)
        pyogrio.write_dataframe(way, path, layer="walk")
        pyogrio.write_dataframe(gpd.GeoDataFrame(visits, geometry=points, crs=crs), path, layer="visits", append=True)
    return path


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("kind", ["json", "gpkg"])
def test_the_sentences_of_a_plan_come_along(runner, result, tmp_path, kind, units):
    path = tmp_path / f"plan.{kind}"
    options = ["--json"] if kind == "json" else ["-o", str(path), "--units", units]
    done = runner.invoke(main, ["streets", str(result), "--visits", "1", "--side-visits", "1", *options])
    assert done.exit_code == 0, done.output
    if kind == "json":
        path.write_text(done.stdout, encoding="utf-8")
    head = read_map(result, plan=read_plan(path)).head
    ((name, is_chosen, text),) = head["plan"]["sides"]
    assert is_chosen
    assert text.startswith("in: ")
    assert head["plan"]["home_sides"] == [name]
    if kind == "gpkg":
        assert ("gal/y" in text) == (units == "us")


@pytest.mark.parametrize("kind", ["csv", "json", "gpkg"])
def test_a_plan_is_read_from_each_kind_of_file(result, tmp_path, kind):
    plan = read_plan(write_plan(tmp_path, kind), crs_wkt=made_up_result.CRS.to_wkt())
    assert (plan.homes, plan.days, plan.stops) == (("h-0018", "h-0017"), ("1", "2"), ("1", "1"))
    head = read_map(result, plan=plan).head
    assert head["plan"]["homes"] == [1, 0]
    assert head["plan"]["days"] == ["1", "2"]
    assert ("ways" in head["shapes"]) == (kind == "gpkg")


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("plan.csv", "street,visits\nAlder Street,4\n", "names no homes"),
        ("plan.csv", None, "there is no plan"),
        ("plan.xlsx", "x", "must be a .csv, .json or .gpkg"),
        ("plan.json", "{", "no readable JSON"),
        ("plan.gpkg", "no database", "no readable GeoPackage"),
    ],
)
def test_a_plan_that_is_none_is_refused_in_a_sentence(tmp_path, name, text, words):
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_plan(tmp_path / name)


def test_a_plan_of_another_result_is_refused(result, tmp_path):
    plan = read_plan(write_plan(tmp_path, "csv", [*VISITS, {"home_id": "elsewhere", "day": 1, "stop": 2}]))
    with pytest.raises(InputError, match=r"another result: 1 of its homes .* elsewhere"):
        read_map(result, plan=plan)
    with pytest.raises(InputError, match="another coordinate system"):
        read_plan(write_plan(tmp_path, "gpkg", crs="EPSG:26916"), crs_wkt=made_up_result.CRS.to_wkt())


def test_homes_of_the_plan_outside_the_box_stay_away(result, tmp_path):
    spot = made_up_result.layers()["candidate_homes"].geometry.iloc[1].representative_point()
    data = read_map(result, plan=read_plan(write_plan(tmp_path, "csv")), bounds_m=spot.buffer(0.5).bounds)
    assert data.head["plan"]["homes"] == [0]
    assert data.head["plan"]["days"] == ["1"]


# --- the command ---


def test_the_command_writes_one_file_and_says_what_is_in_it(runner, result, tmp_path):
    target = tmp_path / "map.html"
    done = runner.invoke(main, ["map", str(result), "-o", str(target)])
    assert done.exit_code == 0, done.output
    assert "2 candidates, 4 other parcels" in done.output
    assert "for the staff" in done.output
    assert [path.name for path in tmp_path.iterdir()] == ["map.html"]
    head, shapes = data_of(target.read_text("utf-8"))
    assert len(shapes) > 100
    assert head["n_ranked"] == 2


def test_an_earlier_page_is_kept_unless_told(runner, result, tmp_path):
    target = tmp_path / "map.html"
    target.write_text("mine", encoding="utf-8")
    refused = runner.invoke(main, ["map", str(result), "-o", str(target)])
    assert refused.exit_code == 3
    assert "--overwrite" in refused.output
    assert target.read_text("utf-8") == "mine"
    assert runner.invoke(main, ["map", str(result), "-o", str(target), "--overwrite"]).exit_code == 0
    assert target.read_text("utf-8").startswith("<!DOCTYPE html>")


@pytest.mark.parametrize(
    ("source", "target", "code", "words"),
    [
        ("result.gpkg", "map.pdf", 2, ".html"),
        ("result.gpkg", "nowhere/map.html", 2, "doesn't exist"),
        ("missing.gpkg", "map.html", 3, "there is no file"),
        ("text.gpkg", "map.html", 3, "no readable GeoPackage"),
        ("parcels.gpkg", "map.html", 3, "no result of a run"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(runner, tmp_path, source, target, code, words):
    write(tmp_path)
    (tmp_path / "text.gpkg").write_text("a,b\n", encoding="utf-8")
    lots = made_up_result.layers()["candidate_homes"]
    pyogrio.write_dataframe(lots, tmp_path / "parcels.gpkg", layer="parcels")
    done = runner.invoke(main, ["map", str(tmp_path / source), "-o", str(tmp_path / target)])
    assert done.exit_code == code
    assert words in done.output
    assert done.output.count("\n") == 1
    assert not (tmp_path / "map.html").exists()


def test_a_result_of_another_version_is_told_by_its_missing_column(runner, tmp_path):
    path = write(tmp_path)
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("ALTER TABLE gardens RENAME COLUMN ponding_depth_mm TO depth_mm")
    done = runner.invoke(main, ["map", str(path), "-o", str(tmp_path / "map.html")])
    assert done.exit_code == 3
    assert "ponding_depth_mm" in done.output
