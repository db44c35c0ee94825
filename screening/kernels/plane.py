"""Plane geometry on flat edge arrays: the small tests every other kernel calls.

An *edge array* has shape ``(n, 4)``: ``x1, y1, x2, y2`` [m] of one ring segment each. The edges of
all rings of a polygon (holes too) stand one after another; their order does not matter.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import leaf

Array = np.ndarray


@leaf
def inside(edges: Array, x: float, y: float) -> bool:
    """Whether a point lies within the area that the edges bound, by the even-odd test."""
    odd = False
    for i in range(edges.shape[0]):
        y1 = edges[i, 1]
        y2 = edges[i, 3]
        if (y1 > y) != (y2 > y):
            x1 = edges[i, 0]
            if x < x1 + (y - y1) * (edges[i, 2] - x1) / (y2 - y1):
                odd = not odd
    return odd


@leaf
def crossings(edges: Array, y: float, hits: Array) -> int:
    """Where edges cross a level line, in order along it, into ``hits``; how many they are."""
    n = 0
    for i in range(edges.shape[0]):
        y1 = edges[i, 1]
        y2 = edges[i, 3]
        if (y1 > y) != (y2 > y):
            hit = edges[i, 0] + (y - y1) * (edges[i, 2] - edges[i, 0]) / (y2 - y1)
            k = n
            while k > 0 and hits[k - 1] > hit:
                hits[k] = hits[k - 1]
                k -= 1
            hits[k] = hit
            n += 1
    return n


@leaf
def square_distance(x: float, y: float, x1: float, y1: float, x2: float, y2: float) -> float:
    """Square of the distance [m2] from a point to a segment."""
    dx = x2 - x1
    dy = y2 - y1
    length2 = dx * dx + dy * dy
    t = 0.0
    if length2 > 0.0:
        t = ((x - x1) * dx + (y - y1) * dy) / length2
        if t < 0.0:
            t = 0.0
        elif t > 1.0:
            t = 1.0
    ex = x - x1 - t * dx
    ey = y - y1 - t * dy
    return ex * ex + ey * ey


@leaf
def point_segment_distance(x: float, y: float, x1: float, y1: float, x2: float, y2: float) -> float:
    """Distance [m] from a point to a segment."""
    return math.sqrt(square_distance(x, y, x1, y1, x2, y2))


@leaf
def distance_to_edges(edges: Array, x: float, y: float) -> float:
    """Distance [m] from a point to the nearest edge; infinite where there is none."""
    best = np.inf
    for i in range(edges.shape[0]):
        best = min(best, square_distance(x, y, edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3]))
    return math.sqrt(best)


@leaf
def _cross(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> float:
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)


@leaf
def crosses(edges: Array, x1: float, y1: float, x2: float, y2: float) -> bool:
    """Whether the segment properly crosses any edge.

    Touching does not count: a run starts on the eave of its own house. The tolerance is an area
    [m2] of 1e-6 times the segment's length, that is one micrometre of offset.
    """
    eps = 1e-6 * math.sqrt((x2 - x1) * (x2 - x1) + (y2 - y1) * (y2 - y1))
    for i in range(edges.shape[0]):
        a = edges[i, 0]
        b = edges[i, 1]
        c = edges[i, 2]
        d = edges[i, 3]
        p = _cross(x1, y1, x2, y2, a, b)
        q = _cross(x1, y1, x2, y2, c, d)
        if (p > eps and q < -eps) or (p < -eps and q > eps):
            edge_eps = 1e-6 * math.hypot(c - a, d - b)
            r = _cross(a, b, c, d, x1, y1)
            s = _cross(a, b, c, d, x2, y2)
            if (r > edge_eps and s < -edge_eps) or (r < -edge_eps and s > edge_eps):
                return True
    return False


@leaf
def segment_enters(edges: Array, x1: float, y1: float, x2: float, y2: float) -> bool:
    """Whether the segment runs through the area that the edges bound.

    Tests proper crossings, and the midpoints of the pieces between touched vertices, so that a run
    that enters exactly through a corner is found too.
    """
    if crosses(edges, x1, y1, x2, y2):
        return True
    length = math.hypot(x2 - x1, y2 - y1)
    if length < 1e-9:
        return False
    # from one touched vertex to the next: the piece between them lies within or without
    reached = 0.0
    while reached < 1.0:
        ahead = 1.0
        for i in range(edges.shape[0]):
            t = ((edges[i, 0] - x1) * (x2 - x1) + (edges[i, 1] - y1) * (y2 - y1)) / (length * length)
            if reached < t < ahead and point_segment_distance(edges[i, 0], edges[i, 1], x1, y1, x2, y2) < 1e-6:
                ahead = t
        if (ahead - reached) * length >= 1e-3:
            t = 0.5 * (reached + ahead)
            x = x1 + t * (x2 - x1)
            y = y1 + t * (y2 - y1)
            # a point on a wall is not in the house: one micrometre of grace
            if inside(edges, x, y) and distance_to_edges(edges, x, y) > 1e-6:
                return True
        reached = ahead
    return False


@leaf
def box_meets_edge(half_length: float, half_width: float, x1: float, y1: float, x2: float, y2: float) -> bool:
    """Whether a segment passes through the open box ``|x| < half_length, |y| < half_width``."""
    t0 = 0.0
    t1 = 1.0
    dx = x2 - x1
    dy = y2 - y1
    for axis in range(2):
        if axis == 0:
            p = dx
            q = x1
            half = half_length
        else:
            p = dy
            q = y1
            half = half_width
        if p == 0.0:
            if q <= -half or q >= half:
                return False
        else:
            a = (-half - q) / p
            b = (half - q) / p
            if a > b:
                a, b = b, a
            t0 = max(t0, a)
            t1 = min(t1, b)
            if t0 >= t1:
                return False
    return True


@leaf
def rectangle_within(edges: Array, cx: float, cy: float, ux: float, uy: float, length: float, width: float) -> bool:
    """Whether a rectangle lies within the area the edges bound (touching its border is allowed).

    ``(ux, uy)`` is the unit vector along the rectangle's length. Exact up to rounding: the centre is
    inside, and no edge passes through the rectangle's interior.
    """
    if not inside(edges, cx, cy):
        return False
    # a micrometre of grace, so that rounding of coordinates decides nothing
    hl = 0.5 * length - 1e-6
    hw = 0.5 * width - 1e-6
    for i in range(edges.shape[0]):
        ax = edges[i, 0] - cx
        ay = edges[i, 1] - cy
        bx = edges[i, 2] - cx
        by = edges[i, 3] - cy
        if box_meets_edge(hl, hw, ax * ux + ay * uy, -ax * uy + ay * ux, bx * ux + by * uy, -bx * uy + by * ux):
            return False
    return True
