"""The rain record through a bucket on soil that takes in water by Green and Ampt.

Counted over the whole catchment as in `screening.kernels.bucket`: suction head and conductivity are multiplied by the
garden's share too, for the equations keep their form when every depth is.

Two ways to the same figures. `yearly_balance_wetting` follows one garden with the solved equations of
`screening.kernels.green_ampt`. `spill_of_wetting_gardens` follows many at once with formulas that need square roots
only: no logarithm, no iteration, no branch that differs between gardens.
"""

from __future__ import annotations

import numpy as np

from screening.kernels.bucket import LANES
from screening.kernels.compiled import kernel, leaf
from screening.kernels.green_ampt import falling_mm, hours_to_soak, recovered_mm, wet_step_mm

Array = np.ndarray

NOTHING = 1e-30
"""Keeps nothing over nothing from being no number."""


@leaf
def less_log(u: float) -> float:
    """``u - ln(1 + u)`` for u >= 0, without a logarithm and without the difference of two nearly equal numbers.

    Notes
    -----
    For the logarithm stands its (2, 2) Pade fraction ``u (6 + 3 u) / (6 + 6 u + u^2)``: off by 0.1 % at u = 1 and 1.6 %
    at u = 3.
    """
    return u * u * (3.0 + u) / (6.0 + u * (6.0 + u))


@leaf
def growth_mm(front_mm: float, pull_mm: float, supply_mm: float) -> float:
    """Solve ``D - A ln(1 + D / (F + A)) = S`` for D, with front F, pull A and ``S = K t``, without a logarithm.

    Notes
    -----
    The implicit midpoint rule, ``D = S (1 + 2 A / (2 F + D))``, gives a first value, one step of Newton's method
    betters it.
    """
    half = front_mm + 0.5 * supply_mm
    grown = half + np.sqrt(half * half + 2.0 * supply_mm * pull_mm) - 2.0 * front_mm
    base = front_mm + pull_mm + NOTHING
    gap = grown * (1.0 - pull_mm / base) + pull_mm * less_log(grown / base)
    return grown - (gap - supply_mm) * (base + grown) / (front_mm + grown + NOTHING)


@kernel
def yearly_balance_wetting(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    share: float,
    store_mm: float,
    k_mm_h: float,
    suction_mm: float,
    moisture_deficit: float,
    recovery_h: float,
) -> Array:
    """Balance of one garden in each year, (n_years, 4): inflow, soaked, spilled, left at the end [mm].

    Parameters
    ----------
    rain_mm, runoff_mm, dry_h, step_h, first, share, store_mm
        See `screening.kernels.bucket.yearly_balance`.
    k_mm_h, suction_mm : float
        Conductivity [mm/h] and suction head [mm], each times the share.
    moisture_deficit : float
        Water that a unit of dry soil takes up.
    recovery_h : float
        Time without ponding in which the soil's filling fades to 37 % [h].
    """
    out = np.zeros((first.shape[0] - 1, 4))
    ponded = 0.0
    front = 0.0
    for y in range(first.shape[0] - 1):
        for i in range(first[y], first[y + 1]):
            inflow = runoff_mm[i] + share * (rain_mm[i] - runoff_mm[i])
            soaked = wet_step_mm(front, ponded, inflow, store_mm, step_h, suction_mm, k_mm_h, moisture_deficit)
            front += soaked
            ponded = max(ponded + inflow - soaked, 0.0)
            spilled = max(ponded - store_mm, 0.0)
            ponded -= spilled
            out[y, 0] += inflow
            out[y, 1] += soaked
            out[y, 2] += spilled
            left_h = dry_h[i]
            if ponded > 0.0 and left_h > 0.0:
                needed_h = hours_to_soak(front, ponded, suction_mm, k_mm_h, moisture_deficit)
                later = ponded
                if needed_h > left_h:
                    later = falling_mm(front, ponded, left_h, suction_mm, k_mm_h, moisture_deficit)
                front += later
                ponded -= later
                out[y, 1] += later
                left_h = max(left_h - needed_h, 0.0)
            if left_h > 0.0:
                front = recovered_mm(front, left_h, recovery_h)
        out[y, 3] = ponded
    return out


@kernel
def spill_of_wetting_gardens(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    share: Array,
    store_mm: Array,
    k_mm_h: Array,
    suction_mm: Array,
    moisture_deficit: float,
    recovery_h: float,
    begin: int,
    end: int,
    spilled_mm: Array,
) -> None:
    """Write what the gardens from ``begin`` to ``end`` spill in each year [mm] into ``spilled_mm`` (n_years, n).

    Parameters
    ----------
    rain_mm, runoff_mm, dry_h, step_h, first
        See `screening.kernels.bucket.yearly_balance`.
    share, store_mm, k_mm_h, suction_mm : (n,) array
        The gardens; conductivity [mm/h] and suction head [mm] each times the share.
    moisture_deficit, recovery_h : float
        See `yearly_balance_wetting`.

    Notes
    -----
    Within a wet step ``dF/dt = K (1 + (suction + head) deficit / F)`` under the mean head, see `growth_mm`. While
    ponded water falls, ``dF/dt = K (a F + b) / F`` with ``a = 1 - deficit``, ``b = deficit (suction + ponded + F0)``:
    the same equation with other letters. The soil's recovery, an exponential, is a (2, 2) Pade fraction of a sixteenth
    of its argument, to the sixteenth power. Agrees with `yearly_balance_wetting` to 0.2 % of the inflow.
    """
    ponded = np.zeros(LANES)
    front = np.zeros(LANES)
    spilled = np.zeros(LANES)
    brim = np.zeros(LANES)
    k = np.zeros(LANES)
    suction = np.zeros(LANES)
    part = np.zeros(LANES)
    a = 1.0 - moisture_deficit
    for block in range(begin, end, LANES):
        used = min(LANES, end - block)
        for j in range(LANES):
            g = block + min(j, used - 1)
            part[j] = share[g]
            brim[j] = store_mm[g]
            # a soil that takes in nothing would divide by it
            k[j] = max(k_mm_h[g], 1e-12)
            suction[j] = suction_mm[g]
            ponded[j] = 0.0
            front[j] = 0.0
        for y in range(first.shape[0] - 1):
            for j in range(LANES):
                spilled[j] = 0.0
            for i in range(first[y], first[y + 1]):
                runoff = runoff_mm[i]
                more = rain_mm[i] - runoff
                for j in range(LANES):
                    inflow = runoff + part[j] * more
                    there = ponded[j] + inflow
                    # on ground without water all soaks in until the soil has slowed down to the inflow
                    over = inflow - k[j] * step_h
                    over = max(1e-09, over)
                    before = k[j] * step_h * suction[j] * moisture_deficit / over - front[j]
                    before = max(0.0, before)
                    before = min(inflow, before)
                    before = before if ponded[j] <= 0.0 else 0.0
                    supply = k[j] * step_h * (1.0 - before / (inflow + NOTHING))
                    filled = front[j] + before
                    # under the head at its start, then under the mean of the heads at start and end
                    half = filled + 0.5 * supply
                    pull = moisture_deficit * (suction[j] + ponded[j])
                    soaked = half + np.sqrt(half * half + 2.0 * supply * pull) - 2.0 * filled
                    end_mm = there - before - soaked
                    end_mm = max(0.0, end_mm)
                    # mean head of water that rises or falls evenly and spills at the brim
                    room = brim[j] - ponded[j]
                    rise = end_mm - ponded[j]
                    rise = max(room, rise)
                    full = brim[j] - 0.5 * room * room / (rise + NOTHING)
                    head = 0.5 * (ponded[j] + end_mm) if end_mm <= brim[j] else full
                    pull = moisture_deficit * (suction[j] + head)
                    soaked = before + growth_mm(filled, pull, supply)
                    soaked = min(there, soaked)
                    level = there - soaked
                    kept = min(brim[j], level)
                    spilled[j] += level - kept
                    ponded[j] = kept
                    front[j] += soaked
                dry = dry_h[i]
                if dry <= 0.0:
                    continue
                for j in range(LANES):
                    # while the ponded water falls: A = b / a, S = a K t
                    pull = moisture_deficit * (suction[j] + ponded[j] + front[j]) / a
                    base = front[j] + pull + NOTHING
                    gap = ponded[j] * (1.0 - pull / base) + pull * less_log(ponded[j] / base)
                    needed = gap / (a * k[j])
                    later = growth_mm(front[j], pull, a * k[j] * dry)
                    later = later if needed > dry else ponded[j]
                    later = min(ponded[j], later)
                    ponded[j] -= later
                    z = (dry - needed) / (16.0 * recovery_h)
                    z = max(0.0, z)
                    z = min(2.0, z)
                    fade = (12.0 - 6.0 * z + z * z) / (12.0 + 6.0 * z + z * z)
                    fade *= fade
                    fade *= fade
                    fade *= fade
                    fade *= fade
                    filled = (front[j] + later) * fade
                    # numbers next to nothing would slow down the arithmetic
                    front[j] = filled if filled > 1e-12 else 0.0
            for j in range(used):
                spilled_mm[y, block + j] = spilled[j]
