"""The packaged queries of this room, and the frames of the site: read-only, over the marts.

Frames come back with the marts' own column names; formatting and drawing happen elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

import polars as pl

from pipeline import resources
from pipeline.errors import InputError
from pipeline.report.job_margin import job_margin
from pipeline.report.periods import PeriodKind
from pipeline.store.book import Book

ReportName = Literal[
    "utilisation", "indicators", "losses", "stops", "batches", "changes", "jobs", "causes", "tools", "quoting",
    "trust", "backtest", "outcomes", "counters", "quality", "corrections", "contradictions", "restatements",
    "edges", "in_use", "shelf", "tooling", "tool_jobs",
]  # fmt: skip
REPORTS: Final[tuple[ReportName, ...]] = get_args(ReportName)

SITE_FRAMES: Final[dict[str, str]] = {
    "utilisation": "utilisation",
    "drift": "jobs",
    "causes": "causes",
    "tools": "tools",
    "factors": "quoting",
    "trust": "trust",
    "backtest": "site_backtest",
    "outcomes": "site_outcomes",
    "money": "job_money",
    "level_changes": "level_changes",
    "runs": "newest_runs",
    "batches": "batches",
    "edges": "site_edges",
    "in_use": "site_in_use",
    "shelf": "shelf",
    "tooling": "tooling",
    "tool_jobs": "tool_jobs",
    "tool_differences": "tool_differences",
    "wear_curves": "wear_curves",
    "machines": "machines",
    "files": "quality",
    "rejects": "reject_groups",
    "superseded": "superseded",
    "gaps": "gaps",
    "state_days": "state_days",
    "closed_days": "closed_days",
    "machine_sources": "machine_sources",
    "life_curves": "life_curves",
    "counters": "counters",
    "contradictions": "contradictions",
    "losses": "losses",
    "stops": "stops",
}
"""Which query fills which frame of the site."""


UTILISATION_QUERIES: Final[dict[PeriodKind, str]] = {
    "month": "utilisation",
    "week": "utilisation_weekly",
    "day": "utilisation_daily",
}


@dataclass(frozen=True)
class Narrowed:
    """What a report is narrowed to; None means all."""

    month: str | None = None
    week: str | None = None
    day: str | None = None
    machine: str | None = None
    job: str | None = None
    file_ids: list[str] | None = None


def query(book: Book, name: str, narrowed: Narrowed | None = None) -> pl.DataFrame:
    """Run one of the packaged queries of this room."""
    sql = resources.read_text("pipeline.report", "sql", f"{name}.sql")
    values = vars(narrowed or Narrowed())
    bound = {key: value for key, value in values.items() if f"${key}" in sql}
    return book.frame(sql, bound or None)


def query_with(book: Book, name: str, values: Mapping[str, Any]) -> pl.DataFrame:
    """Run one of the packaged queries of this room with values of its own."""
    return book.frame(resources.read_text("pipeline.report", "sql", f"{name}.sql"), values)


def require_marts(book: Book) -> None:
    """Raise InputError where the book holds no marts yet."""
    known = book.frame("select 1 as one from duckdb_tables() where schema_name = 'mart' limit 1")
    if known.is_empty():
        raise InputError(f"{book.path}: nothing was derived yet; run `spindlebook run SOURCE... --workspace W` first.")


def site_frames(book: Book) -> dict[str, pl.DataFrame]:
    """Return every frame that the site shows, by the name the site gives it."""
    frames = {frame: query(book, name) for frame, name in SITE_FRAMES.items()}
    return {**frames, "margins": job_margin(frames["money"])}
