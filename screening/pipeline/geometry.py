"""What the outlines and the ground of a tile say of its lots, whatever rain falls and whatever soil lies there."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening import homes as home_stage
from screening import terrain
from screening.outlines import edges_of
from screening.pipeline.home_roofs import Roofs, split_roofs
from screening.siting.open_ground import Kept, Obstacles, find_obstacles, nearer, open_ground

if TYPE_CHECKING:
    from screening.homes import Pieces
    from screening.params import Params
    from screening.pipeline.tile_data import FloatArray, ObjectArray, TileInputs
    from screening.terrain import HousePlane, Terrain

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


class HomeGeometry(NamedTuple):
    """The parcels of a tile that are homes; arrays are per home but for what is said.

    Attributes
    ----------
    rows : (n,) int array
        Parcel of each home.
    houses, lots : (n,) array of polygons
        The house, and the part of the lot that holds it [m].
    origin : (n, 2) array
        Middle of the house [m].
    pieces : Pieces
        Every building near the tile's parcels, divided along lot lines.
    principal, n_buildings, n_houses : (parcels,) int array
        As `screening.homes.principal_pieces` gives them.
    plane : HousePlane
    roofs : Roofs
    near : Obstacles
        Buildings that matter to each lot.
    of_buildings : Obstacles
        Buildings whose setback takes ground of each lot.
    of_things : tuple of Obstacles
        The same for each layer of things that a garden keeps away from.
    open_ground : (n,) array of polygons
        Where the distance rules allow a garden [m].
    land : Terrain or None
        The window's rasters; None where they are to be drawn anew: too large to keep on disk.
    """

    rows: IntArray
    houses: ObjectArray
    lots: ObjectArray
    origin: FloatArray
    pieces: Pieces
    principal: IntArray
    n_buildings: IntArray
    n_houses: IntArray
    plane: HousePlane
    roofs: Roofs
    near: Obstacles
    of_buildings: Obstacles
    of_things: tuple[Obstacles, ...]
    open_ground: ObjectArray
    land: Terrain | None


class TileGeometry(NamedTuple):
    """The geometry of a tile.

    Attributes
    ----------
    code, text : (parcels,) array of str or None
        Why a parcel is no home, None where it is one.
    homes : HomeGeometry or None
        None where there are none.
    """

    code: ObjectArray
    text: ObjectArray
    homes: HomeGeometry | None


def tile_geometry(inputs: TileInputs, params: Params) -> TileGeometry:
    """Work out the geometry of a tile.

    Parameters
    ----------
    inputs : TileInputs
        Its rain and soils are not looked at.
    params : Params
        Those of rain, soil, sizing and search are not looked at; `screening.batch.basis` names them.
    """
    parcels = inputs.parcels
    lot_geometry = parcels.geometry.to_numpy()
    footprints = inputs.buildings.geometry.to_numpy()
    kinds = inputs.buildings["building_type"].to_numpy(dtype=object)
    owned = parcels["is_owned"].to_numpy(dtype=bool)

    pieces = home_stage.assign_buildings(
        lot_geometry, footprints, params.homes, parcels["ground_code"].isna().to_numpy(dtype=bool)
    )
    principal, n_buildings, n_houses = home_stage.principal_pieces(pieces, kinds, len(parcels), params.homes)
    code, text = home_stage.reasons(parcels, principal, n_buildings, params.homes)
    # every further step looks only at the owned parcels that are homes
    rows = np.flatnonzero(owned & pd.isna(code))
    if len(rows) == 0:
        return TileGeometry(code, text, None)
    houses = largest_polygon(pieces.geometry[principal[rows]])
    lots = home_stage.lot_parts(lot_geometry[rows], houses)
    middle = shapely.centroid(houses)
    origin = np.column_stack([shapely.get_x(middle), shapely.get_y(middle)])

    land = terrain.measure(inputs.z_m, inputs.grid, footprints, params.terrain)
    plane = terrain.house_planes(land, edges_of(houses), edges_of(lots), params.terrain)
    outside = ~inside_raster(origin, inputs.z_m.shape, inputs.grid)
    no_plane = np.isnan(plane.slope_pct) & ~outside
    code[rows[outside]], text[rows[outside]] = "outside_elevation", "the house lies outside the elevation raster"
    code[rows[no_plane]], text[rows[no_plane]] = "elevation_gap", "elevation is missing around the house"
    keep = ~(outside | no_plane)
    rows, houses, lots, origin = rows[keep], houses[keep], lots[keep], origin[keep]
    plane = plane.pick(keep)
    if len(rows) == 0:
        return TileGeometry(code, text, None)

    roofs = split_roofs(rows, pieces, principal, inputs.downspouts, params)
    reach = max(params.rules.foundation_distance_m, params.roof.overhang_m) + 2.0 * float(inputs.grid[4]) + 1.0
    near = find_obstacles(lots, footprints, reach)
    setback = building_setback_m(params)
    buildings = Kept(footprints, nearer(lots, footprints, near, setback * 1.01), setback)
    things = [
        Kept(one.geometry, find_obstacles(lots, one.geometry, one.distance_m), one.distance_m)
        for one in inputs.keep_away
    ]
    homes = HomeGeometry(
        rows,
        houses,
        lots,
        origin,
        pieces,
        principal,
        n_buildings,
        n_houses,
        plane,
        roofs,
        near,
        buildings.pairs,
        tuple(one.pairs for one in things),
        open_ground(lots, params.rules.lot_line_m, (buildings, *things)),
        land,
    )
    return TileGeometry(code, text, homes)


def building_setback_m(params: Params) -> float:
    """What a garden keeps from the outline of a roof [m]: the distance in force counts from the wall."""
    return max(0.0, params.rules.foundation_distance_m - params.roof.overhang_m)


def largest_polygon(geometry: ObjectArray) -> ObjectArray:
    """The largest polygon of each geometry: a divided row house may keep crumbs beyond its neighbour."""
    out = geometry.copy()
    for i in np.flatnonzero(shapely.get_type_id(out) == shapely.GeometryType.MULTIPOLYGON):
        parts = shapely.get_parts(out[i])
        out[i] = parts[int(np.argmax(shapely.area(parts)))]
    return out


def inside_raster(xy: FloatArray, shape: tuple[int, ...], grid: FloatArray) -> BoolArray:
    """Whether points (n, 2) lie in the window."""
    if 0 in shape:
        return np.zeros(len(xy), dtype=bool)
    col = (xy[:, 0] - grid[0]) / grid[4] - grid[3]
    row = (grid[1] - xy[:, 1]) / grid[4] - grid[2]
    return np.asarray((col >= 0) & (row >= 0) & (col < shape[1]) & (row < shape[0]))
