"""How fast water soaks in: ``[soil]``.

A soil is said in words (`screening.soils.words`): a USDA texture (``"loam"``), a hydrologic soil group (``"B"``,
``"B/D"``), a design rate (``"7.6 mm/h"``) or one measured on site (``"measured 25 mm/h"``).
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003 - the hints of the fields are read when it runs
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from screening.params.fields import P, Section
from screening.rules import PROGRAM_DEFAULT

if TYPE_CHECKING:
    from collections.abc import Iterator

MPCA_RATES: Final = (
    "Minnesota Stormwater Manual (2022), Design infiltration rate as a function of soil texture for bioretention"
)

DEFAULT_RATE_MM_H: Final = 7.6
"""Rate of the whole town unless the run file says another [mm/h]."""

STEP_FACTORS: Final = "STEP/TRCA, Low Impact Development wiki, safety factors for measured infiltration rates"

SAFETY_FACTORS: Final[Mapping[str, tuple[float, float]]] = {
    "none": (1.5, 1.5),
    "minor": (2.0, 3.0),
    "building": (10.0, 10.0),
}
"""Factors by which measured rates are divided, by the damage that a garden which fails would do: for catchments of
less than 100 m2 and of 100 to 1,000 m2. Source: `STEP_FACTORS` (read)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilParams(Section):
    """How fast water soaks in."""

    rate_mm_h: float = P(
        DEFAULT_RATE_MM_H,
        "mm/h",
        "design rate of the whole town, where neither `default` nor a soil layer says the soil",
        gt=0,
        le=1000,
        source=f"loam, silt loam (B), {MPCA_RATES}",
    )
    default: str = P(
        "",
        "",
        'soil where no soil layer says it: texture ("loam"), hydrologic group ("B"), rate ("7.6 mm/h", '
        '"measured 25 mm/h"); left out, homes outside a given soil layer have no soil',
    )
    texture_scale: Literal["minnesota", "colorado", "rawls"] = P(
        "minnesota",
        "",
        "table that turns textures into rates: minnesota: design rates; colorado: middle of the uniform rates; "
        "rawls: saturated conductivity",
        source=MPCA_RATES,
    )
    group_scale: Literal["", "neh630", "neh630_shallow", "tr55", "minnesota"] = P(
        "",
        "",
        "table that turns hydrologic groups into rates; has to be said where groups are used, for the published "
        "scales differ by up to ten times",
    )
    drained: bool = P(
        False,  # noqa: FBT003
        "",
        "a dual group such as B/D counts as its first, drained letter; otherwise as the second",
        source="an ordinary yard has no subsurface drains",
    )
    compacted: bool = P(
        False,  # noqa: FBT003
        "",
        "all textures and groups count as the next slower class of their table; one alone is written "
        '"compacted loam"; rates that are given or measured stay as they are',
        source=f"next lower class on compacted soil: {MPCA_RATES}",
    )
    safety_factor: float = P(
        SAFETY_FACTORS["minor"][0],
        "",
        "measured rates are divided by it",
        ge=1,
        le=100,
        source=f"catchment under 100 m2, minor damage outdoors: {STEP_FACTORS} (3 for 100 to 1,000 m2)",
    )
    spread_factor: float = P(
        1.5,
        "",
        "how unsure a rate is: one in ten is slower than the rate over this factor, one in ten faster than the rate "
        "times it",
        ge=1,
        le=100,
        source=f"steps between neighbouring classes 5.1, 7.6, 11.4 mm/h: {MPCA_RATES}",
    )
    mixed_frac: float = P(
        0.10,
        "",
        "part of a home's ground that may be of other soil, or outside the soil layer, before the home is flagged",
        ge=0,
        lt=1,
        source=PROGRAM_DEFAULT,
    )
    infiltration: Literal["constant", "green_ampt"] = P(
        "constant",
        "",
        "constant: the soil's rate at all times; green_ampt: fast into dry soil, slower as it fills; needs textures",
        source=PROGRAM_DEFAULT,
    )
    start_saturation_frac: float = P(
        0.5,
        "",
        "effective saturation of the soil once it has dried, green_ampt only",
        ge=0,
        lt=1,
        source=PROGRAM_DEFAULT,
    )
    recovery_h: float = P(
        24.0,
        "h",
        "time without ponding in which the soil's filling fades to 37 %, green_ampt only",
        gt=0,
        source=f"{PROGRAM_DEFAULT}: 5 % are left after three days",
    )
    classes: Mapping[str, str] = P(
        dict,
        "",
        'soil of each map-unit symbol of the soil layer, in the words of `default`, or "unknown"; left out, the '
        "symbols have to be such words themselves",
    )

    @property
    def rate_low_mm_h(self) -> float:
        """Rate [mm/h] than which one in ten is slower."""
        return self.rate_mm_h / self.spread_factor

    @property
    def rate_high_mm_h(self) -> float:
        """Rate [mm/h] than which one in ten is faster."""
        return self.rate_mm_h * self.spread_factor

    def contradictions(self) -> Iterator[str]:
        """Refuse two soils for one town."""
        if self.default and self.rate_mm_h != DEFAULT_RATE_MM_H:
            yield "rate_mm_h and default both say the soil of the town; keep one of them"
