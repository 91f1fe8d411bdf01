"""When the rows of a log of states say that their states end: by a time of their own, or by how long they lasted.

An end is a field of its row, whatever other rows the file holds: whether another state follows, which any file may
tell, is asked of the book (`derive/sql/core/state_end.sql`).
"""

from __future__ import annotations

import re
from typing import Final

import polars as pl

from pipeline.read.chunk import Chunk
from pipeline.read.durations import read_durations
from pipeline.read.numbers import read_numbers
from pipeline.read.plan import TablePlan, own_name, text_of
from schemas.columns import MAX_SECONDS
from schemas.profile import CELL_UNITS, STATE_ENDS, UNITS

FOLLOWS_US: Final = 2_000_000
"""A state and the next may be this far apart and still follow one another: clocks are read to the second."""
_SECOND_US: Final = 1_000_000
_SHOWN_WORDS: Final = 3


def ends_states(plan: TablePlan) -> bool:
    """Return whether rows are states that end."""
    return plan.kind == "event" and not plan.columns.keys().isdisjoint(STATE_ENDS) and "occurred_at" in plan.columns


def state_lengths_us(chunk: Chunk) -> pl.Series | None:
    """Return how long states last, in whole microseconds; null where no cell says it, None without such a column."""
    rule = chunk.plan.columns.get("duration_s")
    if rule is None:
        return None
    text, unit = text_of(chunk.cells, rule), rule.unit or "s"
    if unit in CELL_UNITS:
        seconds = read_durations(text, unit, chunk.plan.decimal, chunk.plan.thousands)
    else:
        seconds = read_numbers(text, chunk.plan.decimal, chunk.plan.thousands, unit) * UNITS[unit][1]
    return (seconds.set((seconds.abs() > MAX_SECONDS).fill_null(False), None) * 1e6).round(0).cast(pl.Int64)


def rounding_us(text: pl.Series, unit: str, decimal: str) -> float:
    """Return by how much lengths of a column may be off that are written to some digits of a unit: 12.3 min by 3 s."""
    return float(_roundings_us(text, unit, decimal).min() or 0.0)  # type: ignore[arg-type]


def _roundings_us(text: pl.Series, unit: str, decimal: str) -> pl.Series:
    """Return by how much each length may be off, in microseconds; 0 for units that are written out, as h:mm:ss."""
    if unit in CELL_UNITS:
        return pl.repeat(0.0, len(text), eager=True)
    digits = text.str.extract(rf"{re.escape(decimal)}(\d+)\s*$").str.len_chars().fill_null(0).cast(pl.Float64)
    return 0.5 * UNITS[unit][1] * 1e6 / pl.Series([10.0]).new_from_index(0, len(text)).pow(digits)


def fill_ends(chunk: Chunk, started: pl.Series, ended: pl.Series, by_length: pl.Series) -> None:
    """Fill ends of states, and by how much those may be off that a rounded length gives (`by_length`).

    Where a state begins on a second, such a length ends it on one. An end that cannot be read, or is a year off (some
    systems write 9999 for a state that goes on), is none; the others are told.
    """
    within = chunk.empty(pl.Float64())
    over = ended.dt.timestamp("us")
    over = over.set(((over - started.dt.timestamp("us")).abs() > MAX_SECONDS * 1e6).fill_null(False), None)
    if (rule := chunk.plan.columns.get("duration_s")) is not None:
        rounded = _roundings_us(text_of(chunk.cells, rule), rule.unit or "s", chunk.plan.decimal)
        is_rounded = by_length & (rounded > 0) & over.is_not_null()
        whole = (over / _SECOND_US).round(0).cast(pl.Int64) * _SECOND_US
        on_a_second = is_rounded & (started.dt.timestamp("us") % _SECOND_US == 0) & ((whole - over).abs() <= rounded)
        over = whole.zip_with(on_a_second.fill_null(False), over)
        within = (rounded / 1e6).set(~is_rounded.fill_null(False), None)
    chunk.typed |= {"ended_at": over.cast(ended.dtype), "end_within_s": within}
    given = [text_of(chunk.cells, rule) for name in STATE_ENDS if (rule := chunk.plan.columns.get(name)) is not None]
    said = given[0] if len(given) == 1 else given[0].zip_with(given[0].is_not_null(), given[1])
    if unread := said.filter(over.is_null() & started.is_not_null()).drop_nulls().unique().sort().to_list():
        words = ", ".join(f'"{word}"' for word in unread[:_SHOWN_WORDS]) + " ..." * (len(unread) > _SHOWN_WORDS)
        names = " or ".join(f'"{own_name(chunk.plan, name)}"' for name in STATE_ENDS if name in chunk.plan.columns)
        chunk.notes.append(f"{words} in column {names} says no end: such a state stands until the next one begins")
