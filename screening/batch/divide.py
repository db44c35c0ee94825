"""What a tile sees of a city that lies on disk: the parcels it owns, and everything around them that matters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from screening.batch.stored import StoredLayer, read_street_names, write_layer
from screening.pipeline import KeepAwayThings, TileInputs

if TYPE_CHECKING:
    from pathlib import Path

    from screening.batch.gather import CityOnDisk
    from screening.params import Params
    from screening.pipeline import TownWater
    from screening.raster import ElevationSource
    from screening.tiles import Tile

ObjectArray = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

NEAR_BUILDING_M = 30.0
NEAR_LOT_M = 15.0
GARDEN_M = 30.0
"""Farther than any point of a garden lies from the end of its run: no allowed garden is that long."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """What every tile of a run needs to know; small enough to be sent with each.

    Attributes
    ----------
    city : CityOnDisk
    water : TownWater
        Without the polygons of the soil map: they lie on disk as well.
    has_soil_map : bool
    params : Params
    folder : Path
        Takes the tiles' parts.
    geometry_basis : str
        What the geometry of the tiles hangs on, see `screening.batch.basis`.
    """

    city: CityOnDisk
    water: TownWater
    has_soil_map: bool
    params: Params
    folder: Path
    geometry_basis: str


def job_of(city: CityOnDisk, water: TownWater, params: Params, folder: Path, geometry_basis: str) -> Job:
    """Lay the soil map down beside the city, and put together what the tiles need."""
    has_soil_map = water.polygons is not None and water.polygon_soil is not None
    if water.polygons is not None and water.polygon_soil is not None:
        import pyarrow as pa  # noqa: PLC0415 - only here

        write_layer(
            city.folder,
            "soils",
            pa.array(shapely.to_wkb(water.polygons), type=pa.large_binary()),
            shapely.bounds(water.polygons).reshape(-1, 4),
            arrays={"soil": np.asarray(water.polygon_soil)},
        )
    bare = replace(water, polygons=None, polygon_soil=None)
    return Job(
        city=city, water=bare, has_soil_map=has_soil_map, params=params, folder=folder, geometry_basis=geometry_basis
    )


class Layers:
    """The layers of a city on disk, opened."""

    def __init__(self, folder: Path, n_keep_away: int, *, has_soil_map: bool) -> None:
        """Open them."""
        self.parcels = StoredLayer(folder, "parcels")
        self.buildings = StoredLayer(folder, "buildings")
        self.downspouts = StoredLayer(folder, "downspouts")
        self.street_areas = StoredLayer(folder, "street_areas")
        self.keep_away = [StoredLayer(folder, f"keep_away_{k}") for k in range(n_keep_away)]
        self.soils = StoredLayer(folder, "soils") if has_soil_map else None
        self.point = self.parcels.array("point")
        self.street = read_street_names(folder)
        self.is_counted = self.parcels.array("is_counted")

    def owned(self, tile: Tile) -> IntArray:
        """Rows of the parcels that a tile owns and the run gives an account of, in order of ``home_id``."""
        # a point inside an outline lies in its box
        rows = self.parcels.within(np.array(tile.bounds_m))
        rows = rows[self.is_counted[rows]]
        return self.parcels.in_order(rows[tile.owns(self.point[rows])])


@lru_cache(maxsize=1)
def open_layers(folder: Path, n_keep_away: int, *, has_soil_map: bool) -> Layers:
    """Open the layers of a city once in a process."""
    return Layers(folder, n_keep_away, has_soil_map=has_soil_map)


def tile_inputs(job: Job, tile: Tile) -> TileInputs:
    """Read what a tile sees.

    Notes
    -----
    A tile sees the buildings near its parcels, every lot these stand on, and once more the buildings on those lots and
    the lots under them: whether a building is divided along lot lines depends on what else stands on each lot.
    """
    city, params = job.city, job.params
    layers = open_layers(city.folder, len(city.keep_away), has_soil_map=job.has_soil_map)
    lots, houses = layers.parcels, layers.buildings
    cell_m = city.elevation.cell_m
    near_building = max(NEAR_BUILDING_M, 6.0 * cell_m)
    near_lot = max(NEAR_LOT_M, 4.0 * cell_m)
    reach = params.rules.max_run_m + GARDEN_M + params.overflow.max_trace_m + 6.0 * cell_m
    own = layers.owned(tile)
    around = lots.bounds[own]
    near = houses.hits(around, near_building)
    lots_under = np.union1d(lots.hits(houses.bounds[near]), lots.hits(around, near_lot))
    more = np.union1d(near, houses.hits(lots.bounds[lots_under]))
    seen = np.unique(np.concatenate([own, lots_under, lots.hits(houses.bounds[more])]))
    seen, more = lots.in_order(seen), houses.in_order(more)
    on_own = houses.hits(around)
    window = None
    if len(on_own):
        boxes = houses.bounds[on_own]
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        window = (float(x0 - reach), float(y0 - reach), float(x1 + reach), float(y1 + reach))
    parcels = parcels_frame(layers, seen, city)
    parcels["is_owned"] = np.isin(seen, own)
    buildings = gpd.GeoDataFrame(
        {
            "building_id": houses.text("building_id", more),
            "building_type": houses.text("building_type", more),
            "is_repaired": houses.array("is_repaired")[more],
        },
        geometry=houses.outlines(more),
        crs=city.crs,
    )
    z, grid = _elevation(city.elevation, window)
    water = job.water
    if layers.soils is not None:
        soils = layers.soils.in_order(layers.soils.hits(around))
        water = replace(
            water, polygons=layers.soils.outlines(soils), polygon_soil=np.asarray(layers.soils.array("soil")[soils])
        )
    return TileInputs(
        tile,
        parcels,
        buildings,
        _shapes(layers.downspouts, houses.bounds[more], params.roof.downspout_snap_m),
        tuple(
            KeepAwayThings(kind, distance, _shapes(layer, around, distance + near_lot))
            for (kind, distance), layer in zip(city.keep_away, layers.keep_away, strict=True)
        ),
        _shapes(layers.street_areas, around, near_lot),
        z,
        grid,
        water,
    )


def parcels_frame(layers: Layers, rows: IntArray, city: CityOnDisk) -> gpd.GeoDataFrame:
    """Cleaned parcels of some rows."""
    lots = layers.parcels
    text = ("parcel_id", "address", "land_use", "ground_code")
    flags = ("is_repaired", "n_features", "n_units", "n_joined", "is_stack", "is_overlapped")
    return gpd.GeoDataFrame(
        {
            **{name: lots.text(name, rows) for name in text},
            "street": layers.street[lots.array("street")[rows]],
            **{name: np.asarray(lots.array(name)[rows]) for name in flags},
            "home_id": lots.text("home_id", rows),
            "is_counted": np.asarray(layers.is_counted[rows]),
        },
        geometry=lots.outlines(rows),
        crs=city.crs,
    )


def own_parcels(job: Job, tile: Tile) -> gpd.GeoDataFrame:
    """Cleaned parcels that a tile owns and the run gives an account of."""
    layers = open_layers(job.city.folder, len(job.city.keep_away), has_soil_map=job.has_soil_map)
    return parcels_frame(layers, layers.owned(tile), job.city)


def _shapes(layer: StoredLayer, boxes: FloatArray, distance_m: float) -> ObjectArray:
    """Shapes of a layer near some boxes."""
    return layer.outlines(layer.in_order(layer.hits(boxes, distance_m)))


def _elevation(
    source: ElevationSource, window: tuple[float, float, float, float] | None
) -> tuple[FloatArray, FloatArray]:
    """Elevation in a window and where it lies in the whole raster; nothing where it lies off it."""
    grid = np.array([source.x0_m, source.y0_m, 0.0, 0.0, source.cell_m])
    west, south, east, north = source.bounds_m
    if window is None or not (window[0] < east and window[2] > west and window[1] < north and window[3] > south):
        return np.empty((0, 0)), grid
    part = source.read(window)
    grid[2] = round((source.y0_m - part.y0_m) / source.cell_m)
    grid[3] = round((part.x0_m - source.x0_m) / source.cell_m)
    return part.z_m, grid
