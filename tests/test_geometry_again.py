"""What a run that goes on with other rain, soils, sizes or rules computes again of the geometry of its tiles."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from made_lots import make_town_module, read_town
from made_rain import hourly_rain

from screening.batch import part_folder, run, whole_run
from screening.batch.basis import AFTER_THE_GEOMETRY, run_basis
from screening.batch.geometry_file import PREFIX, read_geometry, write_geometry
from screening.params import SECTIONS, load_params
from screening.pipeline import geometry, screen_tile, tile_geometry

TILE = {"batch.tile_size_m": 100.0}

GEOMETRY = (
    ("home_stage", "assign_buildings"),
    ("home_stage", "lot_parts"),
    ("terrain", "house_planes"),
    ("", "split_roofs"),
    ("", "find_obstacles"),
    ("", "nearer"),
    ("", "open_ground"),
)
"""Every function by which the geometry of a tile is worked out, and the module through which it is called there."""


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """A town of forty lots: with wells, trees and a creek, and with measured downspouts on some houses."""
    folder = tmp_path_factory.mktemp("town")
    make_town_module().make_town(folder / "made", 40, 11, n_rain_years=1)
    read = read_town(folder / "made", rain_mm=hourly_rain(1, 11))
    corners = [shapely.get_coordinates(one)[0] for one in read.buildings.geometry[:30:3]]
    return replace(read, downspouts=shapely.points(np.array(corners)))


class Stopped(BaseException):
    """Stands for whatever ends a process."""


def copy_of(town, folder):
    """Run file of a copy of the town."""
    return town.write(folder / "town")


def broken_at_the_end(monkeypatch, params, output):
    """A run that dies when all tiles are done; names of the parts and of the files of geometry that it leaves."""

    def stop(*_):
        raise Stopped

    with monkeypatch.context() as patched:
        patched.setattr(whole_run, "merge", stop)
        with pytest.raises(Stopped):
            run(params, output=output, jobs=1)
    folder = part_folder.folder_of(output)
    return [sorted(path.name for path in folder.glob(pattern)) for pattern in ("tile_*", f"{PREFIX}*")]


@pytest.fixture
def calls(monkeypatch):
    """How often each function of the geometry is called from now on."""
    counted = Counter()

    def counting(name, function):
        def with_count(*arguments, **more):
            counted[name] += 1
            return function(*arguments, **more)

        return with_count

    for module, name in GEOMETRY:
        if module:
            # others call the same functions by themselves: the look at the inputs measures planes too
            namespace = SimpleNamespace(**vars(getattr(geometry, module)))
            setattr(namespace, name, counting(name, getattr(namespace, name)))
            monkeypatch.setattr(geometry, module, namespace)
        else:
            monkeypatch.setattr(geometry, name, counting(name, getattr(geometry, name)))
    return counted


def with_other_rain(run_file):
    """Every hour's rain of the record half as much again."""
    file = run_file.parent / "rain.csv"
    head, *lines = file.read_text(encoding="utf-8").splitlines()
    pairs = [line.split(",") for line in lines]
    text = "\n".join([head, *(f"{time},{1.5 * float(mm):.2f}" for time, mm in pairs)])
    file.write_text(text + "\n", encoding="utf-8")


def test_a_changed_rain_record_recomputes_no_geometry(town, tmp_path, monkeypatch, calls, caplog):
    run_file, output = copy_of(town, tmp_path), tmp_path / "out.gpkg"
    parts, files = broken_at_the_end(monkeypatch, load_params(run_file, TILE), output)
    assert len(parts) >= 5
    assert len(files) == len(parts)
    assert all(calls[name] >= len(files) - 1 for _, name in GEOMETRY)
    with_other_rain(run_file)
    calls.clear()
    run(load_params(run_file, TILE), output=output, jobs=1, resume=True)
    assert not calls
    assert "but for their geometry, for there is a change in rain rain.csv" in caplog.text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.gpkg", "out.run.jsonl", "town"]
    run(load_params(run_file, TILE), output=tmp_path / "fresh.gpkg", jobs=1)
    assert calls
    assert output.read_bytes() == (tmp_path / "fresh.gpkg").read_bytes()


@pytest.mark.parametrize(
    ("change", "is_anew"),
    [
        ({"soil.rate_mm_h": 5.0, "sizing.soil_class": "clayey", "roof.initial_loss_mm": 2.0}, False),
        ({"rules.max_slope_pct": 8.0, "rules.min_garden_width_m": 1.8, "siting.second_garden": False}, False),
        ({"rules.lot_line_m": 2.0}, True),
        ({"rules.foundation_m": 2.5}, True),
        ({"roof.form": "gable"}, True),
        ({"terrain.ring_outer_m": 8.0}, True),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_a_changed_parameter_recomputes_the_geometry_it_touches(change, is_anew, town, tmp_path, monkeypatch, calls):
    run_file, output = copy_of(town, tmp_path), tmp_path / "out.gpkg"
    _, files = broken_at_the_end(monkeypatch, load_params(run_file, TILE), output)
    changed = load_params(run_file, {**TILE, **change})
    calls.clear()
    run(changed, output=output, jobs=1, resume=True)
    if is_anew:
        assert all(calls[name] >= len(files) - 1 for _, name in GEOMETRY)
    else:
        assert not calls
    run(changed, output=tmp_path / "fresh.gpkg", jobs=1)
    assert output.read_bytes() == (tmp_path / "fresh.gpkg").read_bytes()


def test_geometry_of_other_outlines_is_not_used(town, tmp_path, monkeypatch, calls):
    run_file, output = copy_of(town, tmp_path), tmp_path / "out.gpkg"
    _, files = broken_at_the_end(monkeypatch, load_params(run_file, TILE), output)
    with_other_rain(run_file)
    thinner = replace(town, buildings=town.buildings.iloc[1:])
    frame = thinner.buildings.set_crs(town.crs, allow_override=True)
    frame.to_file(run_file.parent / "buildings.gpkg", layer="buildings", engine="pyogrio", driver="GPKG")
    calls.clear()
    run(load_params(run_file, TILE), output=output, jobs=1, resume=True)
    assert calls["open_ground"] >= len(files) - 1
    run(load_params(run_file, TILE), output=tmp_path / "fresh.gpkg", jobs=1)
    assert output.read_bytes() == (tmp_path / "fresh.gpkg").read_bytes()


@pytest.mark.parametrize(
    "damage", [lambda c: c[:-9], lambda _: b"", lambda c: c[:999] + bytes([c[999] ^ 1]) + c[1000:]]
)
def test_damaged_geometry_is_computed_anew(damage, town, tmp_path, monkeypatch, calls):
    run_file, output = copy_of(town, tmp_path), tmp_path / "out.gpkg"
    _, files = broken_at_the_end(monkeypatch, load_params(run_file, TILE), output)
    file = part_folder.folder_of(output) / files[1]
    content = file.read_bytes()
    damaged = damage(content)
    assert damaged != content
    file.write_bytes(damaged)
    with_other_rain(run_file)
    calls.clear()
    run(load_params(run_file, TILE), output=output, jobs=1, resume=True)
    assert calls["open_ground"] == 1
    run(load_params(run_file, TILE), output=tmp_path / "fresh.gpkg", jobs=1)
    assert output.read_bytes() == (tmp_path / "fresh.gpkg").read_bytes()


def leaves(value, name=""):
    """The arrays of nested tuples, by name."""
    if isinstance(value, tuple):
        for key, one in zip(getattr(value, "_fields", range(len(value))), value, strict=True):
            yield from leaves(one, f"{name}.{key}")
    else:
        yield name, value


def test_geometry_comes_back_as_it_was(town, tmp_path):
    params = load_params(None, {})
    inputs = town.tile_inputs(params)
    made = tile_geometry(inputs, params)
    assert len(made.homes.rows) >= 20
    assert made.homes.roofs.is_measured.any()
    assert len(made.homes.of_things) == len(town.keep_away) >= 2
    before = screen_tile(inputs, params, made).layers
    write_geometry(tmp_path / "file", made)
    read = read_geometry(tmp_path / "file")
    # the rasters are drawn anew
    made = made._replace(homes=made.homes._replace(land=None))
    expected, found = dict(leaves(made)), dict(leaves(read))
    assert list(expected) == list(found)
    assert found.pop(".homes.land") is None
    for name, again in found.items():
        values = expected[name]
        assert (again.dtype, again.shape) == (values.dtype, values.shape), name
        # for another kind of array the kernels would be compiled once more
        assert again.flags.c_contiguous, name
        assert again.flags.writeable, name
        if values.dtype != object:
            assert values.tobytes() == again.tobytes(), name
        elif name in {".code", ".text"}:
            assert values.tolist() == again.tolist()
        else:
            assert shapely.to_wkb(values).tolist() == shapely.to_wkb(again).tolist(), name
    after = screen_tile(inputs, params, read).layers
    assert list(before) == list(after)
    for name, frame in before.items():
        assert frame.to_csv() == after[name].to_csv()


def test_that_a_tile_has_no_home_comes_back_too(town, tmp_path):
    params = load_params(None, {"homes.min_principal_area_m2": 1e6})
    made = tile_geometry(town.tile_inputs(params), params)
    assert made.homes is None
    write_geometry(tmp_path / "file", made)
    read = read_geometry(tmp_path / "file")
    assert read.homes is None
    assert (read.code.tolist(), read.text.tolist()) == (made.code.tolist(), made.text.tolist())
    assert set(read.code) >= {"building_too_small"}
    assert read_geometry(tmp_path / "none") is None


class Watched:
    """Parameters that note which of them are read."""

    def __init__(self, real, seen, section=""):
        self._real, self._seen, self._section = real, seen, section

    def __getattr__(self, name):
        value = getattr(self._real, name)
        if not self._section:
            return Watched(value, self._seen, name)
        if name in type(self._real).__dataclass_fields__:
            self._seen.add(f"{self._section}.{name}")
        elif isinstance(getattr(type(self._real), name), property):
            return getattr(type(self._real), name).fget(self)
        return value


def test_the_geometry_reads_nothing_it_is_not_said_to_hang_on(town):
    params = load_params(None, {})
    seen: set[str] = set()
    inputs = replace(town.tile_inputs(params), water=None)
    made = tile_geometry(inputs, Watched(params, seen))
    assert len(made.homes.rows) >= 20
    assert {"rules.lot_line_m", "rules.foundation_m", "roof.form", "homes.min_principal_area_m2"} <= seen
    for name in AFTER_THE_GEOMETRY:
        assert not {one for one in seen if one == name or one.startswith(f"{name}.")}


def test_what_the_geometry_does_not_hang_on_is_there():
    """A name that is no parameter any more would go unnoticed."""
    for name in AFTER_THE_GEOMETRY:
        section, _, key = name.partition(".")
        assert section in SECTIONS
        assert not key or key in SECTIONS[section].__dataclass_fields__


def test_each_entry_of_the_basis_counts(town, tmp_path):
    run_file = copy_of(town, tmp_path)

    class NoInputs:
        """Inputs without files."""

        files = ()

    def digest(bounds_m=None, limit=None, **change):
        named = {key.replace("__", "."): value for key, value in change.items()}
        return run_basis(load_params(run_file, named), NoInputs(), bounds_m, limit).geometry

    assert digest() == digest(soil__rate_mm_h=4.0) == digest(ranking__weight_volume=2.0)
    several = [
        digest(),
        digest(bounds_m=(0.0, 0.0, 1.0, 1.0)),
        digest(limit=3),
        digest(batch__tile_size_m=500.0),
        digest(overflow__max_trace_m=50.0),
        digest(homes__sliver_frac=0.2),
    ]
    assert len(set(several)) == len(several)
    assert len(digest()) == len(hashlib.sha256(b"").hexdigest())
