"""Measure the draws of uncertainty: 20,000 homes x 1,024 draws on an invented town and invented rain.

python benchmarks/draws.py                     # prints the rows of a Markdown table
"""

import argparse
import os
import resource
import time

import numpy as np

from screening.params import load_params
from screening.uncertainty import Gardens, Homes, SoilSpread, initial_losses_mm, spread_volumes
from screening.water_balance import YieldTable, build_table, rain_steps

HOMES_PER_STREET = 40
RAIN_YEARS = 20
HEADER = [
    "| homes | gardens | draws | streets | wall time, s | processor time, s | ns per home and draw | peak MiB, added |",
    "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
]


def invented_table() -> YieldTable:
    """Yield table of twenty invented years of hourly rain."""
    params = load_params()
    rng = np.random.default_rng(1)
    time_h = np.arange(np.datetime64("2001-01-01T00"), np.datetime64(f"{2001 + RAIN_YEARS}-01-01T00"))
    rain_mm = np.zeros(len(time_h))
    for start in np.flatnonzero(rng.random(len(time_h)) < 1.0 / 150.0):
        hours = min(int(rng.integers(3, 15)), len(time_h) - start)
        rain_mm[start : start + hours] += rng.exponential(14.0) / hours
    losses = initial_losses_mm(params.uncertainty, params.roof)
    return build_table(rain_steps(time_h, rain_mm, 1.0, params.rain, losses))


def invented_town(n: int) -> tuple[Gardens, Homes]:
    """Homes, every second with two gardens, on three soils."""
    rng = np.random.default_rng(2)
    roof_m2 = rng.uniform(80.0, 250.0, n)
    home = np.concatenate([np.arange(n), np.flatnonzero(rng.random(n) < 0.5)])
    share = rng.uniform(0.15, 0.48, len(home))
    soil = rng.integers(0, 3, len(home))
    gardens = Gardens(
        home=home,
        area_m2=rng.uniform(5.0, 27.9, len(home)),
        depth_mm=rng.choice([100.0, 150.0, 182.4], len(home)),
        roof_m2=share * roof_m2[home],
        gable_roof_m2=np.minimum(share * rng.uniform(0.7, 1.3, len(home)), 0.5) * roof_m2[home],
        soil=soil,
        ln_rate=np.log(np.array([7.6, 5.1, 11.4])[soil]),
    )
    homes = Homes([f"home-{i}" for i in range(n)], roof_m2, rng.random(n) < 0.3, np.arange(n) + 1, np.zeros(n))
    return gardens, homes


def peak_mib() -> float:
    """Largest resident memory of this process so far [MiB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def measure_draws(n: int, n_draws: int, table: YieldTable, times: int) -> str:
    """Row of the table: the best of some runs."""
    params = load_params(None, {"uncertainty.n_draws": n_draws})
    soils = SoilSpread(("loam", "silt", "silty sand"), np.array([1.5, 1.5, 1.5]))
    gardens, homes = invented_town(n)
    streets = np.arange(n) // HOMES_PER_STREET
    before = peak_mib()
    best = (np.inf, np.inf)
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        spread_volumes(table, soils, gardens, homes, (streets,), params=params.uncertainty, roof=params.roof)
        best = min(best, (time.perf_counter() - wall, time.process_time() - cpu))
    added = peak_mib() - before
    return (
        f"| {n:,} | {len(gardens.home):,} | {n_draws:,} | {streets[-1] + 1:,} | {best[0]:.2f} | {best[1]:.2f} | "
        f"{best[0] / n / n_draws * 1e9:.0f} | {added:,.0f} |"
    )


def draws_table(sizes: list[int], n_draws: int, times: int = 3) -> list[str]:
    """Lines of a Markdown table."""
    table = invented_table()
    # the first call compiles, or reads what was compiled
    measure_draws(50, n_draws, table, 1)
    return [*HEADER, *(measure_draws(n, n_draws, table, times) for n in sizes)]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, nargs="+", default=[2_000, 20_000, 100_000])
    parser.add_argument("--draws", type=int, default=1024)
    arguments = parser.parse_args()
    print(f"{os.cpu_count()} cores; the best of three runs.\n")
    print("\n".join(draws_table(arguments.homes, arguments.draws)))


if __name__ == "__main__":
    main()
