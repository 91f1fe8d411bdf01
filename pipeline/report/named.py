"""The reports by their names. Frozen months stand as they were stated; all else is as the marts have it today."""

from __future__ import annotations

import polars as pl

from pipeline.report.changes import month_changes
from pipeline.report.indicators import indicator_rows
from pipeline.report.periods import PeriodKind
from pipeline.report.queries import UTILISATION_QUERIES, Narrowed, ReportName, query, require_marts
from pipeline.report.restating import restatements
from pipeline.report.stated import narrowed_months, stated_losses, stated_months
from pipeline.store.book import Book
from schemas.shop import ShopFile


def report(book: Book, name: ReportName, narrowed: Narrowed, shop: ShopFile, by: PeriodKind = "month") -> pl.DataFrame:
    """Return a named report; that of utilisation has a row for each machine and month, week or day.

    Raises
    ------
    InputError
        When nothing was derived yet.
    """
    require_marts(book)
    match name:
        case "utilisation" if by == "month":
            return stated_months(book, narrowed)
        case "utilisation":
            return query(book, UTILISATION_QUERIES[by], narrowed)
        case "losses":
            return stated_losses(book, narrowed)
        case "indicators":
            return indicator_rows(report(book, "utilisation", narrowed, shop, by))
        case "changes":
            return month_changes(query(book, "changes", narrowed), query(book, "month_jobs"))
        case "restatements":
            return narrowed_months(restatements(book, shop), narrowed)
        case _:
            return query(book, name, narrowed)
