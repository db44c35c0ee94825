"""Which layer is what: points for names, fields, shapes, and for how layers lie in each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.crs import Reprojector
from screening.errors import CRSError
from screening.survey.field_names import guess_field
from screening.survey.names import name_evidence
from screening.survey.place import lies_elsewhere

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.survey.vector import LayerLook

LOT_AREA_M2: Final = (80.0, 100_000.0)
BUILDING_AREA_M2: Final = (15.0, 3_000.0)
"""Median area of lots and of buildings in places that were ever seen.  Program defaults."""

NO_LOT_M2: Final = 1_000_000.0
NO_BUILDING_M2: Final = 20_000.0
"""Areas whose median is larger are no lots, and no buildings.  Program defaults."""

KINDS_OF_ROLE: Final = {
    "parcels": ("polygon", "any"),
    "buildings": ("polygon", "any"),
    "streets": ("line", "polygon", "any"),
    "downspouts": ("point", "any"),
    "soils": ("polygon", "any"),
    "districts": ("polygon", "any"),
}

LEAST_POINTS: Final = {"parcels": 5, "buildings": 4, "streets": 4, "downspouts": 4, "soils": 4, "districts": 4}
SURE_POINTS: Final = {"parcels": 7, "buildings": 6, "streets": 5, "downspouts": 4, "soils": 5, "districts": 99}
CLEAR_LEAD: Final = 2
"""Points a layer needs to be taken, to be taken without a question, and over the next; program defaults."""

SAMPLE: Final = 1000
"""Shapes of which is looked up in which shape of another layer they lie."""


@dataclass(frozen=True, slots=True)
class RoleGuess:
    """The layer that fits a role best.

    Attributes
    ----------
    look : LayerLook
        It.
    is_sure : bool
        Whether several things speak for it and no other layer comes near.
    why : str
        What speaks for it.
    others : tuple of str
        Layers that come near.
    """

    look: LayerLook
    is_sure: bool
    why: str
    others: tuple[str, ...] = ()


def guess_role(
    role: str,
    looks: Sequence[LayerLook],
    *,
    within: LayerLook | None = None,
    place: frozenset[str] = frozenset(),
    is_named: bool = False,
) -> RoleGuess | None:
    """Find the layer for a role; None if none will do.

    Parameters
    ----------
    role : str
        Input of the run file.
    looks : sequence of LayerLook
        Layers that are still free.
    within : LayerLook or None
        The parcels, for the other roles: a layer elsewhere is not taken.
    place : frozenset of str
        Words of names that are the place's.
    is_named : bool
        Whether a person has named the file, so that only the layer is to be found.
    """
    scored = []
    for look in looks:
        if look.facts.kind not in KINDS_OF_ROLE[role] or not look.facts.n_records:
            continue
        points, words = _points(role, look, within, place)
        if is_named or points >= LEAST_POINTS[role]:
            scored.append((points, words, look))
    if not scored:
        return None
    scored.sort(key=lambda row: -row[0])
    points, words, look = scored[0]
    others = tuple(row[2].facts.where for row in scored[1:] if row[0] > points - CLEAR_LEAD)
    why = "; ".join(words)
    if is_named:
        return RoleGuess(look, not others, "as you named it" + (f"; {why}" if others else ""), others)
    return RoleGuess(look, points >= SURE_POINTS[role] and not others, why, others)


def _points(role: str, look: LayerLook, within: LayerLook | None, place: frozenset[str]) -> tuple[int, list[str]]:
    """Points of a layer for a role, with what speaks for it."""
    facts = look.facts
    names = name_evidence(facts, place)
    points = names.roles.get(role, 0)
    words = [count_text(facts.kind, facts.n_records)]
    if points:
        words.append("the name says so")
        # a parking lot is no lot, and street trees are no streets
        points -= 2 if names.kind else 0
    elif any(value > 1 for value in names.roles.values()) or names.kind:
        points -= 4
    if names.not_used and points < 4:
        points -= 4
    if role == "parcels":
        more, said = _parcel_points(look)
    elif role == "buildings":
        more, said = _building_points(look, within)
    elif role == "streets":
        more, said = _street_points(look)
    elif role == "soils":
        is_soil = any(field.name.lower() in ("musym", "mukey") for field in facts.fields)
        more, said = (2, ["fields for map units"]) if is_soil else (0, [])
    else:
        more, said = 0, []
    points, words = points + more, words + said
    if within is not None:
        points -= 10 if lies_elsewhere(within.facts.lonlat_bounds, facts.lonlat_bounds) else 0
    return points, words


def _parcel_points(look: LayerLook) -> tuple[int, list[str]]:
    facts, points, words = look.facts, 0, []
    shapes = facts.shapes
    found = [name for name in ("parcel_id", "land_use", "address") if _named(look, name)]
    if found:
        points += min(2 * len(found), 4)
        words.append(
            "fields for " + ", ".join(field.replace("parcel_id", "parcel id").replace("_", " ") for field in found)
        )
    if any(field.is_private for field in facts.fields):
        points += 1
    if shapes.touching_frac is not None and shapes.touching_frac > 0.5:
        points += 2
        words.append(f"{shapes.touching_frac:.0%} share an edge with a neighbour")
    if shapes.median_area_m2 is not None:
        if LOT_AREA_M2[0] <= shapes.median_area_m2 <= LOT_AREA_M2[1]:
            points += 1
        elif shapes.median_area_m2 > NO_LOT_M2 or shapes.median_area_m2 < LOT_AREA_M2[0] / 2:
            points -= 8
        words.append(f"median area {shapes.median_area_m2:,.0f} m2")
    return points, words


def _building_points(look: LayerLook, within: LayerLook | None) -> tuple[int, list[str]]:
    facts, points, words = look.facts, 0, []
    shapes = facts.shapes
    if _named(look, "building_type"):
        points += 1
    if shapes.touching_frac is not None and shapes.touching_frac < 0.5:
        points += 1
    if shapes.median_area_m2 is not None:
        if BUILDING_AREA_M2[0] <= shapes.median_area_m2 <= BUILDING_AREA_M2[1]:
            points += 1
        elif shapes.median_area_m2 > NO_BUILDING_M2:
            points -= 8
        words.append(f"median area {shapes.median_area_m2:,.0f} m2")
    if within is not None:
        part = inside_frac(look, within)
        if part is not None and part > 0.5 and facts.n_records > 0.1 * within.facts.n_records:
            points += 2
            words.append(f"{part:.0%} of them on a parcel")
    return points, words


def _street_points(look: LayerLook) -> tuple[int, list[str]]:
    guess = guess_field(look.facts, "street_name")
    points = 1 if look.facts.kind == "line" else -1
    if guess is None or guess.field.street_frac < 0.3:
        return points, []
    return points + 3, [f"{guess.field.street_frac:.0%} of {guess.field.name} end like names of streets"]


def _named(look: LayerLook, wanted: str) -> bool:
    """Whether a layer has a field of a known name for something."""
    guess = guess_field(look.facts, wanted)
    return guess is not None and (guess.is_sure or bool(guess.others) or wanted == "parcel_id")


def inside_frac(look: LayerLook, lots: LayerLook) -> float | None:
    """Part of the shapes of a layer that lie in a parcel, by a point of each; None where that can't be told."""
    if look.facts.crs is None or lots.facts.crs is None:
        return None
    there = look.geometry[~shapely.is_missing(look.geometry)]
    if not len(there):
        return None
    chosen = there[np.unique(np.linspace(0, len(there) - 1, SAMPLE).astype(int))]
    try:
        points = Reprojector(look.facts.crs, lots.facts.crs).geometries(shapely.point_on_surface(chosen))
    except CRSError:
        return None
    outlines = lots.geometry[~shapely.is_missing(lots.geometry)]
    hit = shapely.STRtree(outlines).query(points, predicate="intersects")[0]
    return float(len(np.unique(hit)) / len(points))


def count_text(kind: str, count: int) -> str:
    """Number of shapes in words: "1 area", "12 lines"."""
    one = {"polygon": "area", "line": "line", "point": "point"}.get(kind, "shape")
    return f"{count:,} {one}{'' if count == 1 else 's'}"
