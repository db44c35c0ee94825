"""One run from its parameters to the written GeoPackage."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from screening.batch.divide import TileTask, tile_inputs, tile_tasks
from screening.batch.merge import TilePart, merge, part_of
from screening.batch.prepare import Prepared, prepare, read_inputs, yield_curves
from screening.batch.record import run_record
from screening.batch.summary import RunSummary, summarize
from screening.kernels.city import place_all
from screening.pipeline import screen_tile
from screening.write import check_output, write_package

if TYPE_CHECKING:
    from screening.params import Params
    from screening.water_balance import YieldCurves

logger = logging.getLogger(__name__)

Progress = Callable[[int, int, str], None]

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
        Replace an existing output.

    Returns
    -------
    RunSummary

    Raises
    ------
    ScreeningError
        If an input cannot be used, the output exists, or tiles failed.
    """
    start = time.perf_counter()
    output = Path(output)
    say = on_progress or _say_nothing
    check_output(output, overwrite)
    with ExitStack() as stack:
        pool = None
        if bounds_m is None and limit is None and _is_large(params.inputs.parcels):
            pool = stack.enter_context(_workers(jobs, SMALL_RUN))
        say(0, 0, "reading")
        inputs = read_inputs(params, bounds_m)
        if pool is None:
            n_parcels = len(inputs.parcels) if limit is None else min(limit, len(inputs.parcels))
            pool = stack.enter_context(_workers(jobs, n_parcels))
        say(0, 0, "looking at the inputs")
        prepared = prepare(inputs, params, bounds_m, limit)
        curves = yield_curves(inputs, params)
        assumed = inputs.rain is None
        notes = [*inputs.notes, *prepared.notes]
        if assumed:
            notes.append(
                f"no rain record is given: yearly volumes rest on {params.rain.storms_per_y:g} assumed storms a year "
                f"of {params.rain.storm_mean_mm:g} mm; give one as [inputs] rain."
            )
        for note in notes:
            logger.info(note)
        parts = _screen(pool, prepared, curves, params, say, is_rain_assumed=assumed)
    say(1, 1, "putting the parts together")
    layers = merge(parts, prepared, inputs, params, whole=bounds_m is None and limit is None)
    summary = summarize(layers, prepared, output, notes, time.perf_counter() - start)
    record = run_record(params, inputs, summary, bounds_m, limit, curves)
    say(1, 1, "writing")
    write_package(output, layers, crs=inputs.crs, record=record, overwrite=overwrite)
    return replace(summary, seconds=time.perf_counter() - start)


def _is_large(path: Path | None) -> bool:
    """Whether a parcel file is so large that the run is surely worth workers, before a line of it is read."""
    return path is not None and path.is_file() and path.stat().st_size > SMALL_FILE_B


def _say_nothing(done: int, total: int, text: str) -> None:
    """Take progress without a word."""


def kernels_are_compiled() -> bool:
    """Whether the search kernel lies compiled in the cache."""
    folder = place_all.stats.cache_path
    return folder is not None and any(Path(folder).glob("*place_all*.nbi"))


def _work(task: TileTask, curves: YieldCurves, params: Params, is_rain_assumed: bool) -> TilePart:  # noqa: FBT001 - sent to a worker
    """Screen one tile; what a worker runs."""
    return part_of(screen_tile(tile_inputs(task, curves, is_rain_assumed=is_rain_assumed), params))


def _start_worker() -> None:
    """Spare a worker the search for cyclic garbage: a tile makes none to speak of, and millions of live objects."""
    gc.freeze()
    gc.disable()


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start processes that no Ctrl-C reaches: this one is told, and ends them without a word of theirs.

    A process inherits which signals are held back. Here the signal waits until the processes have started.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _workers(jobs: int | None, n_parcels: int) -> Iterator[ProcessPoolExecutor | None]:
    """The worker processes of a run, which start while the inputs are still looked at; None for a run without."""
    if jobs is None:
        jobs = 1 if n_parcels < SMALL_RUN else os.cpu_count() or 1
    if jobs <= 1:
        yield None
        return
    # spawned workers open their own files and inherit no locks
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker) as pool:
        try:
            with _interrupts_held_back():
                # a first task for each makes them start
                for _ in range(jobs):
                    pool.submit(kernels_are_compiled)
            yield pool
        except BaseException:
            # nobody waits for half a tile: the workers end at once
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in set(multiprocessing.active_children()) - others:
                worker.terminate()
            raise


def _screen(
    pool: ProcessPoolExecutor | None,
    prepared: Prepared,
    curves: YieldCurves,
    params: Params,
    say: Progress,
    *,
    is_rain_assumed: bool,
) -> list[TilePart]:
    """Screen all tiles, here or in worker processes; parts in the order of the grid."""
    total = int(prepared.city.parcels["is_counted"].sum())
    say(0, total, "screening" if kernels_are_compiled() else "compiling the kernels, on the first run only")
    tasks = tile_tasks(prepared.city, params)
    done = 0
    parts: list[TilePart] = []
    if pool is None:
        for task in tasks:
            parts.append(_work(task, curves, params, is_rain_assumed))
            done += task.n_homes
            say(done, total, "screening")
        return parts
    waiting = {pool.submit(_work, task, curves, params, is_rain_assumed): task for task in tasks}
    for future in as_completed(waiting):
        parts.append(future.result())
        done += waiting[future].n_homes
        say(done, total, "screening")
    return sorted(parts, key=lambda part: part.tile)
