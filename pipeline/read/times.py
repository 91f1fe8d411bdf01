"""Text of times and dates -> instants, naive clock times and dates, all at once for a column.

Zones and clock changes are `localtime.py`'s business; here a time without an offset stays naive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from schemas.time_format import chrono_pattern, has_time_of_day, parse_by

NAIVE: Final = pl.Datetime("us")
UTC: Final = pl.Datetime("us", "UTC")
ISO_WITH_OFFSET: Final = "%Y-%m-%dT%H:%M:%S%.f%#z"
ISO_NAIVE: Final = ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M")
EPOCH_PER_S: Final = {"epoch_s": 1.0, "epoch_ms": 1000.0}
_TO_ISO: Final = (
    (r"^(\d{4}-\d{1,2}-\d{1,2})\s+", "${1}T"),
    (r"(:\d\d),(\d)", "$1.$2"),  # a decimal comma in the seconds
    (r"(\d)\s+([+-]\d\d:?\d\d|[Zz])$", "$1$2"),
    (r"T(\d{1,2}:\d\d)([+\-Zz])", "T$1:00$2"),  # an offset without seconds
)
_ISO_DAY: Final = r"^\d{4}-\d\d-\d\d[T ]\d"


@dataclass(frozen=True)
class TimesRead:
    """Each text is an instant (`utc`), a clock time (`naive`) or neither (both null)."""

    utc: pl.Series
    naive: pl.Series


def read_times(text: pl.Series, format: str | None = None) -> TimesRead:
    """Read a column of times.

    `format` is chrono's (strptime's) pattern, "iso", "epoch_s" or "epoch_ms"; None is ISO 8601 with or without an
    offset, `T` or a blank between date and time, seconds and fractions optional. Digits past a microsecond are cut.
    A text in ISO form is read beside a pattern too: it cannot mean anything else.
    """
    if format in EPOCH_PER_S:
        return _read_epoch(text, EPOCH_PER_S[format])
    if format is None or format == "iso":
        return _read_iso(text)
    read = _read_format(text, format)
    left = read.utc.is_null() & read.naive.is_null() & text.str.contains(_ISO_DAY)
    if not left.any():
        return read
    rows = left.arg_true()  # a spreadsheet hands its times over in ISO form, however they look in it
    iso = _read_iso(text[rows])
    return TimesRead(read.utc.scatter(rows, iso.utc), read.naive.scatter(rows, iso.naive))


def read_dates(text: pl.Series, format: str | None = None) -> pl.Series:
    """Read a column of dates; null where it is none. A time of day behind the date is ignored."""
    iso = text.str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)
    if not format or format == "iso":
        return iso
    if has_time_of_day(format):
        times = _read_format(text, format)
        dates = times.naive.dt.date().zip_with(times.naive.is_not_null(), times.utc.dt.date())
    else:
        dates = text.str.to_date(format, strict=False)
    return dates.zip_with(dates.is_not_null(), iso)


def _read_epoch(text: pl.Series, per_s: float) -> TimesRead:
    number = text.cast(pl.Float64, strict=False)
    whole = text.cast(pl.Int64, strict=False)  # exact where a float would round the last microsecond
    scale = round(1e6 / per_s)
    micros = pl.select(pl.coalesce(whole * scale, (number * scale).round(0).cast(pl.Int64, strict=False))).to_series()
    return TimesRead(micros.cast(UTC), pl.Series([None], dtype=NAIVE).new_from_index(0, len(text)))


def _read_iso(text: pl.Series) -> TimesRead:
    utc = text.str.to_datetime(ISO_WITH_OFFSET, time_unit="us", strict=False)
    naive = pl.Series("naive", [None], dtype=NAIVE).new_from_index(0, len(text))
    if utc.null_count() == text.null_count():
        return TimesRead(utc, naive)
    left = utc.is_null() & text.is_not_null()
    rest = text.filter(left)
    for pattern, put in _TO_ISO:
        rest = rest.str.replace(pattern, put)
    rest_utc = rest.str.to_datetime(ISO_WITH_OFFSET, time_unit="us", strict=False)
    rest_naive = pl.Series([None], dtype=NAIVE).new_from_index(0, len(rest))
    for pattern in ISO_NAIVE:
        if rest_utc.null_count() + rest_naive.null_count() == len(rest):
            break
        found = rest.str.to_datetime(pattern, time_unit="us", strict=False)
        rest_naive = rest_naive.zip_with(rest_naive.is_not_null(), found)
    rows = left.arg_true()
    return TimesRead(utc.scatter(rows, rest_utc), naive.scatter(rows, rest_naive))


def _read_format(text: pl.Series, format: str) -> TimesRead:
    if ",%f" in format:
        text = text.str.replace(r"(:\d\d),(\d)", "$1.$2")
    found = parse_by(text, chrono_pattern(format))
    none_naive = pl.Series([None], dtype=NAIVE).new_from_index(0, len(text))
    if found.dtype == UTC:
        return TimesRead(found, none_naive)
    return TimesRead(none_naive.cast(UTC), found)
