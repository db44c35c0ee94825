"""The elevation: which raster, and in which unit its heights are."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.crs import Reprojector
from screening.survey.words import run_together, word_set, words_of
from screening.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.survey.facts import RasterFacts
    from screening.survey.vector import LayerLook

    Bounds = tuple[float, float, float, float]

GROUND_WORDS: Final = word_set(
    "dem dtm elevation elev bare earth bareearth ground lidar topo topobathy ned terrain hoehe dgm mnt heights "
    "height hydroflattened"
)
OTHER_WORDS: Final = {
    "a surface model, with roofs and trees in it,": word_set("dsm surface firstreturn dom mns hh chm canopy ndsm"),
    "something made from elevation": word_set(
        "hillshade shade shaded slope aspect curvature flow flowacc flowdir accumulation twi roughness relief contour"
    ),
    "a picture": word_set("ortho orthophoto imagery image naip rgb aerial photo intensity ndvi satellite"),
    "a map of classes": word_set("landcover nlcd landuse class classes cover impervious hsg zones"),
}
"""Words of raster names; common practice, no source."""

FOOT_WORDS: Final = word_set("ft feet foot usft ftus usfeet intft")
METRE_WORDS: Final = word_set("m metre metres meter meters")

STEEP_TOWN: Final = 0.15
"""Median slope from which a town is more likely measured in the wrong unit.  Trade practice: over 15 % is suspect."""


@dataclass(frozen=True, slots=True)
class ElevationGuess:
    """The raster that is the elevation.

    Attributes
    ----------
    raster : RasterFacts
        It.
    is_sure : bool
        Whether several things speak for it and no other raster comes near.
    why : str
        What speaks for it.
    others : tuple of str
        Rasters that come near.
    """

    raster: RasterFacts
    is_sure: bool
    why: str
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class UnitGuess:
    """Unit of the heights.

    Attributes
    ----------
    unit : str
        ``m``, ``ft`` or ``us-ft``; empty where the raster says it itself.
    why : str
        What speaks for it.
    is_sure : bool
        Whether the raster says it.
    """

    unit: str
    why: str
    is_sure: bool


def no_heights(raster: RasterFacts) -> str:
    """Why a raster can't be the elevation whatever anybody says; empty if it may be."""
    header = raster.header
    if header.n_bands != 1:
        return f"has {header.n_bands} bands: a picture, or several things in one; heights have one band"
    if header.dtype.startswith("complex"):
        return "holds complex numbers, not heights"
    if not header.has_place:
        return "doesn't say where it lies"
    return "holds no height in the places looked at" if raster.lowest is None else ""


def no_elevation(raster: RasterFacts) -> str:
    """Why a raster is not taken for the elevation unless a person names it; empty if it may be."""
    reason = no_heights(raster)
    if reason:
        return reason
    if raster.header.dtype in ("uint8", "int8"):
        return f"holds small whole numbers ({raster.lowest:g} to {raster.highest:g}): classes or shades, not heights"
    words = set(words_of(raster.path.stem))
    if words & GROUND_WORDS:
        return ""
    if {"first", "return"} <= words:
        words.add("firstreturn")
    return next((f"is {what} by its name" for what, known in OTHER_WORDS.items() if words & known), "")


def lots_on_raster_frac(lots: LayerLook, raster: RasterFacts) -> float | None:
    """Part of the lots whose middle lies in the extent of a raster; None where that can't be told."""
    if lots.facts.crs is None or raster.header.crs is None:
        return None
    boxes = shapely.bounds(lots.geometry)
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return None
    x, y = Reprojector(lots.facts.crs, raster.header.crs).xy(
        boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)
    )
    west, south, east, north = raster.bounds
    return float(np.mean((x >= west) & (x <= east) & (y >= south) & (y <= north)))


def guess_elevation(
    rasters: Sequence[RasterFacts], lots: LayerLook | None, *, is_named: bool = False
) -> ElevationGuess | None:
    """Find the elevation among rasters; None if none may be."""
    usable = [one for one in rasters if not (no_heights(one) if is_named else no_elevation(one))]
    scored = []
    for raster in usable:
        words = set(words_of(raster.path.stem))
        points = 3 if words & GROUND_WORDS or "elev" in run_together(raster.path.stem) else 0
        part = None if lots is None else lots_on_raster_frac(lots, raster)
        if part is not None:
            points += 4 if part > 0.9 else (2 if part > 0.0 else -6)
        if raster.cell_m is not None:
            points += 2 if raster.cell_m <= 1.5 else (1 if raster.cell_m <= 3.05 else 0)
        scored.append((points, part, raster))
    if not scored:
        return None
    # of equals the finer one
    scored.sort(key=lambda row: (-row[0], row[2].cell_m or 1e9))
    points, part, raster = scored[0]
    if points < 0 and not is_named:
        return None
    others = tuple(row[2].where for row in scored[1:] if row[0] > points - 2)
    n = len(raster.paths)
    said = [f"{n} tiles" if n > 1 else "one band"]
    said.append(
        f"values from {raster.lowest:,.5g} to {raster.highest:,.5g}" if raster.lowest is not None else "no values"
    )
    if raster.cell_m is not None:
        said.append(f"cells of {raster.cell_m:.3g} m")
    if part is not None:
        said.append(f"under {part:.0%} of the parcels")
    return ElevationGuess(raster, points >= 6 and not others, ", ".join(said), others)


def guess_unit(raster: RasterFacts) -> UnitGuess:
    """Find the unit of the heights: as the raster says it, else by its name, its length unit and the slope it gives."""
    if raster.height_unit:
        return UnitGuess("", f"the raster says {raster.height_unit}", is_sure=True)
    foot = "us-ft" if "survey" in raster.length_unit.lower() else "ft"
    counts_feet = "foot" in raster.length_unit.lower() or "feet" in raster.length_unit.lower()
    # parted at marks only: the "1m" of dem_1m is the size of a cell
    words = {word for name in (raster.path.stem, raster.path.parent.name) for word in re.split(r"[\W_]+", name.lower())}
    slope = raster.rise_over_run
    if words & FOOT_WORDS:
        unit, why = foot, f'its name says feet ("{raster.path.name}")'
    elif words & METRE_WORDS and not counts_feet:
        unit, why = "m", f'its name says metres ("{raster.path.name}")'
    elif counts_feet:
        unit, why = foot, f"its lengths are in {raster.length_unit}, and heights mostly are in the same"
    elif slope is not None and slope > STEEP_TOWN >= slope * FOOT_M:
        unit, why = "ft", "taken as metres the ground would be too steep for a town"
    else:
        unit, why = "m", f"its lengths are in {raster.length_unit or 'an unknown unit'}, and nothing speaks for feet"
    if slope is not None:
        factor = 1.0 if unit == "m" else FOOT_M
        why += f"; the median slope then is {100.0 * slope * factor:.1f} %"
        other, other_factor = ("feet", FOOT_M) if unit == "m" else ("metres", 1.0)
        why += f", with {other} it would be {100.0 * slope * other_factor:.1f} %"
    return UnitGuess(unit, f"the raster does not say it; {why}", is_sure=False)
