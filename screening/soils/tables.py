"""What published tables say of soils, each with its source and how sure it is.

Values stand as they are printed, in the printed unit; `screening.soils.classes` turns them into rates. The marks are
those of the rule sets (`screening.rules.BASIS_MEANINGS`).
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

from screening.params.soil import MPCA_RATES
from screening.units import INCH_MM

if TYPE_CHECKING:
    from collections.abc import Mapping

UM_S_MM_H: Final = 3.6
"""Micrometre a second in millimetres an hour, exact."""

RATE_UNITS_MM_H: Final[Mapping[str, float]] = MappingProxyType(
    {"mm/h": 1.0, "cm/h": 10.0, "in/h": INCH_MM, "um/s": UM_S_MM_H, "m/s": 1e6 * UM_S_MM_H}
)
"""Units in which a rate may be written, in mm/h."""


class TextureRow(NamedTuple):
    """Green-Ampt parameters of one texture, as printed."""

    porosity: float
    effective_porosity: float
    suction_cm: float
    k_cm_h: float


RAWLS_SOURCE: Final = (
    "W. J. Rawls, D. L. Brakensiek and N. Miller (1983), Green-Ampt infiltration parameters from soils data, "
    "J. Hydraul. Eng. 109(1):62-70, Table 2"
)

RAWLS_1983: Final[Mapping[str, TextureRow]] = MappingProxyType(
    {
        "sand": TextureRow(0.437, 0.417, 4.95, 11.78),
        "loamy sand": TextureRow(0.437, 0.401, 6.13, 2.99),
        "sandy loam": TextureRow(0.453, 0.412, 11.01, 1.09),
        "loam": TextureRow(0.463, 0.434, 8.89, 0.34),
        "silt loam": TextureRow(0.501, 0.486, 16.68, 0.65),
        "sandy clay loam": TextureRow(0.398, 0.330, 21.85, 0.15),
        "clay loam": TextureRow(0.464, 0.309, 20.88, 0.10),
        "silty clay loam": TextureRow(0.471, 0.432, 27.30, 0.10),
        "sandy clay": TextureRow(0.430, 0.321, 23.90, 0.06),
        "silty clay": TextureRow(0.479, 0.423, 29.22, 0.05),
        "clay": TextureRow(0.475, 0.385, 31.63, 0.03),
    }
)
"""By USDA texture, quoted; suction and conductivity of silty clay loam from memory.

The effective porosity of clay loam is printed 0.309, but its printed range 0.279-0.501 centres on 0.390: the printed
value, which textbooks reprint, is the cautious one. The loam and silt loam conductivities are sometimes swapped in
other tables. Conductivity here is that of the Green-Ampt equation, about half of the saturated one."""

KS_SOURCE: Final = (
    "W. J. Rawls, D. L. Brakensiek and K. E. Saxton (1982), Estimation of soil water properties, as tabulated by "
    "F. L. Ogden and B. Saghafian (1997), Green and Ampt infiltration with redistribution, Table 1"
)

KS_CM_H: Final[Mapping[str, float]] = MappingProxyType(
    {
        "sand": 23.56,
        "loamy sand": 5.98,
        "sandy loam": 2.18,
        "loam": 1.32,
        "silt loam": 0.68,
        "sandy clay loam": 0.30,
        "clay loam": 0.20,
        "silty clay loam": 0.20,
        "sandy clay": 0.12,
        "silty clay": 0.10,
        "clay": 0.06,
    }
)
"""Saturated conductivity by USDA texture [cm/h], quoted."""


@dataclass(frozen=True, slots=True)
class DesignRow:
    """One row of the Minnesota table.

    Attributes
    ----------
    textures : tuple of str
        Words of the row. Plain "sand" stands in two rows, by its grading; it is given to the slower one.
    group : str
        Hydrologic soil group of the row.
    rate_in_h : float
        Design infiltration rate of uncompacted soil [in/h].
    """

    textures: tuple[str, ...]
    group: str
    rate_in_h: float


MINNESOTA_SOURCE: Final = MPCA_RATES

MINNESOTA: Final = (
    DesignRow(("gravel", "sandy gravel"), "A", 1.63),
    DesignRow(("silty gravel", "gravelly sand", "well graded sand"), "A", 1.63),
    DesignRow(("sand", "loamy sand", "sandy loam"), "A", 0.8),
    DesignRow(("silty sand",), "B", 0.45),
    DesignRow(("loam", "silt loam"), "B", 0.3),
    DesignRow(("sandy clay loam", "silt"), "C", 0.2),
    DesignRow(("clay", "clay loam", "silty clay loam", "sandy clay", "silty clay"), "D", 0.06),
)
"""Design rates by texture, from fast to slow, read. On compacted soil the manual takes the next lower class."""

COLORADO_SOURCE: Final = (
    "State of Colorado document 52826, page 22 (dnrweblink.state.co.us/CWCB), uniform infiltration rates by texture"
)

COLORADO_IN_H: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "sand": (4.00, 8.00),
        "loamy sand": (1.20, 2.40),
        "loam": (0.50, 1.00),
        "silt loam": (0.15, 0.30),
        "sandy clay loam": (0.10, 0.20),
        "clay loam": (0.05, 0.10),
        "silty clay loam": (0.05, 0.10),
        "sandy clay": (0.03, 0.05),
        "silty clay": (0.02, 0.04),
        "clay": (0.01, 0.02),
    }
)
"""Ranges of uniform rates by texture [in/h], read."""

NEH630_SOURCE: Final = "USDA NRCS, National Engineering Handbook, part 630, chapter 7 (2009), Table 7-1"

NEH630_UM_S: Final[Mapping[str, tuple[float, float | None]]] = MappingProxyType(
    {"A": (10.0, None), "B": (4.0, 10.0), "C": (0.40, 4.0), "D": (0.0, 0.40)}
)
"""Saturated conductivity of the least transmissive layer [um/s], impermeable layer and water table deeper than 100 cm.

A and B quoted, C and D from memory."""

NEH630_SHALLOW_UM_S: Final[Mapping[str, tuple[float, float | None]]] = MappingProxyType(
    {"A": (40.0, None), "B": (10.0, 40.0), "C": (1.0, 10.0), "D": (0.0, 1.0)}
)
"""The same with an impermeable layer at 50 to 100 cm, quoted: more than twice the rates for the same letter. A group
alone doesn't say which of the two columns made it."""

TR55_SOURCE: Final = "USDA SCS (1986), Urban Hydrology for Small Watersheds, TR-55, appendix A"

TR55_IN_H: Final[Mapping[str, tuple[float, float | None]]] = MappingProxyType(
    {"A": (0.30, None), "B": (0.15, 0.30), "C": (0.05, 0.15), "D": (0.0, 0.05)}
)
"""Transmission rate of thoroughly wetted soil [in/h], read."""


@dataclass(frozen=True, slots=True)
class GroupScale:
    """A published scale of the hydrologic soil groups.

    Attributes
    ----------
    source : str
        Where it stands.
    what : str
        What the numbers are.
    range_mm_h : mapping of str to tuple
        Least and greatest rate of each group [mm/h]; None for no upper end.
    """

    source: str
    what: str
    range_mm_h: Mapping[str, tuple[float, float | None]]


def _in_mm_h(
    ranges: Mapping[str, tuple[float, float | None]], unit_mm_h: float
) -> Mapping[str, tuple[float, float | None]]:
    """Ranges in millimetres an hour."""
    return MappingProxyType(
        {group: (low * unit_mm_h, None if high is None else high * unit_mm_h) for group, (low, high) in ranges.items()}
    )


def _slowest_of_group() -> dict[str, tuple[float, float | None]]:
    """The lowest design rate of each group in the Minnesota table, as a range of no width [in/h]."""
    slowest = {row.group: row.rate_in_h for row in MINNESOTA}  # rows fall, so the last one stays
    return {group: (rate, rate) for group, rate in slowest.items()}


GROUP_SCALES: Final[Mapping[str, GroupScale]] = MappingProxyType(
    {
        "neh630": GroupScale(
            f"{NEH630_SOURCE}, impermeable layer and water table deeper than 100 cm",
            "saturated conductivity of the least transmissive layer",
            _in_mm_h(NEH630_UM_S, UM_S_MM_H),
        ),
        "neh630_shallow": GroupScale(
            f"{NEH630_SOURCE}, impermeable layer at 50 to 100 cm",
            "saturated conductivity of the least transmissive layer",
            _in_mm_h(NEH630_SHALLOW_UM_S, UM_S_MM_H),
        ),
        "tr55": GroupScale(TR55_SOURCE, "transmission rate of wetted soil", _in_mm_h(TR55_IN_H, INCH_MM)),
        "minnesota": GroupScale(
            MINNESOTA_SOURCE, "lowest design rate of the group", _in_mm_h(_slowest_of_group(), INCH_MM)
        ),
    }
)
"""The scales a run file may name in ``[soil] group_scale``."""
