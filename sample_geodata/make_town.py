"""Make the invented town of Ferrowick: parcels, buildings, streets, keep-away layers, elevation and rain.

Nothing in it is real: the town, its streets, houses, addresses, ground and weather come from a seeded random number
generator, nobody lives there, and its coordinates (EPSG:26915, metres) lie in the open sea of the Gulf of Mexico,
where no town can be. The same seed gives the same files.

    python sample_geodata/make_town.py                        # writes the committed sample again
    python sample_geodata/make_town.py FOLDER --lots 20000    # a larger town for measuring
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parent))

from town.buildings import lot_frames, make_buildings, make_trees, make_wells
from town.odd_records import add_odd_parcels, move_over_lot_lines, n_cases
from town.plan import creek_lines, lot_polygons, make_plan, street_lines
from town.rain import hourly_rain, rain_text
from town.terrain import write_elevation

CRS = "EPSG:26915"
X0_M, Y0_M = 480_000.0, 2_990_000.0  # open sea, about 27.0 N 93.2 W
SAMPLE_LOTS = 500
SAMPLE_SEED = 13
CREEK_HALF_WIDTH_M = 1.8

LAND_USE = {
    "detached": "Residential",
    "row": "Residential",
    "rural": "Residential",
    "commercial": "Commercial",
    "apartments": "Multi-family",
    "civic": "Civic",
    "park": "Park",
    "greenway": "Open space",
}

RUN_FILE = """\
# Run file for the invented town of Ferrowick. Paths are relative to this file.
[inputs]
parcels = "parcels.gpkg"
buildings = "buildings.gpkg"
elevation = "elevation.tif"      # the raster says itself that its heights are metres
streets = "streets.gpkg"
rain = "rain.csv"                # ten years of invented hourly rain

[[inputs.keep_away]]
path = "wells.gpkg"
kind = "well"
distance_m = 15.24

[[inputs.keep_away]]
path = "water.gpkg"              # the creek
kind = "water"
distance_m = 7.6

[[inputs.keep_away]]
path = "trees.gpkg"              # trunks of large trees
kind = "tree"
distance_m = 3.0

[fields]
parcel_id = "parcel_id"
address = "address"
street = "street"
land_use = "land_use"
building_id = "building_id"
building_type = "building_type"
street_name = "name"

[homes]
land_use = ["Residential"]

[rules]
base = "us-midwest"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TownSummary:
    """What was written: the folder and the number of rows of each layer."""

    folder: Path
    n_rows: dict[str, int]


def _write_layer(folder: Path, name: str, frame: gpd.GeoDataFrame, geometry_type: str) -> None:
    """Write one GeoPackage of one layer that is the same, byte for byte, each time."""
    path = folder / f"{name}.gpkg"
    path.unlink(missing_ok=True)
    # Without a fixed date the file would hold the time of writing. The milliseconds are required by the format.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2020-01-01T00:00:00.000Z"})
    try:
        pyogrio.write_dataframe(
            frame,
            path,
            layer=name,
            driver="GPKG",
            geometry_type=geometry_type,
            promote_to_multi=geometry_type.startswith("Multi"),
            dataset_options={"VERSION": "1.3"},
        )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _frame(columns: dict[str, object], geometry: np.ndarray) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=CRS)


def make_town(
    folder: Path | str, n_lots: int, seed: int, *, n_rain_years: int = 10, cell_m: float = 1.0
) -> TownSummary:
    """Write an invented town into a folder.

    Parameters
    ----------
    folder
        Where to write; made if missing, files of the same names are replaced.
    n_lots
        Wanted number of lots; the town has about as many.
    seed
        Seed of all random choices.
    n_rain_years
        Length of the rain record [years].
    cell_m
        Cell size of the elevation raster [m].

    Returns
    -------
    TownSummary
        The folder and the number of rows of each layer.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    # One independent stream a subject: a change in one leaves the others as they were.
    streams = [np.random.default_rng([seed, k]) for k in range(7)]
    plan = make_plan(n_lots, streams[0], x0_m=X0_M, y0_m=Y0_M)
    polygons = lot_polygons(plan)
    kind = np.array(plan.lots.kind)
    frames = lot_frames(plan)
    buildings = make_buildings(plan, frames, polygons, streams[1])
    n_odd = n_cases(n_lots)
    taken = move_over_lot_lines(buildings, frames, polygons, 2 * n_odd, streams[2])
    trees = make_trees(plan, frames, polygons, buildings.polygon, streams[3])
    wells = make_wells(plan, frames, polygons, buildings.polygon, streams[3])

    lots = plan.lots
    land_use = np.array([LAND_USE[k] for k in kind], dtype=object)
    is_vacant = (kind == "detached") & ~np.isin(np.arange(len(kind)), buildings.lot)
    land_use[np.flatnonzero(is_vacant)[::2]] = "Vacant land"
    has_address = np.isin(kind, ["detached", "row", "rural", "commercial", "apartments", "civic"])
    parcels = pd.DataFrame(
        {
            "parcel_id": [f"{b:04d}{n:03d}" for b, n in zip(lots.block, lots.number, strict=True)],
            "address": [
                f"{n} {s}" if a else None for n, s, a in zip(lots.house_number, lots.street, has_address, strict=True)
            ],
            "street": np.where(has_address, np.array(lots.street, dtype=object), None),
            "land_use": land_use,
            "geometry": polygons,
        }
    )
    parcels = add_odd_parcels(parcels, kind, buildings, frames, taken=taken, n=n_odd)

    # Buildings in the order of their lots, as a city's numbering would have them.
    order = np.lexsort([buildings.kind.astype(str), buildings.lot])
    footprint = buildings.polygon[order]
    building_type = buildings.kind[order].copy()
    building_type[streams[4].random(len(building_type)) < 0.03] = None
    layers = {
        "parcels": (_frame(parcels.drop(columns="geometry"), parcels["geometry"].to_numpy()), "MultiPolygon"),
        "buildings": (
            _frame(
                {"building_id": [f"B{i + 1:05d}" for i in range(len(order))], "building_type": building_type}, footprint
            ),
            "Polygon",
        ),
    }
    names, lines = street_lines(plan)
    layers["streets"] = (_frame({"name": names}, lines), "LineString")
    creek = shapely.set_precision(shapely.buffer(creek_lines(plan), CREEK_HALF_WIDTH_M, quad_segs=2), 0.001)
    layers["water"] = (_frame({"name": [f"Creek {i + 1}" for i in range(len(creek))]}, creek), "Polygon")
    layers["wells"] = (_frame({"well_id": [f"W{i + 1:04d}" for i in range(len(wells))]}, wells), "Point")
    layers["trees"] = (_frame({"tree_id": [f"T{i + 1:05d}" for i in range(len(trees))]}, trees), "Point")
    for name, (frame, geometry_type) in layers.items():
        _write_layer(folder, name, frame, geometry_type)

    write_elevation(
        folder / "elevation.tif",
        plan,
        tuple(shapely.total_bounds(polygons)),
        footprint,
        n_lots=n_lots,
        crs=CRS,
        cell_m=cell_m,
        rng=streams[5],
    )
    hours, rain_mm = hourly_rain(n_rain_years, streams[6])
    (folder / "rain.csv").write_text(rain_text(hours, rain_mm), encoding="utf-8", newline="\n")
    (folder / "run.toml").write_text(RUN_FILE, encoding="utf-8", newline="\n")
    return TownSummary(folder=folder, n_rows={name: len(frame) for name, (frame, _) in layers.items()})


def main() -> None:
    """Write the sample, or a town of another size."""
    parser = argparse.ArgumentParser(description="Make the invented town of Ferrowick.")
    parser.add_argument("folder", nargs="?", default=Path(__file__).resolve().parent, type=Path)
    parser.add_argument("--lots", type=int, default=SAMPLE_LOTS)
    parser.add_argument("--seed", type=int, default=SAMPLE_SEED)
    arguments = parser.parse_args()
    summary = make_town(arguments.folder, arguments.lots, arguments.seed)
    print(f"{summary.folder}: " + ", ".join(f"{n} {name}" for name, n in summary.n_rows.items()))


if __name__ == "__main__":
    main()
