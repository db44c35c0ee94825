"""Clocks of rain records: offsets from UTC, and hours that summer time takes out and puts in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    IntArray = npt.NDArray[np.int64]
    TimeArray = npt.NDArray[np.datetime64]

HOUR_MIN: Final = 60
DAY_MIN: Final = 1440

NIGHT_H: Final = 4
"""Clocks are put forward and back before this hour of the day."""

SUMMER_D: Final = (120, 275)
"""Least and most days from the hour that is taken out to the one that comes twice."""

WINTER_D: Final = (90, 245)
"""Least and most days from there to the next hour that is taken out."""

SPRING_MONTHS: Final = (3, 4, 9, 10)
"""Months in which clocks go forward: March and April in the north, September and October in the south."""


def standard_time(name: str, time: TimeArray, offset_min: IntArray) -> tuple[TimeArray, str | None]:
    """Bring times whose offsets from UTC are written beside them to one clock.

    Parameters
    ----------
    name : str
        File, for messages.
    time : (n,) array of datetime64
        Local times [min].
    offset_min : (n,) array
        Offset of each [min].

    Returns
    -------
    time : (n,) array of datetime64
        Times of the clock of the smallest offset, which is standard time.
    note : str or None
        What was done, where anything was.

    Raises
    ------
    InputError
        If the offsets are not those of one place with summer time.
    """
    offsets = np.unique(offset_min)
    if len(offsets) == 1:
        return time, None
    shown = ", ".join(offset_text(int(one)) for one in offsets)
    if len(offsets) > 2 or offsets[1] - offsets[0] > HOUR_MIN:
        msg = f"{name} mixes time zones ({shown}); give standard time all the year."
        raise InputError(msg, code="rain_unreadable")
    moved = time - (offset_min - offsets[0]).astype("timedelta64[m]")
    note = f"{name}: its times have two offsets, {shown} (summer time); they were brought to standard time."
    return moved, note


def offset_text(minutes: int) -> str:
    """Offset from UTC as ISO 8601 writes it."""
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def put_back_clock(name: str, time: TimeArray) -> tuple[TimeArray, tuple[str, ...]]:
    """Bring hourly times of a clock with summer time to standard time.

    Parameters
    ----------
    name : str
        File, for messages.
    time : (n,) array of datetime64
        Rising times [min]; equal ones in the order of the file.

    Returns
    -------
    time : (n,) array of datetime64
        Rising times. Where repeated hours don't fit summer time the times are left as they were, and the repeats are
        for the caller to refuse.
    notes : tuple of str
        What was done or looks odd.

    Notes
    -----
    Summer time is recognised by an hour of the night that comes twice, on the same weekday as one that is missing 120
    to 275 days before or 90 to 245 days after. The hours between are put back by one.
    """
    minutes = time.astype("datetime64[m]").astype(np.int64)
    steps = np.diff(minutes)
    is_night = minutes[:-1] % DAY_MIN < NIGHT_H * HOUR_MIN
    back = np.flatnonzero((steps == 0) & is_night)
    forward = np.flatnonzero((steps == 2 * HOUR_MIN) & is_night)
    if not len(back):
        return time, _looks_like_summer_time(name, time, forward)
    moved = minutes.copy()
    for k, i in enumerate(back):
        away_d = (minutes[i] - minutes[forward]) / DAY_MIN
        same_day = minutes[forward] // DAY_MIN % 7 == minutes[i] // DAY_MIN % 7
        before = forward[same_day & (away_d >= SUMMER_D[0]) & (away_d <= SUMMER_D[1])]
        after = forward[same_day & (-away_d >= WINTER_D[0]) & (-away_d <= WINTER_D[1])]
        begins_in_summer = k == 0 and len(after) > 0 and (minutes[i] - minutes[0]) / DAY_MIN <= SUMMER_D[1]
        if not len(before) and not begins_in_summer:
            return time, ()
        start = before[0] + 1 if len(before) else 0
        moved[start : i + 1] -= HOUR_MIN
        if k == len(back) - 1 and len(after):
            # the record ends in summer
            moved[after[0] + 1 :] -= HOUR_MIN
    if (np.diff(moved) <= 0).any():
        return time, ()
    first, final = (np.datetime_as_string(time[back[k]].astype("datetime64[D]")) for k in (0, -1))
    when = f"on {first}" if first == final else f"{len(back)} times, {first} to {final}"
    note = f"{name}: its clock goes back from summer time ({when}); it was brought to standard time."
    return moved.astype("datetime64[m]"), (note,)


def _looks_like_summer_time(name: str, time: TimeArray, forward: IntArray) -> tuple[str, ...]:
    """Say so if one hour of a Sunday night is missing every spring: the clock then runs an hour ahead until autumn."""
    day = time[forward].astype("datetime64[D]")
    month = day.astype("datetime64[M]").astype(np.int64) % 12 + 1
    # 1 January 1970 was a Thursday
    sunday = (day.astype(np.int64) + 4) % 7 == 0
    spring = day[sunday & np.isin(month, SPRING_MONTHS)]
    years = np.unique(spring.astype("datetime64[Y]"))
    n_years = (time[-1] - time[0]) / np.timedelta64(1, "D") / 365.25
    if len(spring) != len(years) or len(years) < max(1.0, round(n_years)):
        return ()
    shown = np.datetime_as_string(spring[0])
    note = (
        f"{name}: an hour of a Sunday night is missing every spring (first on {shown}), as with clocks that are set to "
        "summer time; from then until autumn its hours are one late, which changes no yearly figure."
    )
    return (note,)
