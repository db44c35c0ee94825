"""The roof that drains into one stretch of gutter.

A roof's outline is a ring of ``m`` vertices in counter-clockwise order; edge ``i`` goes from vertex ``i``
to vertex ``i + 1``. From each point of an eave a ray goes inward, square to the eave; the roof drains to
that point as far as no other eave is nearer (the medial axis of the eaves). At a vertex with an inner
angle over 180 degrees, and at the end of a gutter, a fan of rays covers the points that are nearest to the
vertex itself. The rays of one gutter interval sweep exactly the roof part that drains to its downspout.

The far ends of the rays run along straight lines, except where an eave faces a vertex: there they run along
a parabola, which is drawn through the same points from either side, so that roof parts meet without gaps.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel
from screening.kernels.eaves import Eaves, cast
from screening.kernels.rings import SAME_M, push

Array = np.ndarray

_FAN_STEP = math.pi / 24.0
_HAIR_M = 1e-6
_MAX_KINKS = 8
_KINK = 1e-11


@kernel
def _meet(house: Eaves, i: int, is_fan: bool, u: float) -> tuple[float, float, int]:
    """Where a ray ends [m], and what it meets there (`cast`).

    It starts at distance ``u`` along edge ``i``, square to it, or runs from vertex ``i`` at the angle ``u``.
    """
    m = house.ring.shape[0]
    x = house.ring[i, 0]
    y = house.ring[i, 1]
    if is_fan:
        dx = math.cos(u)
        dy = math.sin(u)
        t, which = cast(house, x, y, dx, dy, i - 1 if i > 0 else m - 1, i, i, i)
    else:
        dx = -house.edge[i, 1]
        dy = house.edge[i, 0]
        x += u * dy
        y -= u * dx
        t, which = cast(house, x, y, dx, dy, i, i, i, i + 1 if i + 1 < m else 0)
    return x + t * dx, y + t * dy, which


@kernel
def _kink(house: Eaves, i: int, is_fan: bool, near: float, k: int, far: float) -> tuple[float, float]:
    """Between ``near``, which meets ``k``, and ``far``, which does not: the last ray that does, and the next."""
    lo = near
    hi = far
    while abs(hi - lo) > _KINK:
        mid = 0.5 * (lo + hi)
        if _meet(house, i, is_fan, mid)[2] == k:
            lo = mid
        else:
            hi = mid
    return lo, hi


@kernel
def _cells(house: Eaves, i: int) -> int:
    """Number of equal stretches between the rays of edge ``i``; rounding does not change it."""
    return max(1, int(math.ceil(house.edge[i, 2] / house.pitch_m - 1e-9)))


@kernel
def _along_parabola(
    house: Eaves, v: int, k: int, x1: float, y1: float, x2: float, y2: float, out: Array, n: int
) -> int:
    """Write the points between vertex ``v`` and eave ``k`` where the eave's own rays end, from 1 to 2."""
    x0 = house.ring[k, 0]
    y0 = house.ring[k, 1]
    ex = house.edge[k, 0]
    ey = house.edge[k, 1]
    s1 = (x1 - x0) * ex + (y1 - y0) * ey
    s2 = (x2 - x0) * ex + (y2 - y0) * ey
    focus_s = (house.ring[v, 0] - x0) * ex + (house.ring[v, 1] - y0) * ey
    focus_d = (house.ring[v, 1] - y0) * ex - (house.ring[v, 0] - x0) * ey
    if focus_d < 1e-9:
        return n
    lo = min(s1, s2)
    hi = max(s1, s2)
    cells = _cells(house, k)
    pitch = house.edge[k, 2] / cells
    feet = np.empty(cells + house.cut_m.shape[0])
    count = 0
    for q in range(max(1, int(math.floor(lo / pitch))), min(cells - 1, int(math.ceil(hi / pitch))) + 1):
        feet[count] = q * pitch
        count += 1
    for c in range(house.cut_m.shape[0]):
        if house.cut_edge[c] == k:
            feet[count] = house.cut_m[c]
            count += 1
    found = np.sort(feet[:count])
    for q in range(count):
        s = found[q] if s1 < s2 else found[count - 1 - q]
        if lo < s < hi:
            d = ((s - focus_s) ** 2 + focus_d * focus_d) / (2.0 * focus_d)
            n = push(out, n, x0 + s * ex - d * ey, y0 + s * ey + d * ex)
    return n


@kernel
def _sweep(house: Eaves, i: int, is_fan: bool, start: float, end: float, pitch: float, out: Array, n: int) -> int:
    """Write the ray ends of edge or vertex ``i`` from ``start`` to ``end``; returns the new count.

    Rays are cast at the multiples of ``pitch`` (negative where ``end`` is before ``start``), and where what they meet
    changes in between, the place is found. Between these places only a parabola needs points.
    """
    m = house.ring.shape[0]
    u = start
    x, y, k = _meet(house, i, is_fan, u)
    n = push(out, n, x, y)
    step = int(math.floor(start / pitch)) + 1
    while u != end:
        there = step * pitch
        step += 1
        if (there - end) * pitch >= -1e-9 * abs(pitch):
            there = end
        if (there - u) * pitch <= 0.0 and there != end:
            continue
        x_there, y_there, k_there = _meet(house, i, is_fan, there)
        for _ in range(_MAX_KINKS):
            if k == k_there:
                break
            lo, hi = _kink(house, i, is_fan, u, k, there)
            x_lo, y_lo, _k = _meet(house, i, is_fan, lo)
            if is_fan and 0 <= k < m:
                n = _along_parabola(house, i, k, x, y, x_lo, y_lo, out, n)
            n = push(out, n, x_lo, y_lo)
            x, y, k = _meet(house, i, is_fan, hi)
            n = push(out, n, x, y)
            u = hi
        u = there
        if is_fan and 0 <= k < m and u == end:
            n = _along_parabola(house, i, k, x, y, x_there, y_there, out, n)
        if u == end or (not is_fan and k >= m):
            n = push(out, n, x_there, y_there)
        k = k_there
    return n


@kernel
def _sweep_edge(house: Eaves, i: int, a: float, b: float, out: Array, n: int) -> int:
    """Write the ray ends of edge ``i`` from distance ``a`` to ``b`` along it [m]."""
    length = house.edge[i, 2]
    # a ray from the very corner has no length of its own: start a hair inside
    hair = min(_HAIR_M, 0.25 * (b - a))
    start = a + hair if a <= 1e-9 else a
    end = b - hair if b >= length - 1e-9 else b
    return _sweep(house, i, False, start, end, length / _cells(house, i), out, n)


@kernel
def _sweep_vertex(house: Eaves, v: int, out: Array, n: int) -> int:
    """Write the fan of ray ends at vertex ``v``: from the normal of the eave before to that of the eave after.

    A vertex between two eaves has a fan only where the outline turns inward. The end of a gutter has a
    fan over all directions from its eave's normal to the neighbouring edge that is no eave.
    """
    p = v - 1 if v > 0 else house.ring.shape[0] - 1
    ax = house.edge[p, 0]
    ay = house.edge[p, 1]
    bx = house.edge[v, 0]
    by = house.edge[v, 1]
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    first = math.atan2(ax, -ay)
    if not (house.eave[p] and house.eave[v]):
        turn -= 0.5 * math.pi
        if not house.eave[p]:
            # from the edge that came before, backwards, to the eave's normal
            first = math.atan2(-ay, -ax)
    if turn >= -1e-6:
        return n
    return _sweep(house, v, True, first, first + turn, -_FAN_STEP, out, n)


@kernel
def part_ring(house: Eaves, start: float, end: float, chain: Array) -> Array:
    """Outline of the roof that drains into the gutter from ``start`` to ``end``.

    Parameters
    ----------
    house : Eaves
    start, end : float
        Gutter interval along the ring [m], ``0 <= start <= end``; ``end`` may pass the ring's length (the interval
        then goes on from vertex 0). All edges in it are eaves.
    chain : (k, 2) array
        Room for the far ends of the rays.

    Returns
    -------
    (k, 2) array
        Ring of the part [m], not closed: along the eave, then back along the medial axis.
    """
    m = house.ring.shape[0]
    along = house.along
    total = float(along[m])
    eave_side = np.empty((m + 3, 2))
    ne = 0
    na = 0
    position = start
    i = 0
    base = 0.0
    while base + total <= position:
        base += total
    while base + along[i + 1] <= position + 1e-12:
        i += 1
        if i == m:
            i = 0
            base += total
    at_vertex = abs(position - (base + along[i])) <= 1e-9
    first = True
    while position < end - 1e-9:
        length = house.edge[i, 2]
        a = max(0.0, position - base - along[i])
        b = min(end - base - along[i], length)
        # a fan on the border of two intervals belongs to the one that starts there
        if at_vertex or not first:
            na = _sweep_vertex(house, i, chain, na)
        na = _sweep_edge(house, i, a, b, chain, na)
        if first:
            eave_side[ne, 0] = house.ring[i, 0] + a * house.edge[i, 0]
            eave_side[ne, 1] = house.ring[i, 1] + a * house.edge[i, 1]
            ne += 1
        eave_side[ne, 0] = house.ring[i, 0] + b * house.edge[i, 0]
        eave_side[ne, 1] = house.ring[i, 1] + b * house.edge[i, 1]
        ne += 1
        position = base + along[i] + b
        first = False
        if b >= length - 1e-9:
            i = i + 1 if i + 1 < m else 0
            if i == 0:
                base += total
    # the end of the gutter, where the outline goes on without one
    last = i - 1 if i > 0 else m - 1
    if abs(position - (base + along[i])) <= 1e-9 and house.eave[last] and not house.eave[i]:
        na = _sweep_vertex(house, i, chain, na)
    out = np.empty((ne + na, 2))
    n = 0
    for q in range(ne + na):
        x = eave_side[q, 0] if q < ne else chain[ne + na - 1 - q, 0]
        y = eave_side[q, 1] if q < ne else chain[ne + na - 1 - q, 1]
        if n == 0 or math.hypot(x - out[n - 1, 0], y - out[n - 1, 1]) >= SAME_M:
            out[n, 0] = x
            out[n, 1] = y
            n += 1
    while n > 1 and math.hypot(out[n - 1, 0] - out[0, 0], out[n - 1, 1] - out[0, 1]) < SAME_M:
        n -= 1
    return out[:n].copy()
