"""What makes large cities possible: rows sorted by way of the disk, layers read where they are needed."""

from __future__ import annotations

import itertools

import numpy as np
import pyarrow as pa
import pytest
import shapely
from made_lots import make_town_module, read_town
from made_rain import hourly_rain

from screening.batch import run, sorted_rows
from screening.batch.sorted_rows import SortedRows
from screening.batch.stored import StoredLayer, write_layer
from screening.params import load_params
from screening.tiles import FEW_HOMES, MOST_CELLS, MOST_HOMES, balanced_tiles
from screening.uncertainty import spread


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """Run file of a town of sixty lots."""
    folder = tmp_path_factory.mktemp("town")
    make_town_module().make_town(folder / "made", 60, 5, n_rain_years=1)
    return read_town(folder / "made", rain_mm=hourly_rain(1, 5)).write(folder / "town")


@pytest.fixture(scope="module")
def plain(town, tmp_path_factory):
    """The bytes of an ordinary run."""
    output = tmp_path_factory.mktemp("plain") / "out.gpkg"
    run(load_params(town), output=output, jobs=1)
    return output.read_bytes()


@pytest.mark.parametrize("most_rows", [7, 60])
def test_rows_sorted_by_way_of_the_disk_give_the_same_file(most_rows, town, plain, tmp_path, monkeypatch):
    monkeypatch.setattr(sorted_rows, "MOST_ROWS", most_rows)
    output = tmp_path / "out.gpkg"
    run(load_params(town, {"batch.tile_size_m": 100.0}), output=output, jobs=1)
    assert without_counters(output.read_bytes()) == without_counters(plain)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.gpkg", "out.run.jsonl"]


def without_counters(content):
    """A SQLite file without its counts of changes: every piece of rows is one more change than none.

    Bytes 24 to 27 and 92 to 95 of the header (SQLite, Database File Format, 1.3).
    """
    return content[:24] + content[28:92] + content[96:]


@pytest.mark.slow
@pytest.mark.parametrize("jobs", [2, 4])
def test_any_number_of_workers_gives_the_same_file(jobs, town, plain, tmp_path):
    output = tmp_path / "out.gpkg"
    run(load_params(town, {"batch.tile_size_m": 60.0}), output=output, jobs=jobs)
    assert output.read_bytes() == plain


def test_streets_summed_a_few_at_a_time_give_the_same_file(town, plain, tmp_path, monkeypatch):
    monkeypatch.setattr(spread, "MOST_SUMS", 2)
    output = tmp_path / "out.gpkg"
    run(load_params(town), output=output, jobs=1)
    assert output.read_bytes() == plain


@pytest.mark.parametrize("tile_size_m", [60.0, 130.0, 400.0, 2000.0])
def test_tiles_of_any_size_give_the_same_file(tile_size_m, town, plain, tmp_path):
    output = tmp_path / "out.gpkg"
    run(load_params(town, {"batch.tile_size_m": tile_size_m}), output=output, jobs=1)
    assert output.read_bytes() == plain


def test_an_error_in_mid_writing_is_told_as_what_it_is(town, tmp_path, monkeypatch):
    """GDAL, which asks for the rows, would only say that it got none."""

    def failing(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sorted_rows, "MOST_ROWS", 7)
    monkeypatch.setattr(SortedRows, "_shared_out", lambda self, _: itertools.chain(_first_of(self), map(failing, [0])))
    output = tmp_path / "out.gpkg"
    with pytest.raises(Exception, match=r"(?i)disk is full|no space left"):
        run(load_params(town), output=output, jobs=1)
    assert not output.exists()


def _first_of(rows):
    """All rows of a layer as if they were the first of several shares."""
    yield pa.concat_tables(sorted_rows._marked(*piece) for piece in rows._pieces())


def test_sorted_rows_are_in_order_whatever_their_number(tmp_path, monkeypatch):
    rng = np.random.default_rng(3)
    places = rng.integers(0, 50, 400)
    names = [f"n{k}" for k in rng.permutation(400)]

    def pieces():
        for begin in range(0, 400, 37):
            some = slice(begin, min(begin + 37, 400))
            yield pa.table({"name": names[some]}), places[some], np.arange(400)[some]

    expected = sorted(zip(places.tolist(), names, strict=True))
    for most in (3, 50, 1000):
        monkeypatch.setattr(sorted_rows, "MOST_ROWS", most)
        rows = SortedRows(pieces, (400, 1), 50, ("name",), lambda t, p, _: t.append_column("p", pa.array(p)), tmp_path)
        got = rows.read().read_all()
        assert list(zip(got["p"].to_pylist(), got["name"].to_pylist(), strict=True)) == expected
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seed", range(3))
def test_stored_layers_find_what_a_search_tree_finds(seed, tmp_path):
    rng = np.random.default_rng(seed)
    shapes = shapely.buffer(shapely.points(rng.uniform(-2000, 2000, (500, 2))), rng.uniform(1, 300, 500))
    write_layer(
        tmp_path,
        "things",
        pa.array(shapely.to_wkb(shapes), type=pa.large_binary()),
        shapely.bounds(shapes),
        text={"name": pa.array([None if k % 7 == 0 else f"n{k}" for k in range(500)])},
        arrays={"number": np.arange(500)},
    )
    layer = StoredLayer(tmp_path, "things")
    tree = shapely.STRtree(shapes)
    for _ in range(20):
        boxes = rng.uniform(-2500, 2500, (4, 2))
        boxes = np.column_stack([boxes, boxes + rng.uniform(0, 400, (4, 2))])
        grown = boxes + np.array([-1, -1, 1, 1]) * 30.0
        rows = layer.in_order(layer.hits(boxes, 30.0))
        expected = np.unique(tree.query(shapely.box(*grown.T))[1])
        assert layer.order[rows].tolist() == expected.tolist()
        assert np.asarray(layer.array("number")[rows]).tolist() == expected.tolist()
        assert all(a.equals(b) for a, b in zip(layer.outlines(rows), shapes[expected], strict=True))
        assert layer.text("name", rows).tolist() == [None if k % 7 == 0 else f"n{k}" for k in expected]


def test_a_layer_without_rows_has_none_near(tmp_path):
    none = np.empty(0, dtype=object)
    write_layer(tmp_path, "none", pa.array(none, type=pa.large_binary()), np.empty((0, 4)))
    layer = StoredLayer(tmp_path, "none")
    assert len(layer.hits(np.array([[0.0, 0.0, 1e9, 1e9]]))) == 0
    assert len(layer.outlines(np.empty(0, dtype=np.int64))) == 0


@pytest.mark.parametrize("cell_m", [0.1, 1.0])
def test_tiles_hold_every_point_once_and_follow_the_number_of_homes(cell_m):
    rng = np.random.default_rng(1)
    dense = rng.uniform(0, 1000, (6000, 2))
    sparse = rng.uniform(-9000, 9000, (700, 2))
    point = np.concatenate([dense, sparse])
    tiles = balanced_tiles(point, 1000.0, cell_m)
    owned = np.array([tile.owns(point) for tile, _ in tiles])
    assert (owned.sum(axis=0) == 1).all()
    assert owned.sum(axis=1).tolist() == [n for _, n in tiles]
    assert max(n for _, n in tiles) <= MOST_HOMES
    assert max(tile.size_m for tile, _ in tiles) <= MOST_CELLS * cell_m
    assert min(tile.size_m for tile, n in tiles) < 1000.0
    if cell_m == 1.0:
        assert all(n <= FEW_HOMES for tile, n in tiles if tile.size_m > 1000.0)
        assert any(tile.size_m > 1000.0 for tile, _ in tiles)
    shuffled = balanced_tiles(rng.permutation(point), 1000.0, cell_m)
    assert shuffled == tiles
