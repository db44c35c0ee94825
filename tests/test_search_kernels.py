"""The parts of the search for a place, each against a plain twin or a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio.features
import shapely
from rasterio.transform import Affine
from shapely import affinity
from test_kernels import edges_of, ground_of, holey, home_with, rules_of, star

from screening import sample, terrain
from screening.batch import run
from screening.kernels import beds, sight
from screening.kernels import ground as ground_kernel
from screening.params import load_params
from screening.siting import gardens
from screening.siting.search import place_gardens


@pytest.mark.parametrize("touched", [False, True])
def test_outlines_drawn_on_a_window_as_gdal_draws_them(touched):
    rng = np.random.default_rng(8)
    grid = np.array([-37.3, 41.7, 3.0, 5.0, 0.8])
    shape = (90, 110)
    transform = Affine(0.8, 0.0, grid[0] + 5 * 0.8, 0.0, -0.8, grid[1] - 3 * 0.8)
    shapes = np.array([holey(rng) for _ in range(12)], dtype=object)
    shapes = np.array([affinity.translate(s, *rng.uniform(-20, 20, 2)) for s in shapes], dtype=object)
    values = np.arange(1, 13)
    got = terrain.draw(shapes, values, grid, shape, all_touched=touched)
    wanted = rasterio.features.rasterize(
        zip(shapes, values.tolist(), strict=True),
        out_shape=shape,
        transform=transform,
        dtype="int32",
        all_touched=touched,
    )
    assert (wanted > 0).sum() > 1000
    # with every touched cell an edge through a very corner may go either way
    assert (got != wanted).sum() <= (5 if touched else 0)


def test_lines_and_points_are_drawn_by_the_cells_they_pass():
    grid = np.array([0.0, 10.0, 0.0, 0.0, 1.0])
    things = np.array([shapely.LineString([(0.5, 0.5), (9.5, 5.4)]), shapely.Point(2.5, 8.5), None], dtype=object)
    got = terrain.draw(things, np.array([1, 2, 3]), grid, (10, 10))
    cells = [[shapely.box(c, 9 - r, c + 1, 10 - r) for c in range(10)] for r in range(10)]
    wanted = shapely.intersects(things[0], np.array(cells, dtype=object)).astype(int)
    wanted[1, 2] = 2
    np.testing.assert_array_equal(got, wanted)


def test_the_table_of_ways_indoors_never_blocks_a_way_out():
    rng = np.random.default_rng(12)
    blocked = 0
    for _ in range(40):
        house = affinity.rotate(star(rng, 7, 6.0), rng.uniform(0, 90))
        spouts = [house.exterior.interpolate(t, normalized=True).coords[0] for t in rng.uniform(0, 1, 3)]
        spouts += list(house.exterior.coords)[:2]
        home = home_with(shapely.box(-20, -20, 20, 20), [(x, y, 50.0, 20.0) for x, y in spouts], [house])
        table = sight.indoors_table(home)
        for j, (x, y) in enumerate(spouts):
            for t in rng.uniform(0, 2 * np.pi, 50):
                dx, dy = 5.0 * np.cos(t), 5.0 * np.sin(t)
                if table[j, sight.direction_bin(dx, dy)]:
                    assert ground_kernel.starts_indoors(home.barriers, x, y, x + dx, y + dy)
                    blocked += 1
    # most directions indoors are known from the table
    assert blocked > 40 * 5 * 50 * 0.3


def test_direction_bins_go_round_once():
    t = np.linspace(0.0, 2 * np.pi, 2000, endpoint=False)
    bins = [sight.direction_bin(x, y) for x, y in zip(np.cos(t), np.sin(t), strict=True)]
    assert bins[0] == 0
    assert max(bins) == sight.BINS - 1
    assert (np.diff(bins) >= 0).all()
    assert len(set(bins)) == sight.BINS


def test_a_bed_is_judged_by_its_outline():
    rng = np.random.default_rng(13)
    x = np.arange(60) + 0.5 - 30.0
    z = 50.0 + 0.02 * np.tile(x, (60, 1))
    slope = np.full(z.shape, 2.0)
    for _ in range(20):
        shape = star(rng, 10, 6.0)
        ground = ground_of(z, slope)
        edges = edges_of(shape)
        fine, mean_slope, mean_z = beds.bed_ground(ground, rules_of(), edges)
        assert fine
        assert mean_slope == pytest.approx(2.0)
        # cells have the height of their centre: half a cell off at most, and far less on the mean
        assert mean_z == pytest.approx(50.0 + 0.02 * shape.centroid.x, abs=0.01)
        spout = shapely.Point(*rng.uniform(12, 14, 2))
        near = beds.nearest_on_edges(edges, spout.x, spout.y)
        assert shapely.Point(near).distance(spout) == pytest.approx(shape.distance(spout), abs=1e-9)
        low = beds.lowest_of_rim(ground, edges)
        rim = shapely.get_coordinates(shapely.segmentize(shape.exterior, 1.0))
        assert low[0] == pytest.approx(rim[:, 0].min(), abs=1e-9)
        steep = slope.copy()
        inside = shape.representative_point()
        steep[int(30.0 - inside.y), int(inside.x + 30.0)] = 30.0
        assert not beds.bed_ground(ground_of(z, steep), rules_of(), edges)[0]
        gap = slope.copy()
        gap[int(30.0 - inside.y), int(inside.x + 30.0)] = np.nan
        assert not beds.bed_ground(ground_of(z, gap), rules_of(), edges)[0]


@pytest.fixture
def sample_search(monkeypatch, tmp_path):
    """What the search of one tile of the sample town is given."""
    seen = []

    def spy(city, ground, how, gain, **options):
        seen.append((city, ground._replace(memo=ground.memo.copy()), how, gain))
        return place_gardens(city, ground, how, gain, **options)

    monkeypatch.setattr(gardens, "place_gardens", spy)
    run(load_params(sample.sample_folder() / "run.toml"), output=tmp_path / "town.gpkg", jobs=1)
    return max(seen, key=lambda args: len(args[0].own))


def test_any_place_is_found_where_the_best_is(sample_search):
    city, ground, how, gain = sample_search
    best = place_gardens(city, ground, how, gain)
    any_place = place_gardens(city, ground, how, gain, any_will_do=True)
    found = best.rows[:, 0, 0] == 1.0
    np.testing.assert_array_equal(any_place.rows[:, 0, 0] == 1.0, found)
    assert found.any()
    assert not found.all()
