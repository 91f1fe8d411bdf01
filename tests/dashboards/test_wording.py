"""Figures are written as a machinist would, with sign, unit and honest blanks."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards import wording


def plain(text: str) -> str:
    """Undo thin and hard spaces and the true minus."""
    return text.replace(wording.NBSP, " ").replace(wording.THIN, " ").replace(wording.MINUS, "-")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (4.25, "4.2 s"),
        (59.94, "60 s"),
        (59.96, "1 min"),
        (370.0, "6 min 10 s"),
        (420.4, "7 min"),
        (3599.6, "1 h"),
        (3840.0, "1 h 04 min"),
        (360_000.0, "100 h"),
        (-370.0, "-6 min 10 s"),
        (None, "–"),
    ],
)
def test_duration(seconds: float | None, text: str) -> None:
    """Durations change their unit where a person would."""
    assert plain(wording.duration(seconds)) == text


@pytest.mark.parametrize(
    ("drift", "text", "words"),
    [
        (1.136, "+13.6 %", "14 % over its estimate"),
        (0.9, "-10.0 %", "10 % under its estimate"),
        (1.0002, "0.0 %", "on its estimate"),
        (0.9998, "0.0 %", "on its estimate"),
        (2.5, "+150.0 %", "150 % over its estimate"),
    ],
)
def test_drift(drift: float, text: str, words: str) -> None:
    """A drift is per cent over the estimate; what rounds to nothing bears no sign."""
    assert plain(wording.over(drift)) == text
    assert plain(wording.over_words(drift)) == words


def test_money_needs_no_currency() -> None:
    """An amount without a currency has no trailing space, and none is a blank mark."""
    assert plain(wording.money(1863.4, "EUR")) == "1 863 EUR"
    assert plain(wording.money(1863.4, "")) == "1 863"
    assert wording.money(None, "EUR") == wording.NONE


def test_times_are_the_shops() -> None:
    """An instant late in the evening is the next day east of Greenwich."""
    instant = datetime(2026, 5, 3, 23, 30, tzinfo=UTC)

    assert plain(wording.local_day(instant, ZoneInfo("Europe/Lisbon"))) == "4 May 2026"
    assert plain(wording.local_time(instant, ZoneInfo("America/New_York"))) == "2026-05-03 19:30"


def test_duration_range_has_one_unit() -> None:
    """An interval is in the unit of its longer end."""
    assert plain(wording.duration_range(50.0, 70.0)) == "50.0 to 70.0 s"
    assert plain(wording.duration_range(2527.0, 2688.0)) == "42.1 to 44.8 min"
    assert plain(wording.duration_range(7000.0, 9000.0)) == "1.94 to 2.50 h"


@settings(max_examples=200, derandomize=True)
@given(st.floats(-1e9, 1e9), st.integers(0, 3))
def test_number_reads_back(value: float, digits: int) -> None:
    """What is written is the value to that many digits, and nothing is ever minus nothing."""
    text = plain(wording.number(value, digits)).replace(" ", "")

    assert float(text) == pytest.approx(value, abs=0.5001 * 10**-digits)
    assert float(text) != 0 or not text.startswith("-")


def test_not_a_number_is_blank() -> None:
    """NaN and infinity never reach a page."""
    assert wording.number(float("nan")) == wording.NONE
    assert wording.percent(float("inf")) == wording.NONE
    assert wording.signed(float("nan")) == wording.NONE


def test_listed() -> None:
    """Names are joined as in a sentence."""
    assert wording.listed([]) == ""
    assert wording.listed(["M1"]) == "M1"
    assert wording.listed(["M1", "M2", "L1"]) == "M1, M2 and L1"


def test_span_of_shares_is_one_figure_where_both_read_the_same() -> None:
    """Two shares that round to the same per cent are said once."""
    assert plain(wording.percent_span(0.631, 0.629)) == "63 %"
    assert plain(wording.percent_span(0.55, 0.6)) == "55 to 60 %"
    assert plain(wording.percent_span(0.55, 0.6, "and", 1)) == "55.0 and 60.0 %"


def test_operations_of_jobs() -> None:
    """Operations are named beside jobs only where a job has several."""
    assert plain(wording.operations(4, 4)) == "4 jobs"
    assert plain(wording.operations(1, 1)) == "1 job"
    assert plain(wording.operations(4, 3)) == "4 operations of 3 jobs"
    assert plain(wording.operations(2, 1)) == "2 operations of 1 job"


def test_short_days_and_months() -> None:
    """In a narrow place a day leaves its year out where it is the book's own, and a month is cut to three letters."""
    assert plain(wording.day_in(date(2026, 3, 23), 2026)) == "23 March"
    assert plain(wording.day_in(date(2025, 12, 23), 2026)) == "23 December 2025"
    assert plain(wording.short_month("2026-09")) == "Sep 2026"
