"""The calendar of the demo shop: working windows, months and single instants as milliseconds UTC.
It reads only shop.toml's shift and closed tables and shares no code with the calendar of the pipeline.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MILLISECOND = timedelta(milliseconds=1)

IntArray = npt.NDArray[np.int64]


def to_ms(moment: datetime) -> int:
    """Turn an aware datetime into milliseconds since 1970 UTC."""
    return (moment.astimezone(UTC) - EPOCH) // MILLISECOND


def to_utc(ms: int) -> datetime:
    """Turn milliseconds since 1970 into an aware datetime in UTC."""
    return EPOCH + ms * MILLISECOND


def local_ms(day: date, clock: time, zone: ZoneInfo) -> int:
    """Give the instant of a local wall-clock time."""
    return to_ms(datetime.combine(day, clock, tzinfo=zone))


@dataclass(frozen=True)
class Windows:
    """Disjoint, sorted stretches of planned time of one machine, in ms."""

    starts: list[int]
    ends: list[int]

    def next_open(self, at: int) -> int:
        """Give the first planned instant at or after `at`."""
        i = bisect_right(self.starts, at) - 1
        if i >= 0 and at < self.ends[i]:
            return at
        return self.starts[i + 1]

    def after_work(self, at: int, work_ms: int) -> int:
        """Give the instant when `work_ms` of planned time have passed since `at`."""
        at = self.next_open(at)
        i = bisect_right(self.starts, at) - 1
        while at + work_ms > self.ends[i]:
            work_ms -= self.ends[i] - at
            i += 1
            at = self.starts[i]
        return at + work_ms

    def planned_within(self, starts: IntArray, ends: IntArray) -> IntArray:
        """Give the planned milliseconds inside each stretch [start, end)."""
        return self._planned_before(ends) - self._planned_before(starts)

    def _planned_before(self, at: IntArray) -> IntArray:
        opens = np.asarray(self.starts, dtype=np.int64)
        closes = np.asarray(self.ends, dtype=np.int64)
        whole = np.concatenate(([0], np.cumsum(closes - opens)))
        i = np.searchsorted(opens, at, side="right") - 1
        inside = np.where(i >= 0, np.minimum(at, closes[i]) - opens[i], 0)
        return whole[np.maximum(i, 0)] + inside


def planned_windows(shop: dict[str, Any], machine: str, first: date, last: date) -> Windows:
    """List the planned time of a machine over the local days `first` to `last`, breaks taken out.

    A shift and its breaks belong to the day on which the shift starts; a closed day closes the shifts that start on it.
    """
    zone = ZoneInfo(shop["shop"]["timezone"])
    pieces: list[tuple[int, int]] = []
    for offset in range((last - first).days + 1):
        day = first + timedelta(days=offset)
        if any(closed["from"] <= day <= closed["to"] for closed in shop["closed"]):
            continue
        for shift in shop["shift"]:
            serves = "*" in shift["machines"] or machine in shift["machines"]
            if serves and DAY_NAMES[day.weekday()] in shift["days"]:
                pieces.extend(_shift_pieces(shift, day, zone))
    pieces.sort()
    merged: list[tuple[int, int]] = []
    for start, end in pieces:
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return Windows([start for start, _ in merged], [end for _, end in merged])


def _shift_pieces(shift: dict[str, Any], day: date, zone: ZoneInfo) -> list[tuple[int, int]]:
    begin = time.fromisoformat(shift["start"])
    finish = time.fromisoformat(shift["end"])

    def instant(clock: time) -> int:
        late = clock < begin or (clock == finish and finish <= begin)
        return local_ms(day + timedelta(days=int(late)), clock, zone)

    edges = [instant(begin)]
    for pause in shift.get("breaks", []):
        edges.extend(instant(time.fromisoformat(clock)) for clock in pause.split("-"))
    edges.append(instant(finish))
    return list(zip(edges[::2], edges[1::2], strict=True))


def month_bounds(first: date, last: date, zone: ZoneInfo) -> list[tuple[str, int, int]]:
    """List the local months that touch the period: name ('2026-03'), start and end in ms."""
    months = []
    year, month = first.year, first.month
    while (year, month) <= (last.year, last.month):
        following = (year + month // 12, month % 12 + 1)
        start = local_ms(date(year, month, 1), time(0), zone)
        end = local_ms(date(*following, 1), time(0), zone)
        months.append((f"{year:04d}-{month:02d}", start, end))
        year, month = following
    return months
