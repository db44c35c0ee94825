"""Reading a rain record: a CSV table of hourly or daily depths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening.errors import InputError
from screening.notes import Note
from screening.read.inputs import RainRecord
from screening.read.rain_clock import put_back_clock
from screening.read.rain_table import read_depths, read_table, read_times
from screening.units import INCH_MM
from screening.years import year_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    TimeArray = npt.NDArray[np.datetime64]

MAX_YEAR_MM: Final = 15_000.0
"""More is no rain record: the wettest places have about 12,000 mm in a mean year.

Source: from memory, WMO World Weather and Climate Extremes Archive (Mawsynram, Cherrapunji)."""

MIN_YEAR_MM: Final = 20.0
"""Less is no rain record of a town, but a wrong unit or an empty column.  Program default."""

DRY_YEAR_MM: Final = 150.0
"""Less in a mean year is reported: inches taken for millimetres look so.  Program default."""

MAX_STEP_MM: Final = {1.0: 500.0, 24.0: 2000.0}
"""More in one hour or day is a filler or a wrong unit.

Source: from memory, WMO World Weather and Climate Extremes Archive: 305 mm in 42 min (Holt, 1947),
1,825 mm in 24 h (Foc-Foc, 1966)."""

MIN_RECORD_D: Final = 365.0
"""A shorter record says nothing about a year.  Program default."""


def read_rain(
    path: Path, *, unit: str = "mm", years: Sequence[int] = (), max_missing_frac: float = 0.05
) -> tuple[RainRecord, tuple[Note, ...]]:
    """Read a rain record.

    The table has a header with the columns ``time`` and ``rain_mm`` (others are left alone), one
    line an hour or a day, ISO 8601 times, a depth or nothing.  Lines may stand in any order; lines
    that start with ``#`` are remarks.  A clock with summer time is brought to standard time.
    Of a record that isn't a whole number of years long the odd end is left out, so that no season
    counts twice.

    Parameters
    ----------
    path : pathlib.Path
        CSV file, UTF-8.
    unit : str
        ``mm`` or ``in``.
    years : sequence of int
        Calendar years to use; empty for all.
    max_missing_frac : float
        Part of the steps, and of those of any year, that may be missing [unitless]; they count as dry.

    Returns
    -------
    record : RainRecord
    notes : tuple of Note
        What a person should know.

    Raises
    ------
    SchemaError
        If the header isn't as it should be.
    InputError
        If a line can't be right, or the record is no rain record; the message names the line.
    UnitsError
        If column name and unit contradict each other.
    """
    name = path.name
    lines, times, values, column = read_table(path, unit)
    notes: list[Note] = []
    time, zone_note = read_times(name, lines, times)
    if zone_note:
        notes.append(Note(zone_note, "rain_clock", "rain"))
    rain = read_depths(name, lines, values) * (INCH_MM if unit == "in" else 1.0)
    order = np.argsort(time, kind="stable")
    time, rain, lines = time[order], rain[order], lines[order]
    step_h = _step(name, lines, time)
    time = time.astype("datetime64[h]" if step_h == 1.0 else "datetime64[D]")
    if step_h == 1.0:
        moved, clock_notes = put_back_clock(name, time.astype("datetime64[m]"))
        time = moved.astype("datetime64[h]")
        notes.extend(Note(note, "rain_clock", "rain") for note in clock_notes)
    _check_repeats(name, lines, time)
    _check_steps(name, lines, rain, step_h, unit)
    if column == "rain_mm" and unit == "in":
        text = f"{name}: the column is called rain_mm, but was read as inches as [rain] unit says."
        notes.append(Note(text, "rain_unit_doubtful", "rain"))
    whole, depth = _fill(time, rain)
    if years:
        whole, depth = _pick_years(name, whole, depth, years)
    else:
        whole, depth = _whole_years(name, whole, depth, step_h, notes)
    year = year_of(whole)
    missing_frac = _check_missing(name, whole, np.isnan(depth), year, step_h, max_missing_frac, notes)
    depth = np.nan_to_num(depth)
    _check_totals(name, year, depth, step_h, unit, notes)
    ends = whole[[0, -1]].astype("datetime64[Y]").astype(int) + 1970
    record = RainRecord(
        time=whole,
        rain_mm=depth,
        step_h=step_h,
        first_year=int(ends[0]),
        last_year=int(ends[1]),
        years=tuple(np.unique(year).tolist()),
        missing_frac=missing_frac,
    )
    return record, tuple(notes)


def _check_missing(
    name: str,
    time: TimeArray,
    missing: npt.NDArray[np.bool_],
    year: npt.NDArray[np.int64],
    step_h: float,
    max_missing_frac: float,
    notes: list[Note],
) -> float:
    """Refuse a record, or years of it, that lack too much; note what is missing, and return the missing part."""
    missing_frac = float(missing.mean())
    if not missing_frac:
        return 0.0
    word = _word(step_h)
    first = np.datetime_as_string(time[int(np.argmax(missing))])
    allowed = f"more than max_missing_frac = {max_missing_frac:g} under [rain] allows"
    if missing_frac > max_missing_frac:
        msg = (
            f"{name} lacks {missing_frac:.1%} of its {word}s (the first is {first}), {allowed}; fill the gaps, write "
            f"dry {word}s as 0, or choose complete years."
        )
        raise InputError(msg, code="rain_gaps")
    labels, of_year = np.unique(year, return_inverse=True)
    share = np.bincount(of_year, weights=missing) / np.bincount(of_year)
    poor = share > max_missing_frac
    if poor.any():
        worst = int(np.argmax(share))
        fine = ", ".join(map(str, labels[~poor].tolist()))
        msg = (
            f"{name} lacks {share[worst]:.1%} of the {word}s of {labels[worst]}, {allowed}, and too much of "
            f"{int(poor.sum())} of its {len(labels)} years; fill the gaps, or choose the others: years = [{fine}] "
            "under [rain]."
        )
        raise InputError(msg, code="rain_gaps")
    starts = np.flatnonzero(np.diff(np.concatenate([[False], missing]).astype(np.int8)) == 1)
    ends = np.flatnonzero(np.diff(np.concatenate([missing, [False]]).astype(np.int8)) == -1) + 1
    longest = int(np.argmax(ends - starts))
    gaps = f"{len(starts)} gaps, the longest" if len(starts) > 1 else "one gap,"
    n = int(ends[longest] - starts[longest])
    at = np.datetime_as_string(time[starts[longest]])
    text = (
        f"{name} lacks {missing_frac:.2%} of its {word}s in {gaps} of {n:,} {word}{'s' if n > 1 else ''} from {at}; "
        "they count as dry."
    )
    notes.append(Note(text, "rain_gaps", "rain"))
    return missing_frac


def _word(step_h: float) -> str:
    return "hour" if step_h == 1.0 else "day"


def _check_repeats(name: str, lines: npt.NDArray[np.int64], time: TimeArray) -> None:
    same = np.flatnonzero(time[1:] == time[:-1])
    if len(same):
        i = int(same[0])
        first, second = sorted((int(lines[i]), int(lines[i + 1])))
        when = np.datetime_as_string(time[i])
        more = f" (and {len(same) - 1:,} more lines repeat a time)" if len(same) > 1 else ""
        msg = f"{name}, line {second}: {when} was given on line {first} already{more}; leave one of them."
        raise InputError(msg, code="rain_unreadable")


def _step(name: str, lines: npt.NDArray[np.int64], time: TimeArray) -> float:
    """Length of the steps [h], from the most frequent difference of times."""
    minutes = np.diff(time).astype(np.int64)
    if not len(minutes):
        msg = f"{name} has a single line; a record needs at least a year of hours or days."
        raise InputError(msg, code="rain_unreadable")
    if not minutes.any():
        _check_repeats(name, lines, time)
    steps, counts = np.unique(minutes[minutes > 0], return_counts=True)
    usual = int(steps[np.argmax(counts)])
    if usual not in (60, 1440):
        msg = f"{name}: most of its steps are {usual:,} minutes long; sum the depths to hours or days first."
        raise InputError(msg, code="rain_unreadable")
    return usual / 60.0


def _check_steps(name: str, lines: npt.NDArray[np.int64], rain: FloatArray, step_h: float, unit: str) -> None:
    with np.errstate(invalid="ignore"):
        too_much = rain > MAX_STEP_MM[step_h]
    if too_much.any():
        first = int(np.argmax(too_much))
        msg = (
            f"{name}, line {lines[first]}: {rain[first]:,.0f} mm in one {_word(step_h)} is more than was ever "
            f'measured; check the line, and whether [rain] unit = "{unit}" is right.'
        )
        raise InputError(msg, code="rain_unit_doubtful")


def _fill(time: TimeArray, rain: FloatArray) -> tuple[TimeArray, FloatArray]:
    """Every step from the first to the last, NaN where the file gives none."""
    whole = np.arange(time[0], time[-1] + 1)
    depth = np.full(len(whole), np.nan)
    depth[(time - time[0]).astype(np.int64)] = rain
    return whole, depth


def _pick_years(name: str, time: TimeArray, depth: FloatArray, years: Sequence[int]) -> tuple[TimeArray, FloatArray]:
    """Take the wanted calendar years, each of them whole; absent steps become NaN."""
    year = time.astype("datetime64[Y]").astype(int) + 1970
    lacking = sorted(set(years) - set(year.tolist()))
    if lacking:
        msg = (
            f"{name} has nothing of {', '.join(map(str, lacking))}; it covers {year[0]} to {year[-1]}: correct years "
            "under [rain]."
        )
        raise InputError(msg, code="rain_gaps")
    starts = [np.array([f"{y:04d}-01-01", f"{y + 1:04d}-01-01"]).astype(time.dtype) for y in sorted(set(years))]
    whole: TimeArray = np.concatenate([np.arange(start, end) for start, end in starts])
    place = (whole - time[0]).astype(np.int64)
    inside = (place >= 0) & (place < len(depth))
    found = np.full(len(whole), np.nan)
    found[inside] = depth[place[inside]]
    return whole, found


def _whole_years(
    name: str, time: TimeArray, depth: FloatArray, step_h: float, notes: list[Note]
) -> tuple[TimeArray, FloatArray]:
    """Leave out the odd end of a record that isn't a whole number of years long."""
    length_d = len(time) * step_h / 24.0
    if length_d < MIN_RECORD_D:
        msg = f"{name} covers {length_d:,.0f} days; a yearly estimate needs at least {MIN_RECORD_D:.0f}."
        raise InputError(msg, code="rain_unreadable")
    start = time[0]
    month = start.astype("datetime64[M]")
    within_month = start - month.astype(time.dtype)
    n_years = 1
    end = len(time)
    while True:
        # Anniversary of the first step; 29 February becomes 1 March by itself.
        anniversary = (month + np.timedelta64(12 * n_years, "M")).astype(time.dtype) + within_month
        steps = int((anniversary - start).astype(np.int64))
        if steps > len(time):
            break
        end = steps
        n_years += 1
    odd_d = (len(time) - end) * step_h / 24.0
    if odd_d > 0:
        last = np.datetime_as_string(time[end - 1].astype("datetime64[D]"))
        text = f"{name}: its last {odd_d:,.0f} days, after {last}, are left out to keep to whole years."
        notes.append(Note(text, "records_left_out", "rain"))
    return time[:end], depth[:end]


def _check_totals(
    name: str, year: npt.NDArray[np.int64], depth: FloatArray, step_h: float, unit: str, notes: list[Note]
) -> None:
    """Refuse records that no town has; note one that few have."""
    if not depth.any():
        msg = f"{name} holds no rain at all; check the column, and leave the input out if there is no record."
        raise InputError(msg, code="rain_unreadable")
    labels, of_year = np.unique(year, return_inverse=True)
    totals_mm = np.bincount(of_year, weights=depth)
    is_whole = np.bincount(of_year) * step_h / 24.0 >= MIN_RECORD_D
    wrong = (totals_mm > MAX_YEAR_MM) | (is_whole & (totals_mm < MIN_YEAR_MM))
    if wrong.any():
        i = int(np.argmax(wrong))
        side = "more" if totals_mm[i] > MAX_YEAR_MM else "less"
        msg = (
            f"{name}: {labels[i]} has {totals_mm[i]:,.0f} mm of rain, {side} than any town; check the depths and "
            f'whether [rain] unit = "{unit}" is right.'
        )
        raise InputError(msg, code="rain_unit_doubtful")
    mean_mm = float(totals_mm.mean())
    if mean_mm < DRY_YEAR_MM and unit == "mm":
        text = (
            f"{name}: its mean year has {mean_mm:,.0f} mm of rain, as in a desert; if its depths are inches, set "
            'unit = "in" under [rain].'
        )
        notes.append(Note(text, "rain_unit_doubtful", "rain"))
