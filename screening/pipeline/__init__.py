"""One tile from cleaned inputs to result rows: the stages in their order."""

from __future__ import annotations

from screening.pipeline.screen import screen_tile
from screening.pipeline.tile_data import KeepAwayThings, TileInputs, TileResult
from screening.pipeline.water import TownWater, town_water, wetting_soils

__all__ = ["KeepAwayThings", "TileInputs", "TileResult", "TownWater", "screen_tile", "town_water", "wetting_soils"]
