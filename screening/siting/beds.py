"""Beds of free form, for ground that holds a garden but no good rectangle: the trade has no standard footprint."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import beds as kernel
from screening.kernels.ground import Ground, Home, Rules, Yield, diverted_roof, target_area
from screening.kernels.outlines import draw_all

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
    # chords lie within their arcs: around a corner that juts in, the core would come too near to it
    core = shapely.buffer(ground, -radius / np.cos(np.pi / (4.0 * QUARTER_SEGMENTS)), quad_segs=QUARTER_SEGMENTS)
    return shapely.buffer(core, radius - 1e-4, quad_segs=QUARTER_SEGMENTS)


def unusable_cells(ground: Ground, allowed: FloatArray, rules: Rules) -> shapely.Geometry | None:
    """Elevation cells that reach into the ground of some edges and are too steep or missing, as one geometry."""
    x0, y0, row, col, cell = ground.grid
    left, right = allowed[:, 0].min(), allowed[:, 0].max()
    low, high = allowed[:, 1].min(), allowed[:, 1].max()
    c0 = max(0, int((left - x0) / cell - col) - 1)
    c1 = min(ground.z.shape[1], int((right - x0) / cell - col) + 2)
    r0 = max(0, int((y0 - high) / cell - row) - 1)
    r1 = min(ground.z.shape[0], int((y0 - low) / cell - row) + 2)
    if r1 <= r0 or c1 <= c0:
        return shapely.box(left, low, right, high)
    here = np.zeros((r1 - r0, c1 - c0), dtype=np.int32)
    grid = np.array([x0, y0, row + r0, col + c0, cell])
    whole = np.array([0, len(allowed)])
    draw_all(allowed, whole, np.ones(1, dtype=bool), np.ones(1, dtype=np.int64), grid, True, here)  # noqa: FBT003 - a kernel takes no keywords
    bad = (here == 1) & ~(ground.slope[r0:r1, c0:c1] <= rules.max_slope_pct)
    if not bad.any():
        return None
    r, c = np.nonzero(bad)
    x = x0 + (col + c0 + c) * cell
    y = y0 - (row + r0 + r) * cell
    return shapely.coverage_union_all(shapely.box(x, y - cell, x + cell, y))


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
    steep = unusable_cells(ground, home.allowed, rules)
    usable = allowed if steep is None else shapely.difference(allowed, steep)
    parts = shapely.get_parts(opened(usable, rules.min_width_m))
    parts = parts[shapely.area(parts) >= rules.min_area_m2]
    spouts = shapely.points(home.downspouts[:, :2])
    best: Bed | None = None
    for part in parts:
        line = shapely.shortest_line(part, spouts)
        distance = np.round(shapely.length(line), 6)
        order = np.argsort(distance, kind="stable")
        order = order[distance[order] <= home.max_run_m]
        if not len(order):
            continue
        reachable = float(home.downspouts[order, 3].sum())
        area = min(target_area(reachable, 0, gain, rules), float(shapely.area(part)))
        # no bed of this part can keep more than the best slope band would
        room = min(float(shapely.area(part)), rules.max_area_m2)
        most = max(diverted_roof(reachable, room, band, gain) for band in range(len(gain.per_roof)))
        if most <= (at_least_m2 if best is None else best.volume_m2):
            continue
        for seed in shapely.get_point(line[order[:MOST_SEEDS]], 0):
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
    reach = float(shapely.hausdorff_distance(seed, part)) + 1.0
    wanted = area_m2
    best = None
    for _ in range(3):
        # first the disc alone, which is quick; what its narrow ends lose is asked for on top the next time
        cut = _disc_of_area(part, seed, wanted, reach)
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
    return best


def _disc_of_area(part: shapely.Polygon, seed: shapely.Point, area_m2: float, reach_m: float) -> Any:
    """The ground of a part within a disc around a point, of a wanted area within 2 %."""
    low, high = 0.0, reach_m
    low_area, high_area = 0.0, float(shapely.area(part))
    if high_area <= area_m2:
        return part
    cut = part
    for _ in range(12):
        # the area grows about as the square of the radius
        share = (area_m2 - low_area) / (high_area - low_area)
        radius = float(np.sqrt(low * low + min(0.9, max(0.1, share)) * (high * high - low * low)))
        cut = shapely.intersection(part, shapely.buffer(seed, radius, quad_segs=8))
        area = float(shapely.area(cut))
        if abs(area - area_m2) <= 0.02 * area_m2:
            break
        if area < area_m2:
            low, low_area = radius, area
        else:
            high, high_area = radius, area
    return cut


def _judge(home: Home, ground: Ground, rules: Rules, gain: Yield, shape: shapely.Polygon) -> Bed | None:
    """What a bed would serve and keep; None where it serves nothing or its overflow runs at a building."""
    rim = shapely.get_coordinates(shapely.get_exterior_ring(shape))
    middle = shapely.get_coordinates(shapely.centroid(shape))[0]
    edges = np.ascontiguousarray(np.hstack([rim[:-1], rim[1:]]))
    will_do, row, runs, path = kernel.judge(home, ground, rules, gain, edges, float(shapely.area(shape)), middle)
    if not will_do:
        return None
    return Bed(
        shape,
        float(row[kernel.VOLUME]),
        int(row[kernel.BAND]),
        int(row[kernel.END]),
        float(row[kernel.SLOPE]),
        float(row[kernel.ELEV]),
        float(row[kernel.TARGET]),
        float(row[kernel.ROOF]),
        runs,
        path,
    )
