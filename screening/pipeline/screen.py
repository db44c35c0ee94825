"""The stages of a tile in their order."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening import homes as home_stage
from screening import overflow, soils, terrain
from screening.kernels.elevation import sample_many
from screening.kernels.ground import Ground
from screening.outlines import edges_of
from screening.pipeline import tables
from screening.pipeline.home_roofs import Roofs, split_roofs
from screening.pipeline.tile_data import TileInputs, TileResult
from screening.siting.gardens import Gardens, find_gardens
from screening.siting.open_ground import Kept, find_obstacles, nearer, open_ground, some_pairs
from screening.siting.search import Lots, pick_lots, siting_rules
from screening.siting.verify import obeys_rules
from screening.siting.why import Surroundings, explain_refusals

if TYPE_CHECKING:
    from screening.params import Params
    from screening.pipeline.tile_data import FloatArray, ObjectArray
    from screening.pipeline.water import TownWater

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


class Judged(NamedTuple):
    """Codes and words of each parcel of the tile; None where it is a home still in question."""

    code: ObjectArray
    text: ObjectArray


def screen_tile(inputs: TileInputs, params: Params) -> TileResult:
    """Judge every parcel that a tile owns.

    Parameters
    ----------
    inputs : TileInputs
    params : Params

    Returns
    -------
    TileResult
        One row of ``candidate_homes`` or ``other_parcels`` for each owned parcel, and the layers that belong to it.
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
    judged = Judged(*home_stage.reasons(parcels, principal, n_buildings, params.homes))
    # every further step looks only at the owned parcels that are homes
    rows = np.flatnonzero(owned & pd.isna(judged.code))
    if len(rows) == 0:
        return TileResult(inputs.tile, tables.only_others(inputs, judged.code, judged.text, owned))
    houses = largest_polygon(pieces.geometry[principal[rows]])
    lots = home_stage.lot_parts(lot_geometry[rows], houses)
    middle = shapely.centroid(houses)
    origin = np.column_stack([shapely.get_x(middle), shapely.get_y(middle)])

    land = terrain.measure(inputs.z_m, inputs.grid, footprints, params.terrain)
    plane = terrain.house_planes(land, edges_of(houses), edges_of(lots), params.terrain)
    outside = ~inside_raster(origin, inputs.z_m.shape, inputs.grid)
    no_plane = np.isnan(plane.slope_pct) & ~outside
    say(judged, rows[outside], "outside_elevation", "the house lies outside the elevation raster")
    say(judged, rows[no_plane], "elevation_gap", "elevation is missing around the house")
    keep = ~(outside | no_plane)
    rows, houses, lots, origin = rows[keep], houses[keep], lots[keep], origin[keep]
    plane = plane.pick(keep)
    if len(rows) == 0:
        return TileResult(inputs.tile, tables.only_others(inputs, judged.code, judged.text, owned))

    roofs = split_roofs(rows, pieces, principal, inputs.downspouts, params)
    # two columns of a table; of a single row numpy says that they lie close, and the kernel would be compiled once more
    elevation = sample_many(land.z_m, land.ground, land.grid, np.ascontiguousarray(roofs.xy))
    distance = params.rules.foundation_distance_m
    reach = max(distance, params.roof.overhang_m) + 2.0 * float(inputs.grid[4]) + 1.0
    within = find_obstacles(lots, footprints, reach)
    setback = max(0.0, distance - params.roof.overhang_m)
    buildings = Kept(footprints, nearer(lots, footprints, within, setback * 1.01), setback)
    kept = (buildings, *kept_things(inputs, lots))
    ground_open = open_ground(lots, params.rules.lot_line_m, kept)

    n = len(rows)
    soil = soil_of_homes(ground_open, lots, inputs.water, params)
    # without a soil nobody can say how deep a garden may be
    ground_open[soil.soil < 0] = shapely.Polygon()
    homes = Lots(
        lots,
        ground_open,
        origin,
        rows + 1,
        plane.downslope_deg,
        plane.slope_pct,
        np.column_stack([roofs.xy, elevation, roofs.area_m2]),
        roofs.first,
        within,
        np.full(n, setback),
        np.full(n, params.rules.max_run_m),
        np.maximum(soil.soil, 0),
    )
    ground = ground_of(inputs, land, lot_geometry, footprints, setback)
    how, gain, building_edges = siting_rules(params), inputs.water.yields(params), edges_of(footprints)
    gardens = find_gardens(homes, building_edges, ground, how, gain, params.siting)
    gardens = verified(gardens, homes, footprints, inputs, setback, params)

    has_none = np.bincount(gardens.home, minlength=n) == 0
    unknown = rows[has_none & (soil.soil < 0)]
    say(judged, unknown, "soil_unknown", "neither the soil map nor the run file says what soil the lot has")
    failed = np.flatnonzero(has_none & (soil.soil >= 0))
    tightest = np.full(len(parcels), None, dtype=object)
    margin = np.full(len(parcels), np.nan)
    if len(failed):
        lost = pick_lots(homes, failed)
        near_lost = [one._replace(pairs=some_pairs(one.pairs, failed, n)) for one in kept]
        around = Surroundings(building_edges, params.rules.lot_line_m, near_lost[0], tuple(near_lost[1:]))
        why = explain_refusals(lost, around, ground, how, gain)
        words = tables.refusal_texts(why.reason, shapely.area(lost.open_ground), params)
        judged.code[rows[failed]] = why.reason
        judged.text[rows[failed]] = words
        tightest[rows[failed]] = why.tightest
        margin[rows[failed]] = why.margin_m

    context = tables.Context(
        inputs,
        params,
        rows,
        houses,
        homes,
        roofs,
        pieces,
        principal,
        n_houses,
        n_buildings,
        plane,
        land,
        elevation,
        judged.code,
        judged.text,
        tightest,
        margin,
        owned,
        gardens,
        soil,
    )
    return TileResult(inputs.tile, tables.all_layers(context))


def kept_things(inputs: TileInputs, lots: ObjectArray) -> list[Kept]:
    """What gardens keep away from besides buildings, with the things near each lot."""
    return [
        Kept(things.geometry, find_obstacles(lots, things.geometry, things.distance_m), things.distance_m)
        for things in inputs.keep_away
    ]


def say(judged: Judged, rows: IntArray, code: str, text: str) -> None:
    """Note a reason for some parcels."""
    judged.code[rows] = code
    judged.text[rows] = text


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


def ground_of(
    inputs: TileInputs, land: terrain.Terrain, lots: ObjectArray, footprints: ObjectArray, setback_m: float
) -> Ground:
    """The rasters of the search: elevation, lots, drains, and the cells near buildings."""
    shape = land.z_m.shape
    labels = terrain.draw(lots, np.arange(1, len(lots) + 1), land.grid, shape)
    # streets and water among the parcels are nobody's lot: an overflow that reaches them has arrived
    ground_code = inputs.parcels["ground_code"].to_numpy(dtype=object)
    labels[np.isin(labels, 1 + np.flatnonzero(~pd.isna(ground_code)))] = 0
    if len(inputs.street_areas):
        labels[terrain.draw(inputs.street_areas, np.ones(len(inputs.street_areas)), land.grid, shape) > 0] = 0
    drains = np.zeros(shape, dtype=bool)
    water = lots[ground_code == "drainage"]
    if len(water):
        drains |= terrain.draw(water, np.ones(len(water)), land.grid, shape) > 0
    for things in inputs.keep_away:
        if things.kind in overflow.DRAINAGE_KINDS and len(things.geometry):
            drains |= (
                terrain.draw(things.geometry, np.ones(len(things.geometry)), land.grid, shape, all_touched=True) > 0
            )
    # a step is at most a cell's diagonal long, and a cell's centre half of one from its corner
    around = shapely.buffer(footprints, setback_m * 1.1 + 2.2 * float(land.grid[4]), quad_segs=2)
    built = terrain.draw(around, np.ones(len(around)), land.grid, shape) > 0
    return Ground(
        land.z_m, land.ground, land.slope_pct, labels, drains, built, np.zeros(shape, dtype=np.int8), land.grid
    )


def soil_of_homes(open_ground: ObjectArray, lots: ObjectArray, water: TownWater, params: Params) -> soils.GroundSoil:
    """Soil of each home's open ground."""
    town = water.town
    if water.polygons is None or water.polygon_soil is None:
        return soils.soil_everywhere(len(lots), town.default)
    return soils.soil_of_ground(
        open_ground,
        lots,
        water.polygons,
        water.polygon_soil,
        rate_mm_h=town.rate_mm_h,
        default=town.default,
        mixed_frac=params.soil.mixed_frac,
    )


def verified(
    gardens: Gardens,
    homes: Lots,
    footprints: ObjectArray,
    inputs: TileInputs,
    setback_m: float,
    params: Params,
) -> Gardens:
    """Only the gardens that obey every distance rule on the exact outlines, to a tenth of a millimetre.

    This looks at the finished polygons with other means than the search (`screening.siting.verify`); a garden that
    fails is taken out, and its home may become a refusal.
    """
    away = tuple((things.geometry, things.distance_m) for things in inputs.keep_away)
    fine = obeys_rules(gardens, homes, footprints, away, setback_m, params.siting.garden_spacing_m, params.rules)
    return gardens.pick(np.flatnonzero(fine))


__all__ = ["Roofs", "screen_tile"]
