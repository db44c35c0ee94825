"""A target too large for one garden: which downspouts go to which of two."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class Split(NamedTuple):
    """Two gardens instead of one.

    Attributes
    ----------
    first : (n,) bool array
        Downspouts of the first garden; the second has the others.
    target_m2 : (2,) array
        Area asked for of each garden [m2]; 0 for a second that is not needed.
    roof_share : (2,) array
        Part of the roof that each takes.
    """

    first: npt.NDArray[np.bool_]
    target_m2: FloatArray
    roof_share: FloatArray


def split_target(target_m2: float, most_m2: float, roof_m2: FloatArray, xy_m: FloatArray) -> Split:
    """Split a target over two gardens where it is larger than one may be.

    Parameters
    ----------
    target_m2 : float
        Area asked for of one garden for all the downspouts [m2].
    most_m2 : float
        Largest garden [m2].
    roof_m2 : (n,) array
        Roof of each downspout in question [m2].
    xy_m : (n, 2) array
        Their places [m].

    Returns
    -------
    Split

    Notes
    -----
    A downspout leads to one garden, so the roof can only be parted between downspouts, and each garden gets neighbours:
    an arc of the downspouts in the order of their directions from their middle. Of all arcs, the one wins that leaves
    least of the target unmet (targets are in proportion to the roof, and none is met beyond the largest garden), then
    the one whose two roofs differ least, then the first in the order of directions from the downspout listed first. The
    first garden has the larger roof; of equal ones that of the downspout listed first.
    """
    roof = np.asarray(roof_m2, dtype=float)
    n, total = len(roof), float(roof.sum())
    everything = np.ones(n, dtype=bool)
    if target_m2 <= most_m2 or n < 2 or total <= 0.0:
        return Split(everything, np.array([min(target_m2, most_m2), 0.0]), np.array([1.0, 0.0]))
    order = around_the_middle(xy_m)
    best = (np.inf, np.inf)
    picked = everything
    for start in range(n):
        for count in range(1, n):
            arc = np.zeros(n, dtype=bool)
            arc[order[(start + np.arange(count)) % n]] = True
            one = target_m2 * float(roof[arc].sum()) / total
            other = target_m2 - one
            unmet = max(0.0, one - most_m2) + max(0.0, other - most_m2)
            rank = (unmet, abs(one - other))
            if rank[0] < best[0] - 1e-9 or (rank[0] <= best[0] + 1e-9 and rank[1] < best[1] - 1e-9):
                best, picked = rank, arc
    share = float(roof[picked].sum()) / total
    if share < 0.5 - 1e-12 or (share <= 0.5 + 1e-12 and not picked[0]):
        picked, share = ~picked, 1.0 - share
    shares = np.array([share, 1.0 - share])
    return Split(picked, np.minimum(target_m2 * shares, most_m2), shares)


def around_the_middle(xy_m: FloatArray) -> npt.NDArray[np.int64]:
    """Order of points by their direction from the middle of all, counter-clockwise, the first point first.

    Parameters
    ----------
    xy_m : (n, 2) array
        Places [m].
    """
    away = xy_m - xy_m.mean(axis=0)
    angle = np.arctan2(away[:, 1], away[:, 0])
    # a hair of grace: whoever stands in the first one's direction comes after it
    turned = (angle - angle[0]) % (2.0 * np.pi)
    turned[(turned < 1e-9) | (turned > 2.0 * np.pi - 1e-9)] = 0.0
    return np.argsort(np.round(turned, 9), kind="stable").astype(np.int64)
