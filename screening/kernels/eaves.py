"""The eaves of a roof, and how far from an eave the roof still drains to it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray


class Eaves(NamedTuple):
    """The outline of one roof with the eaves that carry water.

    Attributes
    ----------
    ring : (m, 2) array
        Vertices, counter-clockwise [m]; near the origin, for the sake of precision.
    edge : (m, 3) array
        Unit vector and length [m] of each edge.
    eave : (m,) bool array
        Which edges carry a gutter; the others only stop rays.
    is_focus : (m,) bool array
        Vertices that can be the nearest point of all eaves: inner corners and ends of gutters.
    along : (m + 1,) array
        Distance along the ring at each vertex [m].
    cut_edge : (c,) int array
    cut_m : (c,) array
        Where gutter intervals meet: edge and distance along it [m].
    pitch_m : float
        Spacing of the rays along an eave is at most this.
    """

    ring: Array
    edge: Array
    eave: Array
    is_focus: Array
    along: Array
    cut_edge: Array
    cut_m: Array
    pitch_m: float


@kernel
def eaves_of(ring: Array, eave: Array, cuts: Array, pitch: float) -> Eaves:
    """Prepare an outline.

    Parameters
    ----------
    ring : (m, 2) array
        No two neighbouring vertices are equal [m].
    eave : (m,) bool array
    cuts : (c,) array
        Where gutter intervals meet, along the ring [m].
    pitch : float
        [m]
    """
    m = ring.shape[0]
    edge = np.empty((m, 3))
    along = np.zeros(m + 1)
    for k in range(m):
        j = k + 1 if k + 1 < m else 0
        dx = ring[j, 0] - ring[k, 0]
        dy = ring[j, 1] - ring[k, 1]
        length = math.hypot(dx, dy)
        edge[k, 0] = dx / length
        edge[k, 1] = dy / length
        edge[k, 2] = length
        along[k + 1] = along[k] + length
    is_focus = np.zeros(m, dtype=np.bool_)
    for k in range(m):
        turn = edge[k - 1, 0] * edge[k, 1] - edge[k - 1, 1] * edge[k, 0]
        is_focus[k] = (eave[k] or eave[k - 1]) and (turn < 0.0 or eave[k] != eave[k - 1])
    cut_edge = np.empty(cuts.shape[0], dtype=np.int64)
    cut_m = np.empty(cuts.shape[0])
    for c in range(cuts.shape[0]):
        place = cuts[c] % along[m]
        k = min(max(np.searchsorted(along, place, side="right") - 1, 0), m - 1)
        cut_edge[c] = k
        cut_m[c] = place - along[k]
    return Eaves(ring, edge, eave, is_focus, along, cut_edge, cut_m, pitch)


@leaf
def cast(
    house: Eaves, x: float, y: float, dx: float, dy: float, e1: int, e2: int, v1: int, v2: int
) -> tuple[float, int]:
    """How far [m] a ray runs from an eave point until another eave is nearer, and what that is.

    ``t`` is the way along the ray, which is also the distance to its own eave. Another eave is as near
    where the distance to its line is ``t`` (and the foot lies on the eave) or where the distance to one
    of its ends is ``t``; both are linear equations in ``t``. An edge that is no eave only stops the ray.
    The edges ``e1``, ``e2`` and the vertices ``v1``, ``v2`` are the ray's own.

    Returns
    -------
    t : float
        0 where nothing is in its way.
    which : int
        Edge ``k``: ``k``; vertex ``v``: ``m + v``; edge ``k`` that is no eave: ``-1 - k``; ``m + m`` for nothing.
    """
    m = house.ring.shape[0]
    best = np.inf
    which = 2 * m
    for k in range(m):
        qx = x - house.ring[k, 0]
        qy = y - house.ring[k, 1]
        if k not in (e1, e2):
            ex = house.edge[k, 0]
            ey = house.edge[k, 1]
            c = qy * ex - qx * ey
            g = dy * ex - dx * ey
            if house.eave[k]:
                # an eave is met from its inner side only
                if 0.0 <= c < best * (1.0 - g):
                    t = c / (1.0 - g)
                    foot = (qx + t * dx) * ex + (qy + t * dy) * ey
                    if 0.0 <= foot <= house.edge[k, 2]:
                        best = t
                        which = k
            elif g != 0.0:
                t = -c / g
                if 1e-10 < t < best:
                    foot = (qx + t * dx) * ex + (qy + t * dy) * ey
                    if -1e-9 <= foot <= house.edge[k, 2] + 1e-9:
                        best = t
                        which = -1 - k
        if house.is_focus[k] and k not in (v1, v2):
            dot = dx * qx + dy * qy
            if dot < 0.0:
                t = -(qx * qx + qy * qy) / (2.0 * dot)
                if t < best:
                    best = t
                    which = m + k
    return (best, which) if best < np.inf else (0.0, which)
