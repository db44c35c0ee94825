"""The rain record through a bucket.

A garden and the roof that it serves are one catchment. All depths are counted over its whole area: ``share`` is the
garden's part of that area, ``store_mm`` the ponding depth times the share, ``soak_mm_h`` the infiltration rate times
the share. So a garden is three numbers, and gardens of any size that agree in the last two differ only in how much of
the rain falls on garden and how much on roof.
"""

from __future__ import annotations

import numpy as np

from screening.kernels.compiled import kernel

Array = np.ndarray

LANES = 64
"""Gardens that go through the record side by side: enough for every vector unit, few enough for the first cache."""


@kernel
def roof_runoff_mm(rain_mm: Array, loss_mm: float, dry_steps: int, frozen: Array) -> Array:
    """Runoff of each step [mm] from a roof that holds back ``loss_mm`` at the start of every storm.

    The store fills before water leaves the roof, and is empty again after ``dry_steps`` steps without
    rain (0: each step is a storm of its own). Where ``frozen`` is True the step gives no runoff and leaves the store as
    it was.
    """
    out = np.zeros(rain_mm.shape[0])
    room = loss_mm
    dry = 0
    for i in range(rain_mm.shape[0]):
        rain = rain_mm[i]
        if rain <= 0.0 or frozen[i]:
            dry += 1
            if dry >= dry_steps:
                room = loss_mm
            continue
        dry = 0
        held = min(room, rain)
        room -= held
        out[i] = rain - held
        if dry_steps < 1:
            # each step with rain is a storm of its own
            room = loss_mm
    return out


@kernel
def yearly_balance(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    share: float,
    store_mm: float,
    soak_mm_h: float,
) -> Array:
    """Balance of one garden in each year, (n_years, 4): inflow, soaked, spilled, left at the end [mm].

    Parameters
    ----------
    rain_mm, runoff_mm, dry_h : (n,) array
        Of each step with rain: rain [mm], runoff of the roof [mm], hours without inflow that follow, in which water
        soaks away [h].
    step_h : float
        Length of a step [h].
    first : (n_years + 1,) int array
        Year ``y`` has the steps ``first[y]`` to ``first[y + 1]``.
    share, store_mm, soak_mm_h : float
        The garden, see the module.

    Notes
    -----
    Within a step the inflow is even, so ``dV/dt = inflow - soaking`` has one sign, and the bucket's answer is that of
    the differential equation: the water rises to the brim and spills from then on, or falls to the bottom and soaks in
    as it comes.
    """
    out = np.zeros((first.shape[0] - 1, 4))
    ponded = 0.0
    for y in range(first.shape[0] - 1):
        for i in range(first[y], first[y + 1]):
            inflow = runoff_mm[i] + share * (rain_mm[i] - runoff_mm[i])
            soaked = min(ponded + inflow, soak_mm_h * step_h)
            ponded += inflow - soaked
            spilled = max(ponded - store_mm, 0.0)
            ponded -= spilled
            later = min(ponded, soak_mm_h * dry_h[i])
            ponded -= later
            out[y, 0] += inflow
            out[y, 1] += soaked + later
            out[y, 2] += spilled
        out[y, 3] = ponded
    return out


@kernel
def spill_of_gardens(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    share: Array,
    store_mm: Array,
    soak_mm_h: Array,
    begin: int,
    end: int,
    spilled_mm: Array,
) -> None:
    """Write what the gardens from ``begin`` to ``end`` spill in each year [mm] into ``spilled_mm`` (n_years, n).

    Parameters
    ----------
    rain_mm, runoff_mm, dry_h, step_h, first
        See `yearly_balance`.
    share, store_mm, soak_mm_h : (n,) array
        The gardens, see the module.

    Notes
    -----
    The same bucket as `yearly_balance`, many gardens side by side: the inner loop has no branch and every lane does the
    same, so that the compiler turns it into vector instructions. A garden's figures do not depend on its neighbours.
    """
    ponded = np.zeros(LANES)
    spilled = np.zeros(LANES)
    brim = np.zeros(LANES)
    soak = np.zeros(LANES)
    part = np.zeros(LANES)
    for block in range(begin, end, LANES):
        used = min(LANES, end - block)
        for j in range(LANES):
            k = block + min(j, used - 1)
            part[j] = share[k]
            brim[j] = store_mm[k]
            soak[j] = soak_mm_h[k]
            ponded[j] = 0.0
        for y in range(first.shape[0] - 1):
            for j in range(LANES):
                spilled[j] = 0.0
            for i in range(first[y], first[y + 1]):
                runoff = runoff_mm[i]
                more = rain_mm[i] - runoff
                dry = dry_h[i]
                for j in range(LANES):
                    level = ponded[j] + runoff + part[j] * more - soak[j] * step_h
                    level = max(0.0, level)
                    kept = min(brim[j], level)
                    spilled[j] += level - kept
                    kept -= soak[j] * dry
                    ponded[j] = max(0.0, kept)
            for j in range(used):
                spilled_mm[y, block + j] = spilled[j]
