"""Planned time, overtime, closed days and local days worked out minute by minute, to hold the calendar's SQL against.

Slow on purpose: the clock on the wall is read at every minute of a stretch of days. No SQL, no frames; minutes are
whole minutes since 1970 in UTC.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache, lru_cache
from itertools import accumulate, pairwise
from zoneinfo import ZoneInfo

from schemas.shop import DAYS, ShopFile, WorkingHours

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - the wall's own count of minutes
MINUTE_US = 60_000_000
IN_CYCLE = ("cutting", "noncutting")


@dataclass(frozen=True)
class Stretch:
    """One machine's time in one state, in microseconds since 1970."""

    started_us: int
    ended_us: int
    state: str
    planned: bool
    basis: str


@lru_cache(maxsize=32)
def furthest_walls(zone: str, first: date, days: int) -> tuple[int, list[int]]:
    """Return a first UTC minute, and what the clock on the wall had reached at most at it and every later one."""
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    minutes = (start + timedelta(minutes=number) for number in range(days * 1440))
    walls = (minute.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for minute in minutes)
    reached = accumulate(((wall - EPOCH) // timedelta(minutes=1) for wall in walls), max)
    return int(start.timestamp()) // 60, list(reached)


class Calendar:
    """A shop's calendar on local days `first` to `last`."""

    def __init__(self, shop: ShopFile, first: date, last: date) -> None:
        self.shop, self.first, self.last = shop, first, last
        self._start, self._walls = furthest_walls(
            shop.shop.timezone, first - timedelta(days=3), (last - first).days + 7
        )

    def minute(self, day: date, minutes: int) -> int:
        """The first UTC minute at which the wall shows so many minutes after a day's midnight, or more."""
        wall = (datetime(day.year, day.month, day.day) - EPOCH) // timedelta(minutes=1) + minutes  # noqa: DTZ001
        return self._start + bisect_left(self._walls, wall)

    def days(self, first: date, last: date) -> list[date]:
        return [first + timedelta(days=number) for number in range((last - first).days + 1)]

    def day_of(self, minute: int) -> date:
        return (EPOCH + timedelta(minutes=self._walls[minute - self._start])).date()

    def is_closed(self, machine: str, day: date) -> bool:
        """A day that somebody closed and nobody opened again."""

        def says(rows: Iterable[object]) -> bool:
            return any(row.from_ <= day <= row.to and ({"*", machine} & set(row.machines)) for row in rows)

        return says(self.shop.closed) and not says(self.shop.open)

    def worked(self, rule: WorkingHours, day: date) -> set[int]:
        """The minutes of a rule's hours of one day."""
        begin = rule.start.hour * 60 + rule.start.minute
        length = (rule.end.hour * 60 + rule.end.minute - begin) % 1440 or 1440
        off: set[int] = set()
        for stretch in rule.breaks:
            first, last = (int(clock[:2]) * 60 + int(clock[3:]) for clock in stretch.split("-"))
            into = (first - begin) % 1440
            off |= set(range(into, into + ((last - first) % 1440 or 1440)))
        pieces = stretches_of(minute for minute in range(length) if minute not in off)
        return {
            minute
            for first, last in pieces
            for minute in range(self.minute(day, begin + first), self.minute(day, begin + last))
        }

    @cache  # noqa: B019 - a calendar lives as long as one example
    def planned(self, machine: str) -> frozenset[int]:
        """Minutes in a shift."""
        return frozenset(
            minute
            for rule in self.shop.shift
            for day in self.days(self.first - timedelta(days=1), self.last)
            if self._holds(rule, machine, day) and not self.is_closed(machine, day)
            for minute in self.worked(rule, day)
        )

    @cache  # noqa: B019
    def overtime(self, machine: str) -> frozenset[int]:
        """Minutes beyond the shifts in which people work: on closed days only where the dates themselves are given."""
        told = frozenset(
            minute
            for rule in self.shop.overtime
            for day in self.days(self.first - timedelta(days=1), self.last)
            if self._holds(rule, machine, day) and (rule.is_dated or not self.is_closed(machine, day))
            for minute in self.worked(rule, day)
        )
        return told - self.planned(machine)

    def _holds(self, rule: WorkingHours, machine: str, day: date) -> bool:
        return (
            bool({"*", machine} & set(rule.machines))
            and DAYS[day.weekday()] in rule.days
            and (rule.from_ is None or rule.from_ <= day)
            and (rule.to is None or day <= rule.to)
        )

    def day_states(self, machine: str, stretches: Iterable[Stretch]) -> dict[tuple[object, ...], int]:
        """Microseconds by day, state, planned, overtime and basis."""
        overtime = self.overtime(machine)
        found: dict[tuple[object, ...], int] = defaultdict(int)
        for one in stretches:
            inner = range(one.started_us // MINUTE_US + 1, -(-one.ended_us // MINUTE_US))
            cuts = [one.started_us, *(minute * MINUTE_US for minute in inner), one.ended_us]
            for begin, end in pairwise(cuts):
                minute = begin // MINUTE_US
                extra = minute in overtime and not one.planned
                found[(self.day_of(minute), one.state, one.planned, extra, one.basis)] += end - begin
        return dict(found)

    def planned_days(self, machine: str) -> dict[date, int]:
        """Microseconds of planned time on each local day."""
        minutes = sorted(self.planned(machine))
        found = {}
        for day in self.days(self.first, self.last):
            begin, end = self.minute(day, 0), self.minute(day + timedelta(days=1), 0)
            found[day] = (bisect_left(minutes, end) - bisect_left(minutes, begin)) * MINUTE_US
        return found

    def length(self, day: date) -> int:
        """Microseconds of a local day."""
        return (self.minute(day + timedelta(days=1), 0) - self.minute(day, 0)) * MINUTE_US


def stretches_of(minutes: Iterable[int]) -> list[tuple[int, int]]:
    """Minutes as stretches of neighbours: first, and the one after the last."""
    found: list[tuple[int, int]] = []
    for minute in sorted(minutes):
        if found and found[-1][1] == minute:
            found[-1] = (found[-1][0], minute + 1)
        else:
            found.append((minute, minute + 1))
    return found


def stretches_us(minutes: Iterable[int]) -> list[tuple[int, int]]:
    """The same in microseconds."""
    return [(first * MINUTE_US, last * MINUTE_US) for first, last in stretches_of(minutes)]
