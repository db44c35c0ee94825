"""The commands `run` and `demo`: options, progress, what they print, and how they end when something is wrong."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import click
import geopandas as gpd
import gpkg_validity
import made_up_result
import pypdf
import pytest

import screening.batch
from screening.batch import RunSummary
from screening.cli.main import main
from screening.cli.progress import show_progress
from screening.errors import TilesFailedError
from screening.report.summary import summary_text
from screening.sample import sample_folder
from screening.write import write_package

RUN_FILE = sample_folder() / "run.toml"


def made_up_summary(output, **changes):
    """What a run that wrote the made-up result gives back."""
    homes = made_up_result.layers()["candidate_homes"]
    best = homes[["rank", "home_id", "address", "street", "diverted_m3_y", "diverted_low_m3_y", "diverted_high_m3_y"]]
    values = {
        "output": Path(output),
        "n_parcels_read": 1_007,
        "n_candidate_homes": 2,
        "n_other_parcels": 1_004,
        "n_parcels_merged": 1,
        "n_gardens": 3,
        "reasons": {"too_steep": 4, "no_building": 1_000},
        "diverted_m3_y": 67.8,
        "diverted_low_m3_y": 40.7,
        "diverted_high_m3_y": 81.4,
        "runoff_roof_m3_y": 140.1,
        "cause_frac": {"rain_year": 0.615, "soil_rate": 0.2, "own_differences": 0.185},
        "best_homes": tuple(best.to_dict("records")),
        "best_streets": ({"street": "Alder Street", "n_candidates": 2, "n_gardens": 3, "diverted_m3_y": 67.8},),
        "failed_tiles": (),
        "seconds": 12.34,
        "notes": ("elevation cells are 2 m",),
    }
    return RunSummary(**(values | changes))


@pytest.fixture
def calls(monkeypatch):
    """Stand in for the long work: writes the made-up result, notes how it was called."""
    seen = []

    def run(params, on_progress=None, *, output, jobs=None, bounds_m=None, limit=None, **more):
        assert set(more) <= {"overwrite", "resume", "scheduler"}
        overwrite = more.get("overwrite", False)
        seen.append(
            {
                "params": params,
                "output": output,
                "jobs": jobs,
                "bounds_m": bounds_m,
                "limit": limit,
                "overwrite": overwrite,
                "resume": more.get("resume", False),
                "scheduler": more.get("scheduler"),
                "progress": on_progress,
            }
        )
        if on_progress:
            for done in range(0, 1001, 10):
                on_progress(done, 1000, "screening")
        layers, record = made_up_result.layers(), made_up_result.record()
        write_package(Path(output), layers, crs=made_up_result.CRS, record=record, overwrite=overwrite)
        return made_up_summary(output)

    monkeypatch.setattr(screening.batch, "run", run)
    return seen


# --- options ---


def test_options_reach_the_run(runner, calls, tmp_path):
    output = tmp_path / "out.gpkg"
    options = ["--jobs", "3", "--bbox=-10.5,20,30,41", "--limit", "7", "--rules", "us-nj", "--scheduler", "tcp://a:1"]
    options += ["--set", "rules.lot_line_m=2.5", "--set", "siting.allow_coarse=true"]
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), *options])
    assert done.exit_code == 0, done.output
    (call,) = calls
    assert call["output"] == output
    assert (call["jobs"], call["limit"], call["overwrite"], call["scheduler"]) == (3, 7, False, "tcp://a:1")
    assert call["bounds_m"] == (-10.5, 20.0, 30.0, 41.0)
    assert call["params"].rules.base == "us-nj"
    assert call["params"].rules.lot_line_m == 2.5
    assert call["params"].siting.allow_coarse is True
    assert call["params"].inputs.parcels == sample_folder() / "parcels.gpkg"


def test_inputs_may_come_without_a_run_file(runner, calls, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    inputs = ["--parcels", "it's here.gpkg", "--buildings", 'b "1".gpkg', "--elevation", "42"]
    done = runner.invoke(main, ["run", *inputs, "-o", "out.gpkg", "--no-progress"])
    assert done.exit_code == 0, done.output
    (call,) = calls
    assert call["params"].inputs.parcels == tmp_path / "it's here.gpkg"
    assert call["params"].inputs.buildings == tmp_path / 'b "1".gpkg'
    assert call["params"].inputs.elevation == tmp_path / "42"
    assert call["progress"] is None


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, "-o OUT.gpkg"),
        (["-o", "out.gpkg"], 2, "no parcels, no buildings, no elevation given"),
        (["-o", "out.gpkg", "--parcels", "p.gpkg"], 2, "--buildings FILE --elevation FILE"),
        (["RUN", "-o", "out.shp"], 2, "ends in .gpkg"),
        (["RUN", "-o", "nowhere/out.gpkg"], 2, "doesn't exist"),
        (["RUN", "-o", "there.gpkg"], 3, "--overwrite"),
        (["nowhere.toml", "-o", "out.gpkg"], 2, "nowhere.toml"),
        (["RUN", "-o", "out.gpkg", "--bbox", "1,2,3"], 2, "X0,Y0,X1,Y1"),
        (["RUN", "-o", "out.gpkg", "--bbox", "1,2,1,3"], 2, "X0 must be less than X1"),
        (["RUN", "-o", "out.gpkg", "--bbox", "nan,2,3,4"], 2, "X0 must be less than X1"),
        (["RUN", "-o", "out.gpkg", "--bbox", "-inf,2,3,4"], 2, "X0 must be less than X1"),
        (["RUN", "-o", "out.gpkg", "--jobs", "0"], 2, "x>=1"),
        (["RUN", "-o", "out.gpkg", "--limit", "0"], 2, "x>=1"),
        (["RUN", "-o", "out.gpkg", "--rules", "atlantis"], 2, "us-midwest"),
        (["RUN", "-o", "out.gpkg", "--set", "rules.lot_lines_m=2"], 2, "screening: --set rules.lot_lines_m=2: unknown"),
        (
            ["RUN", "-o", "out.gpkg", "--set", "soil.rate_mm_h=x"],
            2,
            "screening: --set soil.rate_mm_h=x: must be a number",
        ),
        (["RUN", "-o", "out.gpkg", "--set", "roof.form=hi\nps"], 2, "screening: --set roof.form=hi ps: must be one of"),
    ],
)
def test_wrong_options_end_before_any_work(runner, calls, tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.gpkg").write_bytes(b"")
    arguments = [str(RUN_FILE) if argument == "RUN" else argument for argument in arguments]
    done = runner.invoke(main, ["run", *arguments])
    assert (done.exit_code, done.stdout) == (code, ""), done.output
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert calls == []
    assert [entry.name for entry in tmp_path.iterdir()] == ["there.gpkg"]


def test_overwrite_is_passed_on(runner, calls, tmp_path):
    output = tmp_path / "out.gpkg"
    for extra, code in (([], 0), ([], 3), (["--overwrite"], 0)):
        assert runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), *extra]).exit_code == code
    assert [call["overwrite"] for call in calls] == [False, True]


def test_resume_is_passed_on(runner, calls, tmp_path):
    for number, extra in enumerate(([], ["--resume"])):
        arguments = ["run", str(RUN_FILE), "-o", str(tmp_path / f"{number}.gpkg"), *extra]
        assert runner.invoke(main, arguments).exit_code == 0
    assert [call["resume"] for call in calls] == [False, True]


def test_every_option_of_the_contract_is_there_and_has_help(runner):
    text = runner.invoke(main, ["run", "--help"]).output
    for option in ("--parcels", "--buildings", "--elevation", "-o", "--jobs", "--bbox", "--limit", "--set", "--rules"):
        assert option in text
    for option in ("--overwrite", "--dry-run", "--no-progress", "--json"):
        assert option in text
    import screening.cli.demo
    import screening.cli.explain
    import screening.cli.run

    for module in (screening.cli.run, screening.cli.demo, screening.cli.explain):
        for parameter in module.command.params:
            assert isinstance(parameter, click.Argument) or parameter.help, parameter.name


# --- what is printed ---


def test_the_summary_says_what_the_run_came_to(runner, calls, tmp_path):
    output = tmp_path / "out.gpkg"
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output)])
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert lines[0] == "2 candidate homes with 3 gardens, of 1,007 parcels (0 %)"
    assert lines[1] == "1,004 other parcels"
    # Most frequent first, each with its meaning.
    assert lines[2].startswith("1,000 no_building no building")
    assert lines[3].startswith("4 too_steep where a garden")
    assert "1 parcels merged into the row of another" in lines
    # Three digits, as much as an estimate carries; 67.8 / 140.1 = 48 %.
    place = lines.index("Diverted a year, likely: 67.8 m³/y")
    assert lines[place + 1] == "range, 10 to 90 %: 40.7 to 81.4 m³/y"
    assert lines[place + 2] == "unsure most of all: which year it is (62 % of the variance)"
    assert lines[place + 3] == "of all that the candidates' roofs shed, 140 m³/y: 48 %"
    assert lines[place + 4] == "rain: rain.csv, 4 years (2011 to 2013, 2015); soil: 7.6 mm/h"
    assert "Alder Street 2 homes 67.8 m³/y" in lines
    assert any(line.startswith("1 h-0017 17 Alder Street 46.6 m³/y (31.0 to 62.1 m³/y)") for line in lines)
    assert "- elevation cells are 2 m" in lines
    assert "Time: 12.3 s" in lines
    assert f"Result: {output}" in lines
    assert "not a design and no permit" in lines[-1]


def test_the_summary_in_us_units(runner, calls, tmp_path):
    arguments = ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg"), "--set", 'output.display_units="us"']
    done = runner.invoke(main, arguments)
    # 67.8 m3 / 0.003785411784 m3 = 17,911 US gallons, to three digits.
    assert "likely: 17,900 gal/y" in done.stdout
    assert "m³" not in done.stdout


@pytest.mark.parametrize(
    ("changes", "ending"),
    [
        ({"rain_years_used": ""}, "rain: assumed storms, no record; soil: 7.6 mm/h"),
        ({"soil.clay loam.basis": "a table", "soil.clay loam.rate_mm_h": "1.5"}, "soil: 2 classes, 1.5 to 7.6 mm/h"),
    ],
)
def test_the_summary_says_what_rain_and_soil_it_rests_on(changes, ending):
    lines = summary_text(made_up_summary("out.gpkg"), made_up_result.record() | changes).splitlines()
    assert next(line for line in lines if line.strip().startswith("rain:")).endswith(ending)


def test_one_soil_in_words_has_its_rate_beside_it():
    # loam: 0.3 in/h, Minnesota Stormwater Manual.
    text = summary_text(made_up_summary("out.gpkg"), made_up_result.record(**{"soil.default": "loam"}))
    assert "; soil: loam, 7.62 mm/h" in text


def test_a_total_without_a_range_has_no_cause():
    text = summary_text(made_up_summary("out.gpkg", cause_frac={"rain_year": 0.0}), made_up_result.record())
    assert "unsure" not in text


def test_json_is_all_that_is_on_stdout(runner, calls, tmp_path):
    output = tmp_path / "out.gpkg"
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), "--json"])
    data = json.loads(done.stdout)
    assert data["output"] == str(output)
    assert data["reasons"] == {"too_steep": 4, "no_building": 1000}
    assert data["n_parcels_read"] == data["n_candidate_homes"] + data["n_other_parcels"] + data["n_parcels_merged"]
    assert data["best_homes"][0]["home_id"] == "h-0017"
    assert data["best_streets"][0]["diverted_m3_y"] == 67.8
    assert data["cause_frac"] == {"rain_year": 0.615, "soil_rate": 0.2, "own_differences": 0.185}
    assert done.stderr


def test_a_run_without_candidates_is_told_plainly(runner, monkeypatch, tmp_path):
    nothing = {
        "n_candidate_homes": 0,
        "n_gardens": 0,
        "diverted_m3_y": 0.0,
        "diverted_low_m3_y": 0.0,
        "diverted_high_m3_y": 0.0,
        "runoff_roof_m3_y": 0.0,
        "cause_frac": {},
        "best_homes": (),
        "best_streets": (),
        "notes": (),
    }

    def run(*_, output, **__):
        layers = {name: frame[:0] for name, frame in made_up_result.layers().items()}
        write_package(Path(output), layers, crs=made_up_result.CRS, record=made_up_result.record(), overwrite=False)
        return made_up_summary(output, **nothing)

    monkeypatch.setattr(screening.batch, "run", run)
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("0 candidate homes")
    assert "Best" not in done.stdout
    assert "unsure" not in done.stdout
    assert "nan" not in done.stdout


def test_failed_tiles_end_with_their_own_code(runner, monkeypatch, tmp_path):
    def run(*_, **__):
        raise TilesFailedError("2 of 9 tiles failed")

    monkeypatch.setattr(screening.batch, "run", run)
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    assert (done.exit_code, done.stderr) == (4, "screening: 2 of 9 tiles failed\n")


def test_tiles_that_failed_are_told_after_the_summary(runner, monkeypatch, tmp_path):
    def run(*_, output, **__):
        layers, record = made_up_result.layers(), made_up_result.record()
        write_package(Path(output), layers, crs=made_up_result.CRS, record=record, overwrite=False)
        return made_up_summary(output, failed_tiles=("tile 3, 4: out of memory", "tile 3, 5: out of memory"))

    monkeypatch.setattr(screening.batch, "run", run)
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    assert done.exit_code == 4
    assert "Diverted a year, likely: 67.8 m³/y" in done.stdout
    assert done.stderr.startswith("screening: 2 tiles failed (tile 3, 4: out of memory)")
    assert "--resume" in done.stderr


# --- progress ---


def test_progress_elsewhere_is_a_line_each_twentieth(runner, calls, tmp_path):
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    lines = done.stderr.splitlines()
    assert len(lines) == 21
    assert lines[0].split() == ["0", "%", "0", "of", "1,000", "parcels", "screening"]
    assert lines[-1].split() == ["100", "%", "1,000", "of", "1,000", "parcels", "screening"]
    shares = [int(line.split()[0]) for line in lines]
    assert shares == list(range(0, 101, 5))


@pytest.mark.parametrize("arguments", [["run", "--no-progress"], ["-q", "run"]])
def test_progress_can_be_silenced(runner, calls, tmp_path, arguments):
    done = runner.invoke(main, [*arguments, str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    assert done.exit_code == 0
    assert done.stderr == ""


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


def test_progress_on_a_terminal_is_a_bar(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", Terminal())
    with show_progress(wanted=True) as on_progress:
        on_progress(0, 0, "reading [streets]")
        on_progress(250, 1000, "screening")
    text = sys.stderr.getvalue()
    assert "250/1000" in text
    assert "screening" in text
    # The cursor is hidden while the bar is drawn, and comes back.
    assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l")


def test_progress_without_a_total_claims_no_share(capsys):
    with show_progress(wanted=True) as on_progress:
        on_progress(0, 0, "reading")
        on_progress(1, 1, "writing")
    assert capsys.readouterr().err.split("\n") == ["reading", "writing", ""]


# --- dry run ---


def test_a_dry_run_reads_and_writes_nothing(runner, calls, tmp_path):
    output = tmp_path / "out.gpkg"
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), "--dry-run"])
    assert done.exit_code == 0, done.output
    assert calls == []
    assert list(tmp_path.iterdir()) == []
    assert re.search(r"parcels +parcels\.gpkg.*: \d+ features", done.stdout)
    assert re.search(r"elevation +elevation\.tif", done.stdout)
    assert "Nothing was written" in done.stdout


def test_a_dry_run_needs_no_output_and_gives_json(runner, calls):
    done = runner.invoke(main, ["run", str(RUN_FILE), "--dry-run", "--json"])
    data = json.loads(done.stdout)
    assert data["output"] is None
    assert {"parcels", "buildings", "elevation"} <= {file["role"] for file in data["inputs"]}
    assert data["elevation_cell_m"] == 1.0


def test_a_dry_run_still_refuses_what_the_run_would(runner, calls, tmp_path):
    done = runner.invoke(main, ["run", str(RUN_FILE), "--dry-run", "--set", "inputs.parcels=nowhere.gpkg"])
    assert done.exit_code == 3
    assert "nowhere.gpkg" in done.stderr
    assert done.stdout == ""


# --- stopped from the keyboard ---


def test_an_interrupt_is_one_sentence(runner, monkeypatch, tmp_path):
    def run(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(screening.batch, "run", run)
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg")])
    assert done.exit_code == 1
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert "stopped" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends a Unix signal")
@pytest.mark.parametrize("after", ["reading", "parcels"])
def test_ctrl_c_leaves_the_folder_as_it_was(tmp_path, after):
    output = tmp_path / "out.gpkg"
    layers, record = made_up_result.layers(), made_up_result.record()
    write_package(output, layers, crs=made_up_result.CRS, record=record, overwrite=False)
    before = output.read_bytes()
    # Two workers, so that the processes are stopped too.
    command = [sys.executable, "-m", "screening", "run", RUN_FILE, "-o", output, "--overwrite", "--jobs", "2"]
    with subprocess.Popen(
        [*command, "--set", "batch.tile_size_m=250"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        watchdog = threading.Timer(240, process.kill)
        watchdog.start()
        seen = []
        for line in process.stderr:
            seen.append(line)
            if after in line:
                # As a terminal does it: the whole group gets the signal.
                os.killpg(process.pid, signal.SIGINT)
                break
        rest = process.stderr.read()
        output_text = process.stdout.read()
        code = process.wait()
        watchdog.cancel()
    assert code == 1, (seen, rest)
    assert output_text == ""
    assert rest.strip().splitlines()[-1].startswith("screening: stopped"), rest
    assert "Traceback" not in rest
    assert output.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.gpkg"]


# --- the demo ---


DEMO_FILES = ["best_home.png", "best_home.txt", "candidates.gpkg", "map.html", "plan.gpkg", "report.html", "sheets.pdf"]


def test_the_demo_writes_its_files_and_says_where(runner, calls, tmp_path):
    folder = tmp_path / "made" / "here"
    done = runner.invoke(main, ["demo", "--out", str(folder)])
    assert done.exit_code == 0, done.output
    assert sorted(entry.name for entry in folder.iterdir()) == DEMO_FILES
    assert (folder / "best_home.text").exists() is False
    assert (folder / "best_home.txt").read_text("utf-8").startswith("Home h-0017")
    assert (folder / "best_home.png").read_bytes().startswith(b"\x89PNG")
    ending = done.stdout[done.stdout.index("Outputs") :]
    for name in DEMO_FILES:
        assert str(folder / name) in ending
    assert "Best homes" in done.stdout
    # plan, map, sheets and report are of the same two homes
    assert "plan of 2 visits" in ending
    assert len(gpd.read_file(folder / "plan.gpkg", layer="visits")) == 2
    assert len(pypdf.PdfReader(folder / "sheets.pdf").pages) == 2
    page = (folder / "report.html").read_text("utf-8")
    assert "what a screening found" in page
    assert "Alder" not in page
    assert calls[0]["params"].inputs.parcels == sample_folder() / "parcels.gpkg"


def test_the_demo_replaces_its_own_output_only(runner, calls, tmp_path):
    for _ in range(2):
        done = runner.invoke(main, ["demo", "--out", str(tmp_path)])
        assert done.exit_code == 0, done.output
    (tmp_path / "candidates.gpkg").unlink()
    done = runner.invoke(main, ["demo", "--out", str(tmp_path)])
    assert done.exit_code == 3
    assert "best_home.png and best_home.txt and plan.gpkg" in done.stderr
    for name in DEMO_FILES:
        (tmp_path / name).unlink(missing_ok=True)
    made_up_result.layers()["gardens"].to_file(tmp_path / "candidates.gpkg", layer="gardens")
    done = runner.invoke(main, ["demo", "--out", str(tmp_path)])
    assert done.exit_code == 3
    assert "holds other data" in done.stderr
    assert len(calls) == 2


def test_the_demo_needs_a_folder(runner, calls, tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    done = runner.invoke(main, ["demo", "--out", str(place)])
    assert (done.exit_code, done.stdout) == (2, "")
    assert "is a file" in done.stderr
    assert calls == []


# --- the real thing ---


def test_a_few_real_homes_from_end_to_end(runner, tmp_path):
    output = tmp_path / "out.gpkg"
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), "--limit", "25", "--json"])
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert data["n_parcels_read"] == data["n_candidate_homes"] + data["n_other_parcels"] + data["n_parcels_merged"]
    assert data["n_candidate_homes"] > 0
    assert gpkg_validity.problems(output) == []
    home_id = data["best_homes"][0]["home_id"]
    explained = runner.invoke(main, ["explain", str(output), home_id, "-o", str(tmp_path / "home.png")])
    assert explained.exit_code == 0, explained.output
    # Every formula shown gives the number that the stages computed.
    assert "as recorded" not in explained.stdout
    with sqlite3.connect(output) as connection:
        read = connection.execute
        homes = read("SELECT sum(diverted_m3_y), sum(diverted_low_m3_y), sum(all_likely_m3_y) FROM candidate_homes")
        middles, lows, likely = homes.fetchone()
        gardens = read("SELECT sum(diverted_m3_y), sum(all_likely_m3_y) FROM gardens").fetchone()
        record = dict(read("SELECT key, value FROM run_record WHERE key LIKE 'total_%'").fetchall())
    connection.close()
    assert gardens == pytest.approx((middles, likely), rel=1e-9)
    for name in ("diverted", "diverted_low", "diverted_high"):
        assert float(record[f"total_{name}_m3_y"]) == pytest.approx(data[f"{name}_m3_y"], abs=6e-4)
    # the total is drawn as a total: medians nearly add up, lows do not, for not all homes have bad luck at once
    assert middles == pytest.approx(data["diverted_m3_y"], rel=0.02)
    assert lows < data["diverted_low_m3_y"] < data["diverted_m3_y"] < data["diverted_high_m3_y"]
    code, part = max(data["cause_frac"].items(), key=lambda item: item[1])
    assert float(record[f"total_cause_frac.{code}"]) == pytest.approx(part, abs=6e-5)


def test_a_unit_of_a_stack_is_found_in_a_real_result(runner, tmp_path):
    output = tmp_path / "out.gpkg"
    parcels = gpd.read_file(sample_folder() / "parcels.gpkg")
    units = parcels[parcels["address"].fillna("").str.contains(r" Unit \d+$")].sort_values("parcel_id")
    west, south, east, north = units.total_bounds
    box = f"--bbox={west + 9},{south + 9},{east - 9},{north - 9}"
    done = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), box, "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["n_parcels_merged"] == len(units) - 1 > 1
    first, *others = units["parcel_id"]
    merged = gpd.read_file(output, layer="merged_parcels")
    assert merged[["parcel_id", "merge_code", "kept_parcel_id"]].to_numpy().tolist() == [
        [name, "stack", first] for name in others
    ]
    for name in others:
        explained = runner.invoke(main, ["explain", str(output), name])
        assert explained.exit_code == 0, explained.output
        assert f"Parcel {name} has the same outline as parcel {first}:" in explained.stdout
    assert gpkg_validity.problems(output) == []
