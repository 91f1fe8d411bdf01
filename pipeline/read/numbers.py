"""Text of numbers, whole numbers, durations and tools -> values, all at once for a column.

What is not a number becomes null; saying so to the user is `mapping.py`'s business.
"""

from __future__ import annotations

from typing import Final

import polars as pl

EMPTY_WORDS: Final = ("-", "--", "---", "–", "—", "n/a", "null", "none", "nan", "#n/a")
"""What spreadsheets and controls write where there is no number."""
_CLOCK_DURATION: Final = r"^(\d+):([0-5]?\d)(?::([0-5]?\d(?:\.\d+)?))?$"
# A spreadsheet hands a cell formatted as a time of day over as a day count from this date.
_SPREADSHEET_TIME: Final = r"^(?:1899-12-3[01]|1900-0[1-3]-\d\d)[T ]\d\d:\d\d:\d\d"
_SPREADSHEET_ZERO: Final = "1899-12-31 00:00:00"
_TOOL_NUMBER: Final = r"^[Tt]?0*(\d+)(?:\.0*)?$"


def without_empty_words(text: pl.Series) -> pl.Series:
    """Return numbers' text with a dash, `n/a` and the like made null."""
    return text.set(text.str.to_lowercase().is_in(EMPTY_WORDS), None)


def read_numbers(text: pl.Series, decimal: str = ".", thousands: str | None = None) -> pl.Series:
    """Return finite floats, null where the text is none.

    Thousands marks are accepted only where they group by threes, so that 12.5 is never read as 125. `decimal`
    "either" takes a comma or a point, for files that say nothing about it.
    """
    numbers = _plain_numbers(text, decimal, thousands).cast(pl.Float64, strict=False)
    return numbers.set(~numbers.is_finite(), None) if numbers.is_finite().all() is False else numbers


def _plain_numbers(text: pl.Series, decimal: str, thousands: str | None) -> pl.Series:
    if thousands:
        mark = {".": r"\.", " ": r"[\s\u{a0}\u{202f}]"}.get(thousands, thousands)
        tail = r"(?:,\d*)?" if decimal == "," else r"(?:\.\d*)?"
        grouped = text.str.contains(rf"^[+-]?\d{{1,3}}(?:{mark}\d{{3}})+{tail}$")
        text = text.zip_with(~grouped, text.str.replace_all(mark, "")) if grouped.any() else text
    if decimal == ".":
        return text
    if decimal == "either":
        return text.str.replace(r"^([+-]?\d*),(\d+)$", "$1.$2")
    return text.set(text.str.contains(".", literal=True), None).str.replace(",", ".", literal=True)


def read_whole_numbers(text: pl.Series, decimal: str = ".", thousands: str | None = None) -> pl.Series:
    """Return whole numbers (`4`, `4.0`), null where the text is none."""
    whole = text.cast(pl.Int64, strict=False)
    if whole.null_count() == text.null_count():
        return whole
    numbers = read_numbers(text, decimal, thousands)
    numbers = numbers.set((numbers != numbers.round(0)) | (numbers.abs() > 2**53), None)
    return numbers.cast(pl.Int64)


def read_clock_durations(text: pl.Series, decimal: str = ".") -> pl.Series:
    """Return seconds of `H:MM:SS` or `H:MM` (hours may exceed 24, seconds may have a fraction), else null."""
    plain = text.str.replace(",", ".", literal=True)
    sheet = plain.str.contains(_SPREADSHEET_TIME)
    parts = plain.str.extract_groups(_CLOCK_DURATION).struct.unnest()
    hours, minutes, seconds = (parts.to_series(i).cast(pl.Float64, strict=False) for i in range(3))
    clock = hours * 3600 + minutes * 60 + seconds.fill_null(0)
    if not sheet.any():
        return clock
    format = "%Y-%m-%d %H:%M:%S%.f"
    zero = pl.Series([_SPREADSHEET_ZERO]).str.to_datetime(format, time_unit="us")
    days = plain.str.to_datetime(format, time_unit="us", strict=False) - zero
    return clock.zip_with(~sheet.fill_null(False), days.dt.total_microseconds() / 1e6)


def tool_text(text: pl.Expr) -> pl.Expr:
    """Return tools as text: `T04`, `04` and `4.000000` are all `4`; other names only lose their leading zeros."""
    number = text.str.extract(_TOOL_NUMBER)
    return pl.coalesce(number, text.str.replace(r"^0+(.)", "$1"))


def number_text(number: pl.Expr) -> pl.Expr:
    """Return floats as the shortest text that reads back as the same number: 900.0 is `900`."""
    return number.cast(pl.String).str.strip_suffix(".0")
