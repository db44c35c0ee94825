"""Layers of things a garden stays away from: their kind, and a distance where the rule set has none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.crs import Reprojector
from screening.errors import CRSError
from screening.params import Params
from screening.rules import PROGRAM_DEFAULT
from screening.survey.guess import KeepAwayGuess
from screening.survey.names import name_evidence
from screening.survey.place import lies_elsewhere
from screening.survey.roles import count_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.survey.vector import LayerLook

DISTANCES_M: Final[Mapping[str, tuple[float, str]]] = {
    "water": (7.6, f"25 ft, {PROGRAM_DEFAULT}"),
    "wetland": (7.6, f"25 ft, {PROGRAM_DEFAULT}"),
    "tree": (3.0, f"10 ft from a trunk, {PROGRAM_DEFAULT}; the guides say outside the dripline"),
    "retaining_wall": (
        3.05,
        "10 ft from retaining walls, Portland's guide to taking downspouts off the sewer (quoted)",
    ),
    "wall": (1.5, f"5 ft, {PROGRAM_DEFAULT}"),
    "deck": (1.5, f"5 ft, {PROGRAM_DEFAULT}"),
    "pool": (3.0, f"10 ft, {PROGRAM_DEFAULT}"),
    "easement": (0.0, f"only outside it, {PROGRAM_DEFAULT}"),
    "pavement": (0.5, f"{PROGRAM_DEFAULT}"),
    "utility": (1.5, f"5 ft, {PROGRAM_DEFAULT}; have lines located before anybody digs"),
    "steep_slope": (15.0, f"50 ft, {PROGRAM_DEFAULT}"),
}
"""Distance of each kind [m], with its source, for rule sets that have none."""

CANOPY: Final = (0.0, "the outline of the crown is the dripline")

MOST_COVERED: Final = 0.5
"""Areas that hold more than this part of the lots would leave no ground: a zone, not a thing.  Program default."""


def guess_keep_away(look: LayerLook, lots: LayerLook, place: frozenset[str] = frozenset()) -> KeepAwayGuess | None:
    """Take a layer for things to stay away from, by its name; None if it isn't one.

    Parameters
    ----------
    look : LayerLook
        The layer.
    lots : LayerLook
        The parcels.
    place : frozenset of str
        Words of names that are the place's.
    """
    facts = look.facts
    names = name_evidence(facts, place)
    kind = names.kind
    if not kind or not facts.n_records:
        return None
    distance_m, why_distance, is_of_rules = default_distance(kind, facts.kind)
    why = f"{count_text(facts.kind, facts.n_records)}; the name says so"
    is_suggestion = False
    if facts.crs is None:
        is_suggestion = True
        why += "; it names no coordinate system: save it with its system, and take this in"
    elif lies_elsewhere(lots.facts.lonlat_bounds, facts.lonlat_bounds):
        is_suggestion = True
        why += "; it lies elsewhere than the parcels"
    elif facts.kind == "polygon":
        part = covered_lots_frac(look, lots)
        if part is not None and part > MOST_COVERED:
            is_suggestion = True
            why += f"; it covers {part:.0%} of the parcels and would leave no ground for gardens"
    return KeepAwayGuess(
        path=facts.path,
        layer=facts.layer if facts.n_layers > 1 else "",
        kind=kind,
        distance_m=distance_m,
        is_sure=names.is_plain and not is_suggestion,
        is_sure_distance=is_of_rules,
        why=why,
        why_distance=why_distance,
        is_suggestion=is_suggestion,
    )


def default_distance(kind: str, shapes: str) -> tuple[float, str, bool]:
    """Distance [m] of a kind, its source, and whether it is that of the default rule set."""
    if kind == "tree" and shapes == "polygon":
        return (*CANOPY, False)
    rules = Params().rules
    of_rules = rules.keep_away_distance_m(kind)
    if of_rules is not None:
        return of_rules, f"as in the rule set {rules.base}", True
    return (*DISTANCES_M[kind], False)


def covered_lots_frac(look: LayerLook, lots: LayerLook) -> float | None:
    """Part of the lots whose middle lies in an area of the layer; None where that can't be told."""
    if look.facts.crs is None or lots.facts.crs is None:
        return None
    there = lots.geometry[~shapely.is_missing(lots.geometry)]
    there = there[np.unique(np.linspace(0, len(there) - 1, 1000).astype(int))]
    try:
        points = Reprojector(lots.facts.crs, look.facts.crs).geometries(shapely.point_on_surface(there))
    except CRSError:
        return None
    hit = shapely.STRtree(look.geometry).query(points, predicate="intersects")[0]
    return float(len(np.unique(hit)) / len(points))
