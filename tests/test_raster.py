"""Windows of the elevation raster: places, units, fillers, and sampling from other systems."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from made_files import assert_one_sentence, plane, write_raster
from pyproj import CRS, Transformer
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT

from screening.crs import metric_twin
from screening.errors import CRSError, InputError
from screening.raster import ElevationSource, cell_size_m, make_source, read_header

WEST, NORTH = 480_000.0, 4_980_100.0
UTM = CRS(26915)
US_SURVEY_FOOT_M = 1200 / 3937


@pytest.fixture
def numbered(tmp_path):
    """10 x 20 cells of 2 m that hold row * 100 + column."""
    z = np.add.outer(np.arange(10) * 100, np.arange(20))
    return write_raster(tmp_path / "dem.tif", z, west=WEST, north=NORTH, cell=2.0)


def source_of(path, crs=UTM, factor=1.0, nodata=()) -> ElevationSource:
    return make_source(read_header(path), crs, z_factor=factor, nodata=nodata)


def test_header(numbered):
    header = read_header(numbered)
    assert (header.width, header.height, header.n_bands) == (20, 10, 1)
    assert header.bounds == (WEST, NORTH - 20, WEST + 40, NORTH)
    assert header.known_crs.to_epsg() == 26915
    assert header.files == (numbered,)


def test_whole_raster(numbered):
    source = source_of(numbered)
    window = source.read((WEST - 50, NORTH - 50, WEST + 90, NORTH + 50))
    assert window.z_m.shape == (10, 20)
    assert window.z_m.dtype == np.float64
    assert (window.x0_m, window.y0_m, window.cell_m) == (WEST, NORTH, 2.0)
    assert window.z_m[3, 7] == 307
    assert source.bounds_m == (WEST, NORTH - 20, WEST + 40, NORTH)


def test_window_holds_every_cell_it_touches(numbered):
    window = source_of(numbered).read((WEST + 4.5, NORTH - 7.0, WEST + 6.5, NORTH - 4.0))
    # Columns 2 and 3; rows 2 (y from -4 to -6) and 3 (to -8).
    assert window.z_m.tolist() == [[202, 203], [302, 303]]
    assert (window.x0_m, window.y0_m) == (WEST + 4, NORTH - 4)


def test_window_on_cell_edges_takes_no_neighbour(numbered):
    window = source_of(numbered).read((WEST + 4, NORTH - 8, WEST + 8, NORTH - 4))
    assert window.z_m.tolist() == [[202, 203], [302, 303]]


def test_window_beyond_the_raster_is_clipped_and_elsewhere_empty(numbered):
    source = source_of(numbered)
    assert source.read((WEST - 100, NORTH - 3, WEST + 3, NORTH + 100)).z_m.tolist() == [[0, 1], [100, 101]]
    assert source.read((0, 0, 10, 10)).z_m.size == 0
    assert source.read((WEST + 100, NORTH - 10, WEST + 110, NORTH)).z_m.shape[1] == 0


@settings(max_examples=60, deadline=None)
@given(x=st.floats(-10, 45), y=st.floats(-30, 10), width=st.floats(0.01, 30), height=st.floats(0.01, 30))
def test_every_window_is_a_part_of_the_whole(tmp_path_factory, x, y, width, height):
    path = tmp_path_factory.getbasetemp() / "part.tif"
    if not path.exists():
        write_raster(path, plane(10, 20, base=50), west=WEST, north=NORTH, cell=2.0)
    source = source_of(path)
    whole = source.read(source.bounds_m).z_m
    part = source.read((WEST + x, NORTH + y, WEST + x + width, NORTH + y + height))
    col, row = (part.x0_m - WEST) / 2, (NORTH - part.y0_m) / 2
    assert col == int(col)
    assert row == int(row)
    rows, cols = part.z_m.shape
    np.testing.assert_array_equal(part.z_m, whole[int(row) : int(row) + rows, int(col) : int(col) + cols])


def test_missing_cells_are_nan(tmp_path):
    z = np.array([[1.0, -9999.0, np.nan], [4.0, -3.4e38, 6.0]])
    path = write_raster(tmp_path / "dem.tif", z, west=WEST, north=NORTH, cell=1.0, nodata=-9999)
    got = source_of(path, nodata=(6.0,)).read((WEST, NORTH - 2, WEST + 3, NORTH)).z_m
    np.testing.assert_array_equal(np.isnan(got), [[False, True, True], [False, True, True]])
    assert got[0, 0] == 1.0


def test_whole_numbers_scale_and_offset(tmp_path):
    path = write_raster(
        tmp_path / "dem.tif", [[12_345, -32_768]], west=WEST, north=NORTH, cell=1.0, dtype="int16", nodata=-32_768
    )
    with rasterio.open(path, "r+") as dataset:
        dataset.scales, dataset.offsets = (0.01,), (100.0,)
    got = source_of(path).read((WEST, NORTH - 1, WEST + 2, NORTH)).z_m
    assert got[0, 0] == 223.45
    assert np.isnan(got[0, 1])


def test_masks_count_as_missing(tmp_path):
    path = write_raster(tmp_path / "dem.tif", [[5.0, 6.0]], west=WEST, north=NORTH, cell=1.0)
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as dataset:
        dataset.write_mask(np.array([[255, 0]], dtype=np.uint8))
    got = source_of(path).read((WEST, NORTH - 1, WEST + 2, NORTH)).z_m
    np.testing.assert_array_equal(np.isnan(got), [[False, True]])


def test_rows_that_run_north_are_turned(tmp_path, numbered):
    z = np.add.outer(np.arange(10) * 100, np.arange(20))
    upside = write_raster(
        tmp_path / "up.tif", z[::-1], west=0, north=0, cell=1, transform=Affine(2, 0, WEST, 0, 2, NORTH - 20)
    )
    box = (WEST + 4, NORTH - 8, WEST + 9, NORTH - 3)
    one, other = source_of(numbered).read(box), source_of(upside).read(box)
    np.testing.assert_array_equal(one.z_m, other.z_m)
    assert (one.x0_m, one.y0_m) == (other.x0_m, other.y0_m)


def test_feet_give_the_town_in_metres(tmp_path):
    heights_ft = plane(30, 40, base=300)
    feet = write_raster(
        tmp_path / "ft.tif", heights_ft, west=1e6, north=2e5, cell=3.0, crs="EPSG:2263", dtype="float64"
    )
    source = source_of(feet, metric_twin(CRS(2263)), factor=US_SURVEY_FOOT_M)
    assert source.crs.to_epsg() == 32118
    assert not source.is_warped
    assert source.cell_m == pytest.approx(3 * US_SURVEY_FOOT_M, rel=1e-12)
    assert source.x0_m == pytest.approx(1e6 * US_SURVEY_FOOT_M, rel=1e-12)
    window = source.read(source.bounds_m)
    np.testing.assert_allclose(window.z_m, heights_ft * US_SURVEY_FOOT_M, rtol=0, atol=6e-6)
    np.testing.assert_array_equal(window.z_m, np.round(window.z_m, 5))


def geographic(tmp_path, crs="EPSG:4269"):
    """A raster in degrees whose heights are an exact plane in longitude and latitude."""
    lon0, lat0, step = -93.26, 44.98, 1 / 36_000  # a tenth of a second: about 3 m by 2 m
    z = plane(120, 150, base=250, per_col=0.03, per_row=-0.05)
    return (
        write_raster(tmp_path / "deg.tif", z, west=lon0, north=lat0, cell=step, crs=crs, dtype="float64"),
        lon0,
        lat0,
        step,
    )


def test_degrees_are_sampled_on_a_grid_anchored_at_zero(tmp_path):
    path, lon0, lat0, step = geographic(tmp_path)
    source = source_of(path)
    assert source.is_warped
    # A tenth of a second of latitude is 3.09 m here; the longer side decides, rounded to 1 cm.
    assert source.cell_m == pytest.approx(3.09, abs=0.011)
    assert source.x0_m / source.cell_m == pytest.approx(round(source.x0_m / source.cell_m), abs=1e-6)
    window = source.read(source.bounds_m)
    rows, cols = window.z_m.shape
    x = window.x0_m + (np.arange(cols) + 0.5) * window.cell_m
    y = window.y0_m - (np.arange(rows) + 0.5) * window.cell_m
    lon, lat = Transformer.from_crs(UTM, 4269, always_xy=True).transform(*np.meshgrid(x, y))
    expected = 250 + 0.03 * ((lon - lon0) / step - 0.5) - 0.05 * ((lat0 - lat) / step - 0.5)
    known = np.isfinite(window.z_m)
    assert known.mean() > 0.9
    np.testing.assert_allclose(window.z_m[known], expected[known], atol=2e-5)


def test_sampling_agrees_with_gdals_exact_warper(tmp_path):
    rng = np.random.default_rng(4)
    z = rng.normal(250, 5, (120, 150))
    path = write_raster(
        tmp_path / "deg.tif", z, west=-93.26, north=44.98, cell=1 / 36_000, crs="EPSG:4269", dtype="float64"
    )
    source = source_of(path)
    window = source.read(source.bounds_m)
    grid = Affine(source.cell_m, 0, source.x0_m, 0, -source.cell_m, source.y0_m)
    with (
        rasterio.open(path) as dataset,
        WarpedVRT(
            dataset,
            crs="EPSG:26915",
            transform=grid,
            width=source.width,
            height=source.height,
            resampling=Resampling.bilinear,
            tolerance=1e-9,  # 0 makes it fail
            XSCALE=1,  # plain bilinear, no wider kernel where cells grow
            YSCALE=1,
            nodata=-9999,
        ) as warped,
    ):
        other = warped.read(1)
    # Along the rim GDAL uses fewer than four neighbours where we give nothing.
    inner = np.isfinite(window.z_m)
    assert inner.mean() > 0.9
    np.testing.assert_allclose(window.z_m[inner], other[inner], atol=1e-4)


def test_sampled_heights_do_not_depend_on_the_window(tmp_path):
    path, *_ = geographic(tmp_path)
    source = source_of(path)
    west, south, east, north = source.bounds_m
    whole = source.read(source.bounds_m).z_m
    half = (west + 131.7, south + 55.5, east - 77.3, north - 20.1)
    part = source.read(half)
    col = round((part.x0_m - west) / source.cell_m)
    row = round((north - part.y0_m) / source.cell_m)
    rows, cols = part.z_m.shape
    np.testing.assert_array_equal(part.z_m, whole[row : row + rows, col : col + cols])


def test_sampling_is_missing_where_a_neighbour_is_missing(tmp_path):
    z = plane(40, 40)
    z[20, 20] = np.nan
    path = write_raster(tmp_path / "deg.tif", z, west=-93.26, north=44.98, cell=1 / 36_000, crs="EPSG:4269")
    source = source_of(path)
    missing = np.isnan(source.read(source.bounds_m).z_m)
    inside = missing[5:-5, 5:-5]
    assert 1 <= inside.sum() <= 9


def test_oblong_cells_are_sampled_to_squares(tmp_path):
    z = plane(50, 80, per_col=0.1, per_row=0.0)
    path = write_raster(tmp_path / "dem.tif", z, west=0, north=0, cell=1, transform=Affine(1, 0, WEST, 0, -2, NORTH))
    source = source_of(path)
    assert source.is_warped
    assert source.cell_m == 2.0
    window = source.read((WEST + 20, NORTH - 40, WEST + 40, NORTH - 20))
    x = window.x0_m + (np.arange(window.z_m.shape[1]) + 0.5) * 2
    np.testing.assert_allclose(window.z_m[0], 100 + 0.1 * (x - WEST - 0.5), atol=1e-5)


def test_cell_size_of_another_system_is_the_longer_side(tmp_path):
    path = write_raster(tmp_path / "sec.tif", plane(30, 30), west=-93.26, north=44.98, cell=1 / 10_800, crs="EPSG:4269")
    # A third of an arc second is 10.3 m from north to south (a degree of latitude: 111.13 km at 45 degrees).
    assert cell_size_m(read_header(path), UTM) == pytest.approx(111_131 / 10_800, abs=0.02)


def test_rotated_rasters_are_refused(tmp_path):
    path = write_raster(
        tmp_path / "turned.tif", plane(9, 9), west=0, north=0, cell=1, transform=Affine(1, 0.2, WEST, 0.2, -1, NORTH)
    )
    with pytest.raises(InputError) as caught:
        source_of(path)
    assert_one_sentence(caught.value, "turned.tif", "rotated", "north-up")


def test_raster_without_crs_names_the_entry(tmp_path):
    path = write_raster(tmp_path / "bare.tif", plane(9, 9), west=WEST, north=NORTH, cell=1.0, crs=None)
    with pytest.raises(CRSError) as caught:
        source_of(path)
    assert_one_sentence(caught.value, "bare.tif", "no coordinate system", 'elevation = "EPSG:..."', "[inputs.crs]")


def test_ascii_grid_and_vrt(tmp_path, numbered):
    text = "ncols 3\nnrows 2\nxllcorner 480000\nyllcorner 4980000\ncellsize 2\nNODATA_value -9999\n1 2 3\n4 -9999 6\n"
    (tmp_path / "dem.asc").write_text(text)
    (tmp_path / "dem.prj").write_text(CRS(26915).to_wkt("WKT1_ESRI"))
    source = source_of(tmp_path / "dem.asc")
    got = source.read(source.bounds_m).z_m
    assert source.bounds_m == (480_000, 4_980_000, 480_006, 4_980_004)
    assert got[0].tolist() == [1, 2, 3]
    assert np.isnan(got[1, 1])

    from rasterio.shutil import copy

    copy(numbered, tmp_path / "mosaic.vrt", driver="VRT")
    source = source_of(tmp_path / "mosaic.vrt")
    assert source.read(source.bounds_m).z_m[3, 7] == 307
    assert set(source.header.files) == {tmp_path / "mosaic.vrt", numbered}


def test_truncated_raster_is_one_sentence(tmp_path):
    path = write_raster(
        tmp_path / "cut.tif", np.random.default_rng(1).random((300, 300)), west=WEST, north=NORTH, cell=1.0
    )
    path.write_bytes(path.read_bytes()[:150_000])
    source = source_of(path)
    with pytest.raises(InputError) as caught:
        source.read(source.bounds_m)
    assert_one_sentence(caught.value, "cut.tif", "can't be read", "complete")


@pytest.mark.parametrize("content", [b"", b"not a raster"])
def test_what_is_no_raster_is_one_sentence(tmp_path, content):
    path = tmp_path / "dem.tif"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_header(path)
    assert_one_sentence(caught.value, "dem.tif", "GeoTIFF")


def test_source_travels_to_other_processes(numbered):
    source = source_of(numbered)
    before = source.read(source.bounds_m)
    other = pickle.loads(pickle.dumps(source))  # noqa: S301
    np.testing.assert_array_equal(other.read(other.bounds_m).z_m, before.z_m)


@pytest.mark.parametrize(
    "names", [("PROJ_LIB",), ("PROJ_DATA",), ("GDAL_DATA",), ("PROJ_LIB", "GDAL_DATA", "PROJ_NETWORK")]
)
@pytest.mark.parametrize("first", ["", "import rasterio, pyogrio;"])
def test_another_programs_data_files_do_no_harm(tmp_path, names, first):
    path = write_raster(tmp_path / "dem.tif", plane(9, 9), west=WEST, north=NORTH, cell=1.0, crs="EPSG:26915+6360")
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "proj.db").write_text("another program's")
    code = (
        f"{first}from pathlib import Path; from screening.raster import read_header;"
        "from screening.crs import vertical_factor;"
        f"h = read_header(Path({str(path)!r}));"
        "print(h.crs.name, vertical_factor(crs=h.crs, band_unit=h.band_unit, stated_unit='', where='dem.tif'));"
        "import os; print(sorted(n for n in os.environ if n in ('PROJ_LIB', 'PROJ_DATA', 'GDAL_DATA')))"
    )
    values = {name: "ON" if name == "PROJ_NETWORK" else str(foreign) for name in names}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **values},
        cwd=Path(__file__).parent.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    out = done.stdout.splitlines()
    assert out[0].startswith("NAD83 / UTM zone 15N + NAVD88 height (ftUS) 0.30480060")
    assert out[1] == str(sorted(n for n in names if n != "PROJ_NETWORK")), "the environment is left as it was"
