"""Lists for a spreadsheet or a program: CSV, a workbook or Parquet, whole or not there at all.

Tables are Arrow tables whose fields carry what a reader needs in their metadata: ``meaning``, ``unit`` and, for
numbers, ``decimals``.
"""

from __future__ import annotations

import csv
import hashlib
import json
import logging
import re
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from screening.errors import ParameterError
from screening.write.destination import check_file, staged_files
from screening.write.workbook import MOST_ROWS, write_workbook

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

logger = logging.getLogger(__name__)

WORKBOOK: Final = ".xlsx"
TABLE_ENDINGS: Final = (".csv", WORKBOOK, ".parquet")
"""What the name of a list may end in."""

RECORD_ENDING: Final = ".record.json"

# Spreadsheets take a text for a formula if it begins like one: OWASP, "CSV Injection" (= + - @, tab, carriage return,
# line feed, and the full-width forms), from memory. A spreadsheet may also cut lines at semicolons or tabs, whatever
# the quotes, and take blanks and quotes away, so what follows these is looked at as well.
_FORMULA: Final = re.compile("^(?=[\t\r\n])|(?P<start>^|[;\t\r\n])(?=[ \u00a0\"']*[=+\\-@\uff1d\uff0b\uff0d\uff20])")
_GUARD: Final = "'"

_DECIMALS: Final = 6
_METADATA_KEY: Final = b"screening"
# A number as text takes more room than eight bytes.
_BYTES_PER_BYTE: Final = 3


def check_tables(path: Path, *, overwrite: bool) -> None:
    """Refuse a place for lists that cannot take them, before reading anything.

    Parameters
    ----------
    path : Path
        The file to be written; its ending is the format.
    overwrite : bool
        Whether a file there, and the record beside it, may be replaced.

    Raises
    ------
    ParameterError, OutputExistsError, ScreeningError
        As `check_file`.
    """
    check_file(path, endings=TABLE_ENDINGS, overwrite=overwrite)
    beside = record_beside(path)
    if beside is not None:
        check_file(beside, endings=(".json",), overwrite=overwrite)


def record_beside(path: Path) -> Path | None:
    """Where the run record of a list goes; None for a workbook, which has a sheet for it."""
    return None if path.suffix.lower() == WORKBOOK else path.with_suffix(RECORD_ENDING)


def write_tables(
    path: Path,
    tables: Mapping[str, pa.Table],
    *,
    guide: pa.Table,
    record: Mapping[str, str],
    about: Sequence[str],
    overwrite: bool,
) -> None:
    """Write lists into one file, with the run record in it or beside it, or leave the folder as it was.

    Parameters
    ----------
    path : Path
        Ends in ``.csv`` or ``.parquet``, for one list, or in ``.xlsx``.
    tables : Mapping[str, pyarrow.Table]
        Lists by name.
    guide : pyarrow.Table
        What their columns mean.
    record : Mapping[str, str]
        Run record.
    about : sequence of str
        Sentences for those who have only this file.
    overwrite : bool
        Whether earlier files may be replaced.

    Raises
    ------
    ParameterError
        More rows than a sheet takes, a wrong name.
    OutputExistsError
        A file is there and may not be replaced.
    ScreeningError
        Disk full, folder read-only; nothing is left behind.
    """
    check_tables(path, overwrite=overwrite)
    beside = record_beside(path)
    if beside is None:
        _check_rows(path, tables)
    needed_bytes = _BYTES_PER_BYTE * sum(table.nbytes for table in tables.values())
    targets = (path,) if beside is None else (path, beside)
    with staged_files(targets, overwrite=overwrite, needed_bytes=needed_bytes) as staged:
        if beside is None:
            write_workbook(staged[0], tables, guide=guide, record=record, about=about)
            return
        ((name, table),) = tables.items()
        beside_data: dict[str, Any] = {
            "about": list(about),
            "list": name,
            "rows": table.num_rows,
            "columns": guide.to_pylist(),
            "run_record": dict(record),
        }
        if path.suffix.lower() == ".csv":
            beside_data["guarded_cells"] = _write_csv(staged[0], table)
        else:
            _write_parquet(staged[0], table, beside_data)
        digest = hashlib.sha256(staged[0].read_bytes()).hexdigest()
        beside_data = {"file": {"name": path.name, "sha256": digest}, **beside_data}
        staged[1].write_text(json.dumps(beside_data, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _check_rows(path: Path, tables: Mapping[str, pa.Table]) -> None:
    for name, table in tables.items():
        if table.num_rows > MOST_ROWS:
            raise ParameterError(
                f"the list of {name} has {table.num_rows:,} rows, and a sheet of '{path}' takes {MOST_ROWS:,}: write "
                f"the lists one by one as .csv or .parquet with --list"
            )


def _write_csv(path: Path, table: pa.Table) -> int:
    """Write RFC 4180, in UTF-8 with a byte order mark: spreadsheets know by it that it is UTF-8, pandas skips it.

    Returns
    -------
    int
        Texts that got an apostrophe, lest a spreadsheet takes them for formulas.
    """
    shown, n_guarded = [], 0
    for field, values in zip(table.schema, table.columns, strict=True):
        plain = values.to_pylist()
        if pa.types.is_string(field.type):
            texts = [guarded(value) for value in plain]
            n_guarded += sum(text != value for text, value in zip(texts, plain, strict=True))
        elif pa.types.is_floating(field.type):
            texts = [None if value is None else _number_text(value) for value in plain]
        elif pa.types.is_boolean(field.type):
            texts = [None if value is None else str(value).lower() for value in plain]
        else:
            texts = plain
        shown.append(texts)
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow([guarded(name) for name in table.column_names])
        writer.writerows(zip(*shown, strict=True))
    if n_guarded:
        logger.info("%d texts that a spreadsheet would take for formulas begin with an apostrophe", n_guarded)
    return n_guarded


def guarded(text: str | None) -> str | None:
    """Put an apostrophe before what a spreadsheet would take for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("17 Alder Street; =1+1"), guarded("12-14 Alder Street")
    ("'=1+1", "17 Alder Street;' =1+1", '12-14 Alder Street')
    """
    if text is None:
        return None
    return _FORMULA.sub(lambda found: (found["start"] or "") + _GUARD, text)


def _number_text(value: float) -> str:
    """Write a number with at most six decimals: less than the coordinates' grid of 0.01 mm, and no more noise."""
    text = f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _write_parquet(path: Path, table: pa.Table, about: Mapping[str, Any]) -> None:
    """Write Parquet whose schema says what the columns mean and which run they come from."""
    text = json.dumps(about, ensure_ascii=False).encode()
    pq.write_table(table.replace_schema_metadata({_METADATA_KEY: text}), path)
