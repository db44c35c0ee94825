"""What a worker process does; it imports no more than that, for every worker pays for it."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import TYPE_CHECKING

from screening.batch.divide import tile_inputs
from screening.batch.parts import tile_name, write_part
from screening.kernels.city import place_all
from screening.pipeline import screen_tile

if TYPE_CHECKING:
    from screening.batch.divide import TileTask
    from screening.params import Params


def kernels_are_compiled() -> bool:
    """Whether the search kernel lies compiled in the cache."""
    folder = place_all.stats.cache_path
    return folder is not None and any(Path(folder).glob("*place_all*.nbi"))


def start_worker() -> None:
    """Spare a worker the search for cyclic garbage: a tile makes none to speak of, and millions of live objects."""
    gc.freeze()
    gc.disable()


def work(task: TileTask, params: Params, folder: Path) -> str:
    """Screen one tile, write its part into the folder, and return its name: what a worker runs."""
    write_part(folder, screen_tile(tile_inputs(task), params))
    return tile_name(task.tile)
