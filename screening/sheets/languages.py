"""The languages in which sheets can be had, and numbers as each of them writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.report.quantities import MISSING, Units, percent
from screening.sheets.words import ENGLISH
from screening.sheets.words_es import SPANISH
from screening.sheets.words_fr import FRENCH

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.sheets.words import Words

LANGUAGES: Final[Mapping[str, Words]] = {words.language: words for words in (ENGLISH, FRENCH, SPANISH)}
"""By tag."""

_YEARLY: Final = "/y"
_FIXED_BLANK: Final = "\u00a0"


class SheetUnits:
    """Numbers as a language writes them.

    Parameters
    ----------
    display : str
        As for `Units`, whose methods these are.
    words : Words
        The language.
    """

    def __init__(self, display: str, words: Words) -> None:
        self._units = Units(display)
        self._words = words
        self.is_us = self._units.is_us

    def said(self, text: str) -> str:
        """Put a number into the language: its decimal mark, its word for a year, its words where there is none."""
        if text == MISSING:
            return self._words.missing
        mark = self._words.decimal_mark
        if mark != ".":
            text = text.replace(",", _FIXED_BLANK).replace(".", mark)
        return text.replace(_YEARLY, self._words.per_year)

    def number(self, value: float | None, unit: str, *, decimals: int | None = None) -> str:
        """Write a number without its unit."""
        return self.said(self._units.number(value, unit, decimals=decimals))

    def show(self, value: float | None, unit: str, *, decimals: int | None = None) -> str:
        """Write a number with its unit."""
        return self.said(self._units.show(value, unit, decimals=decimals))

    def limit(self, value: float | None, unit: str) -> str:
        """Write a number that somebody set."""
        return self.said(self._units.limit(value, unit))

    def rough(self, value: float | None, unit: str) -> str:
        """Write a number with its unit to three digits."""
        return self.said(self._units.rough(value, unit))

    def rough_span(self, low: float | None, high: float | None, unit: str) -> str:
        """Write a range to three digits, its unit once."""
        if low is None or high is None:
            return self._words.missing
        sign = self._units.sign(unit)
        return self.said(f"{self._units.rough(low, unit).removesuffix(f' {sign}')}–{self._units.rough(high, unit)}")

    def percent(self, fraction: float | None) -> str:
        """Write a fraction as a percentage."""
        return self.said(percent(fraction))

    def sign(self, unit: str) -> str:
        """Write a unit alone."""
        return self._units.sign(unit)
