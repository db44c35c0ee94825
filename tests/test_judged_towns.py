"""Whole results before the judge: no written garden breaks a rule by more than a millimetre. And the judge is awake."""

from __future__ import annotations

import shutil
import sqlite3
import struct
from collections import Counter
from pathlib import Path

import pytest
import shapely
from judge import Files, Numbers, judge, outline
from made_lots import make_town_module, read_town
from made_rain import hourly_rain
from shapely import affinity

from screening.batch import run
from screening.params import load_params

SAMPLE = Path(__file__).resolve().parents[1] / "sample_geodata"


def files_of(folder, keep_away):
    return Files(
        parcels=folder / "parcels.gpkg",
        buildings=folder / "buildings.gpkg",
        elevation=folder / "elevation.tif",
        keep_away=tuple((folder / name, kind, distance) for name, kind, distance in keep_away),
    )


def judged_town(folder, n_lots, seed, numbers=None, **overrides):
    """A random town, screened and judged."""
    make_town_module().make_town(folder / "made", n_lots, seed, n_rain_years=1)
    city = read_town(folder / "made", rain_mm=hourly_rain(1, seed))
    run_file = city.write(folder / "town")
    output = folder / "out.gpkg"
    run(
        load_params(run_file, {key.replace("__", "."): value for key, value in overrides.items()}),
        output=output,
        jobs=1,
    )
    layers = tuple((f"keep_{k}.gpkg", kind, distance) for k, (kind, distance, _) in enumerate(city.keep_away))
    return output, files_of(folder / "town", layers), judge(output, files_of(folder / "town", layers), numbers)


def report(verdict):
    """What was broken, and how often."""
    worst = Counter()
    for broken in verdict.breaks:
        worst[broken.rule] = max(worst[broken.rule], broken.amount)
    counts = Counter(b.rule for b in verdict.breaks)
    first = {rule: next(b.who for b in verdict.breaks if b.rule == rule) for rule in counts}
    return "\n".join(f"{rule}: {n} of {verdict.looked_at[rule]}, by up to {worst[rule]:.4g}, first {first[rule]}"
                     for rule, n in counts.items())  # fmt: skip


@pytest.fixture(scope="module")
def small_town(tmp_path_factory):
    return judged_town(tmp_path_factory.mktemp("judged"), 30, 7)


def test_a_random_town_obeys_every_rule(small_town):
    verdict = small_town[2]
    assert not verdict.breaks, report(verdict)
    # the judge did look
    assert verdict.looked_at["foundation"] >= 30
    assert verdict.looked_at["fall"] >= 50
    assert verdict.looked_at["way and foundation"] >= 25
    assert verdict.looked_at["spacing"] >= 5


def test_a_town_under_other_rules(tmp_path):
    """New Jersey without basements (Rutgers RCE: 2 ft), a narrow lot line: gardens near walls."""
    numbers = Numbers(
        foundation_m=0.61, lot_line_m=1.0, max_slope_pct=8.0, max_run_m=9.0, min_fall_pct=2.0, spacing_m=3.0
    )
    _, _, verdict = judged_town(
        tmp_path, 20, 8, numbers, rules__base="us-nj", rules__basement="no", rules__lot_line_m=1.0,
        rules__max_slope_pct=8.0, rules__max_run_m=9.0, rules__min_fall_pct=2.0, siting__garden_spacing_m=3.0,
        rules__min_garden_area_m2=4.6, rules__max_garden_area_m2=27.9, rules__min_garden_width_m=1.5,
    )  # fmt: skip
    assert not verdict.breaks, report(verdict)
    assert verdict.looked_at["foundation"] >= 20


def tampered(package, folder, change):
    """A copy of a result with something changed by SQL."""
    copy = folder / "tampered.gpkg"
    shutil.copy(package, copy)
    connection = sqlite3.connect(copy)
    # the R-tree's triggers ask for functions that plain sqlite3 lacks
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f'DROP TRIGGER "{name}"')
    change(connection)
    connection.commit()
    connection.close()
    return copy


def blob(shape):
    """Geometry as a GeoPackage blob without an envelope."""
    return b"GP\x00\x01" + struct.pack("<i", 0) + shapely.to_wkb(shape, byte_order=1)


def moved(function):
    """Move the first garden: its outline and that of a downspout of its home are given to a function."""

    def change(connection):
        row, home, value = connection.execute(
            "SELECT rowid, home_id, geom FROM gardens ORDER BY garden_id LIMIT 1"
        ).fetchone()
        spout = connection.execute("SELECT geom FROM downspouts WHERE home_id = ?", (home,)).fetchone()[0]
        shape = function(outline(value), outline(spout))
        connection.execute("UPDATE gardens SET geom = ? WHERE rowid = ?", (blob(shape), row))

    return change


def delete_last(table, where):
    """Delete the last row of a table."""
    return lambda c: c.execute(f"DELETE FROM {table} WHERE rowid = (SELECT max(rowid) FROM {table} WHERE {where})")  # noqa: S608


TAMPERINGS = {
    "foundation": moved(lambda _, spout: spout.buffer(2.0, quad_segs=1)),
    "inside the lot": moved(lambda garden, _: affinity.translate(garden, 40.0, 40.0)),
    "way begins at the rim": lambda _: None,  # moved away from its way by the line above
    "run ends at the garden": lambda _: None,
    "treated_roof_m2": lambda c: c.execute("UPDATE gardens SET treated_roof_m2 = treated_roof_m2 + 0.1"),
    "fall_m of a run": lambda c: c.execute("UPDATE inlet_runs SET fall_m = fall_m + 0.005"),
    "shares sum to 1": lambda c: c.execute("UPDATE downspouts SET roof_frac = roof_frac + 1e-7"),
    "n_candidate_homes": delete_last("candidate_homes", "1"),
    "has one row": delete_last("other_parcels", "geom IS NOT NULL"),
    "0 <= low <= likely <= high of a home": lambda c: c.execute(
        "UPDATE candidate_homes SET diverted_low_m3_y = diverted_m3_y + 0.01"
    ),
    "all likely <= runoff of the roof": lambda c: c.execute("UPDATE candidate_homes SET all_likely_m3_y = 1e5"),
    "drawdown is depth over rate": lambda c: c.execute("UPDATE gardens SET soil_rate_mm_h = soil_rate_mm_h * 1.1"),
    "end_code is the garden's": lambda c: c.execute("UPDATE gardens SET overflow_code = 'drainage'"),
    "ids are unique": lambda c: c.execute("UPDATE gardens SET garden_id = (SELECT min(garden_id) FROM gardens)"),
}


ROWS = ("ids are unique", "n_candidate_homes", "has one row")


def seen_after(small_town, folder, rules):
    """Rules that the judge finds broken more often after tampering."""
    package, files, before = small_town

    def change(connection):
        for rule in rules:
            TAMPERINGS[rule](connection)

    seen = Counter(b.rule for b in judge(tampered(package, folder, change), files).breaks)
    known = Counter(b.rule for b in before.breaks)
    return {rule for rule in seen if seen[rule] > known[rule]}


@pytest.mark.parametrize("rule", ROWS)
def test_the_judge_sees_rows_that_are_wrong(small_town, tmp_path, rule):
    assert rule in seen_after(small_town, tmp_path, [rule])


def test_the_judge_sees_numbers_that_are_wrong(small_town, tmp_path):
    numbers = [rule for rule in TAMPERINGS if rule not in ROWS and rule != "foundation"]
    assert seen_after(small_town, tmp_path, numbers) >= set(numbers)


def test_the_judge_sees_a_garden_at_the_wall(small_town, tmp_path):
    assert seen_after(small_town, tmp_path, ["foundation"]) >= {"foundation", "within the open ground"}


def test_the_judge_sees_stricter_rules_broken(small_town):
    package, files, _ = small_town
    strict = Numbers(
        lot_line_m=1.6, foundation_m=6.0, max_slope_pct=4.0, max_run_m=8.0, min_fall_pct=4.0, min_area_m2=12.0,
        max_area_m2=20.0, min_width_m=2.5, spacing_m=9.0, drawdown_h=5.0,
    )  # fmt: skip
    wanted = {"lot line", "foundation", "slope", "run", "fall", "least area", "greatest area", "least width", "spacing"}
    assert {b.rule for b in judge(package, files, strict).breaks} >= wanted | {"way and foundation", "drawdown"}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20, 26))
def test_more_random_towns_obey_every_rule(tmp_path, seed):
    _, _, verdict = judged_town(tmp_path, 120, seed)
    assert not verdict.breaks, report(verdict)


@pytest.mark.slow
def test_a_town_with_overhanging_roofs(tmp_path):
    """The wall stands 0.6 m inside the roof's outline, so the outline may come 0.6 m nearer."""
    _, _, verdict = judged_town(tmp_path, 60, 31, Numbers(foundation_m=3.05 - 0.6), roof__overhang_m=0.6)
    assert not verdict.breaks, report(verdict)


@pytest.mark.slow
def test_the_demo_town_obeys_every_rule(tmp_path):
    output = tmp_path / "demo.gpkg"
    run(load_params(SAMPLE / "run.toml"), output=output, jobs=1)
    layers = (("wells.gpkg", "well", 15.24), ("water.gpkg", "water", 7.6), ("trees.gpkg", "tree", 3.0))
    verdict = judge(output, files_of(SAMPLE, layers))
    assert not verdict.breaks, report(verdict)
    assert verdict.looked_at["foundation"] > 400
