"""Derives the local days and months that windows touch, from what was derived now and what stands in the book.

What is to go into the book lies in the schema `kept` at the end; nothing is written to the book here.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.derive.relations import Relation, Renewed
from pipeline.derive.renewing import FIRST_AT, LAST_AT, instant, of_kind
from pipeline.derive.scratch import KEPT, Scratch
from pipeline.derive.windows import Window

PERIOD_SCHEMA: Final = {
    "machine": pl.String(),
    "keep_from_at": pl.Datetime("us", "UTC"),
    "keep_until_at": pl.Datetime("us", "UTC"),
    "first_day": pl.Date(),
    "last_day": pl.Date(),
    "first_month": pl.String(),
    "last_month": pl.String(),
    "days_from_at": pl.Datetime("us", "UTC"),
    "days_until_at": pl.Datetime("us", "UTC"),
    "months_from_at": pl.Datetime("us", "UTC"),
    "months_until_at": pl.Datetime("us", "UTC"),
}
MARGIN: Final = timedelta(days=2)
"""How much more than its days or months is looked at on both sides of a window: local days begin and end near UTC's."""


def periods(derived: Sequence[Window], zone: ZoneInfo) -> pl.DataFrame:
    """Return the local days and months that each window reaches into, and from when until when these are looked at."""
    rows = []
    for window in derived:
        first_at, last_at = instant(window.keep_from), instant(window.keep_until)
        first, last = first_at.astimezone(zone).date(), last_at.astimezone(zone).date()
        from_day, until_day = (datetime(day.year, day.month, day.day, tzinfo=UTC) for day in (first, last))
        day_bounds = (from_day - MARGIN, until_day + timedelta(days=1) + MARGIN)
        month_bounds = (from_day.replace(day=1) - MARGIN, until_day.replace(day=28) + timedelta(days=5) + MARGIN)
        months = (f"{first:%Y-%m}", f"{last:%Y-%m}")
        rows.append((window.machine, first_at, last_at, first, last, *months, *day_bounds, *month_bounds))
    return pl.DataFrame(rows, schema=PERIOD_SCHEMA, orient="row")


def derive_periods(scratch: Scratch, relations: Sequence[Relation], *, is_whole: bool) -> None:
    """Derive the days and months of core.period and keep their rows; `is_whole` where nothing of the book remains."""
    at_hand = scratch.frame("from core.period")
    for renewed, scope in ((Renewed.BY_DAY, "days"), (Renewed.BY_MONTH, "months")):
        periodic = of_kind(relations, renewed)
        read = frozenset[str]().union(*(relation.upstream for relation in periodic))
        bounds = _bounds(at_hand, scope)
        for relation in of_kind(relations, Renewed.BY_WINDOW):
            if relation.full_name in read:
                _show(scratch, relation, "as_it_will_stand", is_whole=is_whole, **bounds)
        for relation in periodic:
            scratch.make(relation)
            column = period_column(relation)
            scratch.keep(relation.name, scratch.window_sql("of_periods", relation=relation.full_name, column=column))
            scratch.show_kept(relation.name)
            _show(scratch, relation, "of_other_periods", is_whole=is_whole, column=column)


def _bounds(at_hand: pl.DataFrame, scope: str) -> dict[str, str]:
    """Return from when until when the `days` or `months` of all windows lie, and the columns that say so of each."""
    looked_from, looked_until = f"{scope}_from_at", f"{scope}_until_at"
    return {
        "looked_from": looked_from,
        "looked_until": looked_until,
        "from_at": str(at_hand[looked_from].min() or LAST_AT),
        "to_at": str(at_hand[looked_until].max() or FIRST_AT),
    }


def period_column(relation: Relation) -> str:
    """Return the column that tells the period of a row: `day` or `month`."""
    return "day" if relation.renewed is Renewed.BY_DAY else "month"


def _show(scratch: Scratch, relation: Relation, statement: str, *, is_whole: bool, **values: str) -> None:
    """Show a relation under its name as it will stand in the book."""
    if is_whole and relation.renewed is Renewed.BY_WINDOW and len(scratch.parts[relation.name]) == 1:
        return  # it does already
    if is_whole:
        scratch.view(relation.full_name, f"from {KEPT}.{relation.name}")
        return
    if relation.renewed is Renewed.BY_WINDOW:
        values |= {"at": scratch.place(relation), "until": scratch.end_place(relation)}
    sql = scratch.window_sql(statement, relation=relation.full_name, name=relation.name, **values)
    scratch.view(relation.full_name, sql)
