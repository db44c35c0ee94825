"""One tile from cleaned inputs to result rows: the stages in their order."""

from __future__ import annotations

from screening.pipeline.geometry import HomeGeometry, TileGeometry, tile_geometry
from screening.pipeline.home_roofs import Roofs
from screening.pipeline.screen import screen_tile
from screening.pipeline.tile_data import KeepAwayThings, TileInputs, TileResult
from screening.pipeline.water import TownWater, town_water, wetting_soils

__all__ = [
    "HomeGeometry",
    "KeepAwayThings",
    "Roofs",
    "TileGeometry",
    "TileInputs",
    "TileResult",
    "TownWater",
    "screen_tile",
    "tile_geometry",
    "town_water",
    "wetting_soils",
]
