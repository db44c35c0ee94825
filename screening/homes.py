"""Homes: which building stands on which lot, which is the house, and which lots are homes at all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

if TYPE_CHECKING:
    import geopandas as gpd

    from screening.params import HomeParams

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

PARTY_WALL_GAP_M = 0.2
"""Buildings nearer than this share a wall: no eave, no downspout between them (common practice, no source)."""


class Pieces(NamedTuple):
    """Buildings, or parts of buildings that lot lines divide, each on one lot.

    Attributes
    ----------
    geometry : (n,) array of polygons or multipolygons
        Outline [m].
    building : (n,) int array
        Row of the building.
    parcel : (n,) int array
        Row of the parcel it belongs to; -1 for none.
    area_m2 : (n,) array
        Plan area [m2].
    is_split : (n,) bool array
        Part of a building that lot lines divide.
    n_lots : (n,) int array
        Lots on which the whole building stands, drawing errors left out.
    """

    geometry: ObjectArray
    building: IntArray
    parcel: IntArray
    area_m2: npt.NDArray[np.float64]
    is_split: BoolArray
    n_lots: IntArray


def assign_buildings(
    parcels: ObjectArray, buildings: ObjectArray, params: HomeParams, is_lot: BoolArray | None = None
) -> Pieces:
    """Give every building to the lot that holds most of it; divide row houses along the lot lines.

    Parameters
    ----------
    parcels : (p,) array of polygons
        Lots [m], in a fixed order: of equal shares the first lot wins.
    buildings : (b,) array of polygons
        Footprints [m].
    params : HomeParams
        Size of a house, size of a sliver.
    is_lot : (p,) bool array, optional
        Parcels that may have a part of a building; streets and water among them may not.

    Returns
    -------
    Pieces
        In order of building, then parcel.

    Notes
    -----
    A building is divided where at least two lots each hold a part as large as a house, and these lots have no
    other building of that size. A part of less than ``sliver_frac`` that is shallower than ``sliver_depth_m`` counts as
    drawing error.
    """
    area = shapely.area(buildings)
    tree = shapely.STRtree(parcels)
    b, p = tree.query(buildings, predicate="intersects")
    order = np.lexsort((p, b))
    b, p = b[order], p[order]
    share = np.zeros(len(b))
    piece = np.empty(len(b), dtype=object)
    shapely.prepare(parcels)
    whole = shapely.covers(parcels[p], buildings[b])
    piece[whole] = buildings[b[whole]]
    share[whole] = area[b[whole]]
    cut = np.flatnonzero(~whole)
    piece[cut] = polygons_only(shapely.intersection(buildings[b[cut]], parcels[p[cut]]))
    share[cut] = shapely.area(piece[cut])
    touching = share > 0.0
    small = touching & ~whole & (share < params.sliver_frac * area[b])
    depth_buffer = shapely.buffer(piece[small], -0.5 * params.sliver_depth_m)
    sliver = np.zeros(len(b), dtype=bool)
    sliver[np.flatnonzero(small)[shapely.is_empty(depth_buffer)]] = True
    keep = touching & ~sliver
    b, p, share, piece = b[keep], p[keep], share[keep], piece[keep]

    # the lot with the largest share, the first of equals
    by_share = np.lexsort((p, -share, b))
    first = np.ones(len(b), dtype=bool)
    first[1:] = b[by_share][1:] != b[by_share][:-1]
    owner = np.full(len(buildings), -1, dtype=np.int64)
    owner[b[by_share][first]] = p[by_share][first]

    on_lot = np.ones(len(b), dtype=bool) if is_lot is None else is_lot[p]
    large = on_lot & (share >= params.min_principal_area_m2)
    n_large = np.bincount(b[large], minlength=len(buildings))
    may_split = n_large >= 2
    # lots that have a house of their own, which no lot line divides
    own_house = np.zeros(len(parcels), dtype=bool)
    own_house[owner[(owner >= 0) & ~may_split & (area >= params.min_principal_area_m2)]] = True
    free = large & may_split[b] & ~own_house[p]
    is_split = np.bincount(b[free], minlength=len(buildings)) >= 2

    parts = is_split[b]
    plain = np.flatnonzero(~is_split)
    geometry = np.concatenate([buildings[plain], piece[parts]])
    building = np.concatenate([plain, b[parts]]).astype(np.int64)
    parcel = np.concatenate([owner[plain], p[parts]]).astype(np.int64)
    areas = np.concatenate([area[plain], share[parts]])
    split = np.concatenate([np.zeros(len(plain), dtype=bool), np.ones(int(parts.sum()), dtype=bool)])
    order = np.lexsort((parcel, building))
    n_lots = np.bincount(b[on_lot], minlength=len(buildings))[building]
    return Pieces(geometry[order], building[order], parcel[order], areas[order], split[order], n_lots[order])


def polygons_only(geometry: ObjectArray) -> ObjectArray:
    """Polygonal part of each geometry: lines and points where outlines merely touch are dropped."""
    out = np.array(geometry, dtype=object)
    mixed = np.flatnonzero(shapely.get_type_id(out) == shapely.GeometryType.GEOMETRYCOLLECTION)
    for i in mixed:
        parts = shapely.get_parts(out[i])
        areas = parts[shapely.area(parts) > 0.0]
        out[i] = shapely.union_all(areas) if len(areas) else shapely.Polygon()
    flat = (shapely.get_dimensions(out) < 2) & ~shapely.is_missing(out)
    out[flat] = shapely.Polygon()
    return out


def principal_pieces(
    pieces: Pieces, building_type: ObjectArray, n_parcels: int, params: HomeParams
) -> tuple[IntArray, IntArray, IntArray]:
    """The house of each lot.

    Parameters
    ----------
    pieces : Pieces
    building_type : (b,) array of str or None
        Kind of each building.
    n_parcels : int
        Number of lots.
    params : HomeParams
        ``principal_values`` and ``min_principal_area_m2``.

    Returns
    -------
    principal : (n_parcels,) int array
        Row of the house in ``pieces``; -1 where there is none.
    n_buildings, n_houses : (n_parcels,) int array
        Buildings on the lot, and those as large as a house (or of the named kind).
    """
    on_lot = pieces.parcel >= 0
    n_buildings = np.bincount(pieces.parcel[on_lot], minlength=n_parcels)
    if params.principal_values:
        fits = np.isin(building_type[pieces.building].astype(str), params.principal_values)
    else:
        fits = pieces.area_m2 >= params.min_principal_area_m2
    fits = fits & on_lot
    rows = np.flatnonzero(fits)
    n_houses = np.bincount(pieces.parcel[rows], minlength=n_parcels)
    order = np.lexsort((pieces.building[rows], -pieces.area_m2[rows], pieces.parcel[rows]))
    rows = rows[order]
    first = np.ones(len(rows), dtype=bool)
    first[1:] = pieces.parcel[rows][1:] != pieces.parcel[rows][:-1]
    principal = np.full(n_parcels, -1, dtype=np.int64)
    principal[pieces.parcel[rows[first]]] = rows[first]
    return principal, n_buildings.astype(np.int64), n_houses.astype(np.int64)


def lot_parts(parcels: ObjectArray, houses: ObjectArray) -> ObjectArray:
    """The part of each lot that holds most of its house; single-part lots as they are.

    Parameters
    ----------
    parcels : (n,) array of polygons or multipolygons
    houses : (n,) array of polygons
        The house on each [m].
    """
    out = np.array(parcels, dtype=object)
    several = np.flatnonzero(shapely.get_num_geometries(out) > 1)
    if len(several):
        parts, owner = shapely.get_parts(out[several], return_index=True)
        overlap = shapely.area(shapely.intersection(parts, houses[several[owner]]))
        order = np.lexsort((np.arange(len(parts)), -overlap, owner))
        first = np.ones(len(order), dtype=bool)
        first[1:] = owner[order][1:] != owner[order][:-1]
        out[several] = parts[order[first]]
    single = shapely.get_type_id(out) == shapely.GeometryType.MULTIPOLYGON
    out[single] = shapely.get_geometry(out[single], 0)
    return out


def reasons(
    parcels: gpd.GeoDataFrame, principal: IntArray, n_buildings: IntArray, params: HomeParams
) -> tuple[ObjectArray, ObjectArray]:
    """Why each lot is no home: code and words, None where it is one.

    Parameters
    ----------
    parcels : GeoDataFrame
        ``land_use``, ``is_stack``, ``n_features``, ``n_units``, ``ground_code``.
    principal, n_buildings : (n,) int array
        As `principal_pieces` returns them.
    params : HomeParams
    """
    n = len(parcels)
    code = np.full(n, None, dtype=object)
    text = np.full(n, None, dtype=object)

    def say(where: BoolArray, reason: str, words: ObjectArray | str) -> None:
        fresh = where & (code == None)  # noqa: E711 - elementwise
        code[fresh] = reason
        text[fresh] = words[fresh] if isinstance(words, np.ndarray) else words

    ground = parcels["ground_code"].to_numpy(dtype=object)
    words = np.where(ground == "drainage", "the polygon is water", "the polygon is a street or railway").astype(object)
    say(np.array([isinstance(one, str) for one in ground], dtype=bool), "not_a_lot", words)
    count, units = parcels["n_features"].to_numpy(), parcels["n_units"].to_numpy()
    words = np.array(
        [
            f"{k} parcels have this same outline: the yard has several owners"
            if not n
            else f"{n} units lie on this ground or in gaps of it: the yard has several owners"
            for k, n in zip(count, units, strict=True)
        ],
        dtype=object,
    )
    say(parcels["is_stack"].to_numpy(dtype=bool), "shared_stack", words)
    if params.land_use:
        use = parcels["land_use"].to_numpy(dtype=object)
        known = np.array([u if isinstance(u, str) else "not given" for u in use], dtype=object)
        words = np.array([f"land use is {u}, not one of the eligible ones" for u in known], dtype=object)
        say(~np.isin(known.astype(str), params.land_use), "not_residential", words)
    say(n_buildings == 0, "no_building", "no building stands mainly on this lot")
    if params.principal_values:
        kinds = ", ".join(params.principal_values)
        words_small = f"no building on the lot is of the kind {kinds}"
    else:
        words_small = f"no building on the lot has at least {params.min_principal_area_m2:g} m2"
    say(principal < 0, "building_too_small", words_small)
    return code, text
