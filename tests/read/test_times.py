"""Times, numbers, durations and tools as exports write them."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.durations import read_clock_durations
from pipeline.read.numbers import (
    number_text,
    read_numbers,
    read_whole_numbers,
    tool_text,
    without_empty_words,
)
from pipeline.read.times import read_dates, read_times


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # RFC 3339 section 5.8, examples
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
        # RFC 3339 section 5.8: a leap second; it is read as the second after it
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),
        ("2017-02-01T13:59:35.0937500Z", "2017-02-01T13:59:35.093750+00:00"),
        ("2026-01-05 06:00:00 +0100", "2026-01-05T05:00:00+00:00"),
        ("2026-01-05T06:00Z", "2026-01-05T06:00:00+00:00"),
        ("2026-01-05T06:00:00,250Z", "2026-01-05T06:00:00.250000+00:00"),
    ],
)
def test_times_with_an_offset_are_instants(text, instant):
    """An offset or a Z settles the instant, in every usual spelling."""
    read = read_times(pl.Series([text, None]))

    assert read.utc.to_list() == [utc(instant), None]
    assert read.naive.null_count() == 2


@pytest.mark.parametrize(
    ("text", "format", "wanted"),
    [
        ("2026-01-05T06:00:01", None, "2026-01-05T06:00:01"),
        ("2026-01-05 06:00", None, "2026-01-05T06:00:00"),
        ("2026-01-05 06:00:01.123456789", "iso", "2026-01-05T06:00:01.123456"),
        ("05.01.2026 06:00:01", "%d.%m.%Y %H:%M:%S", "2026-01-05T06:00:01"),
        ("05.01.2026 06:00:01.25", "%d.%m.%Y %H:%M:%S.%f", "2026-01-05T06:00:01.250000"),
        ("05.01.2026 06:00:01,25", "%d.%m.%Y %H:%M:%S,%f", "2026-01-05T06:00:01.250000"),
        ("01/05/26 06:00 PM", "%m/%d/%y %I:%M %p", "2026-01-05T18:00:00"),
        ("05.01.2026", "%d.%m.%Y", "2026-01-05T00:00:00"),
    ],
)
def test_times_without_an_offset_stay_clock_times(text, format, wanted):
    """A clock time waits for its zone."""
    read = read_times(pl.Series([text]), format)

    assert read.naive.to_list() == [datetime.fromisoformat(wanted)]
    assert read.utc.to_list() == [None]


@pytest.mark.parametrize("text", ["2026-02-30T06:00:00", "2026-01-05", "6 o'clock", "2026-01-05T25:00:00", "4,5"])
def test_what_is_no_time_is_none(text):
    """An impossible date, a date alone and prose are no times."""
    read = read_times(pl.Series([text]))

    assert (read.utc.to_list(), read.naive.to_list()) == ([None], [None])


def test_epochs_are_instants():
    """Seconds or milliseconds since 1970, with or without a fraction."""
    wanted = datetime(2026, 1, 5, 6, 0, 0, 250_000, tzinfo=UTC)
    stamp = wanted.timestamp()

    assert read_times(pl.Series([str(stamp)]), "epoch_s").utc.to_list() == [wanted]
    assert read_times(pl.Series([str(int(stamp * 1000))]), "epoch_ms").utc.to_list() == [wanted]


def test_dates_are_read_from_dates_and_times():
    """An order date may carry a time of day, which is ignored."""
    assert read_dates(pl.Series(["2026-01-05", "2026-01-05 13:00:00", "soon"])).to_list() == [
        date(2026, 1, 5),
        date(2026, 1, 5),
        None,
    ]
    assert read_dates(pl.Series(["05.01.2026"]), "%d.%m.%Y").to_list() == [date(2026, 1, 5)]
    assert read_dates(pl.Series(["05.01.2026 13:00"]), "%d.%m.%Y %H:%M").to_list() == [date(2026, 1, 5)]


EARLY, LATE = datetime.fromisoformat("1991-01-01"), datetime.fromisoformat("2090-01-01")


@given(st.lists(st.datetimes(EARLY, LATE), min_size=1, max_size=20))
def test_iso_times_read_back(times):
    """Every spelling that Python itself writes is read."""
    plain = pl.Series([time.isoformat() for time in times])
    blank = pl.Series([time.isoformat(" ") for time in times])
    zoned = pl.Series([time.replace(tzinfo=UTC).isoformat() for time in times])

    assert read_times(plain).naive.to_list() == times
    assert read_times(blank).naive.to_list() == times
    assert read_times(zoned).utc.to_list() == [time.replace(tzinfo=UTC) for time in times]


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "wanted"),
    [
        ("12.5", ".", None, 12.5),
        ("12,5", ",", None, 12.5),
        ("1.234,5", ",", ".", 1234.5),
        ("1,234.5", ".", ",", 1234.5),
        ("1 234 567,5", ",", " ", 1234567.5),
        ("1'234", ".", "'", 1234.0),
        ("12,5", "either", None, 12.5),
        ("12.5", "either", None, 12.5),
        ("1e-3", ".", None, 0.001),
        ("12,5", ".", None, None),
        ("12.5", ",", None, None),
        ("12.5", ",", ".", None),  # read as thousands it would be 125
        ("1.23.456", ",", ".", None),
        ("inf", ".", None, None),
        ("12 min", ".", None, None),
    ],
)
def test_numbers_are_read_as_the_export_writes_them(text, decimal, thousands, wanted):
    """A mark is a decimal or a thousands mark as the profile says, and nothing is guessed across that line."""
    assert read_numbers(pl.Series([text]), decimal, thousands).to_list() == [wanted]


def test_whole_numbers_are_whole():
    """4 and 4.0 are four; 4.5 is no count."""
    assert read_whole_numbers(pl.Series(["4", "4.0", "4.5", "x", None])).to_list() == [4, 4, None, None, None]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1:05:30", 3930.0),
        ("0:45", 2700.0),
        ("37:00:00", 133_200.0),
        ("0:00:01,5", 1.5),
        ("1899-12-31 06:00:00", 21_600.0),
        ("1900-01-01 12:00:00", 129_600.0),
        ("1:75:00", None),
        ("90", None),
    ],
)
def test_durations_by_the_clock(text, wanted):
    """Hours may exceed 24, minutes may not exceed 59; a sheet's time of day is a duration too."""
    assert read_clock_durations(pl.Series([text])).to_list() == [wanted]


def test_tools_are_text_without_leading_zeros():
    """T04, 04 and 4.000000 are one tool; names that are no numbers keep their letters."""
    given = ["T04", "t4", "04", "4.000000", "4", "0", "000", "T", "04A", "DRILL", None]

    texts = pl.DataFrame({"tool": given}).select(tool_text(pl.col("tool"))).to_series().to_list()

    assert texts == ["4", "4", "4", "4", "4", "0", "0", "T", "4A", "DRILL", None]


def test_dashes_are_no_numbers_and_no_errors():
    """What stands in a sheet where there is no number counts as empty."""
    assert without_empty_words(pl.Series(["-", "n/a", "NaN", "5"])).to_list() == [None, None, None, "5"]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1))
def test_number_text_reads_back_as_the_same_number(numbers):
    """The text of a converted value loses nothing."""
    texts = pl.DataFrame({"n": numbers}).select(number_text(pl.col("n"))).to_series()

    assert texts.cast(pl.Float64).to_list() == numbers
    assert not texts.str.ends_with(".0").any()
