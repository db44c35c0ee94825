"""Files that can't be used: one sentence each, with what, where and the way out, and exit code 3."""

from __future__ import annotations

import json
import shutil
import sqlite3
import warnings
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from made_files import (
    SOUTH_M,
    WEST_M,
    assert_one_sentence,
    city_params,
    houses,
    lots,
    make_city,
    parcels_frame,
    write_frame,
)

from screening.batch.gather import gather
from screening.errors import CRSError, InputError, ParameterError, SchemaError
from screening.params import load_params
from screening.read import read_city, read_layer


@pytest.fixture
def town(tmp_path):
    """Nine lots with all their files, and a function that reads them again."""
    make_city(tmp_path)

    def read(**settings):
        return read_city(city_params(tmp_path, **settings))

    read.folder = tmp_path
    return read


def refuse(read, kind, *words, **settings):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(kind) as caught:
            read(**settings)
    assert type(caught.value) is kind
    assert_one_sentence(caught.value, *words, exit_code=2 if kind is ParameterError else 3)
    return str(caught.value)


def test_inputs_that_are_not_named():
    refuse(
        lambda: read_city(load_params(None, {"inputs.buildings": "b.gpkg"})),
        ParameterError,
        "[inputs]",
        "parcels and elevation",
        "run file",
    )


def test_files_that_are_not_there_are_all_told(town):
    text = refuse(
        town,
        InputError,
        "lots.gpkg (parcels) doesn't exist",
        "rain.csv (rain) doesn't exist",
        "keep_away 1 (well)",
        "[inputs]",
        inputs__parcels=town.folder / "lots.gpkg",
        inputs__rain=town.folder / "rain.csv",
        inputs__keep_away=[{"path": town.folder / "wells.gpkg", "kind": "well"}],
    )
    assert "buildings" not in text


def test_empty_file(town):
    (town.folder / "parcels.gpkg").write_bytes(b"")
    refuse(town, InputError, "parcels.gpkg (parcels) is an empty file")


@pytest.mark.parametrize("name", ["lots.gpkg", "lots.geojson", "lots.fgb", "lots.parquet", "lots.shp", "lots.txt"])
def test_files_of_another_kind(town, name):
    path = town.folder / name
    path.write_text("a letter to the mayor" * 20)
    if name.endswith("shp"):
        for suffix in (".shx", ".dbf"):
            path.with_suffix(suffix).write_text("nor this" * 20)
    refuse(town, InputError, name, inputs__parcels=path)


@pytest.mark.parametrize("name", ["lots.gpkg", "lots.geojson", "lots.fgb", "lots.parquet", "lots.shp", "lots.zip"])
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_files_that_break_off(town, name, share):
    n = 2_000
    x, y = np.random.default_rng(1).random((2, n)) * 80
    frame = gpd.GeoDataFrame(
        {"PIN": [f"{i:04d}" for i in range(n)]},
        geometry=shapely.box(WEST_M + x, SOUTH_M + y, WEST_M + x + 9, SOUTH_M + y + 9),
        crs="EPSG:26915",
    )
    path = town.folder / name
    if path.suffix == ".zip":
        write_frame(frame, town.folder / "lots.shp")
        with zipfile.ZipFile(path, "w") as archive:
            for part in town.folder.glob("lots.*"):
                if part.suffix != ".zip":
                    archive.write(part, part.name)
    else:
        write_frame(frame.to_crs(4326) if path.suffix == ".geojson" else frame, path)
    assert len(town(inputs__parcels=path).parcels) == n
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    refuse(town, InputError, name, inputs__parcels=path)


def test_shapefile_table_that_breaks_off(town):
    path = write_frame(parcels_frame(), town.folder / "lots.shp")
    table = path.with_suffix(".dbf")
    table.write_bytes(table.read_bytes()[:-400])
    refuse(town, InputError, "lots.dbf breaks off", "bytes", "export the file again", inputs__parcels=path)


@pytest.mark.parametrize("suffix", [".shx", ".dbf"])
def test_shapefile_without_a_part(town, suffix):
    path = write_frame(parcels_frame(), town.folder / "lots.shp")
    path.with_suffix(suffix).unlink()
    refuse(town, InputError, "lots.shp (parcels)", f"lots{suffix}", inputs__parcels=path)
    with pytest.raises(InputError) as caught:
        read_layer(path)
    assert_one_sentence(caught.value, "lots.shp", f"lots{suffix}", "copy all files")


def test_shapefile_without_prj_needs_a_stated_system(town):
    path = write_frame(parcels_frame(), town.folder / "lots.shp")
    path.with_suffix(".prj").unlink()
    refuse(
        town, CRSError, "lots.shp", "no coordinate system", 'parcels = "EPSG:..."', "[inputs.crs]", inputs__parcels=path
    )
    assert len(town(inputs__parcels=path, inputs__crs={"parcels": "EPSG:26915"}).parcels) == 9


def test_keep_away_layer_without_system(town):
    wells = gpd.GeoDataFrame(geometry=shapely.centroid(lots()))
    write_frame(wells, town.folder / "wells.gpkg")
    refuse(
        town,
        CRSError,
        "wells.gpkg",
        "no coordinate system",
        ".prj",
        inputs__keep_away=[{"path": town.folder / "wells.gpkg", "kind": "well"}],
    )


def test_record_that_breaks_a_bulk_read_is_named(town):
    path = write_frame(parcels_frame(), town.folder / "lots.fgb")
    content = path.read_bytes()
    path.write_bytes(content[:-300])
    text = refuse(
        town, InputError, "lots.fgb", "of 9", "repair that record or export the file again", inputs__parcels=path
    )
    assert any(f"record {number} of 9" in text for number in range(6, 10)), text


def test_text_that_is_not_utf8_names_field_and_record(town):
    path = town.folder / "parcels.gpkg"
    with sqlite3.connect(path) as base:
        for (name,) in base.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            base.execute(f'drop trigger "{name}"')
        base.execute("update parcels set PIN = cast(x'ff41' as text) where fid = 7")
    base.close()
    with pytest.raises(SchemaError) as caught:
        town()
    assert_one_sentence(caught.value, "parcels.gpkg", "'PIN'", "record 7", "UTF-8")


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("PINN", "did you mean 'PIN'?"),
        ("pin", "did you mean 'PIN'?"),
        ("zzz", "it has 'PIN', 'SITE_ADDRESS', 'OWNER', 'USE'"),
    ],
)
def test_fields_that_are_not_there(town, field, words):
    refuse(town, SchemaError, "parcels.gpkg", repr(field), words, "[fields]", fields__parcel_id=field)


def test_all_missing_fields_are_told_at_once(town):
    text = refuse(
        town,
        SchemaError,
        "has no field 'PINN'",
        "has no field 'USAGE'",
        fields__parcel_id="PINN",
        fields__land_use="USAGE",
    )
    assert "did you mean 'USE'" in text


def test_field_that_is_no_text(town):
    frame = parcels_frame()
    frame["LIST"] = [[1, 2]] * 9
    write_frame(frame, town.folder / "lots.parquet")
    refuse(
        town,
        SchemaError,
        "lots.parquet",
        "'LIST'",
        "[fields]",
        inputs__parcels=town.folder / "lots.parquet",
        fields__land_use="LIST",
    )


def test_layer_that_is_not_there(town):
    refuse(
        town,
        SchemaError,
        "parcels.gpkg",
        "'parcel'",
        "did you mean 'parcels'",
        "[inputs.layers]",
        inputs__layers={"parcels": "parcel"},
    )


def test_layer_of_the_wrong_shapes(town):
    points = gpd.GeoDataFrame({"PIN": ["1"]}, geometry=[shapely.Point(WEST_M, SOUTH_M)], crs=26915)
    write_frame(points, town.folder / "points.gpkg")
    refuse(
        town,
        SchemaError,
        "points.gpkg",
        "Point",
        "parcels needs polygon shapes",
        inputs__parcels=town.folder / "points.gpkg",
    )
    write_frame(points, town.folder / "mixed.gpkg", geometry_type="Unknown")
    refuse(town, SchemaError, "mixed.gpkg", "no polygon shape", "parcels", inputs__parcels=town.folder / "mixed.gpkg")


def test_tables_without_shapes(town):
    import pyogrio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(pd.DataFrame({"PIN": ["1"]}), town.folder / "table.gpkg")
    refuse(town, SchemaError, "table.gpkg", "table without geometry", inputs__parcels=town.folder / "table.gpkg")
    pd.DataFrame({"PIN": ["1"]}).to_parquet(town.folder / "table.parquet")
    refuse(
        town, SchemaError, "table.parquet", "without GeoParquet geometry", inputs__parcels=town.folder / "table.parquet"
    )


@pytest.mark.parametrize("role", ["parcels", "buildings"])
@pytest.mark.parametrize("suffix", [".gpkg", ".shp", ".parquet", ".geojson"])
def test_empty_layers(town, role, suffix):
    path = town.folder / f"none{suffix}"
    write_frame(parcels_frame().iloc[:0], path)
    refuse(town, InputError, path.name, "holds no record", f"for {role}", **{f"inputs__{role}": path})


def test_layer_of_null_shapes_only(town):
    frame = parcels_frame(geometry=np.full(9, None, dtype=object))
    write_frame(frame, town.folder / "parcels.gpkg", geometry_type="Polygon")
    refuse(town, InputError, "parcels.gpkg", "no shape that can be used", "parcels")


def test_empty_field_is_a_note(town):
    frame = parcels_frame()
    frame["PIN"] = None
    write_frame(frame, town.folder / "parcels.gpkg")
    city = town()
    assert city.parcels.parcel_id.tolist() == [None] * 9
    assert "parcels.gpkg: field 'PIN' is empty in every record." in city.notes


def test_metres_declared_as_degrees(town):
    write_frame(parcels_frame("EPSG:4326"), town.folder / "parcels.gpkg")
    refuse(town, CRSError, "parcels.gpkg", "WGS 84", "aren't degrees", 'parcels = "EPSG:..."', "[inputs.crs]")
    assert town(inputs__crs={"parcels": "EPSG:26915"}).crs.to_epsg() == 26915


def test_degrees_declared_as_metres(town):
    frame = parcels_frame().to_crs(4326).set_crs(26915, allow_override=True)
    write_frame(frame, town.folder / "parcels.gpkg")
    refuse(town, CRSError, "parcels.gpkg", "UTM zone 15N", "look like degrees", 'parcels = "EPSG:..."', "[inputs.crs]")


def test_feet_declared_as_metres(town):
    # State-plane feet taken for UTM metres: a place far from the raster.
    frame = parcels_frame(geometry=lots((2_800_000.0, 1_000_000.0), 0.3048))
    write_frame(frame, town.folder / "parcels.gpkg")
    text = refuse(town, InputError, "parcels.gpkg and elevation.tif don't overlap", "[inputs.crs]")
    assert "around 44.9" in text
    assert "around 8.4" in text


def test_unknown_stated_system(town):
    refuse(town, CRSError, "[inputs.crs] parcels", "'EPSG:0815'", inputs__crs={"parcels": "EPSG:0815"})


def test_local_system_without_a_place(town):
    local = 'LOCAL_CS["the mayor\'s grid",UNIT["metre",1]]'
    write_frame(parcels_frame(local), town.folder / "parcels.gpkg")
    refuse(town, CRSError, "parcels.gpkg", "no coordinate system", "[inputs.crs]")


def test_buildings_of_another_town_tell_both_extents(town):
    frame = gpd.GeoDataFrame(geometry=houses((WEST_M + 50_000, SOUTH_M)), crs=26915)
    write_frame(frame, town.folder / "buildings.gpkg")
    refuse(
        town,
        InputError,
        "parcels.gpkg and buildings.gpkg don't overlap",
        "x 480,000 to 480,090 m and y 4,980,000 to 4,980,090 m",
        "x 530,010 to 530,080 m",
        "N 93.2",
        "[inputs.crs]",
    )


def test_buildings_all_around_but_not_here(town):
    around = np.concatenate([houses((WEST_M + dx, SOUTH_M + dx)) for dx in (-9_000, 9_000)])
    write_frame(gpd.GeoDataFrame(geometry=around, crs=26915), town.folder / "buildings.gpkg")
    refuse(town, InputError, "buildings.gpkg", "nothing near the parcels of parcels.gpkg", "[inputs.crs]")


def test_streets_of_another_town_are_a_note(town):
    line = shapely.LineString([(WEST_M + 40_000, SOUTH_M), (WEST_M + 40_100, SOUTH_M)])
    write_frame(gpd.GeoDataFrame(geometry=[line], crs=26915), town.folder / "streets.gpkg")
    city = town(inputs__streets=town.folder / "streets.gpkg")
    assert len(city.streets) == 0
    assert any("streets.gpkg" in note and "holds nothing" in note for note in city.notes)


def test_a_stray_record_is_named(town):
    shapes = lots()
    shapes[6] = shapely.box(0, 0, 30, 30)
    write_frame(parcels_frame(geometry=shapes), town.folder / "parcels.gpkg")
    refuse(town, CRSError, "parcels.gpkg", "more than a town", "record 7 lies farthest out", "[inputs.crs]")


def test_across_the_antimeridian(town):
    shapes = [shapely.box(179.99, -17.01, 179.999, -17.0), shapely.box(-179.999, -17.01, -179.99, -17.0)]
    frame = gpd.GeoDataFrame({"PIN": ["1", "2"]}, geometry=shapes, crs=4326)
    write_frame(frame, town.folder / "parcels.gpkg")
    refuse(town, CRSError, "parcels.gpkg", "360 degrees of longitude", "antimeridian")


def test_box_without_parcels(tmp_path):
    params = make_city(tmp_path)
    with pytest.raises(InputError) as caught:
        read_city(params, bounds_m=(0.25, 0.0, 10.0, 1234567.125), margin_m=215.0)
    assert_one_sentence(
        caught.value,
        "parcels.gpkg has no parcel in the box 0.25,0,10,1234567.125;",
        "x 480,000 to 480,090 m",
        "y 4,980,000 to 4,980,090 m",
        "in metres of NAD83 / UTM zone 15N",
    )


def test_box_beside_the_parcels(tmp_path):
    params = make_city(tmp_path)
    box = (WEST_M - 60.5, SOUTH_M, WEST_M - 20.0, SOUTH_M + 50.0)
    assert len(read_city(params, bounds_m=box, margin_m=100.0).parcels) == 9
    with pytest.raises(InputError) as caught:
        gather(params, box, None, tmp_path)
    assert_one_sentence(caught.value, "the box 479939.5,4980000,479980,4980050;", "x 480,000 to 480,090 m")


@pytest.mark.parametrize("box", [(-93.3, 44.9, -93.2, 45.0), (-1e12, -1e12, -9e11, -9e11)])
def test_a_box_in_degrees_or_nowhere_is_shown_as_it_was_given(tmp_path, box):
    params = make_city(tmp_path)
    with pytest.raises(InputError) as caught:
        read_city(params, bounds_m=box, margin_m=215.0)
    assert_one_sentence(caught.value, "parcels.gpkg", f"the box {box[0]:.15g},{box[1]:.15g},")


def test_zip_archives(town):
    path = town.folder / "lots.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("readme.txt", "nothing here")
    refuse(town, InputError, "lots.zip", "holds no shapefile", inputs__parcels=path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.gpkg", b"1")
        archive.writestr("b.geojson", b"1")
    refuse(town, InputError, "lots.zip", "several data sets (a.gpkg, b.geojson)", "unpack", inputs__parcels=path)


def test_geojson_with_odd_records_keeps_them_as_rows(town):
    path = write_frame(parcels_frame().to_crs(4326), town.folder / "lots.geojson")
    content = json.loads(path.read_text())
    content["features"][2]["geometry"]["coordinates"] = [[[0, 0], [1, 1]]]
    content["features"][4]["geometry"] = {"type": "Polygone", "coordinates": 5}
    ring = content["features"][5]["geometry"]["coordinates"][0]
    ring.pop()  # not closed
    path.write_text(json.dumps(content))
    data = read_layer(path, columns=("PIN",))
    assert [shape is None for shape in data.geometry] == [i == 4 for i in range(9)]
    assert data.geometry[2].area == 0, "left to the cleaning"
    assert data.geometry[5].area > 0
    assert data.text["PIN"].tolist() == [f"00{i}" for i in range(1, 10)]


def test_folders_and_names_with_blanks_and_accents(town):
    folder = town.folder / "données de la ville (2019)"
    folder.mkdir()
    path = folder / "parcelles n° 1.gpkg"
    shutil.copy(town.folder / "parcels.gpkg", path)
    assert len(town(inputs__parcels=path).parcels) == 9
    archive = folder / "été.zip"
    write_frame(parcels_frame(), folder / "lots.shp")
    with zipfile.ZipFile(archive, "w") as file:
        for part in folder.glob("lots.*"):
            file.write(part, part.name)
    assert len(town(inputs__parcels=archive).parcels) == 9


def test_integer_column_that_holds_text_is_told(town):
    frame = parcels_frame()
    frame["NUMBER"] = range(9)
    path = write_frame(frame, town.folder / "parcels.gpkg")
    with sqlite3.connect(path) as base:
        for (name,) in base.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            base.execute(f'drop trigger "{name}"')
        base.execute("update parcels set NUMBER = '12-A' where fid = 4")
    base.close()
    refuse(town, SchemaError, "parcels.gpkg", "'NUMBER'", "record 4", "12-A", fields__parcel_id="NUMBER")
