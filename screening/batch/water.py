"""Soils and rain of a run, before the tiles and after them: the curves of the search, the spread of the result."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening import soils, uncertainty, water_balance
from screening.errors import InputError
from screening.params.soil import DEFAULT_RATE_MM_H
from screening.pipeline import TownWater, town_water, wetting_soils
from screening.sizing import unmet_conditions

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.params import Params
    from screening.read import CityInputs
    from screening.water_balance import RainSteps, YieldTable

    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]


class RunWater(NamedTuple):
    """Water of a run.

    Attributes
    ----------
    water : TownWater
        What the tiles need.
    steps : RainSteps or None
        Steps of the rain record with the initial losses of the draws; None without a record.
    notes : tuple of str
        What a person should know.
    """

    water: TownWater
    steps: RainSteps | None
    notes: tuple[str, ...]


def run_water(inputs: CityInputs, params: Params) -> RunWater:
    """Bring soils and rain of the inputs together."""
    _check_barrels(inputs, params)
    layer = inputs.soils
    polygons, polygon_soil = None, None
    notes: list[str] = []
    if layer is None:
        town = soils.town_soils(params.soil, None)
    else:
        town = soils.town_soils(params.soil, layer.symbol.tolist(), where=layer.where)
        if params.soil.rate_mm_h != DEFAULT_RATE_MM_H:
            notes.append("[soil] rate_mm_h is not used: a soil map is given, and homes off it take [soil] default.")
        polygons, polygon_soil = soils.map_units(layer.geometry, town.of_symbols(layer.symbol))
    steps = None
    notes.extend(unmet_conditions(params.sizing, float(town.rate_mm_h.min())))
    if inputs.rain is None:
        notes.append(
            f"no rain record is given: yearly volumes rest on {params.rain.storms_per_y:g} assumed storms a year "
            f"of {params.rain.storm_mean_mm:g} mm; give one as [inputs] rain."
        )
    else:
        losses = uncertainty.initial_losses_mm(params.uncertainty, params.roof)
        # the likely loss among others near enough to each other to be interpolated
        losses = np.union1d(losses, water_balance.loss_axis(float(losses[0]), float(losses[-1])))
        record = inputs.rain
        steps = water_balance.rain_steps(record.time, record.rain_mm, record.step_h, params.rain, losses)
    water = town_water(town, polygons, polygon_soil, steps, params)
    return RunWater(water, steps, tuple(notes))


def _check_barrels(inputs: CityInputs, params: Params) -> None:
    """Refuse barrels upstream where nothing tells how they fill and empty."""
    if not params.barrel.is_upstream:
        return
    if inputs.rain is None:
        msg = "[barrel] is_upstream needs a rain record: barrels fill and empty step by step; give [inputs] rain."
        raise InputError(msg)
    if params.soil.infiltration != "constant":
        msg = '[barrel] is_upstream works with constant rates only; set infiltration = "constant" under [soil].'
        raise InputError(msg)


def yield_table(run: RunWater, params: Params) -> YieldTable:
    """Table of what gardens of every size, depth and soil rate keep, in every year and for every initial loss."""
    if run.steps is None:
        return water_balance.storm_table(params.rain, uncertainty.initial_losses_mm(params.uncertainty, params.roof))
    return water_balance.build_table(run.steps, wetting_soils(run.water.town, params))


def table_rates(run: RunWater, soil: IntArray, params: Params) -> FloatArray:
    """Likely rates (n,) to ask the run's yield table with: design rates [mm/h], or factors on a conductivity."""
    is_wetting = run.steps is not None and wetting_soils(run.water.town, params) is not None
    return np.ones(len(soil)) if is_wetting else run.water.town.rate_mm_h[soil]
