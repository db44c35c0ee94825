"""The elevation: which raster, and in which unit its heights are."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from screening.survey.place import covered_frac
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
    "a surface model with roofs and trees in it": word_set("dsm surface firstreturn first dom mns hh chm canopy ndsm"),
    "made from elevation, and no elevation": word_set(
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


def no_elevation(raster: RasterFacts) -> str:
    """Why a raster can't be the elevation; empty if it may be."""
    header = raster.header
    words = set(words_of(raster.path.stem))
    reason = ""
    if header.n_bands != 1:
        reason = f"has {header.n_bands} bands: a picture, or several things in one; heights have one band"
    elif header.dtype.startswith("complex"):
        reason = "holds complex numbers, not heights"
    elif not header.has_place:
        reason = "doesn't say where it lies"
    elif raster.lowest is None:
        reason = "holds no height in the places looked at"
    elif header.dtype in ("uint8", "int8"):
        reason = f"holds small whole numbers ({raster.lowest:g} to {raster.highest:g}): classes or shades, not heights"
    elif not words & GROUND_WORDS:
        reason = next((f"is {what}" for what, known in OTHER_WORDS.items() if words & known), "")
    return reason


def guess_elevation(
    rasters: Sequence[RasterFacts], lots: LayerLook | None, *, is_named: bool = False
) -> ElevationGuess | None:
    """Find the elevation among rasters; None if none may be."""
    usable = [one for one in rasters if is_named or not no_elevation(one)]
    scored = []
    for raster in usable:
        words = set(words_of(raster.path.stem))
        points = 3 if words & GROUND_WORDS or "elev" in run_together(raster.path.stem) else 0
        part = None if lots is None else covered_frac(lots.facts.lonlat_bounds, raster.lonlat_bounds)
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
        said.append(f"covers {part:.0%} of the parcels' extent")
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
