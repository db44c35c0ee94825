"""From the causes to the spread of each home's volume, of its rank, and of sums over homes."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from screening.kernels import draws as kernel
from screening.kernels import places
from screening.kernels.points import spread_sums
from screening.uncertainty.causes import (
    CAUSES,
    OWN_DIFFERENCES,
    Z_10,
    Drawn,
    SoilSpread,
    draw_causes,
    keys_of,
    mean_year,
)
from screening.uncertainty.quick_table import quick_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from screening.params import RoofParams, UncertaintyParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[Any]

RANK_BYTES: Final = 160_000_000
"""Most room for the volumes that are ranked; where a city has more, fewer draws are ranked."""

LEAST_RANKED: Final = 64

MOST_SUMS: Final = 2048
"""Sums of the first grouping that are added up at a time: a city has more streets than fit into memory by draws."""


class Gardens(NamedTuple):
    """The gardens of all homes, in any order.

    Attributes
    ----------
    home : (g,) int array
        Row of the garden's home.
    area_m2, depth_mm : (g,) array
    roof_m2, gable_roof_m2 : (g,) array
        Served roof under the main form and under a gable [m2]; equal where the form is known.
    soil : (g,) int array
        Soil class, a row of `SoilSpread`; where the table has several soils, also its soil.
    ln_rate : (g,) array
        ln of the likely rate [mm/h]; with Green-Ampt of the factor on the conductivity, 0.
    """

    home: IntArray
    area_m2: FloatArray
    depth_mm: FloatArray
    roof_m2: FloatArray
    gable_roof_m2: FloatArray
    soil: IntArray
    ln_rate: FloatArray


class Homes(NamedTuple):
    """The homes, in any order.

    Attributes
    ----------
    home_id : sequence of str
        Unique; a home's own draws follow from it.
    roof_area_m2 : (n,) array
        Plan area of its roofs that count [m2]: gardens cannot serve more.
    is_measured : (n,) bool array
        Whether its downspouts are measured.
    rank : (n,) int array
        Its place where nothing is uncertain.
    score_rest : (n,) array
        What other measures than the volume add to its score.
    """

    home_id: Sequence[str]
    roof_area_m2: FloatArray
    is_measured: BoolArray
    rank: IntArray
    score_rest: FloatArray


class Sums(NamedTuple):
    """Sums over groups of homes.

    Attributes
    ----------
    low_m3_y, middle_m3_y, high_m3_y : (k,) array
        10, 50 and 90 % points of the sum [m3/y].
    cause_frac : (k, 7) array
        Part of the variance that each of ``CAUSES`` explains through what the homes share of it; last what is left:
        what the homes have for themselves, and causes acting together.
    main_cause_code : (k,) object array
        Cause with the largest part; None where nothing varies.
    """

    low_m3_y: FloatArray
    middle_m3_y: FloatArray
    high_m3_y: FloatArray
    cause_frac: FloatArray
    main_cause_code: ObjectArray


class Spread(NamedTuple):
    """What that which is not known for sure does to the volumes.

    Attributes
    ----------
    low_m3_y, middle_m3_y, high_m3_y : (n,) array
        10, 50 and 90 % points of each home's volume [m3/y].
    cause_frac : (n, 6) array
        Part of the variance that each of ``CAUSES`` explains by itself.
    main_cause_code : (n,) object array
        Cause with the largest part; None where nothing varies.
    rank_best, rank_worst : (n,) int array
        10 and 90 % points of the rank, outwards to whole ranks.
    first_n_frac : (n,) array
        Chance of being among the first ``n_first``.
    n_ranked : int
        Draws in which the homes were ranked.
    total : Sums
        All homes, one row.
    groups : tuple of Sums
        One for each grouping.
    """

    low_m3_y: FloatArray
    middle_m3_y: FloatArray
    high_m3_y: FloatArray
    cause_frac: FloatArray
    main_cause_code: ObjectArray
    rank_best: IntArray
    rank_worst: IntArray
    first_n_frac: FloatArray
    n_ranked: int
    total: Sums
    groups: tuple[Sums, ...]


def spread_volumes(
    table: Any,
    soils: SoilSpread,
    gardens: Gardens,
    homes: Homes,
    groupings: Sequence[IntArray] = (),
    *,
    params: UncertaintyParams,
    roof: RoofParams,
    volume_weight: float = 1.0,
    year_cv_frac: float = 0.0,
    threads: int | None = None,
) -> Spread:
    """Follow the uncertainty of every cause to the homes, their ranks and their sums.

    Parameters
    ----------
    table : YieldTable
    soils : SoilSpread
    gardens : Gardens
    homes : Homes
    groupings : sequence of (n,) int arrays
        Group of each home, from 0; -1: in none. One array for streets, one for districts and so on.
    params : UncertaintyParams
    roof : RoofParams
    volume_weight : float
        Weight of the volume, over the largest, in the score that ranks.
    year_cv_frac : float
        See `draw_causes`.
    threads : int or None
        None: every core that the process may use. The figures are the same.

    Raises
    ------
    ValueError
        If a garden has no soil or a figure is missing, or the table lacks the initial losses.

    Notes
    -----
    The result of a home depends on its identifier, not on its row nor on which other homes there are; its ranks do.
    """
    n = len(homes.home_id)
    # the kernels read tables at these places without looking
    n_soils = len(soils.name)
    if len(gardens.soil) and not 0 <= gardens.soil.min() <= gardens.soil.max() < n_soils:
        msg = f"gardens on soil classes {gardens.soil.min()} to {gardens.soil.max()} of {n_soils}"
        raise ValueError(msg)
    if len(table.kept_frac) not in {1, n_soils}:
        msg = f"a table of {len(table.kept_frac)} soils for {n_soils} soil classes"
        raise ValueError(msg)
    if any(np.isnan(figure).any() for figure in gardens):
        msg = "a garden lacks a figure"
        raise ValueError(msg)
    drawn = draw_causes(table.runoff_mm_y, soils, params, roof, year_cv_frac)
    # homes of one group stand together, so that its sum is done with when they are
    by_group = np.argsort(groupings[0], kind="stable") if groupings else np.arange(n)
    place = np.empty(n, dtype=np.int64)
    place[by_group] = np.arange(n)
    homes = Homes(
        [homes.home_id[h] for h in by_group],
        homes.roof_area_m2[by_group],
        homes.is_measured[by_group],
        homes.rank[by_group],
        np.asarray(homes.score_rest)[by_group],
    )
    gardens = gardens._replace(home=place[gardens.home])
    group, blocks, first_row = _blocks([rows[by_group] for rows in groupings], n)
    arrays = _home_arrays(table, gardens, homes, group, params)
    quick = quick_table(mean_year(table) if params.rain_year == "mean" else table, drawn.loss_mm)

    fit = RANK_BYTES // (4 * max(n, 1))
    n_ranked = min(params.n_draws, max(LEAST_RANKED, 1 << max(fit.bit_length() - 1, 0)))
    points = np.zeros((n, 3))
    cause_frac = np.zeros((n, kernel.N_CAUSES))
    ranked = np.empty((n_ranked, n), dtype=np.float32)
    ranks = np.zeros((n, 2), dtype=np.int64)
    first_n_frac = np.zeros(n)
    order = np.argsort(homes.rank, kind="stable")
    rest = np.ascontiguousarray(homes.score_rest, dtype=float)

    def spread_some(n_sums: int, begin: int, end: int) -> IntArray:
        # each thread adds up for itself: whole numbers, so that the order of adding does not show
        sums = np.zeros((n_sums, params.n_draws), dtype=np.int64)
        kernel.spread_homes(quick, drawn.causes, arrays, begin, end, points, cause_frac, ranked, sums)
        return sums

    def rank_some(begin: int, end: int) -> None:
        places.rank_draws(ranked, order, volume_weight, rest, begin, end)

    def spread_some_ranks(begin: int, end: int) -> None:
        places.spread_ranks(ranked, params.n_first, ranks, first_n_frac, begin, end)

    if threads is None:
        threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    n_kept = int(first_row[-1])
    kept = np.zeros((n_kept, params.n_draws), dtype=np.int64)
    of_first: list[Sums] = []
    with ThreadPoolExecutor(threads) as pool:
        for begin, end, n_groups in blocks:
            found = _in_parts(pool, partial(spread_some, n_kept + n_groups), end - begin, threads, begin)
            units = sum(found[1:], start=found[0])
            kept += units[:n_kept]
            of_first.append(_sums(units[n_kept:], drawn))
        _in_parts(pool, rank_some, n_ranked, threads)
        _in_parts(pool, spread_some_ranks, n, threads)
    sums = _sums(kept, drawn)
    low, middle, high = (np.ascontiguousarray(column[place]) for column in points.T)
    cause_frac = cause_frac[place]
    others = tuple(_rows(sums, int(a), int(b)) for a, b in pairwise(first_row))
    return Spread(
        low,
        middle,
        high,
        cause_frac,
        _main_causes(cause_frac, CAUSES),
        ranks[place, 0],
        ranks[place, 1],
        first_n_frac[place],
        n_ranked,
        _rows(sums, 0, 1),
        (_together(of_first), *others) if groupings else (),
    )


def _blocks(groupings: Sequence[IntArray], n: int) -> tuple[IntArray, list[tuple[int, int, int]], IntArray]:
    """Rows of the sums to which each home adds, and the blocks of homes whose first groups are summed at a time.

    Parameters
    ----------
    groupings : sequence of (n,) int arrays
        The first one ascending.
    n : int
        Number of homes.

    Returns
    -------
    group : (1 + groupings, n) int array
        Row 0 is the total; then come the groups of the further groupings, then those of the first in the block.
    blocks : list of (int, int, int)
        First home, end, and groups of the first grouping.
    first_row : int array
        First row of each further grouping, and the end of them.
    """
    first_row = np.cumsum([1] + [int(rows.max(initial=-1)) + 1 for rows in groupings[1:]])
    group = np.zeros((1 + len(groupings), n), dtype=np.int64)
    for k, rows in enumerate(groupings[1:]):
        group[k + 2] = np.where(rows < 0, -1, rows + first_row[k])
    if not groupings:
        return group, [(0, n, 0)], first_row
    n_groups = int(groupings[0].max(initial=-1)) + 1
    blocks = []
    for lowest in range(0, max(n_groups, 1), MOST_SUMS):
        beyond = min(lowest + MOST_SUMS, n_groups)
        # homes in no group stand before all others
        begin = 0 if lowest == 0 else int(np.searchsorted(groupings[0], lowest))
        end = int(np.searchsorted(groupings[0], beyond))
        blocks.append((begin, end, beyond - lowest))
        rows = groupings[0][begin:end]
        group[1, begin:end] = np.where(rows < 0, -1, rows - lowest + first_row[-1])
    return group, blocks, first_row


def _together(blocks: Sequence[Sums]) -> Sums:
    """Sums of blocks, one block after another."""
    return Sums(*(np.concatenate(columns) for columns in zip(*blocks, strict=True)))


def _in_parts(
    pool: ThreadPoolExecutor, work: Callable[[int, int], Any], n: int, n_parts: int, first: int = 0
) -> list[Any]:
    """Call ``work(begin, end)`` for equal parts of ``n`` from a first one on at the same time."""
    ends = [first + n * part // n_parts for part in range(n_parts + 1)]
    return list(pool.map(work, ends[:-1], ends[1:]))


def _home_arrays(
    table: Any, gardens: Gardens, homes: Homes, group: IntArray, params: UncertaintyParams
) -> kernel.HomeArrays:
    """Homes with their gardens one after another, in an order that does not hang on that of the rows."""
    n = len(homes.home_id)
    # a home's gardens are added up in the order of their figures
    order = np.lexsort((*gardens[:0:-1], gardens.home))
    home = gardens.home[order]
    roof = np.column_stack([gardens.roof_m2, gardens.gable_roof_m2])[order]
    served = np.zeros((n, 2))
    for form in range(2):
        served[:, form] = np.bincount(home, weights=roof[:, form], minlength=n)
    soil = np.ascontiguousarray(gardens.soil[order], dtype=np.int64)
    with np.errstate(divide="ignore"):  # no roof is served under one of the forms: no bound
        ln_most_share = np.maximum(np.log(np.asarray(homes.roof_area_m2)[:, None] / served), 0.0)
    factor = np.where(homes.is_measured, params.roof_share_measured_factor, params.roof_share_factor)
    return kernel.HomeArrays(
        key=keys_of(homes.home_id, params.seed),
        roof_share_spread=np.log(factor) / Z_10,
        ln_most_share=ln_most_share,
        group=group,
        first=np.searchsorted(home, np.arange(n + 1)).astype(np.int64),
        area_m2=np.ascontiguousarray(gardens.area_m2[order], dtype=float),
        depth_mm=np.ascontiguousarray(gardens.depth_mm[order], dtype=float),
        roof_m2=roof,
        soil=soil,
        table_soil=soil if len(table.kept_frac) > 1 else np.zeros_like(soil),
        ln_rate=np.ascontiguousarray(gardens.ln_rate[order], dtype=float),
    )


def _sums(units: IntArray, drawn: Drawn) -> Sums:
    """Points and causes of sums, (rows, n_draws) in units of the kernel."""
    volume = units / kernel.VOLUME_UNITS
    points = np.zeros((len(volume), 3))
    shared_frac = np.zeros((len(volume), len(CAUSES)))
    spread_sums(volume, drawn.shared_bin, drawn.shared_cause, points, shared_frac)
    varies = points[:, 0] < points[:, 2]
    left = np.where(varies, np.maximum(1.0 - shared_frac.sum(axis=1), 0.0), 0.0)
    cause_frac = np.column_stack([shared_frac, left])
    low, middle, high = (np.ascontiguousarray(column) for column in points.T)
    return Sums(low, middle, high, cause_frac, _main_causes(cause_frac, (*CAUSES, OWN_DIFFERENCES)))


def _rows(sums: Sums, begin: int, end: int) -> Sums:
    """Some rows of sums."""
    return Sums(*(column[begin:end] for column in sums))


def _main_causes(cause_frac: FloatArray, codes: tuple[str, ...]) -> ObjectArray:
    """Code of the largest part of each row; None where there is none."""
    out: ObjectArray = np.array(codes, dtype=object)[cause_frac.argmax(axis=1)]
    out[cause_frac.max(axis=1, initial=0.0) <= 0.0] = None
    return out
