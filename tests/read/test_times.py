"""Times, numbers, durations and tools as exports write them."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

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


def test_microseconds_since_1970_are_exact():
    """Sixteen digits, more than a float of seconds would keep."""
    assert read_times(pl.Series(["1767592800000001"]), "epoch_us").utc.to_list() == [
        datetime(2026, 1, 5, 6, 0, 0, 1, tzinfo=UTC)
    ]


@pytest.mark.parametrize(
    ("text", "format", "wanted"),
    [
        # ECMA-376 part 1, 18.17.4.1: serial 1 is 1900-01-01 by the 1900 date base, 0 is 1904-01-01 by the 1904 one;
        # 18.17.4.2: noon is half a day.
        ("39813.5", "spreadsheet_days", "2008-12-31T12:00:00"),
        ("38351.5", "spreadsheet_days_1904", "2008-12-31T12:00:00"),
        ("46027,2500057870", "spreadsheet_days", "2026-01-05T06:00:00.500000"),
        ("0", "spreadsheet_days", None),
        ("3e9", "spreadsheet_days", None),
        ("soon", "spreadsheet_days", None),
    ],
)
def test_serial_days_of_spreadsheets_are_clock_times(text, format, wanted):
    """Good for a millisecond."""
    times = read_times(pl.Series([text]), format)

    assert times.naive.to_list() == [wanted and datetime.fromisoformat(wanted)]
    assert read_dates(pl.Series([text]), format).to_list() == [wanted and datetime.fromisoformat(wanted).date()]


def test_each_cell_is_read_by_the_first_pattern_that_fits():
    """A log that leaves seconds out where they are nought, and a spreadsheet's own form beside."""
    formats = ["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"]
    texts = pl.Series(["05.01.2026 06:00:01", "05.01.2026 06:00", "2026-01-05 07:00:00", "05/01/2026", None])

    assert read_times(texts, formats).naive.to_list() == [
        datetime.fromisoformat("2026-01-05T06:00:01"),
        datetime.fromisoformat("2026-01-05T06:00:00"),
        datetime.fromisoformat("2026-01-05T07:00:00"),
        None,
        None,
    ]
    assert read_dates(texts, formats).to_list() == [date(2026, 1, 5)] * 3 + [None, None]


@pytest.mark.parametrize(
    ("text", "format", "wanted"),
    [
        ("14. März 2026 06:00", "%d. %B %Y %H:%M", "2026-03-14T06:00:00"),
        ("14 août 2026 06:00", "%d %b %Y %H:%M", "2026-08-14T06:00:00"),
        ("14 sierpnia 2026, 6:00", "%d %B %Y, %H:%M", "2026-08-14T06:00:00"),
        ("14-OKT-26 06:00", "%d-%b-%y %H:%M", "2026-10-14T06:00:00"),
        ("lördag 14 mars 2026 06:00", "%A %d %b %Y %H:%M", "2026-03-14T06:00:00"),
        ("Sa., 14.03.2026 06:00", "%a, %d.%m.%Y %H:%M", "2026-03-14T06:00:00"),
        ("xx, 14.03.2026 06:00", "%a, %d.%m.%Y %H:%M", None),
        ("14/03/2026 6:00 p. m.", "%d/%m/%Y %I:%M %p", "2026-03-14T18:00:00"),
        ("14/03/2026 6:00\u202fPM", "%d/%m/%Y %I:%M %p", "2026-03-14T18:00:00"),
        ("14/03/2026 6:00am", "%d/%m/%Y %I:%M %p", "2026-03-14T06:00:00"),
        ("14.03.2026 24:00:00", "%d.%m.%Y %H:%M:%S", "2026-03-15T00:00:00"),
        ("14.03.2026 24:00:01", "%d.%m.%Y %H:%M:%S", None),
        ("2026-03-14 24:00", None, "2026-03-15T00:00:00"),
        ("14.03.2026   06:00", "%d.%m.%Y %H:%M", "2026-03-14T06:00:00"),
        ("14.03.2026 06:00:00,25", "%d.%m.%Y %H:%M:%S.%f", "2026-03-14T06:00:00.250000"),
        ("14.03.89 06:00", "%d.%m.%y %H:%M", "2089-03-14T06:00:00"),
        ("14.03.90 06:00", "%d.%m.%y %H:%M", "1990-03-14T06:00:00"),
        ("29.02.72 06:00", "%d.%m.%y %H:%M", "2072-02-29T06:00:00"),
        ("14.03.26 06:00", "%d.%m.%Y %H:%M", None),  # no year 26
        ("2026-03-04 06:00", "%Y-%d-%m %H:%M", "2026-04-03T06:00:00"),
        ("2026-03-14 06:00", "%Y-%d-%m %H:%M", None),  # not as ISO 8601 beside it
    ],
)
def test_a_pattern_reads_what_says_the_same_in_another_spelling(text, format, wanted):
    """Months and days in ten languages, AM in Spanish, blanks of any kind, the end of a day, years of two digits."""
    assert read_times(pl.Series([text]), format).naive.to_list() == [wanted and datetime.fromisoformat(wanted)]


@pytest.mark.parametrize("offset", ["Z", " UTC", "GMT", "+00:00", " +0000", " UTC+00:00", "+00"])
def test_offsets_are_written_in_many_ways(offset):
    """All of them are one instant, by a pattern; a zone's short name is none of them."""
    read = read_times(pl.Series([f"14.03.2026 06:00{offset}", "14.03.2026 06:00 CET"]), "%d.%m.%Y %H:%M%z")

    assert read.utc.to_list() == [datetime(2026, 3, 14, 6, tzinfo=UTC), None]
    assert read_times(pl.Series(["2026-03-14 06:00:00 UTC"])).utc.to_list() == [datetime(2026, 3, 14, 6, tzinfo=UTC)]


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


@pytest.mark.parametrize(
    ("text", "unit", "wanted"),
    [
        ("12,5 min", "min", 12.5),
        ("1.234,5 kg", "kg", 1234.5),
        ("3 Std.", "h", 3.0),
        ("85%", "percent", 85.0),
        ("12,5-", None, -12.5),
        ("−3", None, -3.0),
        ("+ 3", None, 3.0),
        ("1 234,5", None, None),  # the mark is said to be a point
        ("12 s", "min", None),
        ("12 min", None, None),
        ("12 x", "min", None),
        ("0.250", None, None),  # a nought groups nothing
        ("(3)", None, None),
    ],
)
def test_a_cell_may_bear_the_unit_of_its_rule_and_no_other(text, unit, wanted):
    """In any spelling; a minus may stand behind the number."""
    assert read_numbers(pl.Series([text]), ",", ".", unit).to_list() == [wanted]


@pytest.mark.parametrize("mark", [" ", "\u00a0", "\u202f", "\u2009"])
def test_every_blank_groups_thousands(mark):
    """Plain, fixed, narrow and thin; both apostrophes too."""
    assert read_numbers(pl.Series([f"1{mark}234{mark}567,5"]), ",", " ").to_list() == [1234567.5]
    assert read_numbers(pl.Series(["1'234", "1’234"]), ".", "'").to_list() == [1234.0, 1234.0]


def test_whole_numbers_are_whole():
    """4 and 4.0 are four; 4.5 is no count."""
    assert read_whole_numbers(pl.Series(["4", "4.0", "4.5", "x", None])).to_list() == [4, 4, None, None, None]


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
