"""The time fields of a chunk: clock times through the zone, ends from durations, tool changes at their beginning.

What zones and doubled times come to is `localtime.py` and `doubled.py`; ranges of cycles are checked elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC as UTC_ZONE
from datetime import datetime
from typing import Final

import polars as pl

from pipeline.read.chunk import UTC, Chunk, expected_time, label_of, machine_text, numbers_of, source_text
from pipeline.read.localtime import Resolved, resolve
from pipeline.read.plan import own_name, sources
from pipeline.read.rawtable import ROW
from pipeline.read.state_ends import ends_states, fill_ends, state_lengths_us
from pipeline.read.times import TimesRead, on_the_day_of, read_times
from schemas.columns import columns
from schemas.time_format import is_time_of_day

EARLIEST_YEAR: Final = 1990  # before the first of these controls; a date before is a format read wrongly
LATEST_YEAR: Final = 2100
_EARLIEST_US: Final = int(datetime(EARLIEST_YEAR, 1, 1, tzinfo=UTC_ZONE).timestamp()) * 1_000_000
_LATEST_US: Final = int(datetime(LATEST_YEAR, 1, 1, tzinfo=UTC_ZONE).timestamp()) * 1_000_000
MOST_ELAPSED_US: Final = 1e16  # three centuries: farther off than any year that is taken, and an instant can hold it


def _time_text(chunk: Chunk, name: str, *, must_be: bool = True) -> tuple[pl.Series, TimesRead] | None:
    """Return the text of a time field and what it says; text that says no time is a problem where it `must_be` one."""
    rule = chunk.plan.columns.get(name)
    if rule is None:
        return None
    text = source_text(chunk, name, rule)
    if rule.since is not None:
        elapsed_us = (numbers_of(chunk, name, rule, text, whole=False) * 1e6).round(0)
        first_us = round(rule.since.timestamp() * 1e6)
        utc = (elapsed_us.clip(-MOST_ELAPSED_US, MOST_ELAPSED_US).cast(pl.Int64) + first_us).cast(UTC)
        return text, TimesRead(utc, pl.Series(name, [None] * len(text), dtype=pl.Datetime("us")))
    read = read_times(text, rule.format)
    if not must_be:
        return text, read
    unread = read.unread & text.is_not_null()
    message = f'"{{value}}" in {label_of(chunk.plan, name)} is not a time. {expected_time(rule, "2026-03-14 07:30:00")}'
    chunk.problems.add(unread, own_name(chunk.plan, name), text, "not_a_time", message)
    return text, read


def _zone_of(chunk: Chunk, name: str) -> str:
    """Return the zone of a time field without offsets; an end of a state has that of its start."""
    rules = [chunk.plan.columns.get(each) for each in (name, *(("occurred_at",) if name == "ended_at" else ()))]
    return "UTC" if any(rule is not None and rule.utc for rule in rules) else chunk.context.zone


def map_times(chunk: Chunk) -> None:
    """Fill the time fields: clock times through the zone, an end from start and duration."""
    is_cycle = chunk.plan.kind == "cycle"
    start_name = "started_at" if is_cycle else "occurred_at"
    if start_name not in columns(chunk.plan.kind):
        return
    if (start := _time_text(chunk, start_name)) is None:
        _map_ends_alone(chunk)
        return
    has_ends = is_cycle or ends_states(chunk.plan)
    end = _time_text(chunk, "ended_at", must_be=is_cycle) if has_ends else None
    if end and is_time_of_day(chunk.plan.columns["ended_at"].format):
        end = end[0], replace(end[1], naive=on_the_day_of(_clock(chunk, start_name, start[1]), end[1].naive))
    if end and _share_a_date(chunk, start_name):
        end = end[0], replace(end[1], naive=_on_the_next_day(start[1].naive, end[1].naive))
    length = (_duration_us if is_cycle else state_lengths_us)(chunk) if has_ends else None
    began = resolve(start[1].naive, _zone_of(chunk, start_name))
    started = start[1].utc.zip_with(start[1].utc.is_not_null(), began.at)
    _add_skipped(chunk, start_name, start[0], began.skipped)
    if has_ends:
        chunk.typed["ended_at"] = ended = _ends(chunk, started, began, end, length)
        if not is_cycle:
            fill_ends(chunk, started, ended, end[0].is_null() if end else started.is_not_null())
    else:
        chunk.times = doubled_times(chunk.cells[ROW], began.later_us)
    started = _at_beginning(chunk, started)
    _add_out_of_range(chunk, start_name, started, start[0])
    if is_cycle:
        ended = chunk.typed["ended_at"]
        follows = ended.set(_strange(started).fill_null(False), None)  # told at the start already
        _add_out_of_range(chunk, "ended_at", follows, end[0] if end else None)
    chunk.typed[start_name] = started


def _clock(chunk: Chunk, name: str, read: TimesRead) -> pl.Series:
    """Return what the shop's clocks show at times, those with an offset included."""
    local = read.utc.dt.convert_time_zone(_zone_of(chunk, name)).dt.replace_time_zone(None)
    return read.naive.zip_with(read.naive.is_not_null(), local)


def _share_a_date(chunk: Chunk, start_name: str) -> bool:
    """Return whether the date of a start is that of the end too, each with a time of day of its own."""
    start, end = (sources(chunk.plan.columns[name]) for name in (start_name, "ended_at"))
    return len(start) > 1 and len(end) > 1 and bool(set(start) & set(end))


def _on_the_next_day(start: pl.Series, end: pl.Series) -> pl.Series:
    """Return clock times of ends, those that would be before the start of their day's cycle a day later."""
    return end.zip_with(~(end < start).fill_null(False), end.dt.offset_by("1d"))


def _map_ends_alone(chunk: Chunk) -> None:
    """Fill the times of cycles of which only the end and the duration are known."""
    if chunk.plan.kind != "cycle" or (end := _time_text(chunk, "ended_at")) is None:
        return
    length = _duration_us(chunk)
    if length is None:
        return
    finished = resolve(end[1].naive, _zone_of(chunk, "ended_at"))
    ended = end[1].utc.zip_with(end[1].utc.is_not_null(), finished.at)
    _add_skipped(chunk, "ended_at", end[0], finished.skipped)
    if (times := doubled_times(chunk.cells[ROW], finished.later_us)) is not None:
        chunk.times = times.with_columns(end_later_us="start_later_us", end_follows=pl.lit(True))
    _add_out_of_range(chunk, "ended_at", ended, end[0])
    chunk.typed["ended_at"] = ended
    chunk.typed["started_at"] = (ended.dt.timestamp("us") - length).cast(UTC)


def doubled_times(rows: pl.Series, later_us: pl.Series) -> pl.DataFrame | None:
    """Return what is to be decided about rows with one time each (as `TableRead.times`), None where nothing is."""
    doubled = later_us > 0
    if not doubled.any():
        return None
    times = pl.DataFrame([rows.alias("row_number"), later_us.alias("start_later_us")]).filter(doubled)
    return times.select(
        pl.col("row_number").cast(pl.Int64),
        "start_later_us",
        end_later_us=pl.lit(0, dtype=pl.Int64),
        end_follows=pl.lit(False),
        length_us=pl.lit(None, dtype=pl.Int64),
    )


def _ends(
    chunk: Chunk,
    started: pl.Series,
    began: Resolved,
    end: tuple[pl.Series, TimesRead] | None,
    length: pl.Series | None,
) -> pl.Series:
    """Return ends of cycles or states, by column or duration, and keep what times of a row tell of one another."""
    ended, later, follows = chunk.empty(UTC), pl.repeat(0, chunk.height, dtype=pl.Int64, eager=True), None
    if end:
        finished = resolve(end[1].naive, _zone_of(chunk, "ended_at"))
        ended, later = end[1].utc.zip_with(end[1].utc.is_not_null(), finished.at), finished.later_us
        _add_skipped(chunk, "ended_at", end[0], finished.skipped)
    if length is not None:
        follows = end[0].is_null() if end else started.is_not_null()
        ended = ended.zip_with(~follows, (started.dt.timestamp("us") + length).cast(UTC))
        later = later.zip_with(~follows, began.later_us)
    told = (began.later_us > 0) | (later > 0)
    if length is not None and end:
        told |= length.is_not_null()
    if told.any():
        times = {
            "row_number": chunk.cells[ROW].cast(pl.Int64),
            "start_later_us": began.later_us,
            "end_later_us": later,
            "end_follows": pl.repeat(False, chunk.height, eager=True) if follows is None else follows,
            "length_us": chunk.empty(pl.Int64()) if length is None or not end else length,
        }
        chunk.times = pl.DataFrame(times).filter(told)
    return ended


def _duration_us(chunk: Chunk) -> pl.Series | None:
    rule = chunk.plan.columns.get("duration_s")
    if rule is None:
        return None
    seconds = numbers_of(chunk, "duration_s", rule, source_text(chunk, "duration_s", rule), whole=False)
    too_long = seconds.abs() > 1e9  # past any cycle, and near what an instant can hold
    label = label_of(chunk.plan, "duration_s")
    unit = "its unit in the profile" if chunk.plan.profile else "give its unit in a profile: these are seconds"
    message = f'"{{value}}" in {label} is too long for a cycle. Correct the cell, or {unit}.'
    chunk.problems.add(too_long, own_name(chunk.plan, "duration_s"), seconds.cast(pl.String), "out_of_range", message)
    return (seconds.set(too_long.fill_null(False), None) * 1e6).round(0).cast(pl.Int64)


def _add_skipped(chunk: Chunk, name: str, text: pl.Series, skipped: pl.Series) -> None:
    zone = chunk.context.zone
    message = (
        f'"{{value}}" in {label_of(chunk.plan, name)} was on no clock in {zone}: they were put forward over it. '
        "Correct the time, or give the zone of the export as timezone under [[source]] in shop.toml."
    )
    chunk.problems.add(skipped, own_name(chunk.plan, name), text, "skipped_by_clock", message)


def _strange(at: pl.Series) -> pl.Series:
    return ~at.dt.year().is_between(EARLIEST_YEAR, LATEST_YEAR - 1)


def _is_usual(at: pl.Series) -> bool:
    """Return whether the earliest and the latest lie in the years that are taken, which is seen at once."""
    ends = [at.to_physical().min(), at.to_physical().max()]
    return all(end is None or _EARLIEST_US <= end < _LATEST_US for end in ends)  # type: ignore[operator]


def _add_out_of_range(chunk: Chunk, name: str, at: pl.Series, text: pl.Series | None) -> None:
    if _is_usual(at):
        return
    bad = _strange(at)
    column = own_name(chunk.plan, name if name in chunk.plan.columns else "duration_s")
    where = (
        label_of(chunk.plan, name) if name in chunk.plan.columns else f"the end by {label_of(chunk.plan, 'duration_s')}"
    )
    value = text if text is not None else at.dt.strftime("%Y-%m-%d")
    message = (
        f'"{{value}}" in {where} lies outside the years {EARLIEST_YEAR} to {LATEST_YEAR}. '
        f"Correct the date, or {'its format in the profile' if chunk.plan.profile else 'give its format in a profile'}."
    )
    chunk.problems.add(bad, column, value, "out_of_range", message)


def _at_beginning(chunk: Chunk, at: pl.Series) -> pl.Series:
    """Return tool changes at their beginning where the profile says that the log stamps the end."""
    profile = chunk.plan.profile
    if chunk.plan.kind != "tool_change" or profile is None or profile.change_is_stamped_at == "start":
        return at
    machine = machine_text(chunk)
    lengths = {name: round(seconds * 1e6) for name, seconds in chunk.context.tool_change_s.items()}
    length = (
        machine.replace_strict(lengths, default=None, return_dtype=pl.Int64) if lengths else chunk.empty(pl.Int64())
    )
    if unknown := machine.filter(length.is_null()).drop_nulls().unique().sort().to_list():
        chunk.notes.append(
            f"tool changes of {', '.join(unknown)} are stamped at their end and kept there: "
            "set tool_change_s of the machine in shop.toml"
        )
    return (at.dt.timestamp("us") - length.fill_null(0)).cast(UTC)
