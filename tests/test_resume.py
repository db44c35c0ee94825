"""Runs that break: what is kept, what is computed anew, and that the end is the same to the byte."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pyarrow.parquet as pq
import pytest
import shapely
from made_lots import make_town_module, read_town
from made_rain import hourly_rain

from screening.batch import part_folder, parts, run, tile_loop
from screening.batch.basis import Basis
from screening.errors import OutputExistsError, ScreeningError
from screening.params import load_params
from screening.write import renaming

TILE = {"batch.tile_size_m": 100.0}


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """Run file of a town of forty lots on several small tiles."""
    folder = tmp_path_factory.mktemp("town")
    make_town_module().make_town(folder / "made", 40, 11, n_rain_years=1)
    return read_town(folder / "made", rain_mm=hourly_rain(1, 11)).write(folder / "town")


@pytest.fixture(scope="module")
def undisturbed(town, tmp_path_factory):
    """The bytes of a run that nothing disturbs."""
    output = tmp_path_factory.mktemp("undisturbed") / "out.gpkg"
    run(load_params(town, TILE), output=output, jobs=1)
    assert sorted(path.name for path in output.parent.iterdir()) == ["out.gpkg", "out.run.jsonl"]
    return output.read_bytes()


class Stopped(BaseException):
    """Stands for whatever ends a process."""


def broken_after(n_tiles, monkeypatch, params, output, **more):
    """Start a run and break it off after some tiles; names of the parts it leaves."""
    work = tile_loop.work
    done = []

    def counted(*arguments):
        if len(done) == n_tiles:
            raise Stopped
        done.append(work(*arguments))
        return done[-1]

    with monkeypatch.context() as patched:
        patched.setattr(tile_loop, "work", counted)
        with pytest.raises(Stopped):
            run(params, output=output, jobs=1, **more)
    return sorted(path.name for path in part_folder.folder_of(output).glob("tile_*"))


def worked_on(monkeypatch):
    """Names of the tiles that are screened from now on."""
    work = tile_loop.work
    names = []

    def noted(tile, *arguments):
        names.append(parts.tile_name(tile))
        return work(tile, *arguments)

    monkeypatch.setattr(tile_loop, "work", noted)
    return names


def test_a_broken_run_goes_on_and_ends_with_the_same_bytes(town, undisturbed, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(town, TILE), output)
    assert len(left) == 3
    assert not output.exists()
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert not set(again) & set(left)
    assert len(again) >= 3
    assert output.read_bytes() == undisturbed
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.gpkg", "out.run.jsonl"]


def test_what_is_left_is_not_lost_by_mistake(town, undisturbed, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    broken_after(2, monkeypatch, load_params(town, TILE), output)
    with pytest.raises(OutputExistsError, match="--resume"):
        run(load_params(town, TILE), output=output, jobs=1)
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, overwrite=True)
    assert len(again) >= 5
    assert output.read_bytes() == undisturbed


def test_a_run_that_finished_no_tile_leaves_nothing(town, tmp_path, monkeypatch):
    assert broken_after(0, monkeypatch, load_params(town, TILE), tmp_path / "out.gpkg") == []
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "tiles_anew"),
    [
        ({"ranking.weight_confidence": 2.0}, False),
        ({"uncertainty.seed": 7}, False),
        ({"rules.lot_line_m": 2.0}, True),
        ({"soil.rate_mm_h": 5.0}, True),
        ({"batch.tile_size_m": 150.0}, True),
    ],
)
def test_a_changed_parameter_recomputes_what_it_touches(change, tiles_anew, town, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(town, TILE), output)
    changed = load_params(town, {**TILE, **change})
    again = worked_on(monkeypatch)
    run(changed, output=output, jobs=1, resume=True)
    if "batch.tile_size_m" not in change:
        assert (set(left) <= set(again)) == tiles_anew
    run(changed, output=tmp_path / "fresh.gpkg", jobs=1)
    assert output.read_bytes() == (tmp_path / "fresh.gpkg").read_bytes()


def test_a_changed_input_is_named_and_recomputed(town, tmp_path, monkeypatch, caplog):
    copy = tmp_path / "copy"
    copy.mkdir()
    for path in town.parent.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    run_file, output = copy / town.name, tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(run_file, TILE), output)
    wells = gpd.read_file(copy / "keep_0.gpkg")
    wells.iloc[1:].to_file(copy / "keep_0.gpkg", engine="pyogrio")
    again = worked_on(monkeypatch)
    run(load_params(run_file, TILE), output=output, jobs=1, resume=True)
    assert set(left) <= set(again)
    assert "keep_0.gpkg" in caplog.text


@pytest.mark.parametrize("damage", ["flipped", "cut", "gone", "listing"])
def test_a_damaged_part_is_computed_anew(damage, town, undisturbed, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(town, TILE), output)
    folder = part_folder.folder_of(output) / left[1]
    file = next(iter(sorted(folder.glob("*.parquet"))))
    content = file.read_bytes()
    if damage == "flipped":
        middle = len(content) // 2
        file.write_bytes(content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :])
    elif damage == "cut":
        file.write_bytes(content[:-20])
    elif damage == "gone":
        file.unlink()
    else:
        (folder / "files.json").write_text("{", encoding="utf-8")
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert left[1] in again
    assert left[0] not in again
    assert output.read_bytes() == undisturbed


def test_parts_of_another_form_are_not_read(town, undisturbed, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    left = broken_after(2, monkeypatch, load_params(town, TILE), output)
    manifest = part_folder.folder_of(output) / "manifest.json"
    content = json.loads(manifest.read_text(encoding="utf-8"))
    manifest.write_text(json.dumps({**content, "format": 999}), encoding="utf-8")
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert set(left) <= set(again)
    assert output.read_bytes() == undisturbed


def test_a_part_is_geoparquet(town, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(town, TILE), output)
    files = [path for name in left for path in (part_folder.folder_of(output) / name).glob("candidate_homes.parquet")]
    homes = gpd.read_parquet(files[0])
    assert homes.crs.is_projected
    assert shapely.is_valid(homes.geometry.to_numpy()).all()
    assert "rank" not in pq.read_schema(files[0]).names


def test_two_runs_do_not_share_an_output(town, tmp_path, monkeypatch):
    work = tile_loop.work
    output = tmp_path / "out.gpkg"
    said = []

    def with_another(*arguments):
        if not said:
            with pytest.raises(OutputExistsError, match="Another run") as caught:
                run(load_params(town, TILE), output=output, jobs=1, overwrite=True)
            said.append(str(caught.value))
        return work(*arguments)

    monkeypatch.setattr(tile_loop, "work", with_another)
    run(load_params(town, TILE), output=output, jobs=1)
    assert said
    assert output.exists()


def test_a_tile_that_fails_twice_is_reported_and_the_rest_delivered(town, undisturbed, tmp_path, monkeypatch):
    work = tile_loop.work
    output = tmp_path / "out.gpkg"
    tried = []

    def failing(tile, *arguments):
        if not tried or parts.tile_name(tile) == tried[0]:
            tried.append(parts.tile_name(tile))
            raise MemoryError("too much")
        return work(tile, *arguments)

    with monkeypatch.context() as patched:
        patched.setattr(tile_loop, "work", failing)
        summary = run(load_params(town, TILE), output=output, jobs=1)
    assert len(tried) == 2
    assert len(summary.failed_tiles) == 1
    assert tried[0] in summary.failed_tiles[0]
    assert summary.reasons["tile_failed"] >= 1
    assert summary.n_candidate_homes + summary.n_other_parcels + summary.n_parcels_merged == summary.n_parcels_read
    with sqlite3.connect(output) as db:
        text = db.execute("SELECT reason_text FROM other_parcels WHERE reason_code = 'tile_failed'").fetchone()[0]
    assert "MemoryError" in text
    # a later run has more luck, and only with that tile
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, resume=True, overwrite=True)
    assert again == [tried[0]]
    assert output.read_bytes() == undisturbed


def test_a_tile_that_fails_once_is_tried_again(town, undisturbed, tmp_path, monkeypatch):
    work = tile_loop.work
    output = tmp_path / "out.gpkg"
    tried = []

    def failing_once(*arguments):
        tried.append(1)
        if len(tried) == 2:
            raise OSError(5, "Input/output error")
        return work(*arguments)

    monkeypatch.setattr(tile_loop, "work", failing_once)
    assert run(load_params(town, TILE), output=output, jobs=1).failed_tiles == ()
    assert output.read_bytes() == undisturbed


@pytest.mark.slow
def test_a_killed_run_goes_on(town, undisturbed, tmp_path):
    """Kill -9 at some moment, workers and all; then resume."""
    output = tmp_path / "out.gpkg"
    command = [sys.executable, "-m", "screening", "run", str(town), "-o", str(output), "--jobs", "2", "--set",
               "batch.tile_size_m=100.0", "--no-progress"]  # fmt: skip
    for wait_s in (2.5, 4.0, 5.5):
        process = subprocess.Popen([*command, "--resume"], start_new_session=True, stderr=subprocess.DEVNULL)
        time.sleep(wait_s)
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        output.unlink(missing_ok=True)
    subprocess.run([*command, "--resume"], check=True, capture_output=True)
    assert output.read_bytes() == undisturbed
    assert not part_folder.folder_of(output).exists()


@pytest.mark.slow
def test_a_worker_that_dies_is_survived(town, undisturbed, tmp_path):
    """One of two workers is killed in mid-run; the others' tiles and its own are done all the same."""
    output = tmp_path / "out.gpkg"
    command = [sys.executable, "-m", "screening", "run", str(town), "-o", str(output), "--jobs", "2", "--set",
               "batch.tile_size_m=100.0", "--no-progress"]  # fmt: skip
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60.0
    killed = False
    while not killed and time.monotonic() < deadline and process.poll() is None:
        if len(list(part_folder.folder_of(output).glob("tile_*"))) >= 1:
            children = subprocess.run(["pgrep", "-P", str(process.pid), "-f", "spawn_main"], check=False,
                                      capture_output=True, text=True).stdout.split()  # fmt: skip
            if children:
                os.kill(int(children[0]), signal.SIGKILL)
                killed = True
        time.sleep(0.02)
    assert killed
    assert process.wait(timeout=180) == 0
    assert output.read_bytes() == undisturbed


def is_at_work(pid):
    """Whether a process is there and not merely waiting to be counted out."""
    state = subprocess.run(["ps", "-o", "stat=", "-p", pid], check=False, capture_output=True, text=True).stdout
    return bool(state) and not state.startswith("Z")


@pytest.mark.slow
def test_workers_end_with_their_run(town, undisturbed, tmp_path):
    """The main process alone is killed, as a system short of memory does: its workers don't go on without it."""
    output = tmp_path / "out.gpkg"
    command = [sys.executable, "-m", "screening", "run", str(town), "-o", str(output), "--jobs", "2", "--set",
               "batch.tile_size_m=100.0", "--no-progress"]  # fmt: skip
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60.0
    while not list(part_folder.folder_of(output).glob("tile_*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    workers = subprocess.run(["pgrep", "-P", str(process.pid), "-f", "spawn_main"], check=False, capture_output=True,
                             text=True).stdout.split()  # fmt: skip
    assert len(workers) == 2
    assert process.poll() is None
    process.kill()
    process.wait()
    deadline = time.monotonic() + 10.0
    while any(is_at_work(pid) for pid in workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(is_at_work(pid) for pid in workers)
    subprocess.run([*command, "--resume"], check=True, capture_output=True)
    assert output.read_bytes() == undisturbed


@pytest.mark.slow
def test_a_run_killed_while_it_writes_leaves_nothing_for_good(town, undisturbed, tmp_path):
    output = tmp_path / "out.gpkg"
    command = [sys.executable, "-m", "screening", "run", str(town), "-o", str(output), "--jobs", "1", "--set",
               "batch.tile_size_m=100.0", "--no-progress"]  # fmt: skip
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60.0
    while not list(part_folder.folder_of(output).glob("*/*/out.gpkg")) and time.monotonic() < deadline:
        time.sleep(0.002)
    process.kill()
    process.wait()
    # the half of a result lies where the next run clears up
    assert [path.name for path in tmp_path.iterdir()] == ["out.gpkg.parts"]
    assert len(list(part_folder.folder_of(output).glob("*/*/out.gpkg"))) == 1
    subprocess.run([*command, "--resume"], check=True, capture_output=True)
    assert output.read_bytes() == undisturbed
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.gpkg", "out.run.jsonl"]


@pytest.mark.parametrize("changed", [False, True], ids=["at the end", "at the beginning"])
def test_a_run_killed_while_it_clears_up_goes_on(changed, tmp_path, monkeypatch):
    """Whatever was removed last before the kill: the folder is still known for one of ours."""
    output, left = tmp_path / "out.gpkg", []
    folder = part_folder.folder_of(output)
    iterdir, rmtree, unlink = Path.iterdir, shutil.rmtree, Path.unlink

    def dying(remove):
        """The removal of something in the folder, of which so many more are survived."""

        def one_less(path, **more):
            if path.parent == folder:
                if not left[0]:
                    raise Stopped
                left[0] -= 1
            remove(path, **more)

        return one_less

    def begun(entry):
        return part_folder.part_folder(output, resume=True, overwrite=False), Basis({"rain": entry}, "same")

    n_deaths, is_over = 0, False
    while not is_over:
        rmtree(folder, ignore_errors=True)
        opened, basis = begun("old")
        with monkeypatch.context() as patched:
            # names in order, as some file systems give them: the manifest comes before the tiles
            patched.setattr(Path, "iterdir", lambda path: iter(sorted(iterdir(path))))
            patched.setattr(shutil, "rmtree", dying(rmtree))
            patched.setattr(Path, "unlink", dying(unlink))
            left[:] = [99]
            try:
                with opened as begin:
                    begin.begin(basis)
                    for name in ("tile_1_1_1", "tile_1_1_2"):
                        (folder / name).mkdir()
                        (folder / name / "files.json").write_text("{}", encoding="utf-8")
                    if not changed:
                        left[:] = [n_deaths]
                    else:
                        begin.is_kept = True
                if changed:
                    opened, basis = begun("new")
                    with opened as begin:
                        left[:] = [n_deaths]
                        begin.begin(basis)
                is_over = True
            except Stopped:
                n_deaths += 1
        opened, basis = begun("new" if changed else "old")
        with opened as begin:
            begin.begin(basis)
            assert not (changed and begin.done)
        assert not folder.exists()
    assert n_deaths >= 3


@pytest.mark.parametrize("name", ["holiday.jpg", "tile_12_7", "manifest.json"])
def test_somebody_elses_folder_is_left_alone(name, town, tmp_path):
    """A folder that only happens to have the name is neither used nor emptied, whatever is asked for."""
    output = tmp_path / "out.gpkg"
    theirs = part_folder.folder_of(output) / name
    theirs.parent.mkdir()
    theirs.write_text('{"name": "holiday"}', encoding="utf-8")
    for more in ({}, {"overwrite": True}, {"resume": True}):
        with pytest.raises(OutputExistsError, match=name):
            run(load_params(town, TILE), output=output, jobs=1, **more)
    assert theirs.read_text(encoding="utf-8") == '{"name": "holiday"}'
    assert [path.name for path in theirs.parent.iterdir()] == [name]


def test_a_file_in_the_place_of_the_folder_is_left_alone(town, tmp_path):
    output = tmp_path / "out.gpkg"
    part_folder.folder_of(output).write_text("mine", encoding="utf-8")
    with pytest.raises(OutputExistsError, match="in the way"):
        run(load_params(town, TILE), output=output, jobs=1, overwrite=True)
    assert part_folder.folder_of(output).read_text(encoding="utf-8") == "mine"


def test_what_somebody_puts_beside_the_parts_stays(town, undisturbed, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    broken_after(2, monkeypatch, load_params(town, TILE), output)
    note = part_folder.folder_of(output) / "note.txt"
    note.write_text("do not lose", encoding="utf-8")
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert output.read_bytes() == undisturbed
    assert note.read_text(encoding="utf-8") == "do not lose"
    assert [path.name for path in note.parent.iterdir()] == ["note.txt"]


@pytest.mark.parametrize("spoil", [lambda data: data[:100], lambda _: b"[" * 100_000], ids=["breaks off", "too deep"])
def test_a_manifest_that_is_none_is_not_believed(town, undisturbed, tmp_path, monkeypatch, spoil):
    output = tmp_path / "out.gpkg"
    left = broken_after(2, monkeypatch, load_params(town, TILE), output)
    manifest = part_folder.folder_of(output) / "manifest.json"
    manifest.write_bytes(spoil(manifest.read_bytes()))
    again = worked_on(monkeypatch)
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert set(left) <= set(again)
    assert output.read_bytes() == undisturbed


def test_a_clock_that_is_set_back_changes_nothing(town, undisturbed, tmp_path, monkeypatch):
    """Parts are judged by what is in them: neither old nor future dates of files count, nor the clock."""
    output = tmp_path / "out.gpkg"
    left = broken_after(3, monkeypatch, load_params(town, TILE), output)
    for path in part_folder.folder_of(output).rglob("*"):
        os.utime(path, (1e8, 1e8) if path.name < "m" else (4e9, 4e9))
    again = worked_on(monkeypatch)
    now = iter(range(2_000_000_000, 0, -3600))
    monkeypatch.setattr(time, "time", lambda: next(now))
    run(load_params(town, TILE), output=output, jobs=1, resume=True)
    assert not set(left) & set(again)
    assert output.read_bytes() == undisturbed


@pytest.mark.parametrize("does_it", [True, False])
def test_a_network_drive_that_stumbles_over_a_rename(does_it, town, undisturbed, tmp_path, monkeypatch):
    """Every third rename of a part, or of the result, fails at first, or is done and reported as failed."""
    real = Path.replace
    calls = []

    def stumbling(self, target):
        if part_folder.folder_of(tmp_path / "out.gpkg") in self.parents:
            calls.append(self.name)
            if len(calls) % 3 == 1:
                if does_it:
                    real(self, target)
                raise OSError(errno.EBUSY, "Device or resource busy")
            time.sleep(0.01)
        return real(self, target)

    monkeypatch.setattr(Path, "replace", stumbling)
    monkeypatch.setattr(renaming, "RENAME_WAITS_S", (0.0, 0.0, 0.0))
    run(load_params(town, TILE), output=tmp_path / "out.gpkg", jobs=1)
    assert len(calls) > 5
    assert (tmp_path / "out.gpkg").read_bytes() == undisturbed


def test_a_folder_that_takes_no_parts_is_named(town, tmp_path, monkeypatch):
    output = tmp_path / "out.gpkg"
    real = os.mkdir

    def refusing(path, *arguments, **more):
        if str(path).endswith(".parts"):
            raise OSError(errno.EROFS, "Read-only file system")
        return real(path, *arguments, **more)

    monkeypatch.setattr(os, "mkdir", refusing)
    with pytest.raises(ScreeningError, match=r"out\.gpkg\.parts.*Read-only file system.*choose another output"):
        run(load_params(town, TILE), output=output, jobs=1)
