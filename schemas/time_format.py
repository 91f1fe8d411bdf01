"""Patterns of times in profiles: what polars makes of them, and what is wrong with those that it cannot run.

It reads text by one pattern, months and AM/PM in ten languages' ways; ISO forms, epochs and zones are the readers'
business.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import combinations, permutations
from typing import Final

import polars as pl

from schemas.words import MONTHS, WEEKDAYS, plain

WORDS: Final = ("iso", "epoch_s", "epoch_ms", "epoch_us", "spreadsheet_days", "spreadsheet_days_1904")
"""What a `format` may say instead of a pattern."""
ISO_PATTERN: Final = "%Y-%m-%d %H:%M:%S%.f"
EARLIEST_TWO_DIGIT_YEAR: Final = 1990  # 90 is 1990, 89 is 2089: no log of these controls is older
_TIME_OF_DAY: Final = re.compile(r"%[-_0]?[HIklTRrXc+]")
_HOUR_24: Final = re.compile(r"%[-_0]?[HkTRXc+]")
_HOUR_12: Final = re.compile(r"%[-_0]?[Il]")
_HALF_OF_DAY: Final = re.compile(r"%[-_0]?[pP]")
_CLOCK: Final = re.compile(r"[^%]*(?:%[-_0]?[HIklMSpPTRr][^%]*|%\.\d?f[^%]*)+")
_MINUTE: Final = re.compile(r"%[-_0]?M")
_LONE_FRACTION: Final = re.compile(r"(?<!%)%f")
_FRACTION: Final = re.compile(r"%\.\d?f")
_MONTH_WORD: Final = re.compile(r"%[bBh]\.?")
_OFFSET: Final = re.compile(r"\s*%[:#]?z")
_WEEKDAY_FIRST: Final = re.compile(r"^%[aA][.,]*\s*")
_TWO_DIGIT_YEAR: Final = re.compile(r"%[-_0]?[yDxv]")
_MIDNIGHT: Final = r"\b24([:.]00(?:[:.]00(?:[.,]0+)?)?(?:[^\d:.,]|$))"
_OTHER_BLANK_OR_MIDNIGHT: Final = rf"\s\s|[^\S ]|{_MIDNIGHT}"
_SAMPLE: Final = datetime(2026, 3, 14, 13, 45, 59, 250_000, tzinfo=UTC)
# Moments whose day, month and year can stand for one another: patterns that read one text differently show by them.
_TELLING: Final = tuple(
    datetime(2000 + year, month, day, hour, 7, 8, 250_000, tzinfo=UTC)
    for day, month, year in permutations((3, 5, 11))
    for hour in (9, 21)
)
_ENGLISH_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def chrono_pattern(format: str) -> str:
    """Return a pattern in chrono's words: strptime's fraction of any length (`.%f`) is `%.f` there."""
    return format.replace(",%f", ".%f").replace(".%f", "%.f")


def has_time_of_day(format: str) -> bool:
    """Return whether a pattern holds more than a date."""
    return _TIME_OF_DAY.search(format) is not None


def is_time_of_day(format: str | Sequence[str] | None) -> bool:
    """Return whether a format is of times of day alone: what day they are of is said elsewhere."""
    formats = [format] if isinstance(format, str) else list(format or ())
    return bool(formats) and all(_CLOCK.fullmatch(chrono_pattern(each)) is not None for each in formats)


def parse_by(text: pl.Series, pattern: str) -> pl.Series:
    """Return text as Datetime("us"), in UTC where the pattern holds an offset, else naive; null where it does not fit.

    Years of two digits are 1990 to 2089. Names of months and of days in front may be of any of ten languages; AM may
    be `a.m.`, blanks of any kind and number, a fraction behind a point or a comma, an offset `UTC` or `GMT`, and the
    end of a day `24:00`. Raises polars' ComputeError for patterns that cannot be run; `pattern_fault` tells them
    beforehand.
    """
    if weekday := _WEEKDAY_FIRST.match(pattern):
        text, pattern = _without_weekday(text), pattern[weekday.end() :]
    found = _parse(text, pattern)
    left = found.is_null() & text.is_not_null()
    if not left.any():
        return found
    rows = left.arg_true()
    return found.scatter(rows, _parse_as_written(text[rows], pattern))


def _parse(text: pl.Series, pattern: str) -> pl.Series:
    if not has_time_of_day(pattern):
        found = text.str.to_date(pattern, strict=False).cast(pl.Datetime("us"))
    else:
        found = text.str.to_datetime(pattern, time_unit="us", strict=False)
    if isinstance(found.dtype, pl.Datetime) and found.dtype.time_zone:
        found = found.dt.convert_time_zone("UTC")
    if _TWO_DIGIT_YEAR.search(pattern):
        early = (found.dt.year() < EARLIEST_TWO_DIGIT_YEAR).fill_null(False)
        return found.zip_with(~early, found.dt.offset_by("100y")) if early.any() else found
    short = (found.dt.year() < 1000).fill_null(False)  # two digits where the pattern says four: another year is meant
    return found.set(short, None) if short.any() else found


def _parse_as_written(text: pl.Series, pattern: str) -> pl.Series:
    """Read what does not fit a pattern to the letter, but says the same in another spelling."""
    if _FRACTION.search(pattern):
        text = text.str.replace(r"(:\d\d|\.\d\d\.\d\d),(\d)", "$1.$2")
    if _HALF_OF_DAY.search(pattern):
        text = text.str.replace(r"(?i)(\d)\s*([ap])\.?\s?m\b\.?", "${1} ${2}m")
        pattern = re.sub(r"\s*(%[-_0]?[pP])", r" \1", pattern)
    if _OFFSET.search(pattern):
        text = text.str.replace(r"(?i)\s*(?:UTC|GMT)\s*([+-]\d\d:?\d\d)$", "$1")
        text = text.str.replace(r"(?i)\s*(?:UTC|GMT|Z)$", "+00:00").str.replace(r"\s+([+-]\d\d(?::?\d\d)?)$", "$1")
        pattern = _OFFSET.sub("%#z", pattern)
    found = _parse(text, pattern)
    if _MONTH_WORD.search(pattern) and (left := found.is_null() & text.is_not_null()).any():
        rows, pattern = left.arg_true(), _MONTH_WORD.sub("%b", pattern)
        english = _with_english_months(text[rows])
        text, found = text.scatter(rows, english), found.scatter(rows, _parse(english, pattern))
    left = found.is_null() & text.is_not_null() & text.str.contains(_OTHER_BLANK_OR_MIDNIGHT).fill_null(False)
    if not left.any():
        return found
    rows = left.arg_true()
    rest = text[rows].str.replace_all(r"\s+", " ")
    midnight = rest.str.contains(_MIDNIGHT).fill_null(False)
    if not (_HOUR_24.search(pattern) and midnight.any()):
        return found.scatter(rows, _parse(rest, pattern))
    again = _parse(rest.str.replace(_MIDNIGHT, "00$1"), pattern)
    return found.scatter(rows, again.zip_with(~midnight, again.dt.offset_by("1d")))


def _without_weekday(text: pl.Series) -> pl.Series:
    """Return text without the day of the week in front; null where the word in front is none."""
    parts = text.str.extract_groups(r"^\s*([\p{L}-]+)[.,]*\s*(.*)$").struct.unnest()
    word, rest = parts.to_series(0), parts.to_series(1)
    known = [found for found in word.drop_nulls().unique().to_list() if plain(found) in WEEKDAYS]
    return rest.set(~word.is_in(known).fill_null(False), None).alias(text.name)


def _with_english_months(text: pl.Series) -> pl.Series:
    """Return text with the first word of three letters or more as the short English name of the month that it is."""
    parts = text.str.extract_groups(r"^(.*?)(\p{L}{3,})\.?(.*)$").struct.unnest()
    before, word, behind = parts.get_columns()
    numbers = {found: MONTHS.get(plain(found)) for found in word.drop_nulls().unique().to_list()}
    known = {found: _ENGLISH_MONTHS[number - 1] for found, number in numbers.items() if number is not None}
    english = (
        word.replace_strict(known, default=None, return_dtype=pl.String) if known else word.set(word == word, None)
    )
    return (before + english + behind).alias(text.name)


def format_fault(format: str | Sequence[str]) -> str | None:
    """Return what is wrong with a profile's `format`, one or a list of patterns, None where it can be run."""
    if isinstance(format, str):
        return pattern_fault(format)
    if not format:
        return "name at least one pattern"
    for each in format:
        if each in WORDS and each != "iso":
            return f"a list holds patterns; {each} stands alone"
        if fault := pattern_fault(each):
            return fault
    for first, other in combinations(dict.fromkeys(format), 2):
        if (text := _text_read_twice(first, other) or _text_read_twice(other, first)) is not None:
            return f"{first} and {other} read {text} as two different times; give the one that is meant"
    return None


def _text_read_twice(first: str, other: str) -> str | None:
    """Return a text that is written by one pattern and read by the other as another time."""
    one, two = (ISO_PATTERN if format == "iso" else chrono_pattern(format) for format in (first, other))
    written = pl.Series(_TELLING).dt.strftime(_OFFSET.sub("%z", one))
    by_one, by_two = (parse_by(written, pattern).dt.timestamp("us") for pattern in (one, two))
    differs = (by_one != by_two).fill_null(False)
    return str(written.filter(differs)[0]) if differs.any() else None


def pattern_fault(format: str) -> str | None:
    """Return what is wrong with a `format` and what to write instead, None where it can be run.

    A moment is written by the pattern and read back: it must be the same day, and be written the same again.
    """
    if format in WORDS:
        return None
    pattern = chrono_pattern(format)
    if "%" not in pattern:
        return f"write {', '.join(WORDS)} or a pattern such as %d.%m.%Y %H:%M:%S"
    if "%s" in pattern:
        return "for seconds since 1970 write epoch_s, for milliseconds epoch_ms"
    if _LONE_FRACTION.search(pattern):
        return "write a fraction of a second as %.f, right behind %S"
    if (_HOUR_12.search(pattern) is not None) != (_HALF_OF_DAY.search(pattern) is not None):
        return "a 12-hour clock is written %I:%M:%S %p, a 24-hour clock %H:%M:%S"
    try:
        written = pl.Series([_SAMPLE]).dt.strftime(pattern.replace("%#z", "%z"))
        read = parse_by(written, pattern)
        again = read.dt.replace_time_zone("UTC").dt.strftime(pattern.replace("%#z", "%z"))
        parse_by(pl.Series([None, "", "x"], dtype=pl.String), pattern)
    except pl.exceptions.PolarsError:
        if (_HOUR_12.search(pattern) or _HOUR_24.search(pattern)) and not _MINUTE.search(pattern):
            return "give the minutes too, as in %H:%M"
        return "not a pattern that can be read; one such as %d.%m.%Y %H:%M:%S can"
    if read.dt.date()[0] != _SAMPLE.date():
        return "the pattern must hold day, month and year, as in %d.%m.%Y %H:%M:%S"
    if again[0] != written[0]:
        return "not a pattern that can be read; one such as %d.%m.%Y %H:%M:%S can"
    return None
