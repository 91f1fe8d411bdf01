"""Patterns of times: those that polars cannot run are told when the profile is loaded, the others never fail later."""

import warnings
from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.times import read_dates, read_times
from schemas.time_format import WORDS, format_fault, pattern_fault

HALF_DAYS = "a 12-hour clock is written %I:%M:%S %p, a 24-hour clock %H:%M:%S"
WHOLE_DAY = "the pattern must hold day, month and year, as in %d.%m.%Y %H:%M:%S"
UNREADABLE = "not a pattern that can be read; one such as %d.%m.%Y %H:%M:%S can"
NO_PATTERN = f"write {', '.join(WORDS)} or a pattern such as %d.%m.%Y %H:%M:%S"


@pytest.mark.parametrize(
    ("format", "fault"),
    [
        ("%m/%d/%Y %H:%M:%S %p", HALF_DAYS),
        ("%m/%d/%Y %I:%M:%S", HALF_DAYS),
        ("%m/%d/%Y %l:%M", HALF_DAYS),
        ("%d.%m.%Y %H", "give the minutes too, as in %H:%M"),
        ("%H:%M:%S", WHOLE_DAY),
        ("%Y-%m", WHOLE_DAY),
        ("%Q", UNREADABLE),
        ("%Y-%m-%d %", UNREADABLE),
        ("%Y-%m-%d %M:%S", UNREADABLE),
        ("nonsense", NO_PATTERN),
        ("dd.mm.yyyy hh:mm", NO_PATTERN),
        ("", NO_PATTERN),
        ("%s", "for seconds since 1970 write epoch_s, for milliseconds epoch_ms"),
        ("%Y-%m-%d %H:%M:%S:%f", "write a fraction of a second as %.f, right behind %S"),
    ],
)
def test_a_pattern_that_cannot_be_run_is_told_with_what_to_write(format, fault):
    """Each with the hint that mends it."""
    assert pattern_fault(format) == fault


@pytest.mark.parametrize(
    ("format", "text", "read"),
    [
        ("%m/%d/%Y %I:%M:%S %p", "01/05/2026 06:00:07 PM", "2026-01-05 18:00:07.000000"),
        ("%d.%m.%y %H:%M", "05.01.26 18:00", "2026-01-05 18:00:00.000000"),
        ("%-d.%-m.%Y %-H:%M", "5.1.2026 6:07", "2026-01-05 06:07:00.000000"),
        ("%d %b %Y %H:%M:%S%.f", "05 Jan 2026 06:07:08.25", "2026-01-05 06:07:08.250000"),
        ("%Y%m%d%H%M%S", "20260105180007", "2026-01-05 18:00:07.000000"),
        ("%d.%m.%Y", "05.01.2026", "2026-01-05 00:00:00.000000"),
        ("%d.%m.%Y %H:%M %z", "05.01.2026 18:00 +0100", "2026-01-05 17:00:00.000000Z"),
        ("%Y-%m-%d %H:%M:%S,%f", "2026-01-05 18:00:07,5", "2026-01-05 18:00:07.500000"),
    ],
)
def test_a_pattern_that_can_be_run_passes_and_reads(format, text, read):
    """Hours without a leading zero keep their time of day."""
    assert pattern_fault(format) is None
    times = read_times(pl.Series([text]), format)
    found = times.utc if read.endswith("Z") else times.naive
    assert found.dt.strftime("%Y-%m-%d %H:%M:%S%.6f").to_list() == [read.removesuffix("Z")]
    assert read_dates(pl.Series([text]), format).to_list() == [date(2026, 1, 5)]


@pytest.mark.parametrize(
    ("formats", "fault"),
    [
        (["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"], None),
        (["%d.%m.%Y", "%d.%m.%y"], None),
        (["iso", "%d.%m.%Y %H:%M"], None),
        (["%d/%m/%Y %H:%M", "%d/%m/%Y %I:%M %p"], None),
        (["%d.%m.%Y %H:%M %z", "%d.%m.%Y %H:%M"], None),
        ([], "name at least one pattern"),
        (["%d.%m.%Y", "epoch_s"], "a list holds patterns; epoch_s stands alone"),
        (["%d.%m.%Y", "spreadsheet_days"], "a list holds patterns; spreadsheet_days stands alone"),
        (["%d.%m.%Y", "%H:%M"], WHOLE_DAY),
        (
            ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"],
            "%d/%m/%Y %H:%M and %m/%d/%Y %H:%M read 03/05/2011 09:07 as two different times; "
            "give the one that is meant",
        ),
        (
            ["%y-%m-%d", "%d-%m-%y"],
            "%y-%m-%d and %d-%m-%y read 11-05-03 as two different times; give the one that is meant",
        ),
        (["iso", "%Y-%d-%m %H:%M:%S"], "iso and %Y-%d-%m %H:%M:%S read"),
    ],
)
def test_a_list_whose_patterns_read_one_text_differently_is_told(formats, fault):
    """With and without seconds is one writing, day first and month first are two."""
    told = format_fault(formats)

    assert told == fault or (fault is not None and str(told).startswith(fault))


DAYS = ("%Y-%m-%d", "%d.%m.%y", "%m/%d/%Y", "%d %b %Y", "%-d. %B %Y", "%Y%m%d", "%F", "%D", "%v", "%G-W%V-%u", "%Y %j")
TIMES = ("%H:%M", "%H:%M:%S", "%-H:%M:%S%.f", "%I:%M:%S %p", "%l:%M %P", "%H%M%S", "%T%.3f", "%R", "%r", "%H:%M:%S%z")
MARKS = ("%" + mark for mark in [*"YmdHMSIpyjbekPzZsf+Q%cXUwChtn", ".f", "3f", "-H", "_H", ":z", "#z"])
NOISE = st.lists(st.sampled_from([*MARKS, " ", ".", "/", ":", "T", "x", ",", "é"]), max_size=8).map("".join)
CELLS = st.lists(st.text(max_size=12) | st.sampled_from(["2024-02-29 12:00:01", "29.02.24 12:00", "20240230"]))


def read_all(format: str, texts: list[str]) -> None:
    cells = pl.Series([None, *texts], dtype=pl.String)
    assert len(read_times(cells, format).naive) == len(read_dates(cells, format)) == len(cells)
    assert read_times(cells.clear(), format).utc.len() == 0


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.sampled_from(DAYS), st.sampled_from([" ", "T", ", ", " at "]), st.sampled_from([None, *TIMES]), CELLS)
def test_patterns_in_use_pass_and_never_fail_on_any_text(day, between, time, texts):
    """Neither an exception nor a warning, whatever the cells hold."""
    format = day if time is None else day + between + time
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert pattern_fault(format) is None
        read_all(format, texts)


@settings(derandomize=True, max_examples=400, deadline=None)
@given(st.sampled_from(["", *DAYS]), NOISE, CELLS)
def test_a_pattern_of_nonsense_is_told_or_never_fails(day, noise, texts):
    """What the check lets pass can be run on any text; what it does not is told, not raised."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        if pattern_fault(day + noise) is None:
            read_all(day + noise, texts)
