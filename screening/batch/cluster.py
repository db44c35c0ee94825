"""Workers of a Dask cluster in the place of processes of this machine: the same function for the same tiles."""

from __future__ import annotations

import importlib
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from screening.batch.work import Done, work
from screening.errors import ParameterError, ScreeningError

if TYPE_CHECKING:
    from concurrent.futures import Future

    from screening.batch.divide import Job
    from screening.tiles import Tile

WAIT_S = 30
"""Time in which a scheduler has to answer and to have a worker [s]."""

LOST_WORKERS = 3
"""How many workers a tile may lose before it counts as failed."""

SAME = ("screening", "numpy", "numba", "shapely", "pyarrow")
"""Packages whose version has to be the same everywhere: others could give other bytes."""


def versions() -> dict[str, str]:
    """Versions that the results hang on."""
    return {name: version(name) for name in SAME}


class ClusterWorkers:
    """Workers of a cluster; see `screening.batch.tile_loop.Workers`."""

    def __init__(self, scheduler: str) -> None:
        """Connect to a scheduler.

        Parameters
        ----------
        scheduler : str
            Its address (``tcp://host:8786``), or the file that it has written.

        Raises
        ------
        ScreeningError
            If it does not answer, has no worker, or its workers have other versions.
        """
        try:
            # in the extra of that name
            distributed: Any = importlib.import_module("distributed")
        except ImportError as error:
            msg = "--scheduler needs the package distributed: install screening with the extra 'cluster'."
            raise ParameterError(msg) from error
        where = {"address": scheduler} if "://" in scheduler else {"scheduler_file": str(Path(scheduler).absolute())}
        try:
            self._client: Any = distributed.Client(**where, timeout=WAIT_S, set_as_default=False)
            self._client.wait_for_workers(1, timeout=WAIT_S)
        except (OSError, TimeoutError, ValueError) as error:
            msg = f"no scheduler with a worker answers at {scheduler} ({type(error).__name__}); check that both run."
            raise ScreeningError(msg) from error
        self._refuse_other_versions()
        self.jobs = max(2, sum(self._client.nthreads().values()))
        # a worker that is lost takes no tile with it: the scheduler gives it to another
        self._pool = self._client.get_executor(pure=False, retries=LOST_WORKERS)

    def _refuse_other_versions(self) -> None:
        """Refuse workers that would compute something else."""
        own = versions()
        for address, theirs in self._client.run(versions).items():
            other = [f"{name} {theirs[name]}, not {own[name]}" for name in SAME if theirs[name] != own[name]]
            if other:
                msg = f"the worker at {address} has {'; '.join(other)}: install the same versions everywhere."
                raise ScreeningError(msg)

    def submit(self, tile: Tile, job: Job) -> Future[Done]:
        """Give a tile to a worker."""
        future: Future[Done] = self._pool.submit(work_there, tile, job)
        return future

    def begin_anew(self) -> None:
        """Go on: the scheduler sees to lost workers."""

    def end(self, *, at_once: bool) -> None:
        """Leave the cluster as it was."""
        self._pool.shutdown(wait=not at_once)
        self._client.close(timeout=5)


def work_there(tile: Tile, job: Job) -> Done:
    """Screen one tile on a worker of the cluster.

    Raises
    ------
    ScreeningError
        If the worker does not see the folder of the run.
    """
    if not job.city.folder.is_dir():
        msg = f"a worker does not see '{job.folder}': put the output on a drive that all machines share."
        raise ScreeningError(msg)
    return work(tile, job)
