"""Freezing a month: whether it may be, what is stated, and what that rests on. Keeping it is the store's business."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import Any

import polars as pl

from pipeline.derive.relations import program_text
from pipeline.errors import UsageError
from pipeline.report.month_span import month_span
from pipeline.report.queries import Narrowed, query, query_with
from pipeline.report.stated import KEPT, MONTHLY
from pipeline.store.book import Book
from pipeline.store.frozen import Statement, keep, standing, thaw
from schemas.shop import ShopFile


@dataclass(frozen=True)
class Frozen:
    """What was frozen, and what a reader of it must know."""

    month: str
    machines: int
    warnings: tuple[str, ...]


def freeze(book: Book, month: str, shop: ShopFile, at: datetime) -> Frozen:
    """Keep a month's figures as they are now.

    Raises
    ------
    UsageError
        When the month is frozen already, is not over, or the book has no time in it.
    """
    if earlier := _standing(book, month):
        raise UsageError(
            f"{month} is frozen already, since {_day(earlier.frozen_at, shop)}: what changed since shows as a "
            f"restatement. To state it anew, take that back first: `spindlebook freeze --month {month} --undo`."
        )
    figures = {report: query(book, report, Narrowed(month=month)) for report in KEPT}
    rows = figures[MONTHLY]
    if rows.is_empty():
        raise UsageError(
            f"{month}: the book has no machine time in this month. `spindlebook report utilisation` has all."
        )
    first_at, after = month_span(month, shop.shop.zone)
    last_at = query(book, "extent")["last_at"][0]
    if at < after and last_at < after:
        raise UsageError(
            f"{month} is not over: it ends on {_day(after, shop)}, and the last record in the book is of "
            f"{_day(last_at, shop)}. Freeze it when it is."
        )
    sources = query_with(book, "month_sources", {"started_at": first_at, "ended_at": after})
    told = {report: frame.to_dicts() for report, frame in figures.items()}
    keep(book, Statement(month, at, program_of(), settings_of(shop), told), sources)
    return Frozen(month, rows["machine"].n_unique(), tuple(_thin(rows)))


def _thin(rows: pl.DataFrame) -> list[str]:
    thin = rows.filter("low_coverage")
    return [
        f"{row['machine']}: no time was planned in {row['month']}, so it has no spindle utilisation."
        if row["coverage"] is None
        else f"{row['machine']}: only {row['coverage']:.0%} of its planned time in {row['month']} was observed. "
        "Figures of such a month say little; exports that are still missing will show as a restatement."
        for row in thin.iter_rows(named=True)
    ]


def undo(book: Book, month: str, at: datetime) -> None:
    """Take a frozen month back; the book keeps that it was frozen, and until when.

    Raises
    ------
    UsageError
        When the month is not frozen.
    """
    if _standing(book, month) is None:
        raise UsageError(f"{month} is not frozen, so there is nothing to take back.")
    thaw(book, month, at)


def _standing(book: Book, month: str) -> Statement | None:
    return next((statement for statement in standing(book) if statement.month == month), None)


def _day(instant: datetime, shop: ShopFile) -> str:
    return f"{instant.astimezone(shop.shop.zone):%Y-%m-%d}"


def settings_of(shop: ShopFile) -> dict[str, Any]:
    """Return shop.toml as plain values under its own keys."""
    return shop.model_dump(mode="json", by_alias=True)


def program_of() -> str:
    """Name the program that derives: its version, and a hash of its relations."""
    return f"{version('spindlebook')} ({hashlib.sha256(program_text().encode()).hexdigest()[:8]})"
