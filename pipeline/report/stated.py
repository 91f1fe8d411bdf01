"""The figures of frozen months as they were stated, in the place of today's; which of them would be others now.

A frozen figure is never changed. What the difference is and where it comes from, `restating` says.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.report.queries import Narrowed, query
from pipeline.store.book import Book
from pipeline.store.frozen import Statement, standing
from schemas.vocabulary import UTC_TIME


@dataclass(frozen=True)
class Kept:
    """What of a report is frozen: the columns that name a row (machine and month among them), and its figures."""

    keys: tuple[str, ...]
    figures: tuple[str, ...] = ()
    """Those that are held against today's; all that the report has, where none are named."""


MONTHLY: Final = "utilisation"
LOSSES: Final = "losses"
KEPT: Final[dict[str, Kept]] = {
    MONTHLY: Kept(("machine", "month")),
    LOSSES: Kept(("machine", "month", "loss"), ("hours", "share_of_planned", "cost")),
}
"""The reports whose rows are frozen with a month."""

OPEN, FROZEN, RESTATED, ADDED = "open", "frozen", "restated", "added later"
"""What a row of a month is: still moving; as stated, and so today; as stated, and otherwise today; not stated then."""

LEAST: Final = {"s": 0.0005, "hours": 1e-6, "cost": 0.005}
"""What counts as another figure, by the end of its name: the rest are shares."""
LEAST_SHARE: Final = 1e-9
TODAY: Final = "_today"


@dataclass(frozen=True)
class Compared:
    """One frozen month of one report against today's rows of that month."""

    held: pl.DataFrame
    """The rows as stated; today's figures as `<figure>_today`, and `differs`, the names of those that are others."""
    added: pl.DataFrame
    """Today's rows that the statement does not have."""


def compared(today: pl.DataFrame, statement: Statement, report: str) -> Compared:
    """Hold a statement against today's rows of its month; of figures that it did not know, today's are taken."""
    keys = KEPT[report].keys
    rows = statement.figures.get(report, ())
    month = today.filter(pl.col("month") == statement.month).with_columns(there=True)
    figures = [name for name in today.columns if name not in keys]
    known = [name for name in figures if any(name in row for row in rows)]
    kept = pl.DataFrame([{name: row.get(name) for name in (*keys, *known)} for row in rows], today.schema).select(
        *keys, *known
    )
    renamed = month.rename({name: f"{name}{TODAY}" for name in figures})
    both = kept.join(renamed, on=keys, how="left", nulls_equal=True)
    held_against = [name for name in known if is_figure(report, name, today.schema[name])]
    differs = [pl.when(_differs(name, today.schema[name])).then(pl.lit(name)) for name in held_against]
    held = both.with_columns(
        *(pl.col(f"{name}{TODAY}").alias(name) for name in figures if name not in known),
        differs=pl.concat_list(differs).list.drop_nulls() if differs else pl.lit([], pl.List(pl.String)),
    )
    return Compared(held, month.join(kept, on=keys, how="anti", nulls_equal=True).drop("there"))


def is_figure(report: str, name: str, dtype: pl.DataType) -> bool:
    """Whether a column of a report is held against today's; marks, such as that of low coverage, are not."""
    return dtype != pl.Boolean and name in (KEPT[report].figures or (name,)) and name not in KEPT[report].keys


def _differs(name: str, dtype: pl.DataType) -> pl.Expr:
    """Whether a frozen figure and today's differ by more than rounding."""
    frozen, today = pl.col(name), pl.col(f"{name}{TODAY}")
    if not dtype.is_float():
        return frozen.ne_missing(today)
    least = LEAST.get(name.rpartition("_")[2], LEAST_SHARE)
    return (frozen.is_null() != today.is_null()) | ((frozen - today).abs() > least).fill_null(False)


def stated(today: pl.DataFrame, statements: Iterable[Statement], report: str = MONTHLY) -> pl.DataFrame:
    """Return a report's rows, frozen months as they were stated, and beside them frozen_at, restated and `standing`."""
    columns = today.columns
    parts = [_marked(today, OPEN)]
    for statement in statements:
        if report not in statement.figures:
            continue
        result = compared(today, statement, report)
        at = pl.lit(statement.frozen_at, UTC_TIME)
        same = pl.col("differs").list.len() == 0
        held = result.held.with_columns(
            frozen_at=at, restated=~same, standing=pl.when(same).then(pl.lit(FROZEN)).otherwise(pl.lit(RESTATED))
        ).select(*columns, "frozen_at", "restated", "standing")
        added = _marked(result.added, ADDED).with_columns(frozen_at=at, restated=True)
        parts = [parts[0].filter(pl.col("month") != statement.month), *parts[1:], held, added]
    return pl.concat(parts).sort(KEPT[report].keys)


def stated_months(book: Book, narrowed: Narrowed | None = None) -> pl.DataFrame:
    """Return monthly utilisation as the shop states it: frozen months as they were frozen, the others as of today."""
    return _stated(book, MONTHLY, narrowed)


def stated_losses(book: Book, narrowed: Narrowed | None = None) -> pl.DataFrame:
    """Return what months lost, likewise, the largest loss of each machine and month first."""
    losses = _stated(book, LOSSES, narrowed)
    return losses.sort("machine", "month", "hours", "loss", descending=[False, False, True, False])


def _stated(book: Book, report: str, narrowed: Narrowed | None) -> pl.DataFrame:
    return narrowed_months(stated(query(book, report), standing(book), report), narrowed or Narrowed())


def narrowed_months(rows: pl.DataFrame, narrowed: Narrowed) -> pl.DataFrame:
    """Return the rows of the month and machine that a report is narrowed to."""
    asked = {"month": narrowed.month, "machine": narrowed.machine}
    return rows.filter(pl.lit(True), **{name: value for name, value in asked.items() if value is not None})


def _marked(rows: pl.DataFrame, standing: str) -> pl.DataFrame:
    return rows.with_columns(frozen_at=pl.lit(None, UTC_TIME), restated=pl.lit(False), standing=pl.lit(standing))
