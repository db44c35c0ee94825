"""Published ratios of garden to roof area, by jurisdiction: only those whose source was read."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from screening.units import INCH_MM

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaRatio:
    """Garden area over roof area as a publisher gives it.

    Attributes
    ----------
    title : str
        Who says so.
    low, high : float
        Ends of the range [m2/m2]; equal where the source gives one figure.
    recommended : float or None
        The figure that the source itself recommends within the range [m2/m2].
    by_soil : Mapping of str to float, or None
        Figure by soil class ("sandy", "silty", "clayey") [m2/m2], where the source has one for each.
    least_depth_mm : float
        Least ponding depth that the source asks for with it [mm]; 0: none.
    least_rate_mm_h : float
        Least infiltration rate that the source asks for with it [mm/h]; 0: none.
    source : str
        Publisher and place.
    """

    title: str
    low: float
    high: float
    recommended: float | None = None
    by_soil: Mapping[str, float] | None = None
    least_depth_mm: float = 0.0
    least_rate_mm_h: float = 0.0
    source: str

    @property
    def is_range(self) -> bool:
        """Whether the source leaves a choice that somebody has to make."""
        return self.by_soil is None and self.low < self.high

    def choices(self) -> Iterator[str]:
        """Yield the words with which a range can be narrowed to a figure."""
        if self.is_range:
            yield from ("low", "middle", "high")
            if self.recommended is not None:
                yield "recommended"

    def figure(self, soil_class: str, choice: str) -> float:
        """The ratio for a soil class and a choice [m2/m2].

        Parameters
        ----------
        soil_class : str
            "sandy", "silty" or "clayey".
        choice : str
            One of `choices`; "" where the source leaves none.

        Raises
        ------
        ValueError
            If the source has no such figure.
        """
        if self.by_soil is not None and not choice:
            return self.by_soil[soil_class]
        if not self.is_range and not choice:
            return self.low
        if choice == "recommended" and self.recommended is not None:
            return self.recommended
        if not self.is_range or choice not in self.choices():
            msg = f"{self.title}: no figure for the choice {choice!r}"
            raise ValueError(msg)
        return {"low": self.low, "middle": 0.5 * (self.low + self.high), "high": self.high}[choice]


AREA_RATIOS: Final[Mapping[str, AreaRatio]] = MappingProxyType(
    {
        "us-ia": AreaRatio(
            title="Iowa",
            low=0.07,
            high=0.20,
            least_depth_mm=6.0 * INCH_MM,
            least_rate_mm_h=0.5 * INCH_MM,
            source="Iowa Stormwater Education Partnership, rain-garden pages: 7-20 % of the impervious area for a "
            "storm of 1.25 in, 6 in of ponding or more, soil faster than 0.5 in/h",
        ),
        "us-il": AreaRatio(
            title="Illinois",
            low=0.20,
            high=0.20,
            least_rate_mm_h=0.4 * INCH_MM,
            source="Illinois DNR, https://dnr.illinois.gov/education/plantlists/plantlistrainsize.html, second chart: "
            "20 % of the roof at 0.4 in/h takes up 90 %",
        ),
        "us-wi-madison": AreaRatio(
            title="Madison, Wisconsin",
            low=0.20,
            high=0.60,
            by_soil=MappingProxyType({"sandy": 0.20, "silty": 0.30, "clayey": 0.60}),
            source="Edgewood College, Madison, https://biology.edgewood.edu/Outreach/Rain-Garden-Project/"
            "Build-a-Rain-Garden: 20 % of the roof on sand, 30 % on silt, 60 % on clay",
        ),
        "ca-on": AreaRatio(
            title="Ontario",
            low=1.0 / 15.0,
            high=1.0 / 5.0,
            recommended=1.0 / 10.0,
            source="STEP/TRCA, Low impact development planning and design guide, Site considerations, bioretention: "
            "impervious area to facility 5:1 to 15:1, elsewhere 10:1 recommended",
        ),
    }
)
"""Ratios by name. Rules of New Jersey, the United Kingdom and Melbourne are known from memory only and left out."""
