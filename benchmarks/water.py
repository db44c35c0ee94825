"""Measure the water balance: 100,000 homes x 20 years of hourly rain, by the yield table and one by one.

python benchmarks/water.py                     # prints the rows of a Markdown table
"""

import argparse
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from screening.params import load_params
from screening.water_balance import (
    RainSteps,
    Wetting,
    build_table,
    kept_long_term,
    kept_of_gardens,
    rain_steps,
    record_curves,
)

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "sample_geodata"))

RAIN_YEARS = 20
LOSS_MM = 1.27
# Rawls, Brakensiek & Miller (1983), Table 2: silt loam; half of the effective porosity
SILT_LOAM = Wetting(166.8, 6.5, 0.243, 24.0)
HEADER = [
    "| homes | what | wall time, s | processor time, s | largest difference from one by one |",
    "| ---: | --- | ---: | ---: | ---: |",
]


def invented_rain() -> RainSteps:
    """Twenty years by the generator of the sample town."""
    from town.rain import hourly_rain  # noqa: PLC0415 - found by the path added above

    time_h, rain_mm = hourly_rain(RAIN_YEARS, np.random.default_rng(3))
    return rain_steps(time_h, rain_mm, 1.0, load_params().rain, np.array([LOSS_MM]))


def invented_gardens(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio of garden to roof, depth [mm], rate [mm/h]."""
    rng = np.random.default_rng(4)
    ratio = np.exp(rng.uniform(np.log(0.02), np.log(1.0), n))
    return ratio, rng.uniform(50.0, 200.0, n), np.exp(rng.uniform(np.log(1.5), np.log(41.4), n))


def best_of(times: int, work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor time [s] of the fastest of some runs."""
    best = (np.inf, np.inf)
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        work()
        best = min(best, (time.perf_counter() - wall, time.process_time() - cpu))
    return best


def water_table(n: int = 100_000, times: int = 3) -> list[str]:
    """Lines of a Markdown table."""
    steps = invented_rain()
    ratio, depth, rate = invented_gardens(n)
    # the first call compiles, or reads what was compiled
    kept_of_gardens(build_table(steps), ratio[:9], depth[:9], rate[:9], LOSS_MM)
    kept_long_term(steps, ratio[:9], depth[:9], rate[:9])
    kept_long_term(steps, ratio[:9], depth[:9], rate[:9], soil=SILT_LOAM)
    table = build_table(steps)
    size = f"{table.kept_frac.nbytes / 2**20:.0f} MiB, {table.kept_frac[0, 0].size:,} gardens"
    one_by_one = kept_long_term(steps, ratio, depth, rate)
    off = float(np.abs(kept_of_gardens(table, ratio, depth, rate, LOSS_MM) - one_by_one).max())

    def by_table() -> None:
        kept_of_gardens(build_table(steps), ratio, depth, rate, LOSS_MM)

    factor = rate / 7.6
    bands, rates = np.array([100.0, 150.0, 182.4]), np.array([5.1, 7.6, 11.4])[:, None]
    rows: list[tuple[str, str, Callable[[], object], str]] = [
        (f"{n:,}", "table built and read", by_table, f"{off:.2%} of the inflow"),
        ("", f"of this: table built ({size})", lambda: build_table(steps), ""),
        (f"{n:,}", "of this: read", lambda: kept_of_gardens(table, ratio, depth, rate, LOSS_MM), ""),
        (f"{n:,}", "one by one", lambda: kept_long_term(steps, ratio, depth, rate), "0"),
        ("", "nine curves of the search", lambda: record_curves(steps, bands, rates), "0"),
        ("", "table built, Green-Ampt, one soil", lambda: build_table(steps, [SILT_LOAM]), ""),
        (
            f"{n:,}",
            "one by one, Green-Ampt",
            lambda: kept_long_term(steps, ratio, depth, factor, soil=SILT_LOAM),
            "0",
        ),
    ]
    lines = list(HEADER)
    for homes, what, work, remark in rows:
        wall, cpu = best_of(times, work)
        lines.append(f"| {homes} | {what} | {wall:.2f} | {cpu:.2f} | {remark} |")
    wet = f"{len(steps.rain_mm):,} of {RAIN_YEARS * 8766:,} hours with rain"
    return [f"{RAIN_YEARS} years of invented hourly rain, {wet}; long-term part kept.", "", *lines]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=100_000)
    homes = parser.parse_args().homes
    print(f"{os.cpu_count()} cores; the best of three runs.\n")
    print("\n".join(water_table(homes)))


if __name__ == "__main__":
    main()
