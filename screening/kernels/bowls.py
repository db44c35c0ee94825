"""What leaning sides and a berm leave of a garden: the area over which its depth would hold the same water.

A garden of an outline is cut in by the berm all around; inside, the water stands up to the depth between sides that
lean outwards. Its storage over its depth is the *storage area*, which is the outline's own with upright sides and no
berm. `screening.sizing.storage` has the same in numpy.
"""

from __future__ import annotations

import math

from screening.kernels.compiled import leaf


@leaf
def rectangle_storage_m2(length_m: float, width_m: float, depth_m: float, run_per_rise: float, berm_m: float) -> float:
    """Storage area [m2] of a rectangle of an outline.

    The horizontal cut of the water at ``h`` below its surface is ``(l - 2 s h)(w - 2 s h)``; where the sides meet above
    the full depth there is nothing below.
    """
    l = length_m - 2.0 * berm_m  # noqa: E741 - beside w
    w = width_m - 2.0 * berm_m
    if l <= 0.0 or w <= 0.0 or depth_m <= 0.0:
        return 0.0
    h = depth_m
    if run_per_rise * h > 0.5 * min(l, w):
        h = 0.5 * min(l, w) / run_per_rise
    s = run_per_rise
    return h / depth_m * (l * w - s * h * (l + w) + 4.0 / 3.0 * s * s * h * h)


@leaf
def bed_storage_m2(area_m2: float, perimeter_m: float, depth_m: float, run_per_rise: float, berm_m: float) -> float:
    """Storage area [m2] of a bed of free form, from the area and the perimeter of its outline.

    Moved inwards by ``t`` an outline with round corners holds ``A - P t + pi t2`` (J. Steiner's formula); one with
    sharp corners holds a little more.
    """
    # where nothing is left: the smaller root; a disc, the roundest outline, has but one
    root = math.sqrt(max(0.0, perimeter_m * perimeter_m - 4.0 * math.pi * area_m2))
    last = 2.0 * area_m2 / (perimeter_m + root)
    if berm_m >= last or depth_m <= 0.0:
        return 0.0
    top = area_m2 - perimeter_m * berm_m + math.pi * berm_m * berm_m
    rim = perimeter_m - 2.0 * math.pi * berm_m
    h = depth_m
    if run_per_rise * h > last - berm_m:
        h = (last - berm_m) / run_per_rise
    s = run_per_rise
    return h / depth_m * (top - 0.5 * s * h * rim + math.pi / 3.0 * s * s * h * h)


@leaf
def rectangle_outline_m2(storage_m2: float, ratio: float, depth_m: float, run_per_rise: float, berm_m: float) -> float:
    """Area [m2] of the outline of a rectangle that has a storage area; no smaller than one that reaches its depth.

    ``ratio`` is length over width.
    """
    t = run_per_rise * depth_m
    g = math.sqrt(ratio) + 1.0 / math.sqrt(ratio)
    # (a sqrt(ratio) - 2 b)(a / sqrt(ratio) - 2 b) less what the sides take, a quadratic in the root a of the area
    half = 0.5 * (2.0 * berm_m + t) * g
    rest = 4.0 * berm_m * berm_m + 4.0 * berm_m * t + 4.0 / 3.0 * t * t - storage_m2
    a = half + math.sqrt(max(0.0, half * half - rest))
    a = max(a, 2.0 * (berm_m + t) * math.sqrt(ratio))
    return a * a


@leaf
def bed_outline_m2(storage_m2: float, depth_m: float, run_per_rise: float, berm_m: float) -> float:
    """Area [m2] of the outline of a round bed that has a storage area; no smaller than one that reaches its depth."""
    t = run_per_rise * depth_m
    r = 0.5 * t + math.sqrt(max(0.0, storage_m2 / math.pi - t * t / 12.0))
    r = max(r, t) + berm_m
    return math.pi * r * r
