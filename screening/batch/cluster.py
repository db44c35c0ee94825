"""Workers of a Dask cluster in the place of processes of this machine: the same function for the same tiles."""

from __future__ import annotations

import importlib
import json
import re
import time
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from screening.batch.work import Done, work
from screening.errors import ParameterError, ScreeningError
from screening.paths import NOT_THERE, why_unreadable

if TYPE_CHECKING:
    from concurrent.futures import Future

    from screening.batch.divide import Job
    from screening.tiles import Tile

WAIT_S = 30
"""Time in which a scheduler has to write its file, to answer, and to have a worker [s]."""

LAST_PORT = 65535
LONGEST_FILE_B = 10_000_000
"""A scheduler's file lists its workers; ten thousand of them need less [bytes]."""

LOST_WORKERS = 3
"""How many workers a tile may lose before it counts as failed."""

SAME = ("screening", "numpy", "numba", "shapely", "pyarrow")
"""Packages whose version has to be the same everywhere: others could give other bytes."""


def versions() -> dict[str, str]:
    """Versions that the results hang on."""
    return {name: version(name) for name in SAME}


ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.]+\]|[\w.-]{1,253}):(\d{1,5})", re.ASCII)
"""How an address reads: of the other kinds that Dask knows, some never answer and never give up."""

WITH_PORT = re.compile(r":\d+$")


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
        ParameterError
            If this is neither an address nor a scheduler's file.
        ScreeningError
            If it does not answer, has no worker, or its workers have other versions.
        """
        try:
            # in the extra of that name
            distributed: Any = importlib.import_module("distributed")
        except ImportError as error:
            msg = "--scheduler needs the package distributed: install screening with the extra 'cluster'."
            raise ParameterError(msg) from error
        address = address_of(scheduler)
        if address.startswith("tls:"):
            _refuse_missing_certificates(distributed)
        try:
            self._client: Any = distributed.Client(address, timeout=WAIT_S, set_as_default=False)
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


def address_of(scheduler: str) -> str:
    """Return the address of a scheduler, read from the file that it has written if that is what was given.

    Dask itself would wait for such a file without end, and so where an address lacks its ``tcp://``.

    Parameters
    ----------
    scheduler : str
        An address or a path.

    Raises
    ------
    ParameterError
        If it is neither, or the file holds no address.
    """
    if "://" in scheduler:
        address, where = scheduler, ""
    else:
        path = Path(scheduler)
        wrong = _wait_for(path)
        if wrong:
            hint = "; an address begins with tcp://" if WITH_PORT.search(scheduler) else ""
            msg = f"the scheduler's file '{scheduler}' {wrong}: start the scheduler with --scheduler-file first{hint}."
            raise ParameterError(msg)
        address, where = _written_address(path), f" in the scheduler's file '{scheduler}'"
    match = ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match[3]) <= LAST_PORT:
        msg = f"'{address}'{where} is no address of a scheduler: it reads tcp://HOST:PORT."
        raise ParameterError(msg)
    return address


def _refuse_missing_certificates(distributed: Any) -> None:
    """Refuse a locked connection that Dask has no certificates for: it would neither connect nor end."""
    try:
        has_some = distributed.Security().get_connection_args("client").get("ssl_context") is not None
    except (OSError, ValueError) as error:
        msg = f"the certificates in Dask's settings (distributed.comm.tls) can't be read: {error}"
        raise ParameterError(msg) from error
    if not has_some:
        msg = "a scheduler at tls:// needs certificates in Dask's settings (distributed.comm.tls)."
        raise ParameterError(msg)


def _wait_for(path: Path) -> str:
    """Wait for a file that a scheduler, started in the same breath, is about to write; what is wrong with it."""
    deadline = time.monotonic() + (0.0 if WITH_PORT.search(path.name) else WAIT_S)
    while (wrong := why_unreadable(path)) == NOT_THERE and time.monotonic() < deadline:
        time.sleep(0.1)
    # it is there a moment before its content is
    while not wrong and path.stat().st_size == 0 and time.monotonic() < deadline:
        time.sleep(0.1)
    return wrong


def _written_address(path: Path) -> str:
    """Return what a scheduler's file gives as address; "" if it gives none."""
    try:
        with path.open("rb") as file:
            said = json.loads(file.read(LONGEST_FILE_B))
    except (OSError, ValueError, RecursionError) as error:
        msg = f"'{path}' is no file of a scheduler ({type(error).__name__}): start the scheduler with --scheduler-file."
        raise ParameterError(msg) from error
    address = said.get("address") if isinstance(said, dict) else None
    return address if isinstance(address, str) else ""


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
