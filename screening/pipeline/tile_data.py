"""What goes into a tile and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd

    from screening.pipeline.water import TownWater
    from screening.tiles import Tile

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]


class KeepAwayThings(NamedTuple):
    """Things of one kind from which a garden keeps a distance.

    Attributes
    ----------
    kind : str
        What they are; drainage kinds also take overflow.
    distance_m : float
        Least distance [m].
    geometry : (n,) array
        [m]
    """

    kind: str
    distance_m: float
    geometry: ObjectArray


@dataclass(frozen=True)
class TileInputs:
    """Everything a tile's homes are judged by, in working coordinates [m].

    Attributes
    ----------
    tile : Tile
    parcels : GeoDataFrame
        Cleaned parcels (`screening.clean`) in order of ``home_id``, with ``is_owned``: the tile's own, and those
        that its homes' surroundings touch.
    buildings : GeoDataFrame
        Cleaned buildings in order of ``building_id`` that stand near the tile's own parcels.
    downspouts : (k,) array of points
        Measured downspouts near the buildings.
    keep_away : tuple of KeepAwayThings
    street_areas : (s,) array of polygons
        Road surfaces, if the street layer has them.
    z_m : (rows, cols) array
        Elevation of the window [m], NaN where missing; no rows where the tile lies off the raster.
    grid : (5,) array
        The whole raster's upper-left corner x, y [m], the window's first row and column in it, cell size [m].
    water : TownWater
        Soils and rain of the run; of the soil map what lies near the tile.
    """

    tile: Tile
    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    downspouts: ObjectArray
    keep_away: tuple[KeepAwayThings, ...]
    street_areas: ObjectArray
    z_m: FloatArray
    grid: FloatArray
    water: TownWater


@dataclass(frozen=True)
class TileResult:
    """Rows of a tile, by layer name; ranks, scores and street totals come when all tiles are together."""

    tile: Tile
    layers: Mapping[str, pd.DataFrame]
