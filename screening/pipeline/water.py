"""Soils and rain of a run brought together: how deep gardens are, what they ask for, and what they keep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from screening import sizing, soils, water_balance
from screening.barrels import barrel_curve, storm_barrel_curve
from screening.errors import InputError
from screening.kernels.ground import TownYield
from screening.water_balance import LOG_RATIO_FIRST, LOG_RATIO_LAST, N_RATIOS, Wetting

if TYPE_CHECKING:
    from screening.barrels import BarrelCurve
    from screening.params import Params
    from screening.pipeline.tile_data import FloatArray, IntArray, ObjectArray
    from screening.water_balance import RainSteps


@dataclass(frozen=True, kw_only=True)
class TownWater:
    """What the tiles of a run need to know of soils and rain.

    Attributes
    ----------
    town : TownSoils
        Soil classes; its default holds where no map says the soil.
    polygons : (m,) array of polygons or None
        Soil map [m]; None for a town without one.
    polygon_soil : (m,) int array or None
        Soil class of each.
    depth_mm : (soils, bands) array
        Ponding depth [mm] of each slope band on each soil.
    kept_frac : (soils, bands, N_RATIOS) array
        Part of a roof's yearly runoff that a garden keeps with every cause at its likely value, over the ratio of
        garden to roof.
    spread_kept_frac : (2, soils, N_RATIOS) array
        The same for water led onto the lawn, and into a permeable strip.
    barrel : BarrelCurve
        What barrels keep.
    runoff_mm_y : float
        Mean yearly runoff of a roof at the likely initial loss [mm].
    wettest_mm_y : float or None
        Runoff of a roof in the wettest year of the record, at the least initial loss of the draws [mm]; None without.
    is_rain_assumed : bool
        No record is given: all rests on assumed storms.
    """

    town: soils.TownSoils
    polygons: ObjectArray | None
    polygon_soil: IntArray | None
    depth_mm: FloatArray
    kept_frac: FloatArray
    spread_kept_frac: FloatArray
    barrel: BarrelCurve
    runoff_mm_y: float
    wettest_mm_y: float | None
    is_rain_assumed: bool

    def yields(self, params: Params) -> TownYield:
        """The curves and wanted areas in the form that the search reads."""
        asked = [sizing.wanted(params.sizing, float(rate)) for rate in self.town.rate_mm_h]
        step = (LOG_RATIO_LAST - LOG_RATIO_FIRST) / (N_RATIOS - 1)
        far = np.array([one.far_factor if params.sizing.far_factors else 0.0 for one in asked])
        return TownYield(
            np.array(params.sizing.slope_breaks_pct, dtype=float),
            self.kept_frac,
            LOG_RATIO_FIRST,
            step,
            np.array([one.per_roof for one in asked]),
            asked[0].fixed_m2,
            self.depth_mm / 1000.0,
            params.sizing.side_run_per_rise,
            params.sizing.berm_width_m,
            far,
            asked[0].near_limit_m,
            params.roof.connection_likely_frac,
        )

    def kept(self, soil: IntArray, band: IntArray, area_ratio: FloatArray) -> FloatArray:
        """Part kept by gardens, interpolated over the logarithm of the ratio of garden to roof.

        Parameters
        ----------
        soil, band : (n,) int array
        area_ratio : (n,) array
            Storage area over roof area.
        """
        return _along_curves(self.kept_frac[soil, band], area_ratio)

    def kept_by_ground(self, soil: IntArray, area_ratio: FloatArray, *, is_strip: bool) -> FloatArray:
        """Part kept by lawn or permeable strip of a ratio of wetted ground to roof, (n,)."""
        return _along_curves(self.spread_kept_frac[int(is_strip), soil], area_ratio)


def _along_curves(curve: FloatArray, area_ratio: FloatArray) -> FloatArray:
    """Value of each curve (n, N_RATIOS) at a ratio (n,), interpolated over its logarithm."""
    step = (LOG_RATIO_LAST - LOG_RATIO_FIRST) / (N_RATIOS - 1)
    with np.errstate(divide="ignore"):
        position = (np.log(area_ratio) - LOG_RATIO_FIRST) / step
    # below the grid a garden is always full: what it keeps is in proportion to its area
    below = np.exp(np.minimum(position, 0.0) * step)
    position = np.clip(position, 0.0, N_RATIOS - 1)
    i = np.minimum(position.astype(np.int64), N_RATIOS - 2)
    w = position - i
    row = np.arange(len(i))
    return np.asarray(((1.0 - w) * curve[row, i] + w * curve[row, i + 1]) * below)


def wetting_soils(town: soils.TownSoils, params: Params) -> list[Wetting] | None:
    """The soils as Green and Ampt see them; None where rates are constant."""
    if params.soil.infiltration == "constant":
        return None
    found = [one.green_ampt for one in town.classes if one.green_ampt is not None]
    return [Wetting(*one, params.soil.recovery_h) for one in found]


def town_water(
    town: soils.TownSoils,
    polygons: ObjectArray | None,
    polygon_soil: IntArray | None,
    steps: RainSteps | None,
    params: Params,
) -> TownWater:
    """Work out what gardens keep on each soil, in each slope band.

    Parameters
    ----------
    town : TownSoils
    polygons, polygon_soil
        Soil map from `screening.soils.map_units`, None for none.
    steps : RainSteps or None
        Rain record with the initial losses of the run, the likely one among them; None: the run's storms.
    params : Params

    Raises
    ------
    InputError
        If no rain of the record leaves a roof.
    """
    rate = town.rate_mm_h
    depth = np.array([sizing.band_depths_mm(params.sizing, float(one)) for one in rate])
    likely_mm = params.roof.initial_loss_mm
    ground_mm = np.array([params.barrel.lawn_storage_mm, params.barrel.strip_storage_mm])
    # every curve of the run: the bands of each soil, then what is led onto lawn and strip
    depths = np.column_stack([depth, np.tile(ground_mm, (len(rate), 1))])
    if steps is None:
        # storms of no known course: the design rate serves both kinds of infiltration
        kept = water_balance.storm_curves(params.rain, likely_mm, depths, rate[:, None])
        runoff = water_balance.runoff_of_storms_mm_y(params.rain, likely_mm)
        barrel = storm_barrel_curve(params.rain, likely_mm, params.barrel)
    else:
        loss = steps.loss_index(likely_mm)
        runoff = float(steps.runoff_mm_y[:, loss].mean())
        if runoff <= 0.0:
            msg = "no rain of the record leaves a roof; check its unit, [roof] initial_loss_mm, [rain] frozen_months."
            raise InputError(msg)
        kept = _record_curves(steps, depths, town, loss, params)
        barrel = barrel_curve(steps, loss, params.barrel)
    return TownWater(
        town=town,
        polygons=polygons,
        polygon_soil=polygon_soil,
        depth_mm=depth,
        kept_frac=np.ascontiguousarray(kept[:, :-2]),
        spread_kept_frac=np.ascontiguousarray(kept[:, -2:].swapaxes(0, 1)),
        barrel=barrel,
        runoff_mm_y=float(runoff),
        wettest_mm_y=None if steps is None else float(steps.runoff_mm_y.max()),
        is_rain_assumed=steps is None,
    )


def _record_curves(
    steps: RainSteps, depth_mm: FloatArray, town: soils.TownSoils, loss: int, params: Params
) -> FloatArray:
    """Curves (soils, depths, N_RATIOS) of a rain record."""
    wetting = wetting_soils(town, params)
    if wetting is None:
        return water_balance.record_curves(steps, depth_mm, town.rate_mm_h[:, None], loss)
    on_each = [
        water_balance.record_curves(steps, depth, np.ones(len(depth)), loss, soil=soil)
        for soil, depth in zip(wetting, depth_mm, strict=True)
    ]
    return np.array(on_each)
