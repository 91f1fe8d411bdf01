"""Patterns of times in profiles: what polars makes of them, and what is wrong with those that it cannot run.

It reads text by one pattern; ISO forms, epochs and zones are the readers' business.
"""

import re
from datetime import UTC, datetime
from typing import Final

import polars as pl

WORDS: Final = ("iso", "epoch_s", "epoch_ms")
"""What a `format` may say instead of a pattern."""
_TIME_OF_DAY: Final = re.compile(r"%[-_0]?[HIklTRrXc+]")
_HOUR_24: Final = re.compile(r"%[-_0]?[HkTRXc+]")
_HOUR_12: Final = re.compile(r"%[-_0]?[Il]")
_HALF_OF_DAY: Final = re.compile(r"%[-_0]?[pP]")
_MINUTE: Final = re.compile(r"%[-_0]?M")
_LONE_FRACTION: Final = re.compile(r"(?<!%)%f")
_SAMPLE: Final = datetime(2026, 3, 14, 13, 45, 59, 250_000, tzinfo=UTC)


def chrono_pattern(format: str) -> str:
    """Return a pattern in chrono's words: strptime's fraction of any length (`.%f`) is `%.f` there."""
    return format.replace(",%f", ".%f").replace(".%f", "%.f")


def has_time_of_day(format: str) -> bool:
    """Return whether a pattern holds more than a date."""
    return _TIME_OF_DAY.search(format) is not None


def parse_by(text: pl.Series, pattern: str) -> pl.Series:
    """Return text as Datetime("us"), in UTC where the pattern holds an offset, else naive; null where it does not fit.

    Raises polars' ComputeError for patterns that cannot be run; `pattern_fault` tells them beforehand.
    """
    if not has_time_of_day(pattern):
        return text.str.to_date(pattern, strict=False).cast(pl.Datetime("us"))
    found = text.str.to_datetime(pattern, time_unit="us", strict=False)
    if isinstance(found.dtype, pl.Datetime) and found.dtype.time_zone:
        return found.dt.convert_time_zone("UTC")
    return found


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
