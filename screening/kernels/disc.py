"""The part of an outline that lies within a disc."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import leaf

Array = np.ndarray


@leaf
def _sector(ax: float, ay: float, bx: float, by: float, r2: float) -> float:
    """Signed area [m2] that a disc about the origin sweeps between two directions."""
    return 0.5 * r2 * math.atan2(ax * by - ay * bx, ax * bx + ay * by)


@leaf
def _edge_share(ax: float, ay: float, bx: float, by: float, r2: float) -> float:
    """Signed area [m2] of the triangle of an edge and the origin within a disc about the origin."""
    dx = bx - ax
    dy = by - ay
    length2 = dx * dx + dy * dy
    if length2 == 0.0:
        return 0.0
    # where the edge's line meets the circle, as parts of the edge
    middle = -(ax * dx + ay * dy) / length2
    half2 = middle * middle - (ax * ax + ay * ay - r2) / length2
    if half2 <= 0.0:
        return _sector(ax, ay, bx, by, r2)
    half = math.sqrt(half2)
    t0 = max(0.0, middle - half)
    t1 = min(1.0, middle + half)
    if t0 >= t1:
        return _sector(ax, ay, bx, by, r2)
    px = ax + t0 * dx
    py = ay + t0 * dy
    qx = ax + t1 * dx
    qy = ay + t1 * dy
    return (
        _sector(ax, ay, px, py, r2) * (1.0 if t0 > 0.0 else 0.0)
        + 0.5 * (px * qy - py * qx)
        + _sector(qx, qy, bx, by, r2) * (1.0 if t1 < 1.0 else 0.0)
    )


@leaf
def area_in_disc(edges: Array, x: float, y: float, radius_m: float) -> float:
    """Area [m2] of a polygon, holes and all, within a disc.

    Parameters
    ----------
    edges : (n, 4) array
        All its rings [m], holes running the other way round.
    x, y, radius_m : float
        The disc [m].
    """
    total = 0.0
    r2 = radius_m * radius_m
    for i in range(edges.shape[0]):
        total += _edge_share(edges[i, 0] - x, edges[i, 1] - y, edges[i, 2] - x, edges[i, 3] - y, r2)
    return abs(total)


@leaf
def radius_of_area(edges: Array, x: float, y: float, area_m2: float) -> float:
    """Radius [m] of the disc that holds an area of a polygon within half a percent; infinite where it has no more."""
    high = 0.0
    for i in range(edges.shape[0]):
        high = max(high, math.hypot(edges[i, 0] - x, edges[i, 1] - y))
    if area_in_disc(edges, x, y, high) <= area_m2:
        return math.inf
    low = 0.0
    radius = high
    for _ in range(60):
        radius = 0.5 * (low + high)
        area = area_in_disc(edges, x, y, radius)
        if abs(area - area_m2) <= 0.005 * area_m2:
            break
        if area < area_m2:
            low = radius
        else:
            high = radius
    return radius
