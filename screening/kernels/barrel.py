"""Barrels between roof and garden: temporary storage that passes on what it cannot hold.

Depths are counted over the whole catchment as in `screening.kernels.bucket`, a barrel's volume too. A barrel takes the
roof's runoff until it is full; what it cannot hold passes by. Some time after water first came in it is emptied, into
the garden or onto a permeable strip of its own, whatever the weather; then it waits for water again. When it is emptied
depends on the rain alone and not on its volume, so that a larger barrel never keeps less.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from screening.kernels.compiled import kernel, leaf

Array = np.ndarray

INFLOW, SOAKED, SPILLED, IN_GARDEN, IN_STRIP, IN_BARREL = range(6)
"""Columns of a balance."""


_IDLE = -1.0


class Place(NamedTuple):
    """A garden, or a permeable strip: its share of the catchment, and storage [mm] and soaking [mm/h] times that share.

    ``share`` counts the rain on it; a place without any is (0, 0, 0).
    """

    share: float
    store_mm: float
    soak_mm_h: float


class Barrel(NamedTuple):
    """A barrel: volume over the catchment [mm], and how it is emptied.

    ``after_h`` is the time since water first came in after which it is emptied [h], ``over_h`` how long a full one
    takes for it [h]; with ``onto_strip`` its water goes onto the strip, else into the garden; with ``spill_first`` a
    step's spill is reckoned before its withdrawal.
    """

    volume_mm: float
    after_h: float
    over_h: float
    onto_strip: bool
    spill_first: bool


@leaf
def barrel_step(
    stored: float, inflow: float, demand: float, volume: float, spill_first: bool
) -> tuple[float, float, float]:
    """One step of a store with a demand: what it yields, what it spills, what stays; any one unit of volume.

    Yield after spillage (``spill_first``) takes the demand from what stood in the store before the step, yield before
    spillage from that and the step's inflow (D. Jenkins et al. 1978; A. Fewkes and D. Butler 2000).
    """
    if spill_first:
        taken = min(demand, stored)
        kept = min(stored + inflow, volume) - taken
    else:
        taken = min(demand, stored + inflow)
        kept = min(stored + inflow - taken, volume)
    return taken, max(stored + inflow - taken - kept, 0.0), kept


@kernel
def store_series(inflow: Array, demand: Array, volume: float, start: float, spill_first: bool, out: Array) -> None:
    """Write what a store yields, spills and keeps in each step into ``out`` (n, 3)."""
    stored = start
    for i in range(inflow.shape[0]):
        taken, spilled, stored = barrel_step(stored, inflow[i], demand[i], volume, spill_first)
        out[i, 0] = taken
        out[i, 1] = spilled
        out[i, 2] = stored


@leaf
def place_step(ponded: float, inflow: float, hours: float, place: Place) -> tuple[float, float, float]:
    """Some hours of even inflow into a place: what soaks away, what spills, what stays [mm].

    The bucket of `screening.kernels.bucket.yearly_balance`.
    """
    soaked = min(ponded + inflow, place.soak_mm_h * hours)
    ponded += inflow - soaked
    spilled = max(ponded - place.store_mm, 0.0)
    return soaked, spilled, ponded - spilled


@kernel
def yearly_balance_with_barrel(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    barrel: Barrel,
    garden: Place,
    strip: Place,
    out: Array,
) -> None:
    """Write the balance of one catchment in each year into ``out`` (n_years, 6) [mm over the catchment].

    Its columns are ``INFLOW`` ... of this module; the last three are what stands in garden, strip and barrel at the
    year's end.

    Parameters
    ----------
    rain_mm, runoff_mm, dry_h, step_h, first
        See `screening.kernels.bucket.yearly_balance`.
    barrel, garden, strip : Barrel, Place, Place
    """
    roof = 1.0 - garden.share - strip.share
    in_garden = 0.0
    in_strip = 0.0
    in_barrel = 0.0
    # hours since water first came, negative while none has since the last emptying
    waited = _IDLE
    # what of a begun emptying is still to come
    to_go = 0.0
    rate = barrel.volume_mm / barrel.over_h
    for y in range(first.shape[0] - 1):
        for k in range(3):
            out[y, k] = 0.0
        for i in range(first[y], first[y + 1]):
            roof_water = roof * runoff_mm[i]
            garden_water = garden.share * rain_mm[i]
            strip_water = strip.share * rain_mm[i]
            out[y, INFLOW] += roof_water + garden_water + strip_water
            if waited >= barrel.after_h:
                to_go = in_barrel
                waited = _IDLE
            if waited >= 0.0:
                waited += step_h
            elif runoff_mm[i] > 0.0:
                waited = 0.0
            demand = min(to_go, rate * step_h)
            released, passed, in_barrel = barrel_step(
                in_barrel, roof_water, demand, barrel.volume_mm, barrel.spill_first
            )
            to_go -= demand
            garden_water += passed
            if barrel.onto_strip:
                strip_water += released
            else:
                garden_water += released
            soaked, spilled, in_garden = place_step(in_garden, garden_water, step_h, garden)
            out[y, SOAKED] += soaked
            out[y, SPILLED] += spilled
            soaked, spilled, in_strip = place_step(in_strip, strip_water, step_h, strip)
            out[y, SOAKED] += soaked
            out[y, SPILLED] += spilled

            # the dry hours that follow: waiting, emptying, soaking away
            left_h = dry_h[i]
            while left_h > 0.0:
                if waited >= barrel.after_h:
                    to_go = in_barrel
                    waited = _IDLE
                hours = left_h
                released = 0.0
                if to_go > 0.0:
                    hours = min(left_h, to_go / rate)
                    released = to_go if hours >= to_go / rate else rate * hours
                    in_barrel = max(in_barrel - released, 0.0)
                    to_go -= released
                elif waited >= 0.0:
                    hours = min(left_h, barrel.after_h - waited)
                into_garden = 0.0 if barrel.onto_strip else released
                soaked, spilled, in_garden = place_step(in_garden, into_garden, hours, garden)
                out[y, SOAKED] += soaked
                out[y, SPILLED] += spilled
                soaked, spilled, in_strip = place_step(in_strip, released - into_garden, hours, strip)
                out[y, SOAKED] += soaked
                out[y, SPILLED] += spilled
                if waited >= 0.0:
                    waited += hours
                left_h -= hours
        out[y, IN_GARDEN] = in_garden
        out[y, IN_STRIP] = in_strip
        out[y, IN_BARREL] = in_barrel


@kernel
def balances_with_barrels(
    rain_mm: Array,
    runoff_mm: Array,
    dry_h: Array,
    step_h: float,
    first: Array,
    barrels: Array,
    gardens: Array,
    strips: Array,
    onto_strip: bool,
    spill_first: bool,
    begin: int,
    end: int,
    out: Array,
) -> None:
    """Write the balances of many catchments, from ``begin`` to ``end``, into ``out`` (n, n_years, 6).

    ``barrels`` (n, 3) has volume, waiting and emptying time, ``gardens`` and ``strips`` (n, 3) the fields of `Place`.
    """
    for k in range(begin, end):
        yearly_balance_with_barrel(
            rain_mm,
            runoff_mm,
            dry_h,
            step_h,
            first,
            Barrel(barrels[k, 0], barrels[k, 1], barrels[k, 2], onto_strip, spill_first),
            Place(gardens[k, 0], gardens[k, 1], gardens[k, 2]),
            Place(strips[k, 0], strips[k, 1], strips[k, 2]),
            out[k],
        )
