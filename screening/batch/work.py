"""What a worker process does; it imports no more than that, for every worker pays for it."""

from __future__ import annotations

import gc
import multiprocessing
import os
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from screening.batch.divide import tile_inputs
from screening.batch.geometry_file import geometry_file, read_geometry, write_geometry
from screening.batch.memory import peak_memory_mib
from screening.batch.parts import tile_name, write_part
from screening.kernels.city import place_all
from screening.pipeline import screen_tile, tile_geometry

if TYPE_CHECKING:
    from screening.batch.divide import Job
    from screening.tiles import Tile


class Done(NamedTuple):
    """A finished tile: its name, how long it took [s], and the most memory its process has had [MiB]."""

    name: str
    seconds: float
    peak_memory_mib: float | None


def kernels_are_compiled() -> bool:
    """Whether the search kernel lies compiled in the cache."""
    folder = place_all.stats.cache_path
    return folder is not None and any(Path(folder).glob("*place_all*.nbi"))


def start_worker() -> None:
    """Make a process ready for tiles."""
    # a tile makes no cyclic garbage to speak of, and millions of live objects that would be searched for it
    gc.freeze()
    gc.disable()
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, however it went.

    Else it would go on with what it was sent, for nobody or into the folder of a later run, and then wait for ever.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def work(tile: Tile, job: Job) -> Done:
    """Screen one tile and write its part into the job's folder: what a worker runs."""
    begin = time.perf_counter()
    inputs = tile_inputs(job, tile)
    file = geometry_file(job.folder, tile, job.geometry_basis)
    # a run that goes on with other rain, soils or sizes finds it
    geometry = read_geometry(file)
    if geometry is None:
        geometry = tile_geometry(inputs, job.params)
        write_geometry(file, geometry)
    write_part(job.folder, screen_tile(inputs, job.params, geometry))
    return Done(tile_name(tile), time.perf_counter() - begin, peak_memory_mib())
