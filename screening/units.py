"""Unit constants with their sources, and the few converters the edges of the program need.

Inside the program every length is in metres; these numbers are used where data come in and where
figures for people go out, nowhere else.  All converters are exact products: they take a float or a
numpy array and give back the same kind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import numpy.typing as npt

    Number = TypeVar("Number", float, npt.NDArray[np.float64])
else:
    Number = TypeVar("Number")

FOOT_M: Final = 0.3048
"""International foot [m], exact.  Source: NIST Handbook 44, Appendix C (1959 agreement)."""

US_SURVEY_FOOT_M: Final = 1200.0 / 3937.0
"""US survey foot [m], exact by the Mendenhall order of 1893: 39.37 in = 1 m.

Source: NIST Handbook 44, Appendix C; withdrawn for new work at the end of 2022 (Federal Register
85 FR 62698) but still the unit of most state-plane data."""

INCH_M: Final = 0.0254
"""International inch [m], exact: a twelfth of the international foot."""

INCH_MM: Final = 25.4
"""International inch [mm], exact."""

US_GALLON_M3: Final = 0.003785411784
"""US liquid gallon [m3], exact: 231 cubic inches.  Source: NIST Handbook 44, Appendix C."""

FOOT2_M2: Final = FOOT_M * FOOT_M
"""Square foot [m2], exact."""

MM_PER_M: Final = 1000.0
"""Millimetres in a metre."""

LENGTH_UNITS_M: Final[Mapping[str, float]] = {
    "m": 1.0,
    "ft": FOOT_M,
    "us-ft": US_SURVEY_FOOT_M,
}
"""Length units a run file may name, in metres."""


def ft_to_m(length_ft: Number) -> Number:
    """Metres from international feet."""
    return length_ft * FOOT_M


def m_to_ft(length_m: Number) -> Number:
    """International feet from metres."""
    return length_m / FOOT_M


def us_ft_to_m(length_us_ft: Number) -> Number:
    """Metres from US survey feet."""
    return length_us_ft * US_SURVEY_FOOT_M


def inch_to_mm(depth_in: Number) -> Number:
    """Millimetres from inches."""
    return depth_in * INCH_MM


def mm_to_inch(depth_mm: Number) -> Number:
    """Inches from millimetres."""
    return depth_mm / INCH_MM


def ft2_to_m2(area_ft2: Number) -> Number:
    """Square metres from square feet."""
    return area_ft2 * FOOT2_M2


def m2_to_ft2(area_m2: Number) -> Number:
    """Square feet from square metres."""
    return area_m2 / FOOT2_M2


def m3_to_gal(volume_m3: Number) -> Number:
    """US gallons from cubic metres."""
    return volume_m3 / US_GALLON_M3


def gal_to_m3(volume_gal: Number) -> Number:
    """Cubic metres from US gallons."""
    return volume_gal * US_GALLON_M3


def depth_on_area_m3(depth_mm: Number, area_m2: Number) -> Number:
    """Volume of water [m3] that a depth [mm] on a plan area [m2] makes: 1 mm on 1 m2 is 1 litre."""
    return depth_mm * area_m2 / MM_PER_M
