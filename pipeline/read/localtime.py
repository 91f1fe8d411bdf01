"""Clock times of a zone -> UTC: instants, times that the clock skipped, times that it showed twice; when it went back.

Each time is read by itself; which reading of a doubled time is meant is decided in `doubled.py`. It reads no text.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.read.times import UTC

Micros = NDArray[np.int64]
_FIRST: Final = datetime(1989, 12, 1)  # noqa: DTZ001 - a bound of the years that are taken, in UTC
_LAST: Final = datetime(2101, 1, 2)  # noqa: DTZ001
_LOOK: Final = timedelta(hours=6)  # no zone changes its clock twice in this time
_SECOND_US: Final = 1_000_000


@dataclass(frozen=True)
class Resolved:
    """Instants of some clock times, each series as long as the input."""

    at: pl.Series  # Datetime("us", "UTC"): the first reading of a doubled time; null where there is none
    skipped: pl.Series  # Boolean: the clock never showed this time
    later_us: pl.Series  # Int64: how much later the second reading of a doubled time is; 0 for all others


def resolve(naive: pl.Series, zone: str) -> Resolved:
    """Read naive clock times in `zone`."""
    clock = naive.cast(pl.Datetime("us"))
    frame = clock.alias("clock").to_frame()
    at = frame.select(_in_zone(zone, "null")).to_series()
    if at.null_count() == clock.null_count():
        never = pl.Series([False]).new_from_index(0, len(clock))
        return Resolved(at, never, pl.Series([0], dtype=pl.Int64).new_from_index(0, len(clock)))
    both = frame.select(first=_in_zone(zone, "earliest"), last=_in_zone(zone, "latest"))
    later = (both["last"] - both["first"]).dt.total_microseconds().fill_null(0)
    return Resolved(both["first"], clock.is_not_null() & both["first"].is_null(), later)


def _in_zone(zone: str, reading: str) -> pl.Expr:
    placed = pl.col("clock").dt.replace_time_zone(zone, ambiguous=reading, non_existent="null")  # type: ignore[arg-type]
    return placed.dt.convert_time_zone("UTC")


@lru_cache(maxsize=64)
def set_backs(zone: str) -> tuple[Micros, Micros]:
    """Return when the clocks of a zone go back, in microseconds since 1970, and by how many: what `resolve` reads by.

    From 1990 to 2100, as far as the zone database that comes with polars reaches.
    """
    grid = pl.datetime_range(_FIRST, _LAST, _LOOK, eager=True).to_physical().to_numpy()
    offset = _offsets(grid, zone)
    found = np.flatnonzero(np.diff(offset) < 0)
    low, high, before = grid[found], grid[found + 1], offset[found]
    while len(found) and (high - low).max() > _SECOND_US:  # a change falls on a whole second
        middle = (low + high) // (2 * _SECOND_US) * _SECOND_US
        is_before = _offsets(middle, zone) == before
        low, high = np.where(is_before, middle, low), np.where(is_before, high, middle)
    return high, before - offset[found + 1]


def _offsets(at_us: Micros, zone: str) -> Micros:
    local = pl.Series(at_us).cast(UTC).dt.convert_time_zone(zone)
    return (local.dt.base_utc_offset() + local.dt.dst_offset()).dt.total_microseconds().to_numpy()
