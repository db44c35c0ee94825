"""Runs that several processes share: shares of the tiles put together later, and a cluster that loses a worker."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from made_lots import make_town_module, read_town
from made_rain import hourly_rain

from screening.batch import run
from screening.batch.part_folder import folder_of
from screening.batch.whole_run import merge_shares, run_share
from screening.cli.main import main
from screening.cli.progress import Pace, in_words
from screening.errors import InputError, OutputExistsError, ParameterError, ScreeningError
from screening.params import load_params

TILE = {"batch.tile_size_m": 60.0}
SET = ["--set", "batch.tile_size_m=60.0"]


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """Run file of a town of sixty lots on many small tiles."""
    folder = tmp_path_factory.mktemp("town")
    make_town_module().make_town(folder / "made", 60, 5, n_rain_years=1)
    return read_town(folder / "made", rain_mm=hourly_rain(1, 5)).write(folder / "town")


@pytest.fixture(scope="module")
def in_one_go(town, tmp_path_factory):
    """The bytes of a run of one process."""
    output = tmp_path_factory.mktemp("plain") / "out.gpkg"
    run(load_params(town, TILE), output=output, jobs=1)
    return output.read_bytes()


def test_shares_put_together_are_a_run_in_one_go(town, in_one_go, tmp_path):
    output = tmp_path / "out.gpkg"
    params = load_params(town, TILE)
    found = [run_share(params, output=output, share=(k, 3), jobs=1) for k in (2, 3, 1)]
    assert sum(one.n_tiles for one in found) == found[0].n_tiles_in_all
    assert min(one.n_tiles for one in found) >= 2
    assert not output.exists()
    merge_shares(params, output=output)
    assert output.read_bytes() == in_one_go
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.gpkg", "out.run.jsonl"]


def test_a_missing_share_is_said_and_nothing_lost(town, in_one_go, tmp_path):
    output = tmp_path / "out.gpkg"
    params = load_params(town, TILE)
    with pytest.raises(InputError, match="do the shares first"):
        merge_shares(params, output=output)
    done = run_share(params, output=output, share=(1, 2), jobs=1)
    before = sorted(path.name for path in folder_of(output).glob("tile_*"))
    assert len(before) == done.n_tiles
    with pytest.raises(InputError, match=rf"{done.n_tiles_in_all - done.n_tiles} of {done.n_tiles_in_all} tiles"):
        merge_shares(params, output=output)
    # parts of other work are neither mixed nor thrown away
    other = load_params(town, {**TILE, "rules.lot_line_m": 2.5})
    for call in (lambda: merge_shares(other, output=output), lambda: run_share(other, output=output, share=(2, 2))):
        with pytest.raises(OutputExistsError, match="lot_line_m"):
            call()
    assert sorted(path.name for path in folder_of(output).glob("tile_*")) == before
    # a run in one process may do the rest
    run(params, output=output, jobs=1, resume=True)
    assert output.read_bytes() == in_one_go


def test_shares_run_at_the_same_time_but_beside_no_whole_run(town, tmp_path, monkeypatch):
    from screening.batch import tile_loop

    output = tmp_path / "out.gpkg"
    params = load_params(town, TILE)
    work = tile_loop.work
    inside = []

    def with_others(*arguments):
        if not inside:
            inside.append(True)
            inside.append(run_share(params, output=output, share=(2, 2), jobs=1))
            with pytest.raises(OutputExistsError, match="Another run"):
                merge_shares(params, output=output)
            with pytest.raises(OutputExistsError, match="Another run"):
                run(params, output=output, jobs=1, overwrite=True)
        return work(*arguments)

    monkeypatch.setattr(tile_loop, "work", with_others)
    first = run_share(params, output=output, share=(1, 2), jobs=1)
    assert first.n_tiles + inside[1].n_tiles == first.n_tiles_in_all


def test_the_same_share_twice_does_no_harm(town, in_one_go, tmp_path):
    output = tmp_path / "out.gpkg"
    params = load_params(town, TILE)
    for share in ((1, 2), (1, 2), (2, 2), (1, 1)):
        run_share(params, output=output, share=share, jobs=1)
    merge_shares(params, output=output)
    assert output.read_bytes() == in_one_go


@pytest.mark.parametrize("text", ["0/3", "4/3", "3", "a/b", "1/0", "-1/2"])
def test_a_share_that_cannot_be_is_refused(text, runner, town, tmp_path):
    done = runner.invoke(main, ["run", str(town), "-o", str(tmp_path / "o.gpkg"), "--tiles", text])
    assert done.exit_code == 2
    assert "3/8" in done.stderr


def test_commands_of_a_job_array(town, in_one_go, tmp_path):
    """Plain processes, started at the same time as a job array would start them."""
    output = tmp_path / "out.gpkg"
    base = [sys.executable, "-m", "screening"]
    shares = [
        subprocess.Popen([*base, "run", str(town), "-o", str(output), *SET, "--tiles", f"{k}/2", "--no-progress"],
                         stdout=subprocess.PIPE, text=True)
        for k in (1, 2)
    ]  # fmt: skip
    said = [share.communicate(timeout=200)[0] for share in shares]
    assert [share.returncode for share in shares] == [0, 0]
    assert "Share 2 of 2 is done" in said[1]
    merged = subprocess.run([*base, "merge", str(town), "-o", str(output), *SET, "--json", "--progress", "json"],
                            check=True, capture_output=True, text=True)  # fmt: skip
    assert output.read_bytes() == in_one_go
    assert json.loads(merged.stdout)["n_candidate_homes"] > 0
    assert [json.loads(line)["doing"] for line in merged.stderr.splitlines()][-1] == "writing"


def test_progress_as_json_tells_the_pace_of_this_run(town, runner, tmp_path):
    output = tmp_path / "out.gpkg"
    done = runner.invoke(main, ["run", str(town), "-o", str(output), *SET, "--progress", "json", "--jobs", "1"])
    assert done.exit_code == 0, done.output
    lines = [json.loads(line) for line in done.stderr.splitlines()]
    screening = [line for line in lines if line["doing"] == "screening"]
    assert screening[0]["homes_done"] == 0
    assert screening[0]["homes_per_s"] is None
    last = screening[-1]
    assert last["homes_done"] == last["homes"] > 50
    assert last["homes_per_s"] > 0
    assert last["seconds_left"] == 0
    log = [json.loads(line) for line in (tmp_path / "out.run.jsonl").read_text(encoding="utf-8").splitlines()]
    stages = [line["stage"] for line in log if "stage" in line]
    assert stages == ["reading", "looking at the inputs", "screening", "putting the parts together", "writing", "all"]
    assert sum(line["n_homes"] for line in log if "tile" in line) == last["homes"]
    assert all(line["seconds"] > 0 for line in log if "seconds" in line)
    if Path("/proc/self/status").exists():
        assert all(line["peak_memory_mib"] > 20 for line in log if line.get("stage") == "screening")


def test_the_pace_counts_only_what_this_run_does(monkeypatch):
    now = iter([0.0, 10.0, 20.0, 30.0])
    monkeypatch.setattr(time, "monotonic", lambda: next(now))
    pace = Pace()
    assert pace.at(900, 1000) == (None, None)
    assert pace.at(900, 1000) == (None, None)
    assert pace.at(940, 1000) == (2.0, 30.0)
    assert pace.at(0, 50) == (None, None)
    assert [in_words(s) for s in (4.4, 89.0, 200.0, 9000.0)] == ["4 s", "89 s", "3 min", "2.5 h"]


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def test_a_scheduler_that_does_not_answer_is_named(town, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    from screening.batch import cluster

    monkeypatch.setattr(cluster, "WAIT_S", 1)
    address = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(ScreeningError, match=re.escape(address)):
        run(load_params(town, TILE), output=tmp_path / "out.gpkg", scheduler=address)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("scheduler", "words"),
    [
        ("127.0.0.1:8786", "begins with tcp://"),
        ("-inf", "'-inf' doesn't exist"),
        ("x" * 5_000, "longer than the system takes"),
        ("a\x00b", "no name of a file"),
        ("/dev/zero", "pipe or a device"),
        ("tcp://127.0.0.1", "tcp://HOST:PORT"),
        ("tcp://127.0.0.1:99999", "tcp://HOST:PORT"),
        ("ucx://127.0.0.1:1", "tcp://HOST:PORT"),
        ("://", "tcp://HOST:PORT"),
        ("tls://127.0.0.1:1", "needs certificates"),
    ],
)
def test_what_is_no_scheduler_is_told_soon(town, tmp_path, monkeypatch, scheduler, words):
    """Dask waits for a file that will never be there, without end."""
    pytest.importorskip("distributed")
    from screening.batch import cluster

    monkeypatch.setattr(cluster, "WAIT_S", 1)
    start = time.monotonic()
    with pytest.raises(ParameterError, match=re.escape(words)):
        run(load_params(town, TILE), output=tmp_path / "out.gpkg", scheduler=scheduler)
    assert time.monotonic() - start < 10.0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["", "[1]", "{}", '{"address": 7}', '{"address": "inproc://x"}', "[" * 100_000])
def test_a_schedulers_file_without_an_address_is_told(tmp_path, monkeypatch, text):
    from screening.batch import cluster
    from screening.batch.cluster import address_of

    monkeypatch.setattr(cluster, "WAIT_S", 1)
    file = tmp_path / "scheduler.json"
    file.write_text(text)
    with pytest.raises(ParameterError, match="scheduler"):
        address_of(str(file))
    file.write_text('{"type": "Scheduler", "address": "tcp://127.0.0.1:8786", "workers": {}}')
    assert address_of(str(file)) == address_of("tcp://127.0.0.1:8786") == "tcp://127.0.0.1:8786"


def test_a_scheduler_started_in_the_same_breath_is_waited_for(tmp_path):
    from screening.batch.cluster import address_of

    file = tmp_path / "scheduler.json"
    writer = threading.Timer(0.5, file.write_text, ['{"address": "tcp://127.0.0.1:8786"}'])
    writer.start()
    assert address_of(str(file)) == "tcp://127.0.0.1:8786"
    writer.join()


def test_without_the_extra_the_way_out_is_said(town, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ParameterError, match="extra 'cluster'"):
        run(load_params(town, TILE), output=tmp_path / "out.gpkg", scheduler="tcp://127.0.0.1:1")


@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(town, in_one_go, tmp_path):
    """A scheduler and two workers as processes of their own; one worker is killed in mid-run."""
    pytest.importorskip("distributed")
    file, output = tmp_path / "scheduler.json", tmp_path / "out.gpkg"
    started = []

    def start(*arguments):
        command = [sys.executable, "-m", *arguments]
        started.append(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        return started[-1]

    try:
        start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
              "--scheduler-file", str(file))  # fmt: skip
        workers = [
            start("distributed.cli.dask_worker", "--scheduler-file", str(file), "--nthreads", "1", "--no-nanny",
                  "--host", "127.0.0.1", "--no-dashboard", "--local-directory", str(tmp_path / f"worker_{k}"))
            for k in range(2)
        ]  # fmt: skip
        whole = start("screening", "run", str(town), "-o", str(output), *SET, "--scheduler", str(file), "--no-progress")
        deadline = time.monotonic() + 120.0
        while not list(folder_of(output).glob("tile_*")) and time.monotonic() < deadline and whole.poll() is None:
            time.sleep(0.02)
        assert whole.poll() is None, "the run ended before a worker could be killed"
        os.kill(workers[0].pid, signal.SIGKILL)
        assert whole.wait(timeout=180) == 0
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()
    assert output.read_bytes() == in_one_go
    log = [json.loads(line) for line in (tmp_path / "out.run.jsonl").read_text(encoding="utf-8").splitlines()]
    assert sum("tile" in line for line in log) >= 5
