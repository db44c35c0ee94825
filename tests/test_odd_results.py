"""Results nobody expects, for every command that reads one: a clear sentence with the way out, or a right output."""

from __future__ import annotations

import contextlib
import sqlite3

import geopandas as gpd
import made_up_result
import numpy as np
import pypdf
import pytest
import shapely
from made_season import Town
from made_towns import made_layers, write

from screening.cli.main import main

# What each command is asked; "{}" stands for the result, "{out}" for a file in an empty folder.
COMMANDS = {
    "streets": ["streets", "{}", "--visits", "5", "-o", "{out}/plan.gpkg"],
    "map": ["map", "{}", "-o", "{out}/map.html"],
    "sheets": ["sheets", "{}", "-o", "{out}/sheets.pdf", "--no-progress"],
    "table": ["table", "{}", "-o", "{out}/lists.xlsx"],
    "publish": ["publish", "{}", "-o", "{out}/public.gpkg"],
    "compare": ["compare", "{}", "{}", "-o", "{out}/homes.csv"],
    "report": ["report", "{}", "-o", "{out}/report.html"],
    "report as pdf": ["report", "{}", "-o", "{out}/report.pdf"],
    "explain": ["explain", "{}", "h-0017"],
}
OTHER_VERSION = "0.0.3"
HTML = "<b>17</b> \"Alder\" & <script>window.broken = 1</script> 'Street'"
SCRIPTS = ("شارع الحديقة ١٥", "רחוב הגן 3", "花园路 5 号", "Straße der Gärten 9", "Ulica Łąkowa 2")  # noqa: RUF001


def invoke(runner, command, path, tmp_path):
    """Run a command on a result."""
    folder = tmp_path / "out"
    folder.mkdir(exist_ok=True)
    arguments = [part.replace("{}", str(path)).replace("{out}", str(folder)) for part in COMMANDS[command]]
    return runner.invoke(main, arguments), folder


def refused(runner, command, path, tmp_path, code):
    """The sentence with which a command ends; nothing is written."""
    done, folder = invoke(runner, command, path, tmp_path)
    assert done.exit_code == code, done.output
    assert list(folder.iterdir()) == []
    sentence = done.stderr.strip().splitlines()[-1]
    assert sentence.startswith("screening: ")
    assert "Traceback" not in done.output
    return sentence


def made(runner, command, path, tmp_path):
    """The files that a command makes."""
    done, folder = invoke(runner, command, path, tmp_path)
    assert done.exit_code == 0, (command, done.output)
    assert all(entry.stat().st_size for entry in folder.iterdir())
    return done, folder


# --- another program, another version ---


@pytest.mark.parametrize("command", COMMANDS)
def test_a_geopackage_of_another_program(runner, tmp_path, command):
    path = tmp_path / "trees.gpkg"
    trees = gpd.GeoDataFrame({"height": [4.0]}, geometry=[shapely.Point(1, 1)], crs=made_up_result.CRS)
    trees.to_file(path, layer="trees")
    sentence = refused(runner, command, path, tmp_path, 3)
    assert "no result of a run" in sentence
    assert "trees.gpkg" in sentence


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("kind", ["missing", "text", "empty"])
def test_what_is_no_geopackage(runner, tmp_path, command, kind):
    path = tmp_path / "result.gpkg"
    if kind != "missing":
        path.write_text("no database" if kind == "text" else "", encoding="utf-8")
    sentence = refused(runner, command, path, tmp_path, 3)
    assert ("there is no file" if kind == "missing" else "no readable GeoPackage") in sentence


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("layer", "column"), [("candidate_homes", "diverted_m3_y"), ("candidate_homes", "home_id"), ("run_record", "value")]
)
def test_a_result_of_another_version(runner, tmp_path, command, layer, column):
    path = write(tmp_path / "old.gpkg", record={"screening_version": OTHER_VERSION})
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"ALTER TABLE {layer} DROP COLUMN {column}")
    sentence = refused(runner, command, path, tmp_path, 3)
    assert column in sentence
    assert "run again" in sentence
    if layer != "run_record":
        assert OTHER_VERSION in sentence


# --- nothing to show ---


@pytest.mark.parametrize("command", COMMANDS)
def test_a_result_without_candidates(runner, tmp_path, command):
    layers = {
        name: frame if name in {"other_parcels", "merged_parcels"} else frame.iloc[:0]
        for name, frame in made_layers().items()
    }
    path = write(tmp_path / "none.gpkg", layers, {"n_parcels_read": "5"})
    if command in {"streets", "sheets"}:
        sentence = refused(runner, command, path, tmp_path, 3)
        assert "no candidate" in sentence
        assert "other_parcels" in sentence
    elif command == "explain":
        assert "there is no home or parcel 'h-0017'" in refused(runner, command, path, tmp_path, 2)
    else:
        made(runner, command, path, tmp_path)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_result_without_addresses_or_streets(runner, tmp_path, command):
    layers = made_layers()
    for name in ("candidate_homes", "other_parcels"):
        layers[name]["address"] = None
    layers["candidate_homes"]["street"] = None
    layers["streets"] = layers["streets"].iloc[:0]
    made(runner, command, write(tmp_path / "bare.gpkg", layers), tmp_path)


# --- what people write ---


@pytest.mark.parametrize("command", COMMANDS)
def test_addresses_with_html_and_in_other_scripts(runner, tmp_path, command):
    layers = made_layers()
    for number, text in enumerate((HTML, " ".join(SCRIPTS))):
        layers["candidate_homes"]["address"] = [text, SCRIPTS[0]]
        layers["candidate_homes"]["street"] = text
        layers["streets"]["street"] = text
        done, folder = made(runner, command, write(tmp_path / f"{number}.gpkg", layers), tmp_path)
        if command in {"explain", "streets"}:
            assert text in done.stdout.replace("\n      ", " ")
        for page in folder.glob("*.html"):
            assert "<script>window.broken" not in page.read_text("utf-8")
        for entry in folder.iterdir():
            entry.unlink()


def test_every_letter_of_a_sheet_is_told_when_the_font_lacks_it(runner, tmp_path):
    layers = made_layers()
    layers["candidate_homes"]["address"] = [SCRIPTS[2], SCRIPTS[4]]
    done, folder = made(runner, "sheets", write(tmp_path / "a.gpkg", layers), tmp_path)
    assert "--font" in done.stdout
    words = " ".join(page.extract_text() for page in pypdf.PdfReader(folder / "sheets.pdf").pages)
    assert "Łąkowa" in words


# --- budgets and streets ---


@pytest.fixture(scope="module")
def small_town(tmp_path_factory):
    """Two streets with six homes."""
    town = Town().street("Alder Street", south=[60, 50, 40, 30]).street("Birch Lane", north=[20, 10])
    return town.write(tmp_path_factory.mktemp("small") / "town.gpkg")


@pytest.mark.parametrize("n_visits", ["0", "-3", "many", "2.5"])
def test_a_budget_that_is_none(runner, small_town, n_visits):
    done = runner.invoke(main, ["streets", str(small_town), "--visits", n_visits])
    assert done.exit_code == 2
    assert "--visits" in done.stderr
    assert "Traceback" not in done.output


def test_a_budget_larger_than_the_town(runner, small_town):
    done = runner.invoke(main, ["streets", str(small_town), "--visits", "1000000", "--min-homes", "1"])
    assert done.exit_code == 0, done.output
    assert "1,000,000 visits for 6 candidate homes" in done.stdout
    assert "6 homes of 6" in done.stdout


@pytest.mark.parametrize("option", ["--lock-in", "--lock-out"])
def test_a_locked_street_that_does_not_exist_is_answered_with_the_nearest(runner, small_town, option):
    done = runner.invoke(main, ["streets", str(small_town), "--visits", "4", option, "Adler Street"])
    assert done.exit_code == 2
    assert "Alder Street" in done.stderr
    assert "Traceback" not in done.output


def test_streets_and_homes_of_sheets_are_answered_with_the_nearest(runner, small_town, tmp_path):
    for option, wrong, right in (("--street", "Adler Street", "Alder Street"), ("--home", "h0000", "h0000")):
        done = runner.invoke(main, ["sheets", str(small_town), "-o", str(tmp_path / "a.pdf"), option, wrong])
        assert done.exit_code == 2
        assert right in done.stderr


# --- very many ---


@pytest.fixture(scope="module")
def long_street(tmp_path_factory):
    """5,000 homes on both sides of one street."""
    random = np.random.default_rng(3)
    volumes = random.uniform(10.0, 90.0, 5000)
    town = Town().street("Alder Street", south=volumes[:2500], north=volumes[2500:])
    return town.write(tmp_path_factory.mktemp("long") / "town.gpkg")


@pytest.mark.parametrize("command", [name for name in COMMANDS if name not in {"sheets", "explain"}])
def test_five_thousand_homes_on_one_street(runner, tmp_path, long_street, command):
    done, folder = made(runner, command, long_street, tmp_path)
    if command == "streets":
        # a side is taken as far as the visits go: its best homes
        assert len(gpd.read_file(folder / "plan.gpkg", layer="visits")) == 5
    if command == "publish":
        assert gpd.read_file(folder / "public.gpkg", layer="streets")["n_candidates"].tolist() == [5000]
    if command == "compare":
        assert "Nothing: the same files" in done.stdout


def test_sheets_of_a_street_of_five_thousand(runner, tmp_path, long_street):
    out = tmp_path / "few.pdf"
    done = runner.invoke(main, ["sheets", str(long_street), "-o", str(out), "--street", "Alder Street", "--first", "3"])
    assert done.exit_code == 0, done.output
    assert len(pypdf.PdfReader(out).pages) == 3
