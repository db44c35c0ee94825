"""The ground of a lot on which the distance rules allow a garden, as exact vector geometry."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

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


def find_obstacles(lots: ObjectArray, things: ObjectArray, distance_m: float) -> Obstacles:
    """Pairs of lots and things that are no farther apart than a distance.

    Parameters
    ----------
    lots : (n,) array of polygons
    things : (m,) array of geometries
    distance_m : float
        [m]
    """
    if len(things) == 0 or len(lots) == 0:
        empty = np.empty(0, dtype=np.int64)
        return Obstacles(empty, empty)
    bounds = shapely.bounds(lots) + np.array([-1.0, -1.0, 1.0, 1.0]) * distance_m
    lot, thing = shapely.STRtree(things).query(shapely.box(*bounds.T))
    # for outlines of a few corners the plain distance is far quicker; for a creek it pays to prepare it
    simple = shapely.get_num_coordinates(things[thing]) <= SIMPLE_CORNERS
    near = np.empty(len(lot), dtype=bool)
    near[simple] = shapely.distance(lots[lot[simple]], things[thing[simple]]) <= distance_m
    shapely.prepare(things[thing[~simple]])
    near[~simple] = shapely.dwithin(things[thing[~simple]], lots[lot[~simple]], distance_m)
    lot, thing = lot[near], thing[near]
    order = np.lexsort((thing, lot))
    return Obstacles(lot[order].astype(np.int64), thing[order].astype(np.int64))


def inset(lots: ObjectArray, distance_m: float) -> ObjectArray:
    """The lots without a strip along their lines."""
    if distance_m <= 0.0:
        return lots.copy()
    return np.asarray(shapely.buffer(lots, -distance_m * CIRCUMSCRIBED, quad_segs=QUARTER_SEGMENTS), dtype=object)


def grown(things: ObjectArray, distance_m: float) -> ObjectArray:
    """Things with the ground around them on which no garden may lie."""
    if distance_m <= 0.0:
        return things.copy()
    return np.asarray(shapely.buffer(things, distance_m * CIRCUMSCRIBED, quad_segs=QUARTER_SEGMENTS), dtype=object)


def subtract(ground: ObjectArray, pairs: Obstacles, zones: ObjectArray, zone_of: IntArray) -> ObjectArray:
    """Take zones off the ground of each lot, one zone of every lot at a time.

    Parameters
    ----------
    ground : (n,) array of polygons
    pairs : Obstacles
    zones : (z,) array of polygons
        Zones of those things that are in any pair.
    zone_of : (m,) int array
        Zone of each thing.
    """
    out = ground.copy()
    if len(pairs.lot) == 0:
        return out
    start = np.searchsorted(pairs.lot, pairs.lot, side="left")
    turn = np.arange(len(pairs.lot)) - start
    for k in range(int(turn.max()) + 1):
        now = np.flatnonzero(turn == k)
        now = now[~shapely.is_empty(out[pairs.lot[now]])]
        if len(now):
            lot = pairs.lot[now]
            out[lot] = shapely.difference(out[lot], zones[zone_of[pairs.thing[now]]])
    return out


def zones_for(pairs: Obstacles, things: ObjectArray, distance_m: float) -> tuple[ObjectArray, IntArray]:
    """Grow each thing of the pairs once; the zones and the zone of each thing."""
    used = np.unique(pairs.thing)
    zone_of = np.full(len(things), -1, dtype=np.int64)
    zone_of[used] = np.arange(len(used))
    return grown(things[used], distance_m), zone_of


def open_ground(
    lots: ObjectArray,
    lot_line_m: float,
    buildings: ObjectArray,
    near: Obstacles,
    foundation_m: float,
    keep_away: tuple[tuple[ObjectArray, float], ...],
) -> ObjectArray:
    """Ground of each lot where the distance rules allow a garden.

    Parameters
    ----------
    lots : (n,) array of polygons
        The part of each lot that holds the house [m].
    lot_line_m, foundation_m : float
        Setbacks from the lot line and from every building, own or not [m].
    buildings : (m,) array of polygons
        All footprints near the lots [m].
    near : Obstacles
        Buildings within ``foundation_m`` of the lots, or more.
    keep_away : tuple of (geometry array, distance)
        Other things and the distance [m] a garden keeps from each.

    Returns
    -------
    (n,) array of polygons and multipolygons, some empty
    """
    ground = inset(lots, lot_line_m)
    zones, zone_of = zones_for(near, buildings, foundation_m)
    ground = subtract(ground, near, zones, zone_of)
    for things, distance in keep_away:
        pairs = find_obstacles(lots, things, distance)
        zones, zone_of = zones_for(pairs, things, distance)
        ground = subtract(ground, pairs, zones, zone_of)
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
