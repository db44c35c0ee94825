"""The look at a city before the work: the ground around its houses, and elevation that is missing."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
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
    plane,
    write_frame,
    write_raster,
)

from screening.batch.gather import gather
from screening.batch.prepare import look_at_ground
from screening.cli.main import main
from screening.errors import InputError

PLACE = {"west": WEST_M - 20, "north": SOUTH_M + 110, "cell": 1.0}


@pytest.fixture
def look(tmp_path):
    """A function that writes an elevation raster beside nine lots with a house each, and looks at the city."""
    make_city(tmp_path)

    def prepared(z, *, bounds_m=None, limit=None, settings=None, **raster):
        write_raster(tmp_path / "elevation.tif", z, **{**PLACE, "nodata": -9999.0, **raster})
        params = city_params(tmp_path, **(settings or {}))
        scratch = tmp_path / "scratch"
        scratch.mkdir(exist_ok=True)
        found = gather(params, bounds_m, limit, scratch)
        return found, look_at_ground(found.city, found.may_be_home, found.is_house, params)

    prepared.folder = tmp_path
    return prepared


def house_cells(z):
    """Cells of the raster whose centres lie in a house."""
    rows, cols = np.indices(z.shape)
    x, y = PLACE["west"] + cols + 0.5, PLACE["north"] - rows - 0.5
    return shapely.contains_xy(shapely.union_all(houses()), x, y)


def test_heights_and_slope_around_the_houses_are_those_of_the_ground(look):
    found, got = look(plane(130, 130, per_col=0.02, per_row=0.05))
    # a plane is as steep everywhere
    assert got.median_slope_pct == pytest.approx(100 * np.hypot(0.02, 0.05), abs=0.01)
    # the houses reach from 10 to 80 m east and 11 to 79 m north of the corner, and 12 m more are looked at
    west, east, south, north = 20 + 10 - 12, 20 + 80 + 12 - 1, 110 - 11 + 12 - 1, 110 - 79 - 12
    assert got.lowest_m == pytest.approx(100 + 0.02 * west + 0.05 * north, abs=1e-4)
    assert got.highest_m == pytest.approx(100 + 0.02 * east + 0.05 * south, abs=1e-4)
    assert (got.n_houses, got.n_without) == (9, 0)
    assert found.inputs.notes == found.notes == got.notes == ()


def test_feet_read_as_metres_show_in_the_slope(look):
    per_row = 0.10
    assert look(plane(130, 130, per_col=0.0, per_row=per_row))[1].notes == ()
    (note,) = look(plane(130, 130, per_col=0.0, per_row=per_row / 0.3048))[1].notes
    assert "33 % steep (median)" in note
    assert "elevation_unit" in note


def test_a_surface_model_is_refused(look):
    z = plane(130, 130)
    z[house_cells(z)] += 6.0
    with pytest.raises(InputError) as caught:
        look(z)
    assert_one_sentence(caught.value, "elevation.tif shows roofs", "6.0 m over", "bare-earth")
    z[house_cells(z)] -= 5.0
    assert look(z)[1].notes == ()


def test_houses_without_elevation_are_counted(look):
    z = plane(130, 130)
    z[:, :50] = -9999.0  # the western column of lots
    found, got = look(z)
    (note,) = got.notes
    assert note.startswith("3 of 9 houses looked at have no elevation around them in elevation.tif")
    assert (got.n_houses, got.n_without) == (9, 3)
    assert found.inputs.notes == found.notes == ()


def test_missing_elevation_away_from_every_house_is_not_worth_a_word(look):
    # a third of the lots' extent has no height, and the only lot there is a scrap with nothing on it
    shapes = lots()
    shapes[8] = shapely.box(WEST_M + 85, SOUTH_M + 85, WEST_M + 90, SOUTH_M + 90)
    write_frame(parcels_frame(geometry=shapes).iloc[[0, 1, 3, 4, 8]], look.folder / "parcels.gpkg")
    z = plane(130, 130)
    z[:, 85:] = -9999.0
    found, got = look(z)
    assert found.inputs.notes == found.notes == got.notes == ()
    assert got.n_houses == 4


@pytest.mark.parametrize(
    ("settings", "n_houses"),
    [
        ({}, 9),
        ({"fields__land_use": "USE", "homes__land_use": ["Residential"]}, 8),
        ({"homes__min_principal_area_m2": 81.0}, 0),
    ],
)
def test_only_houses_on_lots_that_may_be_homes_are_looked_at(look, settings, n_houses):
    frame = parcels_frame()
    frame.loc[4, "USE"] = "School"
    write_frame(frame, look.folder / "parcels.gpkg")
    stray = shapely.box(WEST_M + 150, SOUTH_M, WEST_M + 160, SOUTH_M + 9)  # on no lot, and beyond the raster
    frame = gpd.GeoDataFrame(geometry=[*houses(), stray], crs="EPSG:26915")
    write_frame(frame, look.folder / "buildings.gpkg")
    _, got = look(plane(130, 130), settings=settings)
    assert (got.n_houses, got.n_without) == (n_houses, 0)
    assert (got.median_slope_pct is None) == (n_houses == 0)


def test_the_surroundings_of_a_box_are_not_counted_as_outside(look):
    # the raster ends 5 m east of the first column of lots; the other columns are read, but only as surroundings
    z = plane(130, 130)[:, :55]
    box = (WEST_M + 1, SOUTH_M + 1, WEST_M + 20, SOUTH_M + 89)
    found, got = look(z, bounds_m=box)
    assert len(found.may_be_home) == 9
    assert found.inputs.notes == found.notes == got.notes == ()
    assert got.n_houses == 3
    found, got = look(z)
    (note,) = found.inputs.notes
    assert "3 of 9 parcels lie outside" in note
    assert "3 of 9 parcels reach beyond" in note
    assert got.n_without >= 3


def test_a_dry_run_shows_the_ground(runner, tmp_path):
    make_city(tmp_path)
    names = ("parcels", "buildings", "elevation")
    files = [f"--{name}={next(iter(tmp_path.glob(f'{name}.*')))}" for name in names]
    arguments = ["run", *files, "--set", "inputs.elevation_unit=m", "--dry-run"]
    done = runner.invoke(main, arguments)
    assert done.exit_code == 0, done.output
    assert "Ground around 9 houses looked at: 101.3 to 107.7 m high, median slope 5.4 %\n" in done.stdout
    data = json.loads(runner.invoke(main, [*arguments, "--json"]).stdout)
    assert data["ground"]["n_houses_looked_at"] == 9
    assert data["ground"]["median_slope_pct"] == pytest.approx(5.385, abs=0.01)
    box = f"--bbox={WEST_M + 1},{SOUTH_M + 1},{WEST_M + 2},{SOUTH_M + 2}"
    assert "around 1 house looked at" in runner.invoke(main, [*arguments, box]).stdout
    gone = runner.invoke(main, [*arguments, "--bbox=1.5,2,3,4"])
    assert (gone.exit_code, gone.stdout) == (3, "")
    assert "the box 1.5,2,3,4;" in gone.stderr
