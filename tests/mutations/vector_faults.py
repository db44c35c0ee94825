"""Mutations of vector layers that know the format: tables of a GeoPackage, JSON, parts of shapefiles, Parquet."""

from __future__ import annotations

import json
import math
import sqlite3
import struct
from contextlib import closing

import geopandas as gpd
import numpy as np
import shapely
from made_files import write_frame

from mutations.trial import PAYLOADS

NUMBERS = (math.nan, math.inf, -math.inf, 1e300, -1e300, 1.7e308, 5e-324, 0.0, -0.0, 1e16, 2**53 + 1.0, 1e7)
LONG = "x" * 10_000
SUFFIXES = ("gpkg", "shp", "geojson", "fgb", "parquet")


def read_good(trial, role="parcels"):
    """A good layer as a frame."""
    return gpd.read_parquet(trial.good / f"{role}.parquet")


def write(trial, frame, role="parcels", suffixes=SUFFIXES):
    """Write a frame in some format; formats that refuse it fall back to GeoJSON by hand."""
    suffix = trial.one_of(suffixes)
    path = trial.inputs / f"{role}.{suffix}"
    try:
        write_frame(frame, path)
    except Exception as error:  # noqa: BLE001 - whatever a writer refuses, another one may write
        trial.say(f"{suffix} refused {type(error).__name__}")
        path = trial.inputs / f"{role}.parquet"
        frame.to_parquet(path)
    return path.name


def write_wkb(trial, frame, wkb, role):
    """Write shapes that are only bytes, in a format that takes them as they are."""
    if trial.chance(0.5):
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pq.read_table(trial.good / f"{role}.parquet")
        place = table.schema.get_field_index("geometry")
        path = trial.inputs / f"{role}.parquet"
        pq.write_table(table.set_column(place, "geometry", pa.array(wkb, pa.binary())), path)
        return path.name
    path = trial.take(f"{role}.gpkg")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        head = b"GP\x00\x01" + struct.pack("<i", 26915)
        for fid, blob in enumerate(wkb, start=1):
            base.execute(f"UPDATE {role} SET geom = ? WHERE fid = ?", (head + blob, fid))
    return path.name


def odd_coordinates(trial):
    """Numbers that are no place: not-a-number, infinity, huge ones; in one corner, one shape, or all."""
    role = trial.one_of(("parcels", "parcels", "buildings"))
    frame = read_good(trial, role)
    shapes = frame.geometry.to_numpy().copy()
    value = trial.one_of(NUMBERS)
    rows = trial.one_of(([0], [trial.below(len(shapes))], range(len(shapes))))
    how = trial.one_of(("corner", "shape", "axis"))
    for row in rows:
        xy = shapely.get_coordinates(shapes[row])
        old = xy.copy()
        if how == "corner":
            xy[1 + trial.below(len(xy) - 2), trial.below(2)] = value
        elif how == "axis":
            xy[:, trial.below(2)] = value
        else:
            xy[:] = value
        # By its bytes: what makes shapes refuses a ring that doesn't close, and not-a-number closes none.
        wkb = shapely.to_wkb(shapes[row], byte_order=1)
        head = len(wkb) - xy.nbytes
        assert wkb[head:] == old.tobytes()
        shapes[row] = wkb[:head] + xy.tobytes()
    trial.say(f"{role}: {how} {value}")
    wkb = [one if isinstance(one, bytes) else shapely.to_wkb(one) for one in shapes]
    trial.town(**{role: write_wkb(trial, frame, wkb, role)})
    trial.screen()


def odd_shapes(trial):
    """Geometry that is none, of another kind, nested, folded, of one point, with thousands of holes."""
    role = trial.one_of(("parcels", "buildings"))
    frame = read_good(trial, role)
    shapes = frame.geometry.to_numpy().copy()
    row = trial.below(len(shapes))
    old = shapes[row]
    west, south, east, north = old.bounds
    nested = old
    for _ in range(30):
        nested = shapely.GeometryCollection([nested])
    ring = list(old.exterior.coords)
    n = 20_000
    angle = np.linspace(0, 40 * np.pi, n)
    spiral = np.column_stack([west + 5 + angle * 0.1 * np.cos(angle), south + 5 + angle * 0.1 * np.sin(angle)])
    noise = np.column_stack([west + 30 * trial.rng.random(300), south + 40 * trial.rng.random(300)])
    holes = [
        shapely.box(west + x, south + y, west + x + 0.05, south + y + 0.05).exterior.coords
        for x in np.arange(1, 25, 0.5)
        for y in np.arange(1, 30, 0.5)
    ]
    menu = {
        "none": None,
        "empty": shapely.Polygon(),
        "point": shapely.Point(west, south),
        "line": shapely.LineString([(west, south), (east, north)]),
        "nested": nested,
        "bow tie": shapely.Polygon([(west, south), (east, north), (east, south), (west, north)]),
        "flat": shapely.Polygon([(west, south), (east, south), (west, south)]),
        "spike": shapely.Polygon([*ring[:2], (east + 1e6, north), *ring[2:]]),
        "tiny": shapely.box(west, south, west + 1e-9, south + 1e-9),
        "huge": shapely.box(west - 1e5, south - 1e5, east + 1e5, north + 1e5),
        "world": shapely.box(-2e7, -2e7, 2e7, 2e7),
        "spiral": shapely.Polygon(spiral),
        "scribble": shapely.Polygon(noise),
        "holes": shapely.Polygon(ring, holes),
        "outside hole": shapely.Polygon(ring, [shapely.box(west - 50, south, west - 40, south + 5).exterior.coords]),
        "z": shapely.force_3d(old, 1e300),
        "multi of itself": shapely.MultiPolygon([old] * 50),
        "curve": shapely.LinearRing(ring),
    }
    name = trial.one_of(menu)
    if trial.chance(0.15):
        shapes[:] = menu[name]
    else:
        shapes[row] = menu[name]
    trial.say(f"{role}: {name}")
    frame = frame.set_geometry(shapes, crs=frame.crs)
    trial.town(**{role: write(trial, frame, role)})
    trial.screen()


def odd_values(trial, *, every=False):
    """SQL, HTML, formulas, control characters and endless texts as values of every field; the result is read too."""
    frame = read_good(trial)
    for name in ("PIN", "ADDRESS", "USE"):
        if every or trial.chance(0.6):
            values = frame[name].to_numpy().astype(object)
            for row in range(len(values)) if trial.chance(0.5) or every else [trial.below(len(values))]:
                values[row] = trial.one_of(PAYLOADS)
            frame[name] = values
    suffixes = ("gpkg", "geojson", "parquet")
    more = 'street = "ADDRESS"\n' if trial.chance(0.5) else ""
    trial.town(parcels=write(trial, frame, suffixes=suffixes), more=more)
    trial.say("payloads in values")
    trial.run()
    result = trial.out / "homes.gpkg"
    identity = frame["PIN"].iloc[trial.below(len(frame))]
    if every:
        trial.read_result(result, every=True)
    else:
        for _ in range(2):
            trial.read_result(result)
    trial.runs.append(["explain", str(result), *(["--"] if str(identity).startswith("-") else []), str(identity)])


def every_reader(trial):
    """The same, with every command that writes something from the result."""
    odd_values(trial, every=True)


def odd_names(trial):
    """Layers and fields with names of 10,000 characters, quotes, SQL, control characters."""
    frame = read_good(trial)
    names = {old: trial.one_of((*PAYLOADS, LONG, old)) or old for old in ("PIN", "ADDRESS", "USE")}
    frame = frame.rename(columns=names)
    if len(set(frame.columns)) < len(frame.columns):
        frame = frame.loc[:, ~frame.columns.duplicated()]
    file = write(trial, frame, suffixes=("gpkg", "geojson", "parquet"))
    trial.say("odd names of fields")
    trial.town(parcels=file)
    if trial.chance(0.7):
        text = "".join(
            f"{ours} = {json.dumps(names[old])}\n"
            for ours, old in (("parcel_id", "PIN"), ("address", "ADDRESS"), ("land_use", "USE"))
        )
        path = trial.inputs / "run.toml"
        path.write_text(path.read_text().split("[fields]")[0] + "[fields]\n" + text, encoding="utf-8")
    trial.screen()
    if trial.chance(0.3):
        trial.start(file)


def many_fields(trial):
    """A table of thousands of columns, or of texts of megabytes."""
    frame = read_good(trial)
    if trial.chance(0.5):
        more = {f"F{i}": ["1"] * len(frame) for i in range(trial.one_of((300, 1500)))}
        frame = gpd.GeoDataFrame({**frame.drop(columns="geometry"), **more}, geometry=frame.geometry, crs=frame.crs)
    else:
        frame["ADDRESS"] = ["A" * trial.one_of((100_000, 3_000_000))] * len(frame)
    file = write(trial, frame, suffixes=("gpkg", "geojson", "parquet"))
    trial.say("a table out of measure")
    trial.town(parcels=file)
    trial.screen()
    trial.start(file)


SQL = (
    "UPDATE gpkg_contents SET table_name = 'nowhere'",
    "UPDATE gpkg_contents SET data_type = 'tiles'",
    "UPDATE gpkg_contents SET min_x = 'NaN', max_x = 1e999",
    "UPDATE gpkg_contents SET srs_id = 999999",
    "UPDATE gpkg_contents SET identifier = NULL, last_change = 'never'",
    "DELETE FROM gpkg_contents",
    "DELETE FROM gpkg_geometry_columns",
    "DELETE FROM gpkg_spatial_ref_sys",
    "DROP TABLE gpkg_spatial_ref_sys",
    "DROP TABLE gpkg_geometry_columns",
    "UPDATE gpkg_geometry_columns SET column_name = 'shape'",
    "UPDATE gpkg_geometry_columns SET geometry_type_name = 'CURVE', z = 7",
    "UPDATE gpkg_spatial_ref_sys SET definition = 'PROJCS[' || hex(zeroblob(50000))",
    'UPDATE gpkg_spatial_ref_sys SET definition = \'GEOGCS["x",DATUM["y",SPHEROID["z",0,0]]]\'',
    "UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = -7, definition = 'undefined'",
    "UPDATE {t} SET geom = zeroblob(40)",
    "UPDATE {t} SET geom = x'4750'",
    "UPDATE {t} SET geom = 'a letter'",
    "UPDATE {t} SET geom = NULL",
    "UPDATE {t} SET geom = substr(geom, 1, length(geom) - 9) WHERE fid = 2",
    "UPDATE {t} SET geom = zeroblob(100000000) WHERE fid = 1",
    "UPDATE {t} SET PIN = x'ff00fe'",
    "UPDATE {t} SET PIN = 1e300",
    "UPDATE {t} SET PIN = zeroblob(2000000)",
    "UPDATE {t} SET PIN = 'a' || char(0) || 'b'",
    "UPDATE {t} SET PIN = NULL",
    "UPDATE {t} SET PIN = '0001'",
    "UPDATE {t} SET UNITS = 'twelve'",
    'ALTER TABLE {t} RENAME COLUMN PIN TO "P\'IN;"',
    'ALTER TABLE {t} RENAME TO "x\'); DROP TABLE y; --"',
    "DROP TABLE {t}; CREATE VIEW {t} AS SELECT * FROM {t}",
    (
        "DROP TABLE {t}; CREATE VIEW {t} AS WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) "
        "SELECT n AS fid, x'47500001' AS geom, n AS PIN, n AS ADDRESS, n AS USE FROM c"
    ),
    "CREATE TRIGGER t1 AFTER INSERT ON {t} BEGIN DELETE FROM gpkg_contents; END",
    "CREATE VIRTUAL TABLE more USING rtree(id, a, b)",
    "CREATE VIRTUAL TABLE more USING fts5(a)",
    "DELETE FROM {t}",
    "PRAGMA user_version = 999999999",
    "PRAGMA application_id = 0",
    "PRAGMA journal_mode = WAL",
    "INSERT INTO gpkg_extensions VALUES ('{t}', 'geom', 'gpkg_geom_CURVEPOLYGON', 'x', 'read-write')",
    "INSERT INTO gpkg_extensions VALUES ('{t}', NULL, 'gdal_aspatial', 'x', 'read-write')",
    "UPDATE sqlite_master SET sql = 'CREATE TABLE {t} (' || hex(zeroblob(3000)) || ')' WHERE name = '{t}'",
    "UPDATE sqlite_master SET rootpage = 1 WHERE name = '{t}'",
    "UPDATE sqlite_master SET rootpage = 99999 WHERE name = '{t}'",
    "UPDATE sqlite_master SET sql = NULL WHERE name = 'gpkg_contents'",
)


def edit_tables(trial, path, statements, table):
    """Run statements on a SQLite file; those that fail are left out."""
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("PRAGMA writable_schema = ON")
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            trial.say(statement[:90])
            try:
                base.executescript(statement.replace("{t}", table))
            except sqlite3.Error as error:
                trial.say(f"({error})")


def tables_of_a_geopackage(trial):
    """The catalogue and the rows of a GeoPackage, changed by SQL."""
    role = trial.one_of(("parcels", "parcels", "buildings"))
    trial.town()
    edit_tables(trial, trial.inputs / f"{role}.gpkg", [trial.one_of(SQL) for _ in range(1 + trial.below(2))], role)
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.gpkg")


def json_text(trial):
    """GeoJSON that is nested, endless, of wrong types, with numbers that are none."""
    trial.town(parcels="parcels.geojson")
    path = trial.inputs / "parcels.geojson"
    text = path.read_text()
    data = json.loads(text)
    first = data["features"][0]
    deep = trial.one_of((100, 2_000, 100_000, 1_000_000))
    menu = {
        "nested arrays": text.replace('"features": [', '"deep": ' + "[" * deep + "]" * deep + ', "features": [', 1),
        "nested objects": "{" + '"a": {' * deep + "}" * deep + "}",
        "unclosed arrays": '{"type": "FeatureCollection", "features": ' + "[" * deep,
        "nested coordinates": text.replace('"coordinates": [', '"coordinates": ' + "[" * deep, 1),
        "nested collections": json.dumps({**data, "features": []})[:-2]
        + '{"type": "Feature", "properties": {}, "geometry": '
        + '{"type": "GeometryCollection", "geometries": [' * min(deep, 100_000)
        + "]}" * min(deep, 100_000)
        + "}]}",
        "huge number": text.replace("[ ", "[ 1e999, ", 3),
        "NaN": text.replace("-93.", "NaN", 2),
        "long number": text.replace("-93.", "-93." + "1" * 200_000, 1),
        "coordinates as text": text.replace('"coordinates":', '"coordinates": "here", "x":', 1),
        "no coordinates": text.replace('"coordinates"', '"koordinates"'),
        "no type": text.replace('"Feature"', '"Fixture"'),
        "a list": f"[{text}, {text}]",
        "twice the keys": text.replace('"PIN"', '"PIN": 1, "PIN": [1], "PIN"'),
        "odd crs": text.replace(
            '"features"', '"crs": {"type": "name", "properties": {"name": "urn:x:crs:EPSG::1"}}, "features"', 1
        ),
        "linked crs": text.replace(
            '"features"',
            '"crs": {"type": "link", "properties": {"href": '
            f'"http://127.0.0.1:{trial.port}/crs", "type": "proj4"}}}}, "features"',
            1,
        ),
        "not UTF-8": None,
        "UTF-16": None,
        "a mark": "\ufeff" + text,
        "null features": json.dumps({**data, "features": None}),
        "features of nothing": json.dumps({**data, "features": [None, 1, "x", [], {}]}),
        "values nested": json.dumps(
            {**data, "features": [{**first, "properties": {"PIN": [[[{"a": 1}]]], "ADDRESS": {"b": None}}}]}
        ),
        "five numbers a point": text.replace("-93.", "1, 2, 3, -93.", 5),
        "ESRI": json.dumps({"features": [{"attributes": {"PIN": 1}, "geometry": {"rings": [[[1, 2], [3]]]}}]}),
        "TopoJSON": json.dumps(
            {"type": "Topology", "arcs": [[[0, 0]]], "objects": {"a": {"type": "Polygon", "arcs": [[99]]}}}
        ),
        "an address": f"http://127.0.0.1:{trial.port}/parcels.geojson",
    }
    name = trial.one_of(menu)
    trial.say(f"GeoJSON: {name} ({deep})")
    if menu[name] is not None:
        path.write_text(menu[name], encoding="utf-8", errors="surrogatepass")
    elif name == "UTF-16":
        path.write_text(text, encoding="utf-16")
    else:
        path.write_bytes(text.replace("Meadow", "M\xe9adow").encode("latin-1"))
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.geojson")


PRJ = (
    "",
    "x",
    "PROJCS[" * 5_000,
    'PROJCS["x' + "y" * 1_000_000 + '"]',
    "EPSG:4326",
    "EPSG:999999",
    "+proj=utm +zone=99",
    '{"type": "ProjectedCRS"}',
    "\x00\x00",
    'GEOGCS["GCS",DATUM["D",SPHEROID["S",nan,inf]],UNIT["d",0]]',
    (
        'PROJCS["a",GEOGCS["b",DATUM["c",SPHEROID["d",6378137,298]],PRIMEM["e",0],UNIT["f",0.017]],'
        'PROJECTION["Transverse_Mercator"],UNIT["g",1e-300]]'
    ),
    'LOCAL_CS["site",UNIT["metre",1]]',
    "+init=epsg:26915",
    "+proj=pipeline +step +proj=longlat",
    "+proj=latlong +nadgrids=/etc/passwd",
    "@/dev/zero",
    "urn:ogc:def:crs:EPSG::0",
)


def parts_of_a_shapefile(trial):
    """Parts of a shapefile swapped, of other sizes, in other encodings, with headers that lie."""
    trial.town(parcels="parcels.shp")
    inputs = trial.inputs
    trial.take("buildings.shp")
    way = trial.below(9)
    trial.say(f"shapefile, way {way}")
    if way == 0:
        (inputs / "parcels.prj").write_text(trial.one_of(PRJ))
    elif way == 1:
        (inputs / "parcels.cpg").write_text(
            trial.one_of(("", "UTF-99", "x" * 10_000, "\x00", "ISO-8859-1", "932", "UTF-16", "../x", "LDID/999"))
        )
    elif way == 2:
        a, b = trial.one_of((("shp", "shx"), ("dbf", "shp"), ("shx", "dbf")))
        first, second = (inputs / f"parcels.{one}" for one in (a, b))
        first_bytes = first.read_bytes()
        first.write_bytes(second.read_bytes())
        second.write_bytes(first_bytes)
    elif way == 3:
        suffix = trial.one_of(("shp", "shx", "dbf", "prj"))
        (inputs / f"parcels.{suffix}").write_bytes((inputs / f"buildings.{suffix}").read_bytes())
    elif way == 4:
        (inputs / f"parcels.{trial.one_of(('shp', 'shx', 'dbf', 'prj', 'cpg'))}").unlink()
    elif way == 5:
        path = inputs / "parcels.dbf"
        data = bytearray(path.read_bytes())
        struct.pack_into(
            "<IHH",
            data,
            4,
            trial.one_of((0, 1, 7, 2**31, 2**32 - 1)),
            trial.one_of((0, 33, 65535, 97)),
            trial.one_of((0, 1, 65535, 300)),
        )
        path.write_bytes(data)
    elif way == 6:
        path = inputs / "parcels.shp"
        data = bytearray(path.read_bytes())
        struct.pack_into("<I", data, trial.one_of((32, 108, 144, 148)), trial.one_of((0, 5, 15, 31, 99, 2**31 - 1)))
        path.write_bytes(data)
    elif way == 7:
        path = inputs / "parcels.shx"
        data = bytearray(path.read_bytes())
        for at in range(100, len(data), 8):
            struct.pack_into(">i", data, at, trial.one_of((50, 0, -1, 2**31 - 1, 4)))
        path.write_bytes(data)
    else:
        (inputs / "parcels.dbf").rename(inputs / "PARCELS.DBF")
        (inputs / "parcels.shx").rename(inputs / "parcels.Shx")
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.shp")


def metadata_of_parquet(trial):
    """The description inside a GeoParquet file: of other columns, encodings, systems, types; broken WKB."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    trial.town(parcels="parcels.parquet")
    path = trial.inputs / "parcels.parquet"
    table = pq.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    column = geo["columns"]["geometry"]
    key = trial.one_of(
        (
            "crs",
            "encoding",
            "bbox",
            "geometry_types",
            "primary_column",
            "columns",
            "covering",
            "wkb",
            "text",
            "types",
            "deep",
        )
    )
    odd = (
        None,
        0,
        -1,
        "x",
        [],
        {},
        [1],
        {"a": 1},
        [[[[]]]],
        "point",
        LONG,
        [math.nan] * 4,
        [1e300, 0, -1e300, 0],
        True,
    )
    value = trial.one_of(odd)
    text = None
    if key in {"primary_column", "columns"}:
        geo[key] = value
    elif key == "covering":
        column[key] = {
            "bbox": {name: trial.one_of((["a", "b"], value, ["PIN"])) for name in ("xmin", "xmax", "ymin", "ymax")}
        }
    elif key == "wkb":
        wkb = table["geometry"].to_pylist()
        nested = b""
        for _ in range(trial.one_of((3, 200, 30_000))):
            nested += b"\x01\x07\x00\x00\x00\x01\x00\x00\x00"
        menu = (
            b"",
            b"\x01",
            wkb[0][:20],
            wkb[0][:5] + b"\xff\xff\xff\x7f" + wkb[0][9:],
            nested + wkb[0],
            b"\x01\x03\x00\x00\x00\xff\xff\xff\xff",
            b"\x05" + wkb[0][1:],
            bytes(64),
        )
        wkb[trial.below(len(wkb))] = trial.one_of(menu)
        table = table.set_column(table.schema.get_field_index("geometry"), "geometry", pa.array(wkb, pa.binary()))
    elif key == "types":
        other = trial.one_of(
            (
                pa.array([[1, 2]] * 6),
                pa.array([{"a": 1}] * 6),
                pa.array([b"\xff\x00"] * 6),
                pa.array([None] * 6, pa.null()),
                pa.array([1.5e300] * 6),
                pa.array([f"{i}" for i in range(6)]).dictionary_encode(),
            )
        )
        table = table.set_column(table.schema.get_field_index("PIN"), "PIN", other)
    elif key == "text":
        text = trial.one_of((b"", b"{", b"null", b"[]", b"\xff\xfe", b"[" * 100_000, b'{"columns": 1}'))
    elif key == "deep":
        column["crs"] = json.loads('{"a":' * 400 + "1" + "}" * 400)
    else:
        column[key] = value
    trial.say(f"GeoParquet: {key} {str(value)[:40]}")
    packed = json.dumps(geo).encode() if text is None else text
    pq.write_table(table.replace_schema_metadata({b"geo": packed}), path)
    trial.screen()
    if trial.chance(0.2):
        trial.start("parcels.parquet")


def foreign_content(trial):
    """A file under a familiar name that GDAL would take for a description of other files, or of the network."""
    inner = trial.good / "parcels.gpkg"
    url = f"http://127.0.0.1:{trial.port}/parcels.geojson"
    menu = {
        "OGR VRT": f"<OGRVRTDataSource><OGRVRTLayer name='parcels'><SrcDataSource>{inner}</SrcDataSource>"
        "<SrcLayer>parcels</SrcLayer></OGRVRTLayer></OGRVRTDataSource>",
        "OGR VRT to the network": f"<OGRVRTDataSource><OGRVRTLayer name='parcels'><SrcDataSource>/vsicurl/{url}"
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "OGR VRT to itself": "<OGRVRTDataSource><OGRVRTLayer name='parcels'><SrcDataSource>"
        f"{trial.inputs / 'parcels.gpkg'}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "WFS": f"<OGRWFSDataSource><URL>{url}</URL></OGRWFSDataSource>",
        "pipeline": json.dumps({"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read {inner}"}),
        "KML": f"<kml><NetworkLink><Link><href>{url}</href></Link></NetworkLink></kml>",
        "GML": f"<!DOCTYPE x [<!ENTITY a SYSTEM '{trial.good / 'run.toml'}'><!ENTITY b SYSTEM '{url}'>]>"
        "<gml:FeatureCollection xmlns:gml='http://www.opengis.net/gml'><gml:featureMember>&a;&b;</gml:featureMember>"
        "</gml:FeatureCollection>",
        "GML bomb": "<!DOCTYPE x [<!ENTITY a '0123456789'>"
        + "".join(f"<!ENTITY {chr(98 + i)} '{('&' + chr(97 + i) + ';') * 10}'>" for i in range(9))
        + "]><gml:FeatureCollection xmlns:gml='http://www.opengis.net/gml'>&j;</gml:FeatureCollection>",
        "SQL dump": "CREATE TABLE a (b int); INSERT INTO a VALUES (1);",
        "CSV": 'PIN,WKT\n1,"POLYGON((0 0,1 0,1 1,0 0))"\n',
        "page": f"<html><script src='{url}'></script></html>",
    }
    name = trial.one_of(menu)
    file = f"parcels.{trial.one_of(('gpkg', 'geojson', 'shp', 'fgb', 'json', 'vrt', 'xml', 'gml', 'kml', 'txt', ''))}"
    trial.town()
    path = trial.inputs / file.rstrip(".")
    path.write_text(menu[name], encoding="utf-8")
    trial.say(f"{file} is {name}")
    trial.town(parcels=path.name if not (trial.good / path.name).exists() else "parcels.gpkg")
    path.write_text(menu[name], encoding="utf-8")
    run_file = trial.inputs / "run.toml"
    run_file.write_text(run_file.read_text().replace('"parcels.gpkg"', json.dumps(path.name)))
    trial.screen()
    if trial.chance(0.3):
        trial.start(path.name)
