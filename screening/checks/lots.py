"""Looks at lots: outlines, stacks in their forms, overlaps, streets and water among them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import pandas as pd
import shapely

from screening.batch.repairs import surroundings
from screening.checks.words import count, do
from screening.clean import Surroundings, clean_parcels, repair
from screening.clean.not_lots import STREET, WATER

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.checks.seen import Seen
    from screening.clean import CleanBuildings, CleanParcels
    from screening.read import CityInputs

    ObjectArray = npt.NDArray[np.object_]
    BoolArray = npt.NDArray[np.bool_]
    IntArray = npt.NDArray[np.int64]
    FloatArray = npt.NDArray[np.float64]

DEEP_M: Final = 0.5
"""Lots that overlap less deeply than twice this do so by drawing errors; as the sliver depth of [homes] [m]."""

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


def look_at_lots(seen: Seen, buildings: CleanBuildings | None, findings: Findings) -> CleanLots | None:
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
    cleaned = clean_parcels(seen.parcels, _surroundings(seen, buildings), seen.params.homes)
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
    _units(lots, findings)
    _overlaps(lots, no_lots, findings)
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
    stack = kept["is_stack"].to_numpy(dtype=bool) & (kept["n_units"].to_numpy() == 0)
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


def _surroundings(seen: Seen, buildings: CleanBuildings | None) -> Surroundings:
    """What the run compares parcels with, as far as it could be read."""
    none = np.empty(0, dtype=object)
    if buildings is None:
        return Surroundings.of(none, none, None, None)
    layers = SimpleNamespace(streets=seen.streets, keep_away=tuple(layer for _, layer in seen.keep_away))
    # no more than these is asked of the inputs
    return surroundings(cast("CityInputs", layers), buildings.kept, seen.params)


def _streets_and_water(lots: CleanLots, seen: Seen, findings: Findings) -> BoolArray:
    """Tell streets, railways and water: those the run leaves out by itself, and those it takes for lots.

    Returns
    -------
    ndarray of bool, shape (n,)
        Which lots are none.
    """
    ground = lots.cleaned.kept["ground_code"].to_numpy(dtype=object)
    use = lots.cleaned.kept["land_use"].to_numpy(dtype=object)
    words = {value: (STREET_WORDS.fullmatch(value), WATER_WORDS.fullmatch(value)) for value in set(use) if value}
    wet = np.array([bool(value and words[value][1]) for value in use], dtype=bool)
    by_word = np.array([bool(value and words[value][0]) for value in use], dtype=bool)
    is_known = ~pd.isna(ground)
    for code, kind, seems, what in (
        ("road_among_lots", STREET, (_thin(lots, seen) | by_word) & ~wet, "streets or railways"),
        ("water_among_lots", WATER, wet, "water"),
    ):
        known = ground == kind
        if known.any():
            n = int(known.sum())
            sentence = f"{count(n, 'parcel')} {do(n, 'is', 'are')} {what} and no {do(n, 'lot', 'lots')}."
            _tell(findings, code, sentence, lots, known, is_mild=True)
        more = seems & ~is_known
        if more.any():
            n = int(more.sum())
            sentence = f"{count(n, 'parcel')} {do(n, 'seems', 'seem')} to be {what}, but {do(n, 'counts', 'count')} as "
            # a filter by land use that leaves them out has dealt with half of it
            is_mild = bool(seen.params.homes.land_use) and not (more & lots.is_eligible).any()
            _tell(findings, code, sentence + do(n, "a lot.", "lots."), lots, more, is_mild=is_mild)
    return np.asarray(is_known)


def _thin(lots: CleanLots, seen: Seen) -> BoolArray:
    """Long and thin outlines without a house."""
    length_m = shapely.length(lots.geometry) / 2.0
    thin = (length_m > LONG_M) & (length_m**2 > LONG_TO_WIDE * shapely.area(lots.geometry))
    if seen.buildings is not None and thin.any():
        houses = seen.buildings.geometry.to_numpy()
        houses = houses[~shapely.is_missing(houses)]
        houses = houses[shapely.area(houses) >= seen.params.homes.min_principal_area_m2]
        hit = shapely.STRtree(shapely.centroid(houses)).query(lots.geometry[thin], predicate="contains")[0]
        thin[np.flatnonzero(thin)[np.unique(hit)]] = False
    return np.asarray(thin)


def _units(lots: CleanLots, findings: Findings) -> None:
    """Tell units on common ground and linked lots, which the run folds into one place."""
    kept, repairs = lots.cleaned.kept, lots.cleaned.repairs
    grounds = kept["n_units"].to_numpy() > 0
    for code, where in (("lots_puzzle", "cut out of"), ("lots_on_ground_parcel", "drawn on")):
        n = repairs.get(code, 0)
        if n:
            sentence = f"{count(n, 'parcel')} {do(n, 'is a unit', 'are units')} {where} common ground."
            _tell(findings, code, sentence, lots, grounds, n=n)
    joined = kept["n_joined"].to_numpy() > 0
    if joined.any():
        n = int(kept["n_joined"].sum())
        sentence = (
            f"{count(n, 'parcel')} {do(n, 'belongs', 'belong')} to {count(int(joined.sum()), 'lot')} with a house."
        )
        _tell(findings, "lots_linked", sentence, lots, joined, n=n)


def _overlaps(lots: CleanLots, no_lots: BoolArray, findings: Findings) -> None:
    """Lots that overlap each other."""
    rows = np.flatnonzero(~no_lots)
    if len(rows) < 2:
        return
    geometry = lots.geometry[rows]
    # shrunk by half a metre, neighbours with drawing errors no longer meet
    core = shapely.buffer(geometry, -DEEP_M, quad_segs=1)
    one, other = shapely.STRtree(geometry).query(core, predicate="intersects")
    keep = one != other
    pairs = np.unique(np.sort(np.column_stack([one[keep], other[keep]]), axis=1), axis=0)
    if not len(pairs):
        return
    shared = shapely.area(shapely.intersection(geometry[pairs[:, 0]], geometry[pairs[:, 1]]))
    which = np.unique(pairs)
    sentence = (
        f"{count(len(which), 'parcel')} overlap each other, in {count(len(pairs), 'pair')}; the largest overlap "
        f"has {shared.max():,.0f} m2."
    )
    _tell(findings, "lots_overlap", sentence, lots, rows[which])
