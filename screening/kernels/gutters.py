"""The gutters of a roof, and the stretch of gutter that leads to each downspout.

Places are distances [m] along the ring of the outline from vertex 0, counter-clockwise.
"""

from __future__ import annotations

import numpy as np

from screening.kernels.compiled import kernel

Array = np.ndarray

SAME_PLACE_M = 1e-6


@kernel
def gutters(eave: Array) -> Array:
    """Runs of edges with a gutter, each as first edge and number of edges; one whole ring where all have.

    Parameters
    ----------
    eave : (m,) bool array

    Returns
    -------
    (g, 2) int array
    """
    m = eave.shape[0]
    out = np.empty((m, 2), dtype=np.int64)
    n = 0
    if eave.all():
        out[0, 0] = 0
        out[0, 1] = m
        return out[:1].copy()
    for i in range(m):
        if eave[i] and not eave[i - 1]:
            count = 1
            while eave[(i + count) % m]:
                count += 1
            out[n, 0] = i
            out[n, 1] = count
            n += 1
    return out[:n].copy()


@kernel
def gutter_length(along: Array, start: int, count: int) -> float:
    """Length [m] of the gutter of ``count`` edges from edge ``start``."""
    m = along.shape[0] - 1
    end = start + count
    return along[end] - along[start] if end <= m else along[m] - along[start] + along[end - m]


@kernel
def stretches(spouts: Array, along: Array, eave: Array) -> tuple[Array, Array]:
    """Stretches of gutter and the downspout of each: the nearest along the gutter.

    Parameters
    ----------
    spouts : (n,) array
        Places of the downspouts along the ring, rising [m].
    along : (m + 1,) array
    eave : (m,) bool array

    Returns
    -------
    stretch : (k, 2) array
        Start within the ring and end, which may lie past the ring's length [m].
    owner : (k,) int array

    Notes
    -----
    An eave whose gutter has no downspout of its own leads its water to the nearest along the ring.
    """
    n = spouts.shape[0]
    m = eave.shape[0]
    total = along[m]
    border = np.empty(n)
    for k in range(n):
        border[k] = 0.5 * (spouts[k] + (spouts[k + 1] if k + 1 < n else spouts[0] + total))
    runs = gutters(eave)
    stretch = np.empty(((n + 1) * runs.shape[0], 2))
    owner = np.empty((n + 1) * runs.shape[0], dtype=np.int64)
    count = 0
    if runs.shape[0] == 1 and runs[0, 1] == m:
        for k in range(n):
            stretch[count, 0] = border[k - 1] if k > 0 else border[n - 1] - total
            stretch[count, 1] = border[k]
            owner[count] = k
            count += 1
    else:
        marks = np.empty(n)
        cuts = np.empty(n)
        for r in range(runs.shape[0]):
            a = along[runs[r, 0]]
            length = gutter_length(along, runs[r, 0], runs[r, 1])
            # water goes to a downspout on the gutter if there is one
            on_it = 0
            for k in range(n):
                marks[k] = (spouts[k] - a) % total
                if marks[k] > total - SAME_PLACE_M:
                    marks[k] = 0.0
                if marks[k] > length + SAME_PLACE_M:
                    marks[k] = np.inf
                else:
                    on_it += 1
            order = np.argsort(marks, kind="mergesort")
            n_cuts = 0
            if on_it:
                for q in range(on_it - 1):
                    cuts[n_cuts] = 0.5 * (marks[order[q]] + marks[order[q + 1]])
                    n_cuts += 1
            else:
                for k in range(n):
                    cut = (border[k] - a) % total
                    if 1e-9 < cut < length - 1e-9:
                        cuts[n_cuts] = cut
                        n_cuts += 1
                cuts[:n_cuts].sort()
            for q in range(n_cuts + 1):
                lo = cuts[q - 1] if q > 0 else 0.0
                hi = cuts[q] if q < n_cuts else length
                nearest = order[q]
                if not on_it:
                    middle = (a + 0.5 * (lo + hi)) % total
                    least = np.inf
                    for k in range(n):
                        gap = abs(spouts[k] - middle)
                        gap = np.rint(min(gap, total - gap) * 1e9)
                        if gap < least:
                            least = gap
                            nearest = k
                stretch[count, 0] = a + lo
                stretch[count, 1] = a + hi
                owner[count] = nearest
                count += 1
    kept = 0
    for k in range(count):
        if stretch[k, 1] - stretch[k, 0] > 1e-9:
            turn = total if stretch[k, 0] < 0.0 else (-total if stretch[k, 0] >= total else 0.0)
            stretch[kept, 0] = stretch[k, 0] + turn
            stretch[kept, 1] = stretch[k, 1] + turn
            owner[kept] = owner[k]
            kept += 1
    return stretch[:kept].copy(), owner[:kept].copy()
