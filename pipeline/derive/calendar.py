"""Turns the calendar rules of shop.toml into dated stretches and days in UTC, daylight-saving days included.

Pure functions of rules and dates; which machine exists and what overlaps is settled in SQL (core.shift, core.overtime,
core.closed_day).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, time, timedelta

import polars as pl

from schemas.shop import DAYS, ClosedSettings, OpenSettings, ShiftSettings, WorkingHours

CALENDAR_SCHEMA: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "shift_on": pl.Date(),
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
}

ROUND_THE_CLOCK = ShiftSettings(days=list(DAYS), start=time(0), end=time(0))
"""What is assumed where the shop states no shifts."""


def working_minutes(rule: WorkingHours) -> list[tuple[int, int]]:
    """Return the worked stretches as minutes of wall-clock time after midnight of their day, breaks taken out."""
    pieces = [rule.from_start_to_end]
    for first, last in rule.break_minutes:
        pieces = [
            kept
            for begin, finish in pieces
            for kept in ((begin, min(finish, first)), (max(begin, last), finish))
            if kept[1] > kept[0]
        ]
    return pieces


def to_utc(local: pl.Expr, zone: str) -> pl.Expr:
    """Return naive wall-clock times as UTC: a doubled time is its first reading, a skipped one the jump itself."""
    # Clocks jump to a quarter of an hour (IANA tz database; Chatham to 3:45): the first that exists ends the gap.
    quarter = local.dt.truncate("15m")
    readings = [local, *(quarter + timedelta(minutes=15 * number) for number in range(1, 13))]
    return pl.coalesce(
        reading.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null") for reading in readings
    ).dt.convert_time_zone("UTC")


def working_calendar(rules: Iterable[WorkingHours], first: date, last: date, zone: str) -> pl.DataFrame:
    """Return every working stretch of the rules that starts on a day from `first` to `last`.

    Rows: machine (an id, or "*" for all), shift_on (the local day on which the stretch belongs), started_at, ended_at.
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


def local_days(first: date, last: date, zone: str) -> pl.DataFrame:
    """Return every local day with the instants at which it begins and ends, and the month and ISO week that it is in.

    A day runs from the first instant at which the clock shows its midnight to the first instant of the next; where a
    spring change skips midnight it begins with the jump.
    """
    days = pl.DataFrame(pl.date_range(first, last + timedelta(days=1), "1d", eager=True).alias("day"))
    midnight = to_utc(pl.col("day").cast(pl.Datetime("us")), zone)
    # A date that a zone left out altogether (Samoa, 30 December 2011) has no length.
    return (
        days.with_columns(midnight.alias("started_at").fill_null(strategy="backward"))
        .with_columns(pl.col("started_at").shift(-1).alias("ended_at"))
        .filter(pl.col("ended_at") > pl.col("started_at"))
        .select(
            "day",
            pl.col("day").dt.strftime("%Y-%m").alias("month"),
            pl.col("day").dt.strftime("%G-W%V").alias("week"),
            "started_at",
            "ended_at",
        )
    )


def public_holidays(code: str, first: date, last: date) -> pl.DataFrame:
    """Return the public holidays of a country or its part, as closed days for all machines."""
    import holidays

    country, _, part = code.partition("-")
    years = range(first.year, last.year + 1)
    # Without a language the library would ask the computer for one, and two computers might name a day differently.
    own = holidays.country_holidays(country)
    language = "en_US" if "en_US" in own.supported_languages else own.default_language
    found = holidays.country_holidays(country, subdiv=part or None, years=years, language=language)
    rows = [("*", day, name) for day, name in sorted(found.items()) if first <= day <= last]
    return pl.DataFrame(rows, schema=CLOSED_SCHEMA, orient="row")


CLOSED_SCHEMA: dict[str, pl.DataType] = {"machine": pl.String(), "closed_on": pl.Date(), "name": pl.String()}
OPEN_SCHEMA: dict[str, pl.DataType] = {"machine": pl.String(), "open_on": pl.Date()}


def closed_days(rules: Iterable[ClosedSettings]) -> pl.DataFrame:
    """Return every day that the shop closed: machine (an id, or "*" for all), closed_on and what the day is called."""
    rows = [(machine, day, rule.name) for rule in rules for machine in rule.machines for day in _dates(rule)]
    return pl.DataFrame(rows, schema=CLOSED_SCHEMA, orient="row")


def open_days(rules: Iterable[OpenSettings]) -> pl.DataFrame:
    """Return every day on which the shop works all the same: machine (an id, or "*" for all) and open_on."""
    rows = [(machine, day) for rule in rules for machine in rule.machines for day in _dates(rule)]
    return pl.DataFrame(rows, schema=OPEN_SCHEMA, orient="row")


def _dates(rule: ClosedSettings | OpenSettings) -> list[date]:
    return [rule.from_ + timedelta(days=number) for number in range((rule.to - rule.from_).days + 1)]
