"""Buildings, trees and wells on the lots of an invented town."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from town.plan import Lots, Plan

CLEAR_OF_LOT_LINE_M = 0.9  # every ordinary building stays this far inside its lot


@dataclass(slots=True)
class Frames:
    """A local frame per lot: origin in the middle of the front, x along the street, y into the lot; arrays (n, 2)."""

    origin: np.ndarray
    ex: np.ndarray
    ey: np.ndarray
    width_m: np.ndarray
    depth_m: np.ndarray

    def to_map(self, at: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Map coordinates (k, ..., 2) of local coordinates (k, ...) on the lots ``at`` (k,)."""
        shape = (len(at), *([1] * (np.ndim(x_m) - 1)), 2)
        ex, ey, o = (a[at].reshape(shape) for a in (self.ex, self.ey, self.origin))
        return o + np.asarray(x_m)[..., None] * ex + np.asarray(y_m)[..., None] * ey


@dataclass(slots=True)
class Buildings:
    """Footprints (n,), their types (n,) and the index of the lot each was drawn for (n,)."""

    polygon: np.ndarray
    kind: np.ndarray
    lot: np.ndarray


def lot_frames(plan: Plan) -> Frames:
    """Build the local frame of every lot."""
    lots: Lots = plan.lots
    u0, u1, v0, v1 = (np.array(a) for a in (lots.u0, lots.u1, lots.v0, lots.v1))
    south = np.array(lots.side) > 0
    front, rear = np.where(south, v0, v1), np.where(south, v1, v0)
    left = np.column_stack(plan.warp.to_map(np.where(south, u0, u1), front))
    right = np.column_stack(plan.warp.to_map(np.where(south, u1, u0), front))
    back = np.column_stack(plan.warp.to_map((u0 + u1) / 2, rear))
    along = right - left
    width_m = np.hypot(along[:, 0], along[:, 1])
    ex = along / width_m[:, None]
    ey = np.column_stack([-ex[:, 1], ex[:, 0]])
    origin = (left + right) / 2
    depth_m = ((back - origin) * ey).sum(axis=1)
    return Frames(origin=origin, ex=ex, ey=ey, width_m=width_m, depth_m=depth_m)


def _rectangles(
    frames: Frames,
    at: np.ndarray,
    *,
    centre_m: tuple[np.ndarray, np.ndarray],
    size_m: tuple[np.ndarray, np.ndarray],
    turn_rad: np.ndarray | None = None,
) -> np.ndarray:
    """Rectangles of a size (along x, along y), centred on local (x, y) and turned."""
    x_m = np.array([-0.5, 0.5, 0.5, -0.5]) * size_m[0][:, None]
    y_m = np.array([-0.5, -0.5, 0.5, 0.5]) * size_m[1][:, None]
    return _polygons(frames, at, corners_m=(x_m, y_m), centre_m=centre_m, turn_rad=turn_rad)


def _polygons(
    frames: Frames,
    at: np.ndarray,
    *,
    corners_m: tuple[np.ndarray, np.ndarray],
    centre_m: tuple[np.ndarray, np.ndarray],
    turn_rad: np.ndarray | None,
) -> np.ndarray:
    """Polygons of local corners (n, k), turned, then moved to their centres (n,)."""
    x_m, y_m = corners_m
    if turn_rad is not None:
        c, s = np.cos(turn_rad)[:, None], np.sin(turn_rad)[:, None]
        x_m, y_m = c * x_m - s * y_m, s * x_m + c * y_m
    xy = frames.to_map(at, x_m + centre_m[0][:, None], y_m + centre_m[1][:, None])
    return shapely.polygons(np.round(xy, 3))


def _house_shape(
    w: np.ndarray,
    d: np.ndarray,
    wing: np.ndarray,
    wing_w: np.ndarray,
    wing_d: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Local corners (n, 6) of an L: ``wing`` is +1/-1 for a wing at the rear right/left, 0 for a plain rectangle.

    A plain rectangle gets its two extra corners on top of real ones; they are dropped afterwards.
    """
    x0, x1, y0, y1 = -w / 2, w / 2, -d / 2, d / 2
    has = wing != 0
    ww, wd = np.where(has, wing_w, 0.0), np.where(has, wing_d, 0.0)
    right_x = np.column_stack([x0, x1, x1, x1 - ww, x1 - ww, x0])
    right_y = np.column_stack([y0, y0, y1 + wd, y1 + wd, y1, y1])
    mirrored = (wing < 0)[:, None]
    # Mirroring turns the ring the other way round, which no polygon minds.
    return np.where(mirrored, -right_x, right_x), right_y


def _houses(
    frames: Frames,
    polygons: np.ndarray,
    at: np.ndarray,
    rng: np.random.Generator,
    *,
    front_m: tuple[float, float],
    min_side_m: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Detached houses on the lots ``at``: polygons, the lots that got one, and the y of each house's rear wall."""
    n = len(at)
    w = np.minimum(frames.width_m[at] - 2 * min_side_m - 2.5 * rng.random(n), 9.5 + 5.5 * rng.random(n))
    d = np.clip(7.8 + 4.4 * rng.random(n), 5.0, frames.depth_m[at] * 0.42)
    y = front_m[0] + (front_m[1] - front_m[0]) * rng.random(n) + d / 2
    x = (rng.random(n) - 0.5) * np.maximum(frames.width_m[at] - w - 2 * min_side_m, 0.0)
    turn = np.radians(1.2) * rng.standard_normal(n)
    askew = (rng.random(n) < 0.05) & (frames.width_m[at] > 19.0)
    turn = np.where(askew, np.radians(12.0 + 18.0 * rng.random(n)) * np.sign(rng.random(n) - 0.5), turn)
    wing = np.where(rng.random(n) < 0.36, np.sign(rng.random(n) - 0.5), 0.0)
    wing_w, wing_d = w * (0.40 + 0.15 * rng.random(n)), 2.4 + 2.2 * rng.random(n)
    inner = shapely.buffer(polygons[at], -CLEAR_OF_LOT_LINE_M, quad_segs=1)
    house = np.full(n, None, dtype=object)
    todo = np.arange(n)
    for _ in range(6):
        cx, cy = _house_shape(w[todo], d[todo], wing[todo], wing_w[todo], wing_d[todo])
        made = _polygons(frames, at[todo], corners_m=(cx, cy), centre_m=(x[todo], y[todo]), turn_rad=turn[todo])
        made = shapely.remove_repeated_points(made, 1e-4)
        fits = shapely.covers(inner[todo], made)
        house[todo[fits]] = made[fits]
        todo = todo[~fits]
        w[todo] *= 0.88
        x[todo] *= 0.6
        turn[todo] *= 0.5
        wing_w[todo] *= 0.88
    built = np.array([h is not None for h in house])
    rear_y = y + d / 2 + np.where(wing != 0, wing_d, 0.0)
    return house[built], at[built], rear_y[built]


def _outbuildings(
    frames: Frames,
    polygons: np.ndarray,
    house: np.ndarray,
    lot: np.ndarray,
    *,
    rear_y: np.ndarray,
    rng: np.random.Generator,
) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
    """Garages in a rear corner on one side and sheds on the other, where the lot leaves room for them."""
    n = len(lot)
    hand = np.where(rng.random(n) < 0.5, -1.0, 1.0)
    wide = rng.random(n) < 0.6
    gw, gd = np.where(wide, 6.2, 3.6), 6.0 + 0.6 * rng.random(n)
    half = frames.width_m[lot] / 2
    deep = frames.depth_m[lot]
    gx = hand * (half - gw / 2 - 1.0 - 0.6 * rng.random(n))
    gy = np.minimum(rear_y + 3.0 + 5.0 * rng.random(n) + gd / 2, deep - gd / 2 - 1.2)
    garage = _rectangles(frames, lot, centre_m=(gx, gy), size_m=(gw, gd))
    ok_garage = (rng.random(n) < 0.42) & shapely.covers(shapely.buffer(polygons[lot], -0.5, quad_segs=1), garage)
    ok_garage &= shapely.distance(garage, house) > 1.5
    sw, sd = 2.2 + 1.2 * rng.random(n), 2.4 + 1.4 * rng.random(n)
    sx = -hand * (half - sw / 2 - 0.8 - 1.2 * rng.random(n))
    sy = deep - sd / 2 - 0.9 - 1.5 * rng.random(n)
    shed = _rectangles(
        frames, lot, centre_m=(sx, sy), size_m=(sw, sd), turn_rad=np.radians(3.0) * rng.standard_normal(n)
    )
    ok_shed = (rng.random(n) < 0.33) & shapely.covers(shapely.buffer(polygons[lot], -0.3, quad_segs=1), shed)
    ok_shed &= (shapely.distance(shed, house) > 2.0) & ~(ok_garage & (shapely.distance(shed, garage) < 0.8))
    return (
        [garage[ok_garage], shed[ok_shed]],
        [np.full(ok_garage.sum(), "garage", dtype=object), np.full(ok_shed.sum(), "shed", dtype=object)],
        [lot[ok_garage], lot[ok_shed]],
    )


def _row_houses(
    plan: Plan,
    frames: Frames,
    at: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """One footprint per row of 4 to 8 narrow lots; the end lots keep a side yard. Also the first lot of each row."""
    run = np.array(plan.lots.row_run)[at]
    runs, first, size = np.unique(run, return_index=True, return_counts=True)
    last = first + size - 1
    front_y, depth = 4.5 + 2.0 * rng.random(len(runs)), 9.0 + 2.0 * rng.random(len(runs))
    # Outer walls in the first lot's frame: the rows stand in the straight part of the town.
    a, b = at[first], at[last]
    shift = ((frames.origin[b] - frames.origin[a]) * frames.ex[a]).sum(axis=1)
    towards = np.sign(shift)
    x_first = -towards * (frames.width_m[a] / 2 - 2.0)
    x_last = shift + towards * (frames.width_m[b] / 2 - 2.0)
    polygon = _rectangles(
        frames,
        a,
        centre_m=((x_first + x_last) / 2, front_y + depth / 2),
        size_m=(np.abs(x_last - x_first), depth),
    )
    return polygon, a


def make_buildings(plan: Plan, frames: Frames, polygons: np.ndarray, rng: np.random.Generator) -> Buildings:
    """Put buildings on the lots; about one detached lot in 25 stays vacant."""
    kind = np.array(plan.lots.kind)
    parts: list[np.ndarray] = []
    names: list[np.ndarray] = []
    owner: list[np.ndarray] = []

    def add(polygon: np.ndarray, name: str, lot: np.ndarray) -> None:
        parts.append(polygon)
        names.append(np.full(len(polygon), name, dtype=object))
        owner.append(lot)

    detached = np.flatnonzero(kind == "detached")
    detached = detached[rng.random(len(detached)) > 0.04]
    house, lot, rear_y = _houses(frames, polygons, detached, rng, front_m=(5.5, 9.0), min_side_m=1.4)
    add(house, "house", lot)
    for group in zip(*_outbuildings(frames, polygons, house, lot, rear_y=rear_y, rng=rng), strict=True):
        parts.append(group[0])
        names.append(group[1])
        owner.append(group[2])

    rural = np.flatnonzero(kind == "rural")
    house, lot, rear_y = _houses(frames, polygons, rural, rng, front_m=(14.0, 34.0), min_side_m=4.0)
    add(house, "house", lot)
    n = len(lot)
    barn = _rectangles(
        frames,
        lot,
        centre_m=((rng.random(n) - 0.5) * 4.0, rear_y + 24.0 + 12.0 * rng.random(n)),
        size_m=(9.0 + 3.0 * rng.random(n), 13.0 + 5.0 * rng.random(n)),
    )
    fits = shapely.covers(polygons[lot], barn)
    add(barn[fits], "barn", lot[fits])

    polygon, lot = _row_houses(plan, frames, np.flatnonzero(kind == "row"), rng)
    add(polygon, "row house", lot)

    for name, share_w, share_d, front_m, where in (
        ("shop", 0.72, 0.55, 3.0, "commercial"),
        ("apartments", 0.66, 0.38, 7.0, "apartments"),
        ("school", 0.45, 0.30, 14.0, "civic"),
    ):
        at = np.flatnonzero(kind == where)
        w, d = frames.width_m[at] * share_w, frames.depth_m[at] * share_d
        add(_rectangles(frames, at, centre_m=(np.zeros(len(at)), front_m + d / 2), size_m=(w, d)), name, at)
    return Buildings(polygon=np.concatenate(parts), kind=np.concatenate(names), lot=np.concatenate(owner))


def make_trees(
    plan: Plan,
    frames: Frames,
    polygons: np.ndarray,
    built: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Points of large trees in yards and parks, none within 2 m of a building."""
    kind = np.array(plan.lots.kind)
    share = np.select([kind == "detached", kind == "rural", kind == "row"], [0.75, 3.0, 0.12], 0.5)
    share = np.where((kind == "park") | (kind == "greenway"), 30.0, share)
    at = np.repeat(np.arange(len(kind)), rng.poisson(share))
    x = (rng.random(len(at)) - 0.5) * frames.width_m[at] * 0.92
    y = frames.depth_m[at] * (0.03 + 0.94 * rng.random(len(at)))
    points = shapely.points(np.round(frames.to_map(at, x, y), 2))
    inside = shapely.covers(polygons[at], points)
    near = shapely.STRtree(built).query(points, predicate="dwithin", distance=2.0)[0]
    inside[near] = False
    return points[inside]


def make_wells(
    plan: Plan,
    frames: Frames,
    polygons: np.ndarray,
    built: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Points of wells: behind most rural houses and in a few old yards of the town."""
    kind = np.array(plan.lots.kind)
    chance = np.select([kind == "rural", kind == "detached"], [0.85, 0.015], 0.0)
    at = np.flatnonzero(rng.random(len(kind)) < chance)
    x = (rng.random(len(at)) - 0.5) * frames.width_m[at] * 0.6
    y = np.where(kind[at] == "rural", 42.0 + 14.0 * rng.random(len(at)), frames.depth_m[at] - 3.5)
    points = shapely.points(np.round(frames.to_map(at, x, y), 2))
    keep = shapely.covers(polygons[at], points)
    near = shapely.STRtree(built).query(points, predicate="dwithin", distance=1.0)[0]
    keep[near] = False
    return points[keep]
