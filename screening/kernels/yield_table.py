"""What a garden keeps, read from a table instead of simulated: innermost functions of everything that asks often.

A table's axes count over the whole catchment, garden and roof together, as the bucket does
(`screening.kernels.bucket`): the coordinates of a garden are its share of the catchment, the logarithm of the rate
times the share, and the depth times the share.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray


@leaf
def located(axis: Array, x: float) -> tuple[int, float]:
    """Interval of a rising axis that holds ``x``, and the weight of its upper end; held to the axis' ends."""
    last = axis.shape[0] - 1
    if last == 0 or x <= axis[0]:
        return 0, 0.0
    if x >= axis[last]:
        return last - 1, 1.0
    low = 0
    high = last
    while high - low > 1:
        middle = (low + high) >> 1
        if axis[middle] <= x:
            low = middle
        else:
            high = middle
    return low, (x - axis[low]) / (axis[low + 1] - axis[low])


@leaf
def located_rate(axis: Array, ln_rate: float) -> tuple[int, float]:
    """As `located`, on an axis of logarithms whose first entry is that of nothing: there the rate itself is weighed."""
    if ln_rate < axis[1]:
        return 0, math.exp(ln_rate - axis[1])
    return located(axis, ln_rate)


@leaf
def kept_at(
    kept_frac: Array,
    loss_axis: Array,
    rate_axis: Array,
    store_axis: Array,
    share_axis: Array,
    soil: int,
    year: int,
    loss_mm: float,
    ln_rate: float,
    depth_mm: float,
    ln_ratio: float,
) -> float:
    """Part of the roof's runoff of a year that a garden keeps.

    Parameters
    ----------
    kept_frac, loss_axis, rate_axis, store_axis, share_axis : array
        Fields of the same names of a `YieldTable`.
    soil, year : int
        Indices into the table.
    loss_mm : float
        Initial loss of the roof [mm].
    ln_rate : float
        ln of the garden's infiltration rate [mm/h]; with Green-Ampt ln of the factor on the conductivity.
    depth_mm : float
        Ponding depth [mm].
    ln_ratio : float
        ln(garden area / roof area); any number, infinities too.

    Notes
    -----
    Multilinear in the table's coordinates. Every ratio, every rate from 0 to one at which nothing spills, and every
    depth from 0 to the deepest that parameters allow lies inside; what lies beyond takes the value at the end: exact
    for rates, a little too low for depths, and for losses what their axis covers is the caller's choice.
    """
    # 1 / (1 + exp(-x)) and its logarithm, of which neither end overflows
    if ln_ratio >= 0.0:
        share = 1.0 / (1.0 + math.exp(-ln_ratio))
        ln_share = -math.log1p(math.exp(-ln_ratio))
    else:
        odds = math.exp(ln_ratio)
        share = odds / (1.0 + odds)
        ln_share = ln_ratio - math.log1p(odds)
    i_l, w_l = located(loss_axis, loss_mm)
    i_s, w_s = located(share_axis, share)
    i_r, w_r = located_rate(rate_axis, ln_rate + ln_share)
    i_d, w_d = located(store_axis, share * depth_mm)
    # an axis of one entry has no upper neighbour
    n_l = 2 if w_l > 0.0 else 1
    n_s = 2 if w_s > 0.0 else 1
    up_r = 1 if w_r > 0.0 else 0
    up_d = 1 if w_d > 0.0 else 0
    out = 0.0
    for a in range(n_l):
        weight_l = w_l if a == 1 else 1.0 - w_l
        for b in range(n_s):
            weight = weight_l * (w_s if b == 1 else 1.0 - w_s)
            v00 = kept_frac[soil, year, i_l + a, i_s + b, i_r, i_d]
            v01 = kept_frac[soil, year, i_l + a, i_s + b, i_r, i_d + up_d]
            v10 = kept_frac[soil, year, i_l + a, i_s + b, i_r + up_r, i_d]
            v11 = kept_frac[soil, year, i_l + a, i_s + b, i_r + up_r, i_d + up_d]
            low = v00 + w_d * (v01 - v00)
            high = v10 + w_d * (v11 - v10)
            out += weight * (low + w_r * (high - low))
    return out


@leaf
def runoff_at(runoff_mm_y: Array, loss_axis: Array, year: int, loss_mm: float) -> float:
    """Runoff of the roof in a year [mm], linear between the losses of the table."""
    i, w = located(loss_axis, loss_mm)
    low = runoff_mm_y[year, i]
    return low if w == 0.0 else low + w * (runoff_mm_y[year, i + 1] - low)


@kernel
def kept_by_gardens(
    kept_frac: Array,
    runoff_mm_y: Array,
    loss_axis: Array,
    rate_axis: Array,
    store_axis: Array,
    share_axis: Array,
    soil: Array,
    loss_mm: float,
    ln_rate: Array,
    depth_mm: Array,
    ln_ratio: Array,
    out: Array,
) -> None:
    """Write the part of the roof's runoff that each garden keeps in the mean year into ``out`` (n,).

    Years count by their runoff; without any runoff a garden keeps all of it, which is nothing.
    """
    n_years = runoff_mm_y.shape[0]
    total = 0.0
    for y in range(n_years):
        total += runoff_at(runoff_mm_y, loss_axis, y, loss_mm)
    for k in range(out.shape[0]):
        kept = 0.0
        for y in range(n_years):
            kept += runoff_at(runoff_mm_y, loss_axis, y, loss_mm) * kept_at(
                kept_frac,
                loss_axis,
                rate_axis,
                store_axis,
                share_axis,
                soil[k],
                y,
                loss_mm,
                ln_rate[k],
                depth_mm[k],
                ln_ratio[k],
            )
        out[k] = kept / total if total > 0.0 else 1.0
