"""Progress on stderr: a bar on a terminal, a line each twentieth of the way elsewhere."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    OnProgress = Callable[[int, int, str], None]

STEPS = 20
"""Lines that a run writes where there is no terminal, at most, for each thing it does."""


@contextlib.contextmanager
def show_progress(*, wanted: bool) -> Iterator[OnProgress | None]:
    """Give a function that shows how far the work is.

    Parameters
    ----------
    wanted : bool
        False gives None: nothing is shown.

    Yields
    ------
    callable or None
        Takes parcels done, parcels in all (0: not known), and what is being done.
    """
    if not wanted:
        yield None
    elif sys.stderr.isatty():
        with _bar() as on_progress:
            yield on_progress
    else:
        yield _lines()


@contextlib.contextmanager
def _bar() -> Iterator[OnProgress]:
    """Draw a bar; it goes away when the work is done."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=None)

        def on_progress(done: int, total: int, text: str) -> None:
            # Without a total rich lets the bar swing instead of claiming a share.
            bar.update(task, completed=done, total=total if total > 1 else None, description=text)

        yield on_progress


def _lines() -> OnProgress:
    """Write a line at the start of each thing done, and at every twentieth of the way."""
    last: tuple[str, int] | None = None

    def on_progress(done: int, total: int, text: str) -> None:
        nonlocal last
        step = done * STEPS // total if total else 0
        if (text, step) == last:
            return
        last = (text, step)
        share = f"{100 * done // total:>3} %  {done:,} of {total:,} parcels  " if total > 1 else ""
        click.echo(f"{share}{text}", err=True)

    return on_progress
