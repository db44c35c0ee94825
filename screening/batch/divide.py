"""Dividing a city into tiles: which parcels each tile owns, and what it has to see around them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from screening.pipeline import KeepAwayThings, TileInputs
from screening.tiles import Tile, owners

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd

    from screening.params import Params
    from screening.pipeline import TownWater
    from screening.raster import ElevationSource

ObjectArray = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]

NEAR_BUILDING_M = 30.0
NEAR_LOT_M = 15.0
GARDEN_M = 30.0
"""Farther than any point of a garden lies from the end of its run: no allowed garden is that long."""


@dataclass(frozen=True)
class City:
    """The cleaned city in working coordinates.

    Attributes
    ----------
    parcels : GeoDataFrame
        Cleaned parcels with ``is_counted``: those the run gives an account of; others are only surroundings.
    buildings : GeoDataFrame
    downspouts : (k,) array of points
    keep_away : tuple of KeepAwayThings
    street_areas : (s,) array of polygons
    elevation : ElevationSource
    """

    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    downspouts: ObjectArray
    keep_away: tuple[KeepAwayThings, ...]
    street_areas: ObjectArray
    elevation: ElevationSource


@dataclass(frozen=True)
class TileTask:
    """A tile before its elevation is read: all a worker needs."""

    tile: Tile
    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    downspouts: ObjectArray
    keep_away: tuple[KeepAwayThings, ...]
    street_areas: ObjectArray
    elevation: ElevationSource
    water: TownWater
    window_m: tuple[float, float, float, float] | None
    n_homes: int


class Trees:
    """Search trees over the city's layers, made once."""

    def __init__(self, city: City, water: TownWater) -> None:
        """Make the trees."""
        self.parcels = shapely.STRtree(city.parcels.geometry.to_numpy())
        self.buildings = shapely.STRtree(city.buildings.geometry.to_numpy())
        self.downspouts = shapely.STRtree(city.downspouts)
        self.keep_away = [shapely.STRtree(things.geometry) for things in city.keep_away]
        self.street_areas = shapely.STRtree(city.street_areas)
        self.soils = None if water.polygons is None else shapely.STRtree(water.polygons)


def _hits(tree: shapely.STRtree, geometry: ObjectArray, distance_m: float = 0.0) -> IntArray:
    """Rows of a tree whose boxes touch the geometries' boxes grown by a distance: all that may matter, and a few more.

    What lies farther away is told apart by the stages; here exact distances would cost more than they save.
    """
    if len(geometry) == 0:
        return np.empty(0, dtype=np.int64)
    bounds = shapely.bounds(geometry) + np.array([-1.0, -1.0, 1.0, 1.0]) * distance_m
    found = tree.query(shapely.box(*bounds.T))[1]
    return np.unique(found).astype(np.int64)


def tile_tasks(city: City, water: TownWater, params: Params) -> Iterator[TileTask]:
    """Tasks of all tiles that own a parcel, in the order of the grid.

    Parameters
    ----------
    city : City
    water : TownWater
    params : Params

    Notes
    -----
    A tile sees the buildings near its parcels, every lot these stand on, and once more the buildings on those lots and
    the lots under them: whether a building is divided along lot lines depends on what else stands on each lot.
    """
    trees = Trees(city, water)
    lots = city.parcels.geometry.to_numpy()
    footprints = city.buildings.geometry.to_numpy()
    owner = owners(lots, params.batch.tile_size_m)
    counted = city.parcels["is_counted"].to_numpy(dtype=bool)
    near_building = max(NEAR_BUILDING_M, 6.0 * city.elevation.cell_m)
    near_lot = max(NEAR_LOT_M, 4.0 * city.elevation.cell_m)
    reach = params.rules.max_run_m + GARDEN_M + params.overflow.max_trace_m + 6.0 * city.elevation.cell_m
    rows_of = np.flatnonzero(counted)
    tiles, member = np.unique(owner[rows_of], axis=0, return_inverse=True)
    for k, (row, col) in enumerate(tiles):
        own = rows_of[member.ravel() == k]
        near = _hits(trees.buildings, lots[own], near_building)
        lots_under = np.union1d(_hits(trees.parcels, footprints[near]), _hits(trees.parcels, lots[own], near_lot))
        more = np.union1d(near, _hits(trees.buildings, lots[lots_under]))
        seen = np.unique(np.concatenate([own, lots_under, _hits(trees.parcels, footprints[more])]))
        parcels = city.parcels.iloc[seen].copy()
        parcels["is_owned"] = np.isin(seen, own)
        on_own = _hits(trees.buildings, lots[own])
        window = None
        if len(on_own):
            x0, y0, x1, y1 = shapely.total_bounds(footprints[on_own])
            window = (x0 - reach, y0 - reach, x1 + reach, y1 + reach)
        around = lots[own]
        yield TileTask(
            Tile(int(row), int(col), params.batch.tile_size_m),
            parcels.reset_index(drop=True),
            city.buildings.iloc[more].reset_index(drop=True),
            city.downspouts[_hits(trees.downspouts, footprints[more], params.roof.downspout_snap_m)],
            tuple(
                KeepAwayThings(
                    things.kind,
                    things.distance_m,
                    things.geometry[_hits(tree, around, things.distance_m + near_lot)],
                )
                for things, tree in zip(city.keep_away, trees.keep_away, strict=True)
            ),
            city.street_areas[_hits(trees.street_areas, around, near_lot)],
            city.elevation,
            _near_soils(water, trees, around),
            window,
            len(own),
        )


def _near_soils(water: TownWater, trees: Trees, lots: ObjectArray) -> TownWater:
    """The run's water with the part of the soil map that lies under some lots."""
    if trees.soils is None or water.polygons is None or water.polygon_soil is None:
        return water
    rows = _hits(trees.soils, lots)
    return replace(water, polygons=water.polygons[rows], polygon_soil=water.polygon_soil[rows])


def tile_inputs(task: TileTask) -> TileInputs:
    """Read the elevation of a tile and put its inputs together."""
    source = task.elevation
    z = np.empty((0, 0))
    grid = np.array([source.x0_m, source.y0_m, 0.0, 0.0, source.cell_m])
    west, south, east, north = source.bounds_m
    window = task.window_m
    if window is not None and window[0] < east and window[2] > west and window[1] < north and window[3] > south:
        part = source.read(window)
        z = part.z_m
        grid[2] = round((source.y0_m - part.y0_m) / source.cell_m)
        grid[3] = round((part.x0_m - source.x0_m) / source.cell_m)
    return TileInputs(
        task.tile,
        task.parcels,
        task.buildings,
        task.downspouts,
        task.keep_away,
        task.street_areas,
        z,
        grid,
        task.water,
    )
