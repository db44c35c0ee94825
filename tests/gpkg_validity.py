"""An independent judge of GeoPackage files: SQL and its own reading of the geometry blobs, no GDAL.

Requirements are those of OGC 12-128r17 (GeoPackage Encoding Standard 1.3), named where they are checked; clause numbers
from memory.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
import struct

import numpy as np
import shapely

APPLICATION_ID = 0x47504B47  # "GPKG", requirement 2
VERSION = 10300  # 1.3.0, requirement 2
LAST_CHANGE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")  # requirement 15
COLUMN_TYPES = re.compile(r"BOOLEAN|INTEGER|MEDIUMINT|REAL|TEXT(\(\d+\))?|DATE|DATETIME")  # requirement 5, those in use
WKB_TYPES = {1: "POINT", 2: "LINESTRING", 3: "POLYGON", 4: "MULTIPOINT", 5: "MULTILINESTRING", 6: "MULTIPOLYGON"}
INDEX_TRIGGERS = {"insert", "update1", "update2", "update3", "update4", "delete"}  # annex F.3, up to version 1.3
# Tables of the container, and those that the standard lets stand beside it unregistered.
UNREGISTERED = {"layer_styles"}
# The index has 32-bit coordinates: at UTM northings of millions of metres that is half a metre.
INDEX_ROUNDING = 2.0**-22


def problems(path):
    """Everything wrong with a file, as texts; empty for a valid one."""
    found = [f"left beside it: {other.name}" for other in path.parent.glob(path.name + "-*")]
    with path.open("rb") as stream:
        header = stream.read(100)
    if header[:16] != b"SQLite format 3\0":
        return ["no SQLite file"]
    if header[18:20] != b"\x01\x01":
        found.append("not in rollback-journal mode")
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        found += _container(connection)
        tables = connection.execute(
            "SELECT table_name, data_type, last_change, min_x, min_y, max_x, max_y, srs_id FROM gpkg_contents"
        ).fetchall()
        for name, data_type, last_change, *bounds, srs_id in tables:
            if not LAST_CHANGE.fullmatch(last_change):
                found.append(f"{name}: last_change {last_change}")
            found += [f"{name}: {text}" for text in _columns(connection, name)]
            if data_type == "features":
                found += [f"{name}: {text}" for text in _features(connection, name, bounds, srs_id)]
            elif data_type == "attributes":
                if connection.execute("SELECT * FROM gpkg_geometry_columns WHERE table_name = ?", (name,)).fetchall():
                    found.append(f"{name}: attributes with a geometry column")
            else:
                found.append(f"{name}: data type {data_type}")
    return found


def _container(connection):
    found = []
    for pragma, wanted in (("application_id", APPLICATION_ID), ("user_version", VERSION)):
        (value,) = connection.execute(f"PRAGMA {pragma}").fetchone()
        if value != wanted:
            found.append(f"{pragma} is {value}, not {wanted}")
    found += [row[0] for row in connection.execute("PRAGMA integrity_check") if row[0] != "ok"]
    found += [f"foreign key {row}" for row in connection.execute("PRAGMA foreign_key_check")]
    systems = {row[0] for row in connection.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    if not {-1, 0, 4326} <= systems:  # requirement 11
        found.append(f"reference systems {systems}")
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    known = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")}
    if known - tables:
        found.append(f"registered but not there: {known - tables}")
    strangers = {name for name in tables - known - UNREGISTERED if not name.startswith(("gpkg_", "rtree_", "sqlite_"))}
    if strangers:
        found.append(f"there but not registered: {strangers}")
    return found


def _columns(connection, name):
    found = []
    info = connection.execute(f'PRAGMA table_info("{name}")').fetchall()
    keys = [(row[1], row[2]) for row in info if row[5]]
    if len(keys) != 1 or keys[0][1] != "INTEGER":  # requirement 29
        found.append(f"primary key {keys}")
    for _, column, kind, *_ in info:
        if kind not in WKB_TYPES.values() and not COLUMN_TYPES.fullmatch(kind):
            found.append(f"column {column} has type {kind}")
    return found


def _features(connection, name, bounds, srs_id):
    rows = connection.execute(
        "SELECT column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
    ).fetchall()
    if len(rows) != 1:  # requirement 22
        return [f"{len(rows)} geometry columns"]
    ((column, kind, column_srs_id, z, m),) = rows
    found = []
    if (z, m) != (0, 0):
        found.append(f"z {z}, m {m}")
    if column_srs_id != srs_id:
        found.append(f"srs_id {srs_id} in contents, {column_srs_id} for the column")
    if not connection.execute("SELECT 1 FROM gpkg_spatial_ref_sys WHERE srs_id = ?", (srs_id,)).fetchall():
        found.append(f"reference system {srs_id} is not described")
    wanted = f'SELECT fid, "{column}" FROM "{name}" WHERE "{column}" IS NOT NULL'  # noqa: S608 - names of the file's own
    blobs = connection.execute(wanted).fetchall()
    shapes = {}
    for fid, blob in blobs:
        try:
            shapes[fid] = read_blob(blob, srs_id, kind)
        except ValueError as error:
            found.append(f"row {fid}: {error}")
    found += [f"row {fid}: {shapely.is_valid_reason(shape)}" for fid, shape in shapes.items() if not shape.is_valid]
    if shapes:
        real = shapely.total_bounds(list(shapes.values()))
        if None in bounds or not np.allclose(bounds, real, rtol=0, atol=1e-9):
            found.append(f"bounds {bounds}, really {real.tolist()}")
    elif bounds != [None] * 4:
        found.append(f"bounds {bounds} without geometry")
    return found + _index(connection, name, column, shapes)


def read_blob(blob, srs_id, kind):
    """Geometry of a GeoPackage blob; ValueError where the blob breaks clause 2.1.3."""
    if blob[:2] != b"GP" or blob[2] != 0:
        raise ValueError("no GeoPackage geometry")
    flags = blob[3]
    order = "<" if flags & 1 else ">"
    (blob_srs_id,) = struct.unpack(order + "i", blob[4:8])
    if blob_srs_id != srs_id:
        raise ValueError(f"srs_id {blob_srs_id}, not {srs_id}")
    n_numbers = {0: 0, 1: 4, 2: 6, 3: 6, 4: 8}[(flags >> 1) & 7]
    start = 8 + 8 * n_numbers
    wkb_order = "<" if blob[start] == 1 else ">"
    (wkb_type,) = struct.unpack(wkb_order + "I", blob[start + 1 : start + 5])
    if WKB_TYPES.get(wkb_type) != kind:
        raise ValueError(f"type {wkb_type} in a layer of {kind}")
    shape = shapely.from_wkb(blob[start:])
    if bool(flags & 0x10) != shape.is_empty:
        raise ValueError("flag for empty geometry is wrong")
    if n_numbers:
        envelope = struct.unpack(order + "d" * n_numbers, blob[8:start])
        west, south, east, north = shape.bounds
        if envelope[:4] != (west, east, south, north):
            raise ValueError(f"envelope {envelope} of {shape.bounds}")
    return shape


def _index(connection, name, column, shapes):
    """The spatial index: registered, complete, holding each geometry, kept current by triggers."""
    registered = connection.execute(
        "SELECT extension_name, scope FROM gpkg_extensions WHERE table_name = ? AND column_name = ?", (name, column)
    ).fetchall()
    if registered != [("gpkg_rtree_index", "write-only")]:
        return [f"extensions {registered}"]
    found = []
    triggers = {
        row[0].removeprefix(f"rtree_{name}_{column}_")
        for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (name,))
        if row[0].startswith("rtree_")
    }
    if triggers != INDEX_TRIGGERS:
        found.append(f"index triggers {sorted(triggers)}")
    try:
        wanted = f'SELECT id, minx, miny, maxx, maxy FROM "rtree_{name}_{column}"'  # noqa: S608 - as above
        entries = connection.execute(wanted).fetchall()
    except sqlite3.Error as error:
        return [*found, f"index: {error}"]
    boxes = {fid: box for fid, *box in entries}
    if set(boxes) != set(shapes):
        found.append(f"{len(boxes)} index entries for {len(shapes)} geometries")
    for fid in set(boxes) & set(shapes):
        west, south, east, north = shapes[fid].bounds
        slack = INDEX_ROUNDING * max(abs(value) for value in shapes[fid].bounds)
        x0, y0, x1, y1 = boxes[fid]
        is_inside = x0 <= west and y0 <= south and x1 >= east and y1 >= north
        is_tight = west - x0 <= slack and south - y0 <= slack and x1 - east <= slack and y1 - north <= slack
        if not (is_inside and is_tight):
            found.append(f"index entry {boxes[fid]} of row {fid} with bounds {shapes[fid].bounds}")
    return found
