"""The copy for publication: somebody who subtracts, and knows how it is made, finds nobody."""

from __future__ import annotations

import itertools
import json
import sqlite3
import zipfile

import geopandas as gpd
import made_up_result
import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from gpkg_validity import problems
from hypothesis import given, settings
from hypothesis import strategies as st
from made_towns import districts, made_layers, read_csv, sheet_rows, town, write
from scipy.optimize import Bounds, LinearConstraint, milp

from screening.cli.main import main
from screening.report import small_counts
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.list_kinds import CANDIDATE
from screening.report.public_lists import TOGETHER, public_lists
from screening.report.public_places import LEAST_SQUARE_M, SQUARE_M
from screening.report.publication import PUBLIC
from screening.report.small_counts import SMALLEST_SHOWN, hide_small
from screening.units import US_GALLON_M3

TOWN = town(
    [("Alder Street", 30), ("Birch Street", 14), ("Cedar Street", 3), ("Dogwood Street", 11), (None, 2)],
    [("too_steep", 25), ("no_building", 4), ("bad_geometry", 1), ("too_narrow", 12)],
    merged=3,
)


@pytest.fixture
def publish(runner):
    """Runs the command, and asks for success."""

    def run(path, *options):
        done = runner.invoke(main, ["publish", str(path), *map(str, options)])
        assert done.exit_code == 0, done.output
        assert done.exception is None
        return done

    return run


def refused(runner, exit_code, path, *options):
    """The one sentence with which the command refuses."""
    done = runner.invoke(main, ["publish", str(path), *map(str, options)])
    assert done.exit_code == exit_code, done.output
    sentence = done.stderr.strip().splitlines()[-1]
    assert sentence.startswith("screening: ")
    return sentence


# --- the attack ---


def bounds_of(hidden, total, *, largest=None):
    """Smallest and largest value that each hidden count can have, by integer programming.

    `hidden` are names, `total` is what they add up to, None where nobody knows; `largest` are upper bounds by name.
    """
    n = len(hidden)
    upper = np.array([np.inf if largest is None else largest[name] for name in hidden])
    if total is None:
        return dict.fromkeys(hidden, (0.0, np.inf))
    found = {}
    for k, name in enumerate(hidden):
        ends = []
        for sign in (1.0, -1.0):
            cost = np.zeros(n)
            cost[k] = sign
            done = milp(
                cost,
                constraints=LinearConstraint(np.ones((1, n)), total, total),
                integrality=np.ones(n),
                bounds=Bounds(np.zeros(n), np.minimum(upper, total)),
            )
            ends.append(None if not done.success else sign * done.fun)
        found[name] = None if None in ends else (round(ends[0]), round(ends[1]))
    return found


def attacked(names, shown, total):
    """What an onlooker learns of the counts that are not shown: a range for each.

    He knows all streets of the town, the counts that are shown, what the others make together, and the rule: those not
    shown are from 0 to 9 but for at most one, the first by name of those that could have been shown.
    """
    hidden = [name for name in names if name not in shown]
    if not hidden:
        return {}
    most = dict.fromkeys(hidden, SMALLEST_SHOWN - 1)
    worlds = [bounds_of(hidden, total, largest=most)]
    first = [name for name in hidden if all(name < other for other in shown)]
    worlds += [bounds_of(hidden, total, largest=most | {name: np.inf}) for name in first]
    ranges = {}
    for name in hidden:
        ends = [world[name] for world in worlds if world[name] is not None]
        ranges[name] = (min(low for low, _ in ends), max(high for _, high in ends))
    return ranges


def copy_of(counts):
    """The lists for publication of a town with so many homes on its streets: counts shown, and the sum of all."""
    places = pa.table(
        {"street": list(counts), "n_candidates": pa.array(counts.values(), pa.int64())},
    )
    n = sum(counts.values())
    reasons = pa.table(
        {
            "outcome_code": [CANDIDATE, "too_steep", "no_building"],
            "meaning": ["", "", ""],
            "n_parcels": pa.array([n, 300, 40], pa.int64()),
            "parcels_frac": pa.array([0.0, 0.0, 0.0]),
        }
    )
    totals = pa.Table.from_pylist(
        [
            {"quantity": name, "low": None, "value": float(value), "high": None, "unit": None, "meaning": ""}
            for name, value in (("n_parcels_read", n + 340), ("n_candidate_homes", n))
        ],
        schema=pa.schema(
            [
                ("quantity", pa.string()),
                ("low", pa.float64()),
                ("value", pa.float64()),
                ("high", pa.float64()),
                ("unit", pa.string()),
                ("meaning", pa.string()),
            ]
        ),
    )
    lists = public_lists(places, totals, reasons)
    rows = {row["street"]: row["n_candidates"] for row in lists.places.to_pylist()}
    together = rows.pop(TOGETHER, None)
    total = next(row["value"] for row in lists.totals.to_pylist() if row["quantity"] == "n_candidate_homes")
    by_reasons = {row["outcome_code"]: row["n_parcels"] for row in lists.reasons.to_pylist()}.get(CANDIDATE)
    return rows, total, together, by_reasons


def learnt(counts):
    """Ranges that somebody finds who has the copy."""
    rows, total, together, by_reasons = copy_of(counts)
    names = [*counts, "(no street)"]
    sums = {value for value in (total, by_reasons) if value is not None}
    assert len(sums) <= 1
    hidden_sum = sums.pop() - sum(rows.values()) if sums else together
    assert together in {None, hidden_sum}
    return attacked(names, rows, hidden_sum)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 30), min_size=1, max_size=7))
def test_subtraction_finds_no_small_count(sizes):
    counts = {f"{letter} Street": size for letter, size in zip("ABCDEFG", sizes, strict=False)}
    for name, (low, high) in learnt(counts).items():
        if 0 < counts.get(name, 0) < SMALLEST_SHOWN:
            assert low <= counts[name] <= high
            assert high - low + 1 >= 5, (counts, name, low, high)


@pytest.mark.parametrize(
    ("sizes", "found"),
    [((30, 14, 3), {"C Street": 3}), ((30, 1), {"B Street": 1}), ((9, 9, 40), {"A Street": 9, "B Street": 9})],
)
def test_the_attack_finds_what_a_naive_copy_hides(sizes, found):
    # whoever hides the small counts alone tells them: the attack is one that can succeed
    counts = {f"{letter} Street": size for letter, size in zip("ABC", sizes, strict=False)}
    shown = {name: count for name, count in counts.items() if not 0 < count < SMALLEST_SHOWN}
    hidden = [name for name in counts if name not in shown]
    ranges = bounds_of(hidden, sum(sizes) - sum(shown.values()), largest=dict.fromkeys(hidden, SMALLEST_SHOWN - 1))
    assert ranges == {name: (count, count) for name, count in found.items()}
    for name in found:
        low, high = learnt(counts)[name]
        assert high - low + 1 >= 5


def test_the_attack_on_the_files_themselves(publish, tmp_path):
    layers, record = TOWN
    path = write(tmp_path / "a.gpkg", layers, record)
    lists = {}
    for name in ("places", "totals", "reasons"):
        publish(path, "-o", tmp_path / f"{name}.csv", "--list", name)
        lists[name] = read_csv(tmp_path / f"{name}.csv")
    rows = {row["street"]: int(row["n_candidates"]) for row in lists["places"]}
    rows.pop(TOGETHER)
    total = next(float(row["value"]) for row in lists["totals"] if row["quantity"] == "n_candidate_homes")
    names = ["Alder Street", "Birch Street", "Cedar Street", "Dogwood Street", "(no street)"]
    ranges = attacked(names, rows, total - sum(rows.values()))
    assert set(ranges) == {"Alder Street", "Cedar Street", "(no street)"}
    assert ranges["Cedar Street"] == (0, 9)
    assert ranges["(no street)"] == (0, 35)
    parcels = {row["outcome_code"]: int(row["n_parcels"]) for row in lists["reasons"]}
    assert sum(parcels.values()) == 105
    outcomes = bounds_of(["no_building", "bad_geometry", "too_narrow", "merged"], parcels[TOGETHER])
    assert all(high - low + 1 >= 5 for low, high in outcomes.values())


# --- which counts are hidden ---


@pytest.mark.parametrize(
    ("n_streets", "most", "smallest_shown", "fewest_values"), [(2, 40, 10, 5), (3, 40, 10, 5), (4, 17, 4, 2)]
)
def test_nobody_who_knows_the_rule_finds_a_small_count(monkeypatch, n_streets, most, smallest_shown, fewest_values):
    # Every town is published; towns that look the same are what somebody has to choose between who knows the rule.
    # Four streets with a smaller limit, so that there are not too many towns.
    monkeypatch.setattr(small_counts, "SMALLEST_SHOWN", smallest_shown)
    monkeypatch.setattr(small_counts, "_LARGEST_SMALL", smallest_shown - 1)
    monkeypatch.setattr(small_counts, "_FEWEST_VALUES", fewest_values)
    names = "abcd"[:n_streets]
    towns = {}
    for counted in itertools.product(range(most), repeat=n_streets):
        counts = dict(zip(names, counted, strict=True))
        hidden = small_counts.hide_small(counts)
        shown = tuple(0 if name in hidden.names else count for name, count in counts.items())
        towns.setdefault((shown, None if hidden.total else sum(counted)), []).append(counted)
    # towns so large that those they look like were tried too
    tried = most - 1 - (smallest_shown - 1) * (n_streets - 1)
    n_small = 0
    for alike in towns.values():
        possible = [set(values) for values in zip(*alike, strict=True)]
        for counted in alike:
            for count, values in zip(counted, possible, strict=True):
                if 0 < count < smallest_shown and max(counted) <= tried:
                    n_small += 1
                    assert len(values) >= fewest_values, (counted, alike)
    assert n_small > 100


def test_a_count_that_stands_elsewhere_too_protects_nothing():
    # candidates are in the totals: to hide the one lot, the number of all parcels has to go
    hidden = hide_small({"candidates": 500, "steep": 1}, shown_elsewhere=["candidates"])
    assert hidden.names == {"steep"}
    assert hidden.total
    with pytest.raises(ValueError, match="published elsewhere"):
        hide_small({"candidates": 5, "steep": 1}, shown_elsewhere=["candidates"])


@given(st.lists(st.integers(0, 60), max_size=12))
def test_what_stands_together_is_no_small_count(sizes):
    counts = {f"street {k:02d}": size for k, size in enumerate(sizes)}
    hidden = hide_small(counts)
    small = {name for name, count in counts.items() if 0 < count < SMALLEST_SHOWN}
    assert small <= hidden.names
    assert not small or len(hidden.names - small) <= 1
    if small and not hidden.total:
        assert len(hidden.names) >= 2
        assert sum(counts[name] for name in hidden.names) >= SMALLEST_SHOWN
    # with a street that is not small there is always a way
    assert not (hidden.total and any(size >= SMALLEST_SHOWN for size in sizes))
    assert bool(hidden.names) == bool(small)


TOWN = town(
    [("Alder Street", 30), ("Birch Street", 14), ("Cedar Street", 3), ("Dogwood Street", 11), (None, 2)],
    [("too_steep", 25), ("no_building", 4), ("bad_geometry", 1), ("too_narrow", 12)],
    merged=3,
)


def test_small_streets_stand_together_and_the_sum_stays(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    publish(path, "-o", tmp_path / "s.csv")
    rows = read_csv(tmp_path / "s.csv")
    # 3 and 2 are small, and together under 10, so that the first street by name stands with them
    assert [(row["street"], row["n_candidates"]) for row in rows] == [
        ("Birch Street", "14"),
        ("Dogwood Street", "11"),
        (TOGETHER, "35"),
    ]
    assert "n_gardens" not in rows[0]
    assert float(rows[0]["diverted_m3_y"]) == 700.0
    assert rows[2]["diverted_m3_y"] == ""


def test_reasons_for_publication(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    publish(path, "-o", tmp_path / "r.csv", "--list", "reasons")
    rows = {row["outcome_code"]: int(row["n_parcels"]) for row in read_csv(tmp_path / "r.csv")}
    # 4 + 1 + 3 are under 10, so that the first of the others by name stands with them
    assert rows == {CANDIDATE: 60, "too_steep": 25, TOGETHER: 20}
    publish(path, "-o", tmp_path / "t.csv", "--list", "totals")
    totals = {row["quantity"]: row for row in read_csv(tmp_path / "t.csv")}
    assert totals["n_parcels_read"]["value"] == "105"
    assert sum(rows.values()) == 105
    assert not {"n_other_parcels", "n_parcels_merged", "n_gardens", "alternative_m3_y"} & set(totals)


def whole_text(path):
    """All that a file says, whatever the format."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as parts:
            return "\n".join(parts.read(name).decode() for name in parts.namelist())
    if path.suffix == ".parquet":
        found = pq.read_table(path)
        return f"{found.to_pylist()}{found.schema.metadata}{[field.metadata for field in found.schema]}"
    if path.suffix == ".gpkg":
        # all bytes, those of pages that are no longer in use too
        return path.read_bytes().decode("latin-1")
    return path.read_text("utf-8-sig")


@pytest.mark.parametrize("name", ["a.xlsx", "a.csv", "a.parquet", "a.gpkg"])
def test_a_public_copy_names_no_home_and_counts_no_few(name, publish, tmp_path):
    layers, record = TOWN
    path = write(tmp_path / "result.gpkg", layers, record | {"note.001": "3 parcels lie far off", "limit": "105"})
    done = publish(path, "-o", tmp_path / name)
    assert PUBLIC in done.stdout
    beside = tmp_path / "a.record.json"
    text = done.stdout + whole_text(tmp_path / name) + (beside.read_text("utf-8") if beside.exists() else "")
    for secret in ("Secret", "home-0", "lot-0", "Cedar", "Alder", "n_parcels_merged", "far off", "note."):
        assert secret not in text, secret
    if name == "a.xlsx":
        book = openpyxl.load_workbook(tmp_path / name)
        assert book.sheetnames == ["about", "streets", "totals", "reasons", "column_guide", "run_record"]
        counts = [row["n_candidates"] for row in sheet_rows(book["streets"])]
        counts += [row["n_parcels"] for row in sheet_rows(book["reasons"])]
        counts += [row["value"] for row in sheet_rows(book["totals"]) if str(row["quantity"]).startswith("n_")]
        assert len(counts) == 8
        assert min(counts) >= SMALLEST_SHOWN
        # every difference of a count and a sum of others of its list is none or no small one
        for total, parts in ((60, counts[:3]), (105, counts[3:6])):
            for n_taken in range(len(parts) + 1):
                for some in itertools.combinations(parts, n_taken):
                    assert total - sum(some) == 0 or total - sum(some) >= SMALLEST_SHOWN


def test_a_town_of_few_homes_publishes_no_figures_of_them(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *town([("Alder Street", 5), ("Birch Street", 4)], [("too_steep", 40)]))
    for name in ("places", "totals", "reasons"):
        publish(path, "-o", tmp_path / f"{name}.csv", "--list", name)
    assert read_csv(tmp_path / "places.csv") == []
    totals = {row["quantity"]: row for row in read_csv(tmp_path / "totals.csv")}
    # 9 homes: hidden with the 40 steep ones, and the sum of all may stand
    assert [row["outcome_code"] for row in read_csv(tmp_path / "reasons.csv")] == [TOGETHER]
    assert totals["n_parcels_read"]["value"] == "49"
    for name in ("n_candidate_homes", "diverted_m3_y", "roof_area_m2"):
        assert [totals[name][part] for part in ("low", "value", "high")] == ["", "", ""]
        assert "not shown" in totals[name]["meaning"]


def test_where_every_street_is_small_the_number_of_homes_may_go(publish, tmp_path):
    # three streets of 9: who knew that there are 27 homes would know each of them
    path = write(tmp_path / "a.gpkg", *town([(f"{name} Street", 9) for name in "ABC"], [("too_steep", 40)]))
    for name in ("places", "totals", "reasons"):
        publish(path, "-o", tmp_path / f"{name}.csv", "--list", name)
    assert read_csv(tmp_path / "places.csv") == []
    totals = {row["quantity"]: row for row in read_csv(tmp_path / "totals.csv")}
    assert totals["n_candidate_homes"]["value"] == ""
    assert [row["outcome_code"] for row in read_csv(tmp_path / "reasons.csv")] == [TOGETHER]


def test_where_one_reason_is_left_the_whole_goes_with_it(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *town([("Alder Street", 50)], [("too_steep", 2)]))
    for name in ("totals", "reasons"):
        publish(path, "-o", tmp_path / f"{name}.csv", "--list", name)
    (row,) = read_csv(tmp_path / "reasons.csv")
    assert (row["outcome_code"], row["n_parcels"], row["parcels_frac"]) == (CANDIDATE, "50", "")
    totals = {row["quantity"]: row for row in read_csv(tmp_path / "totals.csv")}
    assert totals["n_parcels_read"]["value"] == ""
    assert totals["n_candidate_homes"]["value"] == "50"


def test_a_copy_is_by_district_where_the_result_has_any(publish, tmp_path):
    layers, record = TOWN
    layers = layers | {"districts": districts(("Mill Hill", 40), ("Old Wharf", 0), ("Quay", 13))}
    path = write(tmp_path / "a.gpkg", layers, record)
    publish(path, "-o", tmp_path / "d.csv")
    # 60 homes: 7 lie in no district, so that they and Mill Hill stand together; none in Old Wharf isn't told either
    assert [(row["district"], row["n_candidates"]) for row in read_csv(tmp_path / "d.csv")] == [
        ("Quay", "13"),
        (TOGETHER, "47"),
    ]
    publish(path, "-o", tmp_path / "a.xlsx")
    assert "streets" not in openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames
    publish(path, "-o", tmp_path / "copy.gpkg")
    assert len(gpd.read_file(tmp_path / "copy.gpkg", layer="districts")) == 2


def test_homes_without_a_street_are_a_row_where_they_are_many(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *town([("Alder Street", 20), (None, 12)]))
    publish(path, "-o", tmp_path / "s.csv")
    assert [(row["street"], row["n_candidates"]) for row in read_csv(tmp_path / "s.csv")] == [
        ("Alder Street", "20"),
        ("(no street)", "12"),
    ]


def test_counts_that_contradict_each_other_are_not_published(runner, tmp_path):
    layers, record = TOWN
    layers = layers | {"districts": districts(("Mill Hill", 99))}
    path = write(tmp_path / "a.gpkg", layers, record)
    assert "count 99 homes, but it has 60" in refused(runner, 3, path, "-o", tmp_path / "a.xlsx")
    assert not (tmp_path / "a.xlsx").exists()


# --- sums and shapes ---


def scattered(n_homes, *, seed=5):
    """A result with its homes all over a square kilometre, each on a lot of its own."""
    random = np.random.default_rng(seed)
    layers, record = town([("Alder Street", n_homes)])
    corners = np.array([made_up_result.X0_M, made_up_result.Y0_M]) + random.uniform(0, 1000, (n_homes, 2))
    homes = layers["candidate_homes"]
    homes["geometry"] = [shapely.MultiPolygon([shapely.box(x, y, x + 15, y + 30)]) for x, y in corners]
    volume = random.uniform(10.0, 100.0, n_homes)
    for name, factor in (("diverted_m3_y", 1.0), ("diverted_low_m3_y", 0.7), ("diverted_high_m3_y", 1.4)):
        homes[name] = volume * factor
    homes["runoff_roof_m3_y"] = 2.0 * volume
    record |= {
        f"total_diverted{part}_m3_y": str(volume.sum() * factor)
        for part, factor in (("_low", 0.8), ("", 1.0), ("_high", 1.3))
    }
    return layers, record


def test_squares_count_every_home_once_and_add_up(publish, tmp_path):
    layers, record = scattered(400)
    path = write(tmp_path / "a.gpkg", layers, record)
    publish(path, "--by", "squares", "--square-m", "250", "-o", tmp_path / "a.gpkg.csv")
    publish(path, "--by", "squares", "--square-m", "250", "-o", tmp_path / "s.gpkg")
    rows = read_csv(tmp_path / "a.gpkg.csv")
    homes = layers["candidate_homes"]
    inside = shapely.point_on_surface(homes.geometry.to_numpy())
    cell = [f"{250 * int(p.x // 250)} {250 * int(p.y // 250)}" for p in inside]
    whole = homes.assign(square=cell).groupby("square").agg(n=("home_id", "size"), water=("diverted_m3_y", "sum"))
    assert sum(int(row["n_candidates"]) for row in rows) == 400
    for row in rows:
        if row["square"] == TOGETHER:
            assert row["diverted_m3_y"] == ""
            continue
        assert int(row["n_candidates"]) == whole["n"][row["square"]] >= SMALLEST_SHOWN
        assert float(row["diverted_m3_y"]) == float(f"{whole['water'][row['square']]:.2g}")
        assert float(row["diverted_low_m3_y"]) < float(row["diverted_m3_y"]) < float(row["diverted_high_m3_y"])
    shown = gpd.read_file(tmp_path / "s.gpkg", layer="squares")
    boxes = shown.set_index("square").geometry
    for name, box in boxes[boxes.notna()].items():
        x, y = map(float, name.split())
        assert box.bounds == (x, y, x + 250, y + 250)
        assert int(shapely.intersects(inside, box).sum()) == whole["n"][name]


def test_sums_are_no_exact_ones(publish, tmp_path):
    # a sum to the last digit tells which of the roofs on an open map are in it
    path = write(tmp_path / "a.gpkg", *scattered(400))
    publish(path, "--by", "squares", "-o", tmp_path / "s.csv")
    publish(path, "--list", "totals", "-o", tmp_path / "t.csv")
    for row in read_csv(tmp_path / "s.csv"):
        for name, value in row.items():
            if name.endswith("_m3_y") and value:
                assert float(value) == float(f"{float(value):.2g}")
    for row in read_csv(tmp_path / "t.csv"):
        if row["unit"]:
            assert float(row["value"]) == float(f"{float(row['value']):.3g}")
    publish(path, "--by", "squares", "--units", "us", "-o", tmp_path / "u.csv")
    first, metric = read_csv(tmp_path / "u.csv")[0], read_csv(tmp_path / "s.csv")[0]
    assert float(first["diverted_gal_y"]) == float(f"{float(metric['diverted_m3_y']) / US_GALLON_M3:.2g}")


def test_a_geopackage_of_the_copy_is_valid_and_has_no_place_of_a_home(publish, tmp_path):
    layers, record = scattered(400)
    path = write(tmp_path / "a.gpkg", layers, record)
    for kind in ("streets", "squares"):
        output = tmp_path / f"{kind}.gpkg"
        publish(path, "--by", kind, "-o", output)
        assert problems(output) == []
        with sqlite3.connect(output) as connection:
            names = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")}
            record_there = dict(connection.execute("SELECT key, value FROM run_record"))
            listed = {tuple(row) for row in connection.execute('SELECT layer, "column" FROM column_guide')}
        connection.close()
        assert names == {kind, "totals", "reasons", "run_record", "column_guide"}
        assert {STANDING, PUBLIC, *CAUTIONS} <= set(record_there.values())
        assert (kind, "n_candidates") in listed
        raw = output.read_bytes()
        for lot in layers["candidate_homes"].geometry:
            x, y = lot.bounds[:2]
            assert np.float64(x).tobytes() not in raw
            assert np.float64(y).tobytes() not in raw


def test_the_same_result_gives_the_same_copy(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    for name in ("one.gpkg", "two.gpkg"):
        publish(path, "-o", tmp_path / name)
    assert (tmp_path / "one.gpkg").read_bytes() == (tmp_path / "two.gpkg").read_bytes()


def test_json_says_what_the_file_says(publish, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    data = json.loads(publish(path, "--json").stdout)
    assert data["counted_by"] == "streets"
    assert [row["n_candidates"] for row in data["streets"]] == [14, 11, 35]
    assert data["about"][0] == PUBLIC
    assert not {"note.001", "n_parcels_merged", "limit"} & set(data["run_record"])


# --- what is not there, and files ---


def test_a_result_without_candidates_is_published_with_a_word(runner, tmp_path):
    layers = {name: frame.iloc[:0] for name, frame in made_layers().items()}
    path = write(tmp_path / "a.gpkg", layers, {"n_parcels_read": "0", "n_parcels_merged": "0"})
    for kind in ("streets", "squares"):
        done = runner.invoke(main, ["publish", str(path), "--by", kind, "-o", str(tmp_path / f"{kind}.gpkg")])
        assert done.exit_code == 0, done.output
        assert "no candidates" in done.stderr
        assert problems(tmp_path / f"{kind}.gpkg") == []


def test_homes_without_streets_are_counted_by_squares(publish, tmp_path):
    layers, record = scattered(60)
    layers["candidate_homes"]["street"] = None
    layers["streets"] = layers["streets"].iloc[:0]
    path = write(tmp_path / "a.gpkg", layers, record)
    assert json.loads(publish(path, "--json").stdout)["counted_by"] == "squares"


def test_where_all_is_small_a_way_out_is_told(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", *town([("Alder Street", 5), ("Birch Street", 4)], [("too_steep", 40)]))
    done = runner.invoke(main, ["publish", str(path)])
    assert done.exit_code == 0
    assert "--by squares" in done.stderr
    done = runner.invoke(main, ["publish", str(path), "--by", "squares"])
    assert "larger --square-m" in done.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--by", "districts"], "has no districts"),
        (["--square-m", "100"], "--by squares"),
        (["-o", "a.txt"], ".gpkg, .csv, .xlsx or .parquet"),
        (["-o", "a.xlsx", "--list", "totals"], "every list"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_way_out(runner, tmp_path, monkeypatch, options, words):
    monkeypatch.chdir(tmp_path)
    path = write(tmp_path / "result.gpkg", *TOWN)
    assert words in refused(runner, 2, path, *options)
    assert [one.name for one in tmp_path.iterdir()] == ["result.gpkg"]


def test_squares_are_no_smaller_than_a_few_lots(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    done = runner.invoke(main, ["publish", str(path), "--by", "squares", "--square-m", str(LEAST_SQUARE_M - 1)])
    assert done.exit_code == 2
    assert SQUARE_M > LEAST_SQUARE_M


def test_a_result_is_never_replaced_by_its_copy(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", *TOWN)
    before = path.read_bytes()
    assert "is a result of a run" in refused(runner, 3, path, "-o", path, "--overwrite")
    assert path.read_bytes() == before
