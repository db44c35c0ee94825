"""A season of visits, planned from a finished result: street sides chosen, visits put in the order of a walk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening import street_plan
from screening.errors import ParameterError
from screening.report.result_layers import ResultLayers
from screening.report.season_model import DayWalk, SeasonPlan, SidePlan
from screening.report.season_places import find_start, named_sides
from screening.report.season_read import gather, other_homes, read_crs, read_homes, read_streets

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.report.season_model import HomeRows, IntArray, SeasonWishes
    from screening.report.season_read import Gathered
    from screening.street_plan import Range

NEIGHBOURS_M: Final = 40.0
"""Street sides are neighbours where two of their homes stand no farther apart along the lines (program default)."""

MIN_HOMES: Final = 4
"""Least homes of a street side where nothing else is asked for (program default): single homes all over the town are
more way than visit, and neighbours speak to each other."""


def plan_season(path: Path, wishes: SeasonWishes) -> SeasonPlan:
    """Plan a season of visits.

    Parameters
    ----------
    path : Path
        A result of a run; only this is read.
    wishes : SeasonWishes

    Raises
    ------
    InputError
        No result of a run, one of another version, or one without candidates.
    ParameterError
        Streets that don't exist, wishes that contradict each other, areas without a candidate, a start far away.
    """
    result = ResultLayers(path)
    crs = read_crs(path)
    homes = read_homes(result, wishes)
    streets, lines = read_streets(result)
    gathered = gather(result, homes, lines, is_whole=wishes.whole_streets)
    notes = []
    n_usable = min(wishes.n_visits, len(homes.home_id))
    if wishes.n_visits >= len(homes.home_id):
        notes.append(
            f"There are {wishes.n_visits:,} visits for {len(homes.home_id):,} candidate homes: nothing has to be left "
            "out for want of visits."
        )
    most = min(n_usable, wishes.side_visits or n_usable)
    n_visits = np.array([min(len(rows), most) for rows in gathered.rows], dtype=np.int64)
    volume = _side_volumes(gathered, homes, streets, n_visits)
    is_priority = homes.is_priority if homes.is_priority is not None else np.zeros(len(homes.home_id), dtype=bool)
    n_priority = np.array(
        [int(is_priority[rows[:n]].sum()) for rows, n in zip(gathered.rows, n_visits, strict=True)], dtype=np.int64
    )
    table = street_plan.Sides(
        n_visits, np.array([round(1000.0 * one.likely) for one in volume], dtype=np.int64), n_priority
    )
    is_in = named_sides(wishes.lock_in, gathered.names, gathered.street)
    is_locked_out = named_sides(wishes.lock_out, gathered.names, gathered.street)
    n_homes = np.array([len(rows) for rows in gathered.rows])
    min_homes = wishes.min_homes
    if min_homes is None:
        min_homes = MIN_HOMES if n_homes.max() >= MIN_HOMES else 1
        if min_homes == 1:
            notes.append(f"No street side has {MIN_HOMES} candidate homes, so sides with fewer are looked at.")
    is_small = (n_homes < min_homes) & ~is_in & ~is_locked_out
    pairs, bonus_l = _neighbours(gathered, table.volume_l, wishes.bonus_frac)
    limits = street_plan.Wishes(n_usable, wishes.least_priority_frac, is_in, is_locked_out | is_small, pairs, bonus_l)
    both = [gathered.names[i] for i in np.flatnonzero(is_in & is_locked_out)]
    if both:
        raise ParameterError(f"{', '.join(both)} is locked in and out at once: leave one of the two out")
    choice = street_plan.choose(table, limits)
    simple = street_plan.greedy(table, limits)
    why = street_plan.whys(table, limits, choice, is_small)
    sides = tuple(
        SidePlan(
            name=gathered.names[i],
            street=gathered.street[i],
            side=gathered.side[i],
            rows=gathered.rows[i],
            n_visits=int(n_visits[i]),
            volume=volume[i],
            confidence_frac=float(homes.confidence_frac[gathered.rows[i][: n_visits[i]]].mean()),
            n_priority=int(n_priority[i]),
            is_chosen=bool(choice.is_chosen[i]),
            is_greedy=bool(simple[i]),
            why=why[i],
        )
        for i in range(len(gathered.names))
    )
    visited = np.concatenate([np.zeros(0, dtype=np.int64), *(side.visited for side in sides if side.is_chosen)])
    start = find_start(wishes.start, homes.home_id, homes.address, homes.lots, crs) if wishes.start else None
    days, bound_m = _walks(result, visited, gathered, homes, start, wishes.per_day)
    if len(visited) > street_plan.MOST_STOPS:
        notes.append(
            f"No walk is planned for {len(visited):,} visits: that is done for up to {street_plan.MOST_STOPS:,}."
        )
    return SeasonPlan(
        path=path,
        crs=crs,
        record=result.record,
        wishes=wishes,
        homes=homes,
        sides=sides,
        choice=choice,
        min_homes=min_homes,
        table=table,
        limits=limits,
        volume=_together(visited, homes, streets),
        days=days,
        walk_bound_m=bound_m,
        start_m=start,
        lines=gathered.lines,
        notes=tuple(notes),
    )


def _side_volumes(gathered: Gathered, homes: HomeRows, streets: Mapping[str, Range], n_visits: IntArray) -> list[Range]:
    """What the visited homes of each side would divert together."""
    on_street = _rows_by_street(homes)
    return [
        _part(rows[:n], on_street.get(street or ""), homes, streets.get(street or ""))
        for rows, n, street in zip(gathered.rows, n_visits, gathered.street, strict=True)
    ]


def _rows_by_street(homes: HomeRows) -> dict[str, IntArray]:
    found: dict[str, list[int]] = {}
    for i, name in enumerate(homes.street):
        if name is not None:
            found.setdefault(name, []).append(i)
    return {name: np.array(rows, dtype=np.int64) for name, rows in found.items()}


def _part(rows: IntArray, street_rows: IntArray | None, homes: HomeRows, street: Range | None) -> Range:
    """Sum over some homes of a street."""
    every = rows if street_rows is None else street_rows
    volumes = street_plan.Volumes(*(values[every] for values in homes.volumes))
    return street_plan.range_of(volumes, street, np.flatnonzero(np.isin(every, rows)))


def _together(visited: IntArray, homes: HomeRows, streets: Mapping[str, Range]) -> Range:
    """Sum over all homes of the plan: within a street as its own range says, between streets at its widest."""
    on_street = _rows_by_street(homes)
    parts = []
    for name in sorted({str(name) for name in homes.street[visited] if name is not None}):
        every = on_street[name]
        parts.append(_part(every[np.isin(every, visited)], every, homes, streets.get(name)))
    nowhere = visited[[name is None for name in homes.street[visited]]] if len(visited) else visited
    if len(nowhere):
        parts.append(_part(nowhere, None, homes, None))
    return street_plan.widest(parts)


def _neighbours(gathered: Gathered, volume_l: IntArray, bonus_frac: float) -> tuple[IntArray, IntArray]:
    """Pairs of neighbouring sides, and what choosing both counts more."""
    none = np.zeros((0, 2), dtype=np.int64)
    if bonus_frac <= 0.0:
        return none, np.zeros(0, dtype=np.int64)
    points = shapely.points(gathered.stand_m)
    one, other = shapely.STRtree(points).query(points, predicate="dwithin", distance=NEIGHBOURS_M)
    pairs = np.column_stack([gathered.of_home[one], gathered.of_home[other]])
    pairs = np.unique(pairs[pairs[:, 0] < pairs[:, 1]], axis=0)
    bonus = (
        np.round(bonus_frac * volume_l[pairs].min(axis=1)).astype(np.int64)
        if len(pairs)
        else np.zeros(0, dtype=np.int64)
    )
    return pairs.reshape(-1, 2), bonus


def _walks(
    result: ResultLayers,
    visited: IntArray,
    gathered: Gathered,
    homes: HomeRows,
    start: tuple[float, float] | None,
    per_day: int,
) -> tuple[tuple[DayWalk, ...], float]:
    """Share the visits out over days and put each in order."""
    if not 0 < len(visited) <= street_plan.MOST_STOPS:
        return (), 0.0
    # by identifier: of the two directions of a walk the one whose first home comes first is taken
    visited = visited[np.argsort(homes.home_id[visited].astype(str), kind="stable")]
    places = gathered.stand_m[visited]
    side = gathered.of_home[visited]
    if start is not None:
        places, side = np.vstack([places, start]), np.append(side, -1)
    west, south = places.min(axis=0) - street_plan.AROUND_M
    east, north = places.max(axis=0) + street_plan.AROUND_M
    near = np.sort(shapely.STRtree(homes.lots).query(shapely.box(west, south, east, north)))
    lots = np.concatenate([homes.lots[near], other_homes(result, (west, south, east, north))])
    net = street_plan.street_net(np.array(list(gathered.lines.values()), dtype=object), places, lots)
    n = len(visited)
    distance = street_plan.distances_m(net, side)
    walks = street_plan.plan_days(distance[:n, :n], per_day, None if start is None else distance[n, :n])
    days = []
    for rows, length in zip(walks.days, walks.length_m, strict=True):
        stops = rows.tolist() if start is None else [n, *rows.tolist(), n]
        days.append(DayWalk(visited[rows], float(length), street_plan.way_along(net, stops)))
    return tuple(days), walks.bound_m
