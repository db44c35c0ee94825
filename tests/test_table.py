"""Lists of a result: right in every format, nothing that a spreadsheet runs, nothing half-written, nobody found."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import shutil
import sqlite3
import zipfile
from pathlib import Path

import geopandas as gpd
import made_up_result
import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from made_towns import COUNTS, districts, made_layers, read_csv, sheet_rows, town, write

from screening import columns
from screening.cli.main import main
from screening.report.list_kinds import CANDIDATE, LISTS
from screening.report.lists import FOR_STAFF, read_lists
from screening.units import FOOT2_M2, FOOT_M, INCH_MM, US_GALLON_M3
from screening.write import tables as tables_module
from screening.write import workbook as workbook_module
from screening.write import write_package
from screening.write.tables import guarded, write_tables


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """The made-up result, written once."""
    return write(tmp_path_factory.mktemp("result") / "candidates.gpkg")


@pytest.fixture
def table(runner):
    """Runs the command, and asks for success."""

    def run(path, output, *options):
        done = runner.invoke(main, ["table", str(path), "-o", str(output), *options])
        assert done.exit_code == 0, done.output
        assert done.exception is None
        return done

    return run


def refused(runner, exit_code, path, output, *options):
    """The one sentence with which the command refuses."""
    done = runner.invoke(main, ["table", str(path), "-o", str(output), *options])
    assert done.exit_code == exit_code, done.output
    assert done.stdout == ""
    sentence = done.stderr.strip()
    assert sentence.startswith("screening: ")
    assert "\n" not in sentence
    return sentence


def same(shown, value, *, digits=6):
    """Whether a cell of a CSV says what a layer says."""
    if pd.isna(value):
        return shown == ""
    if isinstance(value, float):
        return float(shown) == pytest.approx(value, abs=0.6 * 10**-digits)
    return shown == str(value)


# --- CSV ---


def test_a_csv_has_every_column_and_value_of_the_layer(result, table, tmp_path):
    for name, layer in (("homes", "candidate_homes"), ("gardens", "gardens"), ("streets", "streets")):
        table(result, tmp_path / f"{name}.csv", "--list", name)
        rows = read_csv(tmp_path / f"{name}.csv")
        frame = made_layers()[layer]
        assert tuple(rows[0]) == columns.layer(layer).column_names
        assert len(rows) == len(frame)
        for row, (_, wanted) in zip(rows, frame.iterrows(), strict=True):
            for column in columns.layer(layer).column_names:
                assert same(row[column], wanted[column]), column


def test_homes_are_the_list_that_is_made_unless_told_otherwise(result, table, tmp_path):
    table(result, tmp_path / "a.csv")
    table(result, tmp_path / "b.csv", "--list", "homes")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert [row["rank"] for row in read_csv(tmp_path / "a.csv")] == ["1", "2"]


def test_a_csv_is_what_spreadsheets_and_pandas_read(table, tmp_path):
    layers = made_layers()
    layers["candidate_homes"].loc[0, "address"] = 'Ålder Straße 17, "back"\nsecond line'
    table(write(tmp_path / "a.gpkg", layers), tmp_path / "homes.csv")
    raw = (tmp_path / "homes.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbfrank,home_id,")
    assert raw.count(b"\r\n") == 3
    frame = pd.read_csv(tmp_path / "homes.csv", dtype={"home_id": str, "parcel_id": str, "address": str})
    assert frame.columns[0] == "rank"
    assert frame["parcel_id"].tolist() == ["0017", "0018"]
    assert frame["address"][0] == 'Ålder Straße 17, "back"\nsecond line'
    assert frame["open_area_m2"].dtype == np.float64


def test_null_stays_empty_and_identifiers_stay_text(result, table, tmp_path):
    table(result, tmp_path / "others.csv", "--list", "others")
    rows = {row["parcel_id"]: row for row in read_csv(tmp_path / "others.csv")}
    assert set(rows) == {"0016", "0019", "0020", "00'20"}
    assert rows["0019"]["address"] == ""
    assert rows["0019"]["tightest_margin_m"] == ""


def test_others_come_by_reason(result, table, tmp_path):
    table(result, tmp_path / "others.csv", "--list", "others")
    order = list(columns.REASON_CODES)
    places = [order.index(row["reason_code"]) for row in read_csv(tmp_path / "others.csv")]
    assert places == sorted(places)
    assert len(set(places)) == 3


def test_the_run_record_lies_beside_with_what_the_columns_mean(result, table, tmp_path):
    done = table(result, tmp_path / "homes.csv")
    beside = json.loads((tmp_path / "homes.record.json").read_text("utf-8"))
    with sqlite3.connect(result) as connection:
        record = dict(connection.execute("SELECT key, value FROM run_record"))
    connection.close()
    assert beside["run_record"] == {key: value or "" for key, value in record.items()}
    assert beside["list"] == "homes"
    assert beside["rows"] == 2
    assert beside["file"]["sha256"] == hashlib.sha256((tmp_path / "homes.csv").read_bytes()).hexdigest()
    meant = {row["column"]: row for row in beside["columns"] if row["code"] is None}
    assert tuple(meant) == columns.layer("candidate_homes").column_names
    assert meant["diverted_m3_y"]["unit"] == "m3/y"
    assert meant["diverted_m3_y"]["meaning"].startswith("roof water a year")
    flags = {row["code"]: row["meaning"] for row in beside["columns"] if row["column"] == "flags" and row["code"]}
    assert flags == dict(columns.FLAG_CODES)
    assert beside["about"][0] == FOR_STAFF
    assert FOR_STAFF in done.stdout


# --- formulas ---

DANGEROUS = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(1)",
    "\t=1",
    "\rx",
    "\nx",
    " =1",
    '"=1"',
    "'=1",
    "\u00a0=1",
    "\uff1d1",
    "\uff0b1",
    "\uff0d1",
    "\uff201",
    "17 Alder;=1",
    "17 Alder; =1",
    "17 Alder\t-1",
    "17 Alder\n@x",
    '=HYPERLINK("http://example.invalid/?a="&A1,"see")',
]
STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def is_number(text):
    try:
        float(text)
    except ValueError:
        return False
    return True


def cells_as_cut(text, delimiter):
    """Cells that a spreadsheet makes of a file when it cuts lines at a delimiter, blanks and quotes taken away."""
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    for row in rows:
        for cell in row:
            yield cell
            yield cell.lstrip(' \u00a0"')


@pytest.fixture(scope="module")
def dangerous(tmp_path_factory):
    """A result with every dangerous text as address and as identifier."""
    layers, record = town([("Alder Street", len(DANGEROUS))])
    layers["candidate_homes"]["address"] = np.array(DANGEROUS, dtype=object)
    layers["candidate_homes"]["parcel_id"] = np.array(DANGEROUS, dtype=object)
    return write(tmp_path_factory.mktemp("dangerous") / "a.gpkg", layers, record)


def test_no_cell_of_a_csv_begins_like_a_formula(dangerous, table, tmp_path):
    table(dangerous, tmp_path / "homes.csv")
    whole = (tmp_path / "homes.csv").read_bytes().decode("utf-8-sig")
    for delimiter in ",;\t":
        for cell in cells_as_cut(whole, delimiter):
            assert not cell.startswith(STARTS) or is_number(cell), (delimiter, cell)
    guarded_cells = json.loads((tmp_path / "homes.record.json").read_text("utf-8"))["guarded_cells"]
    assert guarded_cells == 2 * len(DANGEROUS)


@pytest.mark.parametrize(
    "text", ["12-14 Alder Street", "17 Alder Street; 2 flats", "a=b", "mail@example.invalid", "", "O'Neill Way", None]
)
def test_other_texts_stay_as_they_are(text):
    assert guarded(text) == text


@given(st.text(max_size=30))
def test_no_text_is_taken_for_a_formula(text):
    shown = guarded(text)
    assert not shown.startswith(STARTS)
    assert shown.replace("'", "") == text.replace("'", "")
    for part in shown.replace("\t", ";").replace("\r", ";").replace("\n", ";").split(";")[1:]:
        bare = part.lstrip(' \u00a0"')
        assert not bare.startswith(STARTS[:4] + STARTS[7:]), shown


def test_a_workbook_has_texts_and_no_formulas(dangerous, table, tmp_path):
    table(dangerous, tmp_path / "a.xlsx")
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        for name in parts.namelist():
            assert b"<f>" not in parts.read(name)
            assert b"hyperlink" not in parts.read(name)
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx")["homes"]
    for row, text in enumerate(DANGEROUS, start=3):
        cell = sheet.cell(row=row, column=4)
        assert cell.data_type in {"s", "inlineStr"}
        # line ends are one in XML
        assert cell.value.replace("_x000D_", "\r").replace("\r", "\n") == text.replace("\r", "\n")


# --- workbook ---


@pytest.fixture(scope="module")
def book(result, tmp_path_factory):
    """The workbook of the made-up result."""
    path = tmp_path_factory.mktemp("book") / "lists.xlsx"
    lists = read_lists(result)
    write_tables(path, lists.tables, guide=lists.guide, record=lists.record, about=lists.about, overwrite=False)
    return openpyxl.load_workbook(path)


def test_a_workbook_has_every_list_with_guide_and_record(book):
    names = ["homes", "gardens", "streets", "totals", "reasons", "others"]
    assert book.sheetnames == ["about", *names, "column_guide", "run_record"]
    about = [row[0] for row in book["about"].iter_rows(values_only=True)]
    assert FOR_STAFF in about
    assert any("never" in line or "no permit" in line for line in about if line)
    record = {row[0]: row[1] for row in book["run_record"].iter_rows(min_row=2, values_only=True)}
    assert record["param.rules.base"] == "us-midwest"
    guide = list(book["column_guide"].iter_rows(min_row=2, values_only=True))
    for name in names:
        shown = [cell.value for cell in book[name][1]]
        assert [row[1] for row in guide if row[0] == name and row[2] is None] == shown


def test_cells_have_types(book):
    homes = made_layers()["candidate_homes"]
    for row, (_, wanted) in zip(sheet_rows(book["homes"]), homes.iterrows(), strict=True):
        assert row["parcel_id"] == wanted["parcel_id"]
        assert type(row["rank"]) is int
        assert row["rank"] == wanted["rank"]
        assert row["diverted_m3_y"] == pytest.approx(wanted["diverted_m3_y"], rel=1e-14)
        assert (row["flags"] or "") == wanted["flags"]
    cell = book["homes"].cell(row=3, column=3)
    assert (cell.value, cell.data_type) == ("0017", "inlineStr" if cell.data_type == "inlineStr" else "s")
    others = {row["parcel_id"]: row for row in sheet_rows(book["others"])}
    assert others["0020"]["area_m2"] is None


def test_the_head_stays_and_filters(book):
    names = columns.layer("candidate_homes").column_names
    sheet = book["homes"]
    assert [cell.value for cell in sheet[1]] == list(names)
    units = dict(zip(names, (cell.value for cell in sheet[2]), strict=True))
    assert units["roof_area_m2"] == "m²"
    assert units["diverted_m3_y"] == "m³/y"
    assert units["downslope_deg"] == "°"
    assert not units["home_id"]
    assert sheet.freeze_panes == "C3"
    last = openpyxl.utils.get_column_letter(len(names))
    # from the row of units: sorting leaves the head where it is
    assert sheet.auto_filter.ref == f"A2:{last}4"
    # no unit, no row of units
    assert book["reasons"].freeze_panes == "B2"
    assert book["reasons"].auto_filter.ref == "A1:D6"
    assert sheet.print_title_rows == "$1:$2"
    assert FOR_STAFF in sheet.oddFooter.left.text


def test_numbers_have_room_and_a_format(book):
    sheet = book["homes"]
    place = columns.layer("candidate_homes").column_names.index("parcel_area_m2") + 1
    cell = sheet.cell(row=3, column=place)
    assert cell.number_format == "#,##0.0"
    assert sheet.cell(row=3, column=1).number_format == "0"
    names = columns.layer("candidate_homes").column_names
    widths = {}
    for group in sheet.column_dimensions.values():
        widths |= dict.fromkeys(range(group.min, group.max + 1), group.width)
    for column, name in enumerate(names, start=1):
        assert len(name) + 1 < widths[column] <= 75, name
    totals = {row[0].value: row[2] for row in book["totals"].iter_rows(min_row=2)}
    assert totals["n_gardens"].number_format == "#,##0"
    assert totals["diverted_m3_y"].number_format == "#,##0.0##"


def test_a_text_longer_than_a_cell_takes_is_cut_and_says_so(tmp_path):
    long = "x" * 40_000
    made = pa.table({"key": [long]})
    workbook_module.write_workbook(
        tmp_path / "a.xlsx", {"totals": made}, guide=made, record={"k": "v"}, about=["a", "b"]
    )
    value = openpyxl.load_workbook(tmp_path / "a.xlsx")["totals"]["A2"].value
    assert len(value) == 32_767
    assert value.endswith("(cut)")


def test_more_rows_than_a_sheet_takes_are_refused(result, runner, tmp_path, monkeypatch):
    monkeypatch.setattr(tables_module, "MOST_ROWS", 1)
    sentence = refused(runner, 2, result, tmp_path / "a.xlsx")
    assert "2 rows" in sentence
    assert ".parquet" in sentence
    assert list(tmp_path.iterdir()) == []


# --- Parquet ---


def test_parquet_is_typed_and_its_schema_says_what_the_columns_mean(result, table, tmp_path):
    table(result, tmp_path / "homes.parquet")
    found = pq.read_table(tmp_path / "homes.parquet")
    kinds = {"str": pa.string(), "int": pa.int64(), "float": pa.float64(), "bool": pa.bool_()}
    homes = made_layers()["candidate_homes"]
    for column in columns.layer("candidate_homes").columns:
        field = found.schema.field(column.name)
        assert field.type == kinds[column.dtype]
        assert field.metadata[b"unit"].decode() == column.unit
        assert field.metadata[b"meaning"].decode().startswith(column.meaning)
        for shown, wanted in zip(found[column.name].to_pylist(), homes[column.name], strict=True):
            assert shown == (None if pd.isna(wanted) else wanted)
    about = json.loads(found.schema.metadata[b"screening"])
    assert about["run_record"]["param.rules.base"] == "us-midwest"
    assert about["about"][0] == FOR_STAFF
    assert (tmp_path / "homes.record.json").is_file()
    assert pd.read_parquet(tmp_path / "homes.parquet")["parcel_id"].tolist() == ["0017", "0018"]


# --- units ---


def test_us_units_stand_in_the_names_and_the_numbers(result, table, tmp_path):
    table(result, tmp_path / "homes.csv", "--units", "us")
    table(result, tmp_path / "gardens.csv", "--units", "us", "--list", "gardens")
    home, garden = read_csv(tmp_path / "homes.csv")[0], read_csv(tmp_path / "gardens.csv")[0]
    layers = made_layers()
    wanted, bed = layers["candidate_homes"].iloc[0], layers["gardens"].iloc[0]
    # by hand: 116 m2 / 0.3048^2 = 1,248.6136 ft2; 100 mm / 25.4 = 3.937008 in
    assert float(home["roof_area_ft2"]) == pytest.approx(1248.6136, abs=1e-4)
    assert float(garden["ponding_depth_in"]) == pytest.approx(3.937008, abs=1e-6)
    for row, source, metric, us, factor in (
        (home, wanted, "roof_area_m2", "roof_area_ft2", FOOT2_M2),
        (home, wanted, "storage_m3", "storage_gal", US_GALLON_M3),
        (home, wanted, "diverted_low_m3_y", "diverted_low_gal_y", US_GALLON_M3),
        (home, wanted, "soil_rate_mm_h", "soil_rate_in_h", INCH_MM),
        (garden, bed, "run_m", "run_ft", FOOT_M),
    ):
        assert metric not in row
        assert float(row[us]) == pytest.approx(source[metric] / factor, abs=1e-5)
    assert "drawdown_h" in home
    assert not [name for name in (*home, *garden) if name.endswith(("_m", "_m2", "_m3", "_m3_y", "_mm", "_mm_h"))]
    units = {row["column"]: row["unit"] for row in json.loads((tmp_path / "homes.record.json").read_text())["columns"]}
    assert units["diverted_gal_y"] == "gal/y"


def test_every_column_of_the_registry_that_has_us_units_can_be_renamed():
    for layer in columns.LAYERS:
        for column in layer.columns:
            if column.unit in {"m", "m2", "m3", "m3/y", "mm", "mm/h", "mm/y"}:
                assert column.name.endswith("_" + column.unit.replace("/", "_")), column.name


def test_totals_convert_row_by_row(result, table, tmp_path):
    table(result, tmp_path / "t.csv", "--list", "totals", "--units", "us")
    rows = {row["quantity"]: row for row in read_csv(tmp_path / "t.csv")}
    assert float(rows["diverted_gal_y"]["low"]) == pytest.approx(40.25 / US_GALLON_M3, abs=1e-5)
    assert rows["diverted_gal_y"]["unit"] == "gal/y"
    assert rows["n_candidate_homes"]["value"] == "2"
    assert "roof_area_ft2" in rows


def test_the_units_are_those_of_the_run_unless_told(table, tmp_path):
    path = write(tmp_path / "a.gpkg", **{"output.display_units": "us"})
    table(path, tmp_path / "a.csv")
    table(path, tmp_path / "b.csv", "--units", "metric")
    assert "roof_area_ft2" in read_csv(tmp_path / "a.csv")[0]
    assert "roof_area_m2" in read_csv(tmp_path / "b.csv")[0]


# --- totals, reasons, districts ---


def test_totals_are_sums_and_the_runs_own_range(result, table, tmp_path):
    table(result, tmp_path / "t.csv", "--list", "totals")
    rows = {row["quantity"]: row for row in read_csv(tmp_path / "t.csv")}
    homes = made_layers()["candidate_homes"]
    assert [rows[name]["value"] for name in ("n_parcels_read", "n_candidate_homes", "n_other_parcels")] == [
        "7",
        "2",
        "4",
    ]
    assert rows["n_gardens"]["value"] == "3"
    for name in ("roof_area_m2", "garden_area_m2", "treated_roof_m2", "storage_m3", "runoff_roof_m3_y"):
        assert float(rows[name]["value"]) == pytest.approx(homes[name].sum(), abs=1e-6)
        assert rows[name]["low"] == ""
    diverted = rows["diverted_m3_y"]
    assert [diverted[part] for part in ("low", "value", "high")] == ["40.25", "61.5", "80"]
    assert rows["cause_frac.soil_rate"]["value"] == "0.4"
    assert columns.CAUSE_CODES["soil_rate"] in rows["cause_frac.soil_rate"]["meaning"]


def test_without_the_totals_own_range_there_is_none(table, tmp_path):
    layers = made_layers()
    path = tmp_path / "a.gpkg"
    record = made_up_result.record() | COUNTS
    record = {key: value for key, value in record.items() if not key.startswith("total_")}
    write_package(path, layers, crs=made_up_result.CRS, record=record, overwrite=True)
    table(path, tmp_path / "t.csv", "--list", "totals")
    row = {row["quantity"]: row for row in read_csv(tmp_path / "t.csv")}["diverted_m3_y"]
    assert (row["low"], row["high"]) == ("", "")
    assert float(row["value"]) == pytest.approx(layers["candidate_homes"]["diverted_m3_y"].sum(), abs=1e-6)
    assert "sum of the homes" in row["meaning"]


def test_reasons_count_every_parcel_once(result, table, tmp_path):
    table(result, tmp_path / "r.csv", "--list", "reasons")
    rows = read_csv(tmp_path / "r.csv")
    assert {row["outcome_code"]: int(row["n_parcels"]) for row in rows} == {
        CANDIDATE: 2,
        "bad_geometry": 2,
        "no_building": 1,
        "too_steep": 1,
        "merged": 1,
    }
    assert sum(float(row["parcels_frac"]) for row in rows) == pytest.approx(1.0, abs=1e-5)
    assert rows[1]["meaning"] == columns.REASON_CODES["bad_geometry"]


def test_rows_that_went_missing_are_told(runner, tmp_path):
    path = write(tmp_path / "a.gpkg", record={"n_parcels_read": "9"})
    for name, options in (("r.csv", ["--list", "reasons"]), ("a.xlsx", [])):
        done = runner.invoke(main, ["table", str(path), "-o", str(tmp_path / name), *options])
        assert done.exit_code == 0
        assert done.stderr.count("7 parcels are there or were merged, 9 were read") == 1


def test_districts_are_a_list_where_the_run_had_any(runner, result, table, tmp_path):
    layers = made_layers() | {"districts": districts(("Mill Hill", 2), ("Old Wharf", 0))}
    path = write(tmp_path / "a.gpkg", layers)
    table(path, tmp_path / "d.csv", "--list", "districts")
    rows = read_csv(tmp_path / "d.csv")
    assert [row["district"] for row in rows] == ["Mill Hill", "Old Wharf"]
    assert rows[0]["diverted_low_m3_y"] == "80"
    table(path, tmp_path / "a.xlsx")
    assert "districts" in openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames
    sentence = refused(runner, 2, result, tmp_path / "e.csv", "--list", "districts")
    assert "has no districts" in sentence
    assert "[inputs] districts" in sentence


# --- files ---


def test_nothing_is_replaced_unless_asked_for(result, runner, table, tmp_path):
    for name in ("a.csv", "a.xlsx", "a.parquet"):
        (tmp_path / name).write_text("mine", encoding="utf-8")
        assert "--overwrite" in refused(runner, 3, result, tmp_path / name)
        assert (tmp_path / name).read_text(encoding="utf-8") == "mine"
        assert not (tmp_path / "a.record.json").exists()
    (tmp_path / "b.record.json").write_text("mine", encoding="utf-8")
    assert "b.record.json" in refused(runner, 3, result, tmp_path / "b.csv")
    assert not (tmp_path / "b.csv").exists()
    table(result, tmp_path / "b.csv", "--overwrite")
    assert (tmp_path / "b.record.json").read_text(encoding="utf-8") != "mine"


@pytest.mark.parametrize(("name", "part"), [("a.csv", "_write_csv"), ("a.parquet", "_write_parquet")])
def test_a_full_disk_leaves_the_old_files_alone(result, runner, tmp_path, monkeypatch, name, part):
    def full(path, *rest, **more):
        path.write_bytes(b"half of it")
        raise OSError(errno.ENOSPC, "No space left on device")

    for old in (name, "a.record.json"):
        (tmp_path / old).write_text("old", encoding="utf-8")
    monkeypatch.setattr(tables_module, part, full)
    assert "disk is full" in refused(runner, 1, result, tmp_path / name, "--overwrite")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([name, "a.record.json"])
    assert {path.read_text(encoding="utf-8") for path in tmp_path.iterdir()} == {"old"}


def test_a_workbook_that_cannot_be_written_leaves_nothing(result, runner, tmp_path, monkeypatch):
    def full(*args, **more):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(zipfile.ZipFile, "write", full)
    assert "disk is full" in refused(runner, 1, result, tmp_path / "a.xlsx")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a.parquet"])
def test_the_same_result_gives_the_same_bytes(result, table, tmp_path, name):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        table(result, tmp_path / folder / name)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_reading_leaves_the_result_alone(result, table, tmp_path):
    copy = tmp_path / "a.gpkg"
    shutil.copy(result, copy)
    table(copy, tmp_path / "a.xlsx")
    assert copy.read_bytes() == result.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.gpkg", "a.xlsx"]


@pytest.mark.parametrize(
    ("output", "options", "words"),
    [
        ("a.txt", (), ".csv, .xlsx or .parquet"),
        ("a", (), ".csv, .xlsx or .parquet"),
        ("a.gpkg", (), ".csv, .xlsx or .parquet"),
        ("nowhere/a.csv", (), "doesn't exist"),
        ("a.xlsx", ("--list", "homes"), "every list"),
    ],
)
def test_wrong_outputs_are_refused(result, runner, tmp_path, output, options, words):
    assert words in refused(runner, 2, result, tmp_path / output, *options)


def test_a_folder_is_no_output(result, runner, tmp_path):
    (tmp_path / "a.csv").mkdir()
    assert "is a folder" in refused(runner, 2, result, tmp_path / "a.csv")


def test_an_unknown_list_is_refused_by_its_name(result, runner, tmp_path):
    done = runner.invoke(main, ["table", str(result), "-o", str(tmp_path / "a.csv"), "--list", "houses"])
    assert done.exit_code == 2
    assert "'homes'" in done.stderr


# --- results that are none ---


def change(path, *statements):
    with sqlite3.connect(path) as connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()
    return path


def test_what_is_no_result_is_refused_in_one_sentence(runner, result, tmp_path):
    out = tmp_path / "a.csv"
    assert "there is no file" in refused(runner, 3, tmp_path / "none.gpkg", out)
    (tmp_path / "text.gpkg").write_text("no database", encoding="utf-8")
    assert "no readable GeoPackage" in refused(runner, 3, tmp_path / "text.gpkg", out)
    (tmp_path / "void.gpkg").touch()
    assert "no readable GeoPackage" in refused(runner, 3, tmp_path / "void.gpkg", out)
    other = tmp_path / "other.gpkg"
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=made_up_result.CRS).to_file(other, layer="trees")
    assert "no result of a run" in refused(runner, 3, other, out)
    assert not out.exists()


def test_a_result_of_another_version_says_so(runner, tmp_path):
    path = change(
        write(tmp_path / "a.gpkg"),
        "UPDATE run_record SET value = '0.0.3' WHERE key = 'screening_version'",
        "ALTER TABLE candidate_homes DROP COLUMN n_gardens",
    )
    sentence = refused(runner, 3, path, tmp_path / "a.csv")
    assert "no n_gardens" in sentence
    assert "version 0.0.3" in sentence
    assert "run again" in sentence


def test_a_result_that_was_changed_says_so(runner, tmp_path):
    path = change(write(tmp_path / "a.gpkg"), "ALTER TABLE candidate_homes DROP COLUMN n_gardens")
    assert "changed since the run" in refused(runner, 3, path, tmp_path / "a.csv")
    path = change(write(tmp_path / "b.gpkg"), "DELETE FROM run_record WHERE key = 'n_parcels_read'")
    assert "doesn't say n_parcels_read" in refused(runner, 3, path, tmp_path / "b.csv", "--list", "reasons")
    path = change(write(tmp_path / "c.gpkg"), "DELETE FROM gpkg_contents WHERE table_name = 'column_guide'")
    assert "column_guide" in refused(runner, 3, path, tmp_path / "c.csv")


def test_columns_that_somebody_added_come_along(table, tmp_path):
    path = change(
        write(tmp_path / "a.gpkg"),
        "ALTER TABLE candidate_homes ADD COLUMN visited TEXT DEFAULT '=yes'",
    )
    table(path, tmp_path / "a.csv")
    assert [row["visited"] for row in read_csv(tmp_path / "a.csv")] == ["'=yes", "'=yes"]
    meant = json.loads((tmp_path / "a.record.json").read_text("utf-8"))["columns"][-1]
    assert "not of the run" in meant["meaning"]


def test_columns_that_are_not_there_are_not_missed(table, tmp_path):
    # what an earlier version didn't know yet
    path = change(write(tmp_path / "a.gpkg"), "ALTER TABLE candidate_homes DROP COLUMN soil_rate_mm_h")
    table(path, tmp_path / "a.csv")
    assert "soil_rate_mm_h" not in read_csv(tmp_path / "a.csv")[0]


def test_a_lean_result_has_all_lists(table, tmp_path):
    layers = made_layers()
    for name in ("buildings", "roof_parts", "open_ground"):
        del layers[name]
    table(write(tmp_path / "a.gpkg", layers), tmp_path / "a.xlsx")
    names = openpyxl.load_workbook(tmp_path / "a.xlsx").sheetnames
    assert {"homes", "gardens", "streets", "totals", "reasons", "others"} <= set(names)


def test_a_result_without_candidates_has_empty_lists_and_says_so(runner, tmp_path):
    layers = {name: frame.iloc[:0] for name, frame in made_layers().items()}
    path = write(tmp_path / "a.gpkg", layers, {"n_parcels_read": "0", "n_parcels_merged": "0"})
    for name in ("a.csv", "a.xlsx", "b.parquet"):
        done = runner.invoke(main, ["table", str(path), "-o", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
        assert "no candidates" in done.stderr
    assert read_csv(tmp_path / "a.csv") == []
    assert (tmp_path / "a.csv").read_bytes().startswith(b"\xef\xbb\xbfrank,")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book["homes"].auto_filter.ref.startswith("A2:")


# --- words ---


def test_the_page_names_every_list(repository):
    text = (repository / "docs" / "how-to" / "lists-for-a-spreadsheet.md").read_text("utf-8")
    for name in LISTS:
        assert f"| `{name}` |" in text
    assert FOR_STAFF in " ".join(text.split())


def test_the_command_works_where_it_is_run(result, table, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = table(result, Path("homes.csv"))
    assert done.stdout.splitlines()[0] == "homes.csv: homes (2)"
    assert Path("homes.record.json").is_file()
