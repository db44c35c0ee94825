"""`screening start`: from bare files to a run file that works, on made-up towns and on real data."""

from __future__ import annotations

import importlib.metadata
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from click.testing import CliRunner
from judge import read_layers
from made_bare_towns import (
    OWNERS,
    extent,
    house_frame,
    lot_frame,
    parsed,
    road_frame,
    write_ground,
    write_town,
    write_zip,
)
from made_files import assert_one_sentence, write_frame, write_raster

from screening.cli.main import main
from screening.errors import ScreeningError
from screening.params import load_params
from screening.read import read_city

ROOT = Path(__file__).resolve().parent.parent
MAINE = ROOT / "tests" / "data" / "maine_neighbourhood"


@pytest.fixture
def start(runner, tmp_path):
    """Run `screening start` and give its result with the run file's text and tables."""

    def run_it(*arguments, code=0, output="run.toml"):
        target = [] if output is None else ["-o", str(tmp_path / output)]
        result = runner.invoke(main, ["start", *map(str, arguments), *target])
        assert result.exit_code == code, result.output
        assert "Traceback" not in result.output
        path = None if output is None else tmp_path / output
        is_there = path is not None and path.exists()
        result.path = path
        result.text = path.read_text("utf-8") if is_there else ""
        result.run_file = parsed(result.text) if is_there else {}
        if is_there:
            load_params(path)
        return result

    return run_it


def libpysal_examples():
    """Folder of the real sets that libpysal carries; the package itself is not imported, which takes seconds."""
    return Path(str(importlib.metadata.distribution("libpysal").locate_file("libpysal"))) / "examples"


def mark_of(text, line):
    """The mark in the comment above a line of a run file."""
    lines = text.splitlines()
    at = lines.index(line)
    while lines[at - 1].startswith("#"):
        at -= 1
        found = re.match(r"# (sure|TO CONFIRM|if wanted): ", lines[at])
        if found:
            return found[1]
    raise AssertionError(line)


def test_the_sample_town_gives_the_candidates_of_its_own_run_file(start, runner, tmp_path):
    """Equal parameters give equal candidates; the run shows that they work without an edit."""
    made = start(ROOT / "sample_geodata")
    assert made.run_file["homes"] == {"land_use": ["Residential"]}
    own, other = load_params(made.path), load_params(ROOT / "sample_geodata" / "run.toml")
    # the layers to keep away from stand in another order, which changes no candidate
    assert {repr(one) for one in own.inputs.keep_away} == {repr(one) for one in other.inputs.keep_away}
    same = {"keep_away": (), "layers": {}, "crs": {}}
    assert replace(own.inputs, **same) == replace(other.inputs, **same)
    assert replace(own, inputs=other.inputs) == other
    command = ["run", str(made.path), "-o", str(tmp_path / "out.gpkg"), "--no-progress", "--limit", "60"]
    done = runner.invoke(main, command)
    assert done.exit_code == 0, done.output
    assert len(read_layers(tmp_path / "out.gpkg")["candidate_homes"]) > 30


def test_a_real_neighbourhood_runs_once_the_coarse_elevation_is_allowed(start, runner, tmp_path):
    files = [path for path in sorted(MAINE.iterdir()) if path.suffix in (".gpkg", ".tif")]
    made = start(*files)
    command = ["run", str(made.path), "-o", str(tmp_path / "out.gpkg"), "--no-progress"]
    refused = runner.invoke(main, command)
    assert refused.exit_code == 3
    assert "allow_coarse = true" in refused.stderr
    assert made.text.count("\n# allow_coarse = true\n") == 1
    made.path.write_text(made.text.replace("\n# allow_coarse = true\n", "\nallow_coarse = true\n"), encoding="utf-8")
    own, other = load_params(made.path), load_params(MAINE / "run.toml")
    assert own.fields == other.fields
    assert own.homes == other.homes
    assert own.inputs.elevation_unit == other.inputs.elevation_unit == "us-ft"
    assert {entry.path.name for entry in own.inputs.keep_away} == {
        "decks.gpkg", "retaining_walls.gpkg", "streams.gpkg"
    }  # fmt: skip
    done = runner.invoke(main, command)
    assert done.exit_code == 0, done.output
    layers = read_layers(tmp_path / "out.gpkg")
    assert len(layers["candidate_homes"]) > 50
    assert all("coarse_elevation" in row["flags"] for row in layers["candidate_homes"])
    # a result beside the inputs is not taken for one of them
    again = start(*files, tmp_path / "out.gpkg", output="again.toml")
    assert again.run_file == made.run_file | {"siting": {}}
    assert "out.gpkg: is a result of this program" in again.stdout


def test_what_the_real_neighbourhood_leaves_open_is_marked(start):
    made = start(*sorted(MAINE.glob("*.gpkg")), *MAINE.glob("*.tif"))
    assert mark_of(made.text, 'elevation_unit = "us-ft"') == "TO CONFIRM"
    assert mark_of(made.text, 'parcel_id = "MAP_LOT"') == "TO CONFIRM"  # values occur twice
    assert mark_of(made.text, 'land_use = ["Residential"]') == "TO CONFIRM"
    assert mark_of(made.text, 'address = "PROP_ADDRS"') == "sure"
    assert mark_of(made.text, "# allow_coarse = true") == "if wanted"
    assert "DWLG_UNITS (number of dwellings)" in made.output


def test_plots_in_web_mercator_with_several_layers_in_one_file(start, runner, tmp_path):
    momepy = pytest.importorskip("momepy")
    source = Path(momepy.datasets.get_path("bubenec"))
    west, south, east, north = pyogrio.read_info(source, layer="plots", force_total_bounds=True)["total_bounds"]
    cell = 1.4
    rows, cols = int((north - south + 120) / cell), int((east - west + 120) / cell)
    z = np.broadcast_to(200.0 - 0.03 * cell * np.arange(cols), (rows, cols)).astype("float32")
    write_raster(tmp_path / "plane.tif", z, west=west - 60, north=north + 60, cell=cell, crs="EPSG:3857")
    made = start(source, tmp_path / "plane.tif")
    assert made.run_file["inputs"]["layers"] == {"parcels": "plots", "buildings": "buildings", "streets": "streets"}
    assert made.run_file["inputs"]["elevation_unit"] == "m"
    assert mark_of(made.text, 'elevation_unit = "m"') == "TO CONFIRM"
    assert made.run_file["fields"]["parcel_id"] == "ID"
    assert "tessellation" in made.text
    # tests/test_momepy_set.py makes the whole run
    done = runner.invoke(main, ["run", str(made.path), "--dry-run", "--json"])
    assert done.exit_code == 0, done.output
    looked_at = json.loads(done.stdout)
    assert looked_at["working_crs"] == "WGS 84 / UTM zone 33N"
    counts = {one["role"]: one["n_features"] for one in looked_at["inputs"]}
    assert (counts["parcels"], counts["buildings"]) == (407, 144)


@pytest.mark.parametrize("examples", ["baltim", "berlin", "columbus", "street_net_pts", "chicago", "virginia"])
def test_real_sets_without_lots_are_refused_in_one_sentence(start, examples):
    folder = libpysal_examples() / examples
    if not folder.is_dir():
        pytest.skip("this libpysal carries no such example")
    made = start(folder, code=3)
    assert not made.path.exists()
    assert "no parcels (the lots as areas" in made.stderr
    assert "--parcels FILE" in made.stderr
    assert made.stderr.count("\n") == 1
    # everything that was there is told, with what it is
    for path in folder.glob("*.shp"):
        assert path.name in made.stdout


def test_areas_of_a_whole_city_are_no_lots_though_named_so(start, tmp_path):
    """Chicago's 77 community areas under the name of lots: areas of square kilometres are none."""
    source = libpysal_examples() / "chicago" / "Chicago77.shp"
    if not source.exists():
        pytest.skip("this libpysal carries no such example")
    frame = pyogrio.read_dataframe(source).set_crs("EPSG:3435", allow_override=True)
    assert frame.geometry.area.median() * 0.3048**2 > 1e6
    write_frame(frame, tmp_path / "parcels.gpkg")
    made = start(tmp_path, code=3)
    assert "found no parcels" in made.stderr


def test_a_zipped_shapefile_with_cut_names(start, tmp_path):
    lots = lot_frame().rename(columns={"USE_DESC": "LandUseDescription", "APN": "PARCELNUMBER"})
    write_zip(lots, tmp_path / "download_1.zip", "TaxParcels_2023")
    write_zip(house_frame(), tmp_path / "download_2.zip", "bldg_footprints")
    write_ground(tmp_path / "lidar_dem.tif")
    made = start(tmp_path)
    assert made.run_file["inputs"]["parcels"] == "download_1.zip"
    assert made.run_file["inputs"]["buildings"] == "download_2.zip"
    assert made.run_file["fields"]["parcel_id"] == "PARCELNUMB"
    assert made.run_file["fields"]["land_use"] == "LandUseDes"
    assert made.run_file["homes"]["land_use"] == ["Single Family Residential"]
    city = read_city(load_params(made.path))
    assert len(city.parcels) == 30
    assert city.parcels["parcel_id"].iloc[0] == "04-0000-00"


def test_one_file_with_many_layers_and_a_layer_of_ones_own_choice(start, tmp_path):
    store = tmp_path / "city_data.gpkg"
    old = lot_frame()
    for name, frame in {
        "TaxParcels": lot_frame(),
        "lots_1998": old,
        "Structures": house_frame(),
        "CenterLines": road_frame(),
    }.items():
        write_frame(frame, store, layer=name)
    write_ground(tmp_path / "dem.tif")
    made = start(tmp_path)
    assert made.run_file["inputs"]["layers"]["buildings"] == "Structures"
    assert made.run_file["inputs"]["layers"]["streets"] == "CenterLines"
    # two layers that may both be the lots: one is taken, and the other told
    chosen = made.run_file["inputs"]["layers"]["parcels"]
    assert chosen in ("TaxParcels", "lots_1998")
    assert mark_of(made.text, 'parcels = "city_data.gpkg"') == "TO CONFIRM"
    assert "also possible: city_data.gpkg, layer" in made.text
    other = ({"TaxParcels", "lots_1998"} - {chosen}).pop()
    named = start(tmp_path, "--parcels", store / other, output="named.toml")
    assert named.run_file["inputs"]["layers"]["parcels"] == other
    assert mark_of(named.text, 'parcels = "city_data.gpkg"') == "sure"
    assert len(read_city(load_params(named.path)).parcels) == 30


def test_options_overrule_every_guess(start, tmp_path):
    write_town(tmp_path / "town")
    write_frame(lot_frame(APN=[f"other{i}" for i in range(30)]), tmp_path / "town" / "something.gpkg")
    write_ground(tmp_path / "town" / "other.tif", unit="ft", factor=1 / 0.3048)
    write_frame(road_frame(), tmp_path / "town" / "lines.gpkg")
    folder = tmp_path / "town"
    made = start(folder, "--parcels", folder / "something.gpkg", "--elevation", folder / "other.tif",
                 "--streets", folder / "lines.gpkg")  # fmt: skip
    inputs = made.run_file["inputs"]
    assert (inputs["parcels"], inputs["elevation"], inputs["streets"]) == (
        "town/something.gpkg", "town/other.tif", "town/lines.gpkg"
    )  # fmt: skip
    assert inputs["buildings"] == "town/buildings.gpkg"
    assert mark_of(made.text, 'elevation = "town/other.tif"') == "sure"


def test_a_raster_that_a_person_names_is_taken_whatever_its_name(start, tmp_path):
    folder = write_town(tmp_path / "town")
    (folder / "dem.tif").rename(folder / "hillshade_surface.tif")
    start(folder, code=3)
    made = start(folder, "--elevation", folder / "hillshade_surface.tif")
    assert made.run_file["inputs"]["elevation"] == "town/hillshade_surface.tif"


def test_an_elevation_of_several_files_or_a_folder(start, tmp_path):
    folder = write_town(tmp_path / "town")
    (folder / "dem.tif").unlink()
    west, south, east, north = extent()
    middle = west + int(east - west) // 2
    tiles = tmp_path / "tiles"
    tiles.mkdir()
    for name, left, n in (("first.tif", west, int(middle - west)), ("zweite.tif", middle, int(east - middle))):
        z = 100.0 + 0.02 * (left - west + np.arange(n)) + np.zeros((int(north - south), 1))
        write_raster(tiles / name, z, west=left, north=north, cell=1.0, unit="m")
    several = start(folder, "--elevation", tiles / "first.tif", "--elevation", tiles / "zweite.tif", output="a.toml")
    whole = start(folder, "--elevation", tiles, output="b.toml")
    assert whole.run_file["inputs"]["elevation"] == "tiles"
    for made in (several, whole):
        city = read_city(load_params(made.path))
        assert not np.isnan(city.elevation.read((west, south + 1, east - 1, north)).z_m).any()


def test_only_options_and_no_path(start, tmp_path):
    folder = write_town(tmp_path / "town")
    made = start("--parcels", folder / "parcels.gpkg", "--buildings", folder / "buildings.gpkg", "--elevation",
                 folder / "dem.tif")  # fmt: skip
    assert set(made.run_file["inputs"]) == {"parcels", "buildings", "elevation"}
    city = read_city(load_params(made.path))
    assert (len(city.parcels), len(city.buildings)) == (30, 60)


def test_people_are_neither_read_nor_told(start, tmp_path, monkeypatch):
    """Fields of owners by name, and a list of names under a harmless one."""
    lots = lot_frame(NOTE=[OWNERS[i % len(OWNERS)] for i in range(30)])
    folder = write_town(tmp_path / "town", lots=lots)
    asked_for = []
    genuine = pyogrio.read_arrow

    def listening(*arguments, **options):
        asked_for.extend(options.get("columns") or ["everything"] * (options.get("columns") is None))
        return genuine(*arguments, **options)

    monkeypatch.setattr(pyogrio, "read_arrow", listening)
    made = start(folder)
    assert not {"OWNER_NAME", "MAIL_ADDR", "everything"} & set(asked_for)
    assert "APN" in asked_for
    told = made.output + made.text
    for owner in OWNERS:
        assert owner not in told
    assert "PO Box" not in told
    assert "OWNER_NAME, MAIL_ADDR, NOTE" in told
    as_json = start(folder, "--json", output="other.toml")
    assert not any(owner in as_json.stdout for owner in OWNERS)


def test_json_has_facts_guesses_and_the_run_file(start, tmp_path):
    folder = write_town(tmp_path / "town")
    made = start(folder, "--json", output=None)
    data = json.loads(made.stdout)
    assert made.stderr == ""
    by_name = {Path(layer["path"]).name: layer for layer in data["layers"]}
    lots = by_name["parcels.gpkg"]
    assert lots["n_records"] == 30
    assert lots["crs"] == "NAD83 / UTM zone 15N (EPSG:26915)"
    assert lots["length_unit"] == "metre"
    assert lots["covers_parcels_frac"] == pytest.approx(1.0)
    assert lots["shapes"]["median_area_m2"] == pytest.approx(24 * 36)
    use = next(field for field in lots["fields"] if field["name"] == "USE_DESC")
    assert use == {
        "name": "USE_DESC", "kind": "text", "missing_frac": 0.0, "n_distinct": 2,
        "samples": ["Single Family Residential", "Retail Store"],
    }  # fmt: skip
    owner = next(field for field in lots["fields"] if field["name"] == "OWNER_NAME")
    assert owner == {"name": "OWNER_NAME", "kind": "private", "why_private": "its name"}
    (raster,) = data["rasters"]
    assert (raster["cell_m"], raster["height_unit"], raster["nodata"]) == (1.0, "m", None)
    assert data["missing"] == []
    assert data["written"] is None
    assert parsed(data["run_file"])["fields"]["parcel_id"] == "APN"
    guess = next(one for one in data["guesses"] if one["key"] == "parcel_id")
    assert guess["is_sure"] is True
    assert guess["value"] == "APN"


def test_json_still_tells_what_was_found_where_something_is_missing(start, tmp_path):
    write_frame(lot_frame(), tmp_path / "parcels.gpkg")
    made = start(tmp_path, "--json", output=None, code=3)
    data = json.loads(made.stdout)
    assert data["missing"] == ["buildings", "elevation"]
    assert data["run_file"] is None
    assert_sentence(made.stderr, "no buildings", "no elevation", "--buildings FILE --elevation FILE")


def assert_sentence(stderr, *words):
    """One line on stderr that names these."""
    assert stderr.count("\n") == 1
    assert_one_sentence(ScreeningError(stderr.removeprefix("screening: ").strip()), *words, exit_code=1)


def test_without_o_the_run_file_goes_to_stdout_alone(start, tmp_path, monkeypatch):
    write_town(tmp_path / "town")
    monkeypatch.chdir(tmp_path)
    made = start("town", output=None)
    assert parsed(made.stdout)["inputs"]["parcels"] == "town/parcels.gpkg"
    assert "Found" in made.stderr
    (tmp_path / "piped.toml").write_text(made.stdout, encoding="utf-8")
    assert len(read_city(load_params(tmp_path / "piped.toml")).parcels) == 30


def test_a_run_file_is_never_replaced(tmp_path):
    folder = write_town(tmp_path / "town")
    (tmp_path / "run.toml").write_text("# mine\n", encoding="utf-8")
    before = sorted(path.name for path in tmp_path.iterdir())
    done = CliRunner().invoke(main, ["start", str(folder), "-o", str(tmp_path / "run.toml")])
    assert done.exit_code == 3
    assert_sentence(done.stderr, "run.toml", "exists already", "choose another name")
    assert (tmp_path / "run.toml").read_text("utf-8") == "# mine\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_nothing_but_the_run_file_is_written(start, tmp_path):
    folder = write_town(tmp_path / "town")
    before = {path: path.stat().st_mtime_ns for path in folder.iterdir()}
    start(folder)
    assert {path: path.stat().st_mtime_ns for path in folder.iterdir()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run.toml", "town"]


def test_paths_are_relative_to_the_run_file(start, tmp_path):
    write_town(tmp_path / "data" / 'town with blanks, and "marks"')
    (tmp_path / "runs").mkdir()
    made = start(tmp_path / "data", output="runs/run.toml")
    assert made.run_file["inputs"]["parcels"] == '../data/town with blanks, and "marks"/parcels.gpkg'
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    shutil.move(tmp_path / "data", moved / "data")
    shutil.move(tmp_path / "runs", moved / "runs")
    assert len(read_city(load_params(moved / "runs" / "run.toml")).parcels) == 30


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, ["name the folder", "screening start FOLDER -o run.toml."]),
        (["nowhere"], 3, ["nowhere doesn't exist"]),
        (["--parcels", "nowhere.shp"], 3, ["nowhere.shp doesn't exist", "--parcels"]),
        (["town", "--parcels", "town/roads.gpkg"], 3, ["roads.gpkg", "no layer that can be the parcels", "--parcels"]),
        (["town", "--parcels", "town/parcels.gpkg/lots"], 3, ["no layer 'lots'", "'parcels'"]),
        (["town", "--elevation", "town/parcels.gpkg"], 3, ["holds no raster", "--elevation"]),
        (["town", "--rain", "town/dem.tif"], 3, ["dem.tif", "columns time and rain_mm"]),
        (["town", "--buildings", "broken.gpkg"], 3, ["broken.gpkg can't be read", "--buildings"]),
        (["town", "--elevation", "broken.tif"], 3, ["broken.tif can't be read", "--elevation"]),
        (["town", "-o", "run.txt"], 2, ["must have a name that ends in .toml"]),
        (["town", "-o", "away/run.toml"], 2, ["doesn't exist"]),
    ],
)
def test_wrong_arguments_end_in_one_sentence(runner, tmp_path, monkeypatch, arguments, code, words):
    write_town(tmp_path / "town")
    for name in ("broken.gpkg", "broken.tif"):
        (tmp_path / name).write_bytes(b"no such thing" * 100)
    monkeypatch.chdir(tmp_path)
    done = runner.invoke(main, ["start", *arguments])
    assert done.exit_code == code, done.output
    assert_sentence(done.stderr, *words)


def test_a_folder_of_things_that_cannot_be_used(start, tmp_path):
    folder = tmp_path / "odds"
    folder.mkdir()
    write_frame(lot_frame(), folder / "cut.shp")
    (folder / "cut.dbf").unlink()
    (folder / "empty.gpkg").write_bytes(b"")
    (folder / "points.laz").write_bytes(b"LASF")
    (folder / "table.xlsx").write_bytes(b"PK")
    (folder / "notes.txt").write_text("buy milk", encoding="utf-8")
    (folder / "config.json").write_text('{"a": 1}', encoding="utf-8")
    made = start(folder, code=3)
    out = made.stdout
    assert "cut.shp: lacks its cut.dbf; copy all files of the shapefile" in out
    assert "points.laz: is a point cloud" in out
    assert "table.xlsx: is a workbook" in out
    assert "empty.gpkg" in out
    assert "config.json" in out
    assert "notes.txt" not in out
    assert_sentence(made.stderr, "no parcels", "--parcels FILE --buildings FILE --elevation FILE")
