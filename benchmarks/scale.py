"""How time and memory grow with the number of lots: whole runs of counties from 5,000 to 1,000,000 lots.

    python benchmarks/scale.py                                       # 5,000 to 320,000 lots
    python benchmarks/scale.py --lots 1000000
    python benchmarks/scale.py --lots 20000 --jobs 1 2 --out table.md

Each row is a run of its own process; times of the stages are those of the run's log. The exponent is that of the
straight line through the logarithms of lots and time.
"""

import argparse
import json
import os
import sys
from pathlib import Path

import numpy as np
from measure import measure
from towns import WORK, county

GROWTH = (5_000, 10_000, 20_000, 40_000, 80_000, 160_000, 320_000)
STAGES = ("reading", "looking at the inputs", "screening", "putting the parts together", "writing")


def measure_run(n_lots: int, jobs: int) -> tuple[float, int, str]:
    """Seconds, parcels, and the table row of a run."""
    folder = county(n_lots)
    output = WORK / f"scale_{n_lots}.gpkg"
    command = [sys.executable, "-m", "screening", "run", str(folder / "run.toml"), "-o", str(output)]
    m = measure([*command, "--jobs", str(jobs), "--overwrite", "--no-progress"], log=WORK / f"scale_{n_lots}.log")
    log = [json.loads(line) for line in output.with_name(f"{output.stem}.run.jsonl").read_text().splitlines()]
    seconds = {line["stage"]: line["seconds"] for line in log if "stage" in line}
    n_homes = next(line["n_homes"] for line in log if line.get("stage") == "all")
    worker_mib = max((line["memory_mib"] or 0.0 for line in log if "tile" in line), default=0.0)
    together = 0.0 if m.together_mib is None else m.together_mib
    stages = " | ".join(f"{seconds.get(name, 0.0):.1f}" for name in STAGES)
    size_gb = output.stat().st_size / 1e9
    row = (
        f"| {n_homes:,} | {jobs} | {m.wall_s:.1f} | {n_homes / m.wall_s:,.0f} | {stages} | "
        f"{m.largest_mib:,.0f} | {worker_mib:,.0f} | {together:,.0f} | {size_gb:.2f} |"
    )
    output.unlink()
    return m.wall_s, n_homes, row


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lots", type=int, nargs="+", default=list(GROWTH))
    parser.add_argument("--jobs", type=int, nargs="+", default=[os.cpu_count() or 1])
    parser.add_argument("--out", type=Path, default=None)
    arguments = parser.parse_args()
    WORK.mkdir(exist_ok=True)
    names = ["parcels", "jobs", "wall time, s", "parcels a second", *(f"{name}, s" for name in STAGES)]
    names += ["peak MiB: parent", "largest worker", "all together", "result, GB"]
    lines = ["| " + " | ".join(names) + " |", "| ---: " * len(names) + "|"]
    print("\n".join(lines), flush=True)
    for jobs in arguments.jobs:
        found = []
        for n_lots in arguments.lots:
            wall_s, n_homes, row = measure_run(n_lots, jobs)
            found.append((n_homes, wall_s))
            lines.append(row)
            print(row, flush=True)
        if len(found) > 2:
            lots, times = np.log(np.array(found)).T
            lines += ["", f"Exponent of time over parcels with {jobs} jobs: {np.polyfit(lots, times, 1)[0]:.3f}.", ""]
            print("\n".join(lines[-3:]), flush=True)
    if arguments.out is not None:
        arguments.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
