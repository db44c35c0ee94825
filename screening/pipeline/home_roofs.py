"""The roofs of a tile's homes: every roof that counts, split among its downspouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.homes import PARTY_WALL_GAP_M
from screening.roof import split_roof

if TYPE_CHECKING:
    from screening.homes import Pieces
    from screening.params import Params

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]


class Roofs(NamedTuple):
    """Downspouts of all homes, sorted by home; those of home ``i`` are ``first[i]`` to ``first[i + 1]``.

    Attributes
    ----------
    xy : (k, 2) array
        [m]
    area_m2, gable_area_m2 : (k,) array
        Plan area of roof that drains to each, under the main form and under a gable [m2].
    part : (k,) array of geometries or None
    piece : (k,) int array
        Roof it belongs to, a row of the pieces.
    is_measured : (k,) bool array
    first : (homes + 1,) int array
    roof_area_m2 : (homes,) array
        Plan area of all roofs that count [m2].
    """

    xy: FloatArray
    area_m2: FloatArray
    gable_area_m2: FloatArray
    part: ObjectArray
    piece: IntArray
    is_measured: npt.NDArray[np.bool_]
    first: IntArray
    roof_area_m2: FloatArray


def party_walls(roofs: IntArray, pieces: Pieces) -> ObjectArray:
    """For each roof the ground within a hand's breadth of the buildings that touch it; None where it stands free."""
    geometry = pieces.geometry
    tree = shapely.STRtree(geometry)
    roof, other = tree.query(geometry[roofs], predicate="dwithin", distance=PARTY_WALL_GAP_M)
    keep = other != roofs[roof]
    roof, other = roof[keep], other[keep]
    out = np.full(len(roofs), None, dtype=object)
    for i in np.unique(roof):
        neighbours = np.sort(other[roof == i])
        out[i] = shapely.buffer(shapely.union_all(geometry[neighbours]), PARTY_WALL_GAP_M)
    return out


def split_roofs(rows: IntArray, pieces: Pieces, principal: IntArray, downspouts: ObjectArray, params: Params) -> Roofs:
    """Split the roofs of homes.

    Parameters
    ----------
    rows : (n,) int array
        Parcels of the homes.
    pieces : Pieces
    principal : (parcels,) int array
        House of each parcel.
    downspouts : (k,) array of points
        Measured downspouts [m].
    params : Params
    """
    if params.homes.count_other_roofs:
        home_of_parcel = {int(parcel): i for i, parcel in enumerate(rows)}
        roofs = np.array(
            [p for p in range(len(pieces.parcel)) if int(pieces.parcel[p]) in home_of_parcel], dtype=np.int64
        )
        home = np.array([home_of_parcel[int(pieces.parcel[p])] for p in roofs], dtype=np.int64)
        is_house = roofs == principal[rows][home]
        order = np.lexsort((roofs, ~is_house, home))
        roofs, home = roofs[order], home[order]
    else:
        roofs = principal[rows]
        home = np.arange(len(rows))
    walls = party_walls(roofs, pieces)
    tree = shapely.STRtree(downspouts)
    spout_roof, spout = tree.query(pieces.geometry[roofs], predicate="dwithin", distance=params.roof.downspout_snap_m)
    place = shapely.get_coordinates(downspouts)
    xy, area, gable, part, piece, measured, owner = [], [], [], [], [], [], []
    for i, roof in enumerate(roofs):
        whole = pieces.geometry[roof]
        parts = shapely.get_parts(whole)
        main = parts[int(np.argmax(shapely.area(parts)))]
        points = place[np.sort(spout[spout_roof == i])] if len(spout) else np.empty((0, 2))
        split = split_roof(main, walls[i], points, params.roof)
        k = len(split.share_frac)
        if k == 0:
            continue
        xy.append(split.xy)
        area.append(split.share_frac * pieces.area_m2[roof])
        gable.append(split.gable_share_frac * pieces.area_m2[roof])
        part.append(split.part)
        piece.append(np.full(k, roof))
        measured.append(np.full(k, split.is_measured))
        owner.append(np.full(k, home[i]))
    total = np.bincount(home, weights=pieces.area_m2[roofs], minlength=len(rows))
    counts = np.bincount(np.concatenate(owner), minlength=len(rows)) if owner else np.zeros(len(rows), dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    if not owner:
        none = np.empty(0)
        return Roofs(
            np.empty((0, 2)), none, none, none.astype(object), none.astype(np.int64), none.astype(bool), first, total
        )
    return Roofs(
        np.concatenate(xy),
        np.concatenate(area),
        np.concatenate(gable),
        np.concatenate(part),
        np.concatenate(piece).astype(np.int64),
        np.concatenate(measured),
        first,
        total,
    )
