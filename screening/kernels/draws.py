"""Draws of what is not known: the volume of each home in every draw, its spread, and the sums of all homes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from screening.kernels.compiled import inlined, kernel, leaf
from screening.kernels.points import N_BINS, N_CELLS, explained, three_points

Array = np.ndarray

Z_REACH = 4.0
Z_PER_UNIT = 64.0
N_Z = 513
"""What a cause is worth is tabled over the standard normal from -4 to 4 in steps of 1/64; the nearest entry counts."""

SOIL = 0
ROOF_SHARE = 1
ROOF_FORM = 2
INITIAL_LOSS = 3
CONNECTION = 4
RAIN_YEAR = 5
N_CAUSES = 6
"""The causes in the order of every array over them; the rain year is the only one that no home has for itself."""

N_OWN = 5

VOLUME_UNITS = float(2**24)
"""Sums are kept in whole 2**-24 m3: whole numbers add up to the same in any order and on any number of threads."""

STRIP = 16
"""Volumes go to their draws in strips of so many homes, a cache line of each draw at a time."""

_MASK32 = np.uint64(0xFFFFFFFF)
_STEP = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)


class Axis(NamedTuple):
    """An axis of the yield table with a directory of its intervals.

    Attributes
    ----------
    at : (n,) array
        Values, rising; two at least.
    inverse : (n - 1,) array
        One over the length of each interval.
    cell : (m,) int64 array
        The axis in ``m`` equal cells: interval that holds the lower end of each.
    origin, per_cell : float
        Cell of ``x`` is ``(x - origin) * per_cell``.
    """

    at: Array
    inverse: Array
    cell: Array
    origin: float
    per_cell: float


class Table(NamedTuple):
    """The yield table as the draws read it.

    Attributes
    ----------
    kept_frac : (n_soils * n_years * n_losses * n_shares * n_rates * n_stores,) array
        Part of the roof's runoff of each year that a garden keeps.
    strides : (5,) uint64 array
        Entries of `kept_frac` from one soil, year, loss, share and rate to the next.
    share : Axis
        Garden over garden and roof.
    rate : Axis
        ln of the share of the infiltration rate [mm/h], without the first entry of the table's own axis, which is
        that of nothing.
    store : Axis
        Share of the ponding depth [mm].
    loss : (N_Z,) int64 array
        Interval of the initial loss for each entry of the tabled normal,
    loss_weight : (N_Z,) array
        and the weight of its upper end.
    runoff_mm_y : (n_years, N_Z) array
        Runoff of the roof for each of these losses.
    """

    kept_frac: Array
    strides: Array
    share: Axis
    rate: Axis
    store: Axis
    loss: Array
    loss_weight: Array
    runoff_mm_y: Array


class Causes(NamedTuple):
    """What all homes share: the draws, and how each cause turns a standard normal into its value.

    Attributes
    ----------
    normal : (n_draws,) array
        Standard normal at the middle of each of ``n_draws`` classes of equal chance, rising.
    own_class : (N_OWN, n_draws) int32 array
        Point set of the homes' own parts: the class of each point in each cause.
    shared : (N_OWN, n_draws) array
        Shared part of each cause, already times its weight; for the soil that of the whole city.
    own_weight : (N_OWN,) array
        Weight of a home's own part; the squares of all weights of a cause sum to 1.
    soil_class_part : (n_classes, n_draws) array
        Part of the soil that the gardens on one class share, already times its weight.
    soil_class_spread : (n_classes,) array
        Standard deviation of ln(rate) on each class.
    year : (n_draws,) int64 array
        Year of the table that each draw takes.
    year_bin : (n_draws,) int64 array
        Class of that year, below ``N_BINS``.
    year_factor : (n_draws,) array
        Factor on the year's volume; 1 but where years have to be made up.
    z_bin : (N_Z,) int64 array
        Class of equal chance of each point of the tabled normal.
    gable_below_z : float
        A home of unknown roof form is a gable where its normal lies below.
    ln_connection : (N_Z,) array
        ln of the connected part over the normal.
    """

    normal: Array
    own_class: Array
    shared: Array
    own_weight: Array
    soil_class_part: Array
    soil_class_spread: Array
    year: Array
    year_bin: Array
    year_factor: Array
    z_bin: Array
    gable_below_z: float
    ln_connection: Array


class HomeArrays(NamedTuple):
    """Homes and, home by home, their gardens.

    Attributes
    ----------
    key : (n,) uint64 array
        Hash of the identifier: the source of the home's own draws.
    roof_share_spread : (n,) array
        Standard deviation of ln(served roof).
    ln_most_share : (n, 2) array
        ln of the factor at which the gardens serve the whole roof, under the main form and under a gable.
    group : (n_groupings, n) int64 array
        Row of each home's sum in each grouping; -1: in none.
    first : (n + 1,) int64 array
        Home ``h`` has the gardens ``first[h]`` to ``first[h + 1]``.
    area_m2, depth_mm : (g,) array
    roof_m2 : (g, 2) array
        Served roof under the main form and under a gable.
    soil : (g,) int64 array
        Soil class.
    table_soil : (g,) int64 array
        Soil of the yield table.
    ln_rate : (g,) array
        ln of the likely rate [mm/h]; with Green-Ampt ln of the factor on the conductivity.
    """

    key: Array
    roof_share_spread: Array
    ln_most_share: Array
    group: Array
    first: Array
    area_m2: Array
    depth_mm: Array
    roof_m2: Array
    soil: Array
    table_soil: Array
    ln_rate: Array


@inlined
def located(axis: Axis, x: float) -> tuple[int, float]:
    """Interval of an axis that holds ``x`` and the weight of its upper end, held to the ends."""
    c = min(max((x - axis.origin) * axis.per_cell, 0.0), axis.cell.shape[0] - 1.0)
    i = axis.cell[int(c)]
    while i < axis.inverse.shape[0] - 1 and x >= axis.at[i + 1]:
        i += 1
    return i, min(max((x - axis.at[i]) * axis.inverse[i], 0.0), 1.0)


@inlined
def at_z(z: float) -> int:
    """Entry of the tabled normal nearest to ``z``."""
    return int(min(max((z + Z_REACH) * Z_PER_UNIT + 0.5, 0.0), N_Z - 1.0))


@inlined
def face(kept: Array, at: np.uint64, rate_step: np.uint64, w_rate: float, w_store: float) -> float:
    """Value between four neighbours in rate and store, from the lowest of them."""
    low = kept[at]
    low += w_store * (kept[at + np.uint64(1)] - low)
    up = at + rate_step
    high = kept[up]
    high += w_store * (kept[up + np.uint64(1)] - high)
    return low + w_rate * (high - low)


@inlined
def kept_of(
    table: Table, soil: int, year: int, i_loss: int, w_loss: float, ln_rate: float, share: float, depth_mm: float
) -> float:
    """Part of the roof's runoff that a garden keeps: `screening.kernels.yield_table.kept_at` for one who asks often.

    Notes
    -----
    Intervals are looked up instead of searched, and the table is one flat array: unsigned places in it need no check
    for negative ones.
    """
    i_share, w_share = located(table.share, share)
    x = ln_rate + math.log(share)
    if x < table.rate.at[0]:
        # between nothing and the first rate the rate itself is weighed
        i_rate = 0
        w_rate = math.exp(x - table.rate.at[0])
    else:
        i_rate, w_rate = located(table.rate, x)
        i_rate += 1
    i_store, w_store = located(table.store, share * depth_mm)
    strides = table.strides
    at = (
        np.uint64(soil) * strides[0]
        + np.uint64(year) * strides[1]
        + np.uint64(i_loss) * strides[2]
        + np.uint64(i_share) * strides[3]
        + np.uint64(i_rate) * strides[4]
        + np.uint64(i_store)
    )
    kept = table.kept_frac
    out = face(kept, at, strides[4], w_rate, w_store)
    out += w_share * (face(kept, at + strides[3], strides[4], w_rate, w_store) - out)
    if w_loss > 0.0:
        at += strides[2]
        high = face(kept, at, strides[4], w_rate, w_store)
        high += w_share * (face(kept, at + strides[3], strides[4], w_rate, w_store) - high)
        out += w_loss * (high - out)
    return out


@leaf
def mixed(state: np.uint64) -> np.uint64:
    """The state, well mixed: the finaliser of the SplitMix64 generator (Steele, Lea, Flood 2014; from memory)."""
    z = (state ^ (state >> np.uint64(30))) * _MIX_1
    z = (z ^ (z >> np.uint64(27))) * _MIX_2
    return z ^ (z >> np.uint64(31))


@leaf
def shuffle(key: np.uint64, order: Array) -> np.uint64:
    """Put ``order`` into the random order that belongs to the key; return the generator's state.

    Notes
    -----
    Fisher and Yates's shuffle; ``(32 random bits * (i + 1)) >> 32`` prefers no place by more than i / 2**32.
    """
    state = key
    for i in range(order.shape[0]):
        order[i] = i
    for i in range(order.shape[0] - 1, 0, -1):
        state += _STEP
        r = ((mixed(state) & _MASK32) * np.uint64(i + 1)) >> np.uint64(32)
        j = np.int64(r)
        other = order[j]
        order[j] = order[i]
        order[i] = other
    return state


@leaf
def own_parts(key: np.uint64, causes: Causes, order: Array, z: Array) -> None:
    """Write the standard normal of each cause of one home, shared and own part together, into ``z`` (N_OWN, n_draws).

    Notes
    -----
    The home walks through one low-discrepancy point set in an order of its own, and the digits of each coordinate are
    shifted by a number of its own: its points fill the unit cube as evenly as the set does, and two homes agree as
    little as two random samples do.
    """
    n = order.shape[0]
    state = shuffle(key, order)
    for k in range(N_OWN):
        state += _STEP
        shift = np.int64(mixed(state) & np.uint64(n - 1))
        weight = causes.own_weight[k]
        for d in range(n):
            z[k, d] = causes.shared[k, d] + weight * causes.normal[causes.own_class[k, order[d]] ^ shift]


@leaf
def draw_home(table: Table, causes: Causes, homes: HomeArrays, h: int, z: Array, volume: Array, value: Array) -> None:
    """Volume of one home in every draw.

    Parameters
    ----------
    table, causes, homes : Table, Causes, HomeArrays
    h : int
        The home.
    z : (N_OWN, n_draws) array
        Standard normals of its causes, see `own_parts`; those of the connection are lost.
    volume : (n_draws,) array
        Written: volume that its gardens keep [m3/y].
    value : (N_CAUSES, n_draws) uint8 array
        Written: the class in which each cause's value lies.
    """
    n = volume.shape[0]
    begin = homes.first[h]
    end = homes.first[h + 1]
    # gardens of one home on two soil classes: the first one's stands for both
    soil = homes.soil[begin] if begin < end else 0
    for d in range(n):
        volume[d] = 0.0
        form = 1 if z[ROOF_FORM, d] < causes.gable_below_z else 0
        value[ROOF_FORM, d] = form
        value[SOIL, d] = causes.z_bin[at_z(z[SOIL, d] + causes.soil_class_part[soil, d])]
        value[ROOF_SHARE, d] = causes.z_bin[at_z(z[ROOF_SHARE, d])]
        value[INITIAL_LOSS, d] = causes.z_bin[at_z(z[INITIAL_LOSS, d])]
        connection = at_z(z[CONNECTION, d])
        value[CONNECTION, d] = causes.z_bin[connection]
        value[RAIN_YEAR, d] = causes.year_bin[d]
        ln_share = min(homes.roof_share_spread[h] * z[ROOF_SHARE, d], homes.ln_most_share[h, form])
        z[CONNECTION, d] = math.exp(ln_share + causes.ln_connection[connection])
    for g in range(begin, end):
        soil = homes.soil[g]
        table_soil = homes.table_soil[g]
        spread = causes.soil_class_spread[soil]
        ln_rate = homes.ln_rate[g]
        area_m2 = homes.area_m2[g]
        depth_mm = homes.depth_mm[g]
        for d in range(n):
            roof_m2 = homes.roof_m2[g, value[ROOF_FORM, d]] * z[CONNECTION, d]
            if roof_m2 > 0.0:
                loss = at_z(z[INITIAL_LOSS, d])
                volume[d] += roof_m2 * kept_of(
                    table,
                    table_soil,
                    causes.year[d],
                    table.loss[loss],
                    table.loss_weight[loss],
                    ln_rate + spread * (z[SOIL, d] + causes.soil_class_part[soil, d]),
                    area_m2 / (area_m2 + roof_m2),
                    depth_mm,
                )
    for d in range(n):
        runoff_mm_y = table.runoff_mm_y[causes.year[d], at_z(z[INITIAL_LOSS, d])]
        volume[d] *= runoff_mm_y / 1000.0 * causes.year_factor[d]


@kernel
def spread_homes(
    table: Table,
    causes: Causes,
    homes: HomeArrays,
    begin: int,
    end: int,
    points_m3_y: Array,
    cause_frac: Array,
    drawn: Array,
    sums: Array,
) -> None:
    """Spread of the homes from ``begin`` to ``end``.

    Parameters
    ----------
    table, causes, homes
        See `draw_home`.
    begin, end : int
    points_m3_y : (n, 3) array
        Written: 10, 50 and 90 % points of each home's volume [m3/y].
    cause_frac : (n, N_CAUSES) array
        Written: part of the variance that each cause explains by itself.
    drawn : (n_ranked, n) float32 array
        Written: volumes of the first draws [m3/y], for the ranks.
    sums : (n_sums, n_draws) int64 array
        Added to: volumes of the groups in units of 1 / ``VOLUME_UNITS`` m3.
    """
    n_draws = causes.normal.shape[0]
    n_ranked = drawn.shape[0]
    order = np.empty(n_draws, dtype=np.int64)
    z = np.empty((N_OWN, n_draws))
    volume = np.empty(n_draws)
    value = np.empty((N_CAUSES, n_draws), dtype=np.uint8)
    bin_sums = np.empty(N_BINS)
    bin_counts = np.empty(N_BINS)
    cell_counts = np.empty(N_CELLS, dtype=np.int64)
    room = np.empty(n_draws)
    strip = np.empty((STRIP, n_ranked), dtype=np.float32)
    for strip_begin in range(begin, end, STRIP):
        strip_end = min(strip_begin + STRIP, end)
        for h in range(strip_begin, strip_end):
            own_parts(homes.key[h], causes, order, z)
            draw_home(table, causes, homes, h, z, volume, value)
            for grouping in range(homes.group.shape[0]):
                row = homes.group[grouping, h]
                if row >= 0:
                    for d in range(n_draws):
                        sums[row, d] += np.int64(volume[d] * VOLUME_UNITS + 0.5)
            for d in range(n_ranked):
                strip[h - strip_begin, d] = volume[d]
            for k in range(N_CAUSES):
                whole, part = explained(volume, value[k], bin_sums, bin_counts)
                cause_frac[h, k] = part / whole if whole > 0.0 else 0.0
            three_points(volume, cell_counts, room, points_m3_y[h])
        for d in range(n_ranked):
            for h in range(strip_begin, strip_end):
                drawn[d, h] = strip[h - strip_begin, d]


@kernel
def shuffle_order(key: np.uint64, order: Array) -> None:
    """`shuffle` for callers from outside."""
    shuffle(key, order)
