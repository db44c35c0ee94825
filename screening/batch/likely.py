"""The likely volumes of the gardens once all are known: garden by garden, behind barrels, over the years."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from screening import ageing, barrels, uncertainty, water_balance
from screening.batch.water import table_rates
from screening.pipeline import wetting_soils

if TYPE_CHECKING:
    import pyarrow as pa

    from screening.batch.water import RunWater
    from screening.params import Params
    from screening.water_balance import RainSteps, YieldTable

SHOWN_YEARS = (5, 10, 20)
"""Years after digging whose volume is written."""

GARDENS_AT_A_TIME = 65_536
"""Gardens that are followed over the years at a time: each has a figure for every year."""


class GardenFigures(NamedTuple):
    """The gardens of a run as the water balance counts them, (n,) arrays.

    Attributes
    ----------
    area_m2, depth_mm : array
        Storage area and ponding depth.
    roof_m2, gable_roof_m2 : array
        Served roof under the main form and under a gable.
    soil : int array
        Soil class.
    barrel_l : array
        Barrels below the served downspouts [L]; 0 where the run has none.
    likely_m3_y : array
        Volume of the mean year with every cause at its likely value [m3/y].
    """

    area_m2: np.ndarray
    depth_mm: np.ndarray
    roof_m2: np.ndarray
    gable_roof_m2: np.ndarray
    soil: np.ndarray
    barrel_l: np.ndarray
    likely_m3_y: np.ndarray


def garden_columns(params: Params) -> list[str]:
    """Columns of the gardens that `garden_figures` needs."""
    names = ["storage_area_m2", "ponding_depth_mm", "treated_roof_m2", "treated_roof_gable_m2", "all_likely_m3_y"]
    return [*names, "soil_class", *(["garden_id"] if params.barrel.is_upstream else [])]


def garden_figures(gardens: pa.Table, downspouts: pa.Table | None, run: RunWater, params: Params) -> GardenFigures:
    """Take the figures out of the gardens' table; downspouts are needed only where barrels stand below them."""
    soil_of = {one.name: k for k, one in enumerate(run.water.town.classes)}
    soil = gardens["soil_class"].combine_chunks().dictionary_encode()
    number = np.array([soil_of[name] for name in soil.dictionary.to_pylist()], dtype=np.int64)

    def column(name: str) -> np.ndarray:
        """A column of the gardens."""
        return np.ascontiguousarray(gardens[name].to_numpy(), dtype=float)

    barrel = np.zeros(gardens.num_rows)
    if params.barrel.is_upstream and downspouts is not None:
        row_of = {name: k for k, name in enumerate(gardens["garden_id"].to_pylist())}
        served = [row_of.get(name, -1) for name in downspouts["garden_id"].to_pylist()]
        roof = downspouts["roof_area_m2"].to_numpy() * params.roof.connection_likely_frac
        at = np.array(served, dtype=np.int64)
        volume = barrels.volume_l(np.asarray(roof, dtype=float), params.barrel)
        barrel = np.bincount(at[at >= 0], weights=volume[at >= 0], minlength=gardens.num_rows).astype(float)
    return GardenFigures(
        column("storage_area_m2"),
        column("ponding_depth_mm"),
        column("treated_roof_m2"),
        column("treated_roof_gable_m2"),
        number[np.asarray(soil.indices)],
        barrel,
        column("all_likely_m3_y"),
    )


def likely_volumes_m3_y(figures: GardenFigures, run: RunWater, params: Params) -> np.ndarray:
    """Volume of each garden in the mean year with every cause at its likely value [m3/y].

    As the curves of the search say it, unless the run file asks for every garden's own simulation, or has barrels
    upstream.
    """
    steps = run.steps
    if steps is None or not (params.rain.each_garden or params.barrel.is_upstream):
        return figures.likely_m3_y
    loss = steps.loss_index(params.roof.initial_loss_mm)
    roof = figures.roof_m2 * params.roof.connection_likely_frac
    if params.barrel.is_upstream:
        kept = _kept_behind_barrels(figures, roof, steps, loss, run, params)
    else:
        kept = _kept_by_each(figures, roof, steps, loss, run, params)
    return np.asarray(run.water.runoff_mm_y / 1000.0 * roof * kept)


def _kept_by_each(
    figures: GardenFigures, roof_m2: np.ndarray, steps: RainSteps, loss: int, run: RunWater, params: Params
) -> np.ndarray:
    """Part kept by the simulation of every garden."""
    ratio = np.divide(figures.area_m2, roof_m2, out=np.full(len(roof_m2), 1e3), where=roof_m2 > 0.0)
    wetting = wetting_soils(run.water.town, params)
    if wetting is None:
        rate = run.water.town.rate_mm_h[figures.soil]
        return water_balance.kept_long_term(steps, ratio, figures.depth_mm, rate, loss)
    kept = np.zeros(len(ratio))
    for k, soil in enumerate(wetting):
        on = np.flatnonzero(figures.soil == k)
        one = np.ones(len(on))
        kept[on] = water_balance.kept_long_term(steps, ratio[on], figures.depth_mm[on], one, loss, soil=soil)
    return kept


def _kept_behind_barrels(
    figures: GardenFigures, roof_m2: np.ndarray, steps: RainSteps, loss: int, run: RunWater, params: Params
) -> np.ndarray:
    """Part kept by barrels, gardens and strips together."""
    n = len(roof_m2)
    strip = params.barrel.strip_area_m2 if params.barrel.empty_onto == "strip" else 0.0
    sites = barrels.BarrelSites(
        roof_m2,
        figures.barrel_l,
        figures.area_m2,
        figures.depth_mm,
        np.full(n, strip),
        np.full(n, params.barrel.strip_storage_mm),
        run.water.town.rate_mm_h[figures.soil],
    )
    in_year = barrels.kept_frac(steps, loss, sites, params.barrel)
    weight = steps.runoff_mm_y[:, loss] / steps.runoff_mm_y[:, loss].sum()
    return np.asarray(weight @ in_year)


def aged(figures: GardenFigures, table: YieldTable, run: RunWater, params: Params) -> tuple[np.ndarray, np.ndarray]:
    """Gardens over the years.

    Returns
    -------
    dig_out_after_y : (n,) int array
        Whole years after which a bowl should be dug out again; -1: not within the years looked at.
    later_frac : (n, 3) array
        Volume in each of `SHOWN_YEARS` over that as dug; NaN beyond the years looked ahead.
    """
    n = len(figures.soil)
    after = np.empty(n, dtype=np.int64)
    later = np.full((n, len(SHOWN_YEARS)), np.nan)
    one_year = uncertainty.mean_year(table)
    rate = table_rates(run, figures.soil, params)
    for begin in range(0, n, GARDENS_AT_A_TIME):
        some = slice(begin, begin + GARDENS_AT_A_TIME)
        soil = figures.soil[some]
        found = ageing.age_gardens(
            one_year,
            figures.area_m2[some],
            figures.depth_mm[some],
            figures.roof_m2[some] * params.roof.connection_likely_frac,
            soil if len(table.kept_frac) > 1 else np.zeros_like(soil),
            rate[some],
            loss_mm=params.roof.initial_loss_mm,
            params=params.ageing,
        )
        after[some] = found.dig_out_after_y
        for k, year in enumerate(SHOWN_YEARS):
            if year <= found.volume_m3_y.shape[1]:
                as_dug = np.maximum(found.as_dug_m3_y, np.finfo(float).tiny)
                later[some, k] = found.volume_m3_y[:, year - 1] / as_dug
    return after, later
