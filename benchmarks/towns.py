"""Towns to measure on, made once and kept under ``benchmarks/work`` until the generator changes.

A county is put together from towns of `UNIT_LOTS` lots, one after another, so that making it takes no more memory than
one of them: `VARIETY` different towns are set down again and again on a wide grid, with ids and street names of their
own. Between the towns there is no ground, as in a county of which only the towns have been flown over.

    python benchmarks/towns.py FOLDER --lots 1000000
"""

import argparse
import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.windows import Window

HERE = Path(__file__).resolve().parent
WORK = HERE / "work"
GENERATOR = HERE.parent / "sample_geodata" / "make_town.py"
SEED = 2

UNIT_LOTS = 20_000
VARIETY = 5
BLOCK = 512
"""Towns lie on whole blocks of the raster, so that no block holds two of them."""

LAYERS = {
    "parcels": ("MultiPolygon", ("parcel_id", "street")),
    "buildings": ("Polygon", ("building_id",)),
    "streets": ("LineString", ("name",)),
    "water": ("Polygon", ()),
    "wells": ("Point", ()),
    "trees": ("Point", ()),
}
"""Layers with their geometry and the columns that name something."""


def _digest() -> str:
    sources = [GENERATOR, *sorted((GENERATOR.parent / "town").glob("*.py"))]
    return hashlib.sha256(b"".join(p.read_bytes() for p in sources)).hexdigest()


def _is_fresh(folder: Path) -> bool:
    stamp = folder / "generator.sha256"
    return stamp.is_file() and stamp.read_text() == _digest()


def town(n_lots: int, seed: int = SEED) -> Path:
    """Folder of a town of about ``n_lots`` lots, made now if it is missing or older than the generator.

    It is made by a process of its own: the kernel counts the size of the process that starts a command into the
    command's peak memory, so the measuring process has to stay small.
    """
    folder = WORK / f"town_{n_lots}_{seed}"
    if not _is_fresh(folder):
        (folder / "generator.sha256").unlink(missing_ok=True)
        command = [sys.executable, str(GENERATOR), str(folder), "--lots", str(n_lots), "--seed", str(seed)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        (folder / "generator.sha256").write_text(_digest())
    return folder


def county(n_lots: int) -> Path:
    """Folder of a county of about ``n_lots`` lots, made now if it is missing or older than the generator."""
    folder = WORK / f"county_{n_lots}"
    if not _is_fresh(folder):
        command = [sys.executable, str(Path(__file__).resolve()), str(folder), "--lots", str(n_lots)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        (folder / "generator.sha256").write_text(_digest())
    return folder


def make_county(folder: Path, n_lots: int) -> None:
    """Write a county of about so many lots."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "generator.sha256").unlink(missing_ok=True)
    n_towns = max(1, round(n_lots / UNIT_LOTS))
    unit = n_lots if n_towns == 1 else UNIT_LOTS
    towns = [town(unit, SEED + k) for k in range(min(n_towns, VARIETY))]
    per_row = int(n_towns**0.5 + 0.999)
    for name in LAYERS:
        (folder / f"{name}.gpkg").unlink(missing_ok=True)
    headers = [_raster_header(one) for one in towns]
    # one town's width and a gap, in whole blocks
    pitch = (max(max(h["width"], h["height"]) for h in headers) // BLOCK + 2) * BLOCK
    first = headers[0]
    cell_m = first["transform"].a
    west, north = first["transform"].c, first["transform"].f
    n_rows = -(-n_towns // per_row)
    profile = {
        **first,
        "width": pitch * per_row,
        "height": pitch * n_rows,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
        "BIGTIFF": "YES",
        "SPARSE_OK": "TRUE",
        "transform": rasterio.Affine(cell_m, 0.0, west, 0.0, -cell_m, north),
    }
    with rasterio.open(folder / "elevation.tif", "w", **profile) as raster:
        raster.set_band_unit(1, _raster_unit(towns[0]))
        for k in range(n_towns):
            source, header = towns[k % len(towns)], headers[k % len(towns)]
            row, col = (k // per_row) * pitch, (k % per_row) * pitch
            east_m = west + col * cell_m - header["transform"].c
            north_m = north - row * cell_m - header["transform"].f
            for name, (geometry_type, named) in LAYERS.items():
                _add_layer(folder / f"{name}.gpkg", source / f"{name}.gpkg", geometry_type, named, k, east_m, north_m)
            with rasterio.open(source / "elevation.tif") as one:
                for top in range(0, one.height, BLOCK):
                    height = min(BLOCK, one.height - top)
                    part = one.read(1, window=Window(0, top, one.width, height))
                    raster.write(part, 1, window=Window(col, row + top, one.width, height))
            print(f"town {k + 1} of {n_towns}", flush=True)
    for name in ("rain.csv", "run.toml"):
        (folder / name).write_bytes((towns[0] / name).read_bytes())


def _raster_unit(folder: Path) -> str:
    with rasterio.open(folder / "elevation.tif") as raster:
        return str(raster.units[0])


def _raster_header(folder: Path) -> dict:
    with rasterio.open(folder / "elevation.tif") as raster:
        return dict(raster.profile)


def _add_layer(
    path: Path, source: Path, geometry_type: str, named: tuple[str, ...], k: int, east_m: float, north_m: float
) -> None:
    """Add a town's layer to the county's, moved to its place, with names of its own."""
    frame = pyogrio.read_dataframe(source)
    frame.geometry = shapely.transform(frame.geometry.to_numpy(), lambda xy: xy + np.array([east_m, north_m]))
    for name in named:
        frame[name] = frame[name].where(frame[name].isna(), frame[name].astype("string") + f" T{k:03d}")
    pyogrio.write_dataframe(
        frame,
        path,
        layer=path.stem,
        driver="GPKG",
        geometry_type=geometry_type,
        promote_to_multi=geometry_type.startswith("Multi"),
        append=path.exists(),
    )


def main() -> None:
    """Make a county."""
    parser = argparse.ArgumentParser(description="Make a county of invented towns.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--lots", type=int, required=True)
    arguments = parser.parse_args()
    make_county(arguments.folder, arguments.lots)


if __name__ == "__main__":
    main()
