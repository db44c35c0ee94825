"""Soils in words, as run files and soil maps write them.

========================= ==========================================================
``"loam"``                a texture of the tables
``"B"``, ``"B/D"``        a hydrologic soil group; ``"group B"`` too
``"7.6 mm/h"``            a design rate, used as it is
``"measured 25 mm/h"``    a rate measured on site, used over the safety factor
``"compacted loam"``      a texture or group on compacted ground
``"unknown"``             no soil: water, made land, an unmapped corner
========================= ==========================================================

Rates come in mm/h, cm/h, in/h, um/s or m/s. Abbreviations of textures are refused: C, SC and CL mean three things in
three classifications.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import Final, Literal

from screening.errors import ParameterError
from screening.soils.tables import COLORADO_IN_H, MINNESOTA, RATE_UNITS_MM_H, RAWLS_1983

TEXTURES: Final = tuple(
    sorted({texture for row in MINNESOTA for texture in row.textures} | set(RAWLS_1983) | set(COLORADO_IN_H))
)
"""Every texture that one of the tables knows."""

FASTEST_MM_H: Final = 1000.0
"""Rates above this are taken for a wrong unit [mm/h] (the same limit as that of ``[soil] rate_mm_h``)."""

EXAMPLES: Final = '"loam", "B", "7.6 mm/h", "measured 25 mm/h" or "unknown"'

_RATE: Final = re.compile(r"(measured )?([0-9.][0-9.e+-]*) ?([a-z]+/[a-z]+)?")
_GROUP: Final = re.compile(r"(?:group |hsg )?([abcd])(?:/([abcd]))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilWords:
    """What a text says of a soil.

    Attributes
    ----------
    kind : str
        ``texture``, ``group``, ``rate``, ``measured`` or ``unknown``.
    name : str
        The texture, or the group's letters ("B", "B/D"); "" for rates.
    rate_mm_h : float
        The rate [mm/h]; NaN for textures and groups.
    is_compacted : bool
        On compacted ground.
    """

    kind: Literal["texture", "group", "rate", "measured", "unknown"]
    name: str = ""
    rate_mm_h: float = math.nan
    is_compacted: bool = False


def read_words(text: str) -> SoilWords:
    """Read a soil in words.

    Raises
    ------
    ParameterError
        If it is none, with the nearest texture; without the place where it stands.
    """
    plain = " ".join(text.lower().split())
    is_compacted = plain.startswith("compacted ")
    rest = plain.removeprefix("compacted ")
    if rest == "unknown" and not is_compacted:
        return SoilWords(kind="unknown")
    texture = rest.replace("-", " ").replace("_", " ")
    if texture in TEXTURES:
        return SoilWords(kind="texture", name=texture, is_compacted=is_compacted)
    group = _GROUP.fullmatch(rest)
    if group:
        return SoilWords(kind="group", name=_group_name(text, *group.groups()), is_compacted=is_compacted)
    rate = _RATE.fullmatch(rest)
    if rate is None:
        close = difflib.get_close_matches(texture, TEXTURES, n=1, cutoff=0.5)
        hint = f"did you mean {close[0]!r}?" if close else f"write for example {EXAMPLES}"
        msg = f"{text!r} is no soil known here; {hint}"
        raise ParameterError(msg)
    if is_compacted:
        msg = f"{text!r}: a rate is that of the ground as it is; leave out 'compacted'"
        raise ParameterError(msg)
    kind: Literal["rate", "measured"] = "measured" if rate[1] else "rate"
    return SoilWords(kind=kind, rate_mm_h=_rate_mm_h(text, rate[2], rate[3]))


def _group_name(text: str, letter: str, second: str | None) -> str:
    """Name of a group; of dual groups only those of undrained group D exist."""
    if second is None:
        return letter.upper()
    if second != "d" or letter == "d":
        msg = f"{text!r} is no hydrologic group; the dual groups are A/D, B/D and C/D"
        raise ParameterError(msg)
    return f"{letter.upper()}/D"


def _rate_mm_h(text: str, number: str, unit: str | None) -> float:
    """Rate [mm/h] of a number and its unit."""
    if unit is None:
        msg = f"{text!r} lacks its unit; write for example '{number} mm/h'"
        raise ParameterError(msg)
    if unit not in RATE_UNITS_MM_H:
        msg = f"{text!r}: {unit!r} is no unit known here; there are {', '.join(RATE_UNITS_MM_H)}"
        raise ParameterError(msg)
    try:
        rate_mm_h = float(number) * RATE_UNITS_MM_H[unit]
    except ValueError:
        msg = f"{text!r}: {number!r} is no number"
        raise ParameterError(msg) from None
    if not rate_mm_h > 0.0:
        msg = f"{text!r}: a garden can't drain into ground without infiltration; the rate must be > 0"
        raise ParameterError(msg)
    if rate_mm_h > FASTEST_MM_H:
        msg = f"{text!r} is {rate_mm_h:g} mm/h, faster than any soil (limit {FASTEST_MM_H:g}); check the unit"
        raise ParameterError(msg)
    return rate_mm_h
