"""How large and how deep gardens should be: ``[sizing]``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from screening.params.area_ratios import AREA_RATIOS
from screening.params.fields import P, Section
from screening.rules import GWQ037, PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, slots=True, kw_only=True)
class SizingParams(Section):
    """How large and how deep a garden should be."""

    method: Literal["handbook", "capture_depth", "fixed_area", "drain_in_a_day", "area_ratio"] = P(
        "handbook", "", "how the target area is found", source=GWQ037
    )
    soil_class: Literal["", "sandy", "silty", "clayey"] = P(
        "",
        "",
        "soil class of the handbook's size factors and of ratios by soil; left out: by the design rate of each soil",
        source=PROGRAM_DEFAULT,
    )
    far_factors: bool = P(
        False,  # noqa: FBT003
        "",
        "gardens beyond near_limit_m are sized by the handbook's far factors; otherwise the near ones hold everywhere",
        source="the far factors are from memory",
    )
    near_limit_m: float = P(
        9.144,
        "m",
        "run from a downspout up to which the handbook's near factors hold; beyond it its far factors, with the lawn "
        "between house and garden, if far_factors says so",
        gt=0,
        source=f"30 ft, {GWQ037}",
    )
    capture_depth_mm: float = P(
        25.4,
        "mm",
        "rain on the roof that the garden stores, methods capture_depth and drain_in_a_day",
        gt=0,
        source="1 in: simple method of the UConn and URI guides",
    )
    fixed_area_m2: float = P(15.0, "m2", "target area of the method fixed_area", gt=0, source=PROGRAM_DEFAULT)
    ratio_rule: Literal["", "us-ia", "us-il", "us-wi-madison", "ca-on"] = P(
        "", "", "whose ratio of garden to roof the method area_ratio takes"
    )
    ratio_choice: Literal["", "low", "middle", "high", "recommended"] = P(
        "", "", "which figure is taken where the ratio is a range"
    )
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
        "ponding depth of each slope band; the method drain_in_a_day takes the largest as its limit",
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
    side_run_per_rise: float = P(
        0.0,
        "m/m",
        "how far the sides of a garden lean: horizontal per vertical metre; 0: upright sides",
        ge=0,
        le=10,
        source=f"{PROGRAM_DEFAULT}; 3 is common practice, no source",
    )
    berm_width_m: float = P(
        0.0,
        "m",
        "width along the whole rim that berm and cut take of a garden's outline",
        ge=0,
        le=3,
        source=PROGRAM_DEFAULT,
    )

    def contradictions(self) -> Iterator[str]:
        """Compare the bands with the depths, and the ratio's rule with what its source gives."""
        if list(self.slope_breaks_pct) != sorted(set(self.slope_breaks_pct)):
            yield "slope_breaks_pct must rise"
        if len(self.depths_mm) != len(self.slope_breaks_pct) + 1:
            yield "depths_mm needs one entry more than slope_breaks_pct"
        if self.method == "area_ratio":
            yield from self._ratio_problems()

    def _ratio_problems(self) -> Iterator[str]:
        """Yield why the ratio is not settled."""
        if not self.ratio_rule:
            yield f"ratio_rule must say whose ratio method area_ratio takes: {', '.join(AREA_RATIOS)}"
            return
        rule = AREA_RATIOS[self.ratio_rule]
        words = list(rule.choices())
        if rule.is_range and self.ratio_choice not in words:
            given = f"gives {100 * rule.low:.3g} to {100 * rule.high:.3g} % of the roof"
            yield f"ratio_choice must be {', '.join(words[:-1])} or {words[-1]}: {rule.title} {given}"
        if not rule.is_range and self.ratio_choice:
            given = "a figure for each soil class" if rule.by_soil else "one figure"
            yield f"ratio_choice must be left out: {rule.title} gives {given}"
