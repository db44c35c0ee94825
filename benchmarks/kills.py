"""Kill a run at random moments, workers and all, go on with it, and compare the result with an undisturbed one.

    python benchmarks/kills.py                       # 200 kills on a town of 300 lots
    python benchmarks/kills.py --kills 5 --lots 60

Every round starts from nothing, is killed with signal 9 once or several times at moments drawn evenly over the length
of an undisturbed run (also while it reads, merges, writes and renames), and then goes on with ``--resume`` to its end.
"""

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from towns import WORK, town

MOST_KILLS_A_ROUND = 3


def _command(folder: Path, output: Path, jobs: int, tile_m: float) -> list[str]:
    more = ["--jobs", str(jobs), "--set", f"batch.tile_size_m={tile_m}", "--no-progress", "--resume", "--overwrite"]
    return [sys.executable, "-m", "screening", "-q", "run", str(folder / "run.toml"), "-o", str(output), *more]


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def killed_after(command: list[str], seconds: float) -> bool:
    """Start a command in a session of its own and kill all of it after a time; whether it was still at work."""
    process = subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True
    return False


def main() -> int:
    """Kill, go on, compare; 1 if any result differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--lots", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--tile-m", type=float, default=100.0)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    WORK.mkdir(exist_ok=True)
    folder = town(arguments.lots)
    place = WORK / "kills"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    output = place / "out.gpkg"
    command = _command(folder, output, arguments.jobs, arguments.tile_m)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # kernels compiled, files in the cache
    output.unlink()
    begin = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    whole_s = time.perf_counter() - begin
    expected = _digest(output)
    print(f"undisturbed: {whole_s:.1f} s, {expected[:16]}", flush=True)

    draw = random.Random(arguments.seed)  # noqa: S311 - moments, no secrets
    n_kills = n_rounds = n_same = 0
    while n_kills < arguments.kills:
        output.unlink(missing_ok=True)
        before = n_kills
        for _ in range(draw.randint(1, MOST_KILLS_A_ROUND)):
            n_kills += killed_after(command, draw.uniform(0.0, whole_s))
            if output.exists() and _digest(output) != expected:
                print("a killed run left another result in place", flush=True)
                return 1
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        n_rounds += 1
        left = sorted(path.name for path in place.iterdir() if path.name not in {"out.gpkg", "out.run.jsonl"})
        is_same = _digest(output) == expected and not left
        n_same += is_same
        words = "the same" if is_same else f"NOT THE SAME (beside it: {', '.join(left) or 'nothing'})"
        print(f"{n_kills:>4} kills, round {n_rounds}: {n_kills - before} killed, then {words}", flush=True)
    print(f"{n_kills} kills in {n_rounds} rounds: {n_same} of {n_rounds} results are the same, nothing left behind")
    return 0 if n_same == n_rounds else 1


if __name__ == "__main__":
    raise SystemExit(main())
