"""The small good inputs that are spoilt: a town of six lots in every format, and a finished result of it."""

from __future__ import annotations

import json
import warnings
import zipfile
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely
from made_files import plane, write_frame, write_raster

if TYPE_CHECKING:
    from pathlib import Path

WEST_M, SOUTH_M = 480_000.0, 4_980_000.0
CRS = "EPSG:26915"
PARCEL_FILES = ("parcels.gpkg", "parcels.shp", "parcels.zip", "parcels.geojson", "parcels.fgb", "parcels.parquet")


def make_town(folder: Path) -> None:
    """Write every good input."""
    folder.mkdir(parents=True, exist_ok=True)
    corners = [(c * 30.0, r * 40.0) for r in range(2) for c in range(3)]
    lots = [shapely.box(WEST_M + x, SOUTH_M + y, WEST_M + x + 30, SOUTH_M + y + 40) for x, y in corners]
    houses = [shapely.box(WEST_M + x + 9, SOUTH_M + y + 14, WEST_M + x + 20, SOUTH_M + y + 23) for x, y in corners]
    n = len(lots)
    parcels = gpd.GeoDataFrame(
        {
            "PIN": [f"{i + 1:04d}" for i in range(n)],
            "ADDRESS": [f"{i + 1} Meadow Lane" for i in range(n)],
            "USE": ["Residential"] * (n - 1) + ["School"],
            "UNITS": np.ones(n, dtype="int32"),
        },
        geometry=lots,
        crs=CRS,
    )
    buildings = gpd.GeoDataFrame({"KIND": ["MAIN"] * n, "HEIGHT": np.full(n, 6.5)}, geometry=houses, crs=CRS)
    for name in PARCEL_FILES:
        if name.endswith(".zip"):
            continue
        frame = parcels.to_crs(4326) if name.endswith(".geojson") else parcels
        write_frame(frame, folder / name)
        kind = name.rpartition(".")[2]
        write_frame(buildings.to_crs(4326) if kind == "geojson" else buildings, folder / f"buildings.{kind}")
    with zipfile.ZipFile(folder / "parcels.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for suffix in ("shp", "shx", "dbf", "prj", "cpg"):
            archive.write(folder / f"parcels.{suffix}", f"parcels.{suffix}")
    write_frame(gpd.GeoDataFrame(geometry=[shapely.Point(WEST_M + 28, SOUTH_M + 38)], crs=CRS), folder / "wells.gpkg")
    row = [shapely.LineString([(WEST_M - 5, SOUTH_M + y), (WEST_M + 95, SOUTH_M + y)]) for y in (-4.0, 84.0)]
    write_frame(gpd.GeoDataFrame({"NAME": ["South", "North"]}, geometry=row, crs=CRS), folder / "streets.gpkg")
    z = plane(120, 130, per_col=0.01, per_row=0.03)
    place = {"west": WEST_M - 20, "north": SOUTH_M + 100, "cell": 1.0}
    write_raster(folder / "elevation.tif", z, **place, nodata=-9999.0)
    write_raster(
        folder / "tiled.tif", z, **place, nodata=-9999.0, tiled=True, blockxsize=64, blockysize=64, compress="deflate"
    )
    rows = "\n".join(" ".join(f"{v:.2f}" for v in line) for line in z)
    (folder / "elevation.asc").write_text(
        f"ncols 130\nnrows 120\nxllcorner {WEST_M - 20}\nyllcorner {SOUTH_M - 20}\ncellsize 1\n"
        f"NODATA_value -9999\n{rows}\n"
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        (folder / "elevation.prj").write_text(parcels.crs.to_wkt("WKT1_ESRI"))
    rng = np.random.default_rng(5)
    days = np.datetime64("2018-01-01") + np.arange(3 * 365)
    depths = np.where(rng.random(len(days)) < 0.3, rng.gamma(0.7, 9.0, len(days)), 0.0)
    lines = "\n".join(f"{day},{mm:.1f}" for day, mm in zip(days, depths, strict=True))
    (folder / "rain.csv").write_text(f"time,rain_mm\n{lines}\n")
    (folder / "run.toml").write_text(FULL_RUN_FILE)


def make_result(folder: Path, run) -> None:
    """Write a finished result by the program itself; `run` takes its arguments and returns the exit code."""
    code = run(["run", str(folder / "run.toml"), "-o", str(folder / "result.gpkg"), "--jobs", "1", "--no-progress"])
    if code != 0:
        msg = "the good town can't be screened"
        raise RuntimeError(msg)
    (folder / "about.json").write_text(json.dumps({"n_parcels": 6}))


FULL_RUN_FILE = """# The good town
[inputs]
parcels = "parcels.gpkg"
buildings = "buildings.gpkg"
elevation = "elevation.tif"
elevation_unit = "m"
streets = "streets.gpkg"
rain = "rain.csv"

[[inputs.keep_away]]
path = "wells.gpkg"
kind = "well"
distance_m = 15.2

[fields]
parcel_id = "PIN"
address = "ADDRESS"
land_use = "USE"
building_type = "KIND"
street_name = "NAME"

[homes]
land_use = ["Residential"]
principal_values = ["MAIN"]

[rules]
base = "us-midwest"
lot_line_m = 1.52
max_slope_pct = 12

[siting]
shape_ratios = [2.0, 1.5]

[soil]
rate_mm_h = 7.6
"""
