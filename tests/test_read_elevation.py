"""Opening the elevation raster: units, cells, fillers, bands."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from made_files import SOUTH_M, WEST_M, assert_one_sentence, city_params, make_city, plane, write_raster

from screening.errors import CRSError, InputError, UnitsError
from screening.read import read_city

US_SURVEY_FOOT_M = 1200 / 3937
PLACE = {"west": WEST_M - 20, "north": SOUTH_M + 110, "cell": 1.0}


@pytest.fixture
def city(tmp_path):
    """A function that writes an elevation raster beside nine lots and reads the city."""
    make_city(tmp_path)

    def read(z=None, *, height_unit="m", name="elevation.tif", settings=None, **raster):
        write_raster(tmp_path / name, plane(130, 130) if z is None else z, **{**PLACE, **raster})
        keys = {"inputs__elevation": tmp_path / name, "inputs__elevation_unit": height_unit, **(settings or {})}
        return read_city(city_params(tmp_path, **keys))

    return read


@pytest.mark.parametrize(
    ("crs", "band_unit", "stated", "factor"),
    [
        ("EPSG:26915+6360", None, "", US_SURVEY_FOOT_M),
        ("EPSG:26915+5703", None, "", 1.0),
        ("EPSG:26915", "ft", "", 0.3048),
        ("EPSG:26915", None, "us-ft", US_SURVEY_FOOT_M),
    ],
)
def test_heights_come_in_metres(city, crs, band_unit, stated, factor):
    got = city(plane(130, 130, base=800), height_unit=stated, crs=crs, unit=band_unit)
    assert got.elevation.z_factor == pytest.approx(factor, rel=1e-12)
    assert got.crs.to_epsg() == 26915
    z_m = got.elevation.read(got.elevation.bounds_m).z_m
    np.testing.assert_allclose(z_m, plane(130, 130, base=800).astype("float32") * factor, atol=1e-5)
    assert float(got.files[1].height_unit.removesuffix(" m")) == pytest.approx(factor, abs=1e-9)


def test_unknown_height_unit(city):
    with pytest.raises(UnitsError) as caught:
        city(height_unit="")
    assert_one_sentence(caught.value, "elevation.tif", "doesn't say", 'elevation_unit = "m"', "[inputs]")


def test_contradicting_height_unit(city):
    with pytest.raises(UnitsError) as caught:
        city(height_unit="m", crs="EPSG:26915+6360")
    assert_one_sentence(caught.value, "elevation.tif", "US survey foot", "'m'", "take the entry out")


def test_file_that_contradicts_itself(city):
    with pytest.raises(UnitsError) as caught:
        city(height_unit="", crs="EPSG:26915+5703", unit="ft")
    assert_one_sentence(caught.value, "elevation.tif", "contradicts itself", "elevation_unit")
    assert city(height_unit="ft", crs="EPSG:26915+5703", unit="ft").elevation.z_factor == 0.3048


@pytest.mark.parametrize("feet", [10.0, 9.85])
def test_coarse_cells_are_refused_unless_the_run_file_insists(city, feet):
    cell = feet * US_SURVEY_FOOT_M
    coarse = {"z": plane(50, 50), "cell": cell}
    with pytest.raises(InputError) as caught:
        city(**coarse)
    assert_one_sentence(caught.value, "elevation.tif", f"{cell:.3g} m", "3 m", "allow_coarse = true", "[siting]")
    got = city(**coarse, settings={"siting__allow_coarse": True})
    assert any("too coarse" in note for note in got.notes)


def test_middling_cells_bring_a_note_and_small_ones_none(city):
    assert any("blurred" in note for note in city(plane(70, 70), cell=2.0).notes)
    assert city().notes == ()
    # 3.2809 ft is one metre to everybody.
    assert city(cell=1.00005).notes == ()


def test_limits_of_the_cell_size_come_from_the_run_file(city):
    with pytest.raises(InputError, match=r"over 1\.5 m"):
        city(plane(70, 70), cell=2.0, settings={"siting__max_cell_m": 1.5})


@pytest.mark.parametrize("value", [-9999.0, -32768.0, 32767.0, 99999.0])
def test_undeclared_fillers_beyond_the_earth_are_refused(city, value):
    z = plane(130, 130)
    z[40:60, 40:45] = value
    with pytest.raises(InputError) as caught:
        city(z)
    assert_one_sentence(
        caught.value, "elevation.tif", f"height {value:g}", "%", f"elevation_nodata = {value:g}", "[inputs]"
    )
    got = city(z, settings={"inputs__elevation_nodata": value})
    assert np.isnan(got.elevation.read(got.elevation.bounds_m).z_m).sum() == 100


def test_undeclared_floating_point_filler_is_missing(city):
    z = plane(130, 130)
    z[40:60, 40:45] = -3.4028234663852886e38
    got = city(z)
    assert np.isnan(got.elevation.read(got.elevation.bounds_m).z_m).sum() == 100


def test_zero_far_below_the_town_is_refused(city):
    z = plane(130, 130, base=250)
    z[30:60, 30:60] = 0.0
    with pytest.raises(InputError) as caught:
        city(z)
    assert_one_sentence(caught.value, "elevation.tif", "height 0", "251 m", "elevation_nodata = 0", "[inputs]")
    assert city(z, settings={"inputs__elevation_nodata": 0}).elevation.nodata == (0.0,)
    # Whoever says that another number is the filler has looked.
    assert city(z, settings={"inputs__elevation_nodata": -1}).elevation.nodata == (-1.0,)


def test_zero_a_little_below_the_town_is_a_note(city):
    z = plane(130, 130, base=12)
    z[30:60, 30:60] = 0.0
    assert any("elevation_nodata = 0" in note for note in city(z).notes)


def test_zero_among_other_heights_is_ground(city):
    assert city(np.maximum(plane(130, 130, base=-3), 0.0)).notes == ()


def test_flat_ground_at_a_round_height_is_ground(city):
    z = np.full((130, 130), 100.0)
    z[50:60, 50:60] = 140.0
    assert city(z).notes == ()


def test_declared_filler_is_missing(city):
    z = plane(130, 130)
    z[:, :65] = -9999.0
    got = city(z, nodata=-9999)
    assert np.isnan(got.elevation.read(got.elevation.bounds_m).z_m).mean() == 0.5


def test_raster_without_any_height_over_the_lots(city):
    z = plane(130, 130)
    z[10:120, 10:120] = -9999.0
    with pytest.raises(InputError) as caught:
        city(z, nodata=-9999)
    assert_one_sentence(caught.value, "elevation.tif", "no height", "parcels.gpkg", "give the raster of this place")


def test_fillers_away_from_the_lots_do_not_matter(city):
    z = plane(130, 130)
    z[:15, :] = -9999.0  # more than 15 m north of the lots
    assert city(z).notes == ()


def test_several_bands(city):
    with pytest.raises(InputError) as caught:
        city(np.stack([plane(130, 130)] * 3))
    assert_one_sentence(caught.value, "elevation.tif", "3 bands", "extract the band")


def test_no_crs_and_its_way_out(city):
    with pytest.raises(CRSError) as caught:
        city(crs=None)
    assert_one_sentence(caught.value, "elevation.tif", "no coordinate system", "[inputs.crs]")
    got = city(crs=None, height_unit="", settings={"inputs__crs": {"elevation": "EPSG:26915+6360"}})
    assert got.elevation.z_factor == pytest.approx(US_SURVEY_FOOT_M)
    assert got.crs.to_epsg() == 26915
    assert got.notes == ()


def test_stated_crs_wins_and_is_noted(city):
    got = city(crs="EPSG:26914", settings={"inputs__crs": {"elevation": "EPSG:26915"}})
    assert got.crs.to_epsg() == 26915
    assert any("EPSG:26914" in note and "was taken" in note for note in got.notes)


def test_raster_without_place(tmp_path):
    make_city(tmp_path)
    path = tmp_path / "elevation.tif"
    with (
        pytest.warns(rasterio.errors.NotGeoreferencedWarning),
        rasterio.open(path, "w", driver="GTiff", width=9, height=9, count=1, dtype="float32") as dataset,
    ):
        dataset.write(plane(9, 9)[np.newaxis].astype("float32"))
    with pytest.raises(InputError) as caught:
        read_city(city_params(tmp_path, inputs__crs={"elevation": "EPSG:26915"}))
    assert_one_sentence(caught.value, "elevation.tif", "where it lies", "georeferenced")


def test_raster_elsewhere_tells_both_extents(city):
    with pytest.raises(InputError) as caught:
        city(west=WEST_M + 10_000)
    assert_one_sentence(
        caught.value,
        "parcels.gpkg and elevation.tif don't overlap",
        "x 480,000 to 480,090 m",
        "x 490,000 to 490,130 m",
        "44.9",
        "93.2",
        "[inputs.crs]",
    )


@pytest.mark.parametrize(
    ("east_of_west_m", "said"),
    [
        (-1, None),
        (0, None),
        (1, "3 of 9 parcels reach beyond the edge of elevation.tif."),
        (30, "3 of 9 parcels lie outside elevation.tif."),
        (45, "3 of 9 parcels lie outside elevation.tif, and 3 of 9 parcels reach beyond the edge of elevation.tif."),
    ],
)
def test_parcels_beyond_the_raster_are_counted_and_none_is_not_worth_a_word(city, east_of_west_m, said):
    got = city(west=WEST_M + east_of_west_m)
    assert got.notes == (() if said is None else (f"parcels.gpkg: {said}",))


def test_truncated_raster(tmp_path):
    make_city(tmp_path)
    path = tmp_path / "elevation.tif"
    path.write_bytes(path.read_bytes()[:30_000])
    with pytest.raises(InputError) as caught:
        read_city(city_params(tmp_path))
    assert_one_sentence(caught.value, "elevation.tif", "can't be read", "complete")


def test_vrt_with_a_missing_tile(tmp_path):
    from rasterio.shutil import copy

    make_city(tmp_path)
    copy(tmp_path / "elevation.tif", tmp_path / "mosaic.vrt", driver="VRT")
    params = city_params(tmp_path, inputs__elevation=tmp_path / "mosaic.vrt")
    city = read_city(params)
    assert [name for name, _ in city.files[1].sha256] == ["elevation.tif", "mosaic.vrt"]
    (tmp_path / "elevation.tif").unlink()
    with pytest.raises(InputError) as caught:
        read_city(params)
    assert_one_sentence(caught.value, "mosaic.vrt", "elevation.tif")


def test_large_rasters_are_looked_at_in_parts(city, monkeypatch):
    from screening.read import elevation

    monkeypatch.setattr(elevation, "SAMPLE_PART_CELLS", 12)
    z = plane(130, 130)
    z[20:110, 20:110][::3] = -9999.0
    with pytest.raises(InputError, match="elevation_nodata = -9999"):
        city(z)
    assert city().elevation.width == 130


def test_a_raster_of_few_heights_is_looked_at_as_a_whole(city, monkeypatch):
    from screening.read import elevation

    monkeypatch.setattr(elevation, "SAMPLE_PART_CELLS", 2)
    z = np.full((130, 130), -9999.0)
    z[60:63, 60:63] = 100.0
    assert city(z, nodata=-9999.0).elevation.width == 130
