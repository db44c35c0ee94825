"""Describing text tables: whether one is a rain record."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.survey.facts import TableFacts
from screening.survey.private import private_name

if TYPE_CHECKING:
    from pathlib import Path

LONGEST_LINE: Final = 100_000
"""Characters of a line after which a file is no table."""


def look_at_table(path: Path) -> TableFacts:
    """Describe a text table by its first and last line.

    Raises
    ------
    InputError
        If it is no table.
    """
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            lines = [line for line in (file.readline(LONGEST_LINE) for _ in range(50)) if _counts(line)]
            n_lines = len(lines) - 1
            last = lines[-1] if lines else ""
            while line := file.readline(LONGEST_LINE):
                if _counts(line):
                    n_lines, last = n_lines + 1, line
    except OSError as error:
        msg = f"{path.name} can't be read ({error.strerror or error}); check the file and its permissions."
        raise InputError(msg) from None
    if len(lines) < 2 or "\0" in lines[0]:
        msg = f"{path.name} holds no table; check the file."
        raise InputError(msg)
    mark = max(",;\t", key=lines[0].count)
    header = [cell.strip() for cell in _cells(lines[0], mark)]
    shown = [i for i, name in enumerate(header) if name and not private_name(name)]
    return TableFacts(
        path=path,
        columns=tuple(header[i] for i in shown),
        first_values=_values(header, shown, _cells(lines[1], mark)),
        n_lines=n_lines,
        last_values=_values(header, shown, _cells(last, mark)),
        mark=mark,
    )


def _counts(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _cells(line: str, mark: str) -> list[str]:
    try:
        return next(csv.reader([line.replace("\0", "")], delimiter=mark), [])
    except csv.Error:
        return []


def _values(header: list[str], shown: list[int], cells: list[str]) -> dict[str, str]:
    return {header[i]: cells[i].strip() for i in shown if i < len(cells)}
