"""The loop over the tiles: worker processes, what they do at a time, and what happens when one fails."""

from __future__ import annotations

import errno
import logging
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from screening.batch.parts import tile_name
from screening.batch.work import Done, kernels_are_compiled, start_worker, work
from screening.errors import ScreeningError

if TYPE_CHECKING:
    from screening.batch.divide import Job
    from screening.batch.part_folder import PartFolder
    from screening.batch.run_log import RunLog
    from screening.tiles import Tile

logger = logging.getLogger(__name__)

Progress = Callable[[int, int, str], None]

AHEAD = 2
"""Tasks that wait for each worker beside the one it has: none idles, and few tiles are in memory."""

_NOT_SHARED = (
    "a worker has written its tile where this machine doesn't see it: put the output on a drive that all machines "
    "share, under the same path."
)

ATTEMPTS = 2
"""How often a tile is tried."""


class Workers:
    """Worker processes of a run; none for a small run."""

    def __init__(self, jobs: int) -> None:
        """Start so many processes; 1 for none beside this one."""
        self.jobs = jobs
        self._others = set(multiprocessing.active_children())
        self._pool = _new_pool(jobs) if jobs > 1 else None

    def submit(self, tile: Tile, job: Job) -> Future[Done]:
        """Give a tile to a worker, or screen it here."""
        if self._pool is not None:
            return self._pool.submit(work, tile, job)
        future: Future[Done] = Future()
        try:
            future.set_result(work(tile, job))
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


class Crew(Protocol):
    """Whoever screens tiles: processes of this machine, or of a cluster."""

    jobs: int

    def submit(self, tile: Tile, job: Job) -> Future[Done]:
        """Give a tile to a worker."""
        ...

    def begin_anew(self) -> None:
        """Go on after workers have died."""
        ...

    def end(self, *, at_once: bool) -> None:
        """Send the workers home."""
        ...


@contextmanager
def at_work(crew: Crew) -> Iterator[Crew]:
    """Workers that are sent home at the end, however it comes."""
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
    crew: Crew, tiles: Sequence[tuple[Tile, int]], job: Job, folder: PartFolder, log: RunLog, say: Progress
) -> list[tuple[Tile, str]]:
    """Screen every tile that has no part yet.

    Parameters
    ----------
    crew : Crew
    tiles : sequence of (Tile, int)
        Tiles with their number of homes.
    job : Job
    folder : PartFolder
        Takes the parts; tiles that are there are left alone.
    log : RunLog
    say : callable
        Called with homes done, homes in all, and what is being done.

    Returns
    -------
    list of (Tile, str)
        Tiles that failed twice, and why.

    Raises
    ------
    ScreeningError
        If the disk is full, or an input can't be read any more.
    """
    total = sum(n_homes for _, n_homes in tiles)
    homes = dict(tiles)
    done = sum(n_homes for tile, n_homes in tiles if tile_name(tile) in folder.done)
    say(done, total, "screening" if kernels_are_compiled() else "compiling the kernels, on the first run only")
    failed: list[tuple[Tile, str]] = []
    again: list[Tile] = []
    running: dict[Future[Done], Tile] = {}

    def take(finished: set[Future[Done]], tries: int) -> None:
        """Take results; what failed is tried again, or given up after so many tries."""
        nonlocal done
        broken = False
        for future in finished:
            tile = running.pop(future)
            try:
                result = future.result()
                _require_part(folder, result.name)
                folder.done.add(result.name)
                done += homes[tile]
                log.say(
                    tile=result.name, n_homes=homes[tile], seconds=result.seconds, memory_mib=result.peak_memory_mib
                )
            except ScreeningError:
                raise
            except BrokenExecutor:
                # one of the tiles at work has killed its worker, and all others with it: which, shows one by one
                broken = True
                again.append(tile)
            except Exception as error:
                raise_if_disk_is_full(error)
                logger.warning("Tile %s failed.", tile_name(tile), exc_info=error)
                if tries < ATTEMPTS:
                    again.append(tile)
                else:
                    failed.append((tile, f"{type(error).__name__}: {error}"))
        if broken:
            again.extend(running.values())
            running.clear()
            crew.begin_anew()
        say(done, total, "screening")

    # the largest first, so that in the end no worker waits long for another
    for tile, _ in sorted(tiles, key=lambda one: -one[1]):
        if tile_name(tile) in folder.done:
            continue
        running[crew.submit(tile, job)] = tile
        if len(running) >= crew.jobs * (1 + AHEAD) or crew.jobs == 1:
            take(wait(running, return_when=FIRST_COMPLETED).done, 1)
    while running:
        take(wait(running, return_when=FIRST_COMPLETED).done, 1)
    for tile in again:
        again = []
        future = crew.submit(tile, job)
        running[future] = tile
        take({next(iter(wait([future]).done))}, ATTEMPTS)
        failed.extend((lost, "its worker process died; there may be too little memory") for lost in again)
    return failed


def _require_part(folder: PartFolder, name: str) -> None:
    """Refuse a part that this machine can't see."""
    if not (folder.path / name).is_dir():
        raise ScreeningError(_NOT_SHARED)


def raise_if_disk_is_full(error: Exception) -> None:
    """Say that a part found no room: no other will."""
    if isinstance(error, OSError) and error.errno in {errno.ENOSPC, errno.EDQUOT}:
        msg = "The disk is full: make room, and go on with --resume."
        raise ScreeningError(msg) from error


def jobs_for(jobs: int | None, *, is_small: bool) -> int:
    """Processes for a run: as asked for, else one a core, none beside this one for a small run."""
    if jobs is not None:
        return jobs
    return 1 if is_small else os.cpu_count() or 1
