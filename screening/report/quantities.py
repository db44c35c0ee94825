"""Numbers as people read them: rounded, with their unit, metric or in US customary units.

The layers stay metric; only texts and pictures come through here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening.units import FOOT_M, INCH_MM, US_GALLON_M3

if TYPE_CHECKING:
    from collections.abc import Mapping

MISSING: Final = "not computed"


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit for people: its sign, how many base units it is, decimals shown."""

    sign: str
    in_base: float
    decimals: int


# By the unit of the layers.
_METRIC: Final[Mapping[str, _Unit]] = {
    "m": _Unit("m", 1.0, 2),
    "m2": _Unit("m²", 1.0, 1),
    "m3": _Unit("m³", 1.0, 2),
    "m3/y": _Unit("m³/y", 1.0, 1),
    "L": _Unit("L", 1.0, 0),
    "mm": _Unit("mm", 1.0, 0),
    "mm/h": _Unit("mm/h", 1.0, 1),
    "mm/y": _Unit("mm/y", 1.0, 0),
}
_US: Final[Mapping[str, _Unit]] = {
    "m": _Unit("ft", FOOT_M, 1),
    "m2": _Unit("ft²", FOOT_M**2, 0),
    "m3": _Unit("gal", US_GALLON_M3, 0),
    "m3/y": _Unit("gal/y", US_GALLON_M3, 0),
    "L": _Unit("gal", 1000.0 * US_GALLON_M3, 0),
    "mm": _Unit("in", INCH_MM, 1),
    "mm/h": _Unit("in/h", INCH_MM, 2),
    "mm/y": _Unit("in/y", INCH_MM, 1),
}
_SAME_EVERYWHERE: Final[Mapping[str, _Unit]] = {
    "%": _Unit("%", 1.0, 1),
    "deg": _Unit("°", 1.0, 0),
    "h": _Unit("h", 1.0, 1),
    "": _Unit("", 1.0, 2),
}
_WINDS: Final = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


class Units:
    """Writes numbers in one of the two systems of units.

    Parameters
    ----------
    display : str
        ``"metric"`` or ``"us"``, the parameter ``[output] display_units``.
    """

    def __init__(self, display: str) -> None:
        self.is_us = display == "us"
        self._units = {**(_US if self.is_us else _METRIC), **_SAME_EVERYWHERE}

    def number(self, value: float | None, unit: str, *, decimals: int | None = None) -> str:
        """Write a number without its unit; `MISSING` for none."""
        if value is None or is_missing(value):
            return MISSING
        shown = self._units[unit]
        places = shown.decimals if decimals is None else decimals
        text = f"{value / shown.in_base:,.{places}f}"
        # A small negative number must not read "-0.00".
        return text.removeprefix("-") if not text.strip("-0.,") else text

    def scale(self, unit: str) -> tuple[str, float, int]:
        """Tell how numbers of a unit of the layers are written in a table.

        Returns
        -------
        str
            The unit, spelt as the layers spell theirs; one that is not known stays as it is.
        float
            How many of the layers' unit it is.
        int
            Decimals to show.
        """
        shown = self._units.get(unit)
        if shown is None:
            return unit, 1.0, self._units[""].decimals
        spelt = unit if shown.in_base == 1.0 else shown.sign.replace("²", "2").replace("³", "3")
        return spelt, shown.in_base, shown.decimals

    def limit(self, value: float | None, unit: str) -> str:
        """Write a number somebody set, without the zeros that a measured one would have."""
        text = self.number(value, unit)
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return text if text == MISSING or not self.sign(unit) else f"{text} {self.sign(unit)}"

    def given(self, value: float, unit: str) -> str:
        """Write a number of the run file as it stands there, to four digits; a unit that is not known stays."""
        shown = self._units.get(unit, _Unit(unit, 1.0, 0))
        text = f"{float(f'{value / shown.in_base:.4g}'):,.10g}"
        return f"{text} {shown.sign}" if shown.sign else text

    def sign(self, unit: str) -> str:
        """Write the unit alone."""
        return self._units[unit].sign

    def show(self, value: float | None, unit: str, *, decimals: int | None = None) -> str:
        """Write a number with its unit.

        Parameters
        ----------
        value : float or None
            In the unit of the layers.
        unit : str
            That unit: m, m2, m3, m3/y, mm, mm/h, mm/y, %, deg, h or "" (a plain number).
        decimals : int, optional
            Decimals; the unit's own if left out.
        """
        text = self.number(value, unit, decimals=decimals)
        sign = self.sign(unit)
        if text == MISSING or not sign:
            return text
        return text + sign if sign == "°" else f"{text} {sign}"

    def rough(self, value: float | None, unit: str, *, digits: int = 3) -> str:
        """Write a number with its unit to three digits, as much as an estimate carries, or to another number."""
        if value is None or is_missing(value):
            return MISSING
        shown = value / self._units[unit].in_base
        if shown == 0.0:
            return self.show(0.0, unit, decimals=0)
        places = digits - 1 - math.floor(math.log10(abs(shown)))
        rounded = round(shown, places) * self._units[unit].in_base
        return self.show(rounded, unit, decimals=max(0, min(places, self._units[unit].decimals)))

    def rough_span(self, low: float | None, high: float | None, unit: str, *, digits: int = 3) -> str:
        """Write a range to so many digits, its unit once."""
        if is_missing(low) or is_missing(high):
            return MISSING
        start = self.rough(low, unit, digits=digits).removesuffix(" " + self.sign(unit))
        return f"{start} to {self.rough(high, unit, digits=digits)}"

    def span(self, low: float | None, high: float | None, unit: str) -> str:
        """Write a range, its unit once."""
        if is_missing(low) or is_missing(high):
            return MISSING
        return f"{self.number(low, unit)} to {self.show(high, unit)}"


def is_missing(value: object) -> bool:
    """Whether a value is null: None, pandas' NA, not a number."""
    if value is None:
        return True
    try:
        return math.isnan(value)  # type: ignore[arg-type]
    except TypeError:
        # pandas' NA answers with itself, text with an error.
        return not isinstance(value, str | bool | int)


def plain(value: Any) -> Any:
    """Turn a value of a frame into Python's own: null into None, numpy's numbers into int, float and bool."""
    if is_missing(value):
        return None
    return value.item() if hasattr(value, "item") else value


def percent(fraction: float | None) -> str:
    """Write a fraction as a percentage."""
    return MISSING if fraction is None or is_missing(fraction) else f"{100 * fraction:.0f} %"


def wind(direction_deg: float) -> str:
    """Name the nearest of the eight winds.

    Parameters
    ----------
    direction_deg : float
        Clockwise from north. [deg]

    Examples
    --------
    >>> wind(350.0), wind(100.0), wind(225.0)
    ('north', 'east', 'south-west')
    """
    return _WINDS[round(direction_deg / 45.0) % 8]
