"""A made-up town of thirty lots as bare files of any name and field names, for the tests of `start`."""

from __future__ import annotations

import re
import tomllib
import zipfile

import geopandas as gpd
import numpy as np
import shapely
from made_files import plane, write_frame, write_raster

WEST_M, SOUTH_M = 480_000.0, 4_980_000.0
COLS, ROWS = 6, 5
LOT_M = (24.0, 36.0)
STREET_M = 16.0
N = COLS * ROWS

OWNERS = ["PENHALIGON, ODETTE", "Brackwater Trust", "QUILL, TOBIAS & UNA", "Farrowdale Holdings LLC", "HOLLIN, ADA B"]
"""Invented people; nothing of them may ever be seen."""


def corners():
    """South-west corner of each lot [m], row by row; a street runs between the rows."""
    row, col = np.divmod(np.arange(N), COLS)
    return np.column_stack([WEST_M + col * LOT_M[0], SOUTH_M + row * (LOT_M[1] + STREET_M)])


def boxes(dx, dy, width, height):
    """The same box on every lot."""
    x, y = corners().T
    return shapely.box(x + dx, y + dy, x + dx + width, y + dy + height)


def lot_frame(**columns):
    """Lots with fields as an assessor's office names them; `columns` come on top or instead."""
    row, col = np.divmod(np.arange(N), COLS)
    frame = {
        "APN": [f"04-{r:02d}{c:02d}-0{c}" for r, c in zip(row, col, strict=True)],
        "SITUS_ADDR": [
            f"{10 + 2 * c} {('Tern', 'Plover', 'Dunlin', 'Knot', 'Ruff')[r]} St" for r, c in zip(row, col, strict=True)
        ],
        "OWNER_NAME": [OWNERS[i % len(OWNERS)] for i in range(N)],
        "MAIL_ADDR": [f"PO Box {i} Elsewhere" for i in range(N)],
        "USE_DESC": ["Single Family Residential" if i % 7 else "Retail Store" for i in range(N)],
        "YR_BLT": [1950 + i for i in range(N)],
        "LIV_UNITS": [1 + (i % 5 == 0) for i in range(N)],
    }
    return gpd.GeoDataFrame(frame | columns, geometry=boxes(0, 0, *LOT_M), crs="EPSG:26915")


def house_frame(**columns):
    """A house and a shed on every lot."""
    shapes = np.concatenate([boxes(7, 12, 10, 9), boxes(16, 28, 3, 4)])
    frame = {"BLDG_ID": [f"b{i:03d}" for i in range(2 * N)], "HEIGHT": [7.5] * N + [2.5] * N}
    return gpd.GeoDataFrame(frame | columns, geometry=shapes, crs="EPSG:26915")


def road_frame():
    """A centre line south of every row."""
    names = ["Tern St", "Plover St", "Dunlin St", "Knot St", "Ruff St"]
    y = SOUTH_M + np.arange(ROWS) * (LOT_M[1] + STREET_M) - STREET_M / 2
    ends = [[(WEST_M - 20, at), (WEST_M + COLS * LOT_M[0] + 20, at)] for at in y]
    return gpd.GeoDataFrame({"FULLNAME": names}, geometry=shapely.linestrings(ends), crs="EPSG:26915")


def extent(margin_m=30.0):
    """West, south, east, north of the town [m]."""
    return (
        WEST_M - margin_m,
        SOUTH_M - STREET_M - margin_m,
        WEST_M + COLS * LOT_M[0] + margin_m,
        SOUTH_M + ROWS * (LOT_M[1] + STREET_M) + margin_m,
    )


def write_ground(path, *, cell=1.0, unit="m", factor=1.0, **options):
    """A tilted plane under the town; its heights are metres times `factor`."""
    west, south, east, north = extent()
    rows, cols = int((north - south) / cell), int((east - west) / cell)
    z = plane(rows, cols, per_col=0.02 * cell, per_row=0.03 * cell) * factor
    return write_raster(path, z, west=west, north=north, cell=cell, unit=unit, **options)


def write_town(folder, *, lots=None, houses=None, suffix=".gpkg"):
    """Write lots, houses, roads and ground into a folder under plain names."""
    folder.mkdir(parents=True, exist_ok=True)
    write_frame(lot_frame() if lots is None else lots, folder / f"parcels{suffix}")
    write_frame(house_frame() if houses is None else houses, folder / f"buildings{suffix}")
    write_frame(road_frame(), folder / f"roads{suffix}")
    write_ground(folder / "dem.tif")
    return folder


def write_zip(frame, path, stem):
    """Write a zipped shapefile, in a folder of the archive as download pages make them."""
    work = path.parent / f"unpacked_{stem}"
    work.mkdir()
    write_frame(frame, work / f"{stem}.shp")
    with zipfile.ZipFile(path, "w") as archive:
        for part in sorted(work.iterdir()):
            archive.write(part, f"download/{part.name}")
    for part in work.iterdir():
        part.unlink()
    work.rmdir()
    return path


def taken_in(text):
    """The run file with every suggestion taken in: the mark before each entry goes."""
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_entry = line.startswith("# ") and re.match(r'\[[^ ]*\]$|("(\\.|[^"\\])*"|[\w-]+) = ', bare)
        lines.append(bare if is_entry else line)
    return "\n".join(lines)


def parsed(text):
    """Tables of a run file."""
    return tomllib.loads(text)
