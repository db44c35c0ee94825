"""The ground of a lot on which the distance rules allow a garden, as exact vector geometry."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

if TYPE_CHECKING:
    from collections.abc import Iterable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ObjectArray = npt.NDArray[Any]

QUARTER_SEGMENTS = 16
"""Straight pieces of a quarter circle in a setback's outline."""

CIRCUMSCRIBED = 1.0 / math.cos(math.pi / (4 * QUARTER_SEGMENTS))
"""Grown outlines have chords for arcs. A radius longer by this factor (0.12 %) puts the chords outside the true
arc, so that no point of the remaining ground is nearer than the rule allows."""


SIMPLE_CORNERS = 24
"""Outlines of more corners are prepared before distances to them are taken."""


class Obstacles(NamedTuple):
    """Which things stand near which lot; pairs are sorted by lot.

    Attributes
    ----------
    lot : (k,) int array
        Row of the lot.
    thing : (k,) int array
        Row of the thing.
    """

    lot: IntArray
    thing: IntArray


class Kept(NamedTuple):
    """Things of one kind that gardens keep away from.

    Attributes
    ----------
    things : (m,) array of geometries
    pairs : Obstacles
        Those that take ground of each lot, or more.
    distance_m : float or (n,) array
        What a garden keeps from them, on all lots or on each [m].
    """

    things: ObjectArray
    pairs: Obstacles
    distance_m: FloatArray | float


def some_pairs(pairs: Obstacles, rows: IntArray, n: int) -> Obstacles:
    """The pairs of some of ``n`` lots, renumbered."""
    new_row = np.full(n, -1, dtype=np.int64)
    new_row[rows] = np.arange(len(rows))
    keep = new_row[pairs.lot] >= 0
    lot = new_row[pairs.lot[keep]]
    order = np.argsort(lot, kind="stable")
    return Obstacles(lot[order], pairs.thing[keep][order])


def find_obstacles(lots: ObjectArray, things: ObjectArray, distance_m: FloatArray | float) -> Obstacles:
    """Pairs of lots and things that are no farther apart than a distance.

    Parameters
    ----------
    lots : (n,) array of polygons
    things : (m,) array of geometries
    distance_m : float or (n,) array
        For all lots or for each [m].
    """
    if len(things) == 0 or len(lots) == 0:
        empty = np.empty(0, dtype=np.int64)
        return Obstacles(empty, empty)
    each = np.broadcast_to(distance_m, len(lots))
    bounds = shapely.bounds(lots) + np.outer(each, (-1.0, -1.0, 1.0, 1.0))
    lot, thing = shapely.STRtree(things).query(shapely.box(*bounds.T))
    # for outlines of a few corners the plain distance is far quicker; for a creek it pays to prepare it
    simple = shapely.get_num_coordinates(things[thing]) <= SIMPLE_CORNERS
    near = np.empty(len(lot), dtype=bool)
    near[simple] = shapely.distance(lots[lot[simple]], things[thing[simple]]) <= each[lot[simple]]
    shapely.prepare(things[thing[~simple]])
    near[~simple] = shapely.dwithin(things[thing[~simple]], lots[lot[~simple]], each[lot[~simple]])
    lot, thing = lot[near], thing[near]
    order = np.lexsort((thing, lot))
    return Obstacles(lot[order].astype(np.int64), thing[order].astype(np.int64))


def nearer(lots: ObjectArray, things: ObjectArray, pairs: Obstacles, distance_m: float) -> Obstacles:
    """The pairs that are no farther apart than a distance [m]."""
    close = shapely.distance(lots[pairs.lot], things[pairs.thing]) <= distance_m
    return Obstacles(pairs.lot[close], pairs.thing[close])


def _buffered(shapes: ObjectArray, distance_m: FloatArray) -> ObjectArray:
    """Shapes grown, or shrunk where the distance is below 0; as they are where it is 0."""
    out = shapes.copy()
    moved = distance_m != 0.0
    out[moved] = shapely.buffer(shapes[moved], distance_m[moved] * CIRCUMSCRIBED, quad_segs=QUARTER_SEGMENTS)
    return out


def subtract(ground: ObjectArray, pairs: Obstacles, zones: ObjectArray, zone: IntArray) -> ObjectArray:
    """Take zones off the ground of each lot, one zone of every lot at a time.

    Parameters
    ----------
    ground : (n,) array of polygons
    pairs : Obstacles
    zones : (z,) array of polygons
        Ground on which no garden may lie.
    zone : (k,) int array
        Zone of each pair.
    """
    out = ground.copy()
    if len(pairs.lot) == 0:
        return out
    start = np.searchsorted(pairs.lot, pairs.lot, side="left")
    turn = np.arange(len(pairs.lot)) - start
    for k in range(int(turn.max()) + 1):
        now = np.flatnonzero(turn == k)
        # a third of the zones end before the setback from the lot line begins
        now = now[shapely.intersects(out[pairs.lot[now]], zones[zone[now]])]
        if len(now):
            lot = pairs.lot[now]
            out[lot] = shapely.difference(out[lot], zones[zone[now]])
    return out


def zones_for(pairs: Obstacles, things: ObjectArray, distance_m: FloatArray) -> tuple[ObjectArray, IntArray]:
    """Things with the ground around them on which no garden may lie, each once, and the zone of each pair.

    ``distance_m`` (lots,) is what each lot's garden has to keep [m].
    """
    distances, turn = np.unique(distance_m[pairs.lot], return_inverse=True)
    used, zone = np.unique(pairs.thing * max(1, len(distances)) + turn, return_inverse=True)
    thing, kind = np.divmod(used, max(1, len(distances)))
    return _buffered(things[thing], distances[kind]), zone


def open_ground(lots: ObjectArray, lot_line_m: FloatArray | float, kept: Iterable[Kept]) -> ObjectArray:
    """Ground of each lot where the distance rules allow a garden.

    Parameters
    ----------
    lots : (n,) array of polygons
        The part of each lot that holds the house [m].
    lot_line_m : float or (n,) array
        Setback from the lot line [m], for all lots or for each.
    kept : iterable of Kept
        Buildings, own or not, and all other things.

    Returns
    -------
    (n,) array of polygons and multipolygons, some empty
    """
    n = len(lots)
    ground = _buffered(lots, -np.broadcast_to(lot_line_m, n))
    for things, pairs, distance_m in kept:
        ground = subtract(ground, pairs, *zones_for(pairs, things, np.broadcast_to(distance_m, n)))
    return polygonal(ground)


def polygonal(ground: ObjectArray) -> ObjectArray:
    """Drop lines and points that a difference may leave where zones merely touch."""
    mixed = np.flatnonzero(shapely.get_type_id(ground) == shapely.GeometryType.GEOMETRYCOLLECTION)
    for i in mixed:
        parts = shapely.get_parts(ground[i])
        ground[i] = shapely.multipolygons(parts[shapely.get_dimensions(parts) == 2])
    flat = shapely.get_dimensions(ground) < 2
    ground[flat] = shapely.Polygon()
    return ground
