"""Two results beside each other: the split is exact, reasons are those of the other run, nobody is counted twice."""

from __future__ import annotations

import csv
import json
import math
import re
import sqlite3

import geopandas as gpd
import made_up_result
import numpy as np
import openpyxl
import pandas as pd
import pyproj
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from made_towns import made_layers, town, write

from screening.cli.main import main
from screening.comparison.compare import FACTORS, GAINED, LOST, STAYED, compare_results
from screening.comparison.differences import differences
from screening.comparison.runs import MERGED, NOT_THERE
from screening.comparison.split import place_in, split_change
from screening.params import load_params
from screening.ranking import rank_homes
from screening.report.cautions import STANDING
from screening.report.lists import FOR_STAFF
from screening.units import US_GALLON_M3
from screening.write import write_package

factors = hnp.arrays(
    np.float64,
    st.tuples(st.integers(1, 6), st.integers(1, 4)),
    elements=st.sampled_from([0.0, 0.5, 1.0, 3.0, 71.3, 1e4]),
)


def refused(runner, exit_code, *arguments):
    """The one sentence with which the command refuses."""
    done = runner.invoke(main, ["compare", *map(str, arguments)])
    assert done.exit_code == exit_code, done.output
    assert done.stdout == ""
    sentence = done.stderr.strip()
    assert sentence.startswith("screening: ")
    assert "\n" not in sentence
    return sentence


def compared(runner, *arguments):
    """The comparison as data."""
    done = runner.invoke(main, ["compare", *map(str, arguments), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


# --- the split ---


@given(st.data())
def test_the_parts_add_up_to_the_change(data):
    before = data.draw(factors)
    after = data.draw(hnp.arrays(np.float64, before.shape, elements=st.floats(0.0, 1e4)))
    parts = split_change(before, after)
    change = after.prod(axis=1) - before.prod(axis=1)
    scale = np.maximum(np.maximum(after.prod(axis=1), before.prod(axis=1)), 1.0)
    # while one factor goes up another goes down: parts may be larger than both ends
    scale = np.maximum(scale, np.abs(parts).max(axis=1))
    assert (np.abs(parts.sum(axis=1) - change) <= 1e-12 * scale).all()


@given(st.data())
def test_a_factor_that_stays_adds_nothing(data):
    before = data.draw(factors)
    after = before.copy()
    k = data.draw(st.integers(0, before.shape[1] - 1))
    after[:, k] += 1.0
    parts = split_change(before, after)
    assert (np.delete(parts, k, axis=1) == 0.0).all()
    rest = np.delete(before, k, axis=1).prod(axis=1)
    assert np.allclose(parts[:, k], rest, rtol=1e-12)


@given(st.data())
def test_the_way_back_is_the_same_with_the_other_sign(data):
    before = data.draw(factors)
    after = data.draw(hnp.arrays(np.float64, before.shape, elements=st.sampled_from([0.0, 2.0, 9.0])))
    assert np.allclose(split_change(before, after), -split_change(after, before), rtol=1e-12)


def test_the_split_by_hand():
    # two factors: each step times the mean of the other factor; three: the mean over six orders
    assert split_change(np.array([[2.0, 3.0]]), np.array([[4.0, 5.0]])).tolist() == [[2 * 4.0, 2 * 3.0]]
    one, other = np.array([2.0, 3.0, 5.0]), np.array([7.0, 11.0, 13.0])
    wanted = (other[0] - one[0]) * (2 * 3 * 5 + 11 * 5 + 3 * 13 + 2 * 11 * 13) / 6
    assert split_change(one[None], other[None])[0, 0] == pytest.approx(wanted, rel=1e-14)


@given(st.lists(st.integers(0, 12), min_size=1, max_size=15), st.data())
def test_the_place_among_the_others_is_that_of_ranking_anew(volumes, data):
    # ranked anew with one changed volume; equals are told apart there, so places lie between first and last equal
    row = data.draw(st.integers(0, len(volumes) - 1))
    volume = data.draw(st.integers(0, 12))
    largest = max(*volumes, 1)
    found = place_in(np.array(volumes) / largest, np.array([row]), np.array([volume / largest]))[0]
    frame = pd.DataFrame(
        {
            "diverted_m3_y": [volume if k == row else one for k, one in enumerate(volumes)],
            "confidence_frac": 1.0,
            "treated_roof_frac": 1.0,
            "home_id": [f"{'0' if k == row else '1'}{k:03d}" for k in range(len(volumes))],
        }
    )
    ranked = rank_homes(frame.astype({"diverted_m3_y": float}), load_params(None).ranking)
    assert found == ranked.loc[ranked["home_id"].str.startswith("0"), "rank"].item()


# --- two results ---


def row_of_lots(n, **changes):
    """A result with n homes in a row, each with its own numbers; `changes` are columns to set."""
    layers, record = town([("Alder Street", n)])
    homes = layers["candidate_homes"]
    k = np.arange(n)
    homes["treated_roof_m2"] = 50.0 + 3.0 * k
    homes["roof_area_m2"] = 120.0 + k
    homes["runoff_roof_m3_y"] = 0.7 * homes["roof_area_m2"]
    homes["garden_area_m2"] = 10.0 + 0.5 * k
    for name, values in changes.items():
        homes[name] = values
    kept = 0.6 + 0.01 * k if "kept" not in changes else np.broadcast_to(changes["kept"], n)
    likely = homes["treated_roof_m2"] * homes["runoff_roof_m3_y"] / homes["roof_area_m2"] * kept
    homes["all_likely_m3_y"] = likely
    homes["diverted_m3_y"] = 0.97 * likely
    homes["diverted_low_m3_y"], homes["diverted_high_m3_y"] = 0.7 * likely, 1.3 * likely
    homes["treated_roof_frac"] = homes["treated_roof_m2"] / homes["roof_area_m2"]
    homes["geometry"] = [
        shapely.MultiPolygon([made_up_result.place(shapely.box(20 * i, 0, 20 * i + 20, 40))]) for i in k
    ]
    ranks = homes["diverted_m3_y"].rank(ascending=False, method="first").astype(int)
    homes["rank"] = ranks
    layers["candidate_homes"] = homes.drop(columns="kept", errors="ignore").sort_values("rank").reset_index(drop=True)
    gardens = made_layers()["gardens"].iloc[np.zeros(n, dtype=int)].reset_index(drop=True)
    gardens["garden_id"], gardens["home_id"] = [f"g{i}" for i in k], [f"home-{i:04d}" for i in k]
    gardens["ponding_depth_mm"] = changes.get("ponding_depth_mm", 150.0)
    layers["gardens"] = gardens
    layers["candidate_homes"] = layers["candidate_homes"].drop(columns="ponding_depth_mm", errors="ignore")
    total = 1.02 * float(layers["candidate_homes"]["diverted_m3_y"].sum())
    return layers, record | {
        "total_diverted_m3_y": str(total),
        "total_diverted_low_m3_y": str(0.8 * total),
        "total_diverted_high_m3_y": str(1.2 * total),
    }


def without(layers, record, n_lost, reason="too_narrow"):
    """The same result, its last homes other parcels."""
    homes = layers["candidate_homes"].sort_values("home_id")
    gone, kept = homes.iloc[-n_lost:], homes.iloc[:-n_lost]
    kept = kept.assign(rank=kept["diverted_m3_y"].rank(ascending=False, method="first").astype(int)).sort_values("rank")
    rows = [
        {
            "home_id": one["home_id"],
            "parcel_id": one["parcel_id"],
            "reason_code": reason,
            "reason_text": f"{reason} here",
        }
        for _, one in gone.iterrows()
    ]
    others = made_up_result.frame("other_parcels", rows, gone.geometry)
    total = 1.02 * float(kept["diverted_m3_y"].sum())
    return (
        layers | {"candidate_homes": kept.reset_index(drop=True), "other_parcels": others},
        record | {"total_diverted_m3_y": str(total)},
    )


def assert_adds_up(data):
    """Causes of level 0 make the change of the total, parts of level 1 the row above, factors each home's change."""
    total = data["total"]
    top = math.fsum(row["change_m3_y"] for row in data["causes"] if row["level"] == 0)
    assert top == pytest.approx(total["change_m3_y"], abs=1e-9 * max(total["before_m3_y"], total["after_m3_y"], 1.0))
    assert total["after_m3_y"] - total["before_m3_y"] == total["change_m3_y"]
    above = {row["cause"]: row["change_m3_y"] for row in data["causes"] if row["level"] == 0}
    for cause in ("lost", "gained", "kept"):
        parts = [row["change_m3_y"] for row in data["causes"] if row["cause"].startswith(f"{cause}.")]
        assert not parts or math.fsum(parts) == pytest.approx(above[cause], abs=1e-9 * max(1.0, abs(above[cause])))
    for home in data["homes"]:
        if home["change_code"] == STAYED:
            parts = math.fsum(home[name] for name in FACTORS)
            assert parts == pytest.approx(home["after_m3_y"] - home["before_m3_y"], abs=1e-9)
            assert home["rank_before"] + home["rank_by_itself"] + home["rank_by_others"] == home["rank_after"]


def test_the_same_result_twice_differs_in_nothing(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", *row_of_lots(8))
    data = compared(runner, path, path)
    assert data["is_same"]
    assert data["differences"] == []
    assert data["n_homes"] == {GAINED: 0, LOST: 0, STAYED: 8}
    assert all(row["change_m3_y"] == 0.0 for row in data["causes"])
    done = runner.invoke(main, ["compare", str(path), str(path)])
    assert "Nothing: the same files" in done.stdout
    assert "Homes in both" not in done.stdout


@pytest.mark.parametrize(
    ("changes", "factor"),
    [
        ({"treated_roof_m2": 70.0}, "roof_m3_y"),
        ({"runoff_roof_m3_y": 99.0}, "rain_m3_y"),
        ({"kept": 0.4}, "kept_m3_y"),
    ],
)
def test_one_change_is_one_cause(runner, tmp_path, changes, factor):
    first = write(tmp_path / "a.gpkg", *row_of_lots(6))
    second = write(tmp_path / "b.gpkg", *row_of_lots(6, **changes))
    data = compared(runner, first, second)
    assert_adds_up(data)
    moved = {row["cause"] + "_m3_y": row["change_m3_y"] for row in data["causes"] if row["level"] == 0}
    for name in FACTORS:
        assert (abs(moved[name]) > 1.0) == (name == factor), name
    # one number of each home changed, and that it is told
    assert all(home["changed"] for home in data["homes"])


def test_what_gardens_keep_is_told_by_what_changed(runner, tmp_path):
    first = write(tmp_path / "a.gpkg", *row_of_lots(6))
    depth = np.array([150.0, 150.0, 100.0, 100.0, 100.0, 150.0])
    kept = np.array([0.6, 0.61, 0.5, 0.5, 0.5, 0.5])
    second = write(tmp_path / "b.gpkg", *row_of_lots(6, kept=kept, ponding_depth_mm=depth))
    data = compared(runner, first, second)
    assert_adds_up(data)
    parts = {row["cause"]: row["n_homes"] for row in data["causes"] if row["level"] == 1}
    assert parts == {"kept.depth of ponding": 3, "kept.else": 1}
    home = next(row for row in data["homes"] if row["home_id"] == "home-0003")
    assert home["kept_by"] == "depth of ponding"
    assert "depth 150 mm -> 100 mm" in home["changed"]


def test_homes_lost_and_gained_have_the_reason_of_the_other_run(runner, tmp_path):
    whole = row_of_lots(9)
    first, second = write(tmp_path / "a.gpkg", *whole), write(tmp_path / "b.gpkg", *without(*whole, 3))
    for pair, code in (((first, second), LOST), ((second, first), GAINED)):
        data = compared(runner, *pair)
        assert_adds_up(data)
        assert data["n_homes"][code] == 3
        rows = [row for row in data["homes"] if row["change_code"] == code]
        assert {row["home_id"] for row in rows} == {"home-0006", "home-0007", "home-0008"}
        assert {(row["reason_code"], row["reason_text"]) for row in rows} == {("too_narrow", "too_narrow here")}
        assert all((row["change_m3_y"] > 0) == (code == GAINED) for row in rows)
    # those that stayed moved up because others went, not by themselves
    stayed = [row for row in compared(runner, first, second)["homes"] if row["change_code"] == STAYED]
    assert {(row["rank_by_itself"], row["rank_by_others"]) for row in stayed} == {(0, -3)}


def test_a_home_that_is_gone_is_looked_for_by_parcel_place_and_merging(runner, tmp_path):
    whole = row_of_lots(9)
    layers, record = without(*whole, 4)
    others = layers["other_parcels"]
    others.loc[0, "home_id"] = None
    others.loc[1, ["home_id", "parcel_id"]] = None
    lot = others.loc[2, "parcel_id"]
    gone = others.loc[3, "home_id"]
    layers["other_parcels"] = others.iloc[:2].reset_index(drop=True)
    merged = pd.DataFrame({"parcel_id": [lot], "address": [None], "merge_code": ["duplicate"], "kept_parcel_id": ["x"]})
    layers["merged_parcels"] = merged
    first = write(tmp_path / "a.gpkg", *whole)
    second = write(tmp_path / "b.gpkg", layers, record | {"limit": "7"})
    rows = {row["home_id"]: row for row in compared(runner, first, second)["homes"] if row["change_code"] == LOST}
    assert [rows[name]["reason_code"] for name in sorted(rows)] == ["too_narrow", "too_narrow", MERGED, NOT_THERE]
    assert "only a part of the town" in rows[gone]["reason_text"]


@pytest.mark.parametrize("n", [0, 1])
def test_a_run_without_candidates_can_be_compared(runner, tmp_path, n):
    whole = row_of_lots(5)
    none = without(*whole, 5)
    first = write(tmp_path / "a.gpkg", *(whole, none)[n])
    second = write(tmp_path / "b.gpkg", *none)
    data = compared(runner, first, second)
    assert_adds_up(data)
    assert data["n_homes"] == {GAINED: 0, LOST: 5 * (1 - n), STAYED: 0}


def test_without_a_total_of_its_own_the_sum_of_the_homes_counts(runner, tmp_path):
    layers, record = row_of_lots(5)
    first = write(tmp_path / "a.gpkg", layers, record)
    second = write(tmp_path / "b.gpkg", *row_of_lots(5, kept=0.3))
    with sqlite3.connect(second) as connection:
        connection.execute("DELETE FROM run_record WHERE key LIKE 'total_%'")
    connection.close()
    data = compared(runner, first, second)
    assert_adds_up(data)
    assert data["total"]["before_m3_y"] == pytest.approx(layers["candidate_homes"]["diverted_m3_y"].sum())
    assert "sum_middle" not in {row["cause"] for row in data["causes"]}


def test_the_rank_of_a_home_is_split_over_itself_and_the_others(runner, tmp_path):
    first = write(tmp_path / "a.gpkg", *row_of_lots(6))
    treated = 50.0 + 3.0 * np.arange(6)
    treated[0] = 200.0
    second = write(tmp_path / "b.gpkg", *row_of_lots(6, treated_roof_m2=treated))
    rows = {row["home_id"]: row for row in compared(runner, first, second)["homes"]}
    assert (rows["home-0000"]["rank_by_itself"], rows["home-0000"]["rank_by_others"]) == (-5, 0)
    assert {(rows[f"home-000{k}"]["rank_by_itself"], rows[f"home-000{k}"]["rank_by_others"]) for k in range(1, 6)} == {
        (0, 1)
    }


# --- what differs between the runs ---

RECORD = {
    "screening_version": "0.1.0",
    "numpy_version": "2.0",
    "param.rules.lot_line_m": "1.52",
    "param.inputs.parcels": "parcels.gpkg",
    "param.output.display_units": "us",
    "input.parcels.name": "parcels.gpkg",
    "input.parcels.sha256.parcels.gpkg": "aa",
    "input.streets.name": "streets.shp",
    "input.streets.sha256.streets.shp": "bb",
    "input.streets.sha256.streets.dbf": "cc",
    "bounds_m": "",
    "n_candidate_homes": "12",
}


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({}, []),
        ({"n_candidate_homes": "9", "param.output.display_units": "metric"}, []),
        ({"screening_version": "0.2.0"}, [("version", "screening")]),
        ({"numpy_version": "2.1"}, [("library", "numpy")]),
        ({"param.rules.lot_line_m": "3"}, [("parameter", "rules.lot_line_m")]),
        ({"param.rules.new": "3"}, [("parameter", "rules.new")]),
        ({"input.streets.sha256.streets.dbf": "dd"}, [("input", "streets")]),
        ({"input.rain.sha256.rain.csv": "ee", "input.rain.name": "rain.csv"}, [("input", "rain")]),
        ({"bounds_m": "0,0,1,1"}, [("part", "--bbox")]),
    ],
)
def test_what_differs_is_found_in_the_records(change, wanted):
    found = differences(RECORD, RECORD | change)
    assert [(one.kind, one.name) for one in found] == wanted
    back = differences(RECORD | change, RECORD)
    assert [(one.before, one.after) for one in back] == [(one.after, one.before) for one in found]


def test_a_file_under_another_name_is_the_same_input():
    renamed = {
        key.replace("parcels.gpkg", "lots.gpkg"): text.replace("parcels.gpkg", "lots.gpkg")
        for key, text in RECORD.items()
    }
    assert differences(RECORD, renamed) == ()


def test_the_text_says_what_can_be_said_of_why(runner, tmp_path):
    first = write(tmp_path / "a.gpkg", *row_of_lots(5))
    changed, record = row_of_lots(5, kept=0.3)
    others = {
        "one": (changed, record, {"rules.lot_line_m": 3.0}, "Only this differs in their records"),
        "two": (changed, record, {"rules.lot_line_m": 3.0, "rules.max_run_m": 9.0}, "2 things differ"),
        "none": (changed, record, {}, "one of the files was changed since its run"),
        "idle": (*row_of_lots(5), {"rules.max_run_m": 9.0}, "None of this changed a number"),
    }
    for name, (layers, more, parameters, words) in others.items():
        second = write(tmp_path / f"{name}.gpkg", layers, more, **parameters)
        done = runner.invoke(main, ["compare", str(first), str(second)])
        assert done.exit_code == 0, done.output
        assert words in " ".join(done.stdout.split())
        assert STANDING in done.stdout
        assert FOR_STAFF in done.stdout


# --- files and faults ---


def test_lists_in_every_format_and_unit(runner, tmp_path):
    whole = row_of_lots(9)
    first, second = write(tmp_path / "a.gpkg", *whole), write(tmp_path / "b.gpkg", *without(*whole, 3))
    for name, options in (("h.csv", []), ("c.csv", ["--list", "causes"]), ("a.xlsx", []), ("u.csv", ["--units", "us"])):
        done = runner.invoke(main, ["compare", str(first), str(second), "-o", str(tmp_path / name), *options])
        assert done.exit_code == 0, done.output
    with (tmp_path / "h.csv").open(encoding="utf-8-sig", newline="") as stream:
        homes = list(csv.DictReader(stream))
    with (tmp_path / "u.csv").open(encoding="utf-8-sig", newline="") as stream:
        in_us = list(csv.DictReader(stream))
    assert len(homes) == 9
    assert [row["change_code"] for row in homes[:3]] == [LOST] * 3
    assert float(in_us[0]["before_gal_y"]) == pytest.approx(float(homes[0]["before_m3_y"]) / US_GALLON_M3, rel=1e-6)
    assert openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames[1:4] == ["homes", "causes", "differences"]
    beside = json.loads((tmp_path / "h.record.json").read_text("utf-8"))
    assert beside["run_record"]["first.file"] == "a.gpkg"
    assert beside["run_record"]["second.param.rules.base"] == "us-midwest"
    assert beside["about"][0] == FOR_STAFF


def test_all_homes_are_listed_when_asked_for(runner, tmp_path):
    whole = row_of_lots(12)
    first, second = write(tmp_path / "a.gpkg", *whole), write(tmp_path / "b.gpkg", *without(*whole, 9))
    few = runner.invoke(main, ["compare", str(first), str(second)]).stdout
    many = runner.invoke(main, ["compare", str(first), str(second), "--all"]).stdout
    assert "and 4 homes more" in few
    assert len(re.findall("now too_narrow", few)) == 5
    assert len(re.findall("now too_narrow", many)) == 9


def test_other_towns_and_coordinate_systems_are_refused(runner, tmp_path):
    layers, record = row_of_lots(5)
    first = write(tmp_path / "a.gpkg", layers, record)
    far = {name: frame.copy() for name, frame in layers.items()}
    for name in ("candidate_homes", "other_parcels"):
        far[name]["geometry"] = far[name].geometry.translate(50_000.0, 0.0)
    assert "of different places" in refused(runner, 3, first, write(tmp_path / "b.gpkg", far, record))
    renamed = {name: frame.copy() for name, frame in layers.items()}
    for name in ("home_id", "parcel_id"):
        renamed["candidate_homes"][name] = "other-" + renamed["candidate_homes"][name].astype(str)
    renamed["gardens"]["home_id"] = "other-" + renamed["gardens"]["home_id"].astype(str)
    assert "by different names" in refused(runner, 3, first, write(tmp_path / "c.gpkg", renamed, record))
    crs = pyproj.CRS.from_epsg(26916)
    moved = {
        name: frame.set_crs(crs, allow_override=True) if isinstance(frame, gpd.GeoDataFrame) else frame
        for name, frame in layers.items()
    }
    second = tmp_path / "d.gpkg"
    write_package(second, moved, crs=crs, record=made_up_result.record() | record, overwrite=False)
    sentence = refused(runner, 3, first, second)
    assert "working_crs" in sentence


def test_what_is_no_result_is_refused(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", *row_of_lots(5))
    assert "there is no file" in refused(runner, 3, path, tmp_path / "none.gpkg")
    (tmp_path / "text.gpkg").write_text("no database", encoding="utf-8")
    assert "no readable GeoPackage" in refused(runner, 3, tmp_path / "text.gpkg", path)
    old = write(tmp_path / "old.gpkg", *row_of_lots(5))
    with sqlite3.connect(old) as connection:
        connection.execute("UPDATE run_record SET value = '0.0.3' WHERE key = 'screening_version'")
        connection.execute("ALTER TABLE candidate_homes DROP COLUMN all_likely_m3_y")
    connection.close()
    sentence = refused(runner, 3, path, old)
    assert "version 0.0.3" in sentence
    assert ".csv, .xlsx or .parquet" in refused(runner, 2, path, path, "-o", tmp_path / "a.txt")
    assert "every list" in refused(runner, 2, path, path, "-o", tmp_path / "a.xlsx", "--list", "homes")


def test_files_are_only_read(runner, tmp_path):
    whole = row_of_lots(5)
    paths = [write(tmp_path / "a.gpkg", *whole), write(tmp_path / "b.gpkg", *without(*whole, 2))]
    before = [path.read_bytes() for path in paths]
    compare_results(*paths)
    assert [path.read_bytes() for path in paths] == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.gpkg", "b.gpkg"]
