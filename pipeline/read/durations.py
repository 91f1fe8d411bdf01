"""Text of durations written as clocks (`1:05:30`) or in words (`1 h 5 min`) -> seconds, all at once for a column.

What is none becomes null; saying so to the user is `mapping.py`'s business.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import polars as pl

from pipeline.read.numbers import read_numbers
from schemas.unit_words import TIME_WORDS
from schemas.words import plain

# A spreadsheet hands a cell formatted as a time of day over as a day count from this date.
_SPREADSHEET_TIME: Final = r"^(?:1899-12-3[01]|1900-0[1-3]-\d\d)[T ]\d\d:\d\d:\d\d"
_SPREADSHEET_ZERO: Final = "1899-12-31 00:00:00"


def _words(unit: str, signs: Iterable[str] = ()) -> str:
    """Return an alternation of the words of a unit, the longest first, for text in small letters."""
    found = {word.casefold() for word in TIME_WORDS[unit]} | {plain(word) for word in TIME_WORDS[unit]}
    return "|".join([*sorted(found, key=lambda word: (-len(word), word)), *signs])


_SIGN: Final = r"([+\-−]?)"
_SECONDS: Final = r"([0-5]?\d(?:\.\d+)?)"
_HOURS: Final = rf"^{_SIGN}(\d+):([0-5]?\d)(?::{_SECONDS})?$"
_MINUTES: Final = rf"^{_SIGN}(\d+):{_SECONDS}$"
_DOTTED: Final = rf"^{_SIGN}(\d+)(?:[.,]([0-5]\d?))?$"
# The word for what the first part counts may stand behind: 1:05 h, 65:30 min.
_HOURS_BEHIND: Final = rf"(?i)(:\d+)\s?(?:{_words('h')})\.?$"
_MINUTES_BEHIND: Final = rf"(?i)(:\d+)\s?(?:{_words('min')})\.?$"
# Days before a point and a whole clock; behind a word for days a sign would be of the days alone, so none is read.
_DAYS_POINT: Final = rf"^{_SIGN}(\d+)\.([01]\d|2[0-3]):([0-5]\d):{_SECONDS}$"
_DAYS_WORD: Final = rf"^()(\d+) ?(?:{_words('d')})\.?,? ?([01]?\d|2[0-3]):([0-5]\d):{_SECONDS}$"

_NUMBER: Final = r"(\d[\d.,]*)"
_BETWEEN: Final = r"[\s,]*(?:(?:and|und|et|y|e|i|en|a|och)\s+)?"


def _part(unit: str, signs: Iterable[str] = ()) -> str:
    return rf"(?:{_NUMBER}\s*(?:{_words(unit, signs)})\.?{_BETWEEN})?"


_IN_WORDS: Final = (
    rf"^{_SIGN}\s*{_part('d')}{_part('h')}{_part('min', ('m', '′', '’', chr(39)))}"
    rf"{_part('s', ('″', '”', chr(34), chr(39) * 2))}(\d{{1,2}})?$"
)
_ISO_8601: Final = r"^([+\-−]?)p(?:(\d+)d)?(?:t(?:([\d.,]+)h)?(?:([\d.,]+)m)?(?:([\d.,]+)s)?)?()$"
_WORTH: Final = (86400.0, 3600.0, 60.0, 1.0)


def read_durations(text: pl.Series, unit: str, decimal: str = ".", thousands: str | None = None) -> pl.Series:
    """Return seconds of durations written as `unit` says: one of CELL_UNITS."""
    if unit == "h:mm:ss":
        return read_clock_durations(text)
    if unit == "mm.ss":
        return read_dotted_durations(text)
    return read_minute_durations(text) if unit == "mm:ss" else read_word_durations(text, decimal, thousands)


def read_clock_durations(text: pl.Series) -> pl.Series:
    """Return seconds of `H:MM:SS` or `H:MM` (hours may exceed 24, seconds may have a fraction), else null.

    `D.HH:MM:SS` and `1 day, 2:03:04` are read too.
    """
    tidy = _with_points(text)
    clock = _clock(tidy, _HOURS, _WORTH[1:])
    left = clock.is_null() & text.is_not_null()
    if not left.any():
        return clock
    rows = left.arg_true()
    rest = tidy[rows]
    found = _spreadsheet_times(rest)
    bare, small = rest.str.replace(_HOURS_BEHIND, "$1"), rest.str.to_lowercase()
    others = ((bare, _HOURS, _WORTH[1:]), (small, _DAYS_POINT, _WORTH), (small, _DAYS_WORD, _WORTH))
    for cells, pattern, worth in others:
        found = found.zip_with(found.is_not_null(), _clock(cells, pattern, worth))
    return clock.scatter(rows, found)


def read_minute_durations(text: pl.Series) -> pl.Series:
    """Return seconds of `M:SS` (minutes may exceed 59), else of `H:MM:SS` and what spreadsheets make of both."""
    seconds = _clock(_with_points(text), _MINUTES, _WORTH[2:])
    left = seconds.is_null() & text.is_not_null()
    if not left.any():
        return seconds
    rows = left.arg_true()
    bare = _clock(text[rows].str.replace(_MINUTES_BEHIND, "$1"), _MINUTES, _WORTH[2:])
    return seconds.scatter(rows, bare.zip_with(bare.is_not_null(), read_clock_durations(text[rows])))


def read_dotted_durations(text: pl.Series) -> pl.Series:
    """Return seconds of `M.SS` or `M,SS`: 12.30 is 12 minutes 30 seconds.

    A single digit behind the mark counts tens: spreadsheets drop the last zero of 12.30.
    """
    sign, minutes, seconds = text.str.extract_groups(_DOTTED).struct.unnest().get_columns()
    counted = seconds.str.pad_end(2, "0").cast(pl.Float64, strict=False).fill_null(0.0)
    return _signed(sign, minutes.cast(pl.Float64, strict=False) * 60 + counted)


def read_word_durations(text: pl.Series, decimal: str = ".", thousands: str | None = None) -> pl.Series:
    """Return seconds of `1 h 12 min`, `72m 15s`, `1h12`, `12'30"`, `PT1H12M30S` and the like in ten languages.

    A number alone is none: it does not say what it counts.
    """
    distinct = text.unique()
    if 2 * len(distinct) > len(text):
        return _in_words(text, decimal, thousands)
    return text.replace_strict(distinct, _in_words(distinct, decimal, thousands), return_dtype=pl.Float64)


def _in_words(text: pl.Series, decimal: str, thousands: str | None) -> pl.Series:
    small = text.str.to_lowercase().str.replace_all(r"\s+", " ")
    parts = small.str.extract_groups(_IN_WORDS).struct.unnest()
    iso = small.str.starts_with("p").fill_null(False)
    if iso.any():
        of_iso = small.set(~iso, None).str.extract_groups(_ISO_8601).struct.unnest()
        parts = pl.DataFrame([parts[name].zip_with(~iso, of_iso[name]) for name in parts.columns])
    sign, *counted, tail = (parts.to_series(i) for i in range(6))
    numbers = [_counts(part, decimal, thousands, iso) for part in counted]
    bad = pl.Series([False]).new_from_index(0, len(text))
    total = pl.Series([0.0]).new_from_index(0, len(text))
    any_part = bad
    for part, number, worth in zip(counted, numbers, _WORTH, strict=True):
        present = part.is_not_null()
        bad |= present & number.is_null()
        any_part |= present
        total += number.fill_null(0.0) * worth
    # A number behind the last word counts the next smaller unit: 1h12 is 72 minutes.
    trailing = tail.cast(pl.Float64, strict=False)
    has_tail, (_, hours, minutes, seconds) = trailing.is_not_null(), counted
    after_minutes = has_tail & minutes.is_not_null() & seconds.is_null()
    after_hours = has_tail & hours.is_not_null() & minutes.is_null() & seconds.is_null()
    bad |= has_tail & ~after_minutes & ~after_hours | (trailing >= 60).fill_null(False)
    total += trailing.fill_null(0.0) * (after_minutes.cast(pl.Float64) + after_hours.cast(pl.Float64) * 60)
    return _signed(sign, total).set(bad | ~any_part, None)


def _counts(part: pl.Series, decimal: str, thousands: str | None, iso: pl.Series) -> pl.Series:
    """Return the numbers in front of words; a mark that can only be a decimal one is one, whatever the file's is.

    ISO 8601 takes both marks for decimal ones.
    """
    clear = part.str.contains(r"^(?:0|\d+)[.,](?:\d{1,2}|\d{4,})$|^0[.,]\d+$").fill_null(False) | iso
    if not clear.any():
        return read_numbers(part, decimal, thousands)
    plainly = read_numbers(part.str.replace(",", ".", literal=True), ".")
    return plainly.zip_with(clear, read_numbers(part, decimal, thousands))


def _clock(text: pl.Series, pattern: str, worth: Sequence[float]) -> pl.Series:
    """Return the seconds of a clock: the pattern's first group is the sign, each of the others is worth its seconds."""
    sign, *parts = text.str.extract_groups(pattern).struct.unnest().get_columns()
    numbers = [part.cast(pl.Float64, strict=False) for part in parts]
    total = pl.Series([0.0]).new_from_index(0, len(text))
    for number, each in zip(numbers, worth, strict=True):
        total += number.fill_null(0.0) * each
    return _signed(sign, total).set(numbers[0].is_null(), None)


def _with_points(text: pl.Series) -> pl.Series:
    """Return text with a decimal comma at its end as a point."""
    comma = text.str.contains(",", literal=True)
    return text.str.replace(",(\\d+)$", ".$1") if comma.any() else text


def _signed(sign: pl.Series, seconds: pl.Series) -> pl.Series:
    minus = sign.is_in(["-", "−"]).fill_null(False)
    return seconds.zip_with(~minus, -seconds) if minus.any() else seconds


def _spreadsheet_times(text: pl.Series) -> pl.Series:
    none = pl.Series([None], dtype=pl.Float64).new_from_index(0, len(text))
    sheet = text.str.contains(_SPREADSHEET_TIME).fill_null(False)
    if not sheet.any():
        return none
    format = "%Y-%m-%d %H:%M:%S%.f"
    zero = pl.Series([_SPREADSHEET_ZERO]).str.to_datetime(format, time_unit="us")
    days = text.str.to_datetime(format, time_unit="us", strict=False) - zero
    return none.zip_with(~sheet, days.dt.total_microseconds() / 1e6)
