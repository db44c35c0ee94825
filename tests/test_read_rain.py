"""Reading rain records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_files import assert_one_sentence

from screening.errors import InputError, SchemaError, UnitsError
from screening.read import read_rain


def hours(start="2018-01-01", years=1):
    first = np.datetime64(start, "h")
    last = (first.astype("datetime64[M]") + np.timedelta64(12 * years, "M")).astype("datetime64[h]")
    return np.arange(first, last)


def write_rain(folder, time, depth, *, header="time,rain_mm", name="rain.csv"):
    lines = [header, *(f"{t},{d}" for t, d in zip(time, depth, strict=True))]
    path = folder / name
    path.write_text("\n".join(map(str, lines)) + "\n", encoding="utf-8")
    return path


def some_rain(n, every=50, depth=2.5):
    rain = np.zeros(n)
    rain[::every] = depth
    return rain


@pytest.fixture
def table(tmp_path):
    """A function that writes a year of hourly rain with changed lines (1 = header) and reads it."""

    def read(changes=None, *, drop=(), unit="mm", header="time,rain_mm", more=(), **options):
        time = hours()
        lines = [header, *(f"{t}:00,{d:g}" for t, d in zip(time, some_rain(len(time)), strict=True))]
        for number, text in (changes or {}).items():
            lines[number - 1] = text
        lines = [line for number, line in enumerate(lines, start=1) if number not in drop]
        path = tmp_path / "rain.csv"
        path.write_text("\n".join([*lines, *more]) + "\n", encoding="utf-8")
        return read_rain(path, unit=unit, **options)

    return read


def test_hourly_record(table):
    record, notes = table()
    assert notes == ()
    assert record.step_h == 1.0
    assert record.time.dtype == np.dtype("datetime64[h]")
    assert len(record.time) == len(record.rain_mm) == 8760
    assert (record.first_year, record.last_year, record.missing_frac) == (2018, 2018, 0.0)
    assert record.years == (2018,)
    assert record.rain_mm.sum() == pytest.approx(2.5 * 176)


def test_daily_record(tmp_path):
    days = np.arange(np.datetime64("2016-01-01"), np.datetime64("2019-01-01"))
    record, notes = read_rain(write_rain(tmp_path, days, some_rain(len(days), 3, 8.0)))
    assert record.step_h == 24.0
    assert record.time.dtype == np.dtype("datetime64[D]")
    assert (record.first_year, record.last_year) == (2016, 2018)
    assert notes == ()


def test_inches(tmp_path):
    time = hours()
    path = write_rain(tmp_path, time, some_rain(len(time), depth=0.1), header="time,rain_in")
    # NIST Handbook 44, Appendix C: an inch is 25.4 mm.
    assert read_rain(path, unit="in")[0].rain_mm.max() == pytest.approx(2.54)
    with pytest.raises(UnitsError) as caught:
        read_rain(path)
    assert_one_sentence(caught.value, "rain.csv", "rain_in", 'unit = "in"', "[rain]")
    path = write_rain(tmp_path, time, some_rain(len(time), depth=0.1))
    record, notes = read_rain(path, unit="in")
    assert record.rain_mm.max() == pytest.approx(2.54)
    assert "inches" in notes[0]


@pytest.mark.parametrize(
    "style",
    ["{}T{:02d}:00", "{} {:02d}:00", "{}T{:02d}:00:00", "{}T{:02d}:00Z", "{}T{:02d}:00:00-06:00", "{} {:02d}:30"],
)
def test_ways_to_write_a_time(tmp_path, style):
    time = hours()
    texts = [style.format(str(t)[:10], int(str(t)[11:13])) for t in time]
    record, _ = read_rain(write_rain(tmp_path, texts, some_rain(len(time))))
    np.testing.assert_array_equal(record.time, time)


def test_other_columns_order_remarks_blank_lines_and_byte_order_mark(tmp_path):
    time = hours()
    rows = [f"XYZ,{t},{d}" for t, d in zip(time, some_rain(len(time)), strict=True)]
    text = "\ufeff# made up\n\nstation,Time,Rain_mm\n" + "\n".join(reversed(rows)) + "\n\n"
    (tmp_path / "rain.csv").write_text(text, encoding="utf-8")
    record, _ = read_rain(tmp_path / "rain.csv")
    np.testing.assert_array_equal(record.time, time)
    assert record.rain_mm[0] == 2.5


def test_gaps_count_as_dry_and_are_told(table):
    record, notes = table({3: "2018-01-01T01:00,"}, drop=range(100, 110))
    assert record.missing_frac == pytest.approx(11 / 8760)
    assert record.rain_mm[1] == 0.0
    assert len(record.time) == 8760
    assert "0.13% of its hours in 2 gaps, the longest of 10 hours from 2018-01-05T02" in notes[0]
    _, notes = table(drop=[100])
    assert "in one gap, of 1 hour from 2018-01-05T02" in notes[0]


def test_too_many_gaps(table):
    with pytest.raises(InputError) as caught:
        table(drop=range(100, 700))
    assert_one_sentence(caught.value, "rain.csv", "6.8%", "2018-01-05T02", "max_missing_frac = 0.05", "as 0")
    assert table(drop=range(100, 700), max_missing_frac=0.1)[0].missing_frac == pytest.approx(600 / 8760)


def test_one_year_with_too_many_gaps_is_named_with_the_others(tmp_path):
    days = np.arange(np.datetime64("2010-01-01"), np.datetime64("2020-01-01"))
    rain = some_rain(len(days), 3, 8.0)
    lost = (days >= np.datetime64("2013-03-01")) & (days < np.datetime64("2013-08-01"))
    path = write_rain(tmp_path, days[~lost], rain[~lost])
    with pytest.raises(InputError) as caught:
        read_rain(path)
    # 153 of 3652 days are 4.2 %: allowed for the whole record, not for its year
    words = ("rain.csv", "41.9% of the days of 2013", "1 of its 10 years", "years = [2010, 2011, 2012, 2014,", "2019]")
    assert_one_sentence(caught.value, *words)
    record, _ = read_rain(path, max_missing_frac=0.5)
    assert record.missing_frac == pytest.approx(153 / 3652)
    others = tuple(year for year in range(2010, 2020) if year != 2013)
    assert read_rain(path, years=others)[0].years == others


def test_repeats_are_counted(table):
    more = [f"2018-01-01T{h:02d}:00,0" for h in range(9, 12)]
    with pytest.raises(InputError) as caught:
        table(more=more)
    assert_one_sentence(caught.value, "line 8762", "2018-01-01T09", "line 11", "2 more lines repeat")


def local_times(zone_changes, start="2018-01-01", years=1):
    """Standard hours, and what a clock shows that is an hour ahead between the changes (in standard time)."""
    standard = hours(start, years)
    shown = standard.copy()
    for begin, end in zone_changes:
        ahead = (standard >= np.datetime64(begin, "h")) & (standard < np.datetime64(end, "h"))
        shown[ahead] += 1
    return standard, shown


US_SUMMERS = [("2018-03-11T02", "2018-11-04T01"), ("2019-03-10T02", "2019-11-03T01")]
SOUTHERN_SUMMERS = [("2017-10-01T02", "2018-04-01T02"), ("2018-10-07T02", "2019-04-07T02"), ("2019-10-06T02", "2020")]


@pytest.mark.parametrize(
    ("summers", "start", "n_years"),
    [
        (US_SUMMERS, "2018-01-01", 2),
        (US_SUMMERS[:1], "2018-01-01", 1),
        (US_SUMMERS, "2018-07-01", 1),
        (SOUTHERN_SUMMERS, "2018-01-01", 2),
    ],
    ids=["north", "one year", "from July", "south"],
)
def test_a_clock_with_summer_time_is_brought_to_standard_time(tmp_path, summers, start, n_years):
    standard, shown = local_times(summers, start, n_years)
    rain = np.round(np.random.default_rng(1).gamma(0.05, 8.0, len(standard)), 1)
    record, notes = read_rain(write_rain(tmp_path, shown, rain))
    np.testing.assert_array_equal(record.time, standard)
    np.testing.assert_array_equal(record.rain_mm, rain)
    assert record.missing_frac == 0.0
    assert "goes back from summer time" in notes[0]
    assert "standard time" in notes[0]


def test_repeated_hours_that_are_no_summer_time_stay_an_error(tmp_path):
    standard = hours()
    # the missing hour of spring is there: whoever wrote both did not change the clock
    again = np.concatenate([standard, standard[standard == np.datetime64("2018-11-04T01")]])
    with pytest.raises(InputError) as caught:
        read_rain(write_rain(tmp_path, again, some_rain(len(again))))
    assert_one_sentence(caught.value, "2018-11-04T01", "already", "leave one")


def test_only_the_missing_hour_of_spring_is_told(tmp_path):
    _, shown = local_times(US_SUMMERS, years=2)
    once = np.unique(shown)
    record, notes = read_rain(write_rain(tmp_path, once, some_rain(len(once))))
    assert record.missing_frac == pytest.approx(2 / 17520)
    assert "every spring (first on 2018-03-11)" in notes[0]
    assert "lacks 0.01% of its hours in 2 gaps" in notes[1]


def test_offsets_of_summer_and_winter_are_brought_to_standard_time(tmp_path):
    standard, shown = local_times(US_SUMMERS[:1])
    ahead = standard != shown
    texts = [f"{t}:00{'-05:00' if summer else '-06:00'}" for t, summer in zip(shown, ahead, strict=True)]
    rain = np.round(np.random.default_rng(1).gamma(0.05, 8.0, len(standard)), 1)
    record, notes = read_rain(write_rain(tmp_path, texts, rain))
    np.testing.assert_array_equal(record.time, standard)
    np.testing.assert_array_equal(record.rain_mm, rain)
    assert "two offsets, -06:00, -05:00 (summer time)" in notes[0]


def test_offsets_of_several_zones(tmp_path):
    time = hours()
    texts = [f"{t}:00{'-08:00' if i % 3000 == 5 else 'Z'}" for i, t in enumerate(time)]
    with pytest.raises(InputError) as caught:
        read_rain(write_rain(tmp_path, texts, some_rain(len(time))))
    assert_one_sentence(caught.value, "mixes time zones (-08:00, +00:00)", "standard time")


def test_a_desert_or_inches(tmp_path):
    # 35 in of rain a year, read as millimetres
    days = np.arange(np.datetime64("2016-01-01"), np.datetime64("2019-01-01"))
    path = write_rain(tmp_path, days, some_rain(len(days), 4, 0.38))
    _, notes = read_rain(path)
    assert "35 mm of rain" in notes[0]
    assert 'unit = "in"' in notes[0]
    record, notes = read_rain(path, unit="in")
    assert record.rain_mm.sum() / 3 == pytest.approx(35 * 25.4, rel=0.02)
    assert not any("desert" in note for note in notes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({500: "2018-01-01T03:00,0"}, ("line 500", "2018-01-01T03", "line 5", "leave one")),
        ({77: "2018-01-04T03:00,-9999"}, ("line 77", "-9999", "0 or more")),
        ({77: "2018-01-04T03:00,trace"}, ("line 77", "'trace'", "isn't a number")),
        ({77: "2018-01-04T03:00,inf"}, ("line 77", "inf", "0 or more")),
        ({77: "2018-01-04T03:00,999.9"}, ("line 77", "1,000 mm in one hour", '[rain] unit = "mm"')),
        ({77: "04/01/2018 03:00,0"}, ("line 77", "'04/01/2018 03:00'", "2019-07-04T15:00")),
        ({77: "2018-02-30T03:00,0"}, ("line 77", "2018-02-30", "no time")),
        ({77: "now,0"}, ("line 77", "'now'", "isn't a time")),
        ({77: "2018-01-04T03:00"}, ("line 77", "1 columns", "correct the line")),
        ({77: "2018-01-04T03:00-05:00,0"}, ("time zones", "-05:00", "standard time")),
    ],
)
def test_bad_lines_are_named(table, changes, words):
    with pytest.raises(InputError) as caught:
        table(changes)
    assert_one_sentence(caught.value, "rain.csv", *words)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("2018-01-01,0", ("no header", "time,rain_mm")),
        ("date,precip", ("'date', 'precip'", "time,rain_mm")),
        ("time;rain_mm", ("semicolons", "commas")),
        ("time,rain_mm,rain_in", ("both rain_mm and rain_in", "leave one")),
    ],
)
def test_headers(table, header, words):
    with pytest.raises(SchemaError) as caught:
        table(header=header)
    assert_one_sentence(caught.value, "rain.csv", *words)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", ("no rain", "time,rain_mm")),
        (b"time,rain_mm\n", ("no rain", "one line an hour")),
        (b"time,rain_mm\n2018-01-01,3\n", ("a single line", "a year")),
        (b"time,rain_mm\n2018-01-01,3\n2018-01-02,\xff\n", ("UTF-8",)),
        (b"time,rain_mm\n2018-01-01T00:00,3\n2018-01-01T00:15,1\n2018-01-01T00:30,1\n", ("15 minutes", "sum")),
        (b"time,rain_mm\n2018-01-01,3\n2018-01-02,1\n2018-01-03,1\n", ("covers 3 days", "365")),
    ],
)
def test_tables_that_are_no_record(tmp_path, content, words):
    (tmp_path / "rain.csv").write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_rain(tmp_path / "rain.csv")
    assert_one_sentence(caught.value, "rain.csv", *words)


@pytest.mark.parametrize(
    ("depth", "words"),
    [
        (0.0, ("no rain at all",)),
        (0.05, ("2018", "less than any town", '"mm"')),
        (90.0, ("2018", "more than any town")),
    ],
)
def test_totals_that_no_town_has(tmp_path, depth, words):
    time = hours()
    with pytest.raises(InputError) as caught:
        read_rain(write_rain(tmp_path, time, some_rain(len(time), depth=depth)))
    assert_one_sentence(caught.value, "rain.csv", *words)


def test_odd_end_is_left_out(tmp_path):
    time = hours("2016-03-01", 2)
    more = np.arange(time[0], time[-1] + 1 + 24 * 45)
    record, notes = read_rain(write_rain(tmp_path, more, some_rain(len(more))))
    np.testing.assert_array_equal(record.time, time)
    assert (record.first_year, record.last_year) == (2016, 2018)
    assert record.years == (2016, 2017), "the years in which its twelve months begin"
    assert "last 45 days, after 2018-02-28" in notes[0]


def test_years_of_the_run_file(tmp_path):
    time = hours("2015-07-01", 5)
    path = write_rain(tmp_path, time, some_rain(len(time)))
    record, _ = read_rain(path, years=(2018, 2016))
    years = record.time.astype("datetime64[Y]").astype(int) + 1970
    assert len(record.time) == 8784 + 8760, "2016 is a leap year"
    assert set(years) == {2016, 2018}
    assert record.years == (2016, 2018)
    assert (record.first_year, record.last_year) == (2016, 2018)
    with pytest.raises(InputError) as caught:
        read_rain(path, years=(2016, 2031))
    assert_one_sentence(caught.value, "rain.csv", "2031", "2015 to 2020", "years", "[rain]")
    with pytest.raises(InputError, match="lacks 49"):
        read_rain(path, years=(2015,))


def test_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(InputError) as caught:
        read_rain(tmp_path / "none.csv")
    assert_one_sentence(caught.value, "none.csv", "[inputs]")


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_order_of_lines_does_not_matter(tmp_path_factory, seed):
    folder = tmp_path_factory.mktemp("rain")
    days = np.arange(np.datetime64("2018-01-01"), np.datetime64("2019-01-01"))
    rng = np.random.default_rng(seed)
    rain = np.round(rng.gamma(0.3, 8.0, len(days)), 1)
    mixed = rng.permutation(len(days))
    one, _ = read_rain(write_rain(folder, days, rain, name="one.csv"))
    other, _ = read_rain(write_rain(folder, days[mixed], rain[mixed], name="other.csv"))
    np.testing.assert_array_equal(one.rain_mm, other.rain_mm)
    np.testing.assert_array_equal(one.rain_mm, rain)


def test_ten_years_of_hours_are_read_quickly(tmp_path):
    import time

    steps = hours("2010-01-01", 10)
    path = write_rain(tmp_path, steps, some_rain(len(steps)))
    start = time.perf_counter()
    record, _ = read_rain(path)
    assert time.perf_counter() - start < 3.0, "0.3 s on the machine this was written on"
    assert len(record.time) == 87_648
