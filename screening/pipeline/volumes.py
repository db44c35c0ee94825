"""Yearly volumes of a tile: what gardens divert, and what would do in their place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from screening.alternatives import Homes, Setbacks, find_alternatives
from screening.barrels import volume_l
from screening.sizing import bed_storage_m2, rectangle_storage_m2

if TYPE_CHECKING:
    from screening.alternatives import Alternatives
    from screening.pipeline.tables import Context
    from screening.pipeline.tile_data import FloatArray


def storage_areas_m2(c: Context, area_m2: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Storage area of each garden [m2]: its own but for what sides and berm take."""
    g, how = c.gardens, c.params.sizing
    if how.side_run_per_rise == 0.0 and how.berm_width_m == 0.0:
        return area_m2
    depth = depth_mm / 1000.0
    sides = {"run_per_rise": how.side_run_per_rise, "berm_m": how.berm_width_m}
    rectangle = rectangle_storage_m2(g.length_m, g.width_m, depth, **sides)
    bed = bed_storage_m2(area_m2, shapely.length(g.geometry), depth, **sides)
    return np.where(g.is_free, bed, rectangle)


def likely_volumes_m3_y(c: Context, soil: np.ndarray, stored_m2: FloatArray, treated_m2: FloatArray) -> FloatArray:
    """Volume that each garden diverts in the mean year with every cause at its likely value [m3/y]."""
    roof = treated_m2 * c.params.roof.connection_likely_frac
    volume = np.zeros(len(roof))
    some = (roof > 0.0) & (stored_m2 > 0.0)
    kept = c.inputs.water.kept(soil[some], c.gardens.band[some], stored_m2[some] / roof[some])
    volume[some] = c.inputs.water.runoff_mm_y / 1000.0 * roof[some] * kept
    return volume


def alternatives(c: Context) -> Alternatives:
    """What to look at on a visit where no garden fits, and what it would divert, for each home."""
    params, water = c.params, c.inputs.water
    spout_roof = c.roofs.area_m2 * params.roof.connection_likely_frac
    homes = Homes(
        shapely.area(c.homes.open_ground),
        c.plane.slope_pct,
        c.plane.falls_toward_house,
        np.repeat(np.arange(len(c.rows)), np.diff(c.roofs.first)),
        spout_roof,
        volume_l(spout_roof, params.barrel),
    )
    walls = [things.distance_m for things in c.inputs.keep_away if things.kind == "retaining_wall"]
    setbacks = Setbacks(c.homes.foundation_m, params.rules.lot_line_m, min(walls, default=None))

    def keeps(rows: np.ndarray, area_ratio: FloatArray, depth_mm: float) -> FloatArray:
        """Part that the ground of some homes keeps."""
        return water.kept_by_ground(c.homes.soil[rows], area_ratio, is_strip=depth_mm == params.barrel.strip_storage_mm)

    return find_alternatives(homes, setbacks, water.runoff_mm_y, keeps, water.barrel, params.barrel)
