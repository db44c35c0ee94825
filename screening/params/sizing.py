"""How large and how deep gardens should be: ``[sizing]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from screening.params.fields import P, Section
from screening.rules import GWQ037, PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingParams(Section):
    """How large and how deep a garden should be."""

    method: Literal["handbook", "capture_depth", "fixed_area"] = P(
        "handbook", "", "how the target area is found", source=GWQ037
    )
    soil_class: Literal["sandy", "silty", "clayey"] = P(
        "silty", "", "soil class of the handbook's size factors", source=PROGRAM_DEFAULT
    )
    capture_depth_mm: float = P(
        25.4,
        "mm",
        "rain on the roof that the garden stores, method capture_depth",
        gt=0,
        source="1 in: simple method of the UConn and URI guides",
    )
    fixed_area_m2: float = P(15.0, "m2", "target area of the method fixed_area", gt=0, source=PROGRAM_DEFAULT)
    slope_breaks_pct: tuple[float, ...] = P(
        (4.0, 8.0),
        "%",
        "ground slopes at which the next depth is taken",
        gt=0,
        le=100,
        source="bands 1-4, 4-8, 8-12 % of a workshop's slides; GWQ037 leaves gaps at 4-5 and 7-8 %",
    )
    depths_mm: tuple[float, ...] = P(
        (100.0, 150.0, 200.0),
        "mm",
        "ponding depth of each slope band",
        gt=0,
        le=1000,
        length=1,
        source="4, 6 and 8 in of the same slides, rounded to metric",
    )
    drawdown_limit_h: float = P(
        24.0,
        "h",
        "time in which a full garden has to soak away; caps the depth",
        gt=0,
        source="24 h: household tests of Missouri and Ohio guides",
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the bands with the depths."""
        if list(self.slope_breaks_pct) != sorted(set(self.slope_breaks_pct)):
            yield "slope_breaks_pct must rise"
        if len(self.depths_mm) != len(self.slope_breaks_pct) + 1:
            yield "depths_mm needs one entry more than slope_breaks_pct"
