"""One run from its parameters to the written GeoPackage."""

from __future__ import annotations

import importlib
import logging
import os
import threading
import time
from contextlib import ExitStack
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from screening.batch.basis import run_basis
from screening.batch.cluster import ClusterWorkers
from screening.batch.divide import job_of
from screening.batch.gather import gather
from screening.batch.memory import give_back_memory
from screening.batch.merge import merge
from screening.batch.part_folder import folder_of, part_folder
from screening.batch.parts import tile_name
from screening.batch.prepare import look_at_ground
from screening.batch.record import run_record
from screening.batch.run_log import RunLog
from screening.batch.summary import RunSummary, summarize, told
from screening.batch.tile_loop import Workers, at_work, jobs_for, raise_if_disk_is_full, screen_tiles
from screening.batch.water import run_water
from screening.errors import InputError
from screening.paths import why_unreadable
from screening.write import check_output, write_package

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.batch.part_folder import PartFolder
    from screening.batch.tile_loop import Crew, Progress
    from screening.params import Params
    from screening.tiles import Tile

logger = logging.getLogger(__name__)

SMALL_RUN = 2500
"""Below this number of parcels starting workers takes longer than the work."""

NEEDED_LATER = "scipy.stats"
"""Takes a second to import, for the draws after the tiles."""

SMALL_FILE_B = 1_500_000
"""A parcel file of more bytes than this surely holds more parcels; of workers that start early none waits long."""


class Part(NamedTuple):
    """The part of a city that a run gives an account of.

    Attributes
    ----------
    bounds_m : tuple of float or None
        Only parcels that touch this box: west, south, east, north [m], working coordinates.
    limit : int or None
        Only the first so many parcels, in order of their ids.
    """

    bounds_m: tuple[float, float, float, float] | None = None
    limit: int | None = None


class ShareSummary(NamedTuple):
    """What one of several processes that share a run has done.

    Attributes
    ----------
    n_tiles, n_homes : int
        Tiles of its share, and the parcels they own.
    n_tiles_in_all : int
        Tiles of the run.
    failed_tiles : tuple of str
        Why tiles failed, one entry each.
    """

    n_tiles: int
    n_homes: int
    n_tiles_in_all: int
    failed_tiles: tuple[str, ...]


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
    scheduler: str | None = None,
) -> RunSummary:
    """Screen a city and write the result.

    Parameters
    ----------
    params : Params
        Inputs and rules.
    on_progress : callable, optional
        Called with parcels done, parcels in all, and what is being done.
    output : Path
        GeoPackage to write; a log of the run with times and memory is put beside it.
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
    scheduler : str, optional
        Address of a Dask scheduler, or the file that it has written: its workers do the tiles.

    Returns
    -------
    RunSummary

    Raises
    ------
    ScreeningError
        If an input cannot be used, or the output exists. Tiles that fail are no error: the summary names them.
    """
    output = Path(output)
    check_output(output, overwrite)
    part = Part(bounds_m, limit)
    with ExitStack() as stack:
        folder = stack.enter_context(part_folder(output, resume=resume, overwrite=overwrite))
        crew: Crew | None = None
        if scheduler is not None:
            crew = stack.enter_context(at_work(ClusterWorkers(scheduler)))
        elif part == Part() and _is_large(params.inputs.parcels):
            crew = stack.enter_context(at_work(Workers(jobs_for(jobs, is_small=False))))
        whole = _Whole(stack, params, part, folder, on_progress)
        if crew is None:
            n_parcels = sum(n_homes for _, n_homes in whole.gathered.tiles)
            crew = stack.enter_context(at_work(Workers(jobs_for(jobs, is_small=n_parcels < SMALL_RUN))))
        failed = whole.screen(crew, whole.gathered.tiles)
        crew.end(at_once=False)
        return whole.finish(output, failed, overwrite=overwrite)


def run_share(
    params: Params,
    on_progress: Progress | None = None,
    *,
    output: Path | str,
    share: tuple[int, int],
    jobs: int | None = None,
    part: Part | None = None,
) -> ShareSummary:
    """Screen one share of a city's tiles; others do the rest at the same time, and `merge_shares` ends the run.

    Parameters
    ----------
    params, on_progress, jobs
        As of `run`.
    output : Path
        The GeoPackage that there will be, on a drive that all machines share; the parts lie beside it.
    share : tuple of int
        Which one of how many, from 1.
    part : Part, optional

    Raises
    ------
    ScreeningError
        As `run`; also if the parts that are there are of another run.
    """
    number, n_shares = share
    output = Path(output)
    with ExitStack() as stack:
        folder = stack.enter_context(part_folder(output, resume=True, overwrite=False, is_shared=True))
        whole = _Whole(stack, params, part or Part(), folder, on_progress)
        # largest first, dealt out like cards: every share has about as many homes
        tiles = sorted(whole.gathered.tiles, key=lambda one: -one[1])
        own = tiles[number - 1 :: n_shares]
        n_homes = sum(n for _, n in own)
        crew = stack.enter_context(at_work(Workers(jobs_for(jobs, is_small=n_homes < SMALL_RUN))))
        failed = whole.screen(crew, own)
        whole.log.close()
        return ShareSummary(len(own), n_homes, len(tiles), told(failed))


def merge_shares(
    params: Params,
    on_progress: Progress | None = None,
    *,
    output: Path | str,
    part: Part | None = None,
    overwrite: bool = False,
) -> RunSummary:
    """Put the parts of all shares together and write the result.

    Parameters
    ----------
    params, on_progress, output, part
        As of `run_share`.
    overwrite : bool
        Replace an existing output.

    Raises
    ------
    ScreeningError
        If tiles are missing, or shares are still at work.
    """
    output = Path(output)
    check_output(output, overwrite)
    if not folder_of(output).is_dir():
        msg = f"there are no parts beside '{output}': do the shares first, with run --tiles I/N and the same -o."
        raise InputError(msg)
    with ExitStack() as stack:
        folder = stack.enter_context(part_folder(output, resume=True, overwrite=False, is_last=True))
        whole = _Whole(stack, params, part or Part(), folder, on_progress)
        missing = [tile for tile, _ in whole.gathered.tiles if tile_name(tile) not in folder.done]
        if missing:
            msg = (
                f"{len(missing)} of {len(whole.gathered.tiles)} tiles are missing or were made from something else: do "
                "the missing shares again, or let 'screening run --resume' with the same -o do the rest here."
            )
            raise InputError(msg)
        return whole.finish(output, [], overwrite=overwrite)


class _Whole:
    """A run between its inputs and its result."""

    def __init__(
        self, stack: ExitStack, params: Params, part: Part, folder: PartFolder, on_progress: Progress | None
    ) -> None:
        """Read the inputs and make everything ready for the tiles."""
        self._begin = time.perf_counter()
        self._params, self._part, self._folder = params, part, folder
        self._say = on_progress or _say_nothing
        self.log = RunLog(folder.scratch / "log.jsonl")
        stack.callback(self.log.close)
        self.log.say(screening_version=version("screening"), n_cores=os.cpu_count())
        self._say(0, 0, "reading")
        with self.log.stage("reading"):
            try:
                self.gathered = gather(params, part.bounds_m, part.limit, folder.scratch)
            except OSError as error:
                raise_if_disk_is_full(error)
                raise
        city, inputs = self.gathered.city, self.gathered.inputs
        self._say(0, 0, "looking at the inputs")
        with self.log.stage("looking at the inputs"):
            ground = look_at_ground(city, self.gathered.may_be_home, self.gathered.is_house, params)
            self._water = run_water(inputs, params)
        self.notes = [*inputs.notes, *self.gathered.notes, *ground.notes, *self._water.notes]
        for note in self.notes:
            logger.info(note)
        basis = run_basis(params, inputs, part.bounds_m, part.limit)
        folder.begin(basis)
        self._job = job_of(city, self._water.water, params, folder.path, basis.geometry)

    def screen(self, crew: Crew, tiles: Sequence[tuple[Tile, int]]) -> list[tuple[Tile, str]]:
        """Screen tiles; which failed, and why."""
        if crew.jobs > 1:
            # while others work, this process makes ready for what comes after them
            threading.Thread(target=importlib.import_module, args=(NEEDED_LATER,), daemon=True).start()
        with self.log.stage("screening"):
            return screen_tiles(crew, tiles, self._job, self._folder, self.log, self._say)

    def finish(self, output: Path, failed: list[tuple[Tile, str]], *, overwrite: bool) -> RunSummary:
        """Put the parts together and write the result."""
        inputs, params, part = self.gathered.inputs, self._params, self._part
        self._say(1, 1, "putting the parts together")
        give_back_memory()
        with self.log.stage("putting the parts together"):
            merged = merge(self._folder, failed, self.gathered, self._job, self._water, params)
            summary = summarize(merged, self.gathered, output, self.notes, failed)
            record = run_record(params, inputs, summary, part.bounds_m, part.limit, self._water.water)
        self._say(1, 1, "writing")
        with self.log.stage("writing"):
            # in the scratch folder the next run finds and removes what a killed one leaves
            scratch = self._folder.scratch
            write_package(output, merged.layers, crs=inputs.crs, record=record, overwrite=overwrite, scratch=scratch)
        self._folder.is_kept = bool(failed)
        seconds = time.perf_counter() - self._begin
        self.log.say(stage="all", seconds=seconds, n_homes=sum(n for _, n in self.gathered.tiles))
        self.log.keep(output)
        return replace(summary, seconds=seconds)


def _is_large(path: Path | None) -> bool:
    """Whether a parcel file is so large that the run is surely worth workers, before a line of it is read."""
    return path is not None and not why_unreadable(path) and path.stat().st_size > SMALL_FILE_B


def _say_nothing(done: int, total: int, text: str) -> None:
    """Take progress without a word."""
