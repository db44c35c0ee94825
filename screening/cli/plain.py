"""Texts on their way to a terminal: what comes out of data may neither steer it nor flood it."""

from __future__ import annotations

import json
import logging
import re
import shlex
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from pathlib import Path

LONGEST_LINE: Final = 600
"""Characters of a line of a message; what is longer loses its middle."""

MOST_LINES: Final = 8
"""Problems that are listed; the rest is counted."""

# Controls (but tab and line break), halves of pairs, line and paragraph separators, turns of the direction of writing,
# and the mark of the byte order.
_STEERING: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]"
)
_BREAKS: Final = re.compile("[\t\n\r\v\f\x1c-\x1e\x85\u2028\u2029]+")
_NEXT_PROBLEM: Final = re.compile(r"\n(?=  - )")


def plain(text: str) -> str:
    """Write the characters that steer a terminal as what they are called, so that they are seen and do nothing."""
    return _STEERING.sub(lambda found: ascii(found.group())[1:-1], text)


def one_line(text: str) -> str:
    """A text on one line, without its middle where it is too long."""
    line = plain(_BREAKS.sub(" ", text))
    if len(line) <= LONGEST_LINE:
        return line
    return f"{line[: LONGEST_LINE * 2 // 3]} [...] {line[-LONGEST_LINE // 3 :]}"


def message(text: str) -> str:
    """An error's text: one line, or a line and a list of problems."""
    first, *problems = _NEXT_PROBLEM.split(text)
    lines = [one_line(first), *(one_line(problem) for problem in problems[:MOST_LINES])]
    if len(problems) > MOST_LINES:
        lines.append(f"  - and {len(problems) - MOST_LINES:,} more")
    return "\n".join(lines)


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print a text that may contain what stands in data or in the name of a file."""
    click.echo(plain(text), err=err, nl=nl)


def echo_json(data: object, *, indent: int | None = 2, err: bool = False) -> None:
    """Print JSON; characters that steer a terminal stand in it as their numbers, which reads back as the same."""
    text = json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False)
    click.echo(_STEERING.sub(lambda found: f"\\u{ord(found.group()):04x}", text), err=err)


def as_argument(path: Path) -> str:
    """Return a path as a shell takes it, for a command that people copy."""
    text = str(path)
    return shlex.quote(f"./{text}" if text.startswith("-") else text)


class PlainFormatter(logging.Formatter):
    """Log lines in which data can't begin a line of its own; a traceback keeps its lines."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - logging's name
        """Format the line without what comes after it."""
        record.message = one_line(record.message)
        return super().formatMessage(record)

    def format(self, record: logging.LogRecord) -> str:
        """Format the whole record."""
        return plain(super().format(record))
