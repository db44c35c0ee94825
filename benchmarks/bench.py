"""Measure the whole run, the plain script, the floor and the start of the command line; print and write a table.

python benchmarks/bench.py                     # 2,000 and 20,000 lots; writes docs/benchmarks.md
python benchmarks/bench.py --lots 2000 --steps plain floor --out table.md
"""

import argparse
import json
import os
import platform
import sqlite3
import sys
from pathlib import Path

from draws import draws_table
from measure import Measurement, measure
from towns import HERE, WORK, town
from water import water_table

DOC = HERE.parent / "docs" / "benchmarks.md"
STEPS = ("help", "run", "plain", "floor", "water", "draws")
HELP_TIMES = 5
WARM_UP_LOTS = 60
INTRODUCTION = """\
# Benchmarks

Written by `make bench` (`benchmarks/bench.py`); the numbers hold for the machine below and for nothing else. The
towns are invented (`sample_geodata/make_town.py`), every row is a fresh process, and the files lie in the system's
cache.

- **run**: `screening run` with the town's run file: the whole job, from the files to the finished GeoPackage.
- **plain script**: `benchmarks/plain_script.py`, what an analyst would write in an afternoon: setbacks, slope,
  largest circle, estimated runoff, ranks. It does much less: no downspouts, no verified placement, no water balance,
  no overflow, two layers of output.
- **floor**: `benchmarks/floor.py`: reading the same inputs and writing the output layers, nothing in between.

"""


def memory_gib() -> float:
    """Memory of this machine [GiB]."""
    return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30


def run_counts(gpkg: Path) -> dict[str, int]:
    """Read the counts of a finished output from its run record."""
    with sqlite3.connect(f"file:{gpkg}?mode=ro", uri=True) as db:
        record = dict(db.execute("SELECT key, value FROM run_record"))
    return {key: int(record[key]) for key in ("n_parcels_read", "n_candidate_homes")}


def _mib(m: Measurement) -> str:
    together = "" if m.together_mib is None else f" / {m.together_mib:,.0f}"
    return f"{m.largest_mib:,.0f}{together}"


def _screening(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "screening", *map(str, arguments)]


def measure_help(env: dict[str, str]) -> list[str]:
    """Lines about the start of the command line."""
    times = [measure(_screening("--help"), log=WORK / "help.log", env=env).wall_s for _ in range(HELP_TIMES)]
    return [
        f"`screening --help`: {min(times):.2f} s (best of {HELP_TIMES}; worst {max(times):.2f} s).",
        "",
    ]


def measure_warm_up(env: dict[str, str]) -> list[str]:
    """Run a tiny town once, so that compiled kernels are in their cache; say how long that took."""
    folder = town(WARM_UP_LOTS)
    out = WORK / "warm_up.gpkg"
    arguments = ("run", folder / "run.toml", "-o", out, "--overwrite", "--no-progress")
    first = measure(_screening(*arguments), log=WORK / "warm_up.log", env=env)
    second = measure(_screening(*arguments), log=WORK / "warm_up.log", env=env)
    times = f"{first.wall_s:.1f} s the first time (kernels are compiled), {second.wall_s:.1f} s from then on"
    return [f"A town of about {WARM_UP_LOTS} lots: {times}.", ""]


def measure_town(n_lots: int, steps: list[str], jobs: int, env: dict[str, str]) -> list[str]:
    """Table rows of one town."""
    folder = town(n_lots)
    finished = WORK / f"run_{n_lots}.gpkg"
    plain_out = WORK / f"plain_{n_lots}.gpkg"
    rows: list[tuple[str, float, str, str]] = []
    if "run" in steps:
        arguments = ("run", folder / "run.toml", "-o", finished, "--jobs", jobs, "--overwrite", "--no-progress")
        m = measure(_screening(*arguments), log=WORK / f"run_{n_lots}.log", env=env)
        counts = run_counts(finished)
        what = f"{counts['n_candidate_homes']:,} candidates of {counts['n_parcels_read']:,} parcels"
        rows.append((f"run, {jobs} jobs", m.wall_s, _mib(m), what))
    if "plain" in steps:
        plain_out.unlink(missing_ok=True)
        command = [sys.executable, str(HERE / "plain_script.py"), str(folder), str(plain_out)]
        m = measure(command, log=WORK / f"plain_{n_lots}.log", env=env)
        rows.append(("plain script", m.wall_s, _mib(m), f"{int(m.stdout):,} rows"))
    if "floor" in steps:
        # Without a finished run there is nothing of the right size to write: the plain script's output stands in.
        source = finished if finished.is_file() else plain_out
        command = [sys.executable, str(HERE / "floor.py"), str(folder), str(source), str(WORK / f"floor_{n_lots}.gpkg")]
        m = measure(command, log=WORK / f"floor_{n_lots}.log", env=env)
        parts = json.loads(m.stdout)
        seconds = f"reads {parts['read_s']:.1f} s, writes {parts['write_s']:.1f} s"
        what = f"{parts['n_layers']} layers of `{source.stem}`; {seconds}"
        rows.append(("floor", m.wall_s - parts["load_s"], _mib(m), what))
    return [
        f"| {n_lots:,} | {name} | {wall_s:.1f} | {rows[0][1] / wall_s:.2f} | {memory} | {what} |"
        for name, wall_s, memory, what in rows
    ]


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lots", type=int, nargs="+", default=[2_000, 20_000])
    parser.add_argument("--steps", nargs="+", choices=STEPS, default=list(STEPS))
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, default=None, help="where to write (default: docs/benchmarks.md)")
    arguments = parser.parse_args()
    if arguments.out is None and set(arguments.steps) != set(STEPS):
        parser.error("a part of the steps does not replace docs/benchmarks.md: give --out")
    WORK.mkdir(exist_ok=True)
    # A cache of its own, emptied first: the first run shows the time of compiling, all later ones do not.
    cache = WORK / "kernel_cache"
    for path in sorted(cache.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}

    cores_text = f"{os.cpu_count()} cores, {memory_gib():.0f} GiB of memory"
    system_text = f"{platform.system()} on {platform.machine()}, Python {platform.python_version()}"
    lines = [f"Machine: {cores_text}, {system_text}.", ""]
    if "help" in arguments.steps:
        lines += measure_help(env)
    if "run" in arguments.steps:
        lines += measure_warm_up(env)
    lines += [
        "| lots | what | wall time, s | first row's time / this | peak MiB: largest process / all | remarks |",
        "| ---: | --- | ---: | ---: | ---: | --- |",
    ]
    print("\n".join(lines), flush=True)
    for n_lots in arguments.lots:
        rows = measure_town(n_lots, arguments.steps, arguments.jobs, env)
        print("\n".join(rows), flush=True)
        lines += rows
    if "water" in arguments.steps:
        lines += ["", "## Water balance", "", *water_table()]
    if "draws" in arguments.steps:
        lines += ["", "## Draws of what is not known for sure", "", *draws_table([20_000], 1024)]
    print("\n".join(lines[-20:]), flush=True)
    out = arguments.out or DOC
    out.parent.mkdir(exist_ok=True)
    out.write_text(INTRODUCTION + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
