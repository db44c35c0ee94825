"""Writing the result: valid, whole, the same bytes each time, and nothing half-written on any failure."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path

import fiona
import geopandas as gpd
import gpkg_validity
import made_up_result
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from screening import columns
from screening.errors import OutputExistsError, ParameterError, ScreeningError
from screening.write import check_output, package, write_package

CRS = made_up_result.CRS
SPATIAL = [layer.name for layer in columns.LAYERS if layer.geometry_type is not None]


def write(path, layers=None, *, crs=CRS, record=None, overwrite=False):
    layers = made_up_result.layers() if layers is None else layers
    record = made_up_result.record() if record is None else record
    write_package(path, layers, crs=crs, record=record, overwrite=overwrite)
    return path


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """The made-up result, written once."""
    return write(tmp_path_factory.mktemp("result") / "candidates.gpkg")


def query(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


# --- what stands in the file ---


def test_the_file_is_a_valid_geopackage(result):
    assert gpkg_validity.problems(result) == []


@pytest.mark.parametrize(
    ("damage", "complaint"),
    [
        ("PRAGMA application_id = 0", "application_id"),
        ("PRAGMA user_version = 10400", "user_version"),
        ("DELETE FROM rtree_gardens_geom WHERE id = 1", "index entries"),
        ("UPDATE gpkg_contents SET max_x = max_x + 1 WHERE table_name = 'gardens'", "bounds"),
        ("UPDATE gpkg_contents SET last_change = '2000-01-01T00:00:00Z' WHERE table_name = 'gardens'", "last_change"),
        ("UPDATE gpkg_geometry_columns SET geometry_type_name = 'POINT' WHERE z = 0", "layer of POINT"),
        ("CREATE TABLE extra (id INTEGER PRIMARY KEY)", "not registered"),
    ],
)
def test_the_judge_of_validity_sees_damage(result, tmp_path, damage, complaint):
    copy = tmp_path / "damaged.gpkg"
    copy.write_bytes(result.read_bytes())
    with contextlib.closing(sqlite3.connect(copy)) as connection, connection:
        connection.execute(damage)
    assert complaint in "; ".join(gpkg_validity.problems(copy))


def test_a_validator_of_others_agrees(result):
    # Debian ships it with python3-gdal; it needs nothing but sqlite3.
    places = [Path(folder) / "validate_gpkg.py" for folder in os.environ.get("PATH", "").split(os.pathsep)]
    places += sorted(Path("/usr/lib/python3/dist-packages").glob("osgeo_utils/samples/validate_gpkg.py"))
    script = next((place for place in places if place.is_file()), None)
    if script is None:
        pytest.skip("validate_gpkg.py (Debian's python3-gdal) is not on this machine")
    done = subprocess.run([sys.executable, script, result], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_fiona_reads_what_was_given(result):
    given = made_up_result.layers()
    assert fiona.listlayers(result) == [layer.name for layer in columns.LAYERS]
    for name in SPATIAL:
        frame = columns.conform(given[name], name)
        with fiona.open(result, layer=name) as layer:
            assert layer.crs.to_epsg() == 26915
            assert layer.schema["geometry"] == columns.layer(name).geometry_type
            assert list(layer.schema["properties"]) == list(columns.layer(name).column_names)
            read = list(layer)
        assert [row["id"] for row in read] == [str(number) for number in range(1, len(frame) + 1)]
        for record, wanted in zip(read, frame.geometry.to_numpy(), strict=True):
            shape = None if record["geometry"] is None else shapely.geometry.shape(record["geometry"])
            assert shapely.to_wkb(shape) == shapely.to_wkb(wanted)
        for column in columns.layer(name).column_names:
            wanted = [None if pd.isna(value) else value for value in frame[column]]
            assert [record["properties"][column] for record in read] == wanted, (name, column)


def test_text_stays_text_and_null_stays_null(result):
    rows = query(result, "SELECT parcel_id, typeof(parcel_id) FROM candidate_homes WHERE rank = 1")
    assert rows == [("0017", "text")]
    what = "typeof(home_id), typeof(area_m2), geom IS NULL"
    rows = query(result, f"SELECT {what} FROM other_parcels WHERE parcel_id = '0020'")  # noqa: S608
    assert rows == [("null", "null", 1)]


def test_every_column_is_in_the_guide(result):
    guide = {(layer, column) for layer, column in query(result, 'SELECT layer, "column" FROM column_guide')}
    tables = [row[0] for row in query(result, "SELECT table_name FROM gpkg_contents")]
    there = {(table, row[1]) for table in tables for row in query(result, f"PRAGMA table_info({table})")}
    assert guide == there
    assert query(result, "SELECT count(*) FROM column_guide WHERE meaning IS NULL OR meaning = ''") == [(0,)]


def test_the_record_is_in_the_order_of_its_keys(tmp_path):
    path = write(tmp_path / "a.gpkg", record={"b": "2", "a": "1", "C": ""})
    assert query(path, "SELECT key, value FROM run_record ORDER BY fid") == [("C", ""), ("a", "1"), ("b", "2")]


def test_layers_without_rows_have_their_columns(tmp_path):
    layers = {name: columns.empty(name, CRS) for name in SPATIAL}
    path = write(tmp_path / "empty.gpkg", layers)
    assert gpkg_validity.problems(path) == []
    for name in SPATIAL:
        info = pyogrio.read_info(path, layer=name)
        assert (info["features"], info["geometry_type"]) == (0, columns.layer(name).geometry_type)
        assert list(info["fields"]) == list(columns.layer(name).column_names)


def test_a_lean_result_has_no_trace_of_the_layers_left_out(tmp_path):
    layers = {name: frame for name, frame in made_up_result.layers().items() if not columns.layer(name).is_detail}
    path = write(tmp_path / "lean.gpkg", layers)
    assert gpkg_validity.problems(path) == []
    left_out = {layer.name for layer in columns.LAYERS if layer.is_detail}
    assert left_out.isdisjoint(fiona.listlayers(path))
    assert left_out.isdisjoint(row[0] for row in query(path, "SELECT DISTINCT layer FROM column_guide"))


@pytest.mark.parametrize("as_frame", [pd.DataFrame, gpd.GeoDataFrame])
def test_streets_without_geometry_are_a_table(tmp_path, as_frame):
    layers = made_up_result.layers()
    streets = layers["streets"]
    if as_frame is pd.DataFrame:
        layers["streets"] = pd.DataFrame(streets.drop(columns="geometry"))
    else:
        layers["streets"] = streets.set_geometry(gpd.GeoSeries([None] * len(streets), crs=CRS))
    path = write(tmp_path / "a.gpkg", layers)
    assert gpkg_validity.problems(path) == []
    assert query(path, "SELECT data_type FROM gpkg_contents WHERE table_name = 'streets'") == [("attributes",)]
    assert query(path, "SELECT street FROM streets") == [("Alder Street",)]
    assert query(path, "SELECT count(*) FROM column_guide WHERE layer = 'streets' AND \"column\" = 'geom'") == [(0,)]


def test_single_polygons_become_multipolygons_but_gardens_stay_polygons(tmp_path):
    layers = made_up_result.layers()
    lots = layers["candidate_homes"]
    layers["candidate_homes"] = lots.set_geometry(shapely.get_geometry(lots.geometry.to_numpy(), 0), crs=CRS)
    assert set(layers["candidate_homes"].geom_type) == {"Polygon"}
    path = write(tmp_path / "a.gpkg", layers)
    assert gpkg_validity.problems(path) == []
    beds = layers["gardens"]
    layers["gardens"] = beds.set_geometry([shapely.MultiPolygon([bed]) for bed in beds.geometry], crs=CRS)
    with pytest.raises(ValueError, match="no Polygon"):
        write(tmp_path / "b.gpkg", layers)
    assert not (tmp_path / "b.gpkg").exists()


def test_a_crs_without_a_code_is_kept_as_it_is(tmp_path):
    conversion = TransverseMercatorConversion(longitude_natural_origin=-93, false_easting=500_001)
    crs = ProjectedCRS(conversion, name="town grid", geodetic_crs=pyproj.CRS(4269))
    layers = made_up_result.layers()
    layers |= {name: layers[name].set_crs(crs, allow_override=True) for name in SPATIAL}
    path = write(tmp_path / "a.gpkg", layers, crs=crs)
    assert gpkg_validity.problems(path) == []
    read = pyogrio.read_dataframe(path, layer="gardens").crs
    assert (read.name, read.to_authority(min_confidence=70)) == ("town grid", None)
    parameters = {parameter.name: parameter.value for parameter in read.coordinate_operation.params}
    assert (parameters["False easting"], parameters["Longitude of natural origin"]) == (500_001, -93)


def test_a_layer_in_another_crs_is_refused(tmp_path):
    layers = made_up_result.layers()
    layers["gardens"] = layers["gardens"].to_crs(26916)
    with pytest.raises(ValueError, match="layer gardens is in"):
        write(tmp_path / "a.gpkg", layers)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["run_record", "something"])
def test_layers_that_are_not_the_callers_are_refused(tmp_path, name):
    layers = {**made_up_result.layers(), name: pd.DataFrame({"key": ["a"], "value": ["b"]})}
    with pytest.raises(ValueError, match=name):
        write(tmp_path / "a.gpkg", layers)


# --- the same bytes ---


def test_the_same_input_gives_the_same_bytes(result, tmp_path):
    layers = made_up_result.layers()
    other_order = dict(reversed(layers.items()))
    record = dict(reversed(made_up_result.record().items()))
    assert digest(write(tmp_path / "other name.gpkg", other_order, record=record)) == digest(result)
    # Over an older file, from another process with its own hash seed.
    code = f"""
        import sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from pathlib import Path
        import test_write
        test_write.write(Path(sys.argv[1]), overwrite=True)
    """
    again = tmp_path / "other name.gpkg"
    environment = {**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo", "OGR_CURRENT_DATE": "2031-01-01"}
    subprocess.run([sys.executable, "-c", textwrap.dedent(code), again], check=True, env=environment)
    assert digest(again) == digest(result)


def test_a_changed_number_changes_the_bytes(result, tmp_path):
    layers = made_up_result.layers()
    layers["gardens"].loc[0, "fall_m"] += 1e-9
    assert digest(write(tmp_path / "a.gpkg", layers)) != digest(result)


def test_options_of_gdal_are_set_back(tmp_path):
    pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "FULL", "OGR_CURRENT_DATE": None})
    try:
        write(tmp_path / "a.gpkg")
        assert pyogrio.get_gdal_config_option("OGR_SQLITE_SYNCHRONOUS") == "FULL"
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": None})


# --- refusing ---


def test_an_existing_output_is_kept_unless_overwritten(tmp_path):
    path = write(tmp_path / "a.gpkg")
    before = path.read_bytes()
    with pytest.raises(OutputExistsError, match="--overwrite"):
        check_output(path, overwrite=False)
    with pytest.raises(OutputExistsError, match="--overwrite"):
        write(path, record={"a": "b"})
    assert path.read_bytes() == before
    check_output(path, overwrite=True)
    write(path, record={"a": "b"}, overwrite=True)
    assert query(path, "SELECT key FROM run_record") == [("a",)]
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.gpkg"]


def test_overwriting_leaves_no_layer_of_the_older_result(tmp_path):
    path = write(tmp_path / "a.gpkg")
    write(path, {"gardens": columns.empty("gardens", CRS)}, overwrite=True)
    assert fiona.listlayers(path) == ["gardens", "run_record", "column_guide"]


def test_other_data_are_never_overwritten(tmp_path):
    path = tmp_path / "parcels.gpkg"
    made_up_result.layers()["candidate_homes"].to_file(path, layer="parcels")
    before = path.read_bytes()
    with pytest.raises(OutputExistsError, match="holds other data"):
        check_output(path, overwrite=True)
    assert path.read_bytes() == before


def test_a_result_open_in_another_program_is_not_replaced(tmp_path):
    path = write(tmp_path / "a.gpkg")
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("CREATE TABLE note (text)")
        other.commit()
        with pytest.raises(OutputExistsError, match="open in another program"):
            check_output(path, overwrite=True)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a.shp", r"ends in \.gpkg"),
        ("a", r"ends in \.gpkg"),
        ("nowhere/a.gpkg", "doesn't exist"),
        ("folder.gpkg", "is a folder"),
    ],
)
def test_impossible_names_are_refused(tmp_path, name, message):
    (tmp_path / "folder.gpkg").mkdir()
    with pytest.raises(ParameterError, match=message):
        check_output(tmp_path / name, overwrite=True)


def test_a_folder_that_cannot_be_written_is_refused(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("tempfile.TemporaryFile", refuse)
    with pytest.raises(ScreeningError, match=r"Read-only file system.*choose a folder"):
        check_output(tmp_path / "a.gpkg", overwrite=False)


@pytest.fixture
def small_disk(tmp_path):
    """Make a disk of a size, in kilobytes; only root may."""
    mounted = []

    def mount(size_kb, options="rw"):
        place = tmp_path / f"disk{size_kb}{options}"
        place.mkdir()
        arguments = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k,{options}", "tmpfs", place]
        try:
            done = subprocess.run(arguments, capture_output=True, check=False)
        except FileNotFoundError:
            pytest.skip("no mount command: a small disk cannot be made here")
        if done.returncode:
            pytest.skip("only root can make a small disk")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", "-l", place], check=True)


def test_a_read_only_disk_is_refused(small_disk):
    place = small_disk(100, "ro")
    with pytest.raises(ScreeningError, match="choose a folder where you may write"):
        check_output(place / "a.gpkg", overwrite=False)
    with pytest.raises(ScreeningError, match="choose a folder where you may write"):
        write(place / "a.gpkg")


# --- disk full ---


def many(n_rows):
    """The made-up layers, with as many candidates as wanted."""
    layers = made_up_result.layers()
    homes = layers["candidate_homes"].iloc[np.zeros(n_rows, dtype=int)].reset_index(drop=True)
    homes["home_id"] = [f"h-{number:06d}" for number in range(n_rows)]
    layers["candidate_homes"] = homes
    return layers


# Sizes at which different steps run out of room: creating the file, inserting rows, the commit, the styles at last.
@pytest.mark.parametrize("size_kb", [8, 48, 200, 700, 1400, 1900, 2068, 2100, 2200, 2324])
def test_a_full_disk_gives_one_sentence_and_leaves_nothing(small_disk, size_kb):
    place = small_disk(size_kb)
    layers = many(4000)
    with pytest.raises(ScreeningError) as caught:
        write(place / "a.gpkg", layers)
    message = str(caught.value)
    assert message.startswith("The disk is full"), message
    assert "\n" not in message
    assert "Make room" in message
    assert caught.value.exit_code == 1
    assert list(place.iterdir()) == []


@pytest.mark.parametrize("size_kb", [1920, 1960, 2000, 2040, 2100])
def test_an_index_that_found_no_room_is_noticed(small_disk, size_kb):
    # Here GDAL runs out of room while it closes the layer: it leaves out the index, and reports nothing.
    place = small_disk(size_kb)
    with pytest.raises(ScreeningError, match="disk is full"):
        write(place / "a.gpkg", {"candidate_homes": many(4000)["candidate_homes"]})
    assert list(place.iterdir()) == []


def test_a_full_disk_keeps_the_older_result(small_disk):
    place = small_disk(700)
    path = write(place / "a.gpkg")
    before = digest(path)
    with pytest.raises(ScreeningError, match="disk is full"):
        write(path, many(4000), overwrite=True)
    assert [entry.name for entry in place.iterdir()] == ["a.gpkg"]
    assert digest(path) == before


@pytest.mark.parametrize("limit_kb", [40, 300, 900])
def test_a_limit_on_file_size_reads_like_a_full_disk(tmp_path, limit_kb):
    # Works without root; the limit holds for a process, so it is one of its own.
    resource = pytest.importorskip("resource", reason="limits on file size are a thing of Unix")
    assert resource
    code = f"""
        import resource, sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from pathlib import Path
        import test_write
        from screening.errors import ScreeningError
        layers = test_write.many(4000)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({limit_kb} * 1024, {limit_kb} * 1024))
        try:
            test_write.write(Path(sys.argv[1]), layers)
        except ScreeningError as error:
            print(error)
    """
    command = [sys.executable, "-B", "-c", textwrap.dedent(code), tmp_path / "a.gpkg"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout.startswith("The disk is full"), done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


# --- other failures ---


@pytest.mark.parametrize("step", ["_write_table", "add_layer_styles", "_verify"])
@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError, ZeroDivisionError])
def test_nothing_is_left_whatever_goes_wrong(tmp_path, monkeypatch, step, error):
    path = write(tmp_path / "a.gpkg")
    before = digest(path)
    real = getattr(package, step)
    calls = []

    def fail_late(*args, **kwargs):
        calls.append(1)
        if step == "_write_table" and len(calls) < 3:
            return real(*args, **kwargs)
        raise error

    monkeypatch.setattr(package, step, fail_late)
    with pytest.raises(error):
        write(path, record={"new": "1"}, overwrite=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.gpkg"]
    assert digest(path) == before


def test_a_failure_that_is_not_the_disks_keeps_its_name(tmp_path, monkeypatch):
    def fail(*_, **__):
        raise RuntimeError("some bug")

    monkeypatch.setattr(package, "_verify", fail)
    with pytest.raises(RuntimeError, match="some bug"):
        write(tmp_path / "a.gpkg")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "damage",
    [
        "DELETE FROM gardens WHERE fid = 1",
        "UPDATE gpkg_ogr_contents SET feature_count = 1 WHERE table_name = 'gardens'",
        "DELETE FROM rtree_gardens_geom WHERE id = 1",
    ],
)
def test_rows_that_went_missing_are_noticed(tmp_path, monkeypatch, damage):
    real = package.add_layer_styles

    def lose_a_row(connection, *args, **kwargs):
        real(connection, *args, **kwargs)
        connection.execute("DROP TRIGGER IF EXISTS rtree_gardens_geom_delete")
        connection.execute(damage)

    monkeypatch.setattr(package, "add_layer_styles", lose_a_row)
    with pytest.raises(RuntimeError, match="layer gardens has rows"):
        write(tmp_path / "a.gpkg")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_appears_while_writing_is_kept(tmp_path, monkeypatch):
    path = tmp_path / "a.gpkg"
    real = package._verify

    def somebody_else_writes(*args):
        real(*args)
        path.write_text("theirs")

    monkeypatch.setattr(package, "_verify", somebody_else_writes)
    with pytest.raises(OutputExistsError):
        write(path)
    assert path.read_text() == "theirs"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.gpkg"]
