"""Looks at buildings: their outlines, their size, the lots they stand on, and their place against the lots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from screening.checks.lots import DEEP_M, points_m
from screening.checks.shift import measure_shift
from screening.checks.words import count, do
from screening.clean import clean_buildings
from screening.homes import Pieces, assign_buildings, polygons_only

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.checks.lots import CleanLots
    from screening.checks.seen import Seen
    from screening.clean import CleanBuildings

    ObjectArray = npt.NDArray[np.object_]
    BoolArray = npt.NDArray[np.bool_]
    IntArray = npt.NDArray[np.int64]

FEW_LARGE_FRAC: Final = 0.20
"""Fewer of the buildings being as large as a house is a look of sheds or of a wrong unit."""

MANY_EMPTY_FRAC: Final = 0.25
MOST_EMPTY_FRAC: Final = 0.60
EMPTY_GROUP: Final = 8
"""So many eligible lots without a building (with and without a land-use filter), or so many beside each other, may be
houses that a layer lacks."""

SECOND_LOT_FRAC: Final = 0.20
SECOND_LOT_M2: Final = 15.0
"""A house with so much of it on a second lot stands on both.  All program defaults."""

MANY_OVERLAPS_FRAC: Final = 0.01


def look_at_buildings(seen: Seen, findings: Findings) -> CleanBuildings | None:
    """Clean the buildings as a run does, and tell what is odd with them.

    Returns
    -------
    CleanBuildings or None
        None where there are none.
    """
    if seen.buildings is None or not len(seen.buildings):
        return None
    raw = seen.buildings.geometry.to_numpy()
    none = shapely.is_missing(raw) | shapely.is_empty(raw)
    if none.any():
        n = int(none.sum())
        sentence = f"{n:,} of {count(len(raw), 'building')} {do(n, 'has', 'have')} no shape."
        findings.say("geometry_missing", sentence, role="buildings", n=n, of=len(raw))
    cleaned = clean_buildings(seen.buildings)
    if cleaned.n_unusable > none.sum():
        n = cleaned.n_unusable - int(none.sum())
        sentence = (
            f"{n:,} of {count(len(raw), 'building')} {do(n, 'has', 'have')} an outline that can't be used and can't be "
            "repaired."
        )
        findings.say("outline_unusable", sentence, role="buildings", n=n, of=len(raw))
    if cleaned.n_merged:
        n = cleaned.n_merged
        sentence = f"{count(n, 'building')} {do(n, 'repeats', 'repeat')} the outline of another."
        findings.say("buildings_twice", sentence, role="buildings", n=n, of=len(raw))
    if len(cleaned.kept):
        _outlines(seen, cleaned, findings)
    return cleaned


def _tell(findings: Findings, code: str, sentence: str, cleaned: CleanBuildings, rows: BoolArray | IntArray) -> None:
    """Write a finding down about some of the buildings."""
    which = np.flatnonzero(rows) if rows.dtype == bool else rows
    findings.say(
        code,
        sentence,
        role="buildings",
        n=len(which),
        of=len(cleaned.kept),
        ids=list(cleaned.kept["building_id"].to_numpy(dtype=object)[which][:10]),
        places_m=points_m(cleaned.kept.geometry.to_numpy()[which]),
    )


def _outlines(seen: Seen, cleaned: CleanBuildings, findings: Findings) -> None:
    """Repairs, sizes and overlaps."""
    footprints = cleaned.kept.geometry.to_numpy()
    repaired = cleaned.kept["is_repaired"].to_numpy(dtype=bool)
    if repaired.any():
        n = int(repaired.sum())
        said = f"{count(n, 'building')} {do(n, 'has', 'have')} an outline that crosses itself; it was repaired."
        _tell(findings, "ring_invalid", said, cleaned, repaired)
    area = shapely.area(footprints)
    smallest_m2 = seen.params.homes.min_principal_area_m2
    large = area >= smallest_m2
    if large.mean() < FEW_LARGE_FRAC and not seen.params.homes.principal_values:
        said = (
            f"{large.sum():,} of {len(area):,} buildings have the {smallest_m2:g} m2 of a house; the median has "
            f"{np.median(area):,.1f} m2."
        )
        _tell(findings, "buildings_all_small", said, cleaned, ~large)
    core = shapely.buffer(footprints, -DEEP_M, quad_segs=1)
    one, other = shapely.STRtree(footprints).query(core, predicate="intersects")
    over = np.unique(one[one != other])
    if len(over) > MANY_OVERLAPS_FRAC * len(footprints):
        said = f"{count(len(over), 'building')} overlap each other by more than {DEEP_M:g} m."
        _tell(findings, "buildings_overlap", said, cleaned, over)


def look_at_houses_on_lots(seen: Seen, lots: CleanLots, cleaned: CleanBuildings, findings: Findings) -> None:
    """Look at what stands on which lot, and at the place of the buildings against the lots."""
    footprints = cleaned.kept.geometry.to_numpy()
    if not len(footprints):
        return
    pieces = assign_buildings(lots.geometry, footprints, seen.params.homes)
    rows = np.unique(pieces.building[pieces.is_split])
    if len(rows):
        n_lots = len(np.unique(pieces.parcel[pieces.is_split]))
        n_two = int((np.bincount(pieces.building[pieces.is_split]) == 2).sum())
        two = f"; {n_two:,} over just two, as double houses do, or a home that has two lots" if n_two else ""
        said = (
            f"{count(len(rows), 'building')} {do(len(rows), 'stretches', 'stretch')} over {count(n_lots, 'lot')}{two}."
        )
        _tell(findings, "building_over_lots", said, cleaned, rows)
    is_shifted = _shift(seen, lots, footprints, findings)
    rows = _on_two_lots(seen, lots, footprints, pieces)
    # of shifted buildings those over a lot line tell nothing by themselves
    if len(rows) and not is_shifted:
        said = f"{count(len(rows), 'house')} {do(len(rows), 'stands', 'stand')} with a large part on a second lot."
        _tell(findings, "home_over_two_lots", said, cleaned, rows)
    n_buildings = np.bincount(pieces.parcel[pieces.parcel >= 0], minlength=len(lots.geometry))
    if n_buildings.any():
        _empty_lots(seen, lots, n_buildings, findings)
        return
    findings.say(
        "layers_apart",
        "no building stands on any parcel; check that both layers show the same place, and their systems under "
        "[inputs.crs].",
        role="buildings",
        is_told=True,
    )


def _on_two_lots(seen: Seen, lots: CleanLots, footprints: ObjectArray, pieces: Pieces) -> IntArray:
    """Houses with a large part on a second lot, which aren't divided as row houses are."""
    large = shapely.area(footprints) >= seen.params.homes.min_principal_area_m2
    whole = np.flatnonzero(large & ~np.isin(np.arange(len(footprints)), pieces.building[pieces.is_split]))
    core = shapely.buffer(footprints[whole], -DEEP_M, quad_segs=1)
    b, p = shapely.STRtree(lots.geometry).query(core, predicate="intersects")
    several = np.bincount(b, minlength=len(whole))[b] > 1
    b, p = b[several], p[several]
    if not len(b):
        return np.empty(0, dtype=np.int64)
    share = shapely.area(polygons_only(shapely.intersection(footprints[whole[b]], lots.geometry[p])))
    total = shapely.area(footprints[whole[b]])
    much = (share > SECOND_LOT_FRAC * total) & (share > SECOND_LOT_M2) & lots.is_eligible[p]
    b, p, share = b[much], p[much], share[much]
    # lots that have another house of their own share a garage, not a home
    has_own = np.zeros(len(lots.geometry), dtype=bool)
    own = (pieces.parcel >= 0) & large[pieces.building] & ~np.isin(pieces.building, whole[np.unique(b)])
    has_own[pieces.parcel[own]] = True
    n_much = np.bincount(b, minlength=len(whole))
    n_homeless = np.bincount(b[~has_own[p]], minlength=len(whole))
    found: IntArray = whole[(n_much > 1) & (n_homeless > 0)]
    return found


def cut_share(lots: ObjectArray, houses: ObjectArray) -> BoolArray:
    """Which houses a lot line cuts by more than half a metre.

    Parameters
    ----------
    lots, houses : arrays of polygons
        Outlines [m].
    """
    core = shapely.buffer(houses, -DEEP_M, quad_segs=1)
    lines = shapely.STRtree(shapely.boundary(lots))
    hit, _ = lines.query(core, predicate="intersects")
    cut = np.zeros(len(houses), dtype=bool)
    cut[np.unique(hit)] = True
    return cut


def _shift(seen: Seen, lots: CleanLots, footprints: ObjectArray, findings: Findings) -> bool:
    """Measure and tell a systematic shift; whether all buildings share one.  Nothing is moved."""
    houses = footprints[shapely.area(footprints) >= seen.params.homes.min_principal_area_m2]
    if not len(houses):
        return False
    whole, areas = measure_shift(lots.geometry, houses)
    if whole is not None and whole.is_shifted:
        cut = cut_share(lots.geometry, houses)
        back = shapely.transform(houses, lambda xy: xy - np.array([whole.x_m, whole.y_m]))
        then = cut_share(lots.geometry, back)
        findings.say(
            "buildings_shifted",
            f"the buildings lie about {whole.length_m:.1f} m {_direction(whole.x_m, whole.y_m)} of where they fit the "
            f"parcels best ({whole.x_m:+.1f} m east, {whole.y_m:+.1f} m north): lot lines cut {cut.mean():.0%} of the "
            f"houses, and would cut {then.mean():.0%} without the shift.",
            role="buildings",
            n=int(cut.sum()),
            places_m=points_m(houses[cut]),
        )
        return True
    odd = [area for area in areas if area.shift.is_shifted]
    if odd:
        worst = max(odd, key=lambda area: area.shift.length_m)
        findings.say(
            "buildings_shifted",
            f"in {len(odd)} of {len(areas)} parts of the city (1 km wide) the buildings lie shifted against the "
            f"parcels, most by about {worst.shift.length_m:.1f} m "
            f"{_direction(worst.shift.x_m, worst.shift.y_m)}.",
            role="buildings",
            n=len(odd),
            of=len(areas),
            places_m=[area.place_m for area in odd],
        )
    return False


_POINTS: Final = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")


def _direction(x_m: float, y_m: float) -> str:
    """Point of the compass of a vector."""
    return _POINTS[round(float(np.degrees(np.arctan2(y_m, x_m))) / 45.0) % 8]


def _empty_lots(seen: Seen, lots: CleanLots, n_buildings: IntArray, findings: Findings) -> None:
    """Eligible lots without a building: many, or many beside each other."""
    stack = lots.cleaned.kept["is_stack"].to_numpy(dtype=bool)
    may_be = lots.is_eligible & ~stack
    empty = np.flatnonzero(may_be & (n_buildings == 0))
    if not len(empty) or not may_be.any():
        return
    share = len(empty) / int(may_be.sum())
    one, other = shapely.STRtree(lots.geometry[empty]).query(lots.geometry[empty], predicate="intersects")
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(empty), len(empty)))
    _, group = connected_components(links, directed=False)
    largest = np.bincount(group)
    grouped = largest[group] >= EMPTY_GROUP
    named = bool(seen.params.homes.land_use)
    many = share > (MANY_EMPTY_FRAC if named else MOST_EMPTY_FRAC)
    if not many and not (named and grouped.any()):
        return
    which = empty if many else empty[grouped]
    more = f"; the largest group of neighbours has {largest.max():,}" if largest.max() >= EMPTY_GROUP else ""
    findings.say(
        "building_missing",
        f"{len(empty):,} of {int(may_be.sum()):,} eligible parcels hold no building ({share:.0%}){more}.",
        role="buildings",
        n=len(empty),
        of=int(may_be.sum()),
        ids=list(lots.ids[which][:10]),
        places_m=lots.places_m[which],
    )
