"""Kill a run at random moments, go on with it, and compare the result with an undisturbed one.

    python benchmarks/kills.py                       # 200 rounds on a town of 60 lots
    python benchmarks/kills.py --rounds 5 --lots 300

A round starts from nothing. Its run is killed with signal 9 at a moment drawn evenly within one of its stages, each
stage as likely as the others: one of 50 ms is hit as often as the tiles. Two rounds of five kill what goes on as well,
once or twice. Then ``--resume`` goes on to the end, and the result has to have the bytes of the undisturbed run, with
nothing left beside it. Each start has one or two processes; of two, either all are killed or only the main one.

A kill counts for the stage that the run's log shows after it.
"""

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from towns import WORK, town

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


class Watched:
    """A run at work, in a session of its own, and the stage that it has come to."""

    def __init__(self, command: list[str], output: Path) -> None:
        """Start it."""
        self._logs = output.with_name(output.name + ".parts")
        self._older = set(self._found())
        self._has_log = False
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(command, start_new_session=True, **quiet)

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
        """End it, or only its main process: then its workers have to see for themselves."""
        if only_main:
            os.kill(self.process.pid, signal.SIGKILL)
        else:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def stage_lengths_s(command: list[str], output: Path) -> list[float]:
    """How long an undisturbed run is in each of its stages [s]."""
    run, length = Watched(command, output), [0.0] * len(STAGES)
    before = time.perf_counter()
    while run.process.poll() is None:
        now, stage = time.perf_counter(), run.stage()
        length[stage] += now - before
        before = now
        time.sleep(LOOK_EVERY_S)
    if run.process.returncode != 0:
        msg = "the undisturbed run fails"
        raise SystemExit(msg)
    return length


def killed_in(command: list[str], output: Path, stage: int, after_s: float, *, only_main: bool) -> str | None:
    """Start a run, kill it some time after a stage has begun, and tell in which one that was; None where it ended."""
    run = Watched(command, output)
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
    command = [sys.executable, "-m", "screening", "-q", "run", str(folder / "run.toml"), "-o", str(output), *more]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # kernels compiled, files in the cache
    output.unlink()
    lengths_s = stage_lengths_s(command, output)
    expected = digest(output)
    print(f"undisturbed: {sum(lengths_s):.1f} s, {expected[:16]}", flush=True)
    for stage, length_s in zip(STAGES, lengths_s, strict=True):
        print(f"  {stage:<28} {length_s:6.2f} s", flush=True)

    draw = random.Random(arguments.seed)  # noqa: S311 - moments, no secrets
    begin = time.perf_counter()
    kills: Counter[str] = Counter()
    n_rounds = n_same = n_only_main = 0
    while n_rounds < arguments.rounds:
        output.unlink(missing_ok=True)
        hit = []
        for _ in range(draw.choice(KILLS_A_ROUND)):
            stage, jobs = draw.randrange(len(STAGES)), draw.choice((1, 2))
            only_main = jobs == 2 and draw.random() < 0.5
            after_s = draw.uniform(0.0, lengths_s[stage])
            where = killed_in([*command, "--jobs", str(jobs)], output, stage, after_s, only_main=only_main)
            if where is not None:
                hit.append(where)
                n_only_main += only_main
            if output.exists() and digest(output) != expected:
                print(f"a run killed while {where} left another result in place", flush=True)
                return 1
        if not hit:
            continue
        jobs = str(draw.choice((1, 2)))
        ended = subprocess.run([*command, "--jobs", jobs], check=False, capture_output=True, text=True)
        n_rounds += 1
        kills.update(hit)
        left = sorted(path.name for path in place.iterdir() if path.name not in {"out.gpkg", "out.run.jsonl"})
        is_same = ended.returncode == 0 and digest(output) == expected and not left
        n_same += is_same
        words = "the same" if is_same else f"NOT THE SAME (beside it: {', '.join(left) or 'nothing'}) {ended.stderr}"
        print(f"round {n_rounds}: killed while {', '.join(hit)}; then {words}", flush=True)
    for stage in STAGES:
        print(f"  {stage:<28} {kills[stage]:4d} kills", flush=True)
    print(
        f"{kills.total()} kills ({n_only_main} of the main process alone) in {n_rounds} rounds, "
        f"{time.perf_counter() - begin:.0f} s: {n_same} of {n_rounds} results are the same, nothing left beside them"
    )
    return 0 if n_same == n_rounds else 1


if __name__ == "__main__":
    raise SystemExit(main())
