"""Rain to test with: invented hours, the sample town's generator, and real days that a package carries."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from screening import water_balance
from screening.params import load_params

SAMPLE = Path(__file__).resolve().parents[1] / "sample_geodata"


def hourly_rain(n_years=1, seed=5):
    """Invented hourly rain [mm] of whole years: storms of a few hours with long dry spells between."""
    rng = np.random.default_rng(seed)
    n = 8760 * n_years
    rain = np.zeros(n)
    hour = 0
    while True:
        hour += 1 + int(rng.exponential(90.0))
        length = 1 + int(rng.exponential(6.0))
        if hour + length >= n:
            return np.round(rain, 2)
        rain[hour : hour + length] = rng.exponential(rng.exponential(2.5) + 0.05, length)
        hour += length


def rain_of_town(n_years):
    """Hours and their rain [mm] by the generator of the sample town."""
    spec = importlib.util.spec_from_file_location("rain_of_town", SAMPLE / "town" / "rain.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.hourly_rain(n_years, np.random.default_rng(3))


def rain_of_seattle():
    """Days of 2012 to 2015 and their rain [mm], from vega_datasets: measured by NOAA at Seattle."""
    vega_datasets = pytest.importorskip("vega_datasets")
    table = vega_datasets.local_data.seattle_weather()
    return table["date"].to_numpy().astype("datetime64[D]"), table["precipitation"].to_numpy(dtype=float)


def steps_of(rain_mm, step_h=1.0, start="2015-01-01T00", loss_mm=(1.27,), **rain):
    """Steps with rain of a record; keyword arguments are entries of [rain]."""
    unit = "D" if step_h == 24.0 else "m"
    length = np.timedelta64(1 if unit == "D" else round(60 * step_h), unit)
    time = np.datetime64(start, unit) + np.arange(len(rain_mm)) * length
    params = load_params(None, {f"rain.{key}": value for key, value in rain.items()})
    return water_balance.rain_steps(
        time, np.asarray(rain_mm, dtype=float), step_h, params.rain, np.asarray(loss_mm, dtype=float)
    )
