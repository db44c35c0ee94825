"""Coordinate systems that files don't name: guessed from the other layers of the place."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from screening.crs import describe
from screening.survey.place import covered_frac
from screening.survey.raster import describe_rasters

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pyproj import CRS

    from screening.survey.facts import RasterFacts
    from screening.survey.vector import LayerLook

    Bounds = tuple[float, float, float, float]


def coordinate_fault(crs: CRS | None, bounds: Bounds | None) -> str:
    """Why a layer's place can't be told, in words that follow its name; empty if it can."""
    if crs is None:
        return "names no coordinate system"
    if bounds is None or not crs.is_geographic:
        return ""
    west, south, east, north = bounds
    if max(abs(west), abs(east)) <= 360.0 and max(abs(south), abs(north)) <= 90.0:
        return ""
    return f"says that it is in {describe(crs)}, but its coordinates aren't degrees"


def guess_systems(
    looks: Sequence[LayerLook], rasters: Sequence[RasterFacts]
) -> list[tuple[LayerLook | RasterFacts, CRS, str]]:
    """Find systems for layers and rasters that name none, or one that can't be theirs.

    Another layer's is taken where the numbers lie in the same range as that layer's.

    Returns
    -------
    list of (LayerLook or RasterFacts, CRS, str)
        The layer, the system it probably is in, and the layer that speaks for it.
    """
    known: list[tuple[CRS, Bounds, str]] = []
    for look in looks:
        facts = look.facts
        if facts.crs is not None and facts.bounds is not None and not coordinate_fault(facts.crs, facts.bounds):
            known.append((facts.crs, facts.bounds, facts.where))
    known += [(one.header.crs, one.header.bounds, one.where) for one in rasters if one.header.crs is not None]
    found: list[tuple[LayerLook | RasterFacts, CRS, str]] = []
    for look in looks:
        if coordinate_fault(look.facts.crs, look.facts.bounds):
            found += [(look, *one) for one in _nearest(look.facts.bounds, known)]
    for raster in rasters:
        if raster.header.crs is None and raster.header.has_place:
            found += [(raster, *one) for one in _nearest(raster.header.bounds, known)]
    return found


def _nearest(bounds: Bounds | None, known: Sequence[tuple[CRS, Bounds, str]]) -> list[tuple[CRS, str]]:
    """Find the system of the layer that a box shares most ground with; an empty list if none."""
    scored = []
    for crs, box, where in known:
        shared = min(covered_frac(bounds, box) or 0.0, 1.0) + min(covered_frac(box, bounds) or 0.0, 1.0)
        scored.append((shared, crs, where))
    best = max(scored, key=lambda row: row[0], default=None)
    return [(best[1], best[2])] if best is not None and best[0] > 0.5 else []


def with_system(raster: RasterFacts, crs: CRS) -> RasterFacts:
    """Describe a raster again, in a system that is known from elsewhere.

    Only for a single raster: tiles without a system are best given one by one.
    """
    facts = describe_rasters([replace(raster.header, crs=crs)])
    return replace(facts, paths=raster.paths)


def system_text(crs: CRS) -> str:
    """Return a system as the run file writes it: its registered code, else its definition."""
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.to_wkt())
