"""Result rows of a tile from what the stages found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from screening.confidence import CELL_GRACE, confidence
from screening.overflow import END_CODE, path_lengths_m, worst
from screening.pipeline.volumes import alternatives, likely_volumes_m3_y, storage_areas_m2
from screening.siting.open_ground import Obstacles
from screening.terrain import bulges_m

if TYPE_CHECKING:
    from screening.homes import Pieces
    from screening.params import Params
    from screening.pipeline.home_roofs import Roofs
    from screening.pipeline.tile_data import FloatArray, ObjectArray, TileInputs
    from screening.siting.gardens import Gardens
    from screening.siting.search import Lots
    from screening.soils import GroundSoil
    from screening.terrain import HousePlane, Terrain

STEEP_PCT = 5.0
"""Above it a garden needs cutting into the slope and a berm (trade guidance; see docs/method/siting.md)."""

SEE_BUILDINGS_M = 30.0

REMNANT_M = 1.0
REMNANT_RING_M = 3.0
"""A bare-earth model goes on under a house as the ground around it does; a mean height this far over the plane of a
ring so wide is a remnant of the building (program defaults) [m]."""


class Context(NamedTuple):
    """What the stages found; ``rows`` are the homes' parcels, everything per home is in that order."""

    inputs: TileInputs
    params: Params
    rows: np.ndarray
    houses: ObjectArray
    homes: Lots
    roofs: Roofs
    pieces: Pieces
    principal: np.ndarray
    n_houses: np.ndarray
    n_buildings: np.ndarray
    plane: HousePlane
    land: Terrain
    elevation: FloatArray
    code: ObjectArray
    text: ObjectArray
    tightest: ObjectArray
    margin: FloatArray
    owned: np.ndarray
    gardens: Gardens
    soil: GroundSoil


def refusal_texts(reason: ObjectArray, open_area_m2: FloatArray, params: Params) -> ObjectArray:
    """Words for each home without a garden, with its numbers."""
    rules = params.rules
    words = {
        "no_open_ground": "the setbacks leave {area:.1f} m2, less than the {least:g} m2 of the smallest garden",
        "too_narrow": "the {area:.1f} m2 of open ground hold no garden of {least:g} m2 and {width:g} m width",
        "elevation_gap": "elevation is missing where a garden would fit",
        "too_steep": "where a garden would fit the ground is steeper than {slope:g} %",
        "run_too_long": "where a garden would fit every downspout is more than {run:g} m away",
        "no_downhill_place": "no downspout has {fall:g} % of fall to a place where a garden would fit",
        "run_blocked": "every straight way from a downspout to a garden crosses a building or leaves the lot",
        "overflow_to_building": "where a garden would fit its overflow would run into the setback of a building",
    }
    return np.array(
        [
            words[code].format(
                area=area,
                least=rules.min_garden_area_m2,
                width=rules.min_garden_width_m,
                slope=rules.max_slope_pct,
                run=rules.max_run_m,
                fall=rules.min_fall_pct,
            )
            for code, area in zip(reason, open_area_m2, strict=True)
        ],
        dtype=object,
    )


def frame(data: dict[str, Any], geometry: Any, crs: Any) -> gpd.GeoDataFrame:
    """A layer's rows."""
    return gpd.GeoDataFrame(data, geometry=np.asarray(geometry, dtype=object), crs=crs)


def other_parcels(
    seen: gpd.GeoDataFrame, code: ObjectArray, text: ObjectArray, owned: np.ndarray, **extra: ObjectArray
) -> gpd.GeoDataFrame:
    """Rows of the owned parcels with a reason."""
    pick = np.flatnonzero(owned & ~pd.isna(code))
    parcels = seen.iloc[pick]
    none = np.full(len(seen), None, dtype=object)
    return frame(
        {
            "parcel_id": parcels["parcel_id"].to_numpy(dtype=object),
            "address": parcels["address"].to_numpy(dtype=object),
            "reason_code": code[pick],
            "reason_text": text[pick],
            "tightest_rule_code": extra.get("tightest", none)[pick],
            "tightest_margin_m": extra.get("margin", np.full(len(none), np.nan))[pick],
            "alternative_code": extra.get("alternative", none)[pick],
            "alternative_m3_y": extra.get("alternative_volume", np.full(len(none), np.nan))[pick],
            "area_m2": shapely.area(parcels.geometry.to_numpy()),
            "home_id": extra.get("home_id", none)[pick],
        },
        parcels.geometry.to_numpy(),
        seen.crs,
    )


def only_others(inputs: TileInputs, code: ObjectArray, text: ObjectArray, owned: np.ndarray) -> dict[str, pd.DataFrame]:
    """Layers of a tile without a home in question."""
    return {"other_parcels": other_parcels(inputs.parcels, code, text, owned)}


def all_layers(c: Context) -> dict[str, pd.DataFrame]:
    """Every layer of a tile but the streets; without ranks."""
    crs = c.inputs.parcels.crs
    home_id = c.inputs.parcels["home_id"].to_numpy(dtype=object)[c.rows]
    g = c.gardens
    n = len(c.rows)
    served = g.spout_garden >= 0
    spout_home = np.repeat(np.arange(n), np.diff(c.roofs.first))
    number = np.arange(len(g.home)) - np.searchsorted(g.home, g.home)
    garden_id = np.array([f"{home_id[h]}-g{k + 1}" for h, k in zip(g.home, number, strict=True)], dtype=object)
    spout_number = np.arange(len(spout_home)) - c.roofs.first[spout_home]
    spout_id = np.array([f"{home_id[h]}-d{k + 1}" for h, k in zip(spout_home, spout_number, strict=True)], dtype=object)

    def per_garden(values: FloatArray) -> FloatArray:
        """Sum over the downspouts that each garden serves."""
        total = np.bincount(g.spout_garden[served], weights=values[served], minlength=len(g.home))
        return np.asarray(total, dtype=float)

    treated = per_garden(c.roofs.area_m2)
    treated_gable = per_garden(c.roofs.gable_area_m2)
    area = shapely.area(g.geometry) if len(g.home) else np.empty(0)
    water = c.inputs.water
    soil = c.homes.soil[g.home]
    depth = water.depth_mm[soil, g.band]
    rate = water.town.rate_mm_h[soil]
    stored = storage_areas_m2(c, area, depth)
    storage = stored * depth / 1000.0
    drawdown = depth / rate
    likely = likely_volumes_m3_y(c, soil, stored, treated)
    soil_name = np.array([one.name for one in water.town.classes], dtype=object)[soil]
    end = np.array([END_CODE[int(code)] for code in g.end], dtype=object)
    fall = np.full(len(g.home), np.inf)
    np.minimum.at(fall, g.spout_garden[served], g.fall_m[served])
    run = np.zeros(len(g.home))
    np.maximum.at(run, g.spout_garden[served], g.run_m[served])

    own_dist, other_dist, seen = building_distances(c)
    gardens = frame(
        {
            "garden_id": garden_id,
            "home_id": home_id[g.home],
            "shape_code": np.where(g.is_free, "free", "rectangle"),
            "area_m2": area,
            "length_m": g.length_m,
            "width_m": g.width_m,
            "long_axis_deg": (90.0 - np.degrees(g.angle_rad)) % 180.0,
            "slope_pct": g.slope_pct,
            "ponding_depth_mm": depth,
            "own_building_dist_m": own_dist,
            "other_building_dist_m": other_dist,
            "lot_line_dist_m": shapely.distance(shapely.boundary(c.homes.lot[g.home]), g.geometry)
            if len(g.home)
            else np.empty(0),
            "n_downspouts": np.bincount(g.spout_garden[served], minlength=len(g.home)),
            "treated_roof_m2": treated,
            "fall_m": fall,
            "run_m": run,
            "storage_m3": storage,
            "drawdown_h": drawdown,
            "all_likely_m3_y": likely,
            "overflow_code": end,
            "elev_m": g.elev_m,
            "storage_area_m2": stored,
            "treated_roof_gable_m2": treated_gable,
            "soil_class": soil_name,
            "soil_rate_mm_h": rate,
        },
        g.geometry,
        crs,
    )
    candidates = candidate_rows(c, gardens, home_id, end)
    is_candidate = np.bincount(g.home, minlength=n) > 0
    of_candidate = is_candidate[spout_home]
    building_id = c.inputs.buildings["building_id"].to_numpy(dtype=object)
    spout_building = building_id[c.pieces.building[c.roofs.piece]]
    garden_of_spout = np.append(garden_id, np.array([None], dtype=object))[g.spout_garden]
    downspouts = frame(
        {
            "downspout_id": spout_id,
            "home_id": home_id[spout_home],
            "is_measured": c.roofs.is_measured,
            "roof_area_m2": c.roofs.area_m2,
            "roof_frac": c.roofs.area_m2 / c.roofs.roof_area_m2[spout_home],
            "garden_id": garden_of_spout,
            "ground_elev_m": c.elevation,
            "building_id": spout_building,
        },
        shapely.points(c.roofs.xy),
        crs,
    )[of_candidate]
    runs = frame(
        {
            "home_id": home_id[spout_home[served]],
            "downspout_id": spout_id[served],
            "garden_id": garden_of_spout[served],
            "length_m": g.run_m[served],
            "fall_m": g.fall_m[served],
        },
        shapely.linestrings(np.stack([c.roofs.xy[served], g.run_end[served]], axis=1)) if served.any() else [],
        crs,
    )
    layers: dict[str, pd.DataFrame] = {
        "candidate_homes": candidates,
        "gardens": gardens,
        "downspouts": downspouts,
        "inlet_runs": runs,
        "overflow_paths": overflow_rows(c, gardens, garden_id, home_id, end),
    }
    instead = alternatives(c)
    ids = np.full(len(c.inputs.parcels), None, dtype=object)
    ids[c.rows] = home_id
    alternative = np.full(len(ids), None, dtype=object)
    alternative[c.rows] = instead.code
    alternative_volume = np.full(len(ids), np.nan)
    alternative_volume[c.rows] = instead.diverted_m3_y
    layers["other_parcels"] = other_parcels(
        c.inputs.parcels,
        c.code,
        c.text,
        c.owned,
        tightest=c.tightest,
        margin=c.margin,
        alternative=alternative,
        alternative_volume=alternative_volume,
        home_id=ids,
    )
    if c.params.output.detail == "full":
        layers["buildings"] = frame(
            {
                "building_id": building_id[c.pieces.building[seen.thing]],
                "home_id": home_id[seen.lot],
                "role_code": roles(c, seen),
                "area_m2": c.pieces.area_m2[seen.thing],
            },
            c.pieces.geometry[seen.thing],
            crs,
        )
        with_part = of_candidate & ~shapely.is_missing(c.roofs.part)
        layers["roof_parts"] = frame(
            {
                "downspout_id": spout_id[with_part],
                "home_id": home_id[spout_home[with_part]],
                "area_m2": c.roofs.area_m2[with_part],
            },
            c.roofs.part[with_part],
            crs,
        )
        ground = c.homes.open_ground[is_candidate]
        layers["open_ground"] = frame({"home_id": home_id[is_candidate], "area_m2": shapely.area(ground)}, ground, crs)
    return layers


def roles(c: Context, seen: Obstacles) -> ObjectArray:
    """What each seen building is to the home."""
    own = c.pieces.parcel[seen.thing] == c.rows[seen.lot]
    is_house = seen.thing == c.principal[c.rows[seen.lot]]
    return np.where(is_house, "principal", np.where(own, "other", "neighbour")).astype(object)


def building_distances(c: Context) -> tuple[FloatArray, FloatArray, Obstacles]:
    """Distance of each garden to the nearest own and other building; the buildings worth showing with each home.

    Worth showing are all on a candidate's lot, and those of others that stand near a garden.
    """
    g, pieces = c.gardens, c.pieces
    boxes = shapely.bounds(g.geometry).reshape(-1, 4) + np.array([-1.0, -1.0, 1.0, 1.0]) * SEE_BUILDINGS_M
    garden, piece = shapely.STRtree(pieces.geometry).query(shapely.box(*boxes.T))
    distance = shapely.distance(g.geometry[garden], pieces.geometry[piece])
    near = distance <= SEE_BUILDINGS_M
    garden, piece, distance = garden[near], piece[near], distance[near]
    is_own = pieces.parcel[piece] == c.rows[g.home[garden]]
    out = []
    for mine in (True, False):
        nearest = np.full(len(g.home), np.inf)
        use = is_own == mine
        np.minimum.at(nearest, garden[use], distance[use])
        nearest[np.isinf(nearest)] = np.nan
        out.append(nearest)
    candidate = np.full(len(c.code), -1, dtype=np.int64)
    candidate[c.rows[g.home]] = g.home
    own = np.flatnonzero((pieces.parcel >= 0) & (candidate[pieces.parcel] >= 0))
    lot = candidate[pieces.parcel[own]]
    # another part of a lot may lie far away
    close = shapely.distance(c.homes.lot[lot], pieces.geometry[own]) <= SEE_BUILDINGS_M
    n = max(1, len(pieces.parcel))
    shown = np.unique(np.concatenate([g.home[garden] * n + piece, lot[close] * n + own[close]]))
    return out[0], out[1], Obstacles(*np.divmod(shown, n))


def overflow_rows(
    c: Context, gardens: gpd.GeoDataFrame, garden_id: ObjectArray, home_id: ObjectArray, end: ObjectArray
) -> gpd.GeoDataFrame:
    """Ways of the overflow with a length and a fall; a way of one point ends where it began and is left out."""
    g = c.gardens
    length = path_lengths_m(g.path)
    rows = np.flatnonzero(length > 0.0)
    count = np.array([len(g.path[k]) for k in rows], dtype=np.int64)
    xy = np.concatenate([g.path[k] for k in rows]) if len(rows) else np.empty((0, 2))
    last = xy[np.cumsum(count) - 1]
    x0, y0, row, col, cell = c.land.grid
    r = np.floor((y0 - last[:, 1]) / cell - row).astype(np.int64)
    q = np.floor((last[:, 0] - x0) / cell - col).astype(np.int64)
    return frame(
        {
            "home_id": home_id[g.home[rows]],
            "garden_id": garden_id[rows],
            "end_code": end[rows],
            "length_m": length[rows],
            "drop_m": g.elev_m[rows] - c.land.z_m[r, q],
        },
        shapely.linestrings(xy, indices=np.repeat(np.arange(len(rows)), count)) if len(rows) else [],
        gardens.crs,
    )


def candidate_rows(
    c: Context,
    gardens: gpd.GeoDataFrame,
    home_id: ObjectArray,
    end: ObjectArray,
) -> gpd.GeoDataFrame:
    """One row per home with a garden."""
    g = c.gardens
    n = len(c.rows)
    is_candidate = np.bincount(g.home, minlength=n) > 0
    pick = np.flatnonzero(is_candidate)
    parcels = c.inputs.parcels.iloc[c.rows[pick]]

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(g.home, weights=values, minlength=n)[pick])

    treated = total(gardens["treated_roof_m2"].to_numpy())
    roof = c.roofs.roof_area_m2[pick]
    overflow = np.array([worst(end[g.home == h]) for h in pick], dtype=object)
    measured = np.array(
        [bool(c.roofs.is_measured[c.roofs.first[h] : c.roofs.first[h + 1]].all()) for h in pick], dtype=bool
    )
    drawdown = np.zeros(n)
    np.maximum.at(drawdown, g.home, gardens["drawdown_h"].to_numpy())
    fall = np.full(n, np.inf)
    np.minimum.at(fall, g.home, gardens["fall_m"].to_numpy())
    sure = confidence(
        cell_m=float(c.land.grid[4]),
        warn_cell_m=c.params.siting.warn_cell_m,
        max_cell_m=c.params.siting.max_cell_m,
        is_measured=measured,
        is_form_known=c.params.roof.form != "unknown",
        is_rain_assumed=c.inputs.water.is_rain_assumed,
        slope_pct=c.plane.slope_pct[pick],
        fit_frac=c.plane.fit_frac[pick],
        fall_m=fall[pick],
        overflow_code=overflow,
    )
    building_id = c.inputs.buildings["building_id"].to_numpy(dtype=object)
    return frame(
        {
            "home_id": home_id[pick],
            "parcel_id": parcels["parcel_id"].to_numpy(dtype=object),
            "address": parcels["address"].to_numpy(dtype=object),
            "street": parcels["street"].to_numpy(dtype=object),
            "building_id": building_id[c.pieces.building[c.principal[c.rows[pick]]]],
            "roof_area_m2": roof,
            "n_downspouts": np.diff(c.roofs.first)[pick],
            "ground_slope_pct": c.plane.slope_pct[pick],
            "downslope_deg": c.plane.downslope_deg[pick],
            "parcel_area_m2": shapely.area(parcels.geometry.to_numpy()),
            "open_area_m2": shapely.area(c.homes.open_ground[pick]),
            "n_gardens": np.bincount(g.home, minlength=n)[pick],
            "garden_area_m2": total(gardens["area_m2"].to_numpy()),
            "treated_roof_m2": treated,
            "treated_roof_frac": np.minimum(treated / roof, 1.0),
            "storage_m3": total(gardens["storage_m3"].to_numpy()),
            "drawdown_h": drawdown[pick],
            "runoff_roof_m3_y": roof * c.inputs.water.runoff_mm_y / 1000.0,
            "all_likely_m3_y": total(gardens["all_likely_m3_y"].to_numpy()),
            "overflow_code": overflow,
            "confidence_frac": sure,
            "flags": home_flags(c, pick, measured, overflow),
            "slope_fit_frac": c.plane.fit_frac[pick],
            "soil_class": np.array([one.name for one in c.inputs.water.town.classes], dtype=object)[c.homes.soil[pick]],
            "soil_rate_mm_h": c.inputs.water.town.rate_mm_h[c.homes.soil[pick]],
        },
        parcels.geometry.to_numpy(),
        c.inputs.parcels.crs,
    )


def home_flags(c: Context, pick: np.ndarray, measured: np.ndarray, overflow: ObjectArray) -> ObjectArray:
    """Codes of what to know about each candidate, in a fixed order, joined by ``;``."""
    g = c.gardens
    n = len(c.rows)

    def any_garden(is_so: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(g.home[is_so], minlength=n)[pick] > 0)

    area = shapely.area(g.geometry) if len(g.home) else np.empty(0)
    lot_box = shapely.bounds(c.homes.lot[pick])
    parcels = c.inputs.parcels.iloc[c.rows[pick]]
    cell = float(c.land.grid[4])
    principal = c.principal[c.rows[pick]]
    house_repaired = c.inputs.buildings["is_repaired"].to_numpy(dtype=bool)[c.pieces.building[principal]]
    table = {
        "rain_assumed": np.full(len(pick), c.inputs.water.is_rain_assumed),
        "coarse_elevation": np.full(len(pick), cell > c.params.siting.warn_cell_m * CELL_GRACE),
        "downspouts_assumed": ~measured,
        "roof_form_assumed": np.full(len(pick), c.params.roof.form == "unknown"),
        "neighbour_overflow": any_garden(np.array([END_CODE[int(e)] == "neighbour_lot" for e in g.end], dtype=bool)),
        "low_spot_overflow": any_garden(np.array([END_CODE[int(e)] == "own_low_spot" for e in g.end], dtype=bool)),
        "falls_toward_house": c.plane.falls_toward_house[pick],
        "steep_ground": any_garden(g.slope_pct > STEEP_PCT),
        "geometry_repaired": parcels["is_repaired"].to_numpy(dtype=bool) | house_repaired,
        "elevation_filled": filled_near(c, lot_box),
        "small_garden": any_garden(area < 0.9 * g.target_m2),
        "several_buildings": c.n_buildings[c.rows[pick]] > 1,
        "split_building": c.pieces.is_split[principal],
        "house_over_lots": over_lots(c, pick),
        "lots_joined": parcels["n_joined"].to_numpy() > 0,
        "lot_overlapped": parcels["is_overlapped"].to_numpy(dtype=bool),
        "house_in_elevation": bulges_m(c.land, c.houses[pick], REMNANT_RING_M + cell) > REMNANT_M,
        "long_trace": overflow == "own_ground",
        "soil_mixed": c.soil.is_mixed[pick],
        "soil_outside": c.soil.is_outside[pick],
    }
    names = list(table)
    grid = np.column_stack([np.asarray(table[name], dtype=bool) for name in names])
    return np.array([";".join(n for n, on in zip(names, row, strict=True) if on) or None for row in grid], dtype=object)


def over_lots(c: Context, pick: np.ndarray) -> np.ndarray:
    """Whether the house stands on several lots that are no neighbours in a row: one of them is no home of its own.

    A row house is divided along lot lines into parts of homes with an address each.
    """
    address = c.inputs.parcels["address"].to_numpy(dtype=object)
    principal = c.principal[c.rows[pick]]
    split = c.pieces.is_split
    parts = pd.DataFrame({"building": c.pieces.building[split], "address": address[c.pieces.parcel[split]]})
    doubtful = parts["address"].isna() | parts.duplicated(keep=False)
    if not parts["address"].notna().any():
        # without addresses nobody can tell
        doubtful[:] = False
    is_divided = c.pieces.is_split[principal]
    in_doubt = np.isin(c.pieces.building[principal], parts["building"][doubtful])
    return np.asarray((c.pieces.n_lots[principal] > 1) & (~is_divided | in_doubt))


def filled_near(c: Context, boxes: FloatArray) -> np.ndarray:
    """Whether small holes in the elevation were filled within each lot's bounding box (n, 4)."""
    if not c.land.filled.any():
        return np.zeros(len(boxes), dtype=bool)
    x0, y0, row, col, cell = c.land.grid
    r, q = np.nonzero(c.land.filled)
    points = shapely.points(x0 + (col + q + 0.5) * cell, y0 - (row + r + 0.5) * cell)
    tree = shapely.STRtree(points)
    lot, _ = tree.query(shapely.box(*boxes.T), predicate="intersects")
    out = np.zeros(len(boxes), dtype=bool)
    out[lot] = True
    return out
