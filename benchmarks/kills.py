"""Kill a run at random moments, go on with it, and compare the result with an undisturbed one.

    python benchmarks/kills.py                       # 200 rounds on a town of 92 parcels
    python benchmarks/kills.py --rounds 5 --lots 300

A round starts from nothing. Its run is killed with signal 9 at a moment drawn evenly within one of its stages, each
stage as likely as the others: one of 50 ms is hit as often as the tiles. Two rounds of five kill what goes on as well,
once or twice. Then ``--resume`` goes on to the end, and the result has to have the bytes of the undisturbed run, with
nothing left beside it.

One start in six is the command as a user gives it, with two workers; all its processes are killed, or only the main
one. The others do all in one process, forked from this one, which has the packages and kernels in memory already: so a
run takes a third of the time. A kill counts for the stage that the run's log shows after it.
"""

import argparse
import contextlib
import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

from towns import WORK, town

from screening.cli.main import main as screening_main

STAGES = (
    "starting",
    "reading",
    "looking at the inputs",
    "screening",
    "putting the parts together",
    "writing",
    "ending",
)
"""Stages of a run; those between the first and the last stand in its log when they are over."""

LOOK_EVERY_S = 0.005
KILLS_A_ROUND = (1, 1, 1, 2, 3)
JOBS = (1, 1, 1, 1, 1, 2)
LONGEST_RUN_S = 600.0


class Forked:
    """A command in a process forked from this one; as `subprocess.Popen`, as far as it is needed here."""

    def __init__(self, arguments: list[str]) -> None:
        """Start it."""
        self._process = multiprocessing.get_context("fork").Process(target=self._work, args=(arguments,))
        self._process.start()
        self.pid = self._process.pid

    @staticmethod
    def _work(arguments: list[str]) -> None:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        screening_main(arguments)

    def poll(self) -> int | None:
        """Its exit code, if it has ended."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end."""
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("run", timeout or 0.0)
        return self._process.exitcode


def start(arguments: list[str], jobs: int) -> Forked | subprocess.Popen:
    """Start a run; one with workers in a session of its own."""
    arguments = [*arguments, "--jobs", str(jobs)]
    if jobs == 1:
        return Forked(arguments)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    return subprocess.Popen([sys.executable, "-m", "screening", *arguments], start_new_session=True, **quiet)


class Watched:
    """A run at work, and the stage that it has come to."""

    def __init__(self, begin: Callable[[], Forked | subprocess.Popen], output: Path) -> None:
        """Start it."""
        self._logs = output.with_name(output.name + ".parts")
        self._older = set(self._found())
        self._has_log = False
        self.process = begin()

    def _found(self) -> list[Path]:
        return list(self._logs.glob(".unfinished-city-*/log.jsonl"))

    def stage(self) -> int:
        """Number of the stage at work."""
        for log in self._found():
            if log in self._older:
                continue
            try:
                lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
            except (OSError, ValueError):
                # it is being written, or taken away, just now
                continue
            self._has_log |= bool(lines)
            return sum(1 for line in lines if line.get("stage") in STAGES) + bool(lines)
        return len(STAGES) - 1 if self._has_log else 0

    def wait_for(self, stage: int) -> bool:
        """Wait until a stage has begun; False where the run ends before."""
        while self.process.poll() is None:
            if self.stage() >= stage:
                return True
            time.sleep(LOOK_EVERY_S)
        return False

    def kill(self, *, only_main: bool) -> None:
        """End it, or only its main process: then its workers, if it has any, have to see for themselves."""
        if only_main:
            os.kill(self.process.pid, signal.SIGKILL)
        else:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def stage_lengths_s(begin: Callable[[], Forked | subprocess.Popen], output: Path) -> list[float]:
    """How long an undisturbed run is in each of its stages [s]."""
    run, length = Watched(begin, output), [0.0] * len(STAGES)
    before = time.perf_counter()
    while run.process.poll() is None:
        now, stage = time.perf_counter(), run.stage()
        length[stage] += now - before
        before = now
        time.sleep(LOOK_EVERY_S)
    if run.process.wait() != 0:
        msg = "the undisturbed run fails"
        raise SystemExit(msg)
    return length


def killed_in(run: Watched, stage: int, after_s: float, *, only_main: bool) -> str | None:
    """Kill a run some time after a stage has begun, and tell in which one that was; None where it had ended."""
    if not run.wait_for(stage):
        return None
    try:
        run.process.wait(timeout=after_s)
    except subprocess.TimeoutExpired:
        # a stage that ends in this moment may be told as the next one
        run.kill(only_main=only_main)
        return STAGES[run.stage()]
    return None


def digest(path: Path) -> str:
    """SHA-256 of a file [hex]."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def main() -> int:
    """Kill, go on, compare; 1 if any result differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--lots", type=int, default=60)
    parser.add_argument("--tile-m", type=float, default=100.0)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    WORK.mkdir(exist_ok=True)
    folder = town(arguments.lots)
    place = WORK / f"kills_{arguments.seed}"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    output = place / "out.gpkg"
    more = ["--set", f"batch.tile_size_m={arguments.tile_m}", "--no-progress", "--resume", "--overwrite"]
    command = ["-q", "run", str(folder / "run.toml"), "-o", str(output), *more]
    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        screening_main([*command, "--jobs", "1"], standalone_mode=False)  # for the forked ones: all is in memory now
    expected, lengths_s = digest(output), {}
    for jobs in sorted(set(JOBS)):
        output.unlink()
        lengths_s[jobs] = stage_lengths_s(partial(start, command, jobs), output)
        if digest(output) != expected:
            print(f"undisturbed runs differ: {jobs} processes")
            return 1
    print(f"undisturbed: {', '.join(f'{sum(one):.1f} s' for one in lengths_s.values())}, {expected[:16]}", flush=True)
    for number, stage in enumerate(STAGES):
        print(f"  {stage:<28} " + " ".join(f"{one[number]:6.2f} s" for one in lengths_s.values()), flush=True)

    draw = random.Random(arguments.seed)  # noqa: S311 - moments, no secrets
    begin = time.perf_counter()
    kills: Counter[str] = Counter()
    n_rounds = n_same = n_only_main = 0
    while n_rounds < arguments.rounds:
        output.unlink(missing_ok=True)
        hit = []
        for _ in range(draw.choice(KILLS_A_ROUND)):
            stage, jobs = draw.randrange(len(STAGES)), draw.choice(JOBS)
            only_main = jobs == 1 or draw.random() < 0.5
            after_s = draw.uniform(0.0, lengths_s[jobs][stage])
            run = Watched(partial(start, command, jobs), output)
            where = killed_in(run, stage, after_s, only_main=only_main)
            if where is not None:
                hit.append(where)
                n_only_main += only_main and jobs > 1
            if output.exists() and digest(output) != expected:
                print(f"a run killed while {where} left another result in place", flush=True)
                return 1
        if not hit:
            continue
        ended_well = start(command, draw.choice(JOBS)).wait(timeout=LONGEST_RUN_S) == 0
        n_rounds += 1
        kills.update(hit)
        left = sorted(path.name for path in place.iterdir() if path.name not in {"out.gpkg", "out.run.jsonl"})
        is_same = ended_well and digest(output) == expected and not left
        n_same += is_same
        words = "the same" if is_same else f"NOT THE SAME (beside it: {', '.join(left) or 'nothing'})"
        if not is_same:
            # what is wrong now shall not count against the next rounds too
            shutil.rmtree(place)
            place.mkdir()
        print(f"round {n_rounds}: killed while {', '.join(hit)}; then {words}", flush=True)
    for stage in STAGES:
        print(f"  {stage:<28} {kills[stage]:4d} kills", flush=True)
    print(
        f"{kills.total()} kills ({n_only_main} of a main process without its workers) in {n_rounds} rounds, "
        f"{time.perf_counter() - begin:.0f} s: {n_same} of {n_rounds} results are the same, nothing left beside them"
    )
    return 0 if n_same == n_rounds else 1


if __name__ == "__main__":
    raise SystemExit(main())
