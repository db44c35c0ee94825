"""Spoilt towns: files, formats, coordinate systems, fields."""

from __future__ import annotations

import sqlite3
import struct
import zipfile
from contextlib import closing

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from made_trouble import CRS, SOUTH_M, WEST_M

from zoo.animal import write_frame, write_raster

FEET = pyproj.CRS("+proj=utm +zone=15 +datum=NAD83 +units=us-ft +no_defs +type=crs")
STATE_PLANE = "EPSG:26851"
"""NAD83 / Minnesota South, in US survey feet."""
EAST_M, NORTH_M = 320_000.0, -4_880_000.0
"""The way of the town into that system's own region."""
OTHER_FEET = pyproj.CRS("+proj=utm +zone=15 +datum=NAD83 +units=ft +no_defs +type=crs")
US_FT_M = 1200.0 / 3937.0


def sound(town):
    """Nothing is wrong."""


def _shapefile(town, folder, name="lots.shp"):
    path = write_frame(town.parcels, folder / name)
    town.settings["inputs.parcels"] = path
    return path


def zipped(town, folder):
    path = _shapefile(town, folder)
    with zipfile.ZipFile(folder / "lots.zip", "w") as archive:
        for part in sorted(folder.glob("lots.*")):
            if part.suffix != ".zip":
                archive.write(part, f"download/{part.name}")
                part.unlink()
    assert not path.exists()
    town.settings["inputs.parcels"] = folder / "lots.zip"


def letter_in_an_archive(town, folder):
    with zipfile.ZipFile(folder / "lots.zip", "w") as archive:
        archive.writestr("readme.txt", "The data are on the other page.")
    town.settings["inputs.parcels"] = folder / "lots.zip"


def bomb_in_an_archive(town, folder):
    with zipfile.ZipFile(folder / "lots.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("lots.geojson", b" " * 40_000_000)
    town.settings["inputs.parcels"] = folder / "lots.zip"


def page_instead_of_data(town, folder):
    """What a download gives where one has to log in first."""
    (folder / "lots.geojson").write_text("<!DOCTYPE html><html><title>Please log in</title></html>")
    town.settings["inputs.parcels"] = folder / "lots.geojson"


def shapefile_without_table(town, folder):
    _shapefile(town, folder).with_suffix(".dbf").unlink()


def shapefile_cut_short(town, folder):
    path = _shapefile(town, folder).with_suffix(".dbf")
    path.write_bytes(path.read_bytes()[:-700])


def shapefile_without_system(town, folder):
    _shapefile(town, folder).with_suffix(".prj").unlink()


def long_names_cut(town, folder):
    town.parcels = town.parcels.rename(columns={"PIN": "PARCEL_IDENTIFIER"})
    _shapefile(town, folder)
    town.settings["fields.parcel_id"] = "PARCEL_IDENTIFIER"


def wrong_encoding(town, folder):
    """A shapefile in Windows-1252 that says it is UTF-8."""
    town.parcels["SITE"] = [text.replace("Meadow", "Prair\u00efe") for text in town.parcels["SITE"]]
    path = write_frame(town.parcels, folder / "lots.shp", encoding="cp1252")
    path.with_suffix(".cpg").write_text("UTF-8")
    town.settings["inputs.parcels"] = path


def text_among_numbers(town, folder):
    """A number field of a GeoPackage that holds a text, which SQLite allows."""
    town.parcels["PIN"] = np.arange(len(town.parcels)) + 10_001
    path = write_frame(town.parcels, folder / "lots.gpkg")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute("UPDATE lots SET PIN = '10004-A' WHERE fid = 4")
    town.settings["inputs.parcels"] = path


def ids_as_decimals(town):
    """What a spreadsheet makes of identifiers: 10001.0."""
    town.parcels["PIN"] = np.arange(len(town.parcels)) + 10_001.0


def unknown_system(town):
    town.settings["inputs.crs"] = {"parcels": "EPSG:999999"}


def working_in_degrees(town):
    town.settings["inputs.working_crs"] = "EPSG:4326"


def lot_in_another_state(town):
    shapes = town.parcels.geometry.to_numpy().copy()
    shapes[7] = shapely.transform(shapes[7], lambda xy: xy + 400_000.0)
    town.parcels.geometry = gpd.GeoSeries(shapes, crs=town.parcels.crs)


def in_feet(town):
    """A city in the state plane's US survey feet, upwards too."""

    def moved(xy):
        return (xy + np.array([EAST_M, NORTH_M])) / US_FT_M

    for frame in (town.parcels, town.buildings):
        frame.geometry = gpd.GeoSeries(shapely.transform(frame.geometry.to_numpy(), moved), crs=CRS)
        frame.set_crs(STATE_PLANE, allow_override=True, inplace=True)
    west, north = moved(np.array([[town.raster["west"], town.raster["north"]]]))[0]
    town.raster = {"west": west, "north": north, "cell": 1.0 / US_FT_M, "crs": STATE_PLANE, "unit": "US survey foot",
                   "dtype": "float64"}  # fmt: skip
    town.z = town.z / US_FT_M
    town.settings["inputs.elevation_unit"] = None


def two_kinds_of_feet(town):
    _into_feet(town, FEET)
    town.buildings = town.buildings.to_crs(OTHER_FEET)
    town.settings["inputs.elevation_unit"] = None


def _into_feet(town, crs):
    town.parcels, town.buildings = town.parcels.to_crs(crs), town.buildings.to_crs(crs)
    place = {name: town.raster[name] / US_FT_M for name in ("west", "north", "cell")}
    town.raster = {**place, "crs": crs, "unit": "US survey foot", "dtype": "float64"}
    town.z = town.z / US_FT_M


def no_value_allowed(town):
    town.settings["rules.lot_line_m"] = -1.0


def pond_without_distance(town, folder):
    path = write_frame(gpd.GeoDataFrame(geometry=[shapely.Point(WEST_M, SOUTH_M)], crs=CRS), folder / "ponds.gpkg")
    town.settings["inputs.keep_away"] = [{"path": path, "kind": "pond"}]


def curved(town, folder):
    """One lot with an arc as its front line, as cadastres have them."""
    path = write_frame(town.parcels, folder / "lots.gpkg", geometry_type="Unknown")
    west, south, east, north = town.parcels.geometry[5].bounds
    line = [(east, south), (east, north), (west, north), (west, south)]
    arc = [(west, south), ((west + east) / 2, south - 1.0), (east, south)]

    def points(kind, xy):
        return struct.pack("<BII", 1, kind, len(xy)) + np.array(xy, dtype="<f8").tobytes()

    ring = struct.pack("<BII", 1, 9, 2) + points(2, line) + points(8, arc)
    blob = b"GP\x00\x01" + struct.pack("<i", 26915) + struct.pack("<BII", 1, 10, 1) + ring
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute("UPDATE lots SET geom = ? WHERE PIN = ?", (blob, town.parcels["PIN"][5]))
    town.settings["inputs.parcels"] = path


def raster_without_place(town, folder):
    import warnings

    import rasterio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(folder / "scan.tif", "w", driver="GTiff", height=60, width=60, count=1, dtype="float32",
                           crs=CRS) as file:  # fmt: skip
            file.write(np.full((60, 60), 100.0, dtype="float32"), 1)
    town.settings["inputs.elevation"] = folder / "scan.tif"


def picture_as_elevation(town, folder):
    """A coloured shading of the ground instead of its heights: three bands."""
    town.z = np.stack([town.z] * 3)


def tiles(town, folder, *, step_m=0.0, feet_on_one=False, cell_on_one=1.0):
    """The elevation as two rasters that meet in the middle."""
    half = town.z.shape[1] // 2
    parts = town.z[:, :half], town.z[:, half:] + step_m
    (folder / "tiles").mkdir()
    for k, z in enumerate(parts):
        unit, heights = ("ft", z / 0.3048) if feet_on_one and k else ("m", z)
        step = int(cell_on_one) if k else 1
        place = {"west": town.raster["west"] + k * half, "north": town.raster["north"], "cell": float(step)}
        write_raster(folder / "tiles" / f"t{k}.tif", heights[::step, ::step], **place, unit=unit)
    town.settings["inputs.elevation"] = folder / "tiles"


def folder_of_tiles(town, folder):
    tiles(town, folder)


def tiles_of_two_levels(town, folder):
    tiles(town, folder, step_m=2.0)


def tiles_of_two_units(town, folder):
    tiles(town, folder, feet_on_one=True)


def tiles_of_two_cells(town, folder):
    tiles(town, folder, cell_on_one=2.0)


def elevation_in_degrees(town, folder):
    """A raster in longitude and latitude, as national downloads come."""
    from affine import Affine
    from rasterio.warp import Resampling, reproject, transform_bounds

    west, north = town.raster["west"], town.raster["north"]
    rows, cols = town.z.shape
    bounds = transform_bounds(CRS, "EPSG:4269", west, north - rows, west + cols, north)
    cell = 1.0 / 110_000.0
    shape = int((bounds[3] - bounds[1]) / cell), int((bounds[2] - bounds[0]) / cell)
    z = np.full(shape, -9999.0, dtype="float32")
    reproject(town.z.astype("float32"), z, src_transform=Affine(1, 0, west, 0, -1, north), src_crs=CRS,
              dst_transform=Affine(cell, 0, bounds[0], 0, -cell, bounds[3]), dst_crs="EPSG:4269", dst_nodata=-9999.0,
              resampling=Resampling.bilinear)  # fmt: skip
    path = folder / "degrees.tif"
    write_raster(path, z, west=bounds[0], north=bounds[3], cell=cell, crs="EPSG:4269", nodata=-9999.0, unit="m")
    town.settings["inputs.elevation"] = path


def holes_under_lots(town):
    """Nothing is known of the ground of a whole block."""
    west, south, east, north = town.parcels.geometry[[12, 13, 14]].total_bounds
    x0, y0 = town.raster["west"], town.raster["north"]
    town.z[int(y0 - north) - 4 : int(y0 - south) + 4, int(west - x0) - 4 : int(east - x0) + 4] = np.nan
    town.raster["nodata"] = np.nan


def undeclared_filler(town):
    town.z[60:110, 100:160] = -9999.0


def far_below_zero(town):
    """The filler of floating-point rasters, undeclared, is known as such: no ground has that height."""
    town.z[60:110, 100:160] = -3.4e38


def shifted(town):
    """All buildings lie 7 m west and 6 m south of where they stand."""
    town.buildings.geometry = town.buildings.geometry.translate(-7.0, -6.0)


def linked(town):
    """Two lots of one owner are billed as one; the house stands on the first."""
    town.parcels["PARENT"] = None
    town.parcels.loc[[2, 3], "PARENT"] = town.parcels["PIN"][2]
    inside = town.buildings.geometry.centroid.within(town.parcels.geometry[3])
    town.buildings = town.buildings[~inside].reset_index(drop=True)
    town.settings["fields.linked_lot"] = "PARENT"


def ways_by_kind(town):
    """The city itself says which polygons are streets."""
    town.parcels["KIND"] = "FEE"
    town.parcels.loc[[4, 5], "KIND"] = "ROW"
    town.settings |= {"fields.lot_kind": "KIND", "homes.street_values": ["ROW"]}


def pond_in_a_lot(town):
    """A lot with a hole."""
    x0, y0, _, _ = town.parcels.geometry[3].bounds
    shapes = town.parcels.geometry.to_numpy().copy()
    shapes[3] = shapely.Polygon(shapes[3].exterior, [shapely.box(x0 + 3, y0 + 3, x0 + 6, y0 + 6).exterior.coords])
    town.parcels.geometry = gpd.GeoSeries(shapes, crs=town.parcels.crs)


def districts_without_field(town, folder):
    path = write_frame(gpd.GeoDataFrame({"NAME": ["North"]}, geometry=[town.parcels.union_all().envelope], crs=CRS),
                       folder / "districts.gpkg")  # fmt: skip
    town.settings["inputs.districts"] = path


def hourly_summer_time(town, folder):
    """An hourly record on the wall's clock: one hour is missing in March, one is there twice in November."""
    import datetime as dt
    import zoneinfo

    zone = zoneinfo.ZoneInfo("America/Chicago")
    utc = dt.datetime(2015, 1, 1, 6, tzinfo=dt.UTC)
    lines = []
    for hour in range(24 * 365 * 6 + 24):
        local = (utc + dt.timedelta(hours=hour)).astimezone(zone)
        lines.append(f"{local:%Y-%m-%d %H:%M},{1.5 if hour % 29 == 0 else 0}")
    (folder / "rain.csv").write_text("time,rain_mm\n" + "\n".join(lines) + "\n")
    town.settings["inputs.rain"] = folder / "rain.csv"
