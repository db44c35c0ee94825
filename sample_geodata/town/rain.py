"""Ten years of invented hourly rain."""

from __future__ import annotations

import numpy as np

FIRST_YEAR = 2011
MEAN_YEAR_MM = 850.0
# Storms a month and their mean depth [mm], January first: a cool, rather dry winter and a summer of short heavy storms.
_STORMS = np.array([5.0, 5.0, 7.0, 8.5, 9.5, 9.5, 8.0, 8.0, 7.5, 7.0, 6.5, 5.5])
_DEPTH_MM = np.array([4.5, 5.0, 7.0, 9.0, 11.0, 13.0, 13.0, 13.0, 11.0, 9.0, 7.0, 5.0])
_DURATION_H = np.array([11.0, 11.0, 10.0, 8.0, 6.5, 4.5, 3.5, 3.5, 5.5, 8.0, 10.0, 11.0])


def hourly_rain(n_years: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Every hour of ``n_years`` whole years and its rain.

    Storms arrive at random within each month, have a gamma-distributed depth and duration and are split over their
    hours at random, heavier early. The record is scaled to a mean of ``MEAN_YEAR_MM`` a year, then rounded to 0.1 mm.

    Returns
    -------
    tuple
        Start of each hour (datetime64[h]) (n,) and rain in that hour [mm] (n,).
    """
    months = np.arange(f"{FIRST_YEAR}-01", f"{FIRST_YEAR + n_years}-01", dtype="datetime64[M]")
    hours = np.arange(f"{FIRST_YEAR}-01-01T00", f"{FIRST_YEAR + n_years}-01-01T00", dtype="datetime64[h]")
    rain_mm = np.zeros(len(hours))
    for month in months:
        m = int(month.astype(int)) % 12
        first_h = int((month.astype("datetime64[h]") - hours[0]).astype(int))
        n_h = int(((month + 1).astype("datetime64[h]") - month.astype("datetime64[h]")).astype(int))
        for start in np.sort(rng.random(rng.poisson(_STORMS[m]))) * n_h:
            depth_mm = rng.gamma(0.75, _DEPTH_MM[m] / 0.75)
            n = 1 + int(rng.gamma(1.6, _DURATION_H[m] / 1.6))
            share = rng.exponential(1.0, n) * np.exp(-1.2 * np.arange(n) / n)
            at = first_h + int(start) + np.arange(n)
            inside = at < len(hours)
            rain_mm[at[inside]] += (depth_mm * share / share.sum())[inside]
    rain_mm *= MEAN_YEAR_MM * n_years / rain_mm.sum()
    return hours, np.round(rain_mm, 1)


def rain_text(hours: np.ndarray, rain_mm: np.ndarray) -> str:
    """Return the record as CSV text with the columns ``time`` and ``rain_mm``."""
    stamps = np.datetime_as_string(hours, unit="m")
    return "time,rain_mm\n" + "".join(f"{t},{r:g}\n" for t, r in zip(stamps.tolist(), rain_mm.tolist(), strict=True))
