"""One run from its parameters to the written GeoPackage."""

from __future__ import annotations

import logging
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from screening.batch.merge import merge
from screening.batch.parts import part_folder, run_basis
from screening.batch.prepare import prepare, read_inputs
from screening.batch.record import run_record
from screening.batch.summary import RunSummary, summarize
from screening.batch.tile_loop import Progress, jobs_for, screen_tiles, workers
from screening.batch.water import run_water
from screening.paths import why_unreadable
from screening.write import check_output, write_package

if TYPE_CHECKING:
    from screening.params import Params

logger = logging.getLogger(__name__)

SMALL_RUN = 2500
"""Below this number of parcels starting workers takes longer than the work."""

SMALL_FILE_B = 1_500_000
"""A parcel file of more bytes than this surely holds more parcels; of workers that start early none waits long."""


def run(
    params: Params,
    on_progress: Progress | None = None,
    *,
    output: Path | str,
    jobs: int | None = None,
    bounds_m: tuple[float, float, float, float] | None = None,
    limit: int | None = None,
    overwrite: bool = False,
    resume: bool = False,
) -> RunSummary:
    """Screen a city and write the result.

    Parameters
    ----------
    params : Params
        Inputs and rules.
    on_progress : callable, optional
        Called with parcels done, parcels in all, and what is being done.
    output : Path
        GeoPackage to write.
    jobs : int, optional
        Worker processes; default: one per core, none for a small run.
    bounds_m : tuple of float, optional
        Account only for parcels that touch this box: west, south, east, north [m], working coordinates.
    limit : int, optional
        Account only for the first so many parcels, in order of their ids.
    overwrite : bool
        Replace an existing output, and throw away what a broken run has left beside it.
    resume : bool
        Go on with what a broken run of this output has left.

    Returns
    -------
    RunSummary

    Raises
    ------
    ScreeningError
        If an input cannot be used, or the output exists. Tiles that fail are no error: the summary names them.
    """
    start = time.perf_counter()
    output = Path(output)
    say = on_progress or _say_nothing
    check_output(output, overwrite)
    whole = bounds_m is None and limit is None
    with ExitStack() as stack:
        crew = None
        if whole and _is_large(params.inputs.parcels):
            crew = stack.enter_context(workers(jobs_for(jobs, is_small=False)))
        say(0, 0, "reading")
        inputs = read_inputs(params, bounds_m)
        if crew is None:
            n_parcels = len(inputs.parcels) if limit is None else min(limit, len(inputs.parcels))
            crew = stack.enter_context(workers(jobs_for(jobs, is_small=n_parcels < SMALL_RUN)))
        say(0, 0, "looking at the inputs")
        prepared = prepare(inputs, params, bounds_m, limit)
        water = run_water(inputs, params)
        notes = [*inputs.notes, *prepared.notes, *water.notes]
        for note in notes:
            logger.info(note)
        basis = run_basis(params, inputs, bounds_m, limit)
        folder = stack.enter_context(part_folder(output, basis, resume=resume, overwrite=overwrite))
        failed = screen_tiles(crew, prepared, water.water, params, folder, say)
        crew.end(at_once=False)
        say(1, 1, "putting the parts together")
        layers, spread = merge(folder, failed, prepared, inputs, water, params, whole=whole)
        summary = summarize(layers, spread, prepared, output, notes, failed)
        record = run_record(params, inputs, summary, bounds_m, limit, water.water)
        say(1, 1, "writing")
        write_package(output, layers, crs=inputs.crs, record=record, overwrite=overwrite)
        folder.is_kept = bool(failed)
    return replace(summary, seconds=time.perf_counter() - start)


def _is_large(path: Path | None) -> bool:
    """Whether a parcel file is so large that the run is surely worth workers, before a line of it is read."""
    return path is not None and not why_unreadable(path) and path.stat().st_size > SMALL_FILE_B


def _say_nothing(done: int, total: int, text: str) -> None:
    """Take progress without a word."""
