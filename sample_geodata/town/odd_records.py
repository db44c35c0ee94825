"""The odd records that real parcel and building layers hold, put into the invented town on purpose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    from town.buildings import Buildings, Frames

LOTS_PER_CASE = 500  # one of each odd case for so many lots, at least one
STACK_SIZE = 8  # identical parcels of one condominium
OVER_LINE_M = 0.30  # how far the sliver of a footprint reaches over a lot line


def n_cases(n_lots: int) -> int:
    """How often each odd case occurs in a town."""
    return max(1, round(n_lots / LOTS_PER_CASE))


def _shares(polygon: np.ndarray, parcels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each polygon the largest and second largest share of its area that one parcel holds, (n,), (n,)."""
    tree = shapely.STRtree(parcels)
    i, j = tree.query(polygon, predicate="intersects")
    share = shapely.area(shapely.intersection(polygon[i], parcels[j])) / shapely.area(polygon[i])
    frame = pd.DataFrame({"i": i, "share": share}).sort_values(["i", "share"], ascending=[True, False])
    order = frame.groupby("i").cumcount()
    out = [np.zeros(len(polygon)), np.zeros(len(polygon))]
    for k in (0, 1):
        rows = frame[order == k]
        out[k][rows["i"].to_numpy()] = rows["share"].to_numpy()
    return out[0], out[1]


def _clear_of_others(moved: np.ndarray, own: np.ndarray, buildings: np.ndarray, distance_m: float) -> np.ndarray:
    """Whether each moved building keeps its distance from every building but itself."""
    i, j = shapely.STRtree(buildings).query(moved, predicate="dwithin", distance=distance_m)
    clear = np.ones(len(moved), dtype=bool)
    clear[i[own[i] != j]] = False
    return clear


def _local_x_m(polygon: np.ndarray, frames: Frames, lot: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Smallest and largest local x [m] of each polygon."""
    xy, at = shapely.get_coordinates(polygon, return_index=True)
    x = ((xy - frames.origin[lot[at]]) * frames.ex[lot[at]]).sum(axis=1)
    grouped = pd.Series(x).groupby(at)
    return grouped.min().to_numpy(), grouped.max().to_numpy()


def _shift(polygon: np.ndarray, by_m: np.ndarray) -> np.ndarray:
    xy, at = shapely.get_coordinates(polygon, return_index=True)
    return shapely.set_coordinates(polygon.copy(), np.round(xy + by_m[at], 3))


def move_over_lot_lines(
    buildings: Buildings, frames: Frames, parcels: np.ndarray, n: int, rng: np.random.Generator
) -> set[int]:
    """Move ``n`` garages astride a lot line and ``n`` houses a sliver over one, in place.

    Returns
    -------
    set
        The lots whose buildings were moved.
    """
    taken: set[int] = set()
    for kind, low, high, gap_m in (("garage", 0.25, 0.50, 1.2), ("house", 0.004, 0.06, 1.0)):
        at = rng.permutation(np.flatnonzero(buildings.kind == kind))
        at = at[~np.isin(buildings.lot[at], list(taken))]
        lot = buildings.lot[at]
        x_min, x_max = _local_x_m(buildings.polygon[at], frames, lot)
        hand = np.where(x_max + x_min > 0, 1.0, -1.0)
        half = frames.width_m[lot] / 2
        edge = np.where(hand > 0, x_max, -x_min)
        by = half + (x_max - x_min) * 0.4 - edge if kind == "garage" else half + OVER_LINE_M - edge
        moved = _shift(buildings.polygon[at], (hand * by)[:, None] * frames.ex[lot])
        first, second = _shares(moved, parcels)
        good = (second > low) & (second < high) & (first + second > 0.9999)
        good &= _clear_of_others(moved, at, buildings.polygon, gap_m)
        # Two moved buildings must not meet: one a lot, and no neighbours of lots already taken.
        done = 0
        for k in np.flatnonzero(good):
            if done == n:
                break
            if not {int(lot[k]) + d for d in (-1, 0, 1)} & taken:
                buildings.polygon[at[k]] = moved[k]
                taken.add(int(lot[k]))
                done += 1
    return taken


def add_odd_parcels(
    parcels: pd.DataFrame, kind: np.ndarray, buildings: Buildings, frames: Frames, *, taken: set[int], n: int
) -> pd.DataFrame:
    """Put the odd parcel records into a frame of ordinary ones (row = lot).

    A stack of identical condominium parcels, a parcel of two parts, a bow-tie ring, a missing id; then, at the end of
    the table, an exact duplicate of a row and a row without geometry. Each occurs ``n`` times.
    """
    parcels = parcels.copy()
    geometry = parcels["geometry"].to_numpy().copy()
    has_house = np.zeros(len(parcels), dtype=bool)
    has_house[buildings.lot[buildings.kind == "house"]] = True
    is_plain = (kind == "detached") & ~np.isin(np.arange(len(parcels)), list(taken))
    plain = np.flatnonzero(is_plain & has_house)
    vacant = np.flatnonzero((kind == "detached") & ~has_house)
    block = parcels["parcel_id"].str[:4].to_numpy()

    # Two parts: a vacant lot that belongs to a house across the street.
    i, j = shapely.STRtree(geometry[plain]).query(geometry[vacant], predicate="dwithin", distance=21.0)
    across = block[vacant[i]] != block[plain[j]]
    pairs = pd.DataFrame({"vacant": vacant[i[across]], "plain": plain[j[across]]})
    pairs = pairs.drop_duplicates("vacant").drop_duplicates("plain").head(n)
    for v, p in pairs.to_numpy():
        geometry[p] = shapely.MultiPolygon([geometry[p], geometry[v]])
    used = set(pairs["plain"])

    rest = np.array([p for p in plain if p not in used])
    picks = rest[(np.linspace(0.15, 0.95, 3 * n) * (len(rest) - 1)).astype(int)]
    bow, nameless, twice = picks[:n], picks[n : 2 * n], picks[2 * n :]
    half, deep = frames.width_m[bow] / 2, frames.depth_m[bow]
    zero = np.zeros(len(bow))
    x, y = np.column_stack([-half, half, -half, half]), np.column_stack([zero, zero, deep, deep])
    geometry[bow] = shapely.polygons(np.round(frames.to_map(bow, x, y), 3))

    parcels["geometry"] = geometry
    parcels.loc[nameless, "parcel_id"] = None

    stacks = []
    for s in np.flatnonzero(kind == "apartments")[:n]:
        parcels.loc[s, ["land_use", "address"]] = ["Residential", f"{parcels.loc[s, 'address']} Unit 1"]
        for unit in range(2, STACK_SIZE + 1):
            row = parcels.loc[s].copy()
            row["parcel_id"] = f"{row['parcel_id'][:4]}{900 + unit:03d}"
            row["address"] = row["address"][:-1] + str(unit)
            stacks.append(row)
    empty = [
        {"parcel_id": f"9900{k + 1:03d}", "address": None, "street": None, "land_use": "Residential", "geometry": None}
        for k in range(n)
    ]
    parcels = parcels.drop(index=pairs["vacant"].to_numpy())
    return pd.concat([parcels, pd.DataFrame(stacks), parcels.loc[twice], pd.DataFrame(empty)], ignore_index=True)
