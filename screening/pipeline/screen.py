"""The stages of a tile in their order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from screening import overflow, soils, terrain
from screening.kernels.elevation import sample_many
from screening.kernels.ground import Ground
from screening.outlines import edges_of
from screening.pipeline import tables
from screening.pipeline.geometry import building_setback_m, tile_geometry
from screening.pipeline.tile_data import TileInputs, TileResult
from screening.siting.gardens import Gardens, find_gardens
from screening.siting.open_ground import Kept, some_pairs
from screening.siting.search import Lots, pick_lots, siting_rules
from screening.siting.verify import obeys_rules
from screening.siting.why import Surroundings, explain_refusals

if TYPE_CHECKING:
    from screening.params import Params
    from screening.pipeline.geometry import TileGeometry
    from screening.pipeline.tile_data import ObjectArray
    from screening.pipeline.water import TownWater

IntArray = npt.NDArray[np.int64]


def screen_tile(inputs: TileInputs, params: Params, geometry: TileGeometry | None = None) -> TileResult:
    """Judge every parcel that a tile owns.

    Parameters
    ----------
    inputs : TileInputs
    params : Params
    geometry : TileGeometry, optional
        As `screening.pipeline.tile_geometry` gives it for the same inputs; it is worked out where it is not given.

    Returns
    -------
    TileResult
        One row of ``candidate_homes`` or ``other_parcels`` for each owned parcel, and the layers that belong to it.
    """
    code, text, found = tile_geometry(inputs, params) if geometry is None else geometry
    parcels = inputs.parcels
    owned = parcels["is_owned"].to_numpy(dtype=bool)
    if found is None:
        return TileResult(inputs.tile, tables.only_others(inputs, code, text, owned))
    code, text = code.copy(), text.copy()
    lot_geometry = parcels.geometry.to_numpy()
    footprints = inputs.buildings.geometry.to_numpy()
    rows, plane, roofs = found.rows, found.plane, found.roofs
    land = found.land or terrain.measure(inputs.z_m, inputs.grid, footprints, params.terrain)
    # two columns of a table; of a single row numpy says that they lie close, and the kernel would be compiled once more
    elevation = sample_many(land.z_m, land.ground, land.grid, np.ascontiguousarray(roofs.xy))
    setback = building_setback_m(params)
    kept = [Kept(footprints, found.of_buildings, setback)]
    for things, pairs in zip(inputs.keep_away, found.of_things, strict=True):
        kept.append(Kept(things.geometry, pairs, things.distance_m))

    n = len(rows)
    soil = soil_of_homes(found.open_ground, found.lots, inputs.water, params)
    # without a soil nobody can say how deep a garden may be
    ground_open = found.open_ground.copy()
    ground_open[soil.soil < 0] = shapely.Polygon()
    homes = Lots(
        found.lots,
        ground_open,
        found.origin,
        rows + 1,
        plane.downslope_deg,
        plane.slope_pct,
        np.column_stack([roofs.xy, elevation, roofs.area_m2]),
        roofs.first,
        found.near,
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
    code[unknown] = "soil_unknown"
    text[unknown] = "neither the soil map nor the run file says what soil the lot has"
    failed = np.flatnonzero(has_none & (soil.soil >= 0))
    tightest = np.full(len(parcels), None, dtype=object)
    margin = np.full(len(parcels), np.nan)
    if len(failed):
        lost = pick_lots(homes, failed)
        near_lost = [one._replace(pairs=some_pairs(one.pairs, failed, n)) for one in kept]
        around = Surroundings(building_edges, params.rules.lot_line_m, near_lost[0], tuple(near_lost[1:]))
        why = explain_refusals(lost, around, ground, how, gain)
        words = tables.refusal_texts(why.reason, shapely.area(lost.open_ground), params)
        code[rows[failed]] = why.reason
        text[rows[failed]] = words
        tightest[rows[failed]] = why.tightest
        margin[rows[failed]] = why.margin_m

    context = tables.Context(
        inputs,
        params,
        rows,
        found.houses,
        homes,
        roofs,
        found.pieces,
        found.principal,
        found.n_houses,
        found.n_buildings,
        plane,
        land,
        elevation,
        code,
        text,
        tightest,
        margin,
        owned,
        gardens,
        soil,
    )
    return TileResult(inputs.tile, tables.all_layers(context))


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
