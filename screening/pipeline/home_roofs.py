"""The roofs of a tile's homes: every roof that counts, split among its downspouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.homes import PARTY_WALL_GAP_M
from screening.roof import split_all

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
    order = np.lexsort((other[keep], roof[keep]))
    roof, other = roof[keep][order], other[keep][order]
    out = np.full(len(roofs), None, dtype=object)
    touching, row, counts = np.unique(roof, return_inverse=True, return_counts=True)
    if len(touching):
        neighbours = np.full((len(touching), int(counts.max())), None, dtype=object)
        neighbours[row, np.arange(len(row)) - np.searchsorted(row, row)] = geometry[other]
        out[touching] = shapely.buffer(shapely.union_all(neighbours, axis=1), PARTY_WALL_GAP_M)
    return out


def downspouts_of(
    roofs: IntArray, pieces: Pieces, downspouts: ObjectArray, reach_m: float
) -> tuple[FloatArray, IntArray]:
    """Measured downspouts by roof: each belongs to the building it is nearest to, house or not.

    Parameters
    ----------
    roofs : (n,) int array
        Rows of the pieces.
    pieces : Pieces
    downspouts : (k,) array of points
        [m]
    reach_m : float
        A point farther from a building does not belong to it [m].

    Returns
    -------
    xy : (p, 2) array
        [m]
    first : (n + 1,) int array
        The points of roof ``i`` are ``first[i]`` to ``first[i + 1]``.

    Notes
    -----
    A point on the line between two row houses is as near to both, and both get it.
    """
    tree = shapely.STRtree(pieces.geometry)
    point, piece = tree.query(downspouts, predicate="dwithin", distance=reach_m)
    distance = np.round(shapely.distance(downspouts[point], pieces.geometry[piece]), 6)
    least = np.full(len(downspouts), np.inf)
    np.minimum.at(least, point, distance)
    roof_of_piece = np.full(len(pieces.parcel), -1, dtype=np.int64)
    roof_of_piece[roofs] = np.arange(len(roofs))
    keep = (distance <= least[point]) & (roof_of_piece[piece] >= 0)
    point, roof = point[keep], roof_of_piece[piece[keep]]
    order = np.lexsort((point, roof))
    first = np.searchsorted(roof[order], np.arange(len(roofs) + 1)).astype(np.int64)
    return shapely.get_coordinates(downspouts[point[order]]), first


def largest_parts(geometry: ObjectArray) -> ObjectArray:
    """The largest polygon of each geometry, of equals the first: lot lines may leave crumbs of a divided house."""
    parts, owner = shapely.get_parts(geometry, return_index=True)
    order = np.lexsort((np.arange(len(parts)), -shapely.area(parts), owner))
    return np.asarray(parts[order][np.searchsorted(owner[order], np.arange(len(geometry)))])


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
    roofs, home = principal[rows], np.arange(len(rows))
    if params.homes.count_other_roofs:
        home_of_parcel = np.full(len(principal) + 1, -1, dtype=np.int64)
        home_of_parcel[rows] = home
        # a piece on no lot has parcel -1, which reads the last entry
        roofs = np.flatnonzero(home_of_parcel[pieces.parcel] >= 0)
        home = home_of_parcel[pieces.parcel[roofs]]
        order = np.lexsort((roofs, roofs != principal[rows][home], home))
        roofs, home = roofs[order], home[order]
    points, first_point = downspouts_of(roofs, pieces, downspouts, params.roof.downspout_snap_m)
    split = split_all(
        largest_parts(pieces.geometry[roofs]), party_walls(roofs, pieces), points, first_point, params.roof
    )
    area = pieces.area_m2[roofs]
    counts = np.bincount(home[split.roof], minlength=len(rows))
    return Roofs(
        split.xy,
        split.share_frac * area[split.roof],
        split.gable_share_frac * area[split.roof],
        split.part,
        roofs[split.roof],
        split.is_measured,
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.bincount(home, weights=area, minlength=len(rows)).astype(np.float64),
    )
