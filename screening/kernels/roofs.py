"""The split of a roof among the downspouts along its eaves.

A roof's outline is a ring of ``m`` vertices in counter-clockwise order; edge ``i`` goes from vertex ``i``
to vertex ``i + 1``. From each point of an eave a ray goes inward, square to the eave; the roof drains to
that point as far as no other eave is nearer (the medial axis of the eaves). At a vertex with an inner
angle over 180 degrees, and at the end of a gutter, a fan of rays covers the points that are nearest to the
vertex itself. The rays of one gutter interval sweep exactly the roof part that drains to its downspout.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

Array = np.ndarray

_FAN_STEP = math.pi / 24.0


@njit(cache=True, nogil=True)
def ray_length(
    ring: Array, eave: Array, x: float, y: float, dx: float, dy: float, skip: int, skip2: int
) -> tuple[float, int]:
    """How far [m] a ray runs from an eave point until another eave is nearer, and which eave that is.

    ``t`` is the way along the ray, which is also the distance to its own eave. Another eave is as near
    where the distance to its line is ``t`` (and the foot lies on the eave) or where the distance to one
    of its ends is ``t``; both are linear equations in ``t``. An edge that is no eave only stops the ray.
    """
    m = ring.shape[0]
    best = np.inf
    which = -1
    for k in range(m):
        if k == skip or k == skip2:
            continue
        j = k + 1 if k + 1 < m else 0
        ax = ring[k, 0]
        ay = ring[k, 1]
        ex = ring[j, 0] - ax
        ey = ring[j, 1] - ay
        length = math.hypot(ex, ey)
        if length == 0.0:
            continue
        ex /= length
        ey /= length
        c = (y - ay) * ex - (x - ax) * ey
        g = dy * ex - dx * ey
        if not eave[k]:
            if g != 0.0:
                t = -c / g
                along = (x + t * dx - ax) * ex + (y + t * dy - ay) * ey
                if 1e-6 < t < best and -1e-9 <= along <= length + 1e-9:
                    best = t
                    which = -1
            continue
        t = np.inf
        if c >= 0.0 and g < 1.0:
            t = c / (1.0 - g)
        elif c < 0.0 and g > -1.0:
            t = -c / (1.0 + g)
        if t < best:
            along = (x + t * dx - ax) * ex + (y + t * dy - ay) * ey
            if 0.0 <= along <= length:
                best = t
                which = k
        for end in range(2):
            qx = x - (ring[j, 0] if end == 1 else ax)
            qy = y - (ring[j, 1] if end == 1 else ay)
            dot = dx * qx + dy * qy
            if dot < 0.0:
                t = -(qx * qx + qy * qy) / (2.0 * dot)
                if t < best:
                    best = t
                    which = k
    return (best, which) if best < np.inf else (0.0, -1)


@njit(cache=True, nogil=True)
def _sweep_edge(
    ring: Array,
    eave: Array,
    i: int,
    a: float,
    b: float,
    step: float,
    hip_before: int,
    hip_after: int,
    out: Array,
    n: int,
) -> int:
    """Write the ray ends of edge ``i`` from distance ``a`` to ``b`` along it; returns the new count.

    Between two rays that meet different eaves the kink of the medial axis is found by bisection. Rays that meet the eaves
    ``hip_before`` or ``hip_after`` end on the hip that both sides of a corner share: where that corner lies within the
    gutter interval the hip is no border of the part, and only its far end is written.
    """
    m = ring.shape[0]
    j = i + 1 if i + 1 < m else 0
    ex = ring[j, 0] - ring[i, 0]
    ey = ring[j, 1] - ring[i, 1]
    length = math.hypot(ex, ey)
    ex /= length
    ey /= length
    nx = -ey
    ny = ex
    count = max(1, int(math.ceil((b - a) / step)))
    # a ray from the very corner has no length of its own: start a hair inside
    hair = min(1e-6, 0.25 * (b - a))
    s_prev = a + hair
    h_prev, k_prev = ray_length(ring, eave, ring[i, 0] + s_prev * ex, ring[i, 1] + s_prev * ey, nx, ny, i, i)
    for q in range(count + 1):
        s = a + hair if q == 0 else (a + (b - a) * q / count if q < count else b - hair)
        h, k = ray_length(ring, eave, ring[i, 0] + s * ex, ring[i, 1] + s * ey, nx, ny, i, i)
        if k != k_prev and n + 3 < out.shape[0]:
            lo = s_prev
            hi = s
            h_lo = h_prev
            h_hi = h
            for _ in range(30):
                mid = 0.5 * (lo + hi)
                h_mid, k_mid = ray_length(ring, eave, ring[i, 0] + mid * ex, ring[i, 1] + mid * ey, nx, ny, i, i)
                if k_mid == k_prev:
                    lo = mid
                    h_lo = h_mid
                else:
                    hi = mid
                    h_hi = h_mid
            out[n, 0] = ring[i, 0] + lo * ex + h_lo * nx
            out[n, 1] = ring[i, 1] + lo * ey + h_lo * ny
            n += 1
            if abs(h_hi - h_lo) > 1e-6:
                out[n, 0] = ring[i, 0] + hi * ex + h_hi * nx
                out[n, 1] = ring[i, 1] + hi * ey + h_hi * ny
                n += 1
        if n < out.shape[0] and (k < 0 or (k != hip_before and k != hip_after)):
            out[n, 0] = ring[i, 0] + s * ex + h * nx
            out[n, 1] = ring[i, 1] + s * ey + h * ny
            n += 1
        s_prev = s
        h_prev = h
        k_prev = k
    return n


@njit(cache=True, nogil=True)
def _turns_out(ring: Array, v: int) -> bool:
    """Whether the outline turns outward (a convex corner) at vertex ``v``."""
    m = ring.shape[0]
    p = v - 1 if v > 0 else m - 1
    w = v + 1 if v + 1 < m else 0
    cross = (ring[v, 0] - ring[p, 0]) * (ring[w, 1] - ring[v, 1]) - (ring[v, 1] - ring[p, 1]) * (
        ring[w, 0] - ring[v, 0]
    )
    return cross > 0.0


@njit(cache=True, nogil=True)
def _sweep_vertex(ring: Array, eave: Array, v: int, out: Array, n: int) -> int:
    """Write the fan of ray ends at vertex ``v``: from the normal of the eave before to that of the eave after.

    A vertex between two eaves has a fan only where the outline turns inward. The end of a gutter has a
    fan over all directions from its eave's normal to the neighbouring edge that is no eave.
    """
    m = ring.shape[0]
    p = v - 1 if v > 0 else m - 1
    w = v + 1 if v + 1 < m else 0
    ax = ring[v, 0] - ring[p, 0]
    ay = ring[v, 1] - ring[p, 1]
    bx = ring[w, 0] - ring[v, 0]
    by = ring[w, 1] - ring[v, 1]
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    first = math.atan2(ax, -ay)
    last = math.atan2(bx, -by)
    if eave[p] and eave[v]:
        if turn >= -1e-6:
            return n
        sweep = turn
    elif eave[p]:
        # from the eave's normal on to the direction of the edge that follows
        sweep = turn - 0.5 * math.pi
        if sweep >= -1e-6:
            return n
    else:
        # from the edge that came before, backwards, to the eave's normal
        first = math.atan2(-ay, -ax)
        sweep = turn - 0.5 * math.pi
        if sweep >= -1e-6:
            return n
    if eave[p] and not eave[v]:
        last = math.atan2(by, bx)
    if abs(sweep) > math.pi:
        return n
    count = max(1, int(math.ceil(abs(sweep) / _FAN_STEP)))
    skip = p if eave[p] else v
    skip2 = v if eave[v] else p
    for q in range(count + 1):
        angle = first + sweep * q / count
        if n >= out.shape[0]:
            return n
        h, _ = ray_length(ring, eave, ring[v, 0], ring[v, 1], math.cos(angle), math.sin(angle), skip, skip2)
        out[n, 0] = ring[v, 0] + h * math.cos(angle)
        out[n, 1] = ring[v, 1] + h * math.sin(angle)
        n += 1
    return n


@njit(cache=True, nogil=True)
def gutter_part(
    ring: Array, eave: Array, cumulative: Array, start: float, end: float, step: float, capacity: int
) -> Array:
    """Outline of the roof that drains into the gutter from ``start`` to ``end``.

    Parameters
    ----------
    ring : (m, 2) array
        Vertices of the outline, counter-clockwise [m].
    eave : (m,) bool array
        Which edges carry a gutter.
    cumulative : (m + 1,) array
        Distance along the ring at each vertex [m].
    start, end : float
        Gutter interval along the ring [m], ``start <= end``; ``end`` may pass the ring's length (the interval
        then goes on from vertex 0). All edges in it are eaves.
    step : float
        Spacing of the rays along straight eaves [m].
    capacity : int
        Most vertices the result may have.

    Returns
    -------
    (k, 2) array
        Ring of the part [m], not closed: along the eave, then back along the medial axis.
    """
    m = ring.shape[0]
    total = cumulative[m]
    eave_side = np.empty((m + 3, 2))
    axis_side = np.empty((capacity, 2))
    ne = 0
    na = 0
    position = start
    i = 0
    base = 0.0
    while base + total <= position:
        base += total
    while base + cumulative[i + 1] <= position + 1e-12:
        i += 1
        if i == m:
            i = 0
            base += total
    at_vertex = abs(position - (base + cumulative[i])) <= 1e-9
    first = True
    while position < end - 1e-9:
        j = i + 1 if i + 1 < m else 0
        a = position - base - cumulative[i]
        b = min(end - base - cumulative[i], cumulative[i + 1] - cumulative[i])
        length = cumulative[i + 1] - cumulative[i]
        t = a / length
        eave_side[ne, 0] = ring[i, 0] + t * (ring[j, 0] - ring[i, 0])
        eave_side[ne, 1] = ring[i, 1] + t * (ring[j, 1] - ring[i, 1])
        ne += 1
        # a fan on the border of two intervals belongs to the one that starts there
        if at_vertex or not first:
            na = _sweep_vertex(ring, eave, i, axis_side, na)
        before = i - 1 if i > 0 else m - 1
        hip_before = before if not first and eave[before] and _turns_out(ring, i) else -2
        goes_on = b >= length - 1e-9 and position + (b - a) < end - 1e-9
        hip_after = j if goes_on and eave[j] and _turns_out(ring, j) else -2
        na = _sweep_edge(ring, eave, i, a, b, step, hip_before, hip_after, axis_side, na)
        position = base + cumulative[i] + b
        t = b / length
        eave_side[ne, 0] = ring[i, 0] + t * (ring[j, 0] - ring[i, 0])
        eave_side[ne, 1] = ring[i, 1] + t * (ring[j, 1] - ring[i, 1])
        first = False
        if b >= length - 1e-9:
            i = j
            if i == 0:
                base += total
    # the end of the gutter, where the outline goes on without one
    last = i - 1 if i > 0 else m - 1
    at_end = abs(position - (base + cumulative[i])) <= 1e-9
    if at_end and eave[last] and not eave[i]:
        na = _sweep_vertex(ring, eave, i, axis_side, na)
    out = np.empty((ne + 1 + na, 2))
    for q in range(ne + 1):
        out[q] = eave_side[q]
    for q in range(na):
        out[ne + 1 + q] = axis_side[na - 1 - q]
    return out


@njit(cache=True, nogil=True)
def ring_area(ring: Array) -> float:
    """Signed area [m2] of an unclosed ring; counter-clockwise is positive."""
    area = 0.0
    m = ring.shape[0]
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        area += ring[i, 0] * ring[j, 1] - ring[j, 0] * ring[i, 1]
    return 0.5 * area
