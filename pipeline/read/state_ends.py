"""Rows of a log of states that say when each state ends: where no other begins then, nothing is known from there on.

It adds a row for such an end to the raw table, which says UNAVAILABLE; what rows mean is `mapping.py`'s business.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.durations import read_durations
from pipeline.read.events import UNAVAILABLE
from pipeline.read.numbers import read_numbers
from pipeline.read.plan import TablePlan, sources, text_of
from pipeline.read.rawtable import ROW, RawTable, concat_rejects, concat_skipped
from pipeline.read.times import EPOCH_PER_S, NAIVE, SPREADSHEET_EPOCH, TimesRead, read_times
from schemas.profile import CELL_UNITS, STATE_ENDS, UNITS

FOLLOWS_US: Final = 2_000_000
"""A state and the next may be this far apart and still follow one another: clocks are read to the second."""
_DAY_US: Final = 86_400_000_000
_SECOND_US: Final = 1_000_000
_PLACE: Final = "__after"


def ends_states(plan: TablePlan) -> bool:
    """Return whether rows are states that end."""
    return plan.kind == "event" and not plan.columns.keys().isdisjoint(STATE_ENDS) and "occurred_at" in plan.columns


def knowing_nothing(plan: TablePlan) -> TablePlan:
    """Return a plan that reads the rows that `with_ends` adds: a lookup of values knows their word."""
    value = plan.columns.get("value")
    if value is None or not value.lookup:
        return plan
    told = value.model_copy(update={"lookup": {**value.lookup, UNAVAILABLE: UNAVAILABLE}})
    return replace(plan, columns={**plan.columns, "value": told})


def with_ends(tables: Iterable[RawTable], plan: TablePlan, last: int) -> Iterator[RawTable]:
    """Yield a whole table as one chunk, a row behind each state after whose end nothing begins; numbered from `last`.

    The next state of a machine may stand anywhere in the file, so all of it is taken at once: states are few.
    """
    chunks = list(tables)
    if not chunks:
        return
    whole = RawTable(
        pl.concat([chunk.cells for chunk in chunks]),
        concat_rejects(*(chunk.rejects for chunk in chunks)),
        concat_skipped(*(chunk.skipped for chunk in chunks)),
        tuple(note for chunk in chunks for note in chunk.notes),
    )
    ended = _ended(whole.cells, plan)
    if not ended.height:
        yield whole
        return
    cells = pl.concat([whole.cells.with_columns(pl.lit(0).alias(_PLACE)), ended.with_columns(pl.lit(1).alias(_PLACE))])
    yield _numbered(replace(whole, cells=cells.sort(ROW, _PLACE)), last)


def state_ends_us(
    begun: pl.Series, ended: TimesRead | None, lasting_s: pl.Series | None, *, share_a_date: bool = False
) -> pl.Series:
    """Return when states end, in microseconds as their starts are; null where nothing says it."""
    if ended is None:
        return begun if lasting_s is None else begun + (lasting_s * 1e6).round(0).cast(pl.Int64)
    over = _micros(ended)
    if share_a_date:
        over = over.zip_with(~(over < begun).fill_null(False), over + _DAY_US)
    return over


def rounding_us(text: pl.Series, unit: str, decimal: str) -> float:
    """Return by how much lengths may be off that are written to some digits of a unit: 12.3 min by three seconds."""
    if unit in CELL_UNITS:
        return 0.0
    digits = text.str.extract(rf"{re.escape(decimal)}(\d+)\s*$").str.len_chars().fill_null(0).to_list()
    return float(0.5 * UNITS[unit][1] * 1e6 / 10.0 ** max(digits, default=0))


def without_successor(begun: pl.Series, over: pl.Series, machine: pl.Series, rounded_us: float = 0.0) -> pl.Series:
    """Return which states end with no other state of their machine beginning then, or before."""
    frame = pl.DataFrame({"begun": begun, "over": over, "machine": machine}).with_row_index("at")
    following = frame.sort("machine", "begun").with_columns(
        pl.col("begun").shift(-1).over("machine").alias("next"),
        pl.col("over").cum_max().over("machine").alias("latest"),
    )
    lone = following.with_columns(
        lone=(pl.col("over") > pl.col("begun"))
        & (pl.col("over") == pl.col("latest"))
        & (pl.col("next").is_null() | (pl.col("next") > pl.col("over") + FOLLOWS_US + rounded_us))
    )
    return lone.sort("at")["lone"].fill_null(False)


def _in_whole_seconds(begun: pl.Series, over: pl.Series, rounded_us: float) -> pl.Series:
    """Return ends on the second where starts are, as far as the rounding of lengths allows it."""
    if not (begun % _SECOND_US == 0).all():
        return over
    whole = (over / _SECOND_US).round(0).cast(pl.Int64) * _SECOND_US
    return whole.zip_with(((whole - over).abs() <= rounded_us).fill_null(False), over)


def _joined(texts: list[pl.Series], count: int) -> pl.Series:
    if not texts:
        return pl.repeat("", count, eager=True)
    return pl.select(pl.concat_str(texts, separator="\x1f")).to_series()


def _micros(read: TimesRead) -> pl.Series:
    utc, naive = read.utc.dt.timestamp("us"), read.naive.dt.timestamp("us")
    return utc.zip_with(utc.is_not_null(), naive)


def _ended(cells: pl.DataFrame, plan: TablePlan) -> pl.DataFrame:
    """Return a row for each end after which nothing begins: the state's own row, with the end's time and no state."""
    at, rules = plan.columns["occurred_at"], plan.columns
    if at.since is not None or at.split is not None or at.year is not None:
        return cells.clear()
    began = read_times(text_of(cells, at), at.format)
    begun = _micros(began)
    ended = lasting = None
    rounded = 0.0
    if (rule := rules.get("ended_at")) is not None:
        ended = read_times(text_of(cells, rule), rule.format)
    else:
        rule = rules["duration_s"]
        text, unit = text_of(cells, rule), rule.unit or "s"
        rounded = rounding_us(text, unit, plan.decimal)
        lasting = (
            read_durations(text, unit, plan.decimal, plan.thousands)
            if unit in CELL_UNITS
            else read_numbers(text, plan.decimal, plan.thousands, unit) * UNITS[unit][1]
        )
    shared = len(sources(rule)) > 1 and bool(set(sources(rule)) & set(sources(at)))
    over = state_ends_us(begun, ended, lasting, share_a_date=shared)
    over = _in_whole_seconds(begun, over, rounded)
    whose = [text_of(cells, rules[name]).fill_null("") for name in ("machine", "item") if name in rules]
    lone = without_successor(begun, over, _joined(whose, cells.height), rounded)
    if not lone.any():
        return cells.clear()
    first, *others = sources(at)
    stamps = _written(over, began, at.format).alias(first)
    states = list(dict.fromkeys(plan.again.get(name, name) for name in plan.items)) if plan.wide else []
    states += [] if plan.wide else sources(rules["value"])
    nothing = [pl.lit(UNAVAILABLE).alias(name) for name in states]
    return cells.with_columns(stamps, *(pl.lit(None, dtype=pl.String).alias(name) for name in others), *nothing).filter(
        lone
    )


def _written(over: pl.Series, began: TimesRead, format: str | list[str] | None) -> pl.Series:
    """Return ends in a form that the format of starts reads."""
    if isinstance(format, str) and format in EPOCH_PER_S:
        return (over.cast(pl.Float64) / 1e6 * EPOCH_PER_S[format]).cast(pl.String)
    at = over.cast(NAIVE)
    if isinstance(format, str) and format in SPREADSHEET_EPOCH:
        return (over.cast(pl.Float64) / _DAY_US + SPREADSHEET_EPOCH[format]).cast(pl.String)
    if format is not None and format != "iso":
        first = format if isinstance(format, str) else format[0]
        if first.startswith("%Y-%d"):  # the only form in which the ISO one means another day
            return at.dt.strftime(first)
    text = at.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
    return text.zip_with(began.utc.is_null(), text + "Z")


def _numbered(table: RawTable, last: int) -> RawTable:
    """Return a table whose rows are numbered on from `last` in record order, rejects among them."""
    cells = table.cells.drop(_PLACE)
    records = pl.concat(
        [
            cells.select(pl.col(ROW).alias("record"), kept=pl.lit(True)),
            table.rejects.select(pl.col("row_number").alias("record"), kept=pl.lit(False)).unique(),
        ]
    ).sort("record", maintain_order=True)
    records = records.with_columns(pl.int_range(last + 1, last + 1 + pl.len(), dtype=pl.Int64).alias("number"))
    broken = records.filter(~pl.col("kept")).select("record", "number")
    rejects = table.rejects.join(broken, left_on="row_number", right_on="record", how="left")
    return replace(
        table,
        cells=cells.with_columns(records.filter("kept")["number"].alias(ROW)),
        rejects=rejects.with_columns(row_number=pl.col("number")).drop("number"),
    )
