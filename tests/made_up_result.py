"""A small result with invented geometry and numbers that follow from each other, for tests of writing and showing."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely import affinity

from screening import columns, soils
from screening.confidence import confidence
from screening.params import load_params

CRS = pyproj.CRS.from_epsg(26915)
X0_M, Y0_M = 480_000.0, 4_980_000.0
RUNOFF_MM_Y = 620.0
RATE_MM_H = 7.6
SOIL = "7.6 mm/h"
YEARS = (2011, 2012, 2013, 2015)

LIKELY_FRAC, LOW_FRAC, HIGH_FRAC = 0.9, 0.6, 1.2
"""The home's points of the draws, over its volume with every cause at its likely value."""

FOUNDATION_M = 3.05
LOT_LINE_M = 1.52


def place(geometry, angle_deg=12.0):
    """From the street block's own metres to the working CRS, turned a little as real blocks are."""
    turned = affinity.rotate(geometry, angle_deg, origin=(0, 0))
    rounded = shapely.set_precision(affinity.translate(turned, X0_M, Y0_M), 1e-5)
    # The grid would stay with the shape and round whatever is made from it.
    return shapely.set_precision(rounded, 0.0)


def frame(layer_name, rows, geometry):
    """A frame of a layer, columns that a row leaves out null."""
    names = columns.layer(layer_name).column_names
    data = {name: [row.get(name) for row in rows] for name in names}
    return gpd.GeoDataFrame(pd.DataFrame(data), geometry=list(geometry), crs=CRS)


LOT_1 = shapely.box(0, 0, 22, 40)
HOUSE_1 = shapely.Polygon([(5, 12), (16, 12), (16, 20), (12, 20), (12, 24), (5, 24)])
SHED_1 = shapely.box(17, 33, 20, 36)
LOT_2 = shapely.box(22, 0, 44, 40)
HOUSE_2 = shapely.box(27, 11, 37, 22)
LOT_3 = shapely.box(-22, 0, 0, 40)
HOUSE_3 = shapely.box(-15, 12, -4, 23)
LOT_4 = shapely.box(44, 0, 52, 40)


def _roof_parts(house, spouts):
    """Parts of a roof by the nearest downspout; good enough for a picture."""
    cells = shapely.voronoi_polygons(shapely.MultiPoint(spouts), extend_to=house.buffer(5))
    parts = {}
    for cell in shapely.get_parts(cells):
        for number, spout in enumerate(spouts):
            if cell.intersects(shapely.Point(spout)):
                parts[number] = cell.intersection(house)
    return [parts[number] for number in range(len(spouts))]


HOMES = (
    {
        "home_id": "h-0017",
        "parcel_id": "0017",
        "address": "17 Alder Street",
        "lot": LOT_1,
        "house": HOUSE_1,
        "others": [SHED_1],
        "spouts": [(5, 12), (16, 12), (16, 20), (5, 24)],
        "served": {0: 1, 1: 0, 2: 0},
        "gardens": [
            ("rectangle", shapely.box(9, 2.4, 16.3, 6.0)),
            ("free", shapely.Polygon([(1.6, 2.0), (4.4, 1.7), (5.4, 3.4), (4.6, 6.2), (2.2, 6.8), (1.6, 4.5)])),
        ],
        "ends": ["street", "neighbour_lot"],
        "flags": "downspouts_assumed;roof_form_assumed;neighbour_overflow",
    },
    {
        "home_id": "h-0018",
        "parcel_id": "0018",
        "address": "19 Alder Street",
        "lot": LOT_2,
        "house": HOUSE_2,
        "others": [],
        "spouts": [(27, 11), (37, 22)],
        "served": {0: 0},
        "gardens": [("rectangle", shapely.box(28, 3, 36, 7))],
        "ends": ["street"],
        "flags": "",
    },
)


def layers():
    """All layers of the made-up result."""
    homes, gardens, spouts, runs, paths, buildings, parts, ground = ([] for _ in range(8))
    for rank, home in enumerate(HOMES, start=1):
        _add_home(rank, home, homes, gardens, spouts, runs, paths, buildings, parts, ground)
    neighbours = [("b-3", "h-0017", HOUSE_3), ("b-2", "h-0017", HOUSE_2), ("b-1", "h-0018", HOUSE_1)]
    for building_id, home_id, outline in neighbours:
        row = {"building_id": building_id, "home_id": home_id, "role_code": "neighbour", "area_m2": outline.area}
        buildings.append((row, shapely.MultiPolygon([outline])))
    others = [
        (
            {
                "parcel_id": "0016",
                "home_id": "h-0016",
                "address": "15 Alder Street",
                "reason_code": "too_steep",
                "reason_text": "every place of 4.6 m2 has ground steeper than 12 %; the gentlest has 14.2 %",
                "tightest_rule_code": "slope",
                "alternative_code": "barrel",
                "alternative_m3_y": 31.4,
                "area_m2": LOT_3.area,
            },
            shapely.MultiPolygon([LOT_3]),
        ),
        (
            {
                "parcel_id": "0019",
                "reason_code": "no_building",
                "reason_text": "no building touches this parcel",
                "area_m2": LOT_4.area,
            },
            shapely.MultiPolygon([LOT_4]),
        ),
        ({"parcel_id": "0020", "reason_code": "bad_geometry", "reason_text": "no outline in the input"}, None),
        ({"parcel_id": "00'20", "reason_code": "bad_geometry", "reason_text": "an id with a quote"}, None),
    ]
    streets = [
        (
            {
                "street": "Alder Street",
                "n_candidates": 2,
                "n_gardens": 3,
                "diverted_m3_y": sum(row["diverted_m3_y"] for row, _ in homes),
                "diverted_low_m3_y": sum(row["diverted_low_m3_y"] for row, _ in homes),
                "diverted_high_m3_y": sum(row["diverted_high_m3_y"] for row, _ in homes),
                "main_cause_code": "rain_year",
                "main_cause_frac": 0.62,
                "length_m": 80.0,
            },
            shapely.MultiLineString([[(-30, -3.5), (50, -3.5)]]),
        )
    ]
    districts = [
        (
            {
                "district": "Alder Creek",
                "n_candidates": 2,
                "n_gardens": 3,
                "runoff_roof_m3_y": sum(row["runoff_roof_m3_y"] for row, _ in homes),
                "diverted_m3_y": sum(row["diverted_m3_y"] for row, _ in homes),
                "diverted_low_m3_y": sum(row["diverted_low_m3_y"] for row, _ in homes),
                "diverted_high_m3_y": sum(row["diverted_high_m3_y"] for row, _ in homes),
                "main_cause_code": "rain_year",
                "main_cause_frac": 0.62,
            },
            shapely.MultiPolygon([shapely.box(-30, -10, 60, 50)]),
        )
    ]
    found = {
        "candidate_homes": homes,
        "gardens": gardens,
        "downspouts": spouts,
        "inlet_runs": runs,
        "overflow_paths": paths,
        "buildings": buildings,
        "roof_parts": parts,
        "open_ground": ground,
        "other_parcels": others,
        "streets": streets,
        "districts": districts,
    }
    merged = {
        "parcel_id": ["0018"],
        "address": ["19 Alder Street"],
        "merge_code": ["duplicate"],
        "kept_parcel_id": ["0018"],
    }
    return {
        name: frame(
            name, [row for row, _ in pairs], [place(shape) if shape is not None else None for _, shape in pairs]
        )
        for name, pairs in found.items()
    } | {"merged_parcels": pd.DataFrame(merged)}


def _add_home(rank, home, homes, gardens, spouts, runs, paths, buildings, parts, ground):
    home_id, roof = home["home_id"], home["house"].area
    pieces = _roof_parts(home["house"], home["spouts"])
    treated = [0.0] * len(home["gardens"])
    for number, (spout, piece) in enumerate(zip(home["spouts"], pieces, strict=True)):
        served = home["served"].get(number)
        spout_id = f"{home_id}-d{number + 1}"
        garden_id = None if served is None else f"{home_id}-g{served + 1}"
        row = {
            "downspout_id": spout_id,
            "home_id": home_id,
            "is_measured": "downspouts_assumed" not in home["flags"],
            "roof_area_m2": piece.area,
            "roof_frac": piece.area / roof,
            "garden_id": garden_id,
            "ground_elev_m": 271.0,
            "building_id": f"b-{rank}",
        }
        spouts.append((row, shapely.Point(spout)))
        parts.append(({"downspout_id": spout_id, "home_id": home_id, "area_m2": piece.area}, _multi(piece)))
        if served is not None:
            treated[served] += piece.area
            garden = home["gardens"][served][1]
            line = shapely.shortest_line(shapely.Point(spout), garden)
            row = {"home_id": home_id, "downspout_id": spout_id, "garden_id": garden_id}
            runs.append((row | {"length_m": line.length, "fall_m": 0.02 * line.length}, line))
    obstacles = shapely.union_all([home["house"], *home["others"], HOUSE_1, HOUSE_2, HOUSE_3])
    allowed = home["lot"].buffer(-LOT_LINE_M, join_style="mitre").difference(obstacles.buffer(FOUNDATION_M))
    ground.append(({"home_id": home_id, "area_m2": allowed.area}, _multi(allowed)))
    for role, outline in [("principal", home["house"]), *(("other", other) for other in home["others"])]:
        building_id = f"b-{rank}" if role == "principal" else f"b-{rank}-shed"
        row = {"building_id": building_id, "home_id": home_id, "role_code": role, "area_m2": outline.area}
        buildings.append((row, _multi(outline)))
    kept = []
    for number, ((shape_code, bed), end) in enumerate(zip(home["gardens"], home["ends"], strict=True)):
        inflow = treated[number] * RUNOFF_MM_Y / 1000.0
        fraction = 1 - np.exp(-8.0 * bed.area / treated[number])
        kept.append(inflow * fraction)
        box = shapely.minimum_rotated_rectangle(bed)
        sides = sorted(np.hypot(*np.diff(shapely.get_coordinates(box)[:3], axis=0).T))
        garden_id = f"{home_id}-g{number + 1}"
        garden_runs = [row for row, _ in runs if row["garden_id"] == garden_id]
        row = {
            "garden_id": garden_id,
            "home_id": home_id,
            "shape_code": shape_code,
            "area_m2": bed.area,
            "length_m": sides[1],
            "width_m": sides[0],
            "long_axis_deg": 78.0,
            "slope_pct": 2.4,
            "ponding_depth_mm": 100.0,
            "own_building_dist_m": bed.distance(home["house"]),
            "other_building_dist_m": bed.distance(HOUSE_3),
            "lot_line_dist_m": bed.distance(home["lot"].exterior),
            "n_downspouts": len(garden_runs),
            "treated_roof_m2": treated[number],
            "fall_m": min(run["fall_m"] for run in garden_runs),
            "run_m": max(run["length_m"] for run in garden_runs),
            "storage_m3": bed.area * 0.1,
            "drawdown_h": 100.0 / RATE_MM_H,
            "diverted_m3_y": LIKELY_FRAC * kept[-1],
            "all_likely_m3_y": kept[-1],
            "overflow_code": end,
            "elev_m": 270.8,
            "storage_area_m2": bed.area,
            "treated_roof_gable_m2": 1.1 * treated[number],
            "soil_class": SOIL,
            "soil_rate_mm_h": RATE_MM_H,
            "dig_out_after_y": 6 if number == 0 else None,
            "year_5_frac": 0.97,
            "year_10_frac": 0.88,
            "year_20_frac": 0.61,
        }
        gardens.append((row, bed))
        start = bed.exterior.interpolate(bed.exterior.project(shapely.Point(bed.centroid.x, 0)))
        stop = (start.x + 0.6, -2.0) if end == "street" else (-3.0, 1.0)
        line = shapely.LineString([(start.x, start.y), ((start.x + stop[0]) / 2 + 0.4, (start.y + stop[1]) / 2), stop])
        row = {"home_id": home_id, "garden_id": garden_id, "end_code": end, "length_m": line.length, "drop_m": 0.1}
        paths.append((row, line))
    row = {
        "rank": rank,
        "home_id": home_id,
        "parcel_id": home["parcel_id"],
        "address": home["address"],
        "street": "Alder Street",
        "building_id": f"b-{rank}",
        "roof_area_m2": roof,
        "n_downspouts": len(home["spouts"]),
        "ground_slope_pct": 2.1,
        "downslope_deg": 186.0,
        "parcel_area_m2": home["lot"].area,
        "open_area_m2": allowed.area,
        "n_gardens": len(home["gardens"]),
        "garden_area_m2": sum(bed.area for _, bed in home["gardens"]),
        "treated_roof_m2": sum(treated),
        "treated_roof_frac": sum(treated) / roof,
        "storage_m3": sum(bed.area for _, bed in home["gardens"]) * 0.1,
        "drawdown_h": 100.0 / RATE_MM_H,
        "runoff_roof_m3_y": roof * RUNOFF_MM_Y / 1000.0,
        "diverted_m3_y": LIKELY_FRAC * sum(kept),
        "diverted_low_m3_y": LOW_FRAC * sum(kept),
        "diverted_high_m3_y": HIGH_FRAC * sum(kept),
        "overflow_code": home["ends"][-1],
        "score": 0.9 / rank,
        "confidence_frac": 0.72,
        "flags": home["flags"],
        "slope_fit_frac": 0.94,
        "soil_class": SOIL,
        "soil_rate_mm_h": RATE_MM_H,
        "district": "Alder Creek",
        "all_likely_m3_y": sum(kept),
        "rank_best": 1,
        "rank_worst": 2,
        "first_n_chance_frac": 1.0,
        "main_cause_code": "rain_year",
        "main_cause_frac": 0.48,
        "score_volume_frac": 0.9 / rank,
        "score_confidence_frac": 0.72,
        "score_treated_frac": sum(treated) / roof,
    }
    row["confidence_frac"] = row["score_confidence_frac"] = _confidence(home_id, row, home["flags"], runs)
    homes.append((row, _multi(home["lot"])))


def _confidence(home_id, row, flags, runs):
    """The number that the stage gives for the same facts."""
    assumed = "downspouts_assumed" in flags
    fall_m = min(run["fall_m"] for run, _ in runs if run["home_id"] == home_id)
    (value,) = confidence(
        cell_m=1.0,
        warn_cell_m=1.0,
        max_cell_m=3.0,
        is_measured=np.array([not assumed]),
        is_form_known=not assumed,
        is_rain_assumed=False,
        slope_pct=np.array([row["ground_slope_pct"]]),
        fit_frac=np.array([row["slope_fit_frac"]]),
        fall_m=np.array([fall_m]),
        overflow_code=np.array([row["overflow_code"]], dtype=object),
    )
    return float(value)


def _multi(shape):
    return shapely.MultiPolygon(shapely.get_parts(shape).tolist())


def record(**overrides):
    """A run record: the parameters of a run with defaults, and some counts."""
    params = load_params(None, overrides)
    town = soils.town_soils(params.soil)
    found = {f"param.{key}": text for key, text in params.record().items()}
    found |= {
        "n_parcels_read": "7",
        "n_parcels_merged": "1",
        "elevation_cell_m": "1",
        "runoff_roof_mm_y": f"{RUNOFF_MM_Y:.6f}",
    }
    found |= {
        "rain_years": "2011-2015",
        "rain_years_used": ";".join(str(year) for year in YEARS),
        "rain_missing_frac": "0.012000",
        "rain_step_h": "1",
        "input.rain.name": "rain.csv",
        "total_diverted_m3_y": "61.020",
    }
    for one in town.classes:
        found[f"soil.{one.name}.rate_mm_h"] = f"{one.rate_mm_h:.6g}"
        found[f"soil.{one.name}.spread_factor"] = f"{one.spread_factor:.6g}"
        found[f"soil.{one.name}.basis"] = one.basis
        found[f"soil.{one.name}.ponding_depths_mm"] = "100;150;182.4"
    return found
