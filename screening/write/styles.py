"""How a desktop GIS draws each layer: OGC styles (SLD 1.1 with Symbology Encoding) in a table of the GeoPackage.

Each style is a few rules over codes of the layer, so that a legend reads in plain words. Light and dark carry the
meaning as much as hue does: the layers stay apart in a grey print and for colour-blind readers.

References
----------
.. [1] OGC 05-078r4, Styled Layer Descriptor profile of the Web Map Service 1.1.0.
.. [2] OGC 05-077r4, Symbology Encoding 1.1.0.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from screening import colours
from screening.columns import END_CODES, LAYERS, REASON_CODES

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping

_SLD: Final = "http://www.opengis.net/sld"
_SE: Final = "http://www.opengis.net/se"
_OGC: Final = "http://www.opengis.net/ogc"
for _prefix, _uri in (("sld", _SLD), ("se", _SE), ("ogc", _OGC)):
    ET.register_namespace(_prefix, _uri)

# A parcel with one of these reasons was never a question of room for a garden.
NOT_SCREENED: Final = ("not_residential", "no_building", "building_too_small", "bad_geometry", "outside_elevation")

# Details of a lot are drawn from about this scale on; farther out they would only make the map black.
_NEAR: Final = 7_500


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """Symbol of an area: a fill (None: hollow), and an outline."""

    colour: str | None
    line: str
    width: float = 0.8
    opacity: float = 1.0
    dash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Symbol of a line. Dash as lengths of stroke and gap, in pixels."""

    colour: str
    width: float
    dash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Symbol of a point, one of the well-known marks of Symbology Encoding."""

    shape: str
    colour: str
    line: str
    size: float


Symbol = Fill | Line | Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """Condition on a column: one of some values, above a number, null, or not null."""

    column: str
    values: tuple[str, ...] = ()
    at_most: float | None = None
    above: float | None = None
    is_null: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One line of the legend: its words, which rows it holds for (all tests together), what is drawn."""

    title: str
    symbols: tuple[Symbol, ...]
    tests: tuple[Test, ...] = ()
    nearer_than: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """The look of one layer."""

    title: str
    rules: tuple[Rule, ...] = field(default=())


def layer_style(name: str, n_rows: int) -> Style:
    """Return the style of a layer.

    Parameters
    ----------
    name : str
        A layer that has a geometry.
    n_rows : int
        Its rows; candidates are coloured by which part of the ranks they stand in.

    Returns
    -------
    Style
        Title and rules.
    """
    if name == "candidate_homes":
        return _candidates(n_rows)
    return _STYLES[name]


def _candidates(n_rows: int) -> Style:
    """Lots in three steps of rank: the first tenth, the rest of the first half, the others.

    They let through what lies on them, for a program may draw the layers in any order.
    """
    tenth, half = -(-n_rows // 10), -(-n_rows // 2)
    steps = (
        ("first tenth", (Test(column="rank", at_most=tenth),), colours.LOT_BEST),
        ("first half", (Test(column="rank", above=tenth), Test(column="rank", at_most=half)), colours.LOT_GOOD),
        ("second half", (Test(column="rank", above=half),), colours.LOT_OTHER),
    )
    rules = tuple(
        Rule(
            title=f"{title} of the ranks",
            tests=tests,
            symbols=(Fill(colour=colour, line=colours.LOT_LINE, opacity=0.55),),
        )
        for title, tests, colour in steps
    )
    return Style(title="Candidate homes, by rank", rules=rules)


def _codes(column: str, *values: str) -> tuple[Test, ...]:
    return (Test(column=column, values=values),)


_STYLES: Final[Mapping[str, Style]] = {
    "gardens": Style(
        title="Candidate gardens",
        rules=(
            Rule(
                title="candidate garden",
                symbols=(Fill(colour=colours.GARDEN, line=colours.GARDEN_LINE, width=1.4),),
            ),
        ),
    ),
    "downspouts": Style(
        title="Downspouts",
        rules=(
            Rule(
                title="measured, water to a garden",
                tests=(*_codes("is_measured", "true"), Test(column="garden_id", is_null=False)),
                symbols=(Mark(shape="circle", colour=colours.WATER, line=colours.PAPER, size=8),),
                nearer_than=_NEAR,
            ),
            Rule(
                title="assumed, water to a garden",
                tests=(*_codes("is_measured", "false"), Test(column="garden_id", is_null=False)),
                symbols=(Mark(shape="circle", colour=colours.PAPER, line=colours.WATER, size=8),),
                nearer_than=_NEAR,
            ),
            Rule(
                title="not served",
                tests=(Test(column="garden_id", is_null=True),),
                symbols=(Mark(shape="x", colour=colours.INK, line=colours.INK, size=6),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "inlet_runs": Style(
        title="Water's way to the garden",
        rules=(
            Rule(
                title="downspout to garden",
                symbols=(Line(colour=colours.PAPER, width=4), Line(colour=colours.WATER, width=2)),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "overflow_paths": Style(
        title="Overflow's way",
        rules=(
            Rule(
                title="to the street, a drain or the own ground",
                tests=_codes("end_code", *(code for code in END_CODES if code not in colours.WARNING_ENDS)),
                symbols=(Line(colour=colours.WATER, width=1.6, dash="7 4"),),
                nearer_than=_NEAR,
            ),
            Rule(
                title="to a neighbour or a building: look on the visit",
                tests=_codes("end_code", *colours.WARNING_ENDS),
                symbols=(Line(colour=colours.WATER_WARNING, width=2.6, dash="2 3"),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "buildings": Style(
        title="Buildings",
        rules=(
            Rule(
                title="house of the lot",
                tests=_codes("role_code", "principal"),
                symbols=(Fill(colour=colours.HOUSE, line=colours.BUILDING_LINE),),
            ),
            Rule(
                title="other building of the lot",
                tests=_codes("role_code", "other"),
                symbols=(Fill(colour=colours.OTHER_BUILDING, line=colours.BUILDING_LINE),),
            ),
            Rule(
                title="building of a neighbour",
                tests=_codes("role_code", "neighbour"),
                symbols=(Fill(colour=colours.NEIGHBOUR_BUILDING, line=colours.BUILDING_LINE, width=0.4),),
            ),
        ),
    ),
    "roof_parts": Style(
        title="Roof parts",
        rules=(
            Rule(
                title="part that drains to one downspout",
                symbols=(Fill(colour=None, line=colours.PAPER, width=1.2),),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "open_ground": Style(
        title="Open ground",
        rules=(
            Rule(
                title="the distances allow a garden",
                symbols=(
                    Fill(colour=colours.OPEN_GROUND, line=colours.OPEN_GROUND_LINE, width=0.6, opacity=0.7, dash="3 2"),
                ),
                nearer_than=_NEAR,
            ),
        ),
    ),
    "other_parcels": Style(
        title="Other parcels",
        rules=(
            Rule(
                title="no garden fits",
                tests=_codes("reason_code", *(code for code in REASON_CODES if code not in NOT_SCREENED)),
                symbols=(Fill(colour=colours.REFUSED_LOT, line=colours.REFUSED_LINE, width=0.5),),
            ),
            Rule(
                title="no home, or not screened",
                tests=_codes("reason_code", *NOT_SCREENED),
                symbols=(Fill(colour=colours.UNSCREENED_LOT, line=colours.REFUSED_LINE, width=0.5),),
            ),
        ),
    ),
    "streets": Style(
        title="Streets",
        rules=(
            Rule(
                title="with candidates",
                tests=(Test(column="n_candidates", above=0),),
                symbols=(Line(colour=colours.STREET, width=3.5),),
            ),
            Rule(
                title="without",
                tests=(Test(column="n_candidates", at_most=0),),
                symbols=(Line(colour=colours.STREET, width=1),),
            ),
        ),
    ),
}


def sld(name: str, n_rows: int) -> str:
    """Return the style of a layer as an SLD 1.1 document.

    Parameters
    ----------
    name : str
        A layer that has a geometry.
    n_rows : int
        Its rows.

    Returns
    -------
    str
        XML text.
    """
    style = layer_style(name, n_rows)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.1.0"})
    named = ET.SubElement(root, f"{{{_SLD}}}NamedLayer")
    ET.SubElement(named, f"{{{_SE}}}Name").text = name
    user = ET.SubElement(named, f"{{{_SLD}}}UserStyle")
    ET.SubElement(user, f"{{{_SE}}}Name").text = name
    _describe(user, style.title)
    ET.SubElement(user, f"{{{_SLD}}}IsDefault").text = "1"
    feature_style = ET.SubElement(user, f"{{{_SE}}}FeatureTypeStyle")
    for number, rule in enumerate(style.rules, start=1):
        _add_rule(feature_style, rule, f"{name}_{number}")
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=False) + "\n"


def _describe(parent: ET.Element, title: str) -> None:
    description = ET.SubElement(parent, f"{{{_SE}}}Description")
    ET.SubElement(description, f"{{{_SE}}}Title").text = title


def _add_rule(parent: ET.Element, rule: Rule, name: str) -> None:
    """Add a rule; the order of its parts is fixed by the schema of Symbology Encoding."""
    element = ET.SubElement(parent, f"{{{_SE}}}Rule")
    ET.SubElement(element, f"{{{_SE}}}Name").text = name
    _describe(element, rule.title)
    if rule.tests:
        conditions = ET.SubElement(element, f"{{{_OGC}}}Filter")
        if len(rule.tests) > 1:
            conditions = ET.SubElement(conditions, f"{{{_OGC}}}And")
        for test in rule.tests:
            _add_test(conditions, test)
    if rule.nearer_than is not None:
        ET.SubElement(element, f"{{{_SE}}}MaxScaleDenominator").text = str(rule.nearer_than)
    for symbol in rule.symbols:
        if isinstance(symbol, Fill):
            _add_area(element, symbol)
        elif isinstance(symbol, Line):
            line = ET.SubElement(element, f"{{{_SE}}}LineSymbolizer")
            _add_stroke(line, symbol.colour, symbol.width, symbol.dash)
        else:
            _add_point(element, symbol)


def _add_test(parent: ET.Element, test: Test) -> None:
    if test.is_null is not None:
        if not test.is_null:
            parent = ET.SubElement(parent, f"{{{_OGC}}}Not")
        _compare(parent, "PropertyIsNull", test.column)
        return
    if len(test.values) > 1:
        parent = ET.SubElement(parent, f"{{{_OGC}}}Or")
    for value in test.values:
        _compare(parent, "PropertyIsEqualTo", test.column, value)
    if test.at_most is not None:
        _compare(parent, "PropertyIsLessThanOrEqualTo", test.column, f"{test.at_most:g}")
    if test.above is not None:
        _compare(parent, "PropertyIsGreaterThan", test.column, f"{test.above:g}")


def _compare(parent: ET.Element, operator: str, column: str, value: str | None = None) -> None:
    element = ET.SubElement(parent, f"{{{_OGC}}}{operator}")
    ET.SubElement(element, f"{{{_OGC}}}PropertyName").text = column
    if value is not None:
        ET.SubElement(element, f"{{{_OGC}}}Literal").text = value


def _add_area(parent: ET.Element, symbol: Fill) -> None:
    element = ET.SubElement(parent, f"{{{_SE}}}PolygonSymbolizer")
    if symbol.colour is not None:
        fill = ET.SubElement(element, f"{{{_SE}}}Fill")
        _parameters(fill, {"fill": symbol.colour, "fill-opacity": f"{symbol.opacity:g}"})
    _add_stroke(element, symbol.line, symbol.width, symbol.dash)


def _add_stroke(parent: ET.Element, colour: str, width: float, dash: str) -> None:
    stroke = ET.SubElement(parent, f"{{{_SE}}}Stroke")
    values = {"stroke": colour, "stroke-width": f"{width:g}", "stroke-linejoin": "round", "stroke-linecap": "butt"}
    _parameters(stroke, values | ({"stroke-dasharray": dash} if dash else {}))


def _add_point(parent: ET.Element, symbol: Mark) -> None:
    graphic = ET.SubElement(ET.SubElement(parent, f"{{{_SE}}}PointSymbolizer"), f"{{{_SE}}}Graphic")
    mark = ET.SubElement(graphic, f"{{{_SE}}}Mark")
    ET.SubElement(mark, f"{{{_SE}}}WellKnownName").text = symbol.shape
    _parameters(ET.SubElement(mark, f"{{{_SE}}}Fill"), {"fill": symbol.colour})
    _parameters(ET.SubElement(mark, f"{{{_SE}}}Stroke"), {"stroke": symbol.line, "stroke-width": "1.6"})
    ET.SubElement(graphic, f"{{{_SE}}}Size").text = f"{symbol.size:g}"


def _parameters(parent: ET.Element, values: Mapping[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, f"{{{_SE}}}SvgParameter", {"name": name}).text = value


# The columns that desktop programs look for; it is a table beside the standard, which GeoPackage allows.
_CREATE: Final = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME
)
"""
_INSERT: Final = """
INSERT INTO layer_styles (
    f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleSLD, useAsDefault, description,
    owner, update_time
) VALUES ('', '', ?, ?, ?, ?, 1, ?, '', ?)
"""


def add_layer_styles(
    connection: sqlite3.Connection, n_rows: Mapping[str, int], *, geometry_name: str, written_at: str
) -> None:
    """Put a style for each layer that has a geometry into the table `layer_styles`.

    Parameters
    ----------
    connection : sqlite3.Connection
        The GeoPackage; the caller commits.
    n_rows : Mapping[str, int]
        Rows by layer name.
    geometry_name : str
        Name of the geometry column.
    written_at : str
        Time put into the rows.
    """
    connection.execute(_CREATE)
    rows = [
        (name, geometry_name, name, sld(name, n_rows[name]), layer_style(name, n_rows[name]).title, written_at)
        for name in _in_registry_order(n_rows)
    ]
    connection.executemany(_INSERT, rows)


def _in_registry_order(names: Iterable[str]) -> list[str]:
    wanted = set(names)
    return [layer.name for layer in LAYERS if layer.name in wanted]
