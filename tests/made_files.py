"""Small made-up files for the tests of reading: nine lots on a tilted plane, in any system and format."""

from __future__ import annotations

import re
import warnings
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

from screening.params import Params, load_params

if TYPE_CHECKING:
    from pathlib import Path

    from screening.errors import ScreeningError

WEST_M, SOUTH_M = 480_000.0, 4_980_000.0
"""South-west corner of the lots, in UTM zone 15 (EPSG:26915)."""

LOT_M = 30.0


def lots(origin=(WEST_M, SOUTH_M), unit_m=1.0):
    """Nine square lots, in the unit whose size is given."""
    return np.array(
        [
            shapely.box(*(np.array([c, r, c + 1, r + 1]) * LOT_M / unit_m + np.tile(origin, 2)))
            for r in range(3)
            for c in range(3)
        ],
        dtype=object,
    )


def houses(origin=(WEST_M, SOUTH_M), unit_m=1.0):
    """One house of 10 m x 8 m in the middle of each lot."""
    corners = [(10.0, 11.0, 20.0, 19.0)] * 9
    return np.array(
        [
            shapely.box(*(np.array(box) + np.tile([c * LOT_M, r * LOT_M], 2)) / unit_m + np.tile(origin, 2))
            for box, (r, c) in zip(corners, np.ndindex(3, 3), strict=True)
        ],
        dtype=object,
    )


def parcels_frame(crs="EPSG:26915", geometry=None):
    """Lots with an identifier with leading zeros, an address, and an owner whom nobody may read."""
    shapes = lots() if geometry is None else geometry
    n = len(shapes)
    return gpd.GeoDataFrame(
        {
            "PIN": [f"00{i + 1}" for i in range(n)],
            "SITE_ADDRESS": [f"{i + 1} Meadow Lane" for i in range(n)],
            "OWNER": ["nobody's business"] * n,
            "USE": ["Residential"] * n,
        },
        geometry=shapes,
        crs=crs,
    )


def write_frame(frame, path: Path, **options):
    """Write a layer in the format of the file's ending."""
    with warnings.catch_warnings():
        # Cut field names and missing systems are what some tests are about.
        warnings.simplefilter("ignore")
        if path.suffix == ".parquet":
            frame.to_parquet(path, **options)
        else:
            frame.to_file(path, engine="pyogrio", **options)
    return path


def write_raster(path: Path, z, *, west, north, cell, crs="EPSG:26915", nodata=None, dtype="float32", **profile):
    """Write an array, row 0 in the north, as a raster of one band."""
    z = np.asarray(z)
    bands = z if z.ndim == 3 else z[np.newaxis]
    unit = profile.pop("unit", None)
    transform = profile.pop("transform", Affine(cell, 0, west, 0, -cell, north))
    with rasterio.open(
        path,
        "w",
        driver=profile.pop("driver", "GTiff"),
        height=bands.shape[1],
        width=bands.shape[2],
        count=len(bands),
        dtype=dtype,
        crs=crs,
        nodata=nodata,
        transform=transform,
        **profile,
    ) as dataset:
        dataset.write(bands.astype(dtype))
        if unit:
            dataset.set_band_unit(1, unit)
    return path


def plane(rows, cols, *, base=100.0, per_col=0.02, per_row=0.05):
    """Heights of a tilted plane."""
    row, col = np.mgrid[0:rows, 0:cols]
    return base + per_col * col + per_row * row


def make_city(folder: Path, **overrides) -> Params:
    """Write nine lots, nine houses and a 1 m elevation raster, and give the parameters to read them."""
    folder.mkdir(exist_ok=True)
    write_frame(parcels_frame(), folder / "parcels.gpkg")
    write_frame(
        gpd.GeoDataFrame({"KIND": ["MAIN"] * 9}, geometry=houses(), crs="EPSG:26915"), folder / "buildings.gpkg"
    )
    write_raster(folder / "elevation.tif", plane(130, 130), west=WEST_M - 20, north=SOUTH_M + 110, cell=1.0)
    return city_params(folder, **overrides)


def city_params(folder: Path, **overrides) -> Params:
    """Parameters that name the files of `make_city`; keys are written with two underscores for a point."""
    settings = {
        "inputs.parcels": folder / "parcels.gpkg",
        "inputs.buildings": folder / "buildings.gpkg",
        "inputs.elevation": folder / "elevation.tif",
        "inputs.elevation_unit": "m",
        "fields.parcel_id": "PIN",
    }
    settings |= {key.replace("__", "."): value for key, value in overrides.items()}
    return load_params(None, settings)


def assert_one_sentence(error: ScreeningError, *words: str, exit_code: int = 3) -> None:
    """Hold a message to one sentence that contains what, where and the way out."""
    text = str(error)
    assert error.exit_code == exit_code
    assert "\n" not in text
    assert text.endswith(".")
    assert not re.search(r"[.!?]\s+[A-Z]", text), text
    assert len(text) < 600
    for word in words:
        assert word in text, text
