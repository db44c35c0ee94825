"""Styles as OGC documents (SLD 1.1 with Symbology Encoding), and the table of the GeoPackage that holds them.

References
----------
.. [1] OGC 05-078r4, Styled Layer Descriptor profile of the Web Map Service 1.1.0.
.. [2] OGC 05-077r4, Symbology Encoding 1.1.0.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING, Final

from screening.columns import LAYERS
from screening.write.styles import Fill, Line, layer_style

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping

    from screening.write.styles import Mark, Rule, Test

_SLD: Final = "http://www.opengis.net/sld"
_SE: Final = "http://www.opengis.net/se"
_OGC: Final = "http://www.opengis.net/ogc"
for _prefix, _uri in (("sld", _SLD), ("se", _SE), ("ogc", _OGC)):
    ET.register_namespace(_prefix, _uri)


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
