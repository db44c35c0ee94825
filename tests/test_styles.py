"""The styles inside the GeoPackage: one for every layer, well-formed, complete, readable in grey."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import made_up_result
import pytest

from screening import colours, columns
from screening.write import write_package
from screening.write.layer_styles import sld
from screening.write.styles import Fill, Line, Mark, layer_style

SPATIAL = [layer.name for layer in columns.LAYERS if layer.geometry_type is not None]

SLD = "{http://www.opengis.net/sld}"
SE = "{http://www.opengis.net/se}"
OGC = "{http://www.opengis.net/ogc}"

# Children in the order of the schemas (OGC 05-077r4 and 05-078r4; from memory), of the elements that the styles use.
ORDER = {
    f"{SLD}StyledLayerDescriptor": [f"{SLD}NamedLayer"],
    f"{SLD}NamedLayer": [f"{SE}Name", f"{SE}Description", f"{SLD}UserStyle"],
    f"{SLD}UserStyle": [f"{SE}Name", f"{SE}Description", f"{SLD}IsDefault", f"{SE}FeatureTypeStyle"],
    f"{SE}Description": [f"{SE}Title", f"{SE}Abstract"],
    f"{SE}FeatureTypeStyle": [f"{SE}Name", f"{SE}Description", f"{SE}Rule"],
    f"{SE}Rule": [
        f"{SE}Name",
        f"{SE}Description",
        f"{OGC}Filter",
        f"{SE}MinScaleDenominator",
        f"{SE}MaxScaleDenominator",
        f"{SE}LineSymbolizer",
        f"{SE}PolygonSymbolizer",
        f"{SE}PointSymbolizer",
    ],
    f"{SE}PolygonSymbolizer": [f"{SE}Geometry", f"{SE}Fill", f"{SE}Stroke"],
    f"{SE}LineSymbolizer": [f"{SE}Geometry", f"{SE}Stroke"],
    f"{SE}PointSymbolizer": [f"{SE}Geometry", f"{SE}Graphic"],
    f"{SE}Graphic": [f"{SE}Mark", f"{SE}Opacity", f"{SE}Size", f"{SE}Rotation"],
    f"{SE}Mark": [f"{SE}WellKnownName", f"{SE}Fill", f"{SE}Stroke"],
    f"{SE}Fill": [f"{SE}SvgParameter"],
    f"{SE}Stroke": [f"{SE}SvgParameter"],
    f"{OGC}Filter": None,
}
PARAMETERS = {"fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "stroke-linejoin", "stroke-linecap"}
WELL_KNOWN = {"square", "circle", "triangle", "star", "cross", "x"}


@pytest.fixture(scope="module")
def styles(tmp_path_factory):
    """Rows of the styles table of the made-up result, by layer."""
    path = tmp_path_factory.mktemp("styles") / "a.gpkg"
    layers, record = made_up_result.layers(), made_up_result.record()
    write_package(path, layers, crs=made_up_result.CRS, record=record, overwrite=False)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return {row["f_table_name"]: row for row in connection.execute("SELECT * FROM layer_styles ORDER BY id")}


def test_every_spatial_layer_has_one_default_style(styles):
    assert list(styles) == SPATIAL
    for row in styles.values():
        assert row["useAsDefault"] == 1
        assert row["f_geometry_column"] == "geom"
        assert row["styleQML"] is None
        assert row["styleSLD"]


def matches(test, row):
    """Whether a row meets a test of a rule, as the filter language defines it (null meets no comparison)."""
    value = row.get(test.column)
    if test.is_null is not None:
        return (value is None) == test.is_null
    if value is None:
        return False
    if test.values:
        return str(value) in test.values
    return (test.at_most is None or value <= test.at_most) and (test.above is None or value > test.above)


def legend(name, row, n_rows=100):
    """Titles of the rules that draw a row."""
    return [rule.title for rule in layer_style(name, n_rows).rules if all(matches(test, row) for test in rule.tests)]


@pytest.mark.parametrize(
    ("name", "column", "codes"),
    [
        ("overflow_paths", "end_code", columns.END_CODES),
        ("buildings", "role_code", columns.ROLE_CODES),
        ("other_parcels", "reason_code", columns.REASON_CODES),
    ],
)
def test_every_code_is_drawn_by_one_rule(name, column, codes):
    for code in codes:
        assert len(legend(name, {column: code})) == 1, code


@pytest.mark.parametrize("n_rows", [1, 2, 9, 10, 11, 388])
def test_every_rank_is_drawn_by_one_rule(n_rows):
    titles = [legend("candidate_homes", {"rank": rank}, n_rows) for rank in range(1, n_rows + 1)]
    assert all(len(title) == 1 for title in titles)
    assert titles[0] == ["first tenth of the ranks"]
    n_first = sum(title == titles[0] for title in titles)
    assert n_first == -(-n_rows // 10)


def test_every_downspout_and_street_is_drawn_by_one_rule():
    assert legend("downspouts", {"garden_id": "g1"}) == ["water to a garden"]
    assert legend("downspouts", {"garden_id": None}) == ["not served"]
    assert legend("streets", {"n_candidates": 0}) == ["without"]
    assert legend("streets", {"n_candidates": 3}) == ["with candidates"]


@pytest.mark.parametrize("name", SPATIAL)
def test_styles_name_columns_that_are_there(name):
    root = ET.fromstring(sld(name, 10))  # noqa: S314 - our own text
    named = {element.text for element in root.iter(f"{OGC}PropertyName")}
    assert named <= set(columns.layer(name).column_names)
    tested = {test.column for rule in layer_style(name, 10).rules for test in rule.tests}
    assert named == tested


@pytest.mark.parametrize("name", SPATIAL)
def test_no_style_compares_a_switch(name):
    # One desktop GIS compares it as text when it draws and as a number when it counts: neither way draws a thing.
    switches = {column.name for column in columns.layer(name).columns if column.dtype == "bool"}
    assert switches.isdisjoint(test.column for rule in layer_style(name, 10).rules for test in rule.tests)


@pytest.mark.parametrize("name", SPATIAL)
def test_the_file_holds_well_formed_sld(styles, name):
    root = ET.fromstring(styles[name]["styleSLD"])  # noqa: S314 - our own text
    assert root.tag == f"{SLD}StyledLayerDescriptor"
    assert root.get("version") == "1.1.0"
    assert root.find(f"{SLD}NamedLayer/{SE}Name").text == name
    _check_order(root)
    for parameter in root.iter(f"{SE}SvgParameter"):
        assert parameter.get("name") in PARAMETERS
        assert parameter.text
    for mark in root.iter(f"{SE}WellKnownName"):
        assert mark.text in WELL_KNOWN
    kind = columns.layer(name).geometry_type
    symbolizer = {"Point": "Point", "LineString": "Line", "MultiLineString": "Line"}.get(kind, "Polygon")
    found = {element.tag for element in root.iter() if element.tag.endswith("Symbolizer")}
    assert found == {f"{SE}{symbolizer}Symbolizer"}


def _check_order(element):
    if element.tag not in ORDER:
        return
    wanted = ORDER[element.tag]
    if wanted is None:
        assert len(element) == 1
        return
    places = [wanted.index(child.tag) for child in element]
    assert places == sorted(places), element.tag
    for child in element:
        _check_order(child)


def test_the_way_out_of_the_docs_saves_every_style(styles, tmp_path):
    """What the page tells people to run whose program does not look at the column."""
    page = Path(__file__).resolve().parent.parent / "docs" / "how-to" / "in-a-desktop-gis.md"
    (code,) = re.findall(r"```python\n(.*?)```", page.read_text("utf-8"), flags=re.DOTALL)
    layers, record = made_up_result.layers(), made_up_result.record()
    write_package(tmp_path / "candidates.gpkg", layers, crs=made_up_result.CRS, record=record, overwrite=False)
    subprocess.run([sys.executable, "-W", "error", "-c", code], cwd=tmp_path, check=True)
    saved = {path.stem: path.read_text("utf-8") for path in tmp_path.glob("*.sld")}
    assert saved == {name: styles[name]["styleSLD"] for name in SPATIAL}
    assert all(row["styleQML"] is None for row in styles.values()), "the page says so"
    order = [name for name in re.findall(r"`(\w+)`", page.read_text("utf-8").split("## ")[0]) if name in SPATIAL]
    assert sorted(order) == sorted(SPATIAL)


def test_the_order_check_finds_a_misplaced_part():
    root = ET.fromstring(sld("gardens", 1))  # noqa: S314 - our own text
    rule = next(root.iter(f"{SE}Rule"))
    rule.append(rule[0])
    with pytest.raises(AssertionError):
        _check_order(root)


# --- readable in grey ---

BESIDE_EACH_OTHER = [
    ("LOT_BEST", "LOT_GOOD"),
    ("LOT_GOOD", "LOT_OTHER"),
    ("GARDEN", "OPEN_GROUND"),
    ("GARDEN", "GARDEN_LINE"),
    ("GARDEN", "PAPER"),
    ("HOUSE", "OTHER_BUILDING"),
    ("OTHER_BUILDING", "NEIGHBOUR_BUILDING"),
    ("NEIGHBOUR_BUILDING", "UNSCREENED_LOT"),
    ("REFUSED_LOT", "UNSCREENED_LOT"),
    ("HOUSE", "PAPER"),
    ("WATER", "GARDEN"),
    ("WATER", "OPEN_GROUND"),
    ("SETBACK", "OPEN_GROUND"),
]


@pytest.mark.parametrize(("one", "other"), BESIDE_EACH_OTHER)
def test_neighbouring_colours_differ_in_lightness(one, other):
    difference = abs(colours.lightness(getattr(colours, one)) - colours.lightness(getattr(colours, other)))
    assert difference > 0.12


def test_letters_stand_out():
    # Contrast of at least 4.5 : 1 for text, Web Content Accessibility Guidelines 2.1, 1.4.3 (from memory).
    for letters, ground in (("INK", "PAPER"), ("QUIET_INK", "PAPER"), ("INK", "GARDEN"), ("PAPER", "HOUSE")):
        dark, light = sorted(colours.lightness(getattr(colours, name)) for name in (letters, ground))
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (letters, ground)


def test_lightness_of_known_colours():
    # White 1, black 0; #777777 on white has a contrast of 4.48 (W3C, WCAG 2.1; from memory).
    assert colours.lightness("#ffffff") == pytest.approx(1.0)
    assert colours.lightness("#000000") == 0.0
    assert 1.05 / (colours.lightness("#777777") + 0.05) == pytest.approx(4.48, abs=0.005)


def test_a_worrying_overflow_differs_by_more_than_colour():
    calm, worrying = (rule.symbols[0] for rule in layer_style("overflow_paths", 1).rules)
    assert isinstance(calm, Line)
    assert isinstance(worrying, Line)
    assert calm.dash != worrying.dash
    assert worrying.width > calm.width


def test_served_and_unserved_downspouts_differ_by_more_than_hue():
    marks = [rule.symbols[0] for rule in layer_style("downspouts", 1).rules]
    assert all(isinstance(mark, Mark) for mark in marks)
    assert len({mark.shape for mark in marks}) == 2


def test_a_neighbours_outline_paints_over_nothing():
    # The house of one candidate stands in the layer again as a neighbour of the next.
    (neighbour,) = (
        rule for rule in layer_style("buildings", 1).rules if matches(rule.tests[0], {"role_code": "neighbour"})
    )
    assert all(symbol.colour is None for symbol in neighbour.symbols)


def test_lots_and_ground_let_through_what_lies_on_them():
    # A program may draw the layers in any order.
    for name in ("candidate_homes", "open_ground"):
        for rule in layer_style(name, 5).rules:
            for symbol in rule.symbols:
                assert isinstance(symbol, Fill)
                assert symbol.opacity < 1
    assert all(symbol.colour is None for rule in layer_style("roof_parts", 5).rules for symbol in rule.symbols)
