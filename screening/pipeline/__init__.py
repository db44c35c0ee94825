"""One tile from cleaned inputs to result rows: the stages in their order."""

from __future__ import annotations

from screening.pipeline.screen import screen_tile
from screening.pipeline.tile_data import KeepAwayThings, TileInputs, TileResult

__all__ = ["KeepAwayThings", "TileInputs", "TileResult", "screen_tile"]
