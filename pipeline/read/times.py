"""Text of times and dates -> instants, naive clock times and dates, all at once for a column.

Zones and clock changes are `localtime.py`'s business; here a time without an offset stays naive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.read.stamps import read_stamps
from schemas.time_format import chrono_pattern, has_time_of_day, is_time_of_day, parse_by

NAIVE: Final = pl.Datetime("us")
UTC: Final = pl.Datetime("us", "UTC")
ISO_PATTERNS: Final = (
    *("%Y-%m-%dT%H:%M:%S%.f%#z", "%Y-%m-%d %H:%M:%S%.f%#z"),
    *("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"),
)
EPOCH_PER_S: Final = {"epoch_s": 1.0, "epoch_ms": 1e3, "epoch_us": 1e6}
# The days from a spreadsheet's day 0 to 1970-01-01; the first counts a 29 February 1900 that never was.
SPREADSHEET_EPOCH: Final = {"spreadsheet_days": 25569, "spreadsheet_days_1904": 24107}
_NO_DAY: Final = "2000-01-01"  # on which times of day stand until their day is known
_SHEET_DAY: Final = r"^1899-12-3[01][T ]"  # that a spreadsheet gives a time of day
_LAST_SPREADSHEET_DAY: Final = 2_958_465  # 9999-12-31
_MS_PER_DAY: Final = 86_400_000
_TO_ISO: Final = (
    (r"^(\d{4}-\d{1,2}-\d{1,2})\s+", "${1}T"),
    (r"(:\d\d),(\d)", "$1.$2"),  # a decimal comma in the seconds
    (r"(?i)(\d)\s*(?:UTC|GMT)$", "${1}Z"),
    (r"(\d)\s+([+-]\d\d:?\d\d|[Zz])$", "$1$2"),
    (r"T(\d{1,2}:\d\d)([+\-Zz])", "T$1:00$2"),  # an offset without seconds
)
_ISO_DAY: Final = r"^\d{4}-\d\d-\d\d[T ]\d"
_ISO_MIDNIGHT: Final = r"T24(:00(?::00(?:\.0+)?)?(?:$|[+\-Zz]))"  # the end of a day, ISO 8601


@dataclass(frozen=True)
class TimesRead:
    """Each text is an instant (`utc`), a clock time (`naive`) or neither (both null)."""

    utc: pl.Series
    naive: pl.Series

    @property
    def unread(self) -> pl.Series:
        return self.utc.is_null() & self.naive.is_null()


def read_times(text: pl.Series, format: str | Sequence[str] | None = None) -> TimesRead:
    """Read a column of times.

    `format` is chrono's (strptime's) pattern, one of schemas.time_format.WORDS, or a list of patterns of which each
    cell is read by the first that fits; None is ISO 8601 with or without an offset, `T` or a blank between date and
    time, seconds and fractions optional. Digits past a microsecond are cut. A text in ISO form is read beside a
    pattern too: it cannot mean anything else. Times of day alone are of a day that says nothing.
    """
    if format is None or format == "iso":
        return _read_iso(text)
    if is_time_of_day(format):
        dated = [f"%Y-%m-%d {each}" for each in ([format] if isinstance(format, str) else format)]
        return read_times(f"{_NO_DAY} " + text.str.replace(_SHEET_DAY, ""), dated)
    if isinstance(format, str):
        if format in EPOCH_PER_S:
            return _read_epoch(text, EPOCH_PER_S[format])
        if format in SPREADSHEET_EPOCH:
            return _read_spreadsheet_days(text, SPREADSHEET_EPOCH[format])
    formats = [format] if isinstance(format, str) else list(format)
    if not any(each.startswith("%Y-%d") for each in formats):  # in that order the ISO form means another day
        formats.append("iso")  # a spreadsheet hands its times over in ISO form, however they look in it
    read = TimesRead(_nothing(len(text), UTC), _nothing(len(text), NAIVE))
    for at, each in enumerate(formats):
        left = read.unread & text.is_not_null()
        if each == "iso" and at == len(formats) - 1:
            left &= text.str.contains(_ISO_DAY).fill_null(False)
        if not left.any():
            continue
        if left.all():
            read = _read_iso(text) if each == "iso" else _read_format(text, each)
            continue
        rows = left.arg_true()
        found = _read_iso(text[rows]) if each == "iso" else _read_format(text[rows], each)
        read = TimesRead(read.utc.scatter(rows, found.utc), read.naive.scatter(rows, found.naive))
    return read


def read_dates(text: pl.Series, format: str | Sequence[str] | None = None) -> pl.Series:
    """Read a column of dates; null where it is none. A time of day behind the date is ignored."""
    iso = text.str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)
    if not format or format == "iso":
        return iso
    if isinstance(format, str) and format in SPREADSHEET_EPOCH:
        dates = _read_spreadsheet_days(text, SPREADSHEET_EPOCH[format]).naive.dt.date()
        return dates.zip_with(dates.is_not_null(), iso)
    dates = _nothing(len(text), pl.Date())
    formats = [format] if isinstance(format, str) else format
    for each in formats:
        if each == "iso":
            found = iso
        elif has_time_of_day(each):
            times = _read_format(text, each)
            found = times.naive.dt.date().zip_with(times.naive.is_not_null(), times.utc.dt.date())
        else:
            found = parse_by(text, chrono_pattern(each)).dt.date()
        dates = dates.zip_with(dates.is_not_null(), found)
    if any(each.startswith("%Y-%d") for each in formats):
        return dates
    return dates.zip_with(dates.is_not_null(), iso)


def on_the_day_of(start: pl.Series, clock: pl.Series) -> pl.Series:
    """Return times of day as clock times of the days of starts, those that would be before their start a day later.

    A time in whole minutes may be that of the start's own minute.
    """
    of_day = start.dt.truncate("1d") + (clock - clock.dt.truncate("1d"))
    before = of_day < start.dt.truncate("1m")
    return of_day.zip_with(~before.fill_null(False), of_day.dt.offset_by("1d"))


def _nothing(count: int, dtype: pl.DataType) -> pl.Series:
    return pl.Series([None], dtype=dtype).new_from_index(0, count)


def _read_epoch(text: pl.Series, per_s: float) -> TimesRead:
    number = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    whole = text.cast(pl.Int64, strict=False)  # exact where a float would round the last microsecond
    scale = round(1e6 / per_s)
    micros = pl.select(pl.coalesce(whole * scale, (number * scale).round(0).cast(pl.Int64, strict=False))).to_series()
    return TimesRead(micros.cast(UTC), _nothing(len(text), NAIVE))


def _read_spreadsheet_days(text: pl.Series, epoch: int) -> TimesRead:
    days = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    days = days.set(~days.is_between(1, _LAST_SPREADSHEET_DAY + 1, closed="left").fill_null(False), None)
    # A serial day with its fraction is good for a millisecond, not for a microsecond.
    millis = ((days - epoch) * _MS_PER_DAY).round(0).cast(pl.Int64)
    return TimesRead(_nothing(len(text), UTC), (millis * 1000).cast(NAIVE))


def _read_iso(text: pl.Series) -> TimesRead:
    """Read the layout of the first text by its places, whatever has another one by patterns."""
    stamps = read_stamps(text)
    if stamps is None:
        return _read_iso_patterns(text)
    at, is_utc = stamps
    empty = pl.Series([None], dtype=NAIVE if is_utc else UTC).new_from_index(0, len(text))
    read = TimesRead(at, empty) if is_utc else TimesRead(empty, at)
    if at.null_count() == text.null_count():
        return read
    rows = (at.is_null() & text.is_not_null()).arg_true()
    rest = _read_iso_patterns(text[rows])
    return TimesRead(read.utc.scatter(rows, rest.utc), read.naive.scatter(rows, rest.naive))


def _read_iso_patterns(text: pl.Series) -> TimesRead:
    read = _by_first(text, ISO_PATTERNS)
    left = read.unread & text.is_not_null()
    if not left.any():
        return read
    rows = left.arg_true()
    rest = text[rows]
    for pattern, put in _TO_ISO:
        if rest.str.contains(pattern).any():  # many times as fast as replacing nothing
            rest = rest.str.replace(pattern, put)
    midnight = rest.str.contains(_ISO_MIDNIGHT).fill_null(False)
    rest = rest.str.replace(_ISO_MIDNIGHT, "T00$1") if midnight.any() else rest
    found = _by_first(rest, ISO_PATTERNS)
    if midnight.any():
        utc, naive = (at.zip_with(~midnight, at.dt.offset_by("1d")) for at in (found.utc, found.naive))
        found = TimesRead(utc, naive)
    return TimesRead(read.utc.scatter(rows, found.utc), read.naive.scatter(rows, found.naive))


def _by_first(text: pl.Series, patterns: Sequence[str]) -> TimesRead:
    """Return each text read by the first of the patterns that fits to the letter."""
    read = TimesRead(_nothing(len(text), UTC), _nothing(len(text), NAIVE))
    for pattern in patterns:
        rows = (read.unread & text.is_not_null()).arg_true()
        if not len(rows):
            break
        found = text[rows].str.to_datetime(pattern, time_unit="us", strict=False)
        if pattern.endswith("z"):
            read = TimesRead(read.utc.scatter(rows, found.dt.convert_time_zone("UTC")), read.naive)
        else:
            read = TimesRead(read.utc, read.naive.scatter(rows, found))
    return read


def _read_format(text: pl.Series, format: str) -> TimesRead:
    found = parse_by(text, chrono_pattern(format))
    if found.dtype == UTC:
        return TimesRead(found, _nothing(len(text), NAIVE))
    return TimesRead(_nothing(len(text), UTC), found)
