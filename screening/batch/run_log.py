"""The log of a run: how long each stage took, and how much memory; it never gets into the result."""

from __future__ import annotations

import contextlib
import json
import logging
import time
from typing import TYPE_CHECKING

from screening.batch.memory import peak_memory_mib

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

logger = logging.getLogger(__name__)


def log_of(output: Path) -> Path:
    """Where the log of an output's run lies."""
    return output.with_name(output.stem + ".run.jsonl")


class RunLog:
    """Lines of JSON, one for each stage and tile, as they end."""

    def __init__(self, path: Path) -> None:
        """Begin a log in a file."""
        self._file = path.open("w", encoding="utf-8")
        self._path = path

    def say(self, **entries: object) -> None:
        """Write a line."""
        plain = {key: round(value, 3) if isinstance(value, float) else value for key, value in entries.items()}
        self._file.write(json.dumps(plain, ensure_ascii=False) + "\n")
        self._file.flush()

    @contextlib.contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Write how long what follows took, and the most memory that this process has had until its end."""
        begin = time.perf_counter()
        try:
            yield
        finally:
            self.say(stage=name, seconds=time.perf_counter() - begin, peak_memory_mib=peak_memory_mib())

    def keep(self, output: Path) -> None:
        """Put the log beside the output; that it can't be is no reason to lose a run."""
        self._file.close()
        try:
            log_of(output).write_text(self._path.read_text(encoding="utf-8"), encoding="utf-8")
        except OSError as error:
            logger.warning("The log of the run can't be written (%s).", error.strerror)

    def close(self) -> None:
        """End the log."""
        self._file.close()
