"""Each kernel against a plain twin in numpy, scipy, shapely or simple Python, written from the meaning."""

from __future__ import annotations

import heapq
from itertools import pairwise

import numpy as np
import pytest
import shapely
from made_lots import cell_centres
from scipy import ndimage
from shapely import affinity

from screening.kernels import bucket, elevation, flow, plane
from screening.kernels import ground as ground_kernel
from screening.kernels.canvas import clear_of, draw_ground, unclipped
from screening.params import load_params
from screening.roof import split_roof
from screening.siting.search import siting_rules

RNG = np.random.default_rng(20)


def grid_of(x0=0.0, y0=0.0, row=0.0, col=0.0, cell=1.0):
    return np.array([x0, y0, row, col, cell])


def edges_of(*shapes):
    """Edges (n, 4) of all rings."""
    out = [
        np.hstack([xy[:-1], xy[1:]])
        for s in shapes
        for xy in (shapely.get_coordinates(r) for r in shapely.get_rings(s))
    ]
    return np.concatenate(out) if out else np.empty((0, 4))


def star(rng, n=9, radius=10.0, centre=(0.0, 0.0)):
    """A random simple polygon around a centre."""
    angle = np.sort(rng.uniform(0.0, 2.0 * np.pi, n))
    r = radius * rng.uniform(0.35, 1.0, n)
    return shapely.polygons(np.column_stack([centre[0] + r * np.cos(angle), centre[1] + r * np.sin(angle)]))


def holey(rng):
    """A polygon with a hole."""
    return shapely.difference(star(rng), shapely.buffer(shapely.Point(0.0, 0.0), 1.2, quad_segs=2))


# --- slope and aspect ------------------------------------------------------------------------------------------------


def horn_twin(z, ground, cell):
    """East and south gradient from whole-array differences.

    A row through the window counts with its outer cells; where one is missing, with its middle and the other.
    """
    z = np.pad(np.where(ground, z, np.nan), 2, constant_values=np.nan)

    def along(columns):
        # difference of the two neighbours where both are known, else the one-sided difference
        two = (np.roll(columns, -1, axis=1) - np.roll(columns, 1, axis=1)) / (2.0 * cell)
        ahead = (np.roll(columns, -1, axis=1) - columns) / cell
        back = (columns - np.roll(columns, 1, axis=1)) / cell
        best = np.where(np.isnan(two), np.where(np.isnan(back), ahead, back), two)
        weight = np.where(np.isnan(best), 0.0, 1.0)
        best = np.nan_to_num(best)
        rows = [(np.roll(best, k, axis=0), np.roll(weight, k, axis=0), 2.0 if k == 0 else 1.0) for k in (-1, 0, 1)]
        total = sum(w * f for _, w, f in rows)
        with np.errstate(invalid="ignore", divide="ignore"):
            return sum(b * w * f for b, w, f in rows) / total

    east = along(z)[2:-2, 2:-2]
    south = along(z.T).T[2:-2, 2:-2]
    slope = np.where(ground, 100.0 * np.hypot(east, south), np.nan)
    aspect = np.degrees(np.arctan2(-east, south)) % 360.0
    return slope, np.where(ground & (slope > 0.0), aspect, np.nan)


@pytest.mark.parametrize("missing", [0.0, 0.02, 0.2, 0.6])
def test_horn_with_and_without_missing_cells(missing):
    rng = np.random.default_rng(int(100 * missing))
    z = rng.normal(100.0, 1.0, (40, 33))
    ground = rng.random(z.shape) >= missing
    aspect = np.empty(z.shape)
    slope = elevation.horn(z, ground, 0.7, aspect)
    slope_twin, aspect_twin = horn_twin(z, ground, 0.7)
    np.testing.assert_allclose(slope, slope_twin, rtol=1e-10, equal_nan=True)
    np.testing.assert_allclose(aspect, aspect_twin, rtol=1e-10, equal_nan=True)
    assert np.isnan(slope).sum() >= (~ground).sum()


def test_a_plane_keeps_its_slope_and_aspect_beside_walls_and_edges():
    x, y = cell_centres(0.0, 0.0, 30, 30, 2.0)
    east, north = 0.03, -0.05
    z = 50.0 + east * x + north * y
    ground = np.ones(z.shape, dtype=bool)
    ground[10:15, 8:20] = False
    aspect = np.empty(z.shape)
    slope = elevation.horn(z, ground, 2.0, aspect)
    np.testing.assert_allclose(slope[ground], 100.0 * np.hypot(east, north), rtol=1e-9)
    # downhill is to the west and north
    np.testing.assert_allclose(aspect[ground], np.degrees(np.arctan2(-east, -north)) % 360.0, rtol=1e-9)
    assert np.isnan(slope[~ground]).all()


# --- samples ---------------------------------------------------------------------------------------------------------


def test_samples_are_bilinear():
    z = RNG.normal(size=(20, 25))
    x0, y0, cell = 300.0, 900.0, 1.5
    xy = np.column_stack([x0 + RNG.uniform(0.8, 36.6, 200), y0 - RNG.uniform(0.8, 29.2, 200)])
    got = elevation.sample_many(z, np.ones(z.shape, dtype=bool), grid_of(x0, y0, cell=cell), xy)
    at = np.array([(y0 - xy[:, 1]) / cell - 0.5, (xy[:, 0] - x0) / cell - 0.5])
    np.testing.assert_allclose(got, ndimage.map_coordinates(z, at, order=1), rtol=1e-10, atol=1e-12)


def test_samples_beside_a_house_follow_the_plane_of_the_yard():
    x, y = cell_centres(0.0, 0.0, 40, 40, 1.0)
    z = 20.0 + 0.04 * x - 0.02 * y
    ground = np.ones(z.shape, dtype=bool)
    ground[15:24, 15:27] = False
    z[~ground] = 99.0  # made up, as a bare-earth model is under houses
    xy = np.array(
        [(15.0, -18.3), (27.0, -20.0), (21.0, -15.0), (15.0, -15.0), (26.8, -23.9), (0.2, -0.2), (39.9, -39.7)]
    )
    got = elevation.sample_many(z, ground, grid_of(), xy)
    np.testing.assert_allclose(got, 20.0 + 0.04 * xy[:, 0] - 0.02 * xy[:, 1], rtol=1e-12)
    # in the middle of a large house and off the raster nothing is known
    ground[:] = True
    ground[5:35, 5:35] = False
    assert np.isnan(
        elevation.sample_many(z, ground, grid_of(), np.array([(20.0, -20.0), (-3.0, -5.0), (45.0, -5.0)]))
    ).all()


def test_samples_are_the_same_in_every_window():
    z = RNG.normal(size=(60, 60))
    ground = RNG.random(z.shape) > 0.15
    xy = np.column_stack([1000.0 + RNG.uniform(25, 35, 300), 2000.0 - RNG.uniform(25, 35, 300)])
    whole = elevation.sample_many(z, ground, grid_of(1000.0, 2000.0), xy)
    part = elevation.sample_many(z[12:50, 9:52], ground[12:50, 9:52], grid_of(1000.0, 2000.0, 12.0, 9.0), xy)
    assert np.array_equal(whole, part, equal_nan=True)


def test_the_plane_around_a_house_is_that_of_least_squares():
    rng = np.random.default_rng(3)
    for _ in range(8):
        house = shapely.box(20.0, -30.0, 29.0, -21.0)
        lot = star(rng, 8, 22.0, (25.0, -25.0)).union(shapely.buffer(house, 4.0))
        x, y = cell_centres(0.0, 0.0, 50, 50, 1.0)
        z = 10.0 + 0.03 * x + 0.01 * y + rng.normal(0.0, 0.1, x.shape)
        ground = rng.random(z.shape) > 0.1
        got = elevation.ring_plane(z, ground, grid_of(), edges_of(house), edges_of(lot), 1.0, 10.0)
        points = shapely.points(x, y)
        distance = shapely.distance(points, house)
        use = ground & shapely.contains_properly(lot, points) & (distance >= 1.0) & (distance <= 10.0)
        design = np.column_stack([np.ones(use.sum()), x[use], y[use]])
        fit, residual, _, _ = np.linalg.lstsq(design, z[use], rcond=None)
        np.testing.assert_allclose(got[:2], fit[1:], rtol=1e-8)
        np.testing.assert_allclose(got[2], 1.0 - residual[0] / ((z[use] - z[use].mean()) ** 2).sum(), rtol=1e-8)
        assert got[3] == use.sum()
        np.testing.assert_allclose(got[4], np.polyfit(distance[use], z[use], 1)[0], rtol=1e-6)
        np.testing.assert_allclose(got[5], np.sqrt(residual[0] / use.sum()), rtol=1e-8)


def test_too_little_ground_gives_no_plane():
    z = np.zeros((50, 50))
    house, lot = shapely.box(20, -30, 29, -21), shapely.box(18, -32, 31, -19)
    ground = np.zeros(z.shape, dtype=bool)
    ground[19:21, 18:20] = True  # one of the four is nearer than a metre to the house
    got = elevation.ring_plane(z, ground, grid_of(), edges_of(house), edges_of(lot), 1.0, 10.0)
    assert np.isnan(got[:2]).all()
    assert got[3] == 3


# --- steepest descent and the way of the overflow --------------------------------------------------------------------


def d8_twin(z):
    """Directions from shifted arrays; the codes go clockwise from east."""
    padded = np.pad(z, 1, constant_values=np.nan)
    drops = []
    for dr, dc in ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)):
        there = padded[1 + dr : 1 + dr + z.shape[0], 1 + dc : 1 + dc + z.shape[1]]
        drops.append(np.nan_to_num((z - there) / np.hypot(dr, dc), nan=-np.inf))
    drops = np.array(drops)
    return np.where(drops.max(axis=0) > 0.0, 2 ** drops.argmax(axis=0), 0)


def test_directions_of_steepest_descent():
    z = RNG.normal(size=(60, 50))
    assert np.array_equal(flow.d8(z), d8_twin(z))


def test_of_equal_drops_the_first_from_east_clockwise_is_taken():
    z = np.array([[5.0, 5.0, 5.0], [1.0, 9.0, 1.0], [5.0, 1.0, 5.0]])
    assert flow.d8(z)[1, 1] == 1  # east before south and west
    z[1, 2] = 5.0
    assert flow.d8(z)[1, 1] == 4  # south before west


class Land:
    """Ground for traces: one own lot, the rest as given."""

    def __init__(self, z, lots, drains=None, buildings=(), setback=3.0, pit=0.1, most=100.0, cell=1.0):
        self.z, self.lots, self.buildings = z, lots.astype(np.int32), buildings
        self.drains = np.zeros(z.shape, dtype=bool) if drains is None else drains
        self.setback, self.pit, self.most, self.cell = setback, pit, most, cell

    def trace(self, r, c, memo=None):
        """End code and the cells of the way by the kernel."""
        path = np.empty((int(self.most / self.cell) + 8, 2))
        memo = np.empty((0, 0), dtype=np.int8) if memo is None else memo
        near = np.ones(self.z.shape, dtype=bool)
        code, n = flow.trace(
            self.z, grid_of(cell=self.cell), self.lots, self.drains, near, 1, edges_of(*self.buildings), self.setback,
            self.pit, self.most, r, c, path, memo,
        )  # fmt: skip
        cells = np.column_stack([-path[:n, 1], path[:n, 0]]) / self.cell - 0.5
        return code, [tuple(v) for v in np.round(cells).astype(int).tolist()]

    def walk(self, r, c):
        """The same in plain Python for ground without hollows; None where there is one."""
        codes = d8_twin(self.z)
        way, length = [], 0.0
        outside = 0
        walls = shapely.union_all(list(self.buildings)) if self.buildings else None
        while True:
            if not (0 <= r < self.z.shape[0] and 0 <= c < self.z.shape[1]):
                return flow.OFF_ELEVATION, way
            way.append((r, c))
            line = [((q + 0.5) * self.cell, -(p + 0.5) * self.cell) for p, q in way[-2:]]
            step = shapely.LineString(line) if len(line) > 1 else shapely.Point(line[0])
            length += step.length
            if walls is not None and walls.distance(step) < self.setback - 1e-3:
                return flow.BUILDING_SETBACK, way
            if self.drains[r, c]:
                return flow.DRAINAGE, way
            lot = self.lots[r, c]
            if lot not in (0, 1):
                return flow.NEIGHBOUR_LOT, way
            if lot == 0:
                around = self.lots[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
                outside += 1
                if outside == 2 or not np.isin(around, (0, 1), invert=True).any():
                    return flow.STREET, way
            else:
                outside = 0
            if length >= self.most:
                return (flow.STREET if lot == 0 else flow.OWN_GROUND), way
            if codes[r, c] == 0:
                return None, way
            k = int(np.log2(codes[r, c]))
            r += (0, 1, 1, 1, 0, -1, -1, -1)[k]
            c += (1, 1, 0, -1, -1, -1, 0, 1)[k]


def slope_with_noise(rng, shape=(60, 60), noise=0.02, steep=0.06):
    x, y = cell_centres(0.0, 0.0, *shape, 1.0)
    angle = rng.uniform(0.0, 2.0 * np.pi)
    return 50.0 + steep * (np.cos(angle) * x + np.sin(angle) * y) + noise * rng.normal(size=shape)


def random_land(rng):
    """A lot amid a street, a neighbour, a ditch and two houses."""
    z = slope_with_noise(rng)
    lots = np.zeros(z.shape, dtype=np.int32)
    lots[15:45, 15:45] = 1
    lots[15:45, 46 : 46 + rng.integers(1, 14)] = 2
    lots[45 : 45 + rng.integers(1, 15), 15:45] = 3
    drains = np.zeros(z.shape, dtype=bool)
    drains[15:20, rng.integers(15, 40)] = True
    houses = [shapely.box(x, y - 6.0, x + 7.0, y) for x, y in rng.uniform((12, -44), (40, -20), (2, 2))]
    return Land(z, lots, drains, houses, setback=rng.uniform(0.8, 3.0), pit=0.0)


def test_the_way_of_the_overflow_cell_by_cell():
    rng = np.random.default_rng(8)
    ends = []
    for _ in range(60):
        land = random_land(rng)
        for r, c in rng.integers(16, 44, (12, 2)).tolist():
            if shapely.contains_xy(shapely.union_all(land.buildings), c + 0.5, -r - 0.5):
                continue
            code, way = land.trace(r, c)
            wanted, walked = land.walk(r, c)
            if wanted is None:
                # a hollow, and none may be passed
                assert code in (flow.OWN_LOW_SPOT, flow.STREET, flow.OFF_ELEVATION)
                continue
            assert (code, way) == (wanted, walked)
            ends.append(code)
    # every kind of end came up, or the test looked at nothing
    assert set(ends) >= {flow.STREET, flow.DRAINAGE, flow.NEIGHBOUR_LOT, flow.BUILDING_SETBACK}


def test_ends_remembered_along_the_way_are_those_traced_afresh():
    rng = np.random.default_rng(9)
    for _ in range(20):
        land = random_land(rng)
        land.pit = 0.1
        memo = np.zeros(land.z.shape, dtype=np.int8)
        for r, c in rng.integers(16, 44, (60, 2)):
            assert land.trace(r, c, memo)[0] == land.trace(r, c)[0]


def pour_point(z, r, c):
    """How high water has to rise in a pit until it runs to a lower cell: priority flood with heapq."""
    heap, seen, level = [(z[r, c], r, c)], {(r, c)}, z[r, c]
    while heap:
        height, p, q = heapq.heappop(heap)
        level = max(level, height)
        if z[p, q] < z[r, c]:
            return level - z[r, c]
        for dp in (-1, 0, 1):
            for dq in (-1, 0, 1):
                i, j = p + dp, q + dq
                if (i, j) not in seen and 0 <= i < z.shape[0] and 0 <= j < z.shape[1]:
                    seen.add((i, j))
                    heapq.heappush(heap, (z[i, j], i, j))
    return np.inf


def test_shallow_hollows_are_passed_over_their_lowest_rim_and_deep_ones_hold():
    rng = np.random.default_rng(10)
    passed = held = 0
    for _ in range(60):
        z = slope_with_noise(rng, noise=0.05, steep=0.03)
        land = Land(z, np.ones(z.shape), pit=0.06)
        code, way = land.trace(30, 30)
        heights = np.array([z[p] for p in way])
        above = heights - np.minimum.accumulate(heights)
        assert above.max() <= 0.06 + 1e-9
        assert all(max(abs(a[0] - b[0]), abs(a[1] - b[1])) == 1 for a, b in pairwise(way))
        passed += above.max() > 0.0
        if code == flow.OWN_LOW_SPOT:
            assert pour_point(z, *way[-1]) > 0.06
            held += 1
    assert passed > 5
    assert held > 5


def test_a_way_that_reaches_the_raster_s_edge_or_a_gap_cannot_be_followed():
    z = slope_with_noise(np.random.default_rng(1), noise=0.0)
    assert Land(z, np.ones(z.shape)).trace(30, 30)[0] == flow.OFF_ELEVATION
    flat = np.fromfunction(lambda r, c: 10.0 - 0.1 * c + 0.0 * r, (20, 40))
    flat[:, 25] = np.nan
    code, way = Land(flat, np.ones(flat.shape)).trace(10, 10)
    assert code == flow.OFF_ELEVATION
    assert way[-1] == (10, 24)


def test_a_long_way_is_cut():
    z = np.fromfunction(lambda r, c: 10.0 - 0.01 * c + 0.0 * r, (5, 200))
    code, way = Land(z, np.ones(z.shape), most=50.0).trace(2, 3)
    assert code == flow.OWN_GROUND
    assert len(way) == 51


def test_a_step_through_a_wall_is_seen_however_small_the_setback():
    # each end of a diagonal step lies 0.7 m from the wall, the setback is 0.61 m (New Jersey without a basement)
    x, y = cell_centres(0.0, 0.0, 30, 30, 1.0)
    z = 50.0 - 0.05 * x + 0.05 * y
    house = shapely.Polygon([(4.0, -16.0), (16.0, -4.0), (23.0, -11.0), (11.0, -23.0)])
    land = Land(z, np.ones(z.shape), buildings=[house], setback=0.61)
    assert land.walk(5, 5)[0] == flow.BUILDING_SETBACK
    assert land.trace(5, 5)[0] == flow.BUILDING_SETBACK


# --- plane geometry --------------------------------------------------------------------------------------------------


def test_points_in_polygons_and_distances():
    for _ in range(20):
        shape = holey(RNG)
        edges = edges_of(shape)
        xy = RNG.uniform(-12.0, 12.0, (50, 2))
        points = shapely.points(xy)
        assert [plane.inside(edges, *p) for p in xy] == shapely.contains_properly(shape, points).tolist()
        wanted = shapely.distance(shapely.boundary(shape), points)
        np.testing.assert_allclose([plane.distance_to_edges(edges, *p) for p in xy], wanted, atol=1e-12)
    assert plane.distance_to_edges(np.empty((0, 4)), 1.0, 2.0) == np.inf
    assert plane.point_segment_distance(3.0, 4.0, 0.0, 0.0, 0.0, 0.0) == 5.0


def test_segments_that_cross_or_enter():
    for _ in range(20):
        shape = holey(RNG)
        edges = edges_of(shape)
        lines = RNG.uniform(-12.0, 12.0, (60, 4))
        segments = shapely.linestrings(lines.reshape(-1, 2, 2))
        crossed = shapely.intersects(shapely.boundary(shape), segments)
        entered = shapely.length(shapely.intersection(segments, shape)) > 1e-9
        assert [plane.crosses(edges, *line) for line in lines] == crossed.tolist()
        assert [plane.segment_enters(edges, *line) for line in lines] == entered.tolist()


def test_runs_that_start_on_a_wall_or_a_corner():
    house = edges_of(shapely.box(0.0, 0.0, 10.0, 8.0))
    runs = {
        (5.0, 8.0, 5.0, 12.0): False,  # away from a wall
        (0.0, 0.0, -3.0, -4.0): False,  # away from a corner
        (0.0, 0.0, 10.0, 0.0): False,  # along a wall
        (0.0, 0.0, 14.0, 0.0): False,  # along a wall and on
        (0.0, 0.0, 14.0, -1.0): False,
        (5.0, 0.0, 5.0, 12.0): True,  # through the house
        (0.0, 0.0, 12.0, 9.6): True,  # from corner to corner and out
        (0.0, 0.0, 10.0, 8.0): True,  # from corner to corner
        (0.0, 4.0, 10.0, 4.0): True,
    }
    for run, enters in runs.items():
        assert plane.segment_enters(house, *run) == enters, run
    assert not plane.segment_enters(house, 1.0, 1.0, 1.0, 1.0)


def test_rectangles_within_an_area():
    fits = 0
    for _ in range(30):
        shape = holey(RNG)
        edges = edges_of(shape)
        for _ in range(20):
            angle, length, width = RNG.uniform(0, np.pi), RNG.uniform(0.3, 6.0), RNG.uniform(0.3, 4.0)
            cx, cy = RNG.uniform(-8.0, 8.0, 2)
            ux, uy = np.cos(angle), np.sin(angle)
            signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
            corners = (cx, cy) + signs * (length, width) / 2 @ np.array([(ux, uy), (-uy, ux)])
            wanted = bool(shapely.covers(shape, shapely.polygons(corners)))
            assert plane.rectangle_within(edges, cx, cy, ux, uy, length, width) == wanted
            fits += wanted
    assert fits > 50


def test_a_rectangle_may_touch_the_border():
    edges = edges_of(shapely.box(0.0, 0.0, 4.0, 2.0))
    assert plane.rectangle_within(edges, 2.0, 1.0, 1.0, 0.0, 4.0, 2.0)
    assert not plane.rectangle_within(edges, 2.0, 1.0, 1.0, 0.0, 4.001, 2.0)


def test_segments_through_the_open_box():
    for _ in range(300):
        line = RNG.uniform(-4.0, 4.0, 4)
        box = shapely.box(-2.0, -1.0, 2.0, 1.0)
        wanted = shapely.length(shapely.intersection(box, shapely.LineString(line.reshape(2, 2)))) > 1e-12
        assert plane.box_meets_edge(2.0, 1.0, *line) == wanted
    # along its side is outside
    assert not plane.box_meets_edge(2.0, 1.0, -3.0, 1.0, 3.0, 1.0)


# --- roofs -----------------------------------------------------------------------------------------------------------

HOUSES = {
    "rectangle": shapely.box(0.0, 0.0, 12.0, 8.0),
    "square": shapely.box(0.0, 0.0, 9.0, 9.0),
    "L": shapely.box(0.0, 0.0, 14.0, 10.0).difference(shapely.box(8.0, 5.0, 20.0, 20.0)),
    "T": shapely.box(0.0, 0.0, 16.0, 6.0).union(shapely.box(5.0, 0.0, 11.0, 13.0)),
    "U": shapely.box(0.0, 0.0, 15.0, 12.0).difference(shapely.box(5.0, 5.0, 10.0, 20.0)),
    "octagon": shapely.Point(0.0, 0.0).buffer(6.0, quad_segs=2),
    "skew": shapely.Polygon([(0.0, 0.0), (11.0, 1.5), (12.0, 8.0), (5.0, 9.0), (-1.0, 6.0)]),
}


def nearest_shares(house, eaves, spouts, step=0.07):
    """Shares by brute force: points of a fine grid drain to the nearest eave, and along it to the nearest downspout.

    ``eaves`` are the lines that carry a gutter, each with the downspouts on it or, where there are none, all of them.
    """
    x1, y1, x2, y2 = house.bounds
    x, y = (v.ravel() for v in np.meshgrid(np.arange(x1 + step / 2, x2, step), np.arange(y1 + step / 2, y2, step)))
    points = shapely.points(x, y)[shapely.contains_xy(house, x, y)]
    gutter = np.argmin([shapely.distance(points, eave) for eave in eaves], axis=0)
    out = np.zeros(len(spouts))
    for k, eave in enumerate(eaves):
        mine = points[gutter == k]
        if not len(mine):
            continue
        at = shapely.line_locate_point(eave, mine)
        on_it = np.flatnonzero(shapely.distance(eave, shapely.points(spouts)) < 1e-6)
        place = shapely.line_locate_point(eave, shapely.points(spouts[on_it]))
        gap = np.abs(at[:, None] - place)
        if eave.is_ring:
            gap = np.minimum(gap, eave.length - gap)
        out += np.bincount(on_it[np.argmin(gap, axis=1)], minlength=len(spouts))
    return out / len(points)


def split_by_tool(house, spouts, party_walls=None, **changes):
    params = load_params(None, {f"roof.{key}": value for key, value in {"form": "hip", **changes}.items()})
    return split_roof(house, party_walls, spouts, params.roof)


def by_place(xy, values):
    """Values in the order of their places."""
    return values[np.lexsort(np.round(xy, 4).T)]


@pytest.mark.parametrize("name", HOUSES)
@pytest.mark.parametrize("seed", range(4))
def test_a_hip_roof_drains_to_the_nearest_eave_and_the_nearest_downspout(name, seed):
    house = affinity.rotate(HOUSES[name], 33.0 * seed, origin=(0, 0))
    ring = shapely.LineString(house.exterior.coords)
    rng = np.random.default_rng(seed)
    places = np.sort(rng.uniform(0.0, ring.length, rng.integers(1, 7)))
    spouts = shapely.get_coordinates(shapely.line_interpolate_point(ring, places))
    split = split_by_tool(house, spouts)
    np.testing.assert_allclose(by_place(split.xy, split.xy), by_place(spouts, spouts), atol=1e-4)
    wanted = nearest_shares(house, [ring], spouts)
    np.testing.assert_allclose(by_place(split.xy, split.share_frac), by_place(spouts, wanted), atol=0.01)
    # drawn parts have these areas and hold these points
    drawn = np.array([0.0 if part is None else part.area for part in split.part])
    np.testing.assert_allclose(drawn / house.area, split.share_frac, atol=2e-3)
    whole = shapely.union_all([part for part in split.part if part is not None])
    assert whole.symmetric_difference(house).area < 2e-3 * house.area


@pytest.mark.parametrize("seed", range(4))
def test_a_gable_roof_drains_to_its_long_eaves(seed):
    house = affinity.rotate(HOUSES["rectangle"], 25.0 * seed, origin=(0, 0))
    xy = shapely.get_coordinates(house)
    sides = [shapely.LineString(xy[k : k + 2]) for k in range(4)]
    long = [side for side in sides if side.length > 10.0]
    rng = np.random.default_rng(seed)
    spouts = np.array([shapely.get_coordinates(e.interpolate(t, normalized=True))[0] for e in long
                       for t in rng.uniform(0.05, 0.95, rng.integers(1, 4))])  # fmt: skip
    split = split_by_tool(house, spouts, form="gable")
    wanted = nearest_shares(house, long, spouts)
    np.testing.assert_allclose(by_place(split.xy, split.share_frac), by_place(spouts, wanted), atol=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_a_party_wall_is_no_eave(seed):
    """A row house 7 m wide and 10 m deep with neighbours on both long sides: water goes to the front and the back."""
    house = shapely.box(0.0, 0.0, 7.0, 10.0)
    walls = shapely.buffer(shapely.MultiLineString([[(0, 0), (0, 10)], [(7, 0), (7, 10)]]), 0.2)
    front, back = shapely.LineString([(0, 0), (7, 0)]), shapely.LineString([(0, 10), (7, 10)])
    rng = np.random.default_rng(seed)
    spouts = np.array([*((x, 0.0) for x in rng.uniform(0.5, 6.5, 2)), (rng.uniform(0.5, 6.5), 10.0)])
    split = split_by_tool(house, spouts, party_walls=walls)
    wanted = nearest_shares(house, [front, back], spouts)
    np.testing.assert_allclose(by_place(split.xy, split.share_frac), by_place(spouts, wanted), atol=0.01)


# --- the roof  ------------------------------------------------------------------------------------------------------


def runoff_twin(rain, loss, dry_steps, frozen):
    """Each storm apart: a storm ends where ``dry_steps`` steps without rain follow."""
    out = np.zeros(len(rain))
    fallen, quiet = 0.0, dry_steps
    for i, mm in enumerate(rain):
        if frozen[i] or mm <= 0.0:
            quiet += 1
            continue
        if quiet >= dry_steps or dry_steps < 1:
            fallen = 0.0
        quiet = 0
        out[i] = max(0.0, fallen + mm - loss) - max(0.0, fallen - loss)
        fallen += mm
    return out


@pytest.mark.parametrize("dry_steps", [0, 1, 2, 12])
def test_runoff_of_a_roof_storm_by_storm(dry_steps):
    rng = np.random.default_rng(dry_steps)
    rain = np.where(rng.random(3000) < 0.15, rng.exponential(1.5, 3000), 0.0)
    frozen = rng.random(3000) < 0.1
    got = bucket.roof_runoff_mm(rain, 1.27, dry_steps, frozen)
    np.testing.assert_allclose(got, runoff_twin(rain, 1.27, dry_steps, frozen), atol=1e-10)
    assert got.sum() > 0.0


# --- one home's ground -----------------------------------------------------------------------------------------------


def test_slope_bands_take_a_break_into_the_gentler_one():
    breaks = np.array([4.0, 8.0])
    slopes = np.array([0.0, 3.99, 4.0, 4.01, 8.0, 8.01, 30.0])
    assert [ground_kernel.band_of(s, breaks) for s in slopes] == np.searchsorted(breaks, slopes, side="left").tolist()


def test_what_a_garden_diverts_is_interpolated_over_the_logarithm():
    first, step = np.log(0.002), 0.07
    fraction = np.sort(RNG.random((2, 80)), axis=1)
    gain = ground_kernel.Yield(
        np.array([4.0]),
        fraction,
        first,
        step,
        np.array([0.3, 0.2]),
        0.0,
        np.array([0.1, 0.15]),
        0.0,
        0.0,
        0.0,
        9.0,
        1.0,
    )
    for _ in range(200):
        roof, area, band = RNG.uniform(1, 300), RNG.uniform(0.5, 40), int(RNG.integers(0, 2))
        at = np.log(area / roof)
        wanted = roof * np.interp(at, first + step * np.arange(80), fraction[band])
        if at < first:
            wanted = roof * fraction[band, 0] * (area / roof) / np.exp(first)
        assert ground_kernel.diverted_roof(roof, area, band, gain) == pytest.approx(wanted, rel=1e-9)
    assert ground_kernel.diverted_roof(0.0, 5.0, 0, gain) == 0.0


def test_the_nearest_point_of_a_rectangle():
    for _ in range(100):
        angle, hl, hw = RNG.uniform(0, np.pi), RNG.uniform(0.5, 4), RNG.uniform(0.5, 3)
        cx, cy, x, y = RNG.uniform(-9, 9, 4)
        ux, uy = np.cos(angle), np.sin(angle)
        signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
        shape = shapely.polygons((cx, cy) + signs * (hl, hw) @ np.array([(ux, uy), (-uy, ux)]))
        px, py = ground_kernel.nearest_on_rectangle(x, y, cx, cy, ux, uy, hl, hw)
        wanted = shapely.get_coordinates(shapely.shortest_line(shapely.Point(x, y), shape))[-1]
        np.testing.assert_allclose((px, py), wanted, atol=1e-9)


def rules_of(**overrides):
    """The kernels' rules from parameters."""
    return siting_rules(load_params(None, overrides)).rules


def ground_of(z, slope, cell=1.0, x0=-30.0, y0=30.0):
    """Ground in home coordinates without buildings, one lot everywhere."""
    free = np.zeros(z.shape, dtype=bool)
    return ground_kernel.Ground(
        z=z, ground=~np.isnan(z), slope=slope, lots=np.ones(z.shape, dtype=np.int32), drains=free, built=free,
        memo=np.zeros(z.shape, dtype=np.int8), grid=grid_of(x0, y0, cell=cell),
    )  # fmt: skip


def home_with(allowed, spouts, buildings=(), lot=None):
    """A home; downspouts are x, y, z, roof area."""
    return ground_kernel.Home(
        allowed=edges_of(allowed), lot=edges_of(shapely.box(-29, -29, 29, 29) if lot is None else lot),
        buildings=edges_of(*buildings), own=1, downspouts=np.array(spouts, dtype=float), foundation_m=3.05,
        max_run_m=15.0, barriers=edges_of(*buildings),
    )  # fmt: skip


def sloping_ground(east=0.02, north=-0.03, cell=1.0):
    """A plane, and its slope with some steep and some unknown cells."""
    x, y = cell_centres(-30.0, 30.0, int(60 / cell), int(60 / cell), cell)
    z = 50.0 + east * x + north * y
    slope = np.full(z.shape, 100.0 * np.hypot(east, north))
    return x, y, z, slope


@pytest.mark.parametrize("strict", [True, False])
@pytest.mark.parametrize("angle", [0.0, 0.3, 1.2])
def test_allowed_ground_drawn_on_the_turned_grid(strict, angle):
    rng = np.random.default_rng(5)
    step = 0.25
    _, _, z, slope = sloping_ground()
    slope[rng.random(slope.shape) < 0.1] = 20.0
    slope[rng.random(slope.shape) < 0.05] = np.nan
    for _ in range(4):
        allowed = holey(rng)
        taken = shapely.box(*rng.uniform(-9, 0, 2), *rng.uniform(1, 6, 2))
        home = home_with(allowed, [(0.0, 0.0, 50.0, 60.0), (3.0, 1.0, 50.0, 40.0)])
        ux, uy = np.cos(angle), np.sin(angle)
        canvas = draw_ground(
            home, ground_of(z, slope), rules_of(), edges_of(taken), ux, uy, step, 15.0, strict, unclipped()
        )
        i0, j0 = canvas.i0, canvas.j0
        used = np.diff(np.diff(canvas.usable, axis=0), axis=1)
        i, j = np.meshgrid(np.arange(used.shape[0]), np.arange(used.shape[1]), indexing="ij")
        u, v = (i0 + i + 0.5) * step, (j0 + j + 0.5) * step
        x, y = u * ux - v * uy, u * uy + v * ux
        r, c = np.floor(30.0 - y).astype(int), np.floor(x + 30.0).astype(int)
        here = slope[r, c]
        points = shapely.points(x, y)
        fine = shapely.contains_xy(allowed, x, y) & (here <= 12.0)
        gap = shapely.distance(points, taken)
        fine &= gap > 1.5 + 0.71 * step
        corner = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]) * step
        corner = corner @ np.array([(ux, uy), (-uy, ux)])
        cells = shapely.polygons(np.stack([x, y], axis=-1)[..., None, :] + corner)
        crossed = shapely.intersects(shapely.boundary(allowed), cells)
        if strict:
            # a cell whose very corner an edge cuts may go either way
            deep = shapely.length(shapely.intersection(shapely.boundary(allowed), cells)) > 0.25 * step
            assert not used[deep].any()
            np.testing.assert_array_equal(used[~crossed], fine[~crossed])
        else:
            np.testing.assert_array_equal(used == 1, fine)
        assert used.sum() > 100
        sums = np.diff(np.diff(canvas.slope_sum, axis=0), axis=1)
        np.testing.assert_allclose(sums, np.where(used == 1, here, 0.0), atol=1e-6)
        assert canvas.least_pct == here[used == 1].min()
        assert canvas.greatest_pct == here[used == 1].max()


def test_points_clear_of_another_garden():
    rng = np.random.default_rng(6)
    for _ in range(20):
        taken = star(rng)
        xy = rng.uniform(-14, 14, (40, 2))
        wanted = shapely.distance(taken, shapely.points(xy)) >= 1.5
        assert [clear_of(edges_of(taken), x, y, 1.5) for x, y in xy] == wanted.tolist()


def test_mean_and_lowest_ground_of_a_rectangle_on_a_plane():
    rng = np.random.default_rng(7)
    for _ in range(30):
        east, north = rng.uniform(-0.1, 0.1, 2)
        _, _, z, slope = sloping_ground(east, north)
        ground = ground_of(z, slope)
        angle, hl, hw = rng.uniform(0, np.pi), rng.uniform(1, 4), rng.uniform(0.75, 3)
        cx, cy = rng.uniform(-15, 15, 2)
        ux, uy = np.cos(angle), np.sin(angle)
        mean = ground_kernel.mean_elevation(ground, cx, cy, ux, uy, hl, hw)
        assert mean == pytest.approx(50.0 + east * cx + north * cy, abs=1e-9)
        x, y = ground_kernel.low_rim(ground, cx, cy, ux, uy, hl, hw)
        corners = (cx, cy) + np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (hl, hw) @ np.array([(ux, uy), (-uy, ux)])
        lowest = (corners @ (east, north)).min()
        assert east * x + north * y == pytest.approx(lowest, abs=1e-5)


@pytest.mark.parametrize(("point", "drop", "fine"), [
    ((0.0, 10.0), 0.11, True),
    ((0.0, 10.0), 0.09, False),  # 1 % of 10 m is 0.10 m
    ((0.0, 14.99), 1.0, True),
    ((0.0, 15.01), 1.0, False),  # too far
    ((0.0, 0.5), -0.2, False),  # uphill
])  # fmt: skip
def test_a_downspout_serves_what_is_near_and_lower(point, drop, fine):
    z = np.full((60, 60), 50.0)
    home = home_with(shapely.box(-20, -20, 20, 20), [(0.0, 0.0, 50.0 + drop, 60.0)])
    got, length, fall = ground_kernel.can_serve(home, ground_of(z, z * 0.0), rules_of(), 0, *point, 50.0)
    assert got == fine
    assert length == pytest.approx(np.hypot(*point))
    if length <= 15.0:
        assert fall == pytest.approx(drop)


def test_the_mean_ground_of_the_garden_has_to_be_lower_too():
    z = np.full((60, 60), 50.0)
    home = home_with(shapely.box(-20, -20, 20, 20), [(0.0, 0.0, 50.2, 60.0)])
    ground = ground_of(z, z * 0.0)
    assert ground_kernel.can_serve(home, ground, rules_of(), 0, 0.0, 10.0, 50.05)[0]
    assert not ground_kernel.can_serve(home, ground, rules_of(), 0, 0.0, 10.0, 50.15)[0]


def test_straight_ways_that_stay_on_the_lot_and_out_of_buildings():
    rng = np.random.default_rng(11)
    seen = {True: 0, False: 0}
    for _ in range(60):
        lot = star(rng, 8, 25.0).union(shapely.Point(0.0, 0.0).buffer(9.0, quad_segs=3))
        house = affinity.rotate(shapely.box(-5, -4, 5, 4), rng.uniform(0, 90))
        shed = affinity.translate(shapely.box(0, 0, 3, 2), *rng.uniform(-12, 12, 2))
        home = home_with(lot, [(0, 0, 50, 60)], [house, shed], lot)
        for place in rng.uniform(0, 1, 6):
            start = np.array(house.exterior.interpolate(place, normalized=True).coords[0])
            end = rng.uniform(-12, 12, 2)
            if shapely.distance(shapely.Point(end), [house, shed]).min() < 0.05 or shed.distance(house) < 0.1:
                continue
            way = shapely.LineString([start, end])
            blocked = way.intersection(house.buffer(-1e-4)).length > 1e-3 or way.intersection(shed).length > 1e-6
            leaves = way.crosses(lot.boundary)
            got = ground_kernel.run_is_clear(home, *start, *end)
            assert got == (not blocked and not leaves)
            seen[bool(got)] += 1
    assert min(seen.values()) >= 10


# --- what is compiled ------------------------------------------------------------------------------------------------


def test_a_changed_source_empties_the_cache_of_all_kernels(tmp_path):
    """A kernel that calls a changed one stands in another file, whose own date says nothing."""
    from screening.kernels.compiled import forget_stale

    caller, called = tmp_path / "caller.py", tmp_path / "called.py"
    caller.write_text("a")
    called.write_text("b")
    compiled = tmp_path / "__pycache__" / "caller.f-1.py311.nbi"
    assert forget_stale(tmp_path)
    compiled.write_text("machine code")
    assert not forget_stale(tmp_path)
    assert compiled.exists()
    called.write_text("bb")
    assert forget_stale(tmp_path)
    assert not compiled.exists()
