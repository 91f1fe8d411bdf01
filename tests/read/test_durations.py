"""Durations as clocks and in words."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.durations import (
    read_clock_durations,
    read_durations,
    read_minute_durations,
    read_word_durations,
)
from schemas.profile import CELL_UNITS, UNITS


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1:05:30", 3930.0),
        ("0:45", 2700.0),
        ("0:45 h", 2700.0),
        ("0:45 min", None),
        ("37:00:00", 133_200.0),
        ("24:00:00", 86_400.0),
        ("0:00:01,5", 1.5),
        ("-0:05:00", -300.0),
        ("−0:05", -300.0),
        ("1.02:03:04", 93_784.0),
        ("1 day, 2:03:04", 93_784.0),
        ("2 Tage 02:03:04", 180_184.0),
        ("-1 day, 23:59:30", None),  # the sign is of the day alone
        ("1.26:03:04", None),
        ("1899-12-31 06:00:00", 21_600.0),
        ("1900-01-01 12:00:00", 129_600.0),
        ("1:75:00", None),
        ("90", None),
        ("", None),
    ],
)
def test_durations_by_the_clock(text, wanted):
    """Hours may exceed 24, minutes may not exceed 59; a sheet's time of day is a duration too."""
    assert read_clock_durations(pl.Series([text, None])).to_list() == [wanted, None]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("12:30", 750.0),
        ("125:30", 7530.0),
        ("125:30 Min.", 7530.0),
        ("1:12:30", 4350.0),
        ("0:30,5", 30.5),
        ("-2:30", -150.0),
        ("1899-12-31 00:12:30", 750.0),
        ("12:75", None),
        ("12", None),
    ],
)
def test_durations_of_minutes_and_seconds(text, wanted):
    """Minutes may exceed 59; a third part in front is hours."""
    assert read_minute_durations(pl.Series([text])).to_list() == [wanted]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1 h 12 min", 4320.0),
        ("72m 15s", 4335.0),
        ("1h12", 4320.0),
        ("12m05", 725.0),
        ("1h12m30", 4350.0),
        ("1 Std. 12 Min.", 4320.0),
        ("1 hour and 12 minutes", 4320.0),
        ("1 godzina 12 minut", 4320.0),
        ("2 dagar 1 tim", 176_400.0),
        ("1 día 2 horas", 93_600.0),
        ("12'30\"", 750.0),
        ("30''", 30.0),
        ("1,5 h", 5400.0),
        ("1.5 h", 5400.0),
        ("-5 min", -300.0),
        # ISO 8601-1:2019, 5.5.2: designators of a duration
        ("PT1H12M30S", 4350.0),
        ("P1DT12H", 129_600.0),
        ("PT0.5S", 0.5),
        ("PT36,5M", 2190.0),
        ("PT", None),
        ("P1M", None),  # a month has no length
        ("1h75", None),
        ("12", None),
        ("12 kg", None),
        ("min", None),
        ("1 min 2 h", None),
        ("1.250 h", 4500.0),
    ],
)
def test_durations_in_words(text, wanted):
    """In ten languages, by signs, by ISO 8601; a number behind the last word counts the next smaller unit."""
    assert read_word_durations(pl.Series([text, None])).to_list() == [wanted, None]


def test_a_mark_before_three_digits_is_the_decimal_mark_of_the_file():
    """Elsewhere a mark can only be a decimal one."""
    texts = pl.Series(["1.250 s", "1,250 s", "1,25 s"])

    assert read_word_durations(texts, ".").to_list() == [1.25, None, 1.25]
    assert read_word_durations(texts, ",", ".").to_list() == [1250.0, 1.25, 1.25]


def test_the_units_of_a_profile_are_units_of_time():
    """Each has a reader that reads its own example in messages."""
    for unit, example in CELL_UNITS.items():
        assert UNITS[unit] == ("time", 1.0)
        assert read_durations(pl.Series([example.split(" (")[0]]), unit).to_list() == [3930.0]


@given(st.lists(st.text(max_size=15) | st.text("0123456789:.,-'hms PT", max_size=12), max_size=10))
def test_any_text_is_a_duration_or_none(cells):
    """Nothing in a cell makes the readers fail."""
    for unit in CELL_UNITS:
        assert len(read_durations(pl.Series(cells, dtype=pl.String), unit)) == len(cells)
