"""The rain record among tables."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.errors import ScreeningError
from screening.read import read_rain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.survey.facts import TableFacts

RAIN_NAMES: Final = re.compile(r"rain.*|prcp.*|precip.*|p01[im]|hpcp|niederschlag.*|regen.*", re.IGNORECASE)
TIME_NAMES: Final = re.compile(r"time|date.*|datum|valid|timestamp|day|hour|.*_time|local_?time", re.IGNORECASE)
"""Columns of weather services' tables; from memory."""


@dataclass(frozen=True, slots=True)
class RainGuess:
    """A table that is a rain record.

    Attributes
    ----------
    table : TableFacts
        It.
    is_usable : bool
        Whether it can be read as it is.
    is_sure : bool
        Whether nothing else may be meant.
    unit : str
        ``mm`` or ``in``.
    why : str
        What it holds, or what has to be done with it first.
    """

    table: TableFacts
    is_usable: bool
    is_sure: bool
    unit: str
    why: str


def guess_rain(tables: Sequence[TableFacts], *, is_named: bool = False) -> RainGuess | None:
    """Find the rain record; None if no table looks like one.

    Of several that can be read the longest is taken.
    """
    guesses = [guess for guess in (_look(table) for table in tables) if guess is not None]
    if not guesses:
        if is_named and tables:
            table = tables[0]
            columns = ", ".join(table.columns[:8])
            why = f"it has no column of rain (its columns are {columns}); give it the columns time and rain_mm"
            return RainGuess(table, is_usable=False, is_sure=False, unit="mm", why=why)
        return None
    guesses.sort(key=lambda guess: (not guess.is_usable, -guess.table.n_lines))
    return guesses[0]


def _look(table: TableFacts) -> RainGuess | None:
    lower = {name.lower(): name for name in table.columns}
    rain = [name for name in table.columns if RAIN_NAMES.fullmatch(name)]
    time = [name for name in table.columns if TIME_NAMES.fullmatch(name)]
    if not rain or not time:
        return None
    if "time" not in lower or not {"rain_mm", "rain_in"} & set(lower):
        why = (
            f"it looks like a rain record; call its column {time[0]} time, and {rain[0]} rain_mm (millimetres) or "
            "rain_in (inches), and take this in"
        )
        return RainGuess(table, is_usable=False, is_sure=False, unit="mm", why=why)
    unit = "mm" if "rain_mm" in lower else "in"
    try:
        record, _ = read_rain(table.path, unit=unit)
    except ScreeningError as error:
        return RainGuess(table, is_usable=False, is_sure=False, unit=unit, why=str(error).rstrip("."))
    step = "hours" if record.step_h == 1.0 else "days"
    why = f"{step} of the years {record.first_year} to {record.last_year}, {record.missing_frac:.1%} missing"
    return RainGuess(table, is_usable=True, is_sure=True, unit=unit, why=why)
