"""A barrel below the downspout, and what stands in for a garden where none fits: ``[barrel]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelParams(Section):
    """Barrels that hold roof water back for a while."""

    is_upstream: bool = P(
        default=False, unit="", meaning="a barrel stands between each served downspout and its garden"
    )
    volume_l: float = P(
        208.0, "L", "volume of one barrel", gt=0, source="55 gal, within the 50-60 gal of the City of Bondurant's page"
    )
    empty_after_h: float = P(
        48.0, "h", "time after it filled at which a barrel is emptied", gt=0, source=PROGRAM_DEFAULT
    )
    rule: Literal["yield_after_spillage", "yield_before_spillage"] = P(
        "yield_after_spillage", "", "whether a step's spill is counted before or after its withdrawal"
    )
