"""Signs that rows of tools are no changes: loans, checks, calibrations, vouchers of a store, counts of what is left."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import polars as pl

from pipeline.read.recognition.names import says
from pipeline.read.recognition.paper_signs import (
    ASKED,
    BRACKETS,
    DAY_US,
    EACH_ITS_OWN,
    FEWEST_ROWS,
    HANDED_OUT,
    MEANT,
    MOSTLY,
    STRONG,
    Filled,
    Sign,
    answers_yes_or_no,
    begins,
    counts_on,
    has,
    varies,
)
from pipeline.read.recognition.sample import Column, clock_us
from pipeline.read.times import read_dates
from schemas.profile import UNITS
from schemas.words import unit_spelling, units

_LATER_US: Final = 1_800_000_000


def no_tool_changes(filled: Filled) -> Iterator[Sign]:
    """Yield what says that rows are no tool changes of programs."""
    yield from _tool_changes(filled)
    yield from _vouchers(filled)


def no_edge_changes(filled: Filled) -> Iterator[Sign]:
    """Yield what says that rows are no changes of edges."""
    yield from _edge_changes(filled)
    yield from _vouchers(filled)


def _tool_changes(filled: Filled) -> Iterator[Sign]:
    at, tool = filled.fields.get("occurred_at"), filled.fields.get("tool")
    for column in filled.unused:
        if at is not None and _comes_later(column, at):
            yield Sign(STRONG, f'column "{column.name}" is a later time, as of tools that come back')
        elif column.reading.concepts.get("operator", 0.0) >= MEANT and len(column.distinct) > 1:
            yield Sign(0.4, f'column "{column.name}" names people')
        elif begins(column.name, "certified"):
            yield Sign(STRONG, f'column "{column.name}" is of papers')
        elif _is_bare_number(column) and not counts_on(column) and column.numbers and varies(column, filled):
            yield Sign(ASKED, f'column "{column.name}" is a number of something else')
    if tool is not None and "program" not in filled.fields and _one_by_one(tool):
        yield Sign(STRONG, f'tools of column "{tool.name}" stand in their order, each once, as in a magazine')


def _comes_later(column: Column, at: Column) -> bool:
    """Return whether a column is of instants that nearly all lie more than half an hour after those of the rows."""
    if not column.times or column.times[0].holds == "time of day" or column.times[0].weak or not at.times:
        return False
    form = column.times[0]
    if form.holds == "date":
        late = read_dates(column.text, form.format).cast(pl.Int32).cast(pl.Float64) * DAY_US - DAY_US
    else:
        late = clock_us(column.text, form.format)
    later = (late - clock_us(at.text, at.times[0].format)).drop_nulls()
    return len(later) >= FEWEST_ROWS and float((later >= _LATER_US).mean() or 0.0) >= MOSTLY  # type: ignore[arg-type]


def _one_by_one(tool: Column) -> bool:
    numbers = tool.text.str.extract(r"^\D*0*(\d{1,4})$").cast(pl.Int64, strict=False)
    steps = numbers.diff().drop_nulls()
    return len(steps) >= FEWEST_ROWS and numbers.null_count() == 0 and bool((steps == 1).all())


def _is_bare_number(column: Column) -> bool:
    """Return whether a name says number and not of what."""
    concepts = column.reading.concepts
    return concepts.keys() == {"job", "row_id"} and max(concepts.values()) <= MEANT


def _edge_changes(filled: Filled) -> Iterator[Sign]:
    cost = filled.fields.get("edge_cost")
    if cost is not None and cost.filled >= FEWEST_ROWS and len(cost.distinct) >= EACH_ITS_OWN * cost.filled:
        yield Sign(0.12, f'no cost of column "{cost.name}" comes twice')
    for column in filled.unused:
        name, concepts = column.name, column.reading.concepts
        if column.numbers and _is_left(column):
            yield Sign(STRONG, f'column "{name}" counts what is left')
        elif begins(name, "elsewhere") and not begins(name, "checked") and varies(column, filled):
            yield Sign(STRONG, f'column "{name}" belongs to another list')
        elif begins(name, "corrective"):
            yield Sign(0.3, f'column "{name}" says what is done about it')
        elif concepts.get("operator", 0.0) >= MEANT:
            yield Sign(0.6, f'column "{name}" names people')
        elif answers_yes_or_no(column):
            yield Sign(0.3, f'column "{name}" answers yes or no')
        elif not column.numbers:
            continue
        elif concepts.get("scrap", 0.0) >= MEANT and column.numbers[0].low >= 1:
            yield Sign(STRONG, f'column "{name}" says scrap of every row')
        elif column.unit is not None and UNITS[column.unit][0] in ("length", "mass"):
            yield Sign(ASKED, f'column "{name}" is a measure')
        elif {"money"} & {units().marks.get(unit_spelling(text)) for text in (*BRACKETS.findall(name), name)}:
            yield Sign(0.3, f'column "{name}" is of money')
        elif _is_handful(column) and not says(name, "made"):
            yield Sign(0.3, f'column "{name}" counts a few')
        elif _is_size(column):
            yield Sign(ASKED, f'column "{name}" is a measure')


def _is_left(column: Column) -> bool:
    left = says(column.name, "remaining") or begins(column.name, "left_over")
    return left and not says(column.name, "life", "lasting", "duration", "time")


def _is_handful(column: Column) -> bool:
    """Return whether numbers are small counts under a name that says pieces or says nothing known."""
    number = column.numbers[0]
    known = {concept for concept, share in column.reading.concepts.items() if share >= MEANT}
    counted = not known or bool(known & {"parts", "quantity", "tool_life"})
    return counted and number.whole and number.low >= 1 and number.high <= HANDED_OUT and len(column.distinct) > 1


def _is_size(column: Column) -> bool:
    """Return whether numbers are measures to the hundredth under a name that nobody knows."""
    decimals = float(column.text.drop_nulls().str.contains(r"[.,]\d{2,3}$").mean() or 0.0)  # type: ignore[arg-type]
    return not column.reading.concepts and decimals >= MOSTLY and column.reading.unit is None


def _vouchers(filled: Filled) -> Iterator[Sign]:
    for column in filled.unused:
        if has(column.name, "vouchers"):
            yield Sign(STRONG, f'column "{column.name}" is of vouchers or boxes of a store')
