"""`check` on odd files, and the command itself: text, JSON, page, picture, exit codes."""

from __future__ import annotations

import json
import shutil
import sqlite3
import struct
import zipfile
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
import test_check_inputs as inputs
import test_check_lots as lots
from affine import Affine
from made_files import write_frame, write_raster
from made_trouble import CRS, SOUTH_M, USUAL, WEST_M, Town
from real_browser import chromium

from screening.checks.told import report_data, report_text
from screening.cli.main import main
from screening.columns import TROUBLES
from screening.params import load_params

US_FT_M = 1200.0 / 3937.0


def part_missing(town, folder):
    town.settings["inputs.buildings"] = write_frame(town.buildings, folder / "houses.shp")
    (folder / "houses.dbf").unlink()


def cut_short(town, folder):
    town.settings["inputs.buildings"] = path = write_frame(town.buildings, folder / "houses.shp")
    path.write_bytes(path.read_bytes()[:-100])


def two_in_an_archive(town, folder):
    with zipfile.ZipFile(folder / "houses.zip", "w") as archive:
        for name in ("old.geojson", "new.geojson"):
            archive.write(write_frame(town.buildings, folder / name), name)
    town.settings["inputs.buildings"] = folder / "houses.zip"


def unknown_system(town, _):
    town.settings["inputs.crs"] = {"parcels": "EPSG:999999"}


def unfit_system(town, _):
    town.settings["inputs.working_crs"] = "EPSG:3857"


def soils_far(town, folder):
    shapes = [shapely.box(WEST_M + 60_000, SOUTH_M, WEST_M + 61_000, SOUTH_M + 1000)]
    frame = gpd.GeoDataFrame({"SOIL": ["loam"]}, geometry=shapes, crs=CRS)
    town.settings["inputs.streets"] = write_frame(frame, folder / "streets.gpkg")


def two_feet(town, _):
    town.parcels = town.parcels.to_crs("EPSG:26851")
    town.buildings = town.buildings.to_crs(
        "+proj=lcc +lat_1=45.6166666666667 +lat_2=47.05 +lat_0=45 +lon_0=-94.25 +x_0=800000 +y_0=100000 "
        "+datum=NAD83 +units=ft +no_defs"
    )


def text_among_numbers(town, folder):
    town.parcels["PIN"] = np.arange(len(town.parcels)) + 1
    named = town.write(folder)
    with sqlite3.connect(named["inputs.parcels"]) as base:
        _drop_triggers(base)
        base.execute("UPDATE parcels SET PIN = '12-A' WHERE fid = 4")
    base.close()
    shutil.move(named["inputs.parcels"], folder / "mixed.gpkg")
    town.settings["inputs.parcels"] = folder / "mixed.gpkg"


def garbled(town, folder):
    town.parcels["SITE"] = "Königstraße 1"
    path = write_frame(town.parcels, folder / "lots.shp", encoding="cp1252")
    path.with_suffix(".cpg").unlink()
    town.settings["inputs.parcels"] = path


def long_names(town, folder):
    town.parcels = town.parcels.rename(columns={"PIN": "PARCEL_NUMBER"})
    town.settings["inputs.parcels"] = write_frame(town.parcels, folder / "lots.shp")
    town.settings["fields.parcel_id"] = "PARCEL_NUMBER"


def turned(town, _):
    west, north = town.raster["west"], town.raster["north"]
    town.raster["transform"] = Affine(1, 0, west, 0, -1, north) @ Affine.rotation(5.0)


def no_heights(town, _):
    town.z[:] = -9999.0
    town.raster["nodata"] = -9999.0


def raster_in_degrees(town, _):
    # one ten-thousandth of a degree is about ten metres: finer cells of the same ground
    rows, cols = 1200, 1200
    town.z = 100.0 + 0.003 * np.mgrid[0:rows, 0:cols][1]
    centre = town.parcels.to_crs("EPSG:4269").total_bounds
    town.raster = {"west": centre[0] - 0.001, "north": centre[3] + 0.001, "cell": 8e-6, "crs": "EPSG:4269"}


def _two_rasters(town, folder, **second):
    half = town.z.shape[1] // 2
    west, north = town.raster["west"], town.raster["north"]
    write_raster(folder / "a.tif", town.z[:, :half], west=west, north=north, cell=1.0, unit="m")
    z = town.z[:, half:] + second.pop("step_m", 0.0)
    write_raster(folder / "b.tif", z, west=west + half, north=north, cell=1.0, **{"unit": "m", **second})
    town.settings["inputs.elevation"] = [folder / "a.tif", folder / "b.tif"]


def rasters_of_two_units(town, folder):
    _two_rasters(town, folder, unit="ft")


def rasters_of_two_levels(town, folder):
    _two_rasters(town, folder, step_m=1.5)


def summer_time(town, folder):
    """Hours of six years with the clock put forward in spring and back in autumn."""
    utc = np.arange(np.datetime64("2010-01-01T06"), np.datetime64("2016-01-01T06"), np.timedelta64(1, "h"))
    local = utc - np.timedelta64(6, "h")
    for year in range(2010, 2016):
        start, end = (
            np.datetime64(f"{year}-{month}-08") + np.timedelta64((6 - _weekday(f"{year}-{month}-08")) % 7, "D")
            for month in ("03", "11")
        )
        end -= np.timedelta64(7, "D")
        inside = (utc >= start + np.timedelta64(8, "h")) & (utc < end + np.timedelta64(7, "h"))
        local[inside] += np.timedelta64(1, "h")
    rng = np.random.default_rng(3)
    depth = np.where(rng.random(len(local)) < 0.05, 2.0, 0.0)
    lines = [f"{np.datetime_as_string(t, unit='m')},{d}" for t, d in zip(local, depth, strict=True)]
    (folder / "rain.csv").write_text("time,rain_mm\n" + "\n".join(lines) + "\n")
    town.settings["inputs.rain"] = folder / "rain.csv"


def _weekday(day):
    return (np.datetime64(day).astype("datetime64[D]").astype(int) + 3) % 7


def odd_days_of_rain(town, folder):
    days = np.arange(np.datetime64("2010-01-01"), np.datetime64("2016-02-10"))
    lines = [f"{day},{4.0 if i % 3 == 0 else 0}" for i, day in enumerate(days)]
    (folder / "rain.csv").write_text("time,rain_mm\n" + "\n".join(lines) + "\n")
    town.settings["inputs.rain"] = folder / "rain.csv"


def arcs(town, folder):
    """A round silo, written as a curve polygon of two arcs."""
    path = write_frame(town.buildings, folder / "houses.gpkg", geometry_type="Unknown")
    x, y = WEST_M + 11.0, SOUTH_M + 10.0
    points = [(x - 3, y), (x, y + 3), (x + 3, y), (x, y - 3), (x - 3, y)]
    ring = struct.pack("<BII", 1, 8, len(points)) + b"".join(struct.pack("<dd", *point) for point in points)
    blob = b"GP\x00\x01" + struct.pack("<i", 26915) + struct.pack("<BII", 1, 10, 1) + ring
    row = town.buildings.index[town.buildings.KIND == "SHED"][0]
    with sqlite3.connect(path) as base:
        _drop_triggers(base)
        base.execute("UPDATE houses SET geom = ? WHERE fid = ?", (blob, int(row) + 1))
    base.close()
    town.settings["inputs.buildings"] = path


def _drop_triggers(base):
    """The file's own triggers call functions that only map programs have."""
    for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        base.execute(f'DROP TRIGGER "{name}"')


def districts_unnamed(town, folder):
    town.settings["inputs.districts"] = write_frame(town.parcels[["PIN", "geometry"]], folder / "districts.gpkg")


def soils_unnamed(town, folder):
    town.settings["inputs.soils"] = write_frame(town.parcels[["PIN", "geometry"]], folder / "soils.gpkg")


CASES = {
    part_missing: {"file_part_missing": "error"},
    cut_short: {"file_cut_short": "error"},
    two_in_an_archive: {"archive_unclear": "error"},
    unknown_system: {"crs_unknown": "error"},
    unfit_system: {"crs_unfit": "error"},
    soils_far: {"layer_far": "warning"},
    two_feet: {"feet_mixed": "note"},
    text_among_numbers: {"field_not_text": "error"},
    garbled: {"text_garbled": "warning"},
    long_names: {"field_name_cut": "note"},
    turned: {"elevation_without_place": "error"},
    no_heights: {"elevation_empty": "error"},
    raster_in_degrees: {"elevation_resampled": "note", "crs_in_degrees": "note"},
    rasters_of_two_units: {"vertical_units_mixed": "error"},
    rasters_of_two_levels: {"elevation_tiles_disagree": "error"},
    summer_time: {"rain_clock": "note"},
    districts_unnamed: {"district_unclear": "error"},
    soils_unnamed: {"soil_unclear": "error"},
    odd_days_of_rain: {"records_left_out": "note"},
    arcs: {"curved_lines": "note"},
}


@pytest.mark.parametrize("spoil", CASES, ids=lambda spoil: spoil.__name__)
def test_one_trouble_is_found_and_nothing_else(spoil, tmp_path):
    town = Town()
    spoil(town, tmp_path)
    found = town.found(tmp_path)
    assert {code: one.severity for code, one in found.items() if code not in USUAL} == CASES[spoil]


ELSEWHERE = {
    "parameter_wrong": "the command, below",
    "keep_away_distance_missing": "the run file is refused, test_params.py",
    "output_exists": "the run, test_cli_run.py",
}
"""Codes that no town of these files shows."""


def test_every_code_of_the_registry_has_a_town_that_shows_it():
    shown = {code for cases in (CASES, lots.CASES, inputs.CASES) for found in cases.values() for code in found}
    shown |= {"buildings_shifted", "disk_space_short", *USUAL}
    assert set(TROUBLES) - shown == set(ELSEWHERE)


def test_a_full_disk_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(total=10**9, used=10**9, free=1000))
    one = Town().found(tmp_path)["disk_space_short"]
    assert one.severity == "warning"
    assert one.sentence.endswith("a run of 96 parcels needs about 1 MB.")


def write_run_file(town, folder):
    """The town's run file."""
    tables: dict[str, list[str]] = {}
    for key, value in town.write(folder).items():
        section, name = key.split(".")
        text = json.dumps(value if isinstance(value, list) else str(value))
        tables.setdefault(section, []).append(f"{name} = {text}")
    path = folder / "run.toml"
    path.write_text("\n".join(f"[{section}]\n" + "\n".join(lines) for section, lines in tables.items()))
    return path


def test_the_demo_has_no_error_and_no_warning(runner, repository):
    result = runner.invoke(main, ["check", str(repository / "sample_geodata" / "run.toml")])
    assert result.exit_code == 0, result.output
    assert "0 errors, 0 warnings" in result.stdout.splitlines()[0]
    assert result.stdout.splitlines()[-1].startswith("The run will go: screening run ")
    assert max(len(line) for line in result.stdout.splitlines()[:-1]) <= 100


def test_the_last_line_says_whether_the_run_will_go(runner, tmp_path):
    town = Town()
    inputs.coarse(town, tmp_path)
    inputs.no_unit(town, tmp_path)
    run_file = write_run_file(town, tmp_path)
    result = runner.invoke(main, ["check", str(run_file)])
    assert result.exit_code == 3
    assert "Traceback" not in result.output
    lines = result.stdout.splitlines()
    assert lines[0] == f"{run_file}: 2 errors, 1 warning, 1 note"
    assert lines[-1] == f"The run will not go: mend the 2 errors, then once more: screening check {run_file}"
    # --set lets a person try a way out
    mended = ["--set", "siting.allow_coarse=true", "--set", "inputs.elevation_unit=m"]
    result = runner.invoke(main, ["check", str(run_file), *mended])
    assert result.exit_code == 0, result.output
    assert "The run will go after a look at the warnings" in result.stdout.splitlines()[-1]


def test_json_says_the_same_as_the_text(runner, tmp_path):
    town = Town()
    lots.stack(town)
    lots.no_ids(town)
    run_file = write_run_file(town, tmp_path)
    result = runner.invoke(main, ["check", str(run_file), "--json"])
    data = json.loads(result.stdout)
    assert (data["will_run"], data["n_parcels"], data["elevation_cell_m"]) == (True, 100, 1.0)
    by_code = {one["code"]: one for one in data["findings"]}
    assert by_code["lots_stacked"]["n"] == 5
    assert by_code["id_missing"]["ids"] == ["record 5", "record 10"]
    assert by_code["id_missing"]["field"] == "PIN"
    assert set(by_code["id_missing"]["point"]) == {"x_m", "y_m", "lon_deg", "lat_deg"}
    assert data["counts"] == {"error": 0, "warning": 2, "note": 2}
    assert {one["severity"] for one in data["findings"]} == {"warning", "note"}
    text = runner.invoke(main, ["check", str(run_file)]).stdout
    assert all(code in text for code in by_code)


def test_a_wrong_run_file_ends_with_two_and_is_told_as_data_too(runner, tmp_path):
    run_file = tmp_path / "run.toml"
    run_file.write_text("[inputs]\nparcles = 'x.gpkg'\n")
    result = runner.invoke(main, ["check", str(run_file), "--json"])
    assert result.exit_code == 2
    data = json.loads(result.stdout)
    assert [one["code"] for one in data["findings"]] == ["parameter_wrong"]
    assert "parcles" in result.stderr
    assert runner.invoke(main, ["check", str(tmp_path / "nowhere.toml")]).exit_code == 2


def test_text_of_the_data_is_no_markup_on_the_page(tmp_path):
    from screening.checks.page import trouble_page

    town = Town()
    town.parcels["USE"] = "</script><script>document.title='x'</script>"
    town.settings["homes.land_use"] = ["<img src=x onerror=alert(1)>"]
    page = trouble_page(town.check(tmp_path))
    assert "<img" not in page.split("<body>")[1].split("</script>")[0]
    assert page.count("</script>") == 3
    assert 'http-equiv="Content-Security-Policy"' in page


def test_the_page_opens_and_shows_the_places(runner, tmp_path):
    town = Town()
    lots.no_ids(town)
    lots.stack(town)
    run_file = write_run_file(town, tmp_path)
    page = tmp_path / "where.html"
    result = runner.invoke(main, ["check", str(run_file), "--map", str(page)])
    assert result.exit_code == 0, result.output
    with chromium() as browser:
        browser.get(page.as_uri())
        rows = browser.find_elements("css selector", "#findings li")
        assert len(rows) == len(load_report(run_file).findings)
        assert not [one for one in browser.get_log("browser") if one["level"] == "SEVERE"]
        first = browser.find_element("css selector", "#findings button")
        assert first.text == "id_missing"
        first.click()
        count = browser.execute_script("return document.querySelector('#counts').textContent")
        assert count == "0 errors, 2 warnings, 2 notes"


def load_report(run_file):
    from screening.checks import check_city

    return check_city(load_params(run_file, []))


def test_the_picture_is_a_picture_and_nothing_is_written_over(runner, tmp_path):
    town = Town()
    lots.no_ids(town)
    run_file = write_run_file(town, tmp_path)
    picture = tmp_path / "where.png"
    assert runner.invoke(main, ["check", str(run_file), "--map", str(picture)]).exit_code == 0
    content = picture.read_bytes()
    assert content.startswith(b"\x89PNG")
    assert runner.invoke(main, ["check", str(run_file), "--map", str(picture)]).exit_code == 3
    assert runner.invoke(main, ["check", str(run_file), "--map", str(tmp_path / "where.pdf")]).exit_code == 2
    again = runner.invoke(main, ["check", str(run_file), "--map", str(picture), "--overwrite"])
    assert again.exit_code == 0
    assert picture.read_bytes() == content


def test_without_parcels_a_page_and_a_picture_still_come(tmp_path):
    from screening.checks.page import trouble_page
    from screening.checks.picture import trouble_picture

    town = Town()
    inputs.no_system(town, tmp_path)
    report = town.check(tmp_path)
    assert "crs_missing" in trouble_page(report)
    assert trouble_picture(report).startswith(b"\x89PNG")
    assert report_data(report, tmp_path)["n_parcels"] is None
    assert "mend the error" in report_text(report, tmp_path / "run.toml")
