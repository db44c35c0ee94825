"""What spoilt inputs once did, one test each: they are answered by one sentence, and nothing else happens."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import struct
import time
import zipfile
from contextlib import closing

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_files import SOUTH_M, WEST_M, assert_one_sentence, city_params, make_city, parcels_frame, plane, write_frame

from screening.batch import run
from screening.cli.main import main
from screening.cli.plain import message, one_line
from screening.errors import InputError, OutputExistsError, ParameterError, ScreeningError
from screening.params import load_params
from screening.paths import why_misread, why_unreadable
from screening.read import read_city
from screening.report.damage import find_damage
from screening.write.destination import check_output


@pytest.fixture
def town(tmp_path):
    """Nine lots with all their files, and a function that reads them again."""
    make_city(tmp_path)

    def read(**settings):
        return read_city(city_params(tmp_path, **settings))

    read.folder = tmp_path
    return read


def refused(read, *words, exit_code=3, **settings):
    start = time.perf_counter()
    with pytest.raises(ScreeningError) as caught:
        read(**settings)
    assert_one_sentence(caught.value, *words, exit_code=exit_code)
    assert time.perf_counter() - start < 15.0


@pytest.fixture
def listener():
    """A server that nobody may call; its address, and whether somebody did."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(4)
        server.settimeout(0.2)

        def was_called():
            try:
                server.accept()[0].close()
            except TimeoutError:
                return False
            return True

        was_called.url = f"http://127.0.0.1:{server.getsockname()[1]}/x"
        yield was_called


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices of Unix")
@pytest.mark.parametrize("role", ["parcels", "buildings", "elevation", "rain"])
@pytest.mark.parametrize("place", ["pipe", "/dev/zero", "circle"])
def test_what_is_no_file_is_not_opened(town, role, place):
    path = town.folder / f"odd.{'tif' if role == 'elevation' else 'csv' if role == 'rain' else 'gpkg'}"
    if place == "pipe":
        os.mkfifo(path)
    elif place == "circle":
        path.symlink_to(path)
    else:
        path = place
    words = "leads back to itself" if place == "circle" else "pipe or a device"
    refused(town, words, **{f"inputs__{role}": path})


@pytest.mark.parametrize("name", ["a!b", "!Projects", "a\nb", "a\tb", "x;y.gpkg"])
def test_a_name_that_leads_elsewhere_is_neither_read_nor_written(town, tmp_path, runner, name):
    """The library for layers takes what stands after a ! for the file, and leaves line breaks out."""
    folder = town.folder / name if not name.endswith(".gpkg") else town.folder
    folder.mkdir(exist_ok=True)
    path = folder / (name if name.endswith(".gpkg") else "lots.gpkg")
    path.write_bytes((town.folder / "parcels.gpkg").read_bytes())
    refused(town, "another file; rename it", inputs__parcels=path)
    before = sorted(town.folder.rglob("*"))
    done = runner.invoke(main, ["table", str(path), "-o", str(tmp_path / "list.csv")])
    assert done.exit_code == 3
    assert "takes for another file" in done.stderr
    with pytest.raises(ParameterError, match="written elsewhere"):
        check_output(path.with_name("a;b.gpkg" if folder == town.folder else "homes.gpkg"), overwrite=False)
    assert sorted(town.folder.rglob("*")) == before


def test_names_that_people_give_are_read(town):
    for name in ("a b", "Smith's", "50% done", "a#b", "what?", "[old] (1)", "a&b=c", "x:y", "é", "$HOME", "~"):
        folder = town.folder / name
        folder.mkdir()
        (folder / "lots.gpkg").write_bytes((town.folder / "parcels.gpkg").read_bytes())
        assert len(town(inputs__parcels=folder / "lots.gpkg").parcels) == 9
        assert why_misread(folder / "homes.gpkg") == ""


@pytest.mark.parametrize("name", ["http:x.gpkg", "//[x/a.gpkg"])
def test_a_relative_name_is_no_server(name):
    from pathlib import Path

    assert why_misread(Path(name)) != ""


def test_paths_that_are_none():
    from pathlib import Path

    assert why_unreadable(Path("/nowhere/at/all")) == "doesn't exist"
    assert "no name" in why_unreadable(Path("a\x00b"))
    assert "longer" in why_unreadable(Path("x" * 5000))
    assert "folder" in why_unreadable(Path("/"))
    assert why_unreadable(Path("/"), may_be_folder=True) == ""
    assert why_unreadable(Path(__file__)) == ""


@pytest.mark.parametrize("name", ["lots.gpkg", "lots.geojson", "lots.shp", "lots.xml", "lots.vrt"])
def test_a_description_of_other_files_is_no_layer(town, listener, name):
    path = town.folder / name
    for suffix in (".shx", ".dbf"):
        path.with_suffix(suffix).write_bytes(b"x")
    path.write_text(
        "<OGRVRTDataSource><OGRVRTLayer name='parcels'><SrcDataSource>/vsicurl/"
        f"{listener.url}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    refused(town, name, inputs__parcels=path)
    assert not listener()


def test_steps_for_gdal_are_not_carried_out(town):
    path = town.folder / "lots.geojson"
    command = f"gdal vector pipeline ! read {town.folder / 'parcels.gpkg'}"
    path.write_text(json.dumps({"type": "gdal_streamed_alg", "command_line": command}))
    refused(town, "can't be read as a GeoPackage", inputs__parcels=path)


def test_a_coordinate_system_is_not_fetched(town, listener):
    path = write_frame(parcels_frame().to_crs(4326), town.folder / "lots.geojson")
    data = json.loads(path.read_text())
    data["crs"] = {"type": "link", "properties": {"href": listener.url, "type": "proj4"}}
    path.write_text(json.dumps(data))
    try:
        town(inputs__parcels=path)
    except InputError as error:
        assert_one_sentence(error)
    assert not listener()


@pytest.mark.parametrize("content", ["VRT", "WMS", "page"])
def test_a_raster_does_not_reach_for_the_network(town, listener, content):
    path = town.folder / "ground.tif"
    path.write_text(
        {
            "VRT": "<VRTDataset rasterXSize='9' rasterYSize='9'><VRTRasterBand dataType='Float32' band='1'>"
            f"<SimpleSource><SourceFilename>/vsicurl/{listener.url}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>",
            "WMS": f"<GDAL_WMS><Service name='TMS'><ServerUrl>{listener.url}</ServerUrl></Service></GDAL_WMS>",
            "page": f"<html><img src='{listener.url}'></html>",
        }[content]
    )
    refused(town, "ground.tif", inputs__elevation=path)
    assert not listener()


def test_a_raster_with_code_is_refused(town):
    path = town.folder / "ground.vrt"
    path.write_text(
        "<VRTDataset rasterXSize='9' rasterYSize='9'><VRTRasterBand dataType='Float32' band='1' "
        "subClass='VRTDerivedRasterBand'><PixelFunctionLanguage>Python</PixelFunctionLanguage></VRTRasterBand>"
        "</VRTDataset>"
    )
    refused(town, "program code", "never run", inputs__elevation=path)


def test_virtual_rasters_of_real_ones_are_read(town):
    from rasterio.shutil import copy

    copy(town.folder / "elevation.tif", town.folder / "ground.vrt", driver="VRT")
    assert town(inputs__elevation=town.folder / "ground.vrt").elevation.cell_m == 1.0
    (town.folder / "circle.vrt").write_text(
        (town.folder / "ground.vrt").read_text().replace("elevation.tif", "circle.vrt")
    )
    refused(town, "circle.vrt", "more layers", inputs__elevation=town.folder / "circle.vrt")


def test_a_bomb_is_not_unpacked(town):
    path = town.folder / "lots.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("lots.geojson", b" " * 40_000_000)
    refused(town, "lots.zip", "40 MB", inputs__parcels=path)


def test_an_archive_does_not_hide_what_it_holds(town):
    path = town.folder / "lots.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("lots.geojson", "<OGRVRTDataSource/>")
    refused(town, "'lots.geojson' in lots.zip", inputs__parcels=path)


def test_a_view_without_end_is_refused(town):
    with closing(sqlite3.connect(town.folder / "parcels.gpkg", isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.executescript(
            "DROP TABLE parcels; CREATE VIEW parcels AS WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 "
            "FROM c) SELECT n AS fid, x'47500001' AS geom, n AS PIN FROM c"
        )
    refused(town, "parcels.gpkg", "doesn't come to an end")


def test_a_view_with_an_end_is_read(town):
    with closing(sqlite3.connect(town.folder / "parcels.gpkg", isolation_level=None)) as base:
        base.executescript(
            "CREATE VIEW lots AS SELECT * FROM parcels; INSERT INTO gpkg_contents (table_name, data_type, identifier, "
            "srs_id) SELECT 'lots', 'features', 'lots', srs_id FROM gpkg_contents WHERE table_name = 'parcels'; "
            "INSERT INTO gpkg_geometry_columns SELECT 'lots', column_name, geometry_type_name, srs_id, z, m "
            "FROM gpkg_geometry_columns WHERE table_name = 'parcels'"
        )
    assert len(town(inputs__layers={"parcels": "lots"}).parcels) == 9


def test_collections_without_end_count_as_unreadable(town):
    path = write_frame(parcels_frame(), town.folder / "lots.parquet")
    table = pq.read_table(path)
    wkb = table["geometry"].to_pylist()
    wkb[3] = struct.pack("<BII", 1, 7, 1) * 30_000 + wkb[3]
    place = table.schema.get_field_index("geometry")
    pq.write_table(table.set_column(place, "geometry", pa.array(wkb, pa.binary())), path)
    city = town(inputs__parcels=path)
    assert city.parcels.geometry.isna().tolist() == [i == 3 for i in range(9)]


@pytest.mark.parametrize("column", [True, {"bbox": "x"}, {"geometry_types": True}, {"encoding": 1}, {"covering": []}])
def test_geoparquet_described_wrongly(town, column):
    path = write_frame(parcels_frame(), town.folder / "lots.parquet")
    table = pq.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    geo["columns"]["geometry"] = column if column is True else geo["columns"]["geometry"] | column
    pq.write_table(table.replace_schema_metadata({b"geo": json.dumps(geo).encode()}), path)
    refused(town, "without GeoParquet geometry", inputs__parcels=path)


def test_coordinates_beyond_the_earth_count_as_unreadable(town):
    path = town.folder / "parcels.gpkg"
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        ring = np.array([[0.0, 0.0], [1.7e308, 0.0], [1.7e308, 1.0], [0.0, 0.0]]) + np.array([WEST_M, SOUTH_M])
        blob = (
            b"GP\x00\x01" + struct.pack("<i", 26915) + struct.pack("<BIII", 1, 3, 1, 4) + ring.astype("<f8").tobytes()
        )
        base.execute("UPDATE parcels SET geom = ? WHERE fid = 2", (blob,))
    try:
        city = town()
    except ScreeningError as error:
        assert_one_sentence(error)
    else:
        assert city.parcels.geometry.isna().sum() == 1


def test_a_text_grid_that_breaks_off_is_told_at_once(town):
    z = plane(130, 130)
    rows = "\n".join(" ".join(f"{v:.2f}" for v in line) for line in z)
    head = f"ncols 130\nnrows 130\nxllcorner {WEST_M - 20}\nyllcorner {SOUTH_M - 20}\ncellsize 1\nNODATA_value -9999\n"
    path = town.folder / "ground.asc"
    path.write_text(head + rows)
    crs = {"elevation": "EPSG:26915"}
    assert town(inputs__elevation=path, inputs__crs=crs).elevation.cell_m == 1.0
    path.write_text(head + rows[:-9])
    refused(town, "ground.asc breaks off", "16,899 of 16,900", inputs__elevation=path, inputs__crs=crs)


def test_cells_of_a_millimetre_are_refused(town):
    import rasterio
    from affine import Affine

    path = town.folder / "fine.tif"
    with rasterio.open(path, "w", driver="GTiff", height=200_000, width=200_000, count=1, dtype="float32", crs=26915,
                       transform=Affine(0.001, 0, WEST_M, 0, -0.001, SOUTH_M + 90), tiled=True, SPARSE_OK="TRUE",
                       BIGTIFF="YES"):  # fmt: skip
        pass
    refused(town, "fine.tif", "mm", inputs__elevation=path)


@pytest.mark.parametrize("text", ["a = " + "[" * 100_000, "a = " + "9" * 5_000, "a = '\x00'", "\x00"])
def test_run_files_that_are_none(tmp_path, text):
    path = tmp_path / "run.toml"
    path.write_text(text)
    with pytest.raises(ParameterError) as caught:
        load_params(path)
    assert "\n" not in str(caught.value)


def test_a_link_in_the_place_of_unfinished_work_is_not_followed(town):
    mine = town.folder / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("three years")
    (town.folder / "homes.gpkg.parts").symlink_to(mine)
    for more in ({}, {"overwrite": True}, {"resume": True}):
        with pytest.raises(OutputExistsError) as caught:
            run(city_params(town.folder), output=town.folder / "homes.gpkg", jobs=1, **more)
        assert_one_sentence(caught.value, "homes.gpkg.parts")
    assert (mine / "thesis.txt").read_text() == "three years"


def test_a_damaged_manifest_of_unfinished_work_is_no_obstacle(town):
    (town.folder / "homes.gpkg.parts").mkdir()
    (town.folder / "homes.gpkg.parts" / "manifest.json").write_text("[" * 100_000)
    assert run(city_params(town.folder), output=town.folder / "homes.gpkg", jobs=1, resume=True).failed_tiles == ()


@pytest.mark.parametrize("name", ["a\nb.gpkg", "\u202e.gpkg", "x" * 300 + ".gpkg"])
def test_outputs_of_odd_names(tmp_path, name):
    with pytest.raises(ParameterError):
        check_output(tmp_path / name, overwrite=False)


@pytest.mark.skipif(os.name != "posix", reason="pipes of Unix")
def test_outputs_that_are_no_files(tmp_path):
    os.mkfifo(tmp_path / "pipe.gpkg")
    (tmp_path / "gone.gpkg").symlink_to(tmp_path / "nowhere")
    for name in ("pipe.gpkg", "gone.gpkg"):
        with pytest.raises(ParameterError):
            check_output(tmp_path / name, overwrite=True)


@pytest.mark.parametrize("ending", ["-journal", "-wal"])
def test_a_leftover_journal_is_not_played_into_the_new_file(tmp_path, ending):
    (tmp_path / f"homes.gpkg{ending}").write_bytes(b"old")
    with pytest.raises(OutputExistsError) as caught:
        check_output(tmp_path / "homes.gpkg", overwrite=False)
    assert_one_sentence(caught.value, ending)


def test_messages_can_not_steer_a_terminal():
    text = one_line("field '\x1b[2J\x07\u202ex\r\nERROR: all went well\u2028' is missing")
    assert text.isprintable()
    assert "\\x1b[2J\\x07" in text
    assert len(one_line("x" * 100_000)) < 700
    many = message("run.toml: 900 problems:\n" + "\n".join(f"  - problem {i}" for i in range(900)))
    assert len(many.splitlines()) == 10
    assert many.endswith("  - and 892 more")


def test_options_are_repeated_without_their_controls(runner):
    done = runner.invoke(main, ["run\x1b[2J"])
    assert done.exit_code == 2
    assert "\x1b" not in done.stderr


def test_the_check_shows_controls_of_the_data_by_their_names(runner, tmp_path, monkeypatch):
    """What stands in data reaches the terminal through the words of the report."""
    (tmp_path / "run.toml").write_text(
        '[inputs]\nparcels = "p.gpkg"\nbuildings = "b.gpkg"\nelevation = "e.tif"\n', encoding="utf-8"
    )
    monkeypatch.setattr("screening.checks.told.report_text", lambda *_: "a field with \x1b[2J in it")
    done = runner.invoke(main, ["check", str(tmp_path / "run.toml")])
    assert "\\x1b[2J" in done.stdout
    assert "\x1b" not in done.stdout


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A result of nine lots."""
    folder = tmp_path_factory.mktemp("result")
    make_city(folder)
    run(city_params(folder), output=folder / "homes.gpkg", jobs=1)
    return folder / "homes.gpkg"


def test_a_good_result_shows_no_damage(result):
    assert find_damage(result) == ""


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE gardens SET area_m2 = 'wide'", "column area_m2"),
        ("UPDATE gardens SET area_m2 = 1e300", "column area_m2"),
        ("UPDATE candidate_homes SET rank = 7", "ranks"),
        ("UPDATE candidate_homes SET overflow_code = 'moon'", "unknown code 'moon'"),
        ("UPDATE candidate_homes SET home_id = 'a' || char(0) || rowid", "column home_id"),
        ("UPDATE gardens SET home_id = 'nobody'", "no candidate"),
        ("UPDATE gardens SET geom = x'00'", "shape in row 1"),
        ("ALTER TABLE gardens DROP COLUMN area_m2", "no column area_m2"),
        ("DELETE FROM gardens WHERE rowid > 0; DROP TABLE gardens", "list of layers"),
        ("UPDATE run_record SET value = '7' WHERE key = 'n_candidate_homes'", "run record"),
        ("UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'gardens'", "several coordinate systems"),
        (
            "UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = -7, definition = 'undefined'",
            "coordinate system is none",
        ),
    ],
)
def test_damage_is_named(result, tmp_path, statement, words):
    path = tmp_path / "homes.gpkg"
    path.write_bytes(result.read_bytes())
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.executescript(statement)
    text = find_damage(path)
    assert words in text
    assert text.endswith("take another copy.")


def test_an_endless_key_is_refused_before_it_is_parsed(tmp_path):
    path = tmp_path / "run.toml"
    path.write_text("a" + ".a" * 100_000 + " = 1\n", encoding="utf-8")
    begin = time.process_time()
    with pytest.raises(ParameterError, match="nested too deeply"):
        load_params(path)
    # the parser alone takes minutes
    assert time.process_time() - begin < 10.0
    path.write_text(f"[inputs]\nparcels = '{'a' * 200_000}.gpkg'\n", encoding="utf-8")
    assert load_params(path).inputs.parcels is not None


@pytest.mark.parametrize("setting", ["rain.dry_spell_h=1e300", "batch.tile_size_m=1e308"])
def test_an_absurd_parameter_is_out_of_its_range(setting):
    with pytest.raises(ParameterError):
        load_params(None, [setting])


def test_an_encoding_that_the_column_does_not_have_is_told(town):
    path = town.folder / "lots.parquet"
    parcels_frame().to_parquet(path)
    table = pq.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    geo["columns"][geo["primary_column"]]["encoding"] = "point"
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, b"geo": json.dumps(geo).encode()}), path)
    refused(town, "lots.parquet", inputs__parcels=path)


def test_a_view_in_the_place_of_a_layer_is_refused(result, tmp_path, runner):
    path = tmp_path / "homes.gpkg"
    path.write_bytes(result.read_bytes())
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.executescript(
            "DROP TABLE column_guide; CREATE VIEW column_guide AS WITH RECURSIVE c(n) AS "
            "(SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT n AS fid, n AS layer FROM c"
        )
    done = runner.invoke(main, ["table", str(path), "-o", str(tmp_path / "homes.csv")])
    assert done.exit_code == 3
    assert "a view stands" in done.stderr


def test_a_picture_is_not_written_where_the_words_fail(result, tmp_path, runner, monkeypatch):
    def fail(_):
        raise InputError("the file was changed.")

    monkeypatch.setattr("screening.report.explain.explain_text", fail)
    home = gpd.read_file(result, layer="candidate_homes")["home_id"][0]
    done = runner.invoke(main, ["explain", str(result), home, "-o", str(tmp_path / "home.svg")])
    assert done.exit_code == 3
    assert not (tmp_path / "home.svg").exists()


def test_an_index_of_zeros_leaves_no_shape(town):
    path = write_frame(parcels_frame(), town.folder / "lots.shp")
    index = path.with_suffix(".shx")
    index.write_bytes(index.read_bytes()[:100] + bytes(index.stat().st_size - 100))
    head = bytearray(path.read_bytes())
    struct.pack_into("<4d", head, 36, -9e6, -9e6, 9e6, 9e6)
    path.write_bytes(head)
    refused(town, "lots.shp", inputs__parcels=path)


def test_a_damaged_result_is_a_sentence_and_a_bug_is_a_traceback(result, tmp_path, runner, monkeypatch):
    path = tmp_path / "homes.gpkg"
    path.write_bytes(result.read_bytes())
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute("DELETE FROM gpkg_geometry_columns WHERE table_name = 'candidate_homes'")
        base.execute("UPDATE gpkg_contents SET data_type = 'tiles' WHERE table_name = 'candidate_homes'")
    home = gpd.read_file(result, layer="candidate_homes")["home_id"][0]
    done = runner.invoke(main, ["explain", str(path), home])
    assert done.exit_code == 3
    assert "layer candidate_homes" in done.stderr
    assert "Traceback" not in done.output
    monkeypatch.setattr("screening.report.explain.explain_text", lambda _: 1 / 0)
    done = runner.invoke(main, ["explain", str(result), home])
    assert isinstance(done.exception, ZeroDivisionError)


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices of Unix")
def test_start_waits_for_no_pipe(town, runner):
    for suffix in ("csv", "gpkg", "tif", "zip"):
        os.mkfifo(town.folder / f"pipe.{suffix}")
        done = runner.invoke(main, ["start", str(town.folder / f"pipe.{suffix}")])
        assert done.exit_code == 3
        assert "pipe or a device" in done.stderr
    # In a folder it is passed over, and the rest is found.
    done = runner.invoke(main, ["start", str(town.folder)])
    assert done.exit_code == 0
    done = runner.invoke(main, ["start", "--parcels", "x" * 5000])
    assert done.exit_code == 3
    assert "longer" in done.stderr


def test_a_storm_loss_out_of_measure_is_a_wrong_parameter():
    with pytest.raises(ParameterError, match="initial_loss_mm"):
        load_params(None, {"roof.initial_loss_mm": 1e23})


def test_where_no_downspout_is_near_nothing_is_compiled_anew(town):
    from screening.kernels.beds import prospects
    from screening.kernels.elevation import sample_many

    run(city_params(town.folder, rules__max_run_m=2.0), output=town.folder / "homes.gpkg", jobs=1)
    assert {str(kinds[0].dtype) for kinds in prospects.signatures} == {"float64"}
    assert {kinds[3].layout for kinds in sample_many.signatures} == {"C"}
