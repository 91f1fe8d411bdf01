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
from pipeline.derive.renewing import instant, of_kind
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
INPUTS_OF_PERIODS: Final = ("core.event", "core.cycle", "core.tool_change")


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
    for relation in of_kind(relations, Renewed.BY_WINDOW):
        _show(scratch, relation, is_whole=is_whole)
    for name in INPUTS_OF_PERIODS:
        scratch.view(name, f"from {scratch.book_name}.{name} where machine in (select machine from core.period)")
    for relation in of_kind(relations, Renewed.BY_DAY, Renewed.BY_MONTH):
        scratch.table(relation.full_name, relation.sql)
        inside = f"exists (select 1 from core.period as period where {period_of(relation)})"
        scratch.keep(relation.name, f"select kept.* from {relation.full_name} as kept where {inside}")
        elsewhere = (
            f"union all by name select kept.* from {scratch.book_name}.{relation.full_name} as kept where not {inside}"
        )
        scratch.view(relation.full_name, f"from {KEPT}.{relation.name} {'' if is_whole else elsewhere}")


def period_of(relation: Relation) -> str:
    """Return the condition that a row, called kept, lies in a row of core.period, called period."""
    if relation.renewed is Renewed.BY_DAY:
        return "period.machine = kept.machine and kept.day between period.first_day and period.last_day"
    return "period.machine = kept.machine and kept.month between period.first_month and period.last_month"


def _show(scratch: Scratch, relation: Relation, *, is_whole: bool) -> None:
    """Show a relation of windows as it will stand in the book, in the months at hand."""
    if is_whole:
        scratch.view(relation.full_name, f"from {KEPT}.{relation.name}")
        return
    at = scratch.place(f"{KEPT}.{relation.name}")
    until = scratch.end_place(f"{KEPT}.{relation.name}")
    scratch.view(
        relation.full_name,
        f"from {KEPT}.{relation.name} union all by name "
        f"select kept.* from {scratch.book_name}.{relation.full_name} as kept "
        "where exists (select 1 from core.period as period where period.machine = kept.machine "
        f"and {at} < period.months_until_at and {until} >= period.months_from_at) "
        "and not exists (select 1 from core.period as period where period.machine = kept.machine "
        f"and {at} >= period.keep_from_at and {at} < period.keep_until_at)",
    )
