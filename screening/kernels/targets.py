"""What area a garden should have, and which downspouts two gardens share; `screening.sizing` has the same in numpy."""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray

_TWO_PI = 2.0 * math.pi


@leaf
def wanted_area(
    near_roof_m2: float,
    far_roof_m2: float,
    lawn_run_m: float,
    per_roof: float,
    far_factor: float,
    fixed_m2: float,
    side_ratio: float,
) -> float:
    """Garden area [m2] that the sizing method asks for; see `screening.sizing.handbook.handbook_area_m2`.

    ``near_roof_m2`` and ``far_roof_m2`` are the roofs of the served downspouts within and beyond the method's limit,
    ``lawn_run_m`` the shortest of their runs [m].
    """
    wanted = per_roof * near_roof_m2 + far_factor * far_roof_m2
    if far_roof_m2 > 0.0:
        half = 0.5 * far_factor * lawn_run_m * math.sqrt(side_ratio)
        root = half + math.sqrt(half * half + wanted)
        wanted = root * root
    return max(wanted, fixed_m2)


@leaf
def most_wanted_area(
    roof_m2: float, longest_run_m: float, per_roof: float, far_factor: float, fixed_m2: float, side_ratio: float
) -> float:
    """An area [m2] that no share of near and far downspouts of a roof asks to exceed."""
    half = 0.5 * far_factor * longest_run_m * math.sqrt(side_ratio)
    root = half + math.sqrt(half * half + max(per_roof, far_factor) * roof_m2)
    return max(root * root, fixed_m2)


@kernel
def around_the_middle(xy_m: Array) -> Array:
    """Order of points (n, 2) by their direction from the middle of all, counter-clockwise, the first point first."""
    n = xy_m.shape[0]
    x = 0.0
    y = 0.0
    for i in range(n):
        x += xy_m[i, 0] / n
        y += xy_m[i, 1] / n
    start = math.atan2(xy_m[0, 1] - y, xy_m[0, 0] - x)
    turned = np.empty(n)
    order = np.empty(n, dtype=np.int64)
    for i in range(n):
        angle = (math.atan2(xy_m[i, 1] - y, xy_m[i, 0] - x) - start) % _TWO_PI
        # a hair of grace: whoever stands in the first one's direction comes after it
        if angle < 1e-9 or angle > _TWO_PI - 1e-9:
            angle = 0.0
        k = i
        while k > 0 and turned[k - 1] > angle + 1e-9:
            turned[k] = turned[k - 1]
            order[k] = order[k - 1]
            k -= 1
        turned[k] = angle
        order[k] = i
    return order


@kernel
def split_downspouts(target_m2: float, most_m2: float, roof_m2: Array, xy_m: Array) -> Array:
    """Which downspouts (n,) go to the first of two gardens; all of them where one garden will do.

    See `screening.sizing.split.split_target`.
    """
    n = roof_m2.shape[0]
    first = np.ones(n, dtype=np.bool_)
    total = 0.0
    for i in range(n):
        total += roof_m2[i]
    if target_m2 <= most_m2 or n < 2 or total <= 0.0:
        return first
    order = around_the_middle(xy_m)
    best_unmet = np.inf
    best_apart = np.inf
    best_start = 0
    best_count = 1
    best_share = 0.0
    for start in range(n):
        roof = 0.0
        for count in range(1, n):
            roof += roof_m2[order[(start + count - 1) % n]]
            one = target_m2 * roof / total
            other = target_m2 - one
            unmet = max(0.0, one - most_m2) + max(0.0, other - most_m2)
            apart = abs(one - other)
            if unmet < best_unmet - 1e-9 or (unmet <= best_unmet + 1e-9 and apart < best_apart - 1e-9):
                best_unmet = unmet
                best_apart = apart
                best_start = start
                best_count = count
                best_share = roof / total
    first[:] = False
    for k in range(best_count):
        first[order[(best_start + k) % n]] = True
    if best_share < 0.5 - 1e-12 or (best_share <= 0.5 + 1e-12 and not first[0]):
        for i in range(n):
            first[i] = not first[i]
    return first
