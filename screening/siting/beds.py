"""Beds of free form, for ground that holds a garden but no good rectangle: the trade has no standard footprint."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import flow
from screening.kernels import gardens as kernel
from screening.kernels.elevation import sample
from screening.kernels.ground import (
    Ground,
    Home,
    Rules,
    Yield,
    band_of,
    can_serve,
    diverted_roof,
    overflow_end,
    overflow_start,
    run_is_clear,
    target_area,
)

if TYPE_CHECKING:
    from screening.siting.search import FloatArray

ObjectArray = npt.NDArray[Any]

QUARTER_SEGMENTS = 16
MOST_SEEDS = 2

SLACK_M = 1e-3
"""Openings are made this much wider than the least width, so that chords for arcs don't make them narrower."""


class Bed(NamedTuple):
    """A bed of free form for one home, in home coordinates.

    Attributes
    ----------
    geometry : Polygon
        Outline [m].
    volume_m2 : float
        Roof area whose whole runoff it keeps [m2], the measure of the search.
    band, end : int
        Slope band, end of its overflow.
    slope_pct, elev_m : float
        Mean slope [%] and elevation [m] of its ground.
    target_m2, roof_m2 : float
        Wanted area and served roof [m2].
    runs : (n, 5) array
        Served 0/1, end x, y, length, fall [m] of each downspout.
    path : (k, 2) array
        Way of the overflow, from the rim [m].
    """

    geometry: shapely.Polygon
    volume_m2: float
    band: int
    end: int
    slope_pct: float
    elev_m: float
    target_m2: float
    roof_m2: float
    runs: FloatArray
    path: FloatArray


def opened(ground: Any, width_m: float) -> Any:
    """The part of each ground in which a disc of the least width can lie."""
    radius = 0.5 * width_m + SLACK_M
    core = shapely.buffer(ground, -radius, quad_segs=QUARTER_SEGMENTS)
    return shapely.buffer(core, radius - 1e-4, quad_segs=QUARTER_SEGMENTS)


def unusable_cells(ground: Ground, bounds: FloatArray, rules: Rules) -> shapely.Geometry | None:
    """Elevation cells within the bounds that are too steep or missing, as one geometry."""
    x0, y0, row, col, cell = ground.grid
    c0 = max(0, int((bounds[0] - x0) / cell - col) - 1)
    c1 = min(ground.z.shape[1], int((bounds[2] - x0) / cell - col) + 2)
    r0 = max(0, int((y0 - bounds[3]) / cell - row) - 1)
    r1 = min(ground.z.shape[0], int((y0 - bounds[1]) / cell - row) + 2)
    if r1 <= r0 or c1 <= c0:
        return shapely.box(*bounds)
    block = ground.slope[r0:r1, c0:c1]
    bad = ~(block <= rules.max_slope_pct)
    if not bad.any():
        return None
    r, c = np.nonzero(bad)
    left = x0 + (col + c0 + c) * cell
    top = y0 - (row + r0 + r) * cell
    return shapely.coverage_union_all(shapely.box(left, top - cell, left + cell, top))


def best_bed(
    home: Home,
    ground: Ground,
    rules: Rules,
    gain: Yield,
    allowed: shapely.Geometry,
    at_least_m2: float,
) -> Bed | None:
    """The bed that keeps most, if it keeps more than ``at_least_m2``.

    Parameters
    ----------
    home, ground : Home, Ground
        In home coordinates.
    rules, gain : Rules, Yield
    allowed : geometry
        Ground where the distance rules allow a garden, in home coordinates.
    at_least_m2 : float
        Measure of the best rectangle, with the gain asked for.

    Notes
    -----
    The usable ground is opened by the least width. From the point of each part nearest to each downspout, a
    disc grows until the ground within it has the wanted area; the bed is that ground, opened again.
    """
    steep = unusable_cells(ground, np.array(shapely.bounds(allowed)), rules)
    usable = allowed if steep is None else shapely.difference(allowed, steep)
    parts = shapely.get_parts(opened(usable, rules.min_width_m))
    parts = parts[shapely.area(parts) >= rules.min_area_m2]
    best: Bed | None = None
    for part in parts:
        seeds = []
        for j in range(len(home.downspouts)):
            spout = shapely.Point(home.downspouts[j, 0], home.downspouts[j, 1])
            near = shapely.get_point(shapely.shortest_line(part, spout), 0)
            distance = float(shapely.distance(near, spout))
            if distance <= home.max_run_m:
                seeds.append((distance, j, near))
        seeds.sort(key=lambda seed: (round(seed[0], 6), seed[1]))
        reachable = float(sum(home.downspouts[j, 3] for _, j, _ in seeds))
        if not seeds:
            continue
        area = min(target_area(reachable, 0, gain, rules), float(shapely.area(part)))
        # no bed of this part can keep more than the best slope band would
        room = min(float(shapely.area(part)), rules.max_area_m2)
        most = max(diverted_roof(reachable, room, band, gain) for band in range(len(gain.per_roof)))
        if most <= (at_least_m2 if best is None else best.volume_m2):
            continue
        for _, _, seed in seeds[:MOST_SEEDS]:
            shape = _around(part, seed, area, rules)
            if shape is None:
                continue
            bed = _judge(home, ground, rules, gain, shape)
            floor = at_least_m2 if best is None else best.volume_m2 * (1.0 + 1e-9)
            if bed is not None and bed.volume_m2 > floor:
                best = bed
    return best


def _around(part: shapely.Polygon, seed: shapely.Point, area_m2: float, rules: Rules) -> shapely.Polygon | None:
    """The ground of a part nearest to a point, of a wanted area, nowhere narrower than allowed."""
    if shapely.area(part) <= area_m2 * 1.02 and shapely.area(part) <= rules.max_area_m2:
        return part
    low, high = 0.0, float(shapely.hausdorff_distance(seed, part)) + 1.0
    wanted = area_m2
    best = None
    for _ in range(3):
        # first the disc alone, which is quick; what its narrow ends lose is asked for on top the next time
        for _ in range(10):
            radius = 0.5 * (low + high)
            disc = shapely.buffer(seed, radius, quad_segs=QUARTER_SEGMENTS)
            cut = shapely.intersection(part, disc)
            if float(shapely.area(cut)) < wanted:
                low = radius
            else:
                high = radius
        pieces = shapely.get_parts(opened(cut, rules.min_width_m))
        pieces = pieces[shapely.get_dimensions(pieces) == 2]
        shape = pieces[int(np.argmax(shapely.area(pieces)))] if len(pieces) else None
        size = 0.0 if shape is None else float(shapely.area(shape))
        if rules.min_area_m2 <= size <= rules.max_area_m2:
            best = shape
        missing = area_m2 - size
        if abs(missing) <= 0.1 * area_m2:
            break
        wanted += missing
        if missing > 0.0:
            high = radius + 3.0
        else:
            low = 0.0
    return best


def _judge(home: Home, ground: Ground, rules: Rules, gain: Yield, shape: shapely.Polygon) -> Bed | None:
    """What a bed would serve and keep; None where it serves nothing or its overflow runs at a building."""
    x0, y0, x1, y1 = shapely.bounds(shape)
    xs, ys = np.meshgrid(np.arange(x0 + 0.125, x1, 0.25), np.arange(y0 + 0.125, y1, 0.25))
    inside = shapely.contains_xy(shape, xs, ys)
    xs, ys = xs[inside], ys[inside]
    if not len(xs):
        return None
    cell = ground.grid[4]
    r = np.floor((ground.grid[1] - ys) / cell - ground.grid[2]).astype(int)
    c = np.floor((xs - ground.grid[0]) / cell - ground.grid[3]).astype(int)
    if r.min() < 0 or c.min() < 0 or r.max() >= ground.z.shape[0] or c.max() >= ground.z.shape[1]:
        return None
    slopes = ground.slope[r, c]
    if not (slopes <= rules.max_slope_pct).all():
        return None
    slope = float(slopes.mean())
    elevation = float(ground.z[r, c].mean())
    band = band_of(slope, gain.breaks_pct)
    runs = np.zeros((len(home.downspouts), 5))
    for j in range(len(home.downspouts)):
        x, y = float(home.downspouts[j, 0]), float(home.downspouts[j, 1])
        line = shapely.shortest_line(shape, shapely.Point(x, y))
        px, py = shapely.get_coordinates(line)[0]
        fine, length, fall = can_serve(home, ground, rules, j, px, py, elevation)
        served = fine and run_is_clear(home, x, y, px, py)
        runs[j] = (1.0 if served else 0.0, px, py, length, fall)
    roof = float(home.downspouts[runs[:, 0] == 1.0, 3].sum())
    if roof <= 0.0:
        return None
    rim = shapely.get_coordinates(shapely.segmentize(shapely.get_exterior_ring(shape), 1.0))
    heights = np.array([sample(ground.z, ground.ground, ground.grid, x, y) for x, y in rim])
    if np.isnan(heights).all():
        return None
    lowest = rim[int(np.nanargmin(np.round(heights, 6)))]
    middle = shapely.get_coordinates(shapely.centroid(shape))[0]
    row, col = overflow_start(ground, lowest[0], lowest[1], middle[0], middle[1])
    path = np.empty((int(rules.max_trace_m / cell) + 8, 2))
    end = overflow_end(home, ground, rules, row, col, path)
    if end == flow.BUILDING_SETBACK:
        return None
    _, points = kernel.overflow_way(home, ground, rules, lowest[0], lowest[1], middle[0], middle[1], path)
    target = target_area(roof, band, gain, rules)
    area = float(shapely.area(shape))
    volume = diverted_roof(roof, min(area, target), band, gain)
    way = np.vstack([lowest[None, :], path[:points]])
    return Bed(shape, volume, band, end, slope, elevation, target, roof, runs, way)
