"""Outlines of a large city are looked at a few at a time: the same is found, and few are in memory at once."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely

from screening.batch.spilled import Picked, SpilledOutlines, packed
from screening.batch.stored import StoredLayer, write_layer
from screening.clean import Chosen, ShapesInMemory, Surroundings
from screening.clean.common_ground import find_units
from screening.clean.linked import find_linked
from screening.clean.not_lots import find_not_lots
from screening.clean.shapes import Outlines
from screening.params import HomeParams

FEW = 7


def lots_of(seed):
    """Lots of all sizes: side by side, on top of each other, in holes, long strips; and houses on some of them."""
    rng = np.random.default_rng(seed)
    west, south = rng.integers(0, 60, (2, 90)) * 10.0
    wide = rng.choice([2.0, 10.0, 30.0, 200.0], 90)
    shapes = shapely.box(west, south, west + wide, south + rng.choice([4.0, 10.0, 30.0], 90))
    shapes[0] = shapely.Polygon(shapely.box(0, 0, 600, 600).exterior, [shapely.box(50, 50, 180, 180).exterior])
    shapes = shapes[np.sort(np.unique(shapely.to_wkb(shapes), return_index=True)[1])]
    x, y = rng.uniform(0, 600, (2, 60))
    houses = shapely.box(x, y, x + rng.uniform(3, 12, 60), y + 9.0)
    streets = shapely.linestrings([[(0, y), (600, y + 3)] for y in range(5, 600, 40)])
    return shapes, houses, streets


def found_in(shapes, around, most):
    """What is found among some lots, and how many outlines were asked for at a time at most."""
    asked = [0]

    def outlines(rows):
        asked.append(len(rows))
        return shapes[rows]

    inside = shapely.point_on_surface(shapes)
    point = np.column_stack([shapely.get_x(inside), shapely.get_y(inside)])
    lots = Outlines(shapely.bounds(shapes), point, shapely.area(shapes), shapely.length(shapes), outlines)
    n = len(shapes)
    kinds = find_not_lots(lots, np.full(n, None, dtype=object), np.arange(n) % 3 > 0, around, HomeParams())
    may_be = np.asarray(pd.isna(kinds))
    units = find_units(lots, may_be, np.arange(n) % 5 > 0, around.footprints, 40.0)
    ids = np.array([f"L{k}" for k in range(n)], dtype=object)
    links = np.array([f"L{k - k % 3}" if k % 3 else None for k in range(n)], dtype=object)
    linked = find_linked(lots, ids, links, may_be & (units.ground < 0), around.houses)
    assert max(asked) <= most
    return kinds.tolist(), [values.tolist() for values in units], linked.tolist()


@pytest.mark.parametrize("has_streets", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_a_few_outlines_at_a_time_say_what_all_together_say(seed, has_streets, tmp_path, monkeypatch):
    shapes, houses, streets = lots_of(seed)
    is_house = shapely.area(houses) >= 40.0
    whole = Surroundings.of(houses[is_house], houses, streets if has_streets else None, None)
    expected = found_in(shapes, whole, len(shapes))
    write_layer(
        tmp_path,
        "buildings",
        packed(houses),
        shapely.bounds(houses),
        arrays={"point": shapely.get_coordinates(shapely.point_on_surface(houses))},
    )
    layer = StoredLayer(tmp_path, "buildings")
    lines = (ShapesInMemory(streets),) if has_streets else None
    stored = Surroundings(Chosen(layer, is_house[layer.order]), layer, lines, None)
    monkeypatch.setattr("screening.batch.stored.MANY_SQUARES", 1)
    monkeypatch.setattr("screening.clean.shapes.LARGE_M", 100.0)
    for name in ("shapes.AT_A_TIME", "common_ground.AT_A_TIME", "linked.AT_A_TIME"):
        monkeypatch.setattr(f"screening.clean.{name}", FEW)
    for name in ("clean.common_ground", "clean.not_lots", "batch.stored"):
        monkeypatch.setattr(f"screening.{name}.BOXES_AT_A_TIME", FEW)
    # both of a pair are asked for, and lots of one key together
    assert found_in(shapes, stored, 2 * FEW) == expected


def test_the_invented_lots_show_what_the_comparison_is_about():
    said = [
        found_in(shapes, Surroundings.of(houses, houses, streets, None), 90)
        for shapes, houses, streets in map(lots_of, range(6))
    ]
    assert any("street" in kinds for kinds, _, _ in said)
    assert any(max(ground) >= 0 for _, (ground, _, _), _ in said)
    assert any(any(is_cut_out) for _, (_, is_cut_out, _), _ in said)
    assert any(linked != list(range(len(linked))) for _, _, linked in said)


def test_outlines_laid_aside_come_back_in_any_order(tmp_path):
    rng = np.random.default_rng(1)
    round_ones = [
        shapely.Point(*rng.uniform(0, 99, 2)).buffer(3.0, quad_segs=int(rng.integers(1, 9))) for _ in range(50)
    ]
    shapes = np.array(round_ones, dtype=object)
    file = tmp_path / "lots.wkb"
    spilled = SpilledOutlines(file)
    for begin, end in ((0, 20), (20, 20), (20, 21), (21, 50)):
        spilled.add(shapes[begin:end])
    rows = rng.integers(0, 50, 80)
    assert shapely.equals_exact(spilled.outlines(rows), shapes[rows]).all()
    assert len(spilled.outlines(rows[:0])) == 0
    other = shapely.box(0, 0, 1, 1)
    picked = Picked(spilled, rows, {3: other, 70: other})
    got = shapely.from_wkb(picked.take(pa.array([70, 5, 3])).to_numpy(zero_copy_only=False))
    assert shapely.equals_exact(got, np.array([other, shapes[rows[5]], other])).all()
    spilled.remove()
    assert not file.exists()
