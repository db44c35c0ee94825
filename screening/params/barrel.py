"""A barrel below the downspout, and what stands in for a garden where none fits: ``[barrel]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator

_STEP: Final = "STEP/TRCA, Low impact development planning and design guide, Site considerations"
_PORTLAND: Final = "City of Portland, downspout disconnection, quoted in http://ecomerge.blogspot.com/2011/11/down-with-downspouts.html"
_WISCONSIN: Final = "https://protectwiwaterways.org/downspouts/ (after Portland)"
_PAVING: Final = "from memory: CIRIA C753, The SuDS Manual (2015), pervious pavements"


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelParams(Section):
    """Barrels that hold roof water back for a while, and what to look at where no garden fits."""

    is_upstream: bool = P(
        default=False, unit="", meaning="a barrel stands between each served downspout and its garden"
    )
    volume_l: float = P(
        208.0,
        "L",
        "volume of one barrel",
        gt=0,
        le=10_000,
        source="55 gal, within the 50-60 gal of the City of Bondurant's page",
    )
    roof_per_barrel_m2: float = P(
        50.0,
        "m2",
        "largest roof for one barrel; a downspout with more roof gets several",
        gt=0,
        source=f"5-50 m2 of roof for a barrel, {_STEP}",
    )
    empty_after_h: float = P(
        48.0,
        "h",
        "time since water first came in after which a barrel is emptied, whatever the weather",
        gt=0,
        le=8760,
        source=f"{PROGRAM_DEFAULT}; the next rain is as likely as not within 48-72 h, STEP/TRCA, Drainage time",
    )
    empty_over_h: float = P(
        1.0, "h", "time in which a full barrel runs out", gt=0, le=720, source="common practice, no source"
    )
    empty_onto: Literal["garden", "strip"] = P(
        "garden", "", "where a barrel upstream of a garden is emptied: into the garden or onto a permeable strip"
    )
    rule: Literal["yield_after_spillage", "yield_before_spillage"] = P(
        "yield_after_spillage", "", "whether a step's spill is counted before or after its withdrawal"
    )
    strip_area_m2: float = P(
        10.0, "m2", "largest permeable strip that is counted; less where the open ground is less", gt=0,
        source=PROGRAM_DEFAULT,
    )  # fmt: skip
    strip_base_mm: float = P(300.0, "mm", "depth of the stone under a permeable strip", gt=0, le=2000, source=_PAVING)
    strip_void_frac: float = P(0.3, "", "part of that stone that water can fill", gt=0, le=0.6, source=_PAVING)
    strip_max_slope_pct: float = P(
        5.0, "%", "steepest ground for a permeable strip: 1 in 20", gt=0, le=100, source=_PAVING
    )
    lawn_area_per_roof: float = P(
        0.1,
        "m2/m2",
        "lawn that a discharge needs, by its roof; no more of it counts as wetted",
        gt=0,
        le=10,
        source=f"a tenth of the roof, {_PORTLAND}",
    )
    lawn_storage_mm: float = P(
        8.89,
        "mm",
        "water that stands between the grass before it runs on",
        ge=0,
        le=100,
        source="0.35 in, lawn grass, Denver UDFCD, Drainage Criteria Manual (1984), Table 2-1",
    )
    lawn_min_slope_pct: float = P(
        1.0, "%", "gentlest ground for a discharge onto a lawn", ge=0, le=100, source=f"1-5 %, {_STEP}"
    )
    lawn_max_slope_pct: float = P(
        5.0, "%", "steepest ground for a discharge onto a lawn", gt=0, le=100, source=f"1-5 %, {_STEP}"
    )
    lawn_max_roof_m2: float = P(
        100.0, "m2", "largest roof of one downspout that may discharge onto a lawn", gt=0, source=f"5-100 m2, {_STEP}"
    )
    lawn_wall_m: float = P(
        1.83, "m", "least distance of a discharge from a basement wall", ge=0, source=f"6 ft, {_WISCONSIN}"
    )
    lawn_lot_line_m: float = P(
        1.52, "m", "least distance of a discharge from the lot line", ge=0, source=f"5 ft, {_WISCONSIN}"
    )
    lawn_retaining_wall_m: float = P(
        3.05, "m", "least distance of a discharge from a retaining wall", ge=0, source=f"10 ft, {_PORTLAND}"
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the slopes of lawns."""
        if self.lawn_min_slope_pct >= self.lawn_max_slope_pct:
            yield "lawn_min_slope_pct must be smaller than lawn_max_slope_pct"

    @property
    def strip_storage_mm(self) -> float:
        """Depth of water that a strip's stone holds [mm]."""
        return self.strip_base_mm * self.strip_void_frac
