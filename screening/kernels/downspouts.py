"""Where the downspouts of a roof are, along the ring of its outline.

Places are distances [m] along the ring from vertex 0, counter-clockwise.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel
from screening.kernels.gutters import gutter_length, gutters

Array = np.ndarray

MIN_GAP_M = 1.0
"""No downspout is assumed where the longest gutter between two counts for less."""


@kernel
def number_of(eave_length_m: float, roof_area_m2: float, per_eave_m: float, per_area_m2: float) -> int:
    """``max(2, ceil(eave / per_eave), ceil(roof / per_area))``."""
    # a billionth of grace: 10.7 m of eave counted in feet must not become two downspouts
    by_eave = int(math.ceil(eave_length_m / per_eave_m - 1e-9))
    by_area = int(math.ceil(roof_area_m2 / per_area_m2 - 1e-9))
    return max(2, by_eave, by_area)


@kernel
def _even_choice(places: Array, n: int, total: float) -> Array:
    """``n`` of the places, as evenly spaced along a ring of length ``total`` as they allow.

    From every place as a start, evenly spaced targets are moved to the nearest free place; the start with the
    least sum of squared moves wins, the first of equals.
    """
    k = places.shape[0]
    best = np.inf
    picked = np.empty(n)
    trial = np.empty(n)
    free = np.empty(k, dtype=np.bool_)
    for start in range(k):
        free[:] = True
        moved = 0.0
        for i in range(n):
            target = (places[start] + total * i / n) % total
            nearest = np.inf
            at = 0
            for q in range(k):
                if not free[q]:
                    continue
                gap = abs(places[q] - target)
                gap = min(gap, total - gap)
                if np.rint(gap * 1e6) < np.rint(nearest * 1e6):
                    nearest = gap
                    at = q
            free[at] = False
            trial[i] = places[at]
            moved += nearest * nearest
        if moved < best - 1e-6:
            best = moved
            picked[:] = trial
    return np.sort(picked)


@kernel
def assumed(along: Array, eave: Array, corner: Array, n: int) -> Array:
    """Places of ``n`` assumed downspouts: at corners, as evenly as these allow.

    Where there are fewer corners than downspouts, the longest gutter between two is halved until there are enough.

    Parameters
    ----------
    along : (m + 1,) array
        Distance along the ring at each vertex [m].
    eave, corner : (m,) bool array
        Edges with a gutter; convex corners.
    n : int

    Returns
    -------
    (n,) array
        Rising [m]; fewer where there is no room for more.
    """
    m = eave.shape[0]
    total = float(along[m])
    chosen = np.empty(m + n)
    k = 0
    for v in range(m):
        if corner[v] and (eave[v] or eave[v - 1]):
            chosen[k] = along[v]
            k += 1
    if k >= n:
        return _even_choice(chosen[:k], n, total)
    runs = gutters(eave)
    if k == 0:
        # a round house: an even spacing from where its outline starts
        chosen[0] = along[runs[0, 0]]
        k = 1
    inside = np.empty(m + n + 1)
    while k < n:
        best_gap = -1.0
        best_place = 0.0
        for r in range(runs.shape[0]):
            a = along[runs[r, 0]]
            whole = runs[r, 1] == m
            b = a + gutter_length(along, runs[r, 0], runs[r, 1])
            count = 0
            for q in range(k):
                place = (chosen[q] - a) % total + a
                if whole or place <= b + 1e-6:
                    inside[count] = place
                    count += 1
            inside[:count].sort()
            if count == 0:
                if b - a > best_gap + 1e-6:
                    best_gap = b - a
                    best_place = 0.5 * (a + b) % total
                continue
            if whole:
                inside[count] = inside[0] + total
                count += 1
            for q in range(count - 1):
                if inside[q + 1] - inside[q] > best_gap + 1e-6:
                    best_gap = inside[q + 1] - inside[q]
                    best_place = 0.5 * (inside[q] + inside[q + 1]) % total
            if not whole:
                # a stretch with a downspout at one end only counts double: its water has one way to go
                if 2.0 * (inside[0] - a) > best_gap + 1e-6:
                    best_gap = 2.0 * (inside[0] - a)
                    best_place = a % total
                if 2.0 * (b - inside[count - 1]) > best_gap + 1e-6:
                    best_gap = 2.0 * (b - inside[count - 1])
                    best_place = b % total
        if best_gap <= MIN_GAP_M:
            break
        chosen[k] = best_place
        k += 1
    return np.sort(chosen[:k])


@kernel
def measured(ring: Array, along: Array, eave: Array, points: Array, snap_m: float) -> Array:
    """Places of measured points, moved to the nearest eave; too far ones are left out.

    Parameters
    ----------
    ring : (m, 2) array
        Vertices [m].
    along : (m + 1,) array
    eave : (m,) bool array
    points : (k, 2) array
        [m]
    snap_m : float
        Farthest distance from the eave [m].

    Returns
    -------
    (n,) array
        Rising, no two within a thousandth of a millimetre [m].
    """
    m = eave.shape[0]
    total = float(along[m])
    out = np.empty(points.shape[0])
    n = 0
    for k in range(points.shape[0]):
        nearest = np.inf
        place = 0.0
        for i in range(m):
            if not eave[i]:
                continue
            j = i + 1 if i + 1 < m else 0
            length = along[i + 1] - along[i]
            ex = (ring[j, 0] - ring[i, 0]) / length
            ey = (ring[j, 1] - ring[i, 1]) / length
            px = points[k, 0] - ring[i, 0]
            py = points[k, 1] - ring[i, 1]
            s = min(max(px * ex + py * ey, 0.0), length)
            distance = math.hypot(px - s * ex, py - s * ey)
            if np.rint(distance * 1e6) < np.rint(nearest * 1e6):
                nearest = distance
                # exactly the vertex: a place beside it would be on the wrong side of a gutter's end
                place = along[i + 1] if length - s < 1e-6 else along[i] + (s if s >= 1e-6 else 0.0)
        if nearest <= snap_m:
            out[n] = place if place < total else 0.0
            n += 1
    found = np.sort(out[:n])
    n = 0
    for k in range(found.shape[0]):
        if n == 0 or found[k] - found[n - 1] > 1e-6:
            found[n] = found[k]
            n += 1
    return found[:n].copy()
