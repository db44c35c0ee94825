"""What coarser knowledge of the rain does to the yearly figure: daily totals, and the statistics of storms alone.

The sample's hourly rain is summed to days and spread again over some hours; then it is reduced to the mean depth,
duration and dry time of its storms (docs/method/storms.md).

python benchmarks/daily_rain.py                 # the sample town's record, then Seattle's days from vega_datasets
python benchmarks/daily_rain.py hourly.csv      # a record of your own

The volume that a garden keeps is compared with that of the hourly record, garden by garden. A daily record has nothing
to compare with: there short and long hours are compared with the default.
"""

import argparse
from pathlib import Path

import numpy as np

from screening.params import load_params
from screening.read import read_rain
from screening.water_balance import (
    catchments,
    kept_long_term,
    rain_steps,
    runoff_of_storms_mm_y,
    storm_kept_frac,
    storm_statistics,
)

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent / "sample_geodata" / "rain.csv"
HOURS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 24)
RATIOS = (0.05, 0.1, 0.16, 0.25, 0.34, 0.43)
DEPTHS_MM = (100.0, 150.0, 200.0)
RATES_MM_H = (2.5, 5.1, 7.6, 11.4, 20.3, 41.4)


def gardens() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio, depth, rate of the gardens that handbooks ask for; no deeper than soaks away in a day."""
    ratio, depth, rate = (v.ravel() for v in np.meshgrid(RATIOS, DEPTHS_MM, RATES_MM_H))
    return ratio, np.minimum(depth, 24.0 * rate), rate


def volumes_mm_y(time: np.ndarray, rain_mm: np.ndarray, step_h: float, hours: int) -> tuple[np.ndarray, float]:
    """What each garden keeps [mm/y over the roof], and the runoff."""
    params = load_params(None, {"rain.daily_rain_h": hours})
    steps = rain_steps(time, rain_mm, step_h, params.rain, np.array([params.roof.initial_loss_mm]))
    runoff = float(steps.runoff_mm_y.mean())
    return kept_long_term(steps, *gardens()) * runoff, runoff


def compare(name: str, time: np.ndarray, rain_mm: np.ndarray, step_h: float) -> None:
    """Print a table of a record."""
    params = load_params(None)
    steps = rain_steps(time, rain_mm, step_h, params.rain, np.array([params.roof.initial_loss_mm]))
    found = storm_statistics(steps, params.rain.dry_spell_h)
    print(f"\n{name}: {steps.rain_mm_y.mean():,.0f} mm/y, {found.storms_per_y:.0f} storms of {found.duration_h:.1f} h")
    if step_h == 1.0:
        true, runoff = volumes_mm_y(time, rain_mm, step_h, 1)
        days, of_day = np.unique(time.astype("datetime64[D]"), return_inverse=True)
        daily = np.bincount(of_day, weights=rain_mm)
        print("\n| hours | runoff | mean garden | from | to |\n| ---: | ---: | ---: | ---: | ---: |")
    else:
        days, daily = time, rain_mm
        true, runoff = volumes_mm_y(days, daily, step_h, params.rain.daily_rain_h)
        print(f"\nagainst {params.rain.daily_rain_h} hours:")
        print("\n| hours | runoff | mean garden | from | to |\n| ---: | ---: | ---: | ---: | ---: |")
    for hours in HOURS:
        kept, some = volumes_mm_y(days, daily, 24.0, hours)
        off = 100.0 * (kept / true - 1.0)
        figures = (100.0 * (some / runoff - 1.0), off.mean(), off.min(), off.max())
        print(f"| {hours} | {' | '.join(f'{figure:+.1f} %' for figure in figures)} |")
    if step_h == 1.0:
        words = {
            "rain.storms_per_y": found.storms_per_y,
            "rain.storm_mean_mm": found.mean_mm,
            "rain.storm_duration_h": found.duration_h,
            "rain.storm_dry_h": found.dry_h,
        }
        rain, loss = load_params(None, words).rain, params.roof.initial_loss_mm
        some = runoff_of_storms_mm_y(rain, loss)
        off = 100.0 * (storm_kept_frac(*catchments(*gardens())[1:], loss, rain) * some / true - 1.0)
        figures = (100.0 * (some / runoff - 1.0), off.mean(), off.min(), off.max())
        print(f"| storms alone | {' | '.join(f'{figure:+.1f} %' for figure in figures)} |")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("record", type=Path, nargs="?", default=None, help="hourly rain (default: the sample's)")
    path = parser.parse_args().record
    record, _ = read_rain(path or SAMPLE)
    compare((path or SAMPLE).name, record.time, record.rain_mm, record.step_h)
    if path is None:
        from vega_datasets import local_data  # noqa: PLC0415 - of the tests' packages

        table = local_data.seattle_weather()
        days = table["date"].to_numpy().astype("datetime64[D]")
        compare("Seattle, daily", days, table["precipitation"].to_numpy(dtype=float), 24.0)


if __name__ == "__main__":
    main()
