"""Beds of free form, for ground that holds a garden but no good rectangle: the trade has no standard footprint."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import beds as kernel
from screening.kernels.outlines import draw_all
from screening.outlines import edges_of

if TYPE_CHECKING:
    from screening.kernels.city import City
    from screening.kernels.ground import Ground, Rules, TownYield
    from screening.siting.search import FloatArray, IntArray

ObjectArray = npt.NDArray[Any]

QUARTER_SEGMENTS = 16
MOST_SEEDS = 2

DISC_SEGMENTS = 8
SAME_AREA = math.sqrt(math.pi / (2.0 * DISC_SEGMENTS * math.sin(math.pi / (2.0 * DISC_SEGMENTS))))
"""Radius of a disc drawn in chords over that of a round one of the same area."""

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


class Trials(NamedTuple):
    """Beds to try: part of the usable ground, home, point around which the bed grows (n, 2) [m], wanted area [m2]."""

    part: IntArray
    home: IntArray
    seed: FloatArray
    area_m2: FloatArray


def opened(ground: Any, width_m: float) -> Any:
    """The part of each ground in which a disc of the least width can lie."""
    radius = 0.5 * width_m + SLACK_M
    # chords lie within their arcs: around a corner that juts in, the core would come too near to it
    core = shapely.buffer(ground, -radius / np.cos(np.pi / (4.0 * QUARTER_SEGMENTS)), quad_segs=QUARTER_SEGMENTS)
    return shapely.buffer(core, radius - 1e-4, quad_segs=QUARTER_SEGMENTS)


def best_beds(
    city: City,
    ground: Ground,
    rules: Rules,
    gain: TownYield,
    open_ground: ObjectArray,
    rows: IntArray,
    at_least_m2: FloatArray,
) -> dict[int, Bed]:
    """The bed of each home that keeps most, where one keeps more than ``at_least_m2``.

    Parameters
    ----------
    city, ground : City, Ground
        The homes of a tile; its grid in working coordinates.
    rules, gain : Rules, Yield
    open_ground : (homes,) array of geometries
        Ground where the distance rules allow a garden, in working coordinates [m].
    rows : (n,) int array
        The homes that are to get a bed.
    at_least_m2 : (n,) array
        Measure of their best rectangle, with the gain asked for.

    Notes
    -----
    The usable ground is opened by the least width. From the point of each part nearest to each downspout, a
    disc grows until the ground within it has the wanted area; the bed is that ground, opened again.
    """
    if not len(rows):
        return {}
    usable = _usable_ground(city, ground, rules, open_ground, rows)
    parts, owner = shapely.get_parts(opened(usable, rules.min_width_m), return_index=True)
    area = shapely.area(parts)
    large = area >= rules.min_area_m2
    parts, owner, area = parts[large], owner[large], area[large]
    edges, first = edges_of(parts)
    trials = _trials(city, rules, gain, parts, area, rows[owner], at_least_m2[owner])
    shapes = _grown(parts, area, edges, first, trials, rules)
    return _best_of(city, ground, rules, gain, trials, shapes, dict(zip(rows.tolist(), at_least_m2, strict=True)))


def _usable_ground(city: City, ground: Ground, rules: Rules, open_ground: ObjectArray, rows: IntArray) -> ObjectArray:
    """Open ground of some homes in home coordinates without the elevation cells that are too steep or missing."""
    xy, owner = shapely.get_coordinates(open_ground[rows], return_index=True)
    usable: ObjectArray = shapely.set_coordinates(open_ground[rows], xy - city.origin[rows][owner])
    for k, i in enumerate(rows.tolist()):
        x, y = city.origin[i]
        grid = ground.grid - np.array([x, y, 0.0, 0.0, 0.0])
        edges = city.allowed[city.allowed_first[i] : city.allowed_first[i + 1]]
        usable[k] = without_steep_cells(usable[k], ground.slope, grid, edges, rules.max_slope_pct)
    return usable


def without_steep_cells(
    ground: shapely.Geometry, slope_pct: FloatArray, grid: FloatArray, edges: FloatArray, max_slope_pct: float
) -> shapely.Geometry:
    """Ground, of some edges, without the elevation cells that are too steep or missing."""
    x0, y0, row, col, cell = grid
    left, right = edges[:, 0].min(), edges[:, 0].max()
    low, high = edges[:, 1].min(), edges[:, 1].max()
    c0 = max(0, int((left - x0) / cell - col) - 1)
    c1 = min(slope_pct.shape[1], int((right - x0) / cell - col) + 2)
    r0 = max(0, int((y0 - high) / cell - row) - 1)
    r1 = min(slope_pct.shape[0], int((y0 - low) / cell - row) + 2)
    if r1 <= r0 or c1 <= c0:
        return shapely.Polygon()
    bad = ~(slope_pct[r0:r1, c0:c1] <= max_slope_pct)
    if not bad.any():
        return ground
    here = np.zeros((r1 - r0, c1 - c0), dtype=np.int32)
    window = np.array([x0, y0, row + r0, col + c0, cell])
    whole = np.array([0, len(edges)])
    draw_all(edges, whole, np.ones(1, dtype=bool), np.ones(1, dtype=np.int64), window, True, here)  # noqa: FBT003 - a kernel takes no keywords
    good = ~bad & (here == 1)
    bad &= here == 1

    def cells(some: npt.NDArray[np.bool_]) -> shapely.Geometry:
        """Cells as one geometry."""
        r, c = np.nonzero(some)
        x = x0 + (col + c0 + c) * cell
        y = y0 - (row + r0 + r) * cell
        return shapely.coverage_union_all(shapely.box(x, y - cell, x + cell, y))

    # on most lots in question nearly all is steep, or nearly nothing
    if not bad.any():
        return ground
    if not good.any():
        return shapely.Polygon()
    if good.sum() < bad.sum():
        return shapely.intersection(ground, cells(good))
    return shapely.difference(ground, cells(bad))


def _trials(
    city: City,
    rules: Rules,
    gain: TownYield,
    parts: ObjectArray,
    part_area_m2: FloatArray,
    home: IntArray,
    at_least_m2: FloatArray,
) -> Trials:
    """Beds to try in each part of the usable ground: around its points nearest to the nearest downspouts."""
    n_spouts = np.diff(city.downspouts_first)[home]
    part = np.repeat(np.arange(len(parts)), n_spouts)
    turn = np.arange(len(part)) - np.repeat(np.cumsum(n_spouts) - n_spouts, n_spouts)
    spout = city.downspouts[city.downspouts_first[home[part]] + turn]
    line = shapely.shortest_line(parts[part], shapely.points(spout[:, :2]))
    distance = np.round(shapely.length(line), 6)
    near = distance <= city.max_run_m[home[part]]
    part, line, distance, roof = part[near], line[near], distance[near], spout[near, 3]
    # of no downspouts numpy makes whole numbers, for which the kernel would be compiled once more
    reachable = np.bincount(part, weights=roof, minlength=len(parts)).astype(np.float64)
    target, most = kernel.prospects(reachable, part_area_m2, city.soil[home], gain, rules)
    order = np.lexsort((distance, part))
    part, line = part[order], line[order]
    # the first of each part are the nearest
    begins = np.searchsorted(part, part)
    chosen = (np.arange(len(part)) - begins < MOST_SEEDS) & (most[part] > at_least_m2[part])
    part, line = part[chosen], line[chosen]
    seed = shapely.get_coordinates(shapely.get_point(line, 0)) if len(line) else np.empty((0, 2))
    return Trials(part, home[part], seed, np.minimum(target, part_area_m2)[part])


def _grown(
    parts: ObjectArray,
    part_area_m2: FloatArray,
    edges: FloatArray,
    first: IntArray,
    trials: Trials,
    rules: Rules,
) -> ObjectArray:
    """The ground of a part nearest to each seed, of the wanted area, nowhere narrower than allowed; None without."""
    shapes = np.full(len(trials.part), None, dtype=object)
    area = part_area_m2[trials.part]
    whole = (area <= trials.area_m2 * 1.02) & (area <= rules.max_area_m2)
    shapes[whole] = parts[trials.part[whole]]
    todo = np.flatnonzero(~whole)
    wanted = trials.area_m2.copy()
    for _ in range(3):
        if not len(todo):
            break
        # first the disc alone, which is quick; what its narrow ends lose is asked for on top the next time
        radius = kernel.radii(edges, first, trials.part[todo], trials.seed[todo], wanted[todo])
        cut = parts[trials.part[todo]]
        round_ones = np.isfinite(radius)
        disc = shapely.buffer(
            shapely.points(trials.seed[todo[round_ones]]), radius[round_ones] * SAME_AREA, quad_segs=DISC_SEGMENTS
        )
        cut[round_ones] = shapely.intersection(cut[round_ones], disc)
        shape, size = _largest(opened(cut, rules.min_width_m))
        good = (size >= rules.min_area_m2) & (size <= rules.max_area_m2)
        shapes[todo[good]] = shape[good]
        missing = trials.area_m2[todo] - size
        off = np.abs(missing) > 0.1 * trials.area_m2[todo]
        wanted[todo] += missing
        todo = todo[off]
    return shapes


def _largest(geometry: ObjectArray) -> tuple[ObjectArray, FloatArray]:
    """The largest polygon of each geometry and its area [m2]; None and 0 where there is none."""
    pieces, owner = shapely.get_parts(geometry, return_index=True)
    flat = shapely.get_dimensions(pieces) == 2
    pieces, owner = pieces[flat], owner[flat]
    area = shapely.area(pieces)
    order = np.lexsort((-np.arange(len(area)), area, owner))
    last = order[np.append(np.diff(owner[order]) > 0, True)] if len(order) else order
    largest = np.full(len(geometry), None, dtype=object)
    size = np.zeros(len(geometry))
    largest[owner[last]] = pieces[last]
    size[owner[last]] = area[last]
    return largest, size


def _best_of(
    city: City,
    ground: Ground,
    rules: Rules,
    gain: TownYield,
    trials: Trials,
    shapes: ObjectArray,
    floor: dict[int, float],
) -> dict[int, Bed]:
    """Judge the trials; of each home the first that keeps most."""
    some = np.flatnonzero(~shapely.is_missing(shapes))
    shapes, home = shapes[some], trials.home[some]
    middle = shapely.get_coordinates(shapely.centroid(shapes)) if len(shapes) else np.empty((0, 2))
    edges, first = edges_of(shapely.get_exterior_ring(shapes))
    rows, runs, runs_first, path, points = kernel.judge_all(
        city, home, ground, rules, gain, edges, first, shapely.area(shapes), middle
    )
    best: dict[int, int] = {}
    for k in np.flatnonzero(rows[:, kernel.ROOF] > 0.0).tolist():
        i = int(home[k])
        least = rows[best[i], kernel.VOLUME] * (1.0 + 1e-9) if i in best else floor[i]
        if rows[k, kernel.VOLUME] > least:
            best[i] = k
    return {
        i: Bed(
            shapes[k],
            float(rows[k, kernel.VOLUME]),
            int(rows[k, kernel.BAND]),
            int(rows[k, kernel.END]),
            float(rows[k, kernel.SLOPE]),
            float(rows[k, kernel.ELEV]),
            float(rows[k, kernel.TARGET]),
            float(rows[k, kernel.ROOF]),
            runs[runs_first[k] : runs_first[k + 1]],
            path[k, : points[k]],
        )
        for i, k in best.items()
    }
