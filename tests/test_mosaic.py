"""Several rasters as one elevation: the same heights and the same result, and a word where they don't fit."""

from __future__ import annotations

import pickle
import re
import sqlite3
from itertools import pairwise

import numpy as np
import pytest
from affine import Affine
from made_files import SOUTH_M, WEST_M, assert_one_sentence, city_params, make_city, plane, write_raster
from made_lots import one_home

import screening
from screening.errors import CRSError, InputError, ScreeningError, UnitsError
from screening.params import load_params
from screening.raster import tile_files
from screening.read import read_city

WEST, NORTH = WEST_M - 20, SOUTH_M + 110
GROUND = plane(130, 130) + np.random.default_rng(4).normal(0.0, 0.03, (130, 130))


def write_tiles(folder, z, cuts=((0, 70, 130), (0, 50, 130)), *, west=WEST, north=NORTH, cell=1.0, **raster):
    """Cut an array into files named by their place; returns their paths in order of names."""
    folder.mkdir(exist_ok=True)
    found = []
    rows, cols = cuts
    for top, bottom in pairwise(rows):
        for left, right in pairwise(cols):
            path = folder / f"t_{top:03d}_{left:03d}.tif"
            place = {"west": west + left * cell, "north": north - top * cell, "cell": cell}
            found.append(write_raster(path, z[top:bottom, left:right], **place, **raster))
    return found


@pytest.fixture
def city(tmp_path):
    """A function that reads nine lots with the elevation given."""
    make_city(tmp_path)

    def read(elevation, **settings):
        return read_city(city_params(tmp_path, **{"inputs__elevation": elevation, **settings}))

    return read


def windows(source, other, n=40):
    rng = np.random.default_rng(1)
    west, south, east, north = source.bounds_m
    for _ in range(n):
        x, y = np.sort(rng.uniform(west - 5, east + 5, 2)), np.sort(rng.uniform(south - 5, north + 5, 2))
        yield source.read((x[0], y[0], x[1], y[1])), other.read((x[0], y[0], x[1], y[1]))


def assert_same_heights(source, other):
    assert (source.x0_m, source.y0_m, source.cell_m) == (other.x0_m, other.y0_m, other.cell_m)
    assert (source.width, source.height) == (other.width, other.height)
    for one, two in windows(source, other):
        assert (one.x0_m, one.y0_m, one.cell_m) == (two.x0_m, two.y0_m, two.cell_m)
        assert one.z_m.tobytes() == two.z_m.tobytes()


def test_a_list_a_folder_and_the_whole_give_the_same_heights(city, tmp_path):
    z = GROUND.astype("float32")
    z[40:45, 48:53] = -9999.0
    whole = city(write_raster(tmp_path / "whole.tif", z, west=WEST, north=NORTH, cell=1.0, nodata=-9999.0))
    tiles = write_tiles(tmp_path / "tiles", z, nodata=-9999.0)
    by_list, by_folder = city(tiles), city(tmp_path / "tiles")
    assert_same_heights(whole.elevation, by_list.elevation)
    assert_same_heights(whole.elevation, by_folder.elevation)
    assert np.isnan(by_list.elevation.read(by_list.elevation.bounds_m).z_m).sum() == 25
    assert by_list.notes == by_folder.notes == whole.notes == ()
    record = by_folder.files[1]
    assert record.name == "tiles (4 rasters)"
    assert [name for name, _ in record.sha256] == [path.name for path in tiles]
    # a worker gets it by pickle and opens the files itself
    sent = pickle.loads(pickle.dumps(by_folder.elevation))  # noqa: S301 - our own bytes
    assert_same_heights(whole.elevation, sent)


def test_tiles_of_another_projection_are_sampled_as_the_whole_is(city, tmp_path):
    z = np.add.outer(np.linspace(120.0, 100.0, 300), np.linspace(0.0, 8.0, 300)).astype("float32")
    place = {"west": -93.2545, "north": 44.9745, "cell": 1e-5, "crs": "EPSG:4269"}
    whole = city(write_raster(tmp_path / "whole.tif", z, **place))
    tiles = city(write_tiles(tmp_path / "tiles", z, ((0, 120, 300), (0, 200, 300)), **place))
    assert whole.elevation.is_warped
    assert tiles.elevation.is_warped
    assert_same_heights(whole.elevation, tiles.elevation)


def test_rows_that_run_north_and_whole_numbers_fit_in(city, tmp_path):
    z = np.round(GROUND)
    tiles = write_tiles(tmp_path / "tiles", z)
    north_up = Affine(1, 0, WEST + 50, 0, 1, NORTH - 130)
    write_raster(tiles[3], z[70:, 50:][::-1], west=0, north=0, cell=1, transform=north_up, dtype="int16")
    whole = city(write_raster(tmp_path / "whole.tif", z, west=WEST, north=NORTH, cell=1.0))
    assert_same_heights(whole.elevation, city(tiles).elevation)


def test_the_first_name_counts_where_tiles_overlap(city, tmp_path):
    here = {"west": WEST, "north": NORTH, "cell": 1.0}
    first = GROUND.copy()
    first[60:70, 60:70] = np.nan
    a = write_raster(tmp_path / "a.tif", first, **here)
    b = write_raster(tmp_path / "b.tif", GROUND + 0.05, **here)
    for order in ([a, b], [b, a]):
        source = city(order).elevation
        z = source.read(source.bounds_m).z_m
        np.testing.assert_allclose(z[60:70, 60:70], GROUND[60:70, 60:70] + 0.05, atol=1e-4)
        np.testing.assert_allclose(z[:60], GROUND[:60], atol=1e-4)


def test_folders_within_and_equal_names(city, tmp_path):
    z = GROUND.astype("float32")
    for k, columns in enumerate((slice(0, 50), slice(50, 130))):
        (tmp_path / "survey" / f"part{k}").mkdir(parents=True)
        west = WEST + (columns.start or 0)
        write_raster(tmp_path / f"survey/part{k}/dem.tif", z[:, columns], west=west, north=NORTH, cell=1.0)
    (tmp_path / "survey" / "readme.txt").write_text("what it is")
    got = city(tmp_path / "survey")
    assert [name for name, _ in got.files[1].sha256] == ["part0/dem.tif", "part1/dem.tif"]
    whole = city(write_raster(tmp_path / "whole.tif", z, west=WEST, north=NORTH, cell=1.0))
    assert_same_heights(whole.elevation, got.elevation)


def test_rasters_far_from_the_town_are_left_alone(city, tmp_path):
    tiles = write_tiles(tmp_path / "tiles", GROUND)
    far = write_raster(tmp_path / "tiles" / "z_far.tif", plane(50, 50), west=WEST + 5000, north=NORTH, cell=1.0)
    got = city(tmp_path / "tiles")
    assert [name for name, _ in got.files[1].sha256] == [path.name for path in tiles]
    assert far not in got.elevation.header.files
    # the grid is that of all of them
    assert got.elevation.width == 5050


def test_parcels_on_a_missing_tile_are_counted(city, tmp_path):
    tiles = write_tiles(tmp_path / "tiles", GROUND, ((0, 50, 130), (0, 50, 130)))
    lacking = city([*tiles[:1], *tiles[2:]])
    assert lacking.notes == ("parcels.gpkg: 2 of 9 parcels lie outside t_000_000.tif and 2 more.",)
    assert city(tiles).notes == ()


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"crs": "EPSG:26916"}, CRSError, ("26915", "26916", "one system")),
        ({"cell": 2.0}, InputError, ("cells of 1", "of 2", "one cell size")),
        ({"west": WEST + 70.5}, InputError, ("0.5 of a cell", "one grid")),
        ({"crs": "EPSG:26915+6360"}, UnitsError, ("1 m", "0.3048", "one unit")),
        ({"unit": "ft"}, UnitsError, ("1 m", "0.3048", "one unit")),
    ],
)
def test_tiles_that_do_not_fit_are_both_named(city, tmp_path, change, error, words):
    here = {"north": NORTH, "cell": 1.0}
    write_raster(tmp_path / "a.tif", GROUND[:, :70], west=WEST, **here, crs="EPSG:26915+5703")
    write_raster(tmp_path / "b.tif", GROUND[:, 70:], **{"west": WEST + 70, **here, "crs": "EPSG:26915", **change})
    with pytest.raises(error) as caught:
        city([tmp_path / "a.tif", tmp_path / "b.tif"], inputs__elevation_unit="")
    assert_one_sentence(caught.value, "a.tif", "b.tif", *words)
    assert caught.value.code in {"elevation_tiles_disagree", "vertical_units_mixed"}


def stepped(tmp_path, step, *, z=GROUND, frame=0):
    """Two tiles side by side, the second higher by a step, with an empty frame of some cells."""
    right = z[:, 70:] + step
    left = z[:, :70].copy()
    if frame:
        left[:, -frame:] = np.nan
        right[:, :frame] = np.nan
    here = {"north": NORTH, "cell": 1.0}
    return [
        write_raster(tmp_path / "a.tif", left, west=WEST, **here),
        write_raster(tmp_path / "b.tif", right, west=WEST + 70, **here),
    ]


@pytest.mark.parametrize("frame", [0, 2])
@pytest.mark.parametrize("step", [0.0, 0.05, -0.05])
def test_levels_that_agree_are_not_told(city, tmp_path, step, frame):
    assert not any("step" in note for note in city(stepped(tmp_path, step, frame=frame)).notes)


@pytest.mark.parametrize("frame", [0, 2])
@pytest.mark.parametrize("step", [0.3, -0.3])
def test_a_small_step_is_told(city, tmp_path, step, frame):
    notes = [note for note in city(stepped(tmp_path, step, frame=frame)).notes if "step" in note]
    assert len(notes) == 1
    assert notes[0].code == "elevation_seam"
    assert "a.tif and b.tif" in notes[0]
    told_m = float(re.search(r"the highest of ([0-9.]+) m", notes[0])[1])
    assert told_m == pytest.approx(0.3, abs=0.04)


def test_steep_ground_is_no_step(city, tmp_path):
    steep = plane(130, 130, per_col=0.4, per_row=0.1)
    assert not any("step" in note for note in city(stepped(tmp_path, 0.0, z=steep, frame=1)).notes)


@pytest.mark.parametrize("step", [1.2, -0.8, 230.0])
def test_a_high_step_is_refused(city, tmp_path, step):
    with pytest.raises(InputError) as caught:
        city(stepped(tmp_path, step))
    assert_one_sentence(caught.value, "a.tif", "b.tif", "one level", "up" if step > 0 else "down")
    assert caught.value.code == "elevation_tiles_disagree"


def test_a_wall_along_a_part_of_the_seam_is_no_step(city, tmp_path):
    z = GROUND.copy()
    z[:30, 70:] += 3.0
    assert not any("step" in note for note in city(stepped(tmp_path, 0.0, z=z)).notes)


def test_overlapping_levels_are_compared(city, tmp_path):
    here = {"north": NORTH, "cell": 1.0}
    a = write_raster(tmp_path / "a.tif", GROUND[:, :75], west=WEST, **here)
    b = write_raster(tmp_path / "b.tif", GROUND[:, 70:] + 0.7, west=WEST + 70, **here)
    with pytest.raises(InputError, match=r"steps by 0\.70 m"):
        city([a, b])


def test_a_unit_that_only_some_name_is_taken_and_told(city, tmp_path):
    here = {"north": NORTH, "cell": 1.0}
    a = write_raster(tmp_path / "a.tif", GROUND[:, :70], west=WEST, **here, unit="ft")
    b = write_raster(tmp_path / "b.tif", GROUND[:, 70:], west=WEST + 70, **here)
    got = city([a, b], inputs__elevation_unit="")
    assert got.elevation.z_factor == 0.3048
    assert any(note.startswith("b.tif of a.tif and 1 more doesn't say") for note in got.notes)


def test_undeclared_filler_in_one_tile(city, tmp_path):
    z = GROUND.copy()
    z[75:80, 60:70] = -9999.0
    tiles = write_tiles(tmp_path / "tiles", z)
    with pytest.raises(InputError) as caught:
        city(tiles)
    assert_one_sentence(caught.value, "-9999", "elevation_nodata = -9999")
    assert city(tiles, inputs__elevation_nodata=-9999.0).elevation.nodata == (-9999.0,)


def test_what_is_no_list_of_rasters(city, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(ScreeningError, match="folder without rasters"):
        city(tmp_path / "empty")
    with pytest.raises(ScreeningError, match="the list is empty"):
        city([])
    with pytest.raises(ScreeningError, match="named twice"):
        city([tmp_path / "elevation.tif"] * 2)
    with pytest.raises(ScreeningError, match=r"b\.tif \(elevation 2\) doesn't exist"):
        city([tmp_path / "elevation.tif", tmp_path / "b.tif"])
    assert tile_files(tmp_path / "elevation.tif") == (tmp_path / "elevation.tif",)


def test_paths_of_a_list_count_from_the_run_file(tmp_path):
    (tmp_path / "run.toml").write_text('[inputs]\nelevation = ["a.tif", "sub/b.tif"]\n')
    params = load_params(tmp_path / "run.toml")
    assert params.inputs.elevation == (tmp_path / "a.tif", tmp_path / "sub" / "b.tif")
    assert params.record()["inputs.elevation"] == "a.tif;b.tif"
    over = load_params(tmp_path / "run.toml", ['inputs.elevation=["/x/c.tif"]', "inputs.parcels=p.gpkg"])
    assert [path.name for path in over.inputs.elevation] == ["c.tif"]
    with pytest.raises(ScreeningError, match=r"entry 5 must be a path in quotes"):
        load_params(None, {"inputs.elevation": ["a.tif", 5]})


def rows_of(path):
    """Every row of every layer, the run record left out."""
    with sqlite3.connect(path) as base:
        names = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents ORDER BY 1")]
        return {name: base.execute(f'SELECT * FROM "{name}"').fetchall() for name in names if name != "run_record"}  # noqa: S608


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_run_on_tiles_gives_the_result_of_the_whole(tmp_path, jobs):
    made = one_home()
    run_file = made.write(tmp_path / "city")
    tiles = write_tiles(
        tmp_path / "tiles", made.z, ((0, 63, 140), (0, 51, 140)), west=made.x0, north=made.y0, dtype="float64"
    )
    whole = load_params(run_file)
    cut = load_params(run_file, {"inputs.elevation": tiles})
    one = screening.run(whole, output=tmp_path / "whole.gpkg", jobs=1)
    screening.run(cut, output=tmp_path / "cut.gpkg", jobs=jobs)
    assert one.n_candidate_homes == 1
    assert rows_of(tmp_path / "whole.gpkg") == rows_of(tmp_path / "cut.gpkg")
    with sqlite3.connect(tmp_path / "cut.gpkg") as base:
        keys = dict(base.execute("SELECT key, value FROM run_record"))
    assert {name for name in keys if name.startswith("input.elevation.sha256.")} == {
        f"input.elevation.sha256.{path.name}" for path in tiles
    }
