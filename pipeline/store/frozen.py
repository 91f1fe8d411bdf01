"""Frozen months: figures as they were stated, with what they rested on, kept where no derivation reaches them.

It compares nothing and decides nothing; `pipeline.report.restating` says what became of a frozen figure since.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.store.book import Book

Figures = Mapping[str, Sequence[Mapping[str, Any]]]
"""Rows of each report, by its name."""


@dataclass(frozen=True)
class Statement:
    """The figures of a month, and what they rest on."""

    month: str
    frozen_at: datetime
    program: str
    settings: Mapping[str, Any]
    figures: Figures
    files: int = 0


def keep(book: Book, stated: Statement, sources: pl.DataFrame) -> None:
    """Keep a statement; `sources` are the machine, file_id, kind, rows and reading_fingerprint behind it."""
    key = {"month": stated.month, "frozen_at": stated.frozen_at}
    with book.transaction():
        book.run(
            "insert into raw.frozen_month by name select $month as month, $frozen_at as frozen_at, "
            "count(*) as files, $program as program, $settings as settings from raw.source_file",
            {**key, "program": stated.program, "settings": json.dumps(stated.settings, default=str)},
        )
        rows = [(report, json.dumps(dict(row))) for report, rows in stated.figures.items() for row in rows]
        told = pl.DataFrame(rows, schema={"report": pl.String, "figures": pl.String}, orient="row")
        with book.handed_over(told):
            book.run(
                "insert into raw.frozen_figure by name "
                "select $month as month, $frozen_at as frozen_at, report, figures from chunk",
                key,
            )
        with book.handed_over(sources.select("machine", "file_id", "kind", "rows", "reading_fingerprint")):
            book.run(
                "insert into raw.frozen_source by name select $month as month, $frozen_at as frozen_at, * from chunk",
                key,
            )


def thaw(book: Book, month: str, at: datetime) -> None:
    """Take a statement back; that it stood, and until when, is kept."""
    book.run(
        "update raw.frozen_month set thawed_at = $at where month = $month and thawed_at is null",
        {"month": month, "at": at},
    )


def standing(book: Book) -> list[Statement]:
    """Return the statements that stand, by month."""
    months = book.rows(
        "select month, frozen_at, program, settings, files from raw.frozen_month where thawed_at is null order by month"
    )
    figures: dict[str, dict[str, list[dict[str, Any]]]] = {}
    kept = book.rows(
        "select figure.month, figure.report, figure.figures from raw.frozen_figure as figure "
        "inner join raw.frozen_month as month using (month, frozen_at) where month.thawed_at is null order by all"
    )
    for month, report, told in kept:
        figures.setdefault(month, {}).setdefault(report, []).append(json.loads(told))
    return [
        Statement(month, frozen_at, program, json.loads(settings), figures.get(month, {}), files)
        for month, frozen_at, program, settings, files in months
    ]


def history(book: Book) -> pl.DataFrame:
    """Return month, frozen_at and thawed_at of every freezing, oldest first."""
    return book.frame("select month, frozen_at, thawed_at from raw.frozen_month order by month, frozen_at")


def stated_sources(book: Book, stated: Statement) -> pl.DataFrame:
    """Return machine, file_id, name, kind, rows and reading_fingerprint as they were when the month was frozen."""
    return book.frame(
        "select kept.machine, kept.file_id, source.name, kept.kind, kept.rows, kept.reading_fingerprint "
        "from raw.frozen_source as kept left join raw.source_file as source using (file_id) "
        "where kept.month = $month and kept.frozen_at = $frozen_at order by all",
        {"month": stated.month, "frozen_at": stated.frozen_at},
    )
