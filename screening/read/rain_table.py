"""The text of a rain table: its columns, times and depths, each fault with its line."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, Final

import numpy as np

from screening.errors import InputError, SchemaError, UnitsError
from screening.read.rain_clock import standard_time

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    TimeArray = npt.NDArray[np.datetime64]

_TIME: Final = re.compile(
    r"((?:1[789]|20|21)\d\d-\d\d-\d\d(?:[T ]\d\d(?::\d\d)?)?)(?::\d\d(?:\.\d+)?)?\s?(Z|[+-]\d\d:?\d\d)?"
)
"""ISO 8601 date, or date and time, of the years 1700 to 2199; seconds are dropped."""

_VALUE_NAMES: Final = ("rain_mm", "rain_in")


def read_table(path: Path, unit: str) -> tuple[npt.NDArray[np.int64], list[str], list[str], str]:
    """Read a table's lines without interpreting them.

    Returns
    -------
    lines : ndarray of int, shape (n,)
        Line numbers in the file, from 1.
    times, values : list of str
        Texts of the two columns.
    column : str
        Name of the column of depths.

    Raises
    ------
    InputError
        If the file can't be read, holds nothing, or a line is too short.
    SchemaError
        If the header isn't as it should be.
    """
    header_hint = 'the first line must be "time,rain_mm"'
    lines: list[int] = []
    times: list[str] = []
    values: list[str] = []
    columns: tuple[int, int] | None = None
    column = ""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file)
            for row in reader:
                if not row or row[0].lstrip().startswith("#") or not any(cell.strip() for cell in row):
                    continue
                if columns is None:
                    columns, column = _find_columns(path.name, row, unit, header_hint)
                    continue
                if len(row) <= max(columns):
                    msg = f"{path.name}, line {reader.line_num}: it has {len(row)} columns, too few; correct the line."
                    raise InputError(msg, code="rain_unreadable")
                lines.append(reader.line_num)
                times.append(row[columns[0]].strip())
                values.append(row[columns[1]].strip())
    except UnicodeDecodeError:
        msg = f"{path.name} isn't UTF-8 text; save the table as CSV in UTF-8."
        raise InputError(msg, code="rain_unreadable") from None
    except csv.Error as error:
        msg = f"{path.name} isn't a readable CSV table ({error}); {header_hint}."
        raise InputError(msg, code="rain_unreadable") from None
    except OSError as error:
        msg = f"{path.name} can't be read ({error.strerror or error}); check the path under [inputs]."
        raise InputError(msg, code="rain_unreadable") from None
    if columns is None or not lines:
        msg = f"{path.name} holds no rain; {header_hint}, then one line an hour or a day."
        raise InputError(msg, code="rain_unreadable")
    return np.array(lines), times, values, column


def _find_columns(name: str, header: Sequence[str], unit: str, hint: str) -> tuple[tuple[int, int], str]:
    cells = [cell.strip().strip('"').lower() for cell in header]
    if len(cells) == 1 and (";" in cells[0] or "\t" in cells[0]):
        msg = f"{name}: its columns are parted by semicolons or tabs; save it with commas, and points in numbers."
        raise SchemaError(msg, code="rain_unreadable")
    found = [column for column in _VALUE_NAMES if column in cells]
    if "time" not in cells or not found:
        shown = ", ".join(repr(cell) for cell in cells[:6])
        msg = f"{name} has no header with time and rain_mm (its first line has {shown}); {hint}."
        raise SchemaError(msg, code="rain_unreadable")
    if len(found) > 1:
        msg = f"{name} has both rain_mm and rain_in; leave one of them."
        raise SchemaError(msg, code="rain_unreadable")
    if found[0] == "rain_in" and unit != "in":
        msg = f'{name}: the column rain_in is in inches, but [rain] unit is "{unit}"; set unit = "in" under [rain].'
        raise UnitsError(msg, code="rain_unit_doubtful")
    return (cells.index("time"), cells.index(found[0])), found[0]


def read_times(name: str, lines: npt.NDArray[np.int64], texts: list[str]) -> tuple[TimeArray, str | None]:
    """Turn texts into times in whole minutes of one clock.

    Returns
    -------
    time : (n,) array of datetime64
        An offset from UTC that is the same on every line is dropped; with those of summer and winter the times are
        brought to standard time.
    note : str or None
        What was done about offsets.
    """
    if _are_plain(texts):
        try:
            return np.array(texts, dtype="datetime64[m]"), None
        except ValueError:
            # a date that does not exist: the loop below finds its line
            pass
    plain = []
    zones = []
    for number, text in zip(lines, texts, strict=True):
        match = _TIME.fullmatch(text)
        if match is None:
            msg = f"{name}, line {number}: {text!r} isn't a time; write it like 2019-07-04T15:00 or 2019-07-04."
            raise InputError(msg, code="rain_unreadable")
        plain.append(match.group(1))
        zones.append(match.group(2) or "")
    known = set(zones)
    if "" in known and len(known) > 1:
        shown = ", ".join(sorted(zone or "none" for zone in known))
        msg = f"{name} mixes time zones ({shown}); give standard time all the year."
        raise InputError(msg, code="rain_unreadable")
    try:
        time = np.array(plain, dtype="datetime64[m]")
    except ValueError:
        for number, text in zip(lines, plain, strict=True):
            try:
                np.datetime64(text, "m")
            except ValueError:
                msg = f"{name}, line {number}: there is no time {text!r}; correct the line."
                raise InputError(msg, code="rain_unreadable") from None
        raise
    if len(known) < 2:
        return time, None
    minutes = {zone: _offset_min(zone) for zone in known}
    return standard_time(name, time, np.array([minutes[zone] for zone in zones], dtype=np.int64))


def _offset_min(zone: str) -> int:
    """Minutes of an offset such as ``Z``, ``-06:00`` or ``+0530``."""
    if zone == "Z":
        return 0
    digits = zone[1:].replace(":", "")
    minutes = 60 * int(digits[:2]) + int(digits[2:])
    return -minutes if zone[0] == "-" else minutes


def _are_plain(texts: list[str]) -> bool:
    """Whether every text has the form ``2019-07-04T15:00`` of a year from 1700 on, as those of most records have."""
    length = 16
    if not all(len(text) == length for text in texts) or not "".join(texts).isascii():
        return False
    sign = np.frombuffer("".join(texts).encode("ascii"), dtype=np.uint8).reshape(-1, length)
    is_digit = (sign >= ord("0")) & (sign <= ord("9"))
    marks = {4: "-", 7: "-", 13: ":"}
    fine = all((sign[:, i] == ord(mark)).all() for i, mark in marks.items())
    fine = fine and bool(np.isin(sign[:, 10], [ord("T"), ord(" ")]).all())
    others = [i for i in range(length) if i not in marks and i != 10]
    century = 10 * (sign[:, 0].astype(int) - ord("0")) + sign[:, 1].astype(int) - ord("0")
    return bool(fine and is_digit[:, others].all() and ((century >= 17) & (century <= 21)).all())


def read_depths(name: str, lines: npt.NDArray[np.int64], texts: list[str]) -> FloatArray:
    """Turn texts into depths in the file's unit, NaN where a line gives none."""
    try:
        # the plain way first; whatever it does not take goes through line by line
        depth = np.array(texts, dtype="U").astype(float)
    except ValueError:
        pass
    else:
        if bool((depth >= 0.0).all()) and not bool(np.isinf(depth).any()):
            return depth
    missing_words = {"", "nan", "na", "null", "none"}
    depth = np.full(len(texts), np.nan)
    for i, text in enumerate(texts):
        if text.lower() in missing_words:
            continue
        try:
            depth[i] = float(text)
        except ValueError:
            msg = f"{name}, line {lines[i]}: {text!r} isn't a number; write a depth, or nothing where it is missing."
            raise InputError(msg, code="rain_unreadable") from None
        if not depth[i] >= 0.0 or np.isinf(depth[i]):
            msg = (
                f"{name}, line {lines[i]}: rain of {text} can't be; write a depth of 0 or more, or nothing where it is "
                "missing."
            )
            raise InputError(msg, code="rain_unreadable")
    return depth
