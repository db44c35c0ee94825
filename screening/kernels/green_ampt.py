"""Green and Ampt's infiltration with ponded water, step by step, as leaves of the bucket's loop.

The state of the ground under a garden is ``front_mm``, the water that has soaked in since the soil was dry. Everything
is in mm and h over the garden's own area; the equations stand in docs/method/infiltration.md.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray

SMALL = 1e-4
"""Below this u - ln(1 + u) is taken from its series: the plain difference would lose digits."""

EXACT = 60
ROUGH = 1
"""Turns of Newton's method: for what is added up, and for a guess at the water's depth within a step."""

PARTS = 2
"""Parts into which a step with water on the ground is cut."""


@leaf
def solve_growth(c: float, tau: float, turns: int) -> float:
    """Solve ``c u - ln(1 + u) = tau`` for u >= 0, with c >= 1 and tau >= 0, in so many turns at most.

    Notes
    -----
    The left side is convex and rises. Newton's method starts at the lesser of two bounds that are never below the root,
    ``(tau + sqrt(2 tau)) / c`` and ``tau / (c - 1)``, and so falls to the root without overshooting. A turn squares the
    relative error: after one that moves u by less than 1e-6 of itself, 1e-12 of it is left.
    """
    if tau <= 0.0:
        return 0.0
    u = (tau + math.sqrt(2.0 * tau)) / c
    if (c - 1.0) * u > tau:
        u = tau / (c - 1.0)
    for _ in range(turns):
        gap = u - math.log1p(u) if u >= SMALL else u * u * (0.5 - u * (1.0 / 3.0 - u * (0.25 - 0.2 * u)))
        step = ((c - 1.0) * u + gap - tau) / (c - 1.0 + u / (1.0 + u))
        u -= step
        if abs(step) <= 1e-6 * u:
            break
    return u


@leaf
def ponded_mm(
    front_mm: float, head_mm: float, hours: float, suction_mm: float, k_mm_h: float, moisture_deficit: float
) -> float:
    """Depth [mm] that soaks in under a constant head within some hours."""
    return _under_head_mm(front_mm, head_mm, hours, suction_mm, k_mm_h, moisture_deficit, EXACT)


@leaf
def _under_head_mm(
    front_mm: float, head_mm: float, hours: float, suction_mm: float, k_mm_h: float, moisture_deficit: float, turns: int
) -> float:
    """Depth [mm] that soaks in under a constant head, to as many turns of Newton's method."""
    pull = (suction_mm + head_mm) * moisture_deficit
    if pull <= 0.0:
        return k_mm_h * hours
    # F1 - F0 - A ln((F1 + A) / (F0 + A)) = K t, with u = (F1 - F0) / (F0 + A)
    base = front_mm + pull
    return base * solve_growth(base / pull, k_mm_h * hours / pull, turns)


@leaf
def falling_mm(
    front_mm: float, ponded: float, hours: float, suction_mm: float, k_mm_h: float, moisture_deficit: float
) -> float:
    """Depth [mm] that soaks in within some hours of dry weather while the ponded water falls; at most all of it."""
    a = 1.0 - moisture_deficit
    b = moisture_deficit * (suction_mm + ponded + front_mm)
    if b <= 0.0:
        return min(ponded, k_mm_h * hours)
    base = a * front_mm + b
    return min(ponded, base / a * solve_growth(base / b, k_mm_h * hours * a * a / b, EXACT))


@leaf
def hours_to_soak(front_mm: float, ponded: float, suction_mm: float, k_mm_h: float, moisture_deficit: float) -> float:
    """Hours of dry weather until the ponded water is gone."""
    a = 1.0 - moisture_deficit
    b = moisture_deficit * (suction_mm + ponded + front_mm)
    if b <= 0.0:
        return ponded / k_mm_h
    base = a * front_mm + b
    return (ponded / a - b / (a * a) * math.log1p(a * ponded / base)) / k_mm_h


@leaf
def wet_step_mm(
    front_mm: float,
    ponded: float,
    inflow_mm: float,
    depth_mm: float,
    hours: float,
    suction_mm: float,
    k_mm_h: float,
    moisture_deficit: float,
) -> float:
    """Depth [mm] that soaks in within a step in which water comes evenly.

    Parameters
    ----------
    front_mm : float
        Water soaked in since the soil was dry [mm].
    ponded, inflow_mm : float
        Water on the ground when the step begins, and what comes within it [mm].
    depth_mm : float
        Ponding depth at which the garden spills [mm].
    hours : float
        Length of the step [h].
    suction_mm, k_mm_h, moisture_deficit : float
        The soil: suction head [mm], conductivity [mm/h], water taken up by a unit of dry soil.

    Notes
    -----
    Into ground without water on it everything soaks in until the soil has slowed down to the inflow. The rest of the
    step is taken in halves, each under its mean head, for which what soaks in is guessed.
    """
    there = ponded + inflow_mm
    left_h = hours
    at_once = 0.0
    if ponded <= 0.0:
        speed = inflow_mm / hours
        if speed <= k_mm_h:
            return inflow_mm
        at_once = k_mm_h * suction_mm * moisture_deficit / (speed - k_mm_h) - front_mm
        if at_once >= inflow_mm:
            return inflow_mm
        at_once = max(at_once, 0.0)
        left_h = hours - at_once / speed
        if left_h <= 0.0:
            return inflow_mm
    soaked = at_once
    part_h = left_h / PARTS
    coming = (inflow_mm - at_once) / PARTS
    for _ in range(PARTS):
        front = front_mm + soaked
        guess = _under_head_mm(front, ponded, part_h, suction_mm, k_mm_h, moisture_deficit, ROUGH)
        head = _mean_head_mm(ponded, ponded + coming - guess, depth_mm)
        more = min(ponded + coming, ponded_mm(front, head, part_h, suction_mm, k_mm_h, moisture_deficit))
        soaked += more
        ponded = min(ponded + coming - more, depth_mm)
    return min(there, soaked)


@leaf
def _mean_head_mm(start_mm: float, end_mm: float, depth_mm: float) -> float:
    """Mean depth of water [mm] that rises or falls evenly from start toward end, and spills at a depth."""
    if end_mm <= depth_mm:
        return 0.5 * (start_mm + max(end_mm, 0.0))
    if start_mm >= depth_mm:
        return depth_mm
    filling = (depth_mm - start_mm) / (end_mm - start_mm)
    return depth_mm - 0.5 * filling * (depth_mm - start_mm)


@leaf
def recovered_mm(front_mm: float, hours: float, recovery_h: float) -> float:
    """Filling of the soil [mm] that is left after some hours without water on it."""
    return front_mm * math.exp(-hours / recovery_h)


@kernel
def ponded_many(
    front_mm: Array, head_mm: Array, hours: Array, suction_mm: Array, k_mm_h: Array, moisture_deficit: Array
) -> Array:
    """`ponded_mm` of each entry, (n,) arrays."""
    out = np.empty(front_mm.shape[0])
    for i in range(front_mm.shape[0]):
        out[i] = ponded_mm(front_mm[i], head_mm[i], hours[i], suction_mm[i], k_mm_h[i], moisture_deficit[i])
    return out


@kernel
def hours_to_soak_many(
    front_mm: Array, ponded: Array, suction_mm: Array, k_mm_h: Array, moisture_deficit: Array
) -> Array:
    """`hours_to_soak` of each entry, (n,) arrays."""
    out = np.empty(front_mm.shape[0])
    for i in range(front_mm.shape[0]):
        out[i] = hours_to_soak(front_mm[i], ponded[i], suction_mm[i], k_mm_h[i], moisture_deficit[i])
    return out
