"""Turns the shift rules of shop.toml into dated stretches of planned time in UTC, daylight-saving days included.

A pure function of rules and dates; which machine exists and which shifts overlap is settled in SQL (core.shift).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, time, timedelta

import polars as pl

from schemas.shop import DAYS, ClosedSettings, ShiftSettings, break_times

CALENDAR_SCHEMA: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "shift_on": pl.Date(),
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
}

ROUND_THE_CLOCK = ShiftSettings(days=list(DAYS), start=time(0), end=time(0))
"""What is assumed where the shop states no shifts."""


def _minutes(clock: time) -> int:
    return clock.hour * 60 + clock.minute


def working_minutes(rule: ShiftSettings) -> list[tuple[int, int]]:
    """Return a shift's working stretches as minutes of wall-clock time after midnight of its day, breaks taken out."""
    start = _minutes(rule.start)
    end = _minutes(rule.end)
    end += 24 * 60 if end <= start else 0
    pieces = [(start, end)]
    for stretch in rule.breaks:
        first, last = (_minutes(clock) for clock in break_times(stretch))
        first += 24 * 60 if first < start else 0
        last += 24 * 60 if last <= first else 0
        pieces = [
            kept
            for begin, finish in pieces
            for kept in ((begin, min(finish, first)), (max(begin, last), finish))
            if kept[1] > kept[0]
        ]
    return pieces


def to_utc(local: pl.Expr, zone: str) -> pl.Expr:
    """Return naive wall-clock times as UTC: a doubled time is its first reading, a skipped one the jump itself."""
    # Clocks jump to a full or half hour (IANA tz database): the first of these that exists is the end of the gap.
    half_hour = local.dt.truncate("30m")
    readings = [local, *(half_hour + timedelta(minutes=30 * number) for number in range(1, 7))]
    return pl.coalesce(
        reading.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null") for reading in readings
    ).dt.convert_time_zone("UTC")


def shift_calendar(rules: Iterable[ShiftSettings], first: date, last: date, zone: str) -> pl.DataFrame:
    """Return every working stretch of the rules that starts on a day from `first` to `last`.

    Rows: machine (an id, or "*" for all), shift_on (the local day on which the shift starts), started_at, ended_at.
    A night shift over a spring change is an hour shorter, over an autumn change an hour longer.
    """
    days = pl.date_range(first, last, "1d", eager=True).alias("shift_on")
    frames = [pl.DataFrame(schema=CALENDAR_SCHEMA)]
    for rule in rules:
        wanted = [DAYS.index(day) + 1 for day in rule.days]
        dates = pl.DataFrame(days).filter(
            pl.col("shift_on").dt.weekday().is_in(wanted),
            pl.col("shift_on") >= (rule.from_ or first),
            pl.col("shift_on") <= (rule.to or last),
        )
        midnight = pl.col("shift_on").cast(pl.Datetime("us"))
        for begin, finish in working_minutes(rule):
            stretch = dates.with_columns(
                to_utc(midnight + timedelta(minutes=begin), zone).alias("started_at"),
                to_utc(midnight + timedelta(minutes=finish), zone).alias("ended_at"),
            ).filter(pl.col("ended_at") > pl.col("started_at"))
            frames += [
                stretch.select(pl.lit(name).alias("machine"), *list(CALENDAR_SCHEMA)[1:]) for name in rule.machines
            ]
    return pl.concat(frames)


def closed_days(rules: Iterable[ClosedSettings]) -> pl.DataFrame:
    """Return every closed day: machine (an id, or "*" for all) and closed_on."""
    rows = [
        {"machine": machine, "closed_on": rule.from_ + timedelta(days=number)}
        for rule in rules
        for machine in rule.machines
        for number in range((rule.to - rule.from_).days + 1)
    ]
    return pl.DataFrame(rows, schema={"machine": pl.String(), "closed_on": pl.Date()})
