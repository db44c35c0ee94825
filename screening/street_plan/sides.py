"""On which side of its street a home stands, and which homes make a block where there is no street."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

FAR_M: Final = 100.0
"""A lot farther than this from the lines of its street stands on no side of them (program default)."""

TOUCH_M: Final = 1.0
"""Lots no farther apart than this are neighbours in a block (program default)."""

MOST_IN_BLOCK: Final = 60
"""A block with more homes is cut, for it is no block to walk around: parcels may reach into the street and all touch
(program default)."""

_TANGENT_M: Final = 1.0
_WINDS: Final = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


class Fronts(NamedTuple):
    """Where homes stand along their streets.

    Attributes
    ----------
    side : (n,) object array
        "north side" and the like; None where the street has no line near the lot.
    stand_xy_m : (n, 2) array
        Place on the street's line before the lot [m]; a point of the lot where there is no line.
    has_line : (n,) bool array
        Whether the place lies on a street's line.
    """

    side: ObjectArray
    stand_xy_m: FloatArray
    has_line: npt.NDArray[np.bool_]


class _Street(NamedTuple):
    """Lines of a street that all run the same way, and the names of what lies left and right of them."""

    chains: ObjectArray
    left: str
    right: str


def fronts_of(lots: ObjectArray, street: Sequence[str | None], lines: Mapping[str, Any]) -> Fronts:
    """Find the side and the place on the street of every lot.

    Parameters
    ----------
    lots : (n,) array of polygons
        In metres.
    street : sequence of str or None
        Street that each home counts to.
    lines : Mapping[str, LineString or MultiLineString]
        Lines by street; streets may be missing.

    Notes
    -----
    The side is read against the street's own line that is nearest to the lot, at the place of that line nearest to a
    point inside the lot. Pieces of a street that are not connected are turned to run the same way along the street's
    main axis, so that a street has two sides and no more, and it does not matter in which direction somebody drew it.
    """
    inside = shapely.point_on_surface(lots)
    stand = shapely.get_coordinates(inside)
    side = np.full(len(lots), None, dtype=object)
    has_line = np.zeros(len(lots), dtype=bool)
    names = np.array([name if name in lines else "" for name in street], dtype=object)
    order = np.argsort(names, kind="stable")
    is_first = np.ones(len(order), dtype=bool)
    is_first[1:] = names[order][1:] != names[order][:-1]
    for group in np.split(order, np.flatnonzero(is_first)[1:]) if len(order) else ():
        rows = np.sort(group)
        name = names[rows[0]]
        if not name:
            continue
        found = _as_street(lines[name])
        if found is None:
            continue
        chain, distance = _nearest(found.chains, lots[rows])
        near = distance <= FAR_M
        rows, chain = rows[near], found.chains[chain[near]]
        if not len(rows):
            continue
        along = shapely.line_locate_point(chain, inside[rows])
        front = shapely.get_coordinates(shapely.line_interpolate_point(chain, along))
        before = shapely.get_coordinates(shapely.line_interpolate_point(chain, np.maximum(along - _TANGENT_M, 0.0)))
        after = shapely.get_coordinates(shapely.line_interpolate_point(chain, along + _TANGENT_M))
        ahead, aside = after - before, shapely.get_coordinates(inside[rows]) - front
        is_left = ahead[:, 0] * aside[:, 1] - ahead[:, 1] * aside[:, 0] >= 0.0
        side[rows] = np.where(is_left, found.left, found.right)
        stand[rows] = front
        has_line[rows] = True
    return Fronts(side, stand, has_line)


def _nearest(chains: ObjectArray, lots: ObjectArray) -> tuple[IntArray, FloatArray]:
    """Nearest chain of each lot, of equally near ones the first, and its distance."""
    distance = np.full(len(lots), np.inf)
    chain = np.zeros(len(lots), dtype=np.int64)
    for k, one in enumerate(chains):
        this = shapely.distance(lots, one)
        closer = this < distance
        chain[closer], distance[closer] = k, this[closer]
    return chain, distance


def _as_street(geometry: Any) -> _Street | None:
    """Join the pieces of a street and turn them to run the same way; None where it has none."""
    pieces = shapely.get_parts(geometry)
    pieces = pieces[(shapely.get_type_id(pieces) == shapely.GeometryType.LINESTRING) & (shapely.length(pieces) > 0.0)]
    if not len(pieces):
        return None
    merged = shapely.line_merge(shapely.multilinestrings(_in_order(pieces)))
    chains = _in_order(shapely.get_parts(merged))
    east, north = _axis(chains)
    ends = np.array([shapely.get_coordinates(chain)[[0, -1]] for chain in chains])
    way = ends[:, 1] - ends[:, 0]
    is_ring = shapely.is_closed(chains)
    # A ring runs counter-clockwise, so that its inside is on the left.
    is_wrong = np.where(is_ring, ~shapely.is_ccw(chains), way @ (east, north) < 0.0)
    chains = np.where(is_wrong, shapely.reverse(chains), chains)
    if is_ring.all():
        return _Street(chains, "inner side", "outer side")
    # the bearing of what lies to the left of somebody who walks along the axis
    left = round(np.degrees(np.arctan2(-north, east)) / 45.0) % 8
    return _Street(chains, f"{_WINDS[left]} side", f"{_WINDS[(left + 4) % 8]} side")


def _in_order(lines: ObjectArray) -> ObjectArray:
    """Lines in a direction and an order that do not hang on how they were drawn."""
    lines = shapely.normalize(lines)
    return lines[np.argsort(shapely.to_wkb(lines), kind="stable")]


def _axis(chains: ObjectArray) -> tuple[float, float]:
    """Direction of the street's main axis, to the east, or to the north where it has no east in it."""
    steps = np.concatenate([np.diff(shapely.get_coordinates(chain), axis=0) for chain in chains])
    # Doubled angles: a step and its reverse point the same way.
    east2 = float((steps[:, 0] ** 2 - steps[:, 1] ** 2) @ (1.0 / np.maximum(np.hypot(*steps.T), 1e-9)))
    north2 = float((2.0 * steps[:, 0] * steps[:, 1]) @ (1.0 / np.maximum(np.hypot(*steps.T), 1e-9)))
    half = 0.5 * np.arctan2(north2, east2)
    east, north = float(np.cos(half)), float(np.sin(half))
    return (0.0, 1.0) if east < 1e-6 else (east, north)


def blocks_of(lots: ObjectArray, names: Sequence[str], between: ObjectArray) -> ObjectArray:
    """Gather homes that no street is known of into blocks of neighbouring lots.

    Parameters
    ----------
    lots : (n,) array of polygons
        Lots of the homes [m].
    names : sequence of str
        Identifiers of the homes.
    between : (m,) array of polygons
        Lots of other homes, which join what lies on both sides of them.

    Returns
    -------
    (n,) object array
        "block of" with the first identifier in it.
    """
    every = np.concatenate([lots, between])
    one, other = shapely.STRtree(every).query(every, predicate="dwithin", distance=TOUCH_M)
    links = coo_array((np.ones(len(one), dtype=bool), (one, other)), shape=(len(every), len(every)))
    _, label = connected_components(links, directed=False)
    label = label[: len(lots)]
    xy = shapely.get_coordinates(shapely.point_on_surface(lots))
    out = np.full(len(lots), None, dtype=object)
    for block in np.unique(label):
        for rows in _cut(np.flatnonzero(label == block), xy, names):
            first = min(names[row] for row in rows)
            out[rows] = f"block of {first}"
    return out


def _cut(rows: IntArray, xy: FloatArray, names: Sequence[str]) -> list[IntArray]:
    """Halve a block across its longer side until no part has too many homes."""
    if len(rows) <= MOST_IN_BLOCK:
        return [rows]
    across = int(np.argmax(np.ptp(xy[rows], axis=0)))
    rows = rows[np.lexsort(([names[row] for row in rows], xy[rows, across]))]
    half = len(rows) // 2
    return _cut(rows[:half], xy, names) + _cut(rows[half:], xy, names)
