"""Looks at lots: outlines, stacks in their forms, overlaps, streets and water among them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from screening.checks.words import count, do
from screening.clean import clean_parcels, repair

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.checks.seen import Seen
    from screening.clean import CleanParcels

    ObjectArray = npt.NDArray[np.object_]
    BoolArray = npt.NDArray[np.bool_]
    IntArray = npt.NDArray[np.int64]
    FloatArray = npt.NDArray[np.float64]

DEEP_M: Final = 0.5
"""Lots that overlap less deeply than twice this do so by drawing errors; as the sliver depth of [homes] [m]."""

INSIDE_FRAC: Final = 0.9
UNIT_M2: Final = 500.0
COMMON_RATIO: Final = 2.0
"""A unit lies on a ground parcel with this part of it, is no larger than this, and the ground is so much larger."""

LONG_M: Final = 150.0
LONG_TO_WIDE: Final = 14.0
"""A street's outline is so long, half of its edge [m], and so many times longer than wide; program defaults."""

STREET_WORDS: Final = re.compile(
    r".*\b(right[- ]of[- ]way|r\.?o\.?w\.?|roads?|streets?|railroad|railway|rail|highway|alleys?|traffic)\b.*",
    re.IGNORECASE,
)
WATER_WORDS: Final = re.compile(
    r".*\b(water( ?body|way)?|lakes?|ponds?|rivers?|creek|stream|bay|reservoir|hydro(graphy)?)\b.*", re.IGNORECASE
)
"""Land uses of parcels that are no lots; common practice, no source."""


@dataclass(frozen=True, slots=True)
class CleanLots:
    """Lots after cleaning, with what other looks need of them.

    Attributes
    ----------
    cleaned : CleanParcels
        As the run cleans them.
    geometry : ndarray, shape (n,)
        Outlines of the kept ones [m].
    ids : ndarray of str, shape (n,)
        Their ids.
    places_m : ndarray, shape (n, 2)
        A point in each [m].
    is_eligible : ndarray of bool, shape (n,)
        Whether the land use is one of the eligible ones.
    """

    cleaned: CleanParcels
    geometry: ObjectArray
    ids: ObjectArray
    places_m: FloatArray
    is_eligible: BoolArray


def points_m(geometry: ObjectArray) -> FloatArray:
    """A point in each shape [m], shape (n, 2)."""
    point = shapely.point_on_surface(geometry)
    return np.column_stack([shapely.get_x(point), shapely.get_y(point)])


def look_at_lots(seen: Seen, findings: Findings) -> CleanLots | None:
    """Clean the parcels as a run does, and tell what that changes and what it can't mend.

    Returns
    -------
    CleanLots or None
        None where there are no parcels.
    """
    if seen.parcels is None or not len(seen.parcels):
        return None
    raw = seen.parcels.geometry.to_numpy()
    none = shapely.is_missing(raw) | shapely.is_empty(raw)
    raw_ids = seen.parcels["parcel_id"].to_numpy(dtype=object)
    if none.any():
        ids = [raw_ids[i] or f"record {i + 1}" for i in np.flatnonzero(none)[:10]]
        n = int(none.sum())
        sentence = f"{n:,} of {count(len(raw), 'parcel')} {do(n, 'has', 'have')} no shape."
        findings.say("geometry_missing", sentence, role="parcels", n=n, of=len(raw), ids=ids)
    cleaned = clean_parcels(seen.parcels)
    n_broken = len(cleaned.broken) - int(none.sum())
    if n_broken > 0:
        there = np.flatnonzero(~none)
        bad = there[repair(raw[there])[2]]
        findings.say(
            "outline_unusable",
            f"{n_broken:,} of {count(len(raw), 'parcel')} {do(n_broken, 'has', 'have')} an outline that can't be used "
            "and can't be repaired.",
            role="parcels",
            n=n_broken,
            of=len(raw),
            ids=[one for one in cleaned.broken["parcel_id"].dropna() if one not in set(raw_ids[none])][:10],
            places_m=shapely.get_coordinates(shapely.centroid(shapely.envelope(raw[bad]))),
        )
    kept = cleaned.kept
    if not len(kept):
        return None
    geometry = kept.geometry.to_numpy()
    eligible = np.ones(len(kept), dtype=bool)
    wanted = seen.params.homes.land_use
    if wanted and kept["land_use"].isin(wanted).any():
        eligible = kept["land_use"].isin(wanted).to_numpy(dtype=bool)
    lots = CleanLots(cleaned, geometry, kept["home_id"].to_numpy(dtype=object), points_m(geometry), eligible)
    _records(lots, findings)
    _sizes(lots, seen, findings)
    no_lots = _streets_and_water(lots, seen, findings)
    _overlaps(lots, no_lots, findings)
    _puzzles(lots, no_lots, findings)
    return lots


def _tell(
    findings: Findings, code: str, sentence: str, lots: CleanLots, rows: BoolArray | IntArray, **more: Any
) -> None:
    """Write a finding down about some of the lots."""
    which = np.flatnonzero(rows) if rows.dtype == bool else rows
    findings.say(
        code,
        sentence,
        role="parcels",
        n=more.pop("n", len(which)),
        of=more.pop("of", len(lots.geometry)),
        ids=list(lots.ids[which][:10]),
        places_m=lots.places_m[which],
        **more,
    )


def _records(lots: CleanLots, findings: Findings) -> None:
    """What cleaning did: repairs, parts, stacks, duplicates, repeated ids."""
    kept: gpd.GeoDataFrame = lots.cleaned.kept
    repaired = kept["is_repaired"].to_numpy(dtype=bool)
    if repaired.any():
        n = int(repaired.sum())
        sentence = f"{count(n, 'parcel')} {do(n, 'has', 'have')} an outline that crosses itself; it was repaired."
        _tell(findings, "ring_invalid", sentence, lots, repaired)
    several = shapely.get_num_geometries(lots.geometry) > 1
    if several.any():
        n = int(several.sum())
        sentence = f"{count(n, 'parcel')} {do(n, 'consists', 'consist')} of several parts."
        _tell(findings, "lot_in_parts", sentence, lots, several)
    stack = kept["is_stack"].to_numpy(dtype=bool)
    if stack.any():
        n = int(kept["n_features"].to_numpy()[stack].sum())
        _tell(
            findings,
            "lots_stacked",
            f"{count(n, 'parcel')} share {count(int(stack.sum()), 'outline')}; the largest stack has "
            f"{int(kept['n_features'].to_numpy()[stack].max()):,}.",
            lots,
            stack,
            n=n,
            of=int(kept["n_features"].sum()),
        )
    twice = lots.cleaned.merged[lots.cleaned.merged["merge_code"] == "duplicate"]
    if len(twice):
        rows = np.flatnonzero(np.isin(lots.ids.astype(str), twice["home_id"].astype(str).to_numpy()))
        n = len(twice)
        sentence = f"{count(n, 'parcel')} {do(n, 'is', 'are')} in the file once more, with the same id and outline."
        _tell(findings, "lot_twice", sentence, lots, rows, n=n)
    given = pd.Series(kept["parcel_id"].to_numpy(dtype=object))
    again = (given.notna() & given.duplicated(keep=False)).to_numpy(dtype=bool)
    if again.any():
        n_ids = given[again].nunique()
        sentence = f"{count(n_ids, 'id')} {do(n_ids, 'stands', 'stand')} on several outlines, {again.sum():,} in all."
        usual = given[again].value_counts()
        if int(usual.iloc[0]) > 10:
            sentence = sentence[:-1] + f"; {usual.index[0]!r} alone on {int(usual.iloc[0]):,}."
        _tell(findings, "id_repeated", sentence, lots, again)


def _sizes(lots: CleanLots, seen: Seen, findings: Findings) -> None:
    """Lots smaller than the smallest garden."""
    smallest_m2 = seen.params.rules.min_garden_area_m2
    tiny = lots.is_eligible & (shapely.area(lots.geometry) < smallest_m2)
    if tiny.any():
        n = int(tiny.sum())
        sentence = f"{count(n, 'parcel')} {do(n, 'is', 'are')} smaller than the smallest garden ({smallest_m2:g} m2)."
        _tell(findings, "lot_tiny", sentence, lots, tiny)


def _streets_and_water(lots: CleanLots, seen: Seen, findings: Findings) -> BoolArray:
    """Which lots are streets, railways or water by their shape or land use."""
    area, edge = shapely.area(lots.geometry), shapely.length(lots.geometry)
    length_m = edge / 2.0
    thin = (length_m > LONG_M) & (length_m**2 > LONG_TO_WIDE * area)
    if seen.buildings is not None and len(seen.buildings):
        # a long lot with a house on it is a lot
        houses = seen.buildings.geometry.to_numpy()
        houses = houses[~shapely.is_missing(houses)]
        houses = houses[shapely.area(houses) >= seen.params.homes.min_principal_area_m2]
        hit = shapely.STRtree(shapely.centroid(houses)).query(lots.geometry[thin], predicate="contains")[0]
        thin[np.flatnonzero(thin)[np.unique(hit)]] = False
    use = lots.cleaned.kept["land_use"].to_numpy(dtype=object)
    words = {value: (STREET_WORDS.fullmatch(value), WATER_WORDS.fullmatch(value)) for value in set(use) if value}
    by_word = np.array([bool(value and words[value][0]) for value in use], dtype=bool)
    wet = np.array([bool(value and words[value][1]) for value in use], dtype=bool)
    # a filter that leaves them out has dealt with them
    filtered = bool(seen.params.homes.land_use)
    roads = (thin | by_word) & ~wet
    for code, rows, what in (
        ("road_among_lots", roads, "long and thin like streets or railways, or called so"),
        ("water_among_lots", wet, "water by their land use"),
    ):
        if rows.any():
            counted = rows & lots.is_eligible if filtered else rows
            n = int(rows.sum())
            sentence = f"{count(n, 'parcel')} {do(n, 'is', 'are')} {what}."
            _tell(findings, code, sentence, lots, rows, is_mild=not counted.any())
    both: BoolArray = roads | wet
    return both


def _overlaps(lots: CleanLots, no_lots: BoolArray, findings: Findings) -> None:
    """Lots on top of a larger one, and lots that overlap otherwise."""
    rows = np.flatnonzero(~no_lots)
    if len(rows) < 2:
        return
    geometry = lots.geometry[rows]
    # shrunk by half a metre, neighbours with drawing errors no longer meet
    core = shapely.buffer(geometry, -DEEP_M, quad_segs=1)
    one, other = shapely.STRtree(geometry).query(core, predicate="intersects")
    keep = one != other
    one, other = one[keep], other[keep]
    if not len(one):
        return
    shared = shapely.area(shapely.intersection(geometry[one], geometry[other]))
    area = shapely.area(geometry)
    inside = shared > INSIDE_FRAC * area[one]
    on_ground = inside & (area[other] > COMMON_RATIO * area[one])
    if on_ground.any():
        units, grounds = np.unique(one[on_ground]), np.unique(other[on_ground])
        both = np.concatenate([units, grounds])
        n = len(units)
        sentence = f"{count(n, 'parcel')} {do(n, 'lies', 'lie')} on top of {count(len(grounds), 'larger one')}."
        _tell(findings, "lots_on_ground_parcel", sentence, lots, rows[both], n=n)
    covered = set(one[on_ground].tolist())
    pairs = {
        (min(a, b), max(a, b))
        for a, b in zip(one[~on_ground].tolist(), other[~on_ground].tolist(), strict=True)
        if a not in covered and b not in covered
    }
    if pairs:
        which = np.array(sorted({i for pair in pairs for i in pair}), dtype=np.int64)
        largest = float(shared[~on_ground].max())
        sentence = (
            f"{count(len(which), 'parcel')} overlap each other, in {count(len(pairs), 'pair')}; the largest overlap "
            f"has {largest:,.0f} m2."
        )
        _tell(findings, "lots_overlap", sentence, lots, rows[which])


def _puzzles(lots: CleanLots, no_lots: BoolArray, findings: Findings) -> None:
    """Units cut out of common ground: small lots that fill holes of another."""
    outer = np.flatnonzero((shapely.get_num_interior_rings(shapely.get_geometry(lots.geometry, 0)) > 0) & ~no_lots)
    if not len(outer):
        return
    parts, owner = shapely.get_parts(lots.geometry[outer], return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    # of each part the first ring is its edge, the others are holes
    first = np.ones(len(part), dtype=bool)
    first[1:] = part[1:] != part[:-1]
    holes, ground = shapely.polygons(rings[~first]), outer[owner[part[~first]]]
    point = shapely.points(lots.places_m)
    hole, unit = shapely.STRtree(point).query(holes, predicate="contains")
    area = shapely.area(lots.geometry)
    small = area[unit] < UNIT_M2
    hole, unit = hole[small], unit[small]
    filled = np.bincount(hole, weights=area[unit], minlength=len(holes)) > INSIDE_FRAC * shapely.area(holes)
    is_unit = filled[hole]
    hole, unit = hole[is_unit], unit[is_unit]
    grounds, n_units = np.unique(ground[hole], return_counts=True)
    grounds = grounds[n_units >= 2]
    which = np.unique(unit[np.isin(ground[hole], grounds)])
    if len(which):
        sentence = f"{count(len(which), 'small parcel')} fill holes of {count(len(grounds), 'other')}."
        _tell(findings, "lots_puzzle", sentence, lots, which)
