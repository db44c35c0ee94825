"""Progress on stderr: a bar on a terminal, a line each twentieth of the way elsewhere, or lines of JSON."""

from __future__ import annotations

import contextlib
import sys
import time
from typing import TYPE_CHECKING

from screening.cli.plain import echo, echo_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    OnProgress = Callable[[int, int, str], None]

STEPS = 20
"""Lines that a run writes where there is no terminal, at most, for each thing it does."""

JSON_EVERY_S = 1.0
"""Lines of JSON come at most so often [s], but for the first and the last of each thing done."""


class Pace:
    """How fast homes are done: what was done before, by a run that broke off, is no work of this one."""

    def __init__(self) -> None:
        """Wait for the first home."""
        self._first: tuple[float, int] | None = None
        self._total = 0

    def at(self, done: int, total: int) -> tuple[float | None, float | None]:
        """Homes a second and seconds left, both None as long as nothing has been done.

        Parameters
        ----------
        done, total : int
            Homes done, and homes in all.
        """
        now = time.monotonic()
        if self._first is None or total != self._total or done < self._first[1]:
            self._first, self._total = (now, done), total
        begin_s, n_before = self._first
        if done <= n_before or now <= begin_s:
            return None, None
        per_s = (done - n_before) / (now - begin_s)
        return per_s, (total - done) / per_s


@contextlib.contextmanager
def show_progress(*, wanted: bool, form: str = "auto") -> Iterator[OnProgress | None]:
    """Give a function that shows how far the work is.

    Parameters
    ----------
    wanted : bool
        False gives None: nothing is shown.
    form : str
        ``json`` for lines of JSON.

    Yields
    ------
    callable or None
        Takes homes done, homes in all (0: not known), and what is being done.
    """
    if not wanted:
        yield None
    elif form == "json":
        yield _json_lines()
    elif sys.stderr.isatty():
        with _bar() as on_progress:
            yield on_progress
    else:
        yield _lines()


def in_words(seconds: float) -> str:
    """A time left, no more exact than it can be known."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


@contextlib.contextmanager
def _bar() -> Iterator[OnProgress]:
    """Draw a bar; it goes away when the work is done."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[pace]}", markup=False),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=None, pace="")
        pace = Pace()

        def on_progress(done: int, total: int, text: str) -> None:
            per_s, left_s = pace.at(done, total)
            said = "" if per_s is None or left_s is None else f"{per_s:,.0f} homes/s, {in_words(left_s)} left;"
            # Without a total rich lets the bar swing instead of claiming a share.
            bar.update(task, completed=done, total=total if total > 1 else None, description=text, pace=said)

        yield on_progress


def _lines() -> OnProgress:
    """Write a line at the start of each thing done, and at every twentieth of the way."""
    last: tuple[str, int] | None = None
    pace = Pace()

    def on_progress(done: int, total: int, text: str) -> None:
        nonlocal last
        step = done * STEPS // total if total else 0
        per_s, left_s = pace.at(done, total)
        if (text, step) == last:
            return
        last = (text, step)
        share = f"{100 * done // total:>3} %  {done:,} of {total:,} parcels  " if total > 1 else ""
        left = "" if per_s is None or left_s is None or not left_s else f"; {in_words(left_s)} left"
        echo(f"{share}{text}{left}", err=True)

    return on_progress


def _json_lines() -> OnProgress:
    """Write a line of JSON for each thing done, and about every second of it."""
    last: tuple[str, float] | None = None
    pace = Pace()

    def on_progress(done: int, total: int, text: str) -> None:
        nonlocal last
        per_s, left_s = pace.at(done, total)
        now = time.monotonic()
        is_known = total > 1
        if last is not None and last[0] == text and now < last[1] + JSON_EVERY_S and not (is_known and done == total):
            return
        last = (text, now)
        line = {
            "doing": text,
            "homes_done": done if is_known else None,
            "homes": total if is_known else None,
            "homes_per_s": None if per_s is None else round(per_s, 2),
            "seconds_left": None if left_s is None else round(left_s, 1),
        }
        echo_json(line, indent=None, err=True)

    return on_progress
