"""All roofs at once: downspouts, the gutter that leads to each, and the roof above it.

Outlines stand one after another in flat arrays; those of roof ``r`` are ``first[r]`` to ``first[r + 1]``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels.compiled import kernel
from screening.kernels.downspouts import assumed, measured, number_of
from screening.kernels.eaves import Eaves, eaves_of
from screening.kernels.gutters import SAME_PLACE_M, stretches
from screening.kernels.rings import ring_area
from screening.kernels.roofs import part_ring

Array = np.ndarray

HIP, GABLE, UNKNOWN = 0, 1, 2

# An outline starts at its vertex farthest in this direction. Walls of few towns run square to it, so that one
# vertex alone is farthest, and rounding does not decide which.
_START_X = 0.9205
_START_Y = -0.3907

# A gable whose eaves reach less of the roof is none (program default).
_REACHED_FRAC = 0.99


class Habits(NamedTuple):
    """How roofs drain.

    Attributes
    ----------
    form : int
        ``HIP``, ``GABLE`` or ``UNKNOWN``.
    per_eave_m, per_area_m2 : float
        Eave length and roof area that one downspout serves.
    snap_m : float
        Farthest distance of a measured downspout from its eave.
    corner_deg, long_eave_deg : float
        A corner turns by more; a gable's eaves run within this angle of its ridge.
    pitch_m : float
        Spacing of the rays, and of the points along parabolas, is at most this.
    """

    form: int
    per_eave_m: float
    per_area_m2: float
    snap_m: float
    corner_deg: float
    long_eave_deg: float
    pitch_m: float


class Split(NamedTuple):
    """What `split_all` returns.

    Attributes
    ----------
    spout : (k, 6) array
        Downspouts by roof, in order along the outline: roof, x, y [m], roof area that drains to it under the main form
        and under a gable [m2], whether it is a measured one.
    ring_xy : (v, 2) array
        Closed rings of the roof parts [m].
    first : (p + 1,) int array
        Ring ``q`` has the vertices ``first[q]`` to ``first[q + 1]``.
    ring_spout : (p,) int array
        Downspout of each ring.
    is_gable : (p,) bool array
        Ring under a gable, of the roofs with a court of which the main form is another.
    """

    spout: Array
    ring_xy: Array
    first: Array
    ring_spout: Array
    is_gable: Array


@kernel
def settle(xy: Array, first: Array) -> Array:
    """Closed rings, counter-clockwise and from a start that does not depend on where and which way they ran.

    Parameters
    ----------
    xy : (v, 2) array
        Closed rings, one after another [m].
    first : (n + 1,) int array

    Returns
    -------
    (v, 2) array
    """
    out = np.empty_like(xy)
    for r in range(first.shape[0] - 1):
        ring = xy[first[r] : first[r + 1] - 1]
        m = ring.shape[0]
        start = 0
        best = -np.inf
        for i in range(m):
            key = ring[i, 0] * _START_X + ring[i, 1] * _START_Y
            if key > best or (key == best and ring[i, 0] > ring[start, 0]):
                best = key
                start = i
        step = 1 if ring_area(ring) >= 0.0 else -1
        for i in range(m + 1):
            out[first[r] + i] = ring[(start + step * i) % m]
    return out


@kernel
def drain(ring: Array, eave: Array, spouts: Array, pitch: float, rings: list[Array], owners: list[int]) -> Array:
    """Area [m2] that drains to each downspout; the rings of the parts and their downspouts go on the lists."""
    size = np.zeros(spouts.shape[0])
    if spouts.shape[0] == 1:
        size[0] = ring_area(ring)
        rings.append(ring)
        owners.append(0)
        return size
    house = eaves_of(ring, eave, np.empty(0), pitch)
    stretch, owner = stretches(spouts, house.along, eave)
    house = eaves_of(ring, eave, stretch.ravel(), pitch)
    chain = np.empty((256 + 8 * int(house.along[-1] / pitch) + 120 * ring.shape[0], 2))
    for k in range(owner.shape[0]):
        part = part_ring(house, stretch[k, 0], stretch[k, 1], chain)
        area = ring_area(part)
        if area > 0.0:
            size[owner[k]] += area
            rings.append(part)
            owners.append(owner[k])
    return size


@kernel
def _corners(edge: Array, corner_deg: float) -> Array:
    """Convex corners of a counter-clockwise ring."""
    out = np.empty(edge.shape[0], dtype=np.bool_)
    for v in range(edge.shape[0]):
        turn = math.atan2(
            edge[v - 1, 0] * edge[v, 1] - edge[v - 1, 1] * edge[v, 0],
            edge[v - 1, 0] * edge[v, 0] + edge[v - 1, 1] * edge[v, 1],
        )
        out[v] = math.degrees(turn) > corner_deg
    return out


@kernel
def _long_eaves(edge: Array, eave: Array, axis_x: float, axis_y: float, angle_deg: float) -> Array:
    """Eaves that run along the axis (a unit vector); all eaves where none does."""
    most = math.sin(math.radians(angle_deg)) + 1e-9
    out = eave & (np.abs(edge[:, 0] * axis_y - edge[:, 1] * axis_x) <= most)
    return out if out.any() else eave


@kernel
def _outline(xy: Array, eave: Array) -> tuple[Array, Array]:
    """Ring of one roof from its first vertex as origin, and its eaves, without edges of no length."""
    m = xy.shape[0]
    keep = np.empty(m, dtype=np.bool_)
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        keep[i] = math.hypot(xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]) > SAME_PLACE_M
    return xy[keep] - xy[0], eave[keep]


@kernel
def _place(house_ring: Array, edge: Array, along: Array, spout: float) -> tuple[float, float]:
    """Point [m] at a distance along the ring."""
    i = min(max(np.searchsorted(along, spout, side="right") - 1, 0), edge.shape[0] - 1)
    s = spout - along[i]
    return house_ring[i, 0] + s * edge[i, 0], house_ring[i, 1] + s * edge[i, 1]


@kernel
def _spouts(house: Eaves, eave: Array, near: Array, area_m2: float, habits: Habits) -> tuple[Array, bool]:
    """Places of a roof's downspouts along the ring [m], and whether they are measured."""
    found = measured(house.ring, house.along, eave, near, habits.snap_m)
    if found.shape[0] > 0:
        return found, True
    number = number_of(np.sum(house.edge[:, 2][eave]), area_m2, habits.per_eave_m, habits.per_area_m2)
    return assumed(house.along, eave, _corners(house.edge, habits.corner_deg), number), False


@kernel
def _forget(rings: list[Array], owners: list[int], count: int) -> None:
    """Shorten the lists of `drain`."""
    while len(rings) > count:
        rings.pop()
        owners.pop()


@kernel
def split_all(
    xy: Array,
    first: Array,
    eave: Array,
    axis: Array,
    area_m2: Array,
    has_court: Array,
    points: Array,
    first_point: Array,
    habits: Habits,
) -> Split:
    """Downspouts, and the part of the roof that drains to each, of all roofs.

    Parameters
    ----------
    xy : (v, 2) array
        Outlines, open and counter-clockwise [m].
    first : (n + 1,) int array
    eave : (v,) bool array
        Edges with a gutter; a roof without any gets no downspouts.
    axis : (n, 2) array
        Unit vector along the ridge of a gable.
    area_m2 : (n,) array
        [m2]
    has_court : (n,) bool array
        Whether the rings of the parts are wanted under a gable too, for something to be cut out of them.
    points : (p, 2) array
        Measured downspouts, by roof [m]; a roof without any gets assumed ones.
    first_point : (n + 1,) int array
    habits : Habits
    """
    # numba learns from the first entry what a list holds
    tables = [np.empty((0, 6))]
    rings = [np.empty((0, 2))]
    ring_spout = [0]
    is_gable = [False]
    n_spouts = 0
    for r in range(area_m2.shape[0]):
        origin = xy[first[r]]
        ring, gutter = _outline(xy[first[r] : first[r + 1]], eave[first[r] : first[r + 1]])
        if ring.shape[0] < 3 or not gutter.any():
            continue
        house = eaves_of(ring, gutter, np.empty(0), habits.pitch_m)
        near = points[first_point[r] : first_point[r + 1]] - origin
        gable = _long_eaves(house.edge, gutter, axis[r, 0], axis[r, 1], habits.long_eave_deg)
        whole = ring_area(ring)
        before = len(rings)
        main = gable if habits.form == GABLE else gutter
        spouts, is_measured = _spouts(house, main, near, area_m2[r], habits)
        size = drain(ring, main, spouts, habits.pitch_m, rings, ring_spout)
        if habits.form == GABLE and np.sum(size) < _REACHED_FRAC * whole:
            # the eaves along the ridge do not reach into every wing: the wings have eaves of their own
            _forget(rings, ring_spout, before)
            spouts, is_measured = _spouts(house, gutter, near, area_m2[r], habits)
            size = drain(ring, gutter, spouts, habits.pitch_m, rings, ring_spout)
        after = len(rings)
        gable_size = size
        if habits.form == UNKNOWN and not np.array_equal(gable, gutter):
            gable_size = drain(ring, gable, spouts, habits.pitch_m, rings, ring_spout)
            if np.sum(gable_size) < _REACHED_FRAC * whole:
                gable_size = size
                _forget(rings, ring_spout, after)
            elif not has_court[r]:
                _forget(rings, ring_spout, after)
        for q in range(before, len(rings)):
            rings[q] = rings[q] + origin
            ring_spout[q] += n_spouts
            is_gable.append(q >= after)
        table = np.empty((spouts.shape[0], 6))
        for k in range(spouts.shape[0]):
            x, y = _place(ring, house.edge, house.along, spouts[k])
            table[k, 0] = r
            table[k, 1] = origin[0] + x
            table[k, 2] = origin[1] + y
            table[k, 3] = size[k]
            table[k, 4] = gable_size[k]
            table[k, 5] = 1.0 if is_measured else 0.0
        tables.append(table)
        n_spouts += spouts.shape[0]
    first_of_ring = np.zeros(len(rings), dtype=np.int64)
    for q in range(1, len(rings)):
        first_of_ring[q] = first_of_ring[q - 1] + rings[q].shape[0] + 1
    ring_xy = np.empty((first_of_ring[-1], 2))
    for q in range(1, len(rings)):
        ring_xy[first_of_ring[q - 1] : first_of_ring[q] - 1] = rings[q]
        ring_xy[first_of_ring[q] - 1] = rings[q][0]
    spout = np.empty((n_spouts, 6))
    n = 0
    for table in tables:
        spout[n : n + table.shape[0]] = table
        n += table.shape[0]
    return Split(spout, ring_xy, first_of_ring, np.array(ring_spout)[1:], np.array(is_gable)[1:])
