"""Reading a soil map: its field, its place, its messages."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from made_files import LOT_M, SOUTH_M, WEST_M, assert_one_sentence, city_params, write_frame
from pyproj import CRS

from screening.errors import CRSError, SchemaError
from screening.params import load_params
from screening.read.reader import Reader
from screening.read.soils import read_soils

PARCELS_M = (WEST_M, SOUTH_M, WEST_M + 3 * LOT_M, SOUTH_M + 3 * LOT_M)
AROUND_M = (WEST_M - 100, SOUTH_M - 100, WEST_M + 200, SOUTH_M + 200)


def soils_frame(crs="EPSG:26915"):
    west = shapely.box(WEST_M - 500, SOUTH_M - 500, WEST_M + LOT_M, SOUTH_M + 500)
    east = shapely.box(WEST_M + LOT_M, SOUTH_M - 500, WEST_M + 500, SOUTH_M + 500)
    far = shapely.box(WEST_M + 5000, SOUTH_M, WEST_M + 5100, SOUTH_M + 100)
    frame = gpd.GeoDataFrame(
        {"MUSYM": ["AbA", "Sd", "Qq"], "HYDGRP": ["B", None, "C"], "EMPTY": [None, None, None]},
        geometry=[west, east, far],
        crs="EPSG:26915",
    )
    return frame if crs is None else frame.to_crs(crs)


def read(folder, **changes):
    reader = Reader(crs=CRS(26915))
    return read_soils(reader, city_params(folder, **changes), (PARCELS_M, AROUND_M)), reader


@pytest.mark.parametrize(("name", "crs"), [("soils.gpkg", 26915), ("soils.shp", 4326), ("soils.parquet", 2263)])
def test_symbols_and_outlines_come_in_the_working_system(tmp_path, name, crs):
    path = write_frame(soils_frame(crs), tmp_path / name)
    layer, reader = read(tmp_path, inputs__soils=path, fields__soil="MUSYM")
    order = np.argsort(layer.symbol)
    assert layer.symbol[order].tolist() == ["AbA", "Sd"], "what lies far away is not read"
    np.testing.assert_allclose(shapely.area(layer.geometry[order]), [530.0 * 1000, 470.0 * 1000], rtol=1e-4)
    assert layer.where == f"{name}, field 'MUSYM'"
    (file,) = reader.files
    assert (file.role, file.name) == ("soils", name)
    assert len(file.sha256) >= 1


def test_a_run_without_a_soil_map(tmp_path):
    layer, reader = read(tmp_path)
    assert layer is None
    assert reader.files == []


def test_the_field_has_to_be_named_and_there(tmp_path):
    path = write_frame(soils_frame(), tmp_path / "soils.gpkg")
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, inputs__soils=path)
    assert_one_sentence(caught.value, "[fields] soil", "soils.gpkg", "'MUSYM', 'HYDGRP'")
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, inputs__soils=path, fields__soil="MUSYMB")
    assert_one_sentence(caught.value, "soils.gpkg", "'MUSYM'")
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, inputs__soils=path, fields__soil="EMPTY")
    assert_one_sentence(caught.value, "soils.gpkg, field 'EMPTY'", "empty in every record")


def test_records_without_a_value_are_noted(tmp_path):
    path = write_frame(soils_frame(), tmp_path / "soils.gpkg")
    layer, reader = read(tmp_path, inputs__soils=path, fields__soil="HYDGRP")
    assert sorted(layer.symbol, key=str) == ["B", None]
    assert "soils.gpkg, field 'HYDGRP': 1 records without a value count as unmapped." in reader.notes


def test_layers_and_systems_may_be_stated(tmp_path):
    path = tmp_path / "soils.gpkg"
    soils_frame().to_file(path, layer="units", engine="pyogrio")
    soils_frame().iloc[:1].to_file(path, layer="other", engine="pyogrio")
    layer, _ = read(tmp_path, inputs__soils=path, fields__soil="MUSYM", inputs__layers__soils="units")
    assert len(layer.symbol) == 2
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, inputs__soils=path, fields__soil="MUSYM")
    assert_one_sentence(caught.value, "several layers", 'add soils = "..." under [inputs.layers]')
    bare = write_frame(soils_frame().set_crs(None, allow_override=True), tmp_path / "bare.shp")
    with pytest.raises(CRSError) as caught:
        read(tmp_path, inputs__soils=bare, fields__soil="MUSYM")
    assert_one_sentence(caught.value, "bare.shp", 'add soils = "EPSG:..." under [inputs.crs]')
    layer, _ = read(tmp_path, inputs__soils=bare, fields__soil="MUSYM", inputs__crs__soils="EPSG:26915")
    assert len(layer.symbol) == 2


def test_a_map_of_points_is_refused(tmp_path):
    frame = gpd.GeoDataFrame({"MUSYM": ["a"]}, geometry=[shapely.Point(WEST_M, SOUTH_M)], crs=26915)
    path = write_frame(frame, tmp_path / "soils.gpkg")
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, inputs__soils=path, fields__soil="MUSYM")
    assert_one_sentence(caught.value, "soils.gpkg", "Point", "soils needs polygon shapes")


def test_a_map_of_elsewhere_is_noted(tmp_path):
    path = write_frame(soils_frame().iloc[2:], tmp_path / "soils.gpkg")
    layer, reader = read(tmp_path, inputs__soils=path, fields__soil="MUSYM")
    assert len(layer.symbol) == 0
    assert any("holds nothing" in note for note in reader.notes)


def test_the_run_file_names_a_soil_map(tmp_path):
    (tmp_path / "run.toml").write_text(
        '[inputs]\nsoils = "soils.gpkg"\n[fields]\nsoil = "MUSYM"\n'
        '[soil]\ndefault = "loam"\n[soil.classes]\nAbA = "silt loam"\n"Ur 2" = "compacted loam"\n'
    )
    params = load_params(tmp_path / "run.toml")
    assert params.inputs.soils == tmp_path / "soils.gpkg"
    assert params.fields.soil == "MUSYM"
    assert params.soil.classes == {"AbA": "silt loam", "Ur 2": "compacted loam"}
    assert params.record()["soil.classes"] == "AbA=silt loam;Ur 2=compacted loam"
