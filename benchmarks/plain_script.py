"""What an analyst would write in an afternoon with GeoPandas, to compare the tool's speed with.

Reads parcels, buildings, keep-away layers, elevation and rain of a town; keeps the residential parcels that hold a
house; takes the setbacks off by buffers and an overlay; asks the slope raster for the mean of each yard; puts the
largest circle into the free ground; estimates the runoff the roof could send there; ranks; writes a GeoPackage.
Straightforward calls, none slowed down on purpose, none tuned. It is a comparison of speed only: it has no
downspouts, no verification, no water balance and no overflow path, and its numbers are not results of this project.

    python benchmarks/plain_script.py TOWN_FOLDER OUT.gpkg
"""

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rasterio.features
import rasterio.windows

LOT_LINE_M = 1.52
FOUNDATION_M = 3.05
KEEP_AWAY_M = {"wells": 15.24, "water": 7.6, "trees": 3.0}
MAX_SLOPE_PCT = 12.0
MIN_AREA_M2 = 4.6
MAX_AREA_M2 = 27.9
MIN_WIDTH_M = 1.5
MIN_HOUSE_M2 = 40.0
RUNOFF_FRAC = 0.9
ROOF_TO_ONE_GARDEN_FRAC = 0.5
SIZE_FACTOR = 0.25  # garden area / roof area, loam (UW-Extension GWQ037)


def mean_slope_pct(areas: gpd.GeoSeries, slope_pct: np.ndarray, transform: rasterio.Affine) -> np.ndarray:
    """Mean of the slope raster in each area [%]."""
    means = np.full(len(areas), np.nan)
    for i, area in enumerate(areas):
        window = rasterio.windows.from_bounds(*area.bounds, transform=transform).round_offsets().round_lengths()
        rows, cols = window.toslices()
        part = slope_pct[rows, cols]
        outside = rasterio.features.geometry_mask(
            [area], part.shape, rasterio.windows.transform(window, transform), all_touched=True
        )
        if not outside.all():
            means[i] = part[~outside].mean()
    return means


def main(folder: Path, out: Path) -> None:
    """Run the whole script on one town."""
    parcels = gpd.read_file(folder / "parcels.gpkg")
    buildings = gpd.read_file(folder / "buildings.gpkg")
    keep_away = {name: gpd.read_file(folder / f"{name}.gpkg") for name in KEEP_AWAY_M}
    with rasterio.open(folder / "elevation.tif") as source:
        z_m = source.read(1)
        transform = source.transform
    rain = pd.read_csv(folder / "rain.csv", parse_dates=["time"])
    rain_mm_y = rain.groupby(rain["time"].dt.year)["rain_mm"].sum().mean()

    # Homes: residential parcels with a house; the roof is the largest building.
    homes = parcels[parcels.geometry.notna() & (parcels["land_use"] == "Residential")]
    homes = homes.assign(geometry=homes.make_valid()).drop_duplicates("geometry").reset_index(drop=True)
    homes["home"] = homes.index
    parts = gpd.overlay(buildings, homes[["home", "geometry"]], how="intersection", keep_geom_type=True)
    parts["roof_area_m2"] = parts.area
    parts = parts[parts["roof_area_m2"] >= MIN_HOUSE_M2]
    roof = parts.sort_values("roof_area_m2", ascending=False).drop_duplicates("home").set_index("home")["roof_area_m2"]
    homes = homes.join(roof, on="home", how="inner")

    # Free ground: the parcel without its edge, the ground beside buildings and the keep-away distances.
    yards = homes.assign(geometry=homes.buffer(-LOT_LINE_M))
    grown = [buildings.buffer(FOUNDATION_M)]
    grown += [layer.buffer(KEEP_AWAY_M[name]) for name, layer in keep_away.items()]
    forbidden = gpd.GeoDataFrame(geometry=pd.concat(grown, ignore_index=True), crs=homes.crs)
    free = gpd.overlay(yards, forbidden, how="difference", keep_geom_type=True)
    free["open_area_m2"] = free.area

    # Slope of each yard.
    cell_m = transform.a
    dz_dy, dz_dx = np.gradient(z_m, cell_m)
    slope_pct = 100.0 * np.hypot(dz_dx, dz_dy)
    free["slope_pct"] = mean_slope_pct(free.geometry, slope_pct, transform)
    free = free[free["slope_pct"] <= MAX_SLOPE_PCT]

    # The largest circle is the garden, no larger than the roof asks for.
    circles = free.maximum_inscribed_circle(tolerance=0.05)
    radius_m = circles.length
    wanted_m2 = (SIZE_FACTOR * ROOF_TO_ONE_GARDEN_FRAC * free["roof_area_m2"]).clip(MIN_AREA_M2, MAX_AREA_M2)
    free["garden_area_m2"] = np.minimum(np.pi * radius_m**2, wanted_m2)
    fits = (2 * radius_m >= MIN_WIDTH_M) & (free["garden_area_m2"] >= MIN_AREA_M2)
    centre = circles.interpolate(0.0)
    free, centre = free[fits].copy(), centre[fits]
    garden_radius_m = np.sqrt(free["garden_area_m2"] / np.pi)
    gardens = free.assign(geometry=centre.buffer(garden_radius_m))

    # Runoff and ranks.
    treated_frac = ROOF_TO_ONE_GARDEN_FRAC * (free["garden_area_m2"] / wanted_m2[fits]).clip(upper=1.0)
    free["diverted_m3_y"] = treated_frac * free["roof_area_m2"] * rain_mm_y / 1000.0 * RUNOFF_FRAC
    free = free.sort_values("diverted_m3_y", ascending=False)
    free["rank"] = np.arange(1, len(free) + 1)
    result = homes.merge(
        free[["home", "open_area_m2", "slope_pct", "garden_area_m2", "diverted_m3_y", "rank"]], on="home"
    ).sort_values("rank")
    gardens = gardens.merge(free[["home", "rank", "diverted_m3_y"]], on="home").sort_values("rank")
    result.to_file(out, layer="homes", driver="GPKG")
    gardens.to_file(out, layer="gardens", driver="GPKG")
    print(len(result))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
