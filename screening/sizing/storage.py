"""What leaning sides and a berm leave of a garden: the area that its depth fills, and the outline it takes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Number = FloatArray | float


def rectangle_storage_m2(
    length_m: Number, width_m: Number, depth_m: Number, *, run_per_rise: float, berm_m: float
) -> FloatArray:
    """Storage over depth of rectangular gardens [m2]: the wetted area that the water balance takes.

    Parameters
    ----------
    length_m, width_m : float or (n,) array
        Sides of the outline [m].
    depth_m : float or (n,) array
        Ponding depth [m].
    run_per_rise : float
        Lean of the sides: horizontal per vertical metre; 0: upright.
    berm_m : float
        Width that berm and cut take along the whole rim [m].

    Notes
    -----
    The frustum's volume is ``l w d - s d^2 (l + w) + 4/3 s^2 d^3`` with the sides inside the berm. Where the sides meet
    above the full depth the volume ends there. It is divided by the full depth: area times depth is the storage.
    """
    long = np.maximum(np.asarray(length_m, dtype=float) - 2.0 * berm_m, 0.0)
    wide = np.maximum(np.asarray(width_m, dtype=float) - 2.0 * berm_m, 0.0)
    depth = np.asarray(depth_m, dtype=float)
    down = _water_depth(depth, 0.5 * np.minimum(long, wide), run_per_rise)
    mean = long * wide - run_per_rise * down * (long + wide) + 4.0 / 3.0 * (run_per_rise * down) ** 2
    return _over_depth(down * mean, depth)


def bed_storage_m2(
    area_m2: Number, perimeter_m: Number, depth_m: Number, *, run_per_rise: float, berm_m: float
) -> FloatArray:
    """Storage over depth of beds of free form [m2], from area and perimeter of their outlines.

    Parameters
    ----------
    area_m2, perimeter_m : float or (n,) array
        Of the outline [m2], [m].
    depth_m, run_per_rise, berm_m
        As in `rectangle_storage_m2`.

    Notes
    -----
    An outline whose outward corners are round, as the least width makes those of beds, holds ``A - P t + pi t^2`` when
    it is moved inwards by ``t`` (J. Steiner's formula), as long as it does not fall apart. With sharp corners it holds
    more, so that the figure errs on the small side. Outlines have no holes.
    """
    area, rim = np.asarray(area_m2, dtype=float), np.asarray(perimeter_m, dtype=float)
    depth = np.asarray(depth_m, dtype=float)
    nothing_left = 2.0 * area / (rim + np.sqrt(np.maximum(0.0, rim**2 - 4.0 * np.pi * area)))
    top = np.where(berm_m < nothing_left, area - rim * berm_m + np.pi * berm_m**2, 0.0)
    edge = np.where(berm_m < nothing_left, rim - 2.0 * np.pi * berm_m, 0.0)
    down = _water_depth(depth, np.maximum(0.0, nothing_left - berm_m), run_per_rise)
    mean = top - 0.5 * run_per_rise * down * edge + np.pi / 3.0 * (run_per_rise * down) ** 2
    return _over_depth(down * mean, depth)


def _water_depth(depth_m: FloatArray, room_m: FloatArray, run_per_rise: float) -> FloatArray:
    """The depth, or less where sides that lean by a run per rise take all the room before."""
    depth, room = np.broadcast_arrays(depth_m, room_m)
    return np.asarray(np.divide(room, run_per_rise, out=depth.copy(), where=run_per_rise * depth > room))


def _over_depth(volume_m3: FloatArray, depth_m: FloatArray) -> FloatArray:
    """A volume over a depth; 0 where the depth is 0."""
    volume, depth = np.broadcast_arrays(volume_m3, depth_m)
    return np.asarray(np.divide(volume, depth, out=np.zeros(depth.shape), where=depth > 0.0))
