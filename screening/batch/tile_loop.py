"""The loop over the tiles: worker processes, what they do at a time, and what happens when one fails."""

from __future__ import annotations

import errno
import logging
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import TYPE_CHECKING

from screening.batch.divide import TileTask, tile_tasks
from screening.batch.parts import PartFolder, tile_name
from screening.batch.work import kernels_are_compiled, start_worker, work
from screening.errors import ScreeningError

if TYPE_CHECKING:
    from screening.batch.prepare import Prepared
    from screening.params import Params
    from screening.pipeline import TownWater

logger = logging.getLogger(__name__)

Progress = Callable[[int, int, str], None]

AHEAD = 2
"""Tasks that wait for each worker beside the one it has: none idles, and few tiles are in memory."""

ATTEMPTS = 2
"""How often a tile is tried."""


class Workers:
    """Worker processes of a run; none for a small run."""

    def __init__(self, jobs: int) -> None:
        """Start so many processes; 1 for none beside this one."""
        self.jobs = jobs
        self._others = set(multiprocessing.active_children())
        self._pool = _new_pool(jobs) if jobs > 1 else None

    def submit(self, task: TileTask, params: Params, folder: PartFolder) -> Future[str]:
        """Give a tile to a worker, or screen it here."""
        if self._pool is not None:
            return self._pool.submit(work, task, params, folder.path)
        future: Future[str] = Future()
        try:
            future.set_result(work(task, params, folder.path))
        except Exception as error:  # noqa: BLE001 - told apart where the results are taken
            future.set_exception(error)
        return future

    def begin_anew(self) -> None:
        """Start new processes in the place of ones of which one has died."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = _new_pool(self.jobs)

    def end(self, *, at_once: bool) -> None:
        """End the processes; at once where nobody waits for half a tile."""
        if self._pool is None:
            return
        self._pool.shutdown(wait=not at_once, cancel_futures=True)
        if at_once:
            for process in set(multiprocessing.active_children()) - self._others:
                process.terminate()


@contextmanager
def workers(jobs: int) -> Iterator[Workers]:
    """Worker processes, which start while the inputs are still looked at."""
    crew = Workers(jobs)
    try:
        yield crew
    except BaseException:
        crew.end(at_once=True)
        raise
    crew.end(at_once=False)


def _new_pool(jobs: int) -> ProcessPoolExecutor:
    """Processes that are starting."""
    # spawned workers open their own files and inherit no locks
    pool = ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn"), initializer=start_worker)
    with _interrupts_held_back():
        # a first task for each makes them start
        for _ in range(jobs):
            pool.submit(kernels_are_compiled)
    return pool


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


def screen_tiles(
    crew: Workers, prepared: Prepared, water: TownWater, params: Params, folder: PartFolder, say: Progress
) -> list[tuple[TileTask, str]]:
    """Screen every tile that has no part yet.

    Parameters
    ----------
    crew : Workers
    prepared : Prepared
    water : TownWater
    params : Params
    folder : PartFolder
        Takes the parts; tiles that are there are left alone.
    say : callable
        Called with homes done, homes in all, and what is being done.

    Returns
    -------
    list of (TileTask, str)
        Tiles that failed twice, and why.

    Raises
    ------
    ScreeningError
        If the disk is full, or an input can't be read any more.
    """
    total = int(prepared.city.parcels["is_counted"].sum())
    text = "screening" if kernels_are_compiled() else "compiling the kernels, on the first run only"
    say(0, total, text)
    done = 0
    failed: list[tuple[TileTask, str]] = []
    again: list[TileTask] = []
    running: dict[Future[str], TileTask] = {}

    def take(finished: set[Future[str]], tries: int) -> None:
        """Take results; what failed is tried again, or given up after so many tries."""
        nonlocal done
        broken = False
        for future in finished:
            task = running.pop(future)
            try:
                folder.done.add(future.result())
                done += task.n_homes
            except ScreeningError:
                raise
            except BrokenExecutor:
                # one of the tiles at work has killed its worker, and all others with it: which, shows one by one
                broken = True
                again.append(task)
            except Exception as error:
                _raise_if_disk_is_full(error)
                logger.warning("Tile %s failed.", tile_name(task.tile), exc_info=error)
                if tries < ATTEMPTS:
                    again.append(task)
                else:
                    failed.append((task, f"{type(error).__name__}: {error}"))
        if broken:
            again.extend(running.values())
            running.clear()
            crew.begin_anew()
        say(done, total, "screening")

    for task in tile_tasks(prepared.city, water, params):
        if tile_name(task.tile) in folder.done:
            done += task.n_homes
            continue
        running[crew.submit(task, params, folder)] = task
        if len(running) >= crew.jobs * (1 + AHEAD) or crew.jobs == 1:
            take(wait(running, return_when=FIRST_COMPLETED).done, 1)
    while running:
        take(wait(running, return_when=FIRST_COMPLETED).done, 1)
    for task in again:
        again = []
        future = crew.submit(task, params, folder)
        running[future] = task
        take({next(iter(wait([future]).done))}, ATTEMPTS)
        failed.extend((lost, "its worker process died; there may be too little memory") for lost in again)
    return failed


def _raise_if_disk_is_full(error: Exception) -> None:
    """Say that a part found no room: no other will."""
    if isinstance(error, OSError) and error.errno in {errno.ENOSPC, errno.EDQUOT}:
        msg = "The disk is full: make room, and go on with --resume."
        raise ScreeningError(msg) from error


def jobs_for(jobs: int | None, *, is_small: bool) -> int:
    """Processes for a run: as asked for, else one a core, none beside this one for a small run."""
    if jobs is not None:
        return jobs
    return 1 if is_small else os.cpu_count() or 1
