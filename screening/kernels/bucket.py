"""The rain record through a bucket of unit garden area."""

from __future__ import annotations

import numpy as np

from screening.kernels.compiled import kernel

Array = np.ndarray


@kernel
def roof_runoff_mm(rain_mm: Array, loss_mm: float, dry_steps: int, frozen: Array) -> Array:
    """Runoff of each step [mm] from a roof that holds back ``loss_mm`` at the start of every storm.

    The store fills before water leaves the roof, and is empty again after ``dry_steps`` steps without
    rain. Where ``frozen`` is True the step gives no runoff and leaves the store as it was.
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
        if dry_steps <= 1:
            # with daily steps each day with rain is a storm of its own
            room = loss_mm
    return out


@kernel
def bucket(inflow_mm: Array, gap_steps: Array, depth_mm: float, rate_mm: float) -> tuple[float, float, float, float]:
    """Totals of one garden [mm over its own area]: inflow, infiltrated, overflowed, still ponded at the end.

    Parameters
    ----------
    inflow_mm : (n,) array
        Inflow of each wet step [mm].
    gap_steps : (n,) array
        Dry steps that follow each wet step.
    depth_mm : float
        Ponding depth at which the garden spills [mm].
    rate_mm : float
        What soaks in over the wetted area in one step [mm].

    Notes
    -----
    Within a step water comes and soaks in evenly: what exceeds the depth at the step's end has spilled.
    """
    ponded = 0.0
    total = 0.0
    soaked = 0.0
    spilled = 0.0
    for i in range(inflow_mm.shape[0]):
        ponded += inflow_mm[i]
        total += inflow_mm[i]
        out = min(ponded, rate_mm)
        ponded -= out
        soaked += out
        if ponded > depth_mm:
            spilled += ponded - depth_mm
            ponded = depth_mm
        if gap_steps[i] > 0 and ponded > 0.0:
            out = min(ponded, rate_mm * gap_steps[i])
            ponded -= out
            soaked += out
    return total, soaked, spilled, ponded
