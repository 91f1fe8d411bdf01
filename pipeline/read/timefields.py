"""The time fields of a chunk: clock times through the zone, ends from durations, tool changes at their beginning.

Reading text and resolving clock changes are `times.py` and `localtime.py`; ranges of cycles are checked elsewhere.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.read.chunk import UTC, Chunk, expected_time, label_of, machine_text, numbers_of, source_text
from pipeline.read.localtime import resolve
from pipeline.read.plan import own_name
from pipeline.read.times import TimesRead, read_times
from schemas.inputs import columns

EARLIEST_YEAR: Final = 1990  # before the first of these controls; a date before is a format read wrongly
LATEST_YEAR: Final = 2100
MOST_ELAPSED_US: Final = 1e16  # three centuries: farther off than any year that is taken, and an instant can hold it


def _time_text(chunk: Chunk, name: str) -> tuple[pl.Series, TimesRead] | None:
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
    unread = read.utc.is_null() & read.naive.is_null() & text.is_not_null()
    message = f'"{{value}}" in {label_of(chunk.plan, name)} is not a time. {expected_time(rule, "2026-03-14 07:30:00")}'
    chunk.problems.add(unread, own_name(chunk.plan, name), text, "not_a_time", message)
    return text, read


def map_times(chunk: Chunk) -> None:
    """Fill the time fields: clock times through the zone, an end from start and duration."""
    start_name = "started_at" if chunk.plan.kind == "cycle" else "occurred_at"
    if start_name not in columns(chunk.plan.kind) or (start := _time_text(chunk, start_name)) is None:
        return
    end = _time_text(chunk, "ended_at") if chunk.plan.kind == "cycle" else None
    length = _duration_us(chunk) if chunk.plan.kind == "cycle" else None
    machine = machine_text(chunk)
    resolved = resolve(
        start[1].naive,
        chunk.context.zone,
        ends=end[1].naive if end else None,
        length_us=length,
        group=machine,
    )
    started = start[1].utc.zip_with(start[1].utc.is_not_null(), resolved.starts)
    _add_skipped(chunk, start_name, start[0], resolved.start_skipped)
    if ambiguous := int(resolved.ambiguous.sum()):
        chunk.notes.append(ambiguous_note(ambiguous))
    if chunk.plan.kind == "cycle":
        ended = chunk.empty(UTC)
        if end:
            ended = end[1].utc.zip_with(end[1].utc.is_not_null(), resolved.ends)
            _add_skipped(chunk, "ended_at", end[0], resolved.end_skipped)
        if length is not None:
            by_length = (started.dt.timestamp("us") + length).cast(UTC)
            usable = end[0].is_null() if end else started.is_not_null()
            ended = ended.zip_with(~usable, by_length)
        chunk.typed["ended_at"] = ended
    started = _at_beginning(chunk, started, machine)
    _add_out_of_range(chunk, start_name, started, start[0])
    if chunk.plan.kind == "cycle":
        ended = chunk.typed["ended_at"]
        follows = ended.set(_strange(started).fill_null(False), None)  # told at the start already
        _add_out_of_range(chunk, "ended_at", follows, end[0] if end else None)
    chunk.typed[start_name] = started


def ambiguous_note(count: int) -> str:
    """Return the note about doubled autumn times that nothing decides."""
    return (
        f"{count} ambiguous times kept at their first reading"
        if count > 1
        else "1 ambiguous time kept at its first reading"
    )


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


def _add_out_of_range(chunk: Chunk, name: str, at: pl.Series, text: pl.Series | None) -> None:
    bad = _strange(at)
    if not bad.any():
        return
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


def _at_beginning(chunk: Chunk, at: pl.Series, machine: pl.Series) -> pl.Series:
    """Return tool changes at their beginning where the profile says that the log stamps the end."""
    profile = chunk.plan.profile
    if chunk.plan.kind != "tool_change" or profile is None or profile.change_is_stamped_at == "start":
        return at
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
