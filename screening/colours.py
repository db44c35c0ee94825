"""The colours of every drawing, in one place.

Blue lots, gold gardens, warm grey buildings: pairs that differ in lightness as well as in hue, so that they stay apart
for colour-blind readers and in a grey print. `lightness` is what the tests hold this to.
"""

from __future__ import annotations

from typing import Final

PAPER: Final = "#ffffff"
INK: Final = "#1f2933"
QUIET_INK: Final = "#5b6670"

LOT_BEST: Final = "#2f5f8a"
LOT_GOOD: Final = "#86abc9"
LOT_OTHER: Final = "#d3e1ec"
LOT_LINE: Final = "#33475b"

REFUSED_LOT: Final = "#e4ded3"
UNSCREENED_LOT: Final = "#f6f3ee"
REFUSED_LINE: Final = "#b3aa9a"

GARDEN: Final = "#f0b429"
GARDEN_LINE: Final = "#5c3d00"

HOUSE: Final = "#7d756e"
OTHER_BUILDING: Final = "#a9a29a"
NEIGHBOUR_BUILDING: Final = "#d6d1ca"
BUILDING_LINE: Final = "#3d3833"

OPEN_GROUND: Final = "#dcebc4"
OPEN_GROUND_LINE: Final = "#7f9a57"

WATER: Final = "#12507b"
WATER_WARNING: Final = "#b8360f"

SETBACK: Final = "#7a3b69"

STREET: Final = "#8c8c8c"

WARNING_ENDS: Final = ("neighbour_lot", "building_setback")
"""Ends of an overflow that are drawn in the warning colour: a visit has to look at them."""


def lightness(colour: str) -> float:
    """Relative luminance of a colour, as a grey print shows it.

    Parameters
    ----------
    colour : str
        ``#rrggbb``.

    Returns
    -------
    float
        0 (black) to 1 (white). [unitless]

    References
    ----------
    .. [1] W3C, Web Content Accessibility Guidelines 2.1, definition of relative luminance (from memory).
    """
    channels = [int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
