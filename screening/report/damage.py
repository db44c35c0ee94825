"""What is wrong with a result that a command stumbled over: the file was damaged, or changed since the run.

Looked for only after a command failed, so a good file costs nothing; and where nothing is found, the failure is a bug.
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.columns import LAYERS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from screening.columns.model import Column, Layer

LARGEST: Final = 1e12
"""No figure of a run is larger, in any unit."""

_STORED: Final = {"str": ("text",), "int": ("integer",), "float": ("real", "integer"), "bool": ("integer",)}
_KINDS: Final = tuple(number.to_bytes(4, "little") for number in range(1, 7))
"""Kinds of geometry that a result has: from points to polygons of several parts, never collections."""

_BLOB_HEADS: Final = {0: 8, 1: 40, 2: 56, 3: 56, 4: 72}
"""Bytes before the WKB by the code of its envelope. Source: OGC GeoPackage 1.3, clause 2.1.3.1.1."""


def find_damage(path: Path) -> str:
    """First thing in a result that no run writes.

    Parameters
    ----------
    path : pathlib.Path
        A result of a run that a command could not use.

    Returns
    -------
    str
        One sentence; "" where the file is as a run writes it.
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
            found = next(_damages(base), "")
    except (sqlite3.Error, OverflowError, UnicodeDecodeError) as error:
        found = f"it is no whole GeoPackage ({error})"
    return (
        f"'{path.name}' was damaged or changed since the run: {found}; run again, or take another copy."
        if found
        else ""
    )


def _is_known_system(definition: str, code: str) -> bool:
    """Whether a coordinate system can be made from its definition, or from its code."""
    from pyproj import CRS  # noqa: PLC0415 - heavy
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    for text in (definition, code):
        try:
            CRS.from_user_input(text)
        except CRSError:
            continue
        return True
    return False


def _damages(base: sqlite3.Connection) -> Iterator[str]:
    """Yield what is wrong, the gravest first."""
    verdict = str(base.execute("PRAGMA quick_check(1)").fetchone()[0])
    if verdict != "ok":
        yield f"its pages don't fit together ({' '.join(verdict.split())})"
    tables = {str(row[0]) for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    listed = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
    systems = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_geometry_columns")}
    systems |= {row[0] for row in base.execute("SELECT srs_id FROM gpkg_contents WHERE data_type = 'features'")}
    if len(systems - {0, None}) > 1:
        yield "its layers are in several coordinate systems"
    for definition, organization, code in base.execute(
        "SELECT definition, organization, organization_coordsys_id FROM gpkg_spatial_ref_sys WHERE srs_id IN "
        "(SELECT srs_id FROM gpkg_geometry_columns)"
    ):
        if not _is_known_system(str(definition), f"{organization}:{code}"):
            yield "its coordinate system is none"
    shaped = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    for layer in LAYERS:
        if layer.name not in listed:
            continue
        kind = "features" if layer.geometry_type and layer.name in shaped else "attributes"
        if layer.name not in tables or (listed[layer.name] != kind):
            yield f"its list of layers is wrong about {layer.name}"
            continue
        yield from _damages_of_layer(base, layer, shaped.get(layer.name, ""))
    yield from _damages_of_names(base, set(listed))


def _damages_of_layer(base: sqlite3.Connection, layer: Layer, shape: str) -> Iterator[str]:
    """Yield what is wrong with a layer's columns, values and shapes."""
    there = {str(row[1]) for row in base.execute(f'PRAGMA table_info("{layer.name}")')}
    missing = [column.name for column in layer.columns if column.name not in there]
    if missing:
        yield f"layer {layer.name} has no column {missing[0]}"
        return
    for column in layer.columns:
        yield from _damages_of_column(base, layer, column)
    if layer.geometry_type is None:
        return
    if not shape or shape not in there:
        if not layer.geometry_may_be_null:
            yield f"layer {layer.name} has lost its shapes"
        return
    for row, blob in base.execute(f'SELECT rowid, "{shape}" FROM "{layer.name}"'):  # noqa: S608 - our own names
        if blob is None and layer.geometry_may_be_null:
            continue
        if not _is_shape(blob, layer.geometry_type):
            yield f"the shape in row {row} of layer {layer.name} can't be read"
            return


def _damages_of_column(base: sqlite3.Connection, layer: Layer, column: Column) -> Iterator[str]:
    """Yield what is wrong with the values of a column."""
    kinds = ", ".join(f"'{kind}'" for kind in _STORED[column.dtype])
    allowed = kinds if column.is_required else f"{kinds}, 'null'"
    wrong = f"typeof({{c}}) NOT IN ({allowed})"
    if column.dtype == "str":
        # A NUL ends a text for some readers and not for others.
        wrong += " OR instr(CAST({c} AS BLOB), x'00') > 0"
    else:
        wrong += f" OR abs({{c}}) > {LARGEST!r}"
    name = f'"{column.name}"'
    query = f'SELECT rowid FROM "{layer.name}" WHERE {wrong.format(c=name)} LIMIT 1'  # noqa: S608 - our own names
    found = base.execute(query).fetchone()
    if found is not None:
        yield f"column {column.name} of layer {layer.name} holds something else in row {found[0]}"
        return
    if column.dtype == "str":
        # Read as text, so that what is no UTF-8 comes out.
        values = {row[0] for row in base.execute(f'SELECT DISTINCT {name} FROM "{layer.name}"') if row[0]}  # noqa: S608
        if column.codes is not None:
            codes = {code for value in values for code in (value.split(";") if column.is_list else [value])}
            unknown = sorted(codes - set(column.codes))
            if unknown:
                yield f"column {column.name} of layer {layer.name} holds the unknown code {unknown[0]!r}"


def _is_shape(blob: object, geometry_type: str) -> bool:
    """Whether a stored geometry is one of the layer's type, with coordinates that can be a place."""
    if not isinstance(blob, bytes) or len(blob) < 13 or blob[:3] != b"GP\0" or blob[3] & 0xF0:
        return False
    head = _BLOB_HEADS.get((blob[3] >> 1) & 7)
    if head is None:
        return False
    if blob[head + 1 : head + 5] not in _KINDS:
        return False
    try:
        shape = shapely.from_wkb(blob[head:])
    except (shapely.errors.ShapelyError, struct.error, ValueError):
        return False
    if shape is None or shape.geom_type != geometry_type:
        return False
    # Written as "all are less", so that not-a-number fails too.
    return bool((np.abs(shapely.get_coordinates(shape)) < LARGEST).all())


def _damages_of_names(base: sqlite3.Connection, listed: set[str]) -> Iterator[str]:
    """Yield what doesn't fit between the layers."""
    homes = [row[0] for row in base.execute("SELECT home_id FROM candidate_homes")]
    ranks = [row[0] for row in base.execute("SELECT rank FROM candidate_homes")]
    if len(set(homes)) < len(homes) or sorted(ranks) != list(range(1, len(ranks) + 1)):
        yield "its candidates' names or ranks are not each their own"
    for layer in LAYERS:
        names = {column.name for column in layer.columns}
        if layer.name not in listed or layer.name in {"candidate_homes", "other_parcels"} or "home_id" not in names:
            continue
        query = f'SELECT home_id FROM "{layer.name}" WHERE home_id NOT IN (SELECT home_id FROM candidate_homes) LIMIT 1'  # noqa: S608
        if base.execute(query).fetchone() is not None:
            yield f"layer {layer.name} speaks of a home that is no candidate"
    record = dict(base.execute("SELECT key, value FROM run_record"))
    for name, key in (("candidate_homes", "n_candidate_homes"), ("other_parcels", "n_other_parcels")):
        n = base.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608 - our own names
        if str(record.get(key)) != str(n):
            yield f"it holds {n} rows in {name} and its run record says {record.get(key)}"
