"""The floor: read the same inputs barely and write the same output layers, with no work in between.

Reads every input file of a town (vector layers with Arrow, the raster block by block, the rain record) and writes the
layers of a finished output GeoPackage again, one by one, as one writer. Loading the finished output is needed only to
have something to write; its time is reported apart, so that it can be taken off.

    python benchmarks/floor.py TOWN_FOLDER FINISHED.gpkg OUT.gpkg
"""

import json
import sys
import time
from pathlib import Path

import pandas as pd
import pyogrio
import rasterio


def read_inputs(folder: Path) -> int:
    """Read every input once; return the number of rows and cells, so that nothing is left unread."""
    n = 0
    for path in sorted(folder.glob("*.gpkg")):
        n += len(pyogrio.read_dataframe(path, use_arrow=True))
    with rasterio.open(folder / "elevation.tif") as raster:
        for _, window in raster.block_windows(1):
            n += raster.read(1, window=window).size
    return n + len(pd.read_csv(folder / "rain.csv", parse_dates=["time"]))


def main(folder: Path, finished: Path, out: Path) -> None:
    """Read, load what is to be written, write; print the seconds of each as JSON."""
    start_s = time.perf_counter()
    read_inputs(folder)
    read_s = time.perf_counter() - start_s

    start_s = time.perf_counter()
    layers = {}
    for name, geometry_type in pyogrio.list_layers(finished):
        if name != "layer_styles":
            frame = pyogrio.read_dataframe(
                finished, layer=name, read_geometry=geometry_type is not None, use_arrow=True
            )
            layers[str(name)] = (frame, geometry_type)
    load_s = time.perf_counter() - start_s

    start_s = time.perf_counter()
    out.unlink(missing_ok=True)
    for i, (name, (frame, geometry_type)) in enumerate(layers.items()):
        pyogrio.write_dataframe(
            frame,
            out,
            layer=name,
            driver="GPKG",
            geometry_type=geometry_type,
            append=i > 0,
            use_arrow=True,
            dataset_options={"VERSION": "1.3"} if i == 0 else None,
        )
    write_s = time.perf_counter() - start_s
    print(json.dumps({"read_s": read_s, "load_s": load_s, "write_s": write_s, "n_layers": len(layers)}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
