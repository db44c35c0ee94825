"""`check` on towns with one thing wrong with files, places, elevation or the other inputs."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from made_files import write_frame
from made_trouble import COLUMNS, CRS, LOT_W_M, NORTH_M, SOUTH_M, USUAL, WEST_M, Town

from screening.checks import check_city
from screening.checks.shift import measure_shift
from screening.params import load_params

FT_M = 0.3048


def no_parcels_named(town, _):
    town.settings["inputs.parcels"] = None


def missing_file(town, folder):
    town.settings["inputs.buildings"] = folder / "nowhere.gpkg"


def unreadable(town, folder):
    (folder / "bad.gpkg").write_bytes(b"no database at all" * 50)
    town.settings["inputs.buildings"] = folder / "bad.gpkg"


def cut_raster(town, folder):
    town.write(folder)
    whole = (folder / "elevation.tif").read_bytes()
    (folder / "cut.tif").write_bytes(whole[: len(whole) // 2])
    town.settings["inputs.elevation"] = folder / "cut.tif"


def several_layers(town, folder):
    path = folder / "both.gpkg"
    for layer in ("lots_2021", "lots_2024"):
        write_frame(town.parcels, path, layer=layer)
    town.settings["inputs.parcels"] = path


def points_for_houses(town, folder):
    town.buildings.geometry = town.buildings.geometry.centroid


def empty_buildings(town, _):
    town.buildings = town.buildings.iloc[:0]


def no_system(town, _):
    town.parcels = town.parcels.set_crs(None, allow_override=True)


def wrong_system(town, _):
    town.parcels = town.parcels.set_crs("EPSG:4326", allow_override=True)


def far_away(town, _):
    town.buildings.geometry = town.buildings.geometry.translate(40_000, 0)


def in_degrees(town, _):
    # the same datum, so that nothing is lost on the way
    town.parcels = town.parcels.to_crs("EPSG:4269")


def web_mercator(town, _):
    town.parcels = town.parcels.to_crs("EPSG:3857")


def stated_system(town, folder):
    town.parcels = town.parcels.set_crs("EPSG:26914", allow_override=True)
    town.settings["inputs.crs"] = {"parcels": "EPSG:26915"}


def missing_fields(town, _):
    town.settings |= {"fields.parcel_id": "PIM", "fields.land_use": "UZE"}


def no_unit(town, _):
    town.raster["unit"] = ""


def two_units(town, _):
    town.settings["inputs.elevation_unit"] = "ft"


def feet_read_as_metres(town, _):
    """A hillside of 8 % in feet, without a word: taken for metres it is over 20 % steep."""
    row, col = np.mgrid[0 : town.z.shape[0], 0 : town.z.shape[1]]
    town.z = (100.0 + 0.08 * col + 0.01 * row) / FT_M


def coarse(town, _):
    town.z = town.z[::5, ::5]
    town.raster["cell"] = 5.0


def half(town, _):
    town.z = town.z[:, : town.z.shape[1] // 2]


def elsewhere(town, _):
    town.raster["west"] = WEST_M + 30_000.0


def holes(town, _):
    town.z[200:260, 100:160] = np.nan
    town.raster["nodata"] = np.nan


def strip(town, _):
    town.z[:, 150:153] = -9999.0
    town.raster["nodata"] = -9999.0


def seam(town, _):
    town.z[:, 151:] += 0.4


def undeclared(town, _):
    town.z[200:260, 100:160] = -9999.0


def whole_metres(town, _):
    town.z = np.round(town.z)


def roofs(town, _):
    _raise_houses(town, 5.0, 1.0)


def remnants(town, _):
    _raise_houses(town, 1.9, 0.5)


def _raise_houses(town, height_m, part):
    """Raise the western part of each house."""
    row, col = np.mgrid[0 : town.z.shape[0], 0 : town.z.shape[1]]
    x, y = town.raster["west"] + col + 0.5, town.raster["north"] - row - 0.5
    for west, south, east, north in town.buildings.geometry.bounds.to_numpy():
        town.z[(x >= west) & (x <= west + part * (east - west)) & (y >= south) & (y <= north)] += height_m


def flat(town, _):
    town.z[:] = 100.0


def three_bands(town, _):
    town.z = np.stack([town.z] * 3)


def _rain(folder, years, *, per_day_mm=2.0, gap_d=0, text=""):
    days = np.arange(np.datetime64("2010-01-01"), np.datetime64(f"{2010 + years}-01-01"))
    lines = [f"{day},{per_day_mm if i % 3 == 0 else 0}" for i, day in enumerate(days) if not 100 <= i < 100 + gap_d]
    (folder / "rain.csv").write_text(text or "time,rain_mm\n" + "\n".join(lines) + "\n")
    return folder / "rain.csv"


def short_rain(town, folder):
    town.settings["inputs.rain"] = _rain(folder, 2)


def gappy_rain(town, folder):
    town.settings["inputs.rain"] = _rain(folder, 6, gap_d=12)


def gone_rain(town, folder):
    town.settings["inputs.rain"] = _rain(folder, 6, gap_d=400)


def rain_of_another_unit(town, folder):
    town.settings["inputs.rain"] = _rain(folder, 6, per_day_mm=300.0)


def no_rain_table(town, folder):
    town.settings["inputs.rain"] = _rain(folder, 6, text="date;depth\n1.1.2010;3,2\n")


def _keep_away(town, folder, shapes, distance_m=5.0):
    path = write_frame(gpd.GeoDataFrame(geometry=shapes, crs=CRS), folder / "wells.gpkg")
    town.settings["inputs.keep_away"] = [{"path": path, "kind": "well", "distance_m": distance_m}]


def wells_elsewhere(town, folder):
    _keep_away(town, folder, [shapely.Point(WEST_M + 60_000, SOUTH_M)])


def wells_nowhere(town, folder):
    _keep_away(town, folder, [shapely.Point(WEST_M + k, SOUTH_M + k) for k in (-900.0, 1800.0)])


def wells_everywhere(town, folder):
    _keep_away(town, folder, town.parcels.geometry.centroid)


def streets(town, folder):
    lines = [shapely.LineString([(WEST_M, y), (WEST_M + COLUMNS * LOT_W_M, y)]) for y in (SOUTH_M + 88, SOUTH_M + 184)]
    frame = gpd.GeoDataFrame({"NAME": ["Meadow Lane", None]}, geometry=lines, crs=CRS)
    town.settings["inputs.streets"] = write_frame(frame, folder / "streets.gpkg")
    town.settings["fields.street_name"] = "NAME"


def downspouts_off(town, folder):
    points = town.parcels.geometry.translate(200, 0).centroid
    path = write_frame(gpd.GeoDataFrame(geometry=points, crs=CRS), folder / "downspouts.gpkg")
    town.settings["inputs.downspouts"] = path


CASES = {
    no_parcels_named: {"input_not_named": "error"},
    missing_file: {"file_missing": "error"},
    unreadable: {"file_unreadable": "error"},
    cut_raster: {"file_unreadable": "error"},
    several_layers: {"layer_unclear": "error"},
    points_for_houses: {"shapes_of_wrong_kind": "error"},
    empty_buildings: {"layer_empty": "error"},
    no_system: {"crs_missing": "error"},
    wrong_system: {"crs_doubtful": "error"},
    far_away: {"layers_apart": "error"},
    in_degrees: {"crs_in_degrees": "note"},
    web_mercator: {"crs_stretched": "note", "crs_shift_unsure": "warning"},
    stated_system: {"crs_overruled": "note"},
    missing_fields: {"field_missing": "error", "field_not_named": None},
    no_unit: {"vertical_unit_missing": "error"},
    two_units: {"vertical_unit_doubtful": "error"},
    feet_read_as_metres: {"slope_doubtful": "warning"},
    coarse: {"cells_coarse": "error"},
    half: {"elevation_partial": "warning", "elevation_holes": "warning"},
    elsewhere: {"layers_apart": "error"},
    holes: {"elevation_holes": "warning"},
    strip: {"elevation_holes": "warning"},
    seam: {"elevation_seam": "warning"},
    undeclared: {"nodata_undeclared": "error"},
    whole_metres: {"heights_in_steps": "warning"},
    roofs: {"surface_model": "error"},
    remnants: {"house_remnants": "warning"},
    flat: {"slope_doubtful": "warning"},
    three_bands: {"elevation_not_heights": "error"},
    short_rain: {"rain_short": "warning"},
    gappy_rain: {"rain_gaps": "warning"},
    gone_rain: {"rain_gaps": "error"},
    rain_of_another_unit: {"rain_unit_doubtful": "error"},
    no_rain_table: {"rain_unreadable": "error"},
    wells_elsewhere: {"keep_away_far": "warning"},
    wells_nowhere: {"keep_away_empty": "warning"},
    wells_everywhere: {"keep_away_everywhere": "warning"},
    streets: {"street_without_name": "warning"},
    downspouts_off: {"downspouts_off": "warning"},
}


@pytest.mark.parametrize("spoil", CASES, ids=lambda spoil: spoil.__name__)
def test_one_trouble_is_found_and_nothing_else(spoil, tmp_path):
    town = Town()
    spoil(town, tmp_path)
    found = town.found(tmp_path)
    expected = {code: severity for code, severity in CASES[spoil].items() if severity}
    assert {code: one.severity for code, one in found.items() if code not in USUAL} == expected


def test_errors_of_several_inputs_are_told_at_once(tmp_path):
    town = Town()
    unreadable(town, tmp_path)
    no_unit(town, tmp_path)
    no_rain_table(town, tmp_path)
    coarse(town, tmp_path)
    town.parcels.loc[[4, 9], "PIN"] = None
    report = town.check(tmp_path)
    codes = {one.code: one.severity for one in report.findings}
    assert codes["file_unreadable"] == codes["rain_unreadable"] == codes["cells_coarse"] == "error"
    assert codes["vertical_unit_missing"] == "error"
    # what can still be looked at is looked at
    assert codes["id_missing"] == "warning"
    assert not report.will_run


def test_a_seam_is_found_where_it_is(tmp_path):
    town = Town()
    seam(town, tmp_path)
    one = town.found(tmp_path)["elevation_seam"]
    assert one.places_m[0, 0] == pytest.approx(town.raster["west"] + 151.0, abs=1.0)
    assert "0.4" in one.sentence


@pytest.mark.parametrize("turned", [False, True])
def test_a_seam_along_a_row_is_found_too(turned, tmp_path):
    town = Town()
    if turned:
        town.z[170:] -= 0.3
    found = town.found(tmp_path)
    assert ("elevation_seam" in found) == turned
    if turned:
        assert found["elevation_seam"].places_m[0, 1] == pytest.approx(NORTH_M - 170.0, abs=1.0)


def test_what_check_lets_through_the_run_reads(tmp_path):
    """The other way round every error of the reading is an error of the check: they are one code."""
    from screening.batch.gather import gather
    from screening.batch.prepare import look_at_ground

    for spoil, expected in CASES.items():
        if spoil not in (web_mercator, holes, streets, coarse, elsewhere, no_unit):
            continue
        folder = tmp_path / spoil.__name__
        folder.mkdir()
        town = Town()
        spoil(town, folder)
        params = load_params(None, town.write(folder))
        is_refused = False
        try:
            found = gather(params, None, None, folder)
            look_at_ground(found.city, found.may_be_home, found.is_house, params)
        except Exception:  # noqa: BLE001 - whatever stops a run
            is_refused = True
        assert is_refused == ("error" in expected.values())
        assert check_city(params).will_run == (not is_refused)


def test_a_neighbourhood_of_a_real_city():
    folder = Path(__file__).resolve().parent / "data" / "maine_neighbourhood"
    report = check_city(load_params(folder / "run.toml", []))
    codes = {one.code: one.severity for one in report.findings}
    assert report.will_run
    assert codes["cells_coarse"] == "warning"
    assert codes["height_in_geometry"] == "note"
    assert "buildings_shifted" not in codes
    assert len([one for one in codes.values() if one == "warning"]) <= 5


def test_a_real_neighbourhood_moved_on_purpose_is_found_out():
    folder = Path(__file__).resolve().parent / "data" / "maine_neighbourhood"
    report = check_city(load_params(folder / "run.toml", []))
    houses = report.buildings_m[shapely.area(report.buildings_m) >= 40.0]
    for shift in [(0.0, 0.0), (3.0, -2.0), (-6.0, 5.0)]:
        moved = shapely.transform(houses, lambda xy, by=shift: xy + np.array(by))
        whole, _ = measure_shift(report.lots_m, moved)
        assert (whole.x_m, whole.y_m) == pytest.approx(shift, abs=0.6)
        assert whole.is_shifted == any(shift)
