"""What became of frozen figures: each that would be another now, the difference, and its cause. Nothing is stored."""

from __future__ import annotations

from datetime import datetime
from pathlib import PurePath
from typing import Any, Final

import polars as pl

from pipeline.report.freezing import program_of, settings_of
from pipeline.report.month_span import month_span
from pipeline.report.queries import Narrowed, query, query_with
from pipeline.report.settings_change import changed_settings
from pipeline.report.stated import KEPT, TODAY, Compared, compared, is_figure
from pipeline.store.book import Book
from pipeline.store.frozen import Statement, standing, stated_sources
from schemas.shop import ShopFile
from schemas.vocabulary import LOSSES, UTC_TIME

COLUMNS: Final[dict[str, pl.DataType]] = {
    "month": pl.String(),
    "machine": pl.String(),
    "item": pl.String(),
    "figure": pl.String(),
    "frozen": pl.Float64(),
    "now": pl.Float64(),
    "difference": pl.Float64(),
    "told": pl.String(),
    "cause_kind": pl.String(),
    "cause": pl.String(),
    "frozen_at": UTC_TIME,
}
SHARES: Final = frozenset(
    {
        "coverage", "spindle_utilisation", "spindle_utilisation_calendar", "utilization_efficiency", "availability",
        "allocation_efficiency", "technical_efficiency", "setup_rate", "effectiveness", "quality_ratio", "oee_index",
        "nee_index", "ideal_share", "share_of_planned",
    }
)  # fmt: skip
FIGURE_NAMES: Final = {
    "observed_planned_s": "planned, observed",
    "share_of_planned": "share of planned time",
    "oee_index": "OEE index",
    "nee_index": "NEE index",
}
MOST_FILES: Final = 5
LEAST_HOURS_S: Final = 36.0
"""Smaller changes of a time are written in seconds, so that none reads as nothing."""


def restatements(book: Book, shop: ShopFile) -> pl.DataFrame:
    """Return every figure of a frozen month that would be another now.

    A machine that came later has no frozen figures, one whose data are gone has none now.
    """
    found: list[dict[str, Any]] = []
    for statement in standing(book):
        changed: dict[str, list[dict[str, Any]]] = {}
        for report in KEPT:
            today = query(book, report, Narrowed(month=statement.month))
            for row in _changed_figures(compared(today, statement, report), report):
                changed.setdefault(row["machine"], []).append(row)
        if changed:
            why = _Causes(book, shop, statement)
            for machine, rows in sorted(changed.items()):
                kinds, cause = why.of(machine)
                kept = {"month": statement.month, "frozen_at": statement.frozen_at}
                found += [{**kept, **row, "cause_kind": kinds, "cause": cause} for row in rows]
    return pl.DataFrame(found, schema=COLUMNS)


def _changed_figures(result: Compared, report: str) -> list[dict[str, Any]]:
    """Return a row a figure that differs, in the order of the report's columns."""
    keys = KEPT[report].keys
    found = []
    for row in result.held.filter(pl.col("differs").list.len() > 0).sort(keys).iter_rows(named=True):
        found += [_changed(row, name, row[name], row[f"{name}{TODAY}"], keys) for name in row["differs"]]
    for row in result.added.sort(keys).iter_rows(named=True):
        found += [
            _changed(row, name, None, value, keys)
            for name, value in row.items()
            if value and is_figure(report, name, result.added.schema[name])
        ]
    return found


def _changed(row: dict[str, Any], name: str, frozen: Any, now: Any, keys: tuple[str, ...]) -> dict[str, Any]:
    numbers = [value if isinstance(value, int | float) else None for value in (frozen, now)]
    known = [value for value in numbers if value is not None]
    return {
        "machine": row["machine"],
        "item": next((row[key] for key in keys if key not in ("machine", "month")), None),
        "figure": name,
        "frozen": numbers[0],
        "now": numbers[1],
        "difference": known[1] - known[0] if len(known) == 2 else None,
        "told": told(name, frozen, now),
    }


def figure_name(column: str) -> str:
    """Name a figure for a reader: `cutting_planned_s` is cutting in planned time."""
    if column in FIGURE_NAMES:
        return FIGURE_NAMES[column]
    name = column.removesuffix("_s")
    if name.endswith("_planned"):
        name = f"{name.removesuffix('_planned')} in planned time"
    return name.replace("_", " ")


def told(name: str, frozen: Any, now: Any) -> str:
    """Say a figure then and now, and by how much it changed: times in hours, shares in per cent."""
    change = ""
    if isinstance(frozen, int | float) and isinstance(now, int | float):
        change = f" ({_change(name, now - frozen)})"
    return f"{_written(name, frozen)} -> {_written(name, now)}{change}"


def is_visible(change: str) -> bool:
    """Whether a change, as told, is more than a rounding of a share."""
    return not change.endswith((" (+0.0 points)", " (-0.0 points)"))


def _written(name: str, value: Any) -> str:
    if value is None:
        return "none"
    if not isinstance(value, float):
        return str(value)
    if name in SHARES:
        return f"{value * 100:.1f} %"
    if name == "hours":
        return f"{value:,.2f} h"
    return f"{value / 3600:,.2f} h" if name.endswith("_s") else f"{value:,.2f}"


def _change(name: str, change: float) -> str:
    if name in SHARES:
        return f"{change * 100:+.1f} points"
    if name == "hours":
        return f"{change:+,.2f} h"
    if name.endswith("_s"):
        return f"{change / 3600:+,.2f} h" if abs(change) >= LEAST_HOURS_S else f"{change:+,.3f} s"
    return f"{change:+,d}" if isinstance(change, int) else f"{change:+,.2f}"


class _Causes:
    """What changed since one statement: files, shop.toml, the program. Asked once a month, told a machine at a time."""

    def __init__(self, book: Book, shop: ShopFile, statement: Statement) -> None:
        started_at, ended_at = month_span(statement.month, shop.shop.zone)
        self._book, self._statement = book, statement
        self._span = {"started_at": started_at, "ended_at": ended_at}
        self._then = stated_sources(book, statement)
        self._now = query_with(book, "month_sources", self._span)
        self._settings = settings_of(shop)
        self._program = program_of()

    def of(self, machine: str) -> tuple[str, str]:
        """Return the kinds of cause (files, settings, program, unknown) and a sentence."""
        month, frozen_at = self._statement.month, self._statement.frozen_at
        mine = pl.col("machine") == machine
        files = file_changes(self._then.filter(mine), self._now.filter(mine), machine, month)
        if not files:
            neighbours = query_with(self._book, "month_neighbours", {"machine": machine, **self._span})
            files = neighbour_changes(neighbours, frozen_at, machine, month)
        causes = {"files": _few(files)} if files else {}
        if settings := changed_settings(self._statement.settings, self._settings, machine, month):
            causes["settings"] = f"shop.toml changed: {'; '.join(settings)}"
        if self._program != self._statement.program:
            causes["program"] = f"the program changed from {self._statement.program} to {self._program}"
        causes = causes or {"unknown": "nothing that the book keeps of its files, settings and program has changed"}
        return ", ".join(causes), "; ".join(causes.values())


def file_changes(then: pl.DataFrame, now: pl.DataFrame, machine: str, month: str) -> list[str]:
    """Say which files came in, speak for more rows or were read anew since the freezing; else which lost rows.

    Rows that a new file took over from an old one are told of the new one alone.
    """
    both = now.join(then, on=["file_id", "kind"], how="full", suffix="_then", coalesce=True).with_columns(
        pl.coalesce("name", "name_then", "file_id"), pl.col("rows", "rows_then").fill_null(0)
    )
    known = set(then["file_id"])
    gained, lost, anew = [], [], []
    for row in both.sort("ingested_at", "name", "kind").iter_rows(named=True):
        rows, before = row["rows"], row["rows_then"]
        name = _file(row["name"])
        what = f"{rows:,} {row['kind'].replace('_', ' ')} row{'s' * (rows != 1)} of {machine} in {month}"
        if row["file_id"] not in known:
            gained.append(f"{name} came in on {_day(row['ingested_at'])} ({what})")
        elif rows > before:
            gained.append(f"{name} now gives {what}, {before:,} before")
        elif rows < before:
            lost.append(f"{name} now gives {what}, {before:,} before")
        elif row["reading_fingerprint"] != row["reading_fingerprint_then"]:
            anew.append(f"{name} ({what})")
    if anew:
        more = f" and {len(anew) - 1} more files" if len(anew) > 1 else ""
        gained.append(f"read anew by another profile, setting or program: {anew[0]}{more}")
    return gained or lost


def neighbour_changes(neighbours: pl.DataFrame, frozen_at: datetime, machine: str, month: str) -> list[str]:
    """Say which of the files that hold the records next to a month came in since its freezing."""
    return [
        f"{_file(row['name'])} came in on {_day(row['ingested_at'])}; its records of {machine} lie next to {month} and "
        "decide how the ends of the month are read"
        for row in neighbours.iter_rows(named=True)
        if row["ingested_at"] > frozen_at
    ]


def _file(path: str) -> str:
    return PurePath(path).name


def _few(said: list[str]) -> str:
    more = len(said) - MOST_FILES
    return "; ".join(said[:MOST_FILES]) + (f"; and {more} more" if more > 0 else "")


def _day(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d}"


def restatement_lines(frame: pl.DataFrame) -> list[str]:
    """Return the restatements for a reader at a terminal: each month and machine with its figures and its cause."""
    lines = []
    for (month, machine), rows in frame.group_by("month", "machine", maintain_order=True):
        first = rows.row(0, named=True)
        what = "would be different today"
        if rows["frozen"].null_count() == rows.height:
            what = "is not in the statement"
        elif rows["now"].null_count() == rows.height:
            what = "has no data any more"
        lines.append(f"{month}, frozen on {_day(first['frozen_at'])}: {machine} {what}, because {first['cause']}")
        figures = [row for row in rows.iter_rows(named=True) if is_visible(row["told"])]
        for row in figures:
            item = LOSSES.get(row["item"], row["item"])
            lines.append(f"  {' '.join(filter(None, (item, figure_name(row['figure']))))}: {row['told']}")
        if len(figures) < rows.height:
            lines.append(f"  and {rows.height - len(figures)} by less than 0.1 points")
    return lines
