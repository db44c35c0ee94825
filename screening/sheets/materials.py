"""What a garden takes, as a draft: soil to dig, stone, compost, mulch and plants.

Plain arithmetic on plan areas and depths; every figure that is not geometry is a constant here, with its source. The
page docs/method/materials.md has a worked example.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import shapely

from screening.units import FOOT_M, INCH_M

if TYPE_CHECKING:
    from collections.abc import Iterable

INLET_SIDE_M: Final = 0.6
"""Side of the square of stone where a downspout's water comes in.  Common practice, no source."""

INLET_DEPTH_M: Final = 0.15
"""Thickness of that stone, and of the stone in the low place of the rim.  Common practice, no source."""

MULCH_DEPTH_M: Final = 3.0 * INCH_M
"""First layer of mulch.

Source: 2 to 3 in in Delaware (Partnership for the Delaware Estuary, garden maintenance page), 3 to 4 in in Ohio
(Clermont Soil and Water Conservation District, rain garden maintenance); 3 in is what both allow."""

COMPOST_DEPTH_M: Final = 2.0 * INCH_M
"""Compost worked into the floor.  From memory: about 2 in is what household guides name."""

PLANT_SPACING_M: Final = 18.0 * INCH_M
"""Distance of the plants in rows and between rows.

Source: Clermont Soil and Water Conservation District, plant selection and placement: area in square feet over 2.25 for
18-inch centres."""

WIDE_SPACING_M: Final = 2.0 * FOOT_M
"""The same where plants grow large.

Source: Alabama Extension, step 6: 100 square feet at 2 ft take 25 plants."""

EDGE_WIDTH_M: Final = 0.3
"""Width of the dry edge where the run reckons with no berm.  Common practice, no source."""

SIDE_RUN_PER_RISE: Final = 3.0
"""Lean of the sides where the run reckons with upright ones.  Common practice, no source."""

WEEKLY_WATER_M: Final = INCH_M
"""Water for young plants in a week, less the rain.

Source: Clermont Soil and Water Conservation District, rain garden maintenance: about 1 in a week in the first year."""


@dataclass(frozen=True, slots=True)
class Zones:
    """Plan areas of a garden's planting zones [m2].

    The wettest floor, the sides that stand in water now and then, and the dry edge: the three zones of the Rain Garden
    Handbook for Western Washington (WSU Extension and Washington State Department of Ecology, 2013).
    """

    floor_m2: float
    side_m2: float
    edge_m2: float


@dataclass(frozen=True, slots=True)
class Materials:
    """What one garden takes, or several together.

    Attributes
    ----------
    bowl_m3 : float
        The hollow that holds the water.
    level_m3 : float
        What is cut to make the floor level on sloping ground, on top of the bowl.
    bed_m3 : float
        Room for compost and mulch below the bowl.
    compost_m3, mulch_m3 : float
        Their volumes.
    n_inlets, n_outlets : int
        Places with stone.
    stone_m3 : float
        Stone for all of them.
    run_m : float
        Ways from downspouts to the garden, as pipe or lined channel.
    n_floor, n_side, n_edge : int
        Plants of each zone, 18 in apart.
    n_wide : int
        Plants of all zones, 2 ft apart.
    weekly_m3 : float
        Water for the young plants in a week without rain.
    """

    bowl_m3: float
    level_m3: float
    bed_m3: float
    compost_m3: float
    mulch_m3: float
    n_inlets: int
    n_outlets: int
    stone_m3: float
    run_m: float
    n_floor: int
    n_side: int
    n_edge: int
    n_wide: int
    weekly_m3: float

    @property
    def dug_m3(self) -> float:
        """All soil that is dug, as it lies in the ground [m3]."""
        return self.bowl_m3 + self.level_m3 + self.bed_m3

    @property
    def n_plants(self) -> int:
        """Plants of all zones, 18 in apart."""
        return self.n_floor + self.n_side + self.n_edge


def zones(outline: Any, depth_m: float, *, run_per_rise: float, berm_m: float) -> Zones:
    """Part a garden into floor, sides and edge.

    Parameters
    ----------
    outline : shapely Polygon
        The garden. [m]
    depth_m : float
        Depth of the water. [m]
    run_per_rise : float
        Lean of the sides; 0, as a run has it that reckons with upright sides: `SIDE_RUN_PER_RISE`. [m/m]
    berm_m : float
        Width of the rim; 0: `EDGE_WIDTH_M`. [m]

    Notes
    -----
    The outline moved inwards by the edge's width bounds the sides, moved on by lean times depth the floor.
    """
    edge_m = berm_m or EDGE_WIDTH_M
    side_m = (run_per_rise or SIDE_RUN_PER_RISE) * depth_m
    inside, floor = (
        float(shapely.area(shapely.buffer(outline, -by_m, join_style="mitre"))) for by_m in (edge_m, edge_m + side_m)
    )
    return Zones(floor, inside - floor, float(outline.area) - inside)


def plants_needed(area_m2: float, spacing_m: float) -> int:
    """Count plants in a square grid, rounded up.

    Parameters
    ----------
    area_m2 : float
        [m2]
    spacing_m : float
        [m]

    References
    ----------
    .. [1] Alabama Extension, step 6: square spacing X takes area / X^2 plants.

    Examples
    --------
    >>> plants_needed(100 * 0.3048**2, 2 * 0.3048)
    25
    """
    # A whole number must not become the next one by the last bit.
    return math.ceil(area_m2 / spacing_m**2 - 1e-9)


def levelling_m3(area_m2: float, across_m: float, slope_pct: float) -> float:
    """Soil above the level of the low edge, which a level floor takes away.

    Parameters
    ----------
    area_m2 : float
        [m2]
    across_m : float
        Extent of the garden along the fall of the ground. [m]
    slope_pct : float
        [%]

    Returns
    -------
    float
        A wedge: half the cut at the uphill edge times the area. [m3]

    References
    ----------
    .. [1] Rain Garden Handbook for Western Washington (2013): 10 ft across a 10 % slope are 12 in of cut at the uphill
       edge.
    """
    return 0.5 * area_m2 * across_m * slope_pct / 100.0


def garden_materials(
    outline: Any,
    *,
    storage_m3: float,
    depth_m: float,
    across_m: float,
    slope_pct: float,
    n_inlets: int,
    run_m: float,
    run_per_rise: float,
    berm_m: float,
) -> Materials:
    """Reckon what one garden takes.

    Parameters
    ----------
    outline : shapely Polygon
        [m]
    storage_m3 : float
        Water it holds. [m3]
    depth_m : float
        Depth of that water. [m]
    across_m : float
        Extent along the fall of the ground. [m]
    slope_pct : float
        Slope of the ground under it. [%]
    n_inlets : int
        Downspouts that lead to it.
    run_m : float
        Their ways together. [m]
    run_per_rise, berm_m : float
        As in `zones`.
    """
    area_m2 = float(outline.area)
    parts = zones(outline, depth_m, run_per_rise=run_per_rise, berm_m=berm_m)
    compost_m3 = COMPOST_DEPTH_M * (parts.floor_m2 + parts.side_m2)
    mulch_m3 = MULCH_DEPTH_M * area_m2
    return Materials(
        bowl_m3=storage_m3,
        level_m3=levelling_m3(area_m2, across_m, slope_pct),
        bed_m3=compost_m3 + mulch_m3,
        compost_m3=compost_m3,
        mulch_m3=mulch_m3,
        n_inlets=n_inlets,
        n_outlets=1,
        stone_m3=(n_inlets + 1) * INLET_SIDE_M**2 * INLET_DEPTH_M,
        run_m=run_m,
        n_floor=plants_needed(parts.floor_m2, PLANT_SPACING_M),
        n_side=plants_needed(parts.side_m2, PLANT_SPACING_M),
        n_edge=plants_needed(parts.edge_m2, PLANT_SPACING_M),
        n_wide=plants_needed(area_m2, WIDE_SPACING_M),
        weekly_m3=WEEKLY_WATER_M * area_m2,
    )


def together(parts: Iterable[Materials]) -> Materials:
    """Add what several gardens take."""
    rows = list(parts)
    names = Materials.__slots__
    return Materials(**{name: sum(getattr(row, name) for row in rows) for name in names})
