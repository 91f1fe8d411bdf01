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
    "months_from_at": pl.Datetime("us", "UTC"),
    "months_until_at": pl.Datetime("us", "UTC"),
}


def periods(derived: Sequence[Window], zone: ZoneInfo) -> pl.DataFrame:
    """Return the local days and months that each window reaches into; a month is looked at with a day on both sides."""
    rows = []
    for window in derived:
        first_at, last_at = instant(window.keep_from), instant(window.keep_until)
        first, last = first_at.astimezone(zone).date(), last_at.astimezone(zone).date()
        month_from = datetime(first.year, first.month, 1, tzinfo=UTC) - timedelta(days=2)
        month_until = datetime(last.year, last.month, 28, tzinfo=UTC) + timedelta(days=7)
        rows.append(
            (window.machine, first_at, last_at, first, last, f"{first:%Y-%m}", f"{last:%Y-%m}", month_from, month_until)
        )
    return pl.DataFrame(rows, schema=PERIOD_SCHEMA, orient="row")


def derive_periods(scratch: Scratch, relations: Sequence[Relation], *, is_whole: bool) -> None:
    """Derive the days and months of core.period and keep their rows; `is_whole` where nothing of the book remains."""
    months = scratch.frame("from core.period")
    from_at, to_at = months["months_from_at"].min() or LAST_AT, months["months_until_at"].max() or FIRST_AT
    bounds = {"from_at": str(from_at), "to_at": str(to_at)}
    for relation in of_kind(relations, Renewed.BY_WINDOW):
        at, until = scratch.place(f"{KEPT}.{relation.name}"), scratch.end_place(f"{KEPT}.{relation.name}")
        _show(scratch, relation, "as_it_will_stand", is_whole=is_whole, at=at, until=until, **bounds)
    for relation in of_kind(relations, Renewed.BY_DAY, Renewed.BY_MONTH):
        scratch.make(relation)
        column = period_column(relation)
        scratch.keep(relation.name, scratch.window_sql("of_periods", relation=relation.full_name, column=column))
        scratch.show_kept(relation.name)
        _show(scratch, relation, "of_other_periods", is_whole=is_whole, column=column)


def period_column(relation: Relation) -> str:
    """Return the column that tells the period of a row: `day` or `month`."""
    return "day" if relation.renewed is Renewed.BY_DAY else "month"


def _show(scratch: Scratch, relation: Relation, statement: str, *, is_whole: bool, **values: str) -> None:
    """Show a relation under its name as it will stand in the book."""
    if is_whole:
        scratch.view(relation.full_name, f"from {KEPT}.{relation.name}")
        return
    sql = scratch.window_sql(statement, relation=relation.full_name, name=relation.name, **values)
    scratch.view(relation.full_name, sql)
