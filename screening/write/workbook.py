"""Lists as a workbook: a sheet for each, one that says what they are, the column guide and the run record."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import xlsxwriter
from xlsxwriter.exceptions import FileCreateError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

_HEAD_ROWS: Final = 2
# Limits of the format: ECMA-376 is silent, "Excel specifications and limits" (Microsoft) says 1,048,576 rows and
# 32,767 characters in a cell; from memory.
MOST_ROWS: Final = 1_048_576 - _HEAD_ROWS
"""Most rows that a sheet takes below its head."""
_LONGEST_TEXT: Final = 32_767
_CUT: Final = " ... (cut)"
_LONGEST_FOOTER: Final = 255

_WRITTEN_AT: Final = dt.datetime(2000, 1, 1)  # noqa: DTZ001 - a clock would change the bytes; the format has no zone
_SIGNS: Final = {"m2": "m²", "m3": "m³", "m3/y": "m³/y", "ft2": "ft²", "deg": "°"}

_NARROWEST, _WIDEST = 8, 72
_ABOUT_WIDTH, _LINE_LENGTH, _LINE_HEIGHT = 95, 98, 15.0
# A text that a program could take for a formula when somebody edits its cell.
_FORMULA: Final = re.compile("[\\s\"']*[=+\\-@\uff1d\uff0b\uff0d\uff20]")
_THOUSANDS: Final = "#,##0"
_HEAD_COLOUR: Final = "#E4ECE8"
_SIDE: Final = {False: "left", True: "right"}


def write_workbook(
    path: Path, tables: Mapping[str, pa.Table], *, guide: pa.Table, record: Mapping[str, str], about: Sequence[str]
) -> None:
    """Write lists into one workbook; the same lists give the same bytes.

    Parameters
    ----------
    path : Path
        The file; it must not be there.
    tables : Mapping[str, pyarrow.Table]
        Lists by name, at most `MOST_ROWS` rows each.
    guide : pyarrow.Table
        What their columns mean.
    record : Mapping[str, str]
        Run record.
    about : sequence of str
        Sentences for the first sheet; the first also stands at the foot of every printed page.
    """
    options = {
        # row by row, so that a large town needs no more memory than a small one
        "constant_memory": True,
        "tmpdir": str(path.parent),
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
    }
    book = xlsxwriter.Workbook(str(path), options)
    book.set_properties({"title": "Screening for rain gardens", "comments": about[0], "created": _WRITTEN_AT})
    formats = _Formats(book)
    _write_about(book.add_worksheet("about"), tables, about, formats)
    record_table = pa.table({"key": list(record), "value": list(record.values())})
    for name, table in {**tables, "column_guide": guide, "run_record": record_table}.items():
        _write_sheet(book.add_worksheet(name), table, formats, about[0])
    try:
        book.close()
    except FileCreateError as error:
        # the library hides what the system said
        raise error.args[0] from error


class _Formats:
    """The formats of a workbook, each made once."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self._book = book
        self._made: dict[str, Format] = {}
        self.title = book.add_format({"bold": True, "font_size": 14})
        head = {"bold": True, "bg_color": _HEAD_COLOUR}
        unit = {"italic": True, "bg_color": _HEAD_COLOUR, "bottom": 1}
        # by whether the column holds numbers, which stand at the right
        self.head = {is_number: book.add_format(head | {"align": _SIDE[is_number]}) for is_number in _SIDE}
        self.unit = {is_number: book.add_format(unit | {"align": _SIDE[is_number]}) for is_number in _SIDE}
        self.wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self.guarded = book.add_format({"quote_prefix": True})

    def number(self, pattern: str) -> Format:
        """Format of numbers by its pattern."""
        if pattern not in self._made:
            self._made[pattern] = self._book.add_format({"num_format": pattern})
        return self._made[pattern]


def _write_about(sheet: Worksheet, tables: Mapping[str, pa.Table], about: Sequence[str], formats: _Formats) -> None:
    """Say what the workbook is, before anything else."""
    sheet.set_column(0, 0, _ABOUT_WIDTH)
    sheet.write_string(0, 0, "Screening for rain gardens", formats.title)
    lines = [*about, ""]
    lines += [f"Sheet {name}: {table.num_rows:,} row{'s' * (table.num_rows != 1)}" for name, table in tables.items()]
    lines += [
        "Sheet column_guide: what every column and code means.",
        "Sheet run_record: the inputs, rules and versions of the run.",
        "Where a list has units, they stand in its second row.",
        "An empty cell was not computed, or the input did not say.",
    ]
    for row, line in enumerate(lines, start=2):
        # not every program makes room for a second line by itself
        sheet.set_row(row, _LINE_HEIGHT * -(-max(len(line), 1) // _LINE_LENGTH))
        sheet.write_string(row, 0, line, formats.wrapped)


def _write_sheet(sheet: Worksheet, table: pa.Table, formats: _Formats, foot: str) -> None:
    """Write a table under its head: names and, where it has any, units."""
    units = [_unit(field) for field in table.schema]
    n_head = _HEAD_ROWS if any(units) else 1
    widths = [_width(field, values) for field, values in zip(table.schema, table.columns, strict=True)]
    for column, width in enumerate(widths):
        sheet.set_column(column, column, width)
    is_number = [pa.types.is_floating(field.type) or pa.types.is_integer(field.type) for field in table.schema]
    for column, name in enumerate(table.column_names):
        sheet.write_string(0, column, name, formats.head[is_number[column]])
    if any(units):
        for column, unit in enumerate(units):
            sheet.write_string(1, column, unit, formats.unit[is_number[column]])
    writers = [_cell_writer(sheet, field, formats) for field in table.schema]
    lines = zip(*(values.to_pylist() for values in table.columns), strict=True)
    for row, line in enumerate(lines, start=n_head):
        for column, value in enumerate(line):
            if value is not None:
                writers[column](row, column, value)
    last_row, last_column = n_head + table.num_rows - 1, table.num_columns - 1
    n_fixed = int((table.schema.metadata or {}).get(b"n_fixed", b"1"))
    sheet.freeze_panes(n_head, n_fixed)
    # The arrows stand in the last row of the head, so that sorting leaves the head where it is.
    sheet.autofilter(n_head - 1, 0, max(last_row, n_head - 1), last_column)
    # identifiers that look like numbers are text on purpose
    sheet.ignore_errors({"number_stored_as_text": f"A1:XFD{max(last_row, 0) + 1}"})
    sheet.set_landscape()
    sheet.repeat_rows(0, n_head - 1)
    sheet.set_footer(f"&L&8{_footer(foot)}&R&8&A, &P / &N")


def _footer(text: str) -> str:
    """Text of a page's foot: an ampersand would begin a code, and the format takes 255 characters in all."""
    text = text.replace("&", "&&")
    room = _LONGEST_FOOTER - len("&L&8&R&8&A, &P / &N")
    return text if len(text) <= room else text[: text.rindex(" ", 0, room - 3)] + " ..."


def _unit(field: pa.Field) -> str:
    unit: str = (field.metadata or {}).get(b"unit", b"").decode()
    return _SIGNS.get(unit, unit)


def _width(field: pa.Field, values: pa.ChunkedArray) -> float:
    """Characters that show the head and the values; long texts are cut by the next cell."""
    longest = 0
    if pa.types.is_string(field.type):
        longest = pc.max(pc.utf8_length(values)).as_py() or 0
    elif not pa.types.is_boolean(field.type):
        extremes = pc.min_max(values).as_py()
        decimals = _decimals(field, most=3)
        longest = max(len(f"{value or 0:,.{decimals}f}") for value in extremes.values())
    # room for the arrow of the filter
    return float(min(max(len(field.name) + 2, longest + 1, _NARROWEST), _WIDEST))


def _decimals(field: pa.Field, *, most: int) -> int:
    """Decimals of a column; where its rows have different units, the most that are shown."""
    if pa.types.is_integer(field.type):
        return 0
    return int((field.metadata or {}).get(b"decimals", most))


def _cell_writer(sheet: Worksheet, field: pa.Field, formats: _Formats) -> Callable[[int, int, Any], object]:
    """Return what writes a value of a column in its type."""
    if pa.types.is_string(field.type):

        def write_text(row: int, column: int, value: str) -> None:
            if len(value) > _LONGEST_TEXT:
                value = value[: _LONGEST_TEXT - len(_CUT)] + _CUT
            guard = formats.guarded if _FORMULA.match(value) else None
            sheet.write_string(row, column, value, guard)

        return write_text
    if pa.types.is_boolean(field.type):
        return lambda row, column, value: sheet.write_boolean(row, column, value)  # noqa: PLW0108 - typed
    if pa.types.is_integer(field.type):
        whole = formats.number("0")
        return lambda row, column, value: sheet.write_number(row, column, value, whole)
    if b"decimals" in (field.metadata or {}):
        decimals = _decimals(field, most=0)
        pattern = formats.number(_THOUSANDS + ("." + "0" * decimals if decimals else ""))
        return lambda row, column, value: sheet.write_number(row, column, value, pattern)
    # rows of different units: counts without decimals, the rest with a few
    count, other = formats.number(_THOUSANDS), formats.number(_THOUSANDS + ".0##")
    return lambda row, column, value: sheet.write_number(row, column, value, count if value.is_integer() else other)
