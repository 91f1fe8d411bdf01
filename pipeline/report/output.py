"""Writes a report frame as a text table, CSV, JSON or a workbook.

It chooses no rows and computes nothing; text that a spreadsheet would run as a formula is made harmless.
"""

from __future__ import annotations

import io
import json
import math
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final, Literal

import polars as pl

from pipeline.printable import one_line

OutputFormat = Literal["table", "csv", "json", "xlsx"]
FORMATS: Final[tuple[OutputFormat, ...]] = ("table", "csv", "json", "xlsx")

TABLE_COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "utilisation": (
        "machine", "month", "week", "day", "planned_s", "observed_planned_s", "coverage", "cutting_planned_s",
        "spindle_utilisation", "cutting_s", "noncutting_s", "held_s", "faulted_s", "setup_s", "idle_s", "overtime_s",
        "lights_out_s", "cycles", "oee_index", "basis", "low_coverage", "standing",
    ),
    "indicators": (
        "machine", "month", "week", "day", "name", "value", "standard", "formula", "basis", "coverage", "low_coverage",
        "ideal_share",
    ),
    "losses": (
        "machine", "month", "loss", "hours", "share_of_planned", "cost", "coverage", "low_coverage", "basis",
    ),
    "stops": (
        "machine", "month", "place", "loss", "started_at", "ended_at", "hours", "cost", "interrupted", "job",
        "operation", "program", "file", "row_number",
    ),
    "batches": (
        "machine", "started_at", "job", "part", "operation", "runs", "good", "scrap", "setup_s", "quoted_setup_s",
        "setup_over_cost", "first_part_s", "repeat_s", "first_over_repeat", "first_part_over_cost",
        "between_cycles_s", "stops",
    ),
    "changes": (
        "machine", "month", "spindle_utilisation", "spindle_utilisation_before", "cutting_change_hours",
        "what_changed",
    ),
    "jobs": (
        "job", "part", "operation", "machine", "program", "runs", "batches", "estimate_s", "actual_s", "drift",
        "drift_low", "drift_high", "drift_q", "verdict", "shifted_at", "overrun_hours", "overrun_cost",
    ),
    "causes": ("job", "operation", "machine", "tool", "cause", "seconds_per_run", "hours", "cost"),
    "tools": (
        "machine", "tool", "edges", "failures", "unit", "life_median", "life_low", "life_high", "life_b10",
        "trend_per_edge", "trend_q", "verdict", "trend_kind", "step_at_edge", "current_age",
        "remaining_p10", "change_at",
    ),
    "edges": (
        "machine", "tool", "edge_number", "in_use_at", "removed_at", "cut_min", "parts", "cycles", "jobs",
        "material_list", "feed_m", "override", "load_pct", "reason", "censored", "is_suspect", "edge_cost",
        "regrind_number", "insert_batch",
    ),
    "in_use": (
        "machine", "tool", "name", "due", "age_min", "age_parts", "batch_job", "batch_parts", "survive_next_part",
        "survive_batch", "parts_left_90", "parts_left_median", "change_at", "unit", "wear_verdict",
    ),
    "shelf": (
        "machine", "place", "job", "operation", "basis", "parts_left", "tool", "name", "min_per_part", "edges_median",
        "edges_90", "inserts_90", "cost_median", "cost_90",
    ),
    "tooling": (
        "machine", "tool", "name", "changes", "regrinds", "cost_per_part", "unit", "habit_age", "habit_failed_share",
        "habit_cost_month", "habit_low", "habit_high", "change_at", "best_cost_month", "saving_month",
    ),
    "tool_jobs": ("machine", "tool", "job_key", "material_list", "edges", "parts", "cut_min", "cost", "cost_per_part"),
    "quoting": (
        "time_kind", "machine", "material", "operation_kind", "tool_type", "runs", "jobs", "factor", "factor_low",
        "factor_high", "offered",
    ),
    "trust": (
        "time_kind", "jobs", "raw_error", "corrected_error", "closer", "coverage_90", "coverage_50", "offered",
        "because",
    ),
    "backtest": (
        "time_kind", "job", "part", "operation", "machine", "material", "tool_type", "first_at", "history", "unseen",
        "estimate_s", "corrected_s", "low", "high", "actual_s",
    ),
    "outcomes": (
        "quote_id", "given_at", "job", "program", "operation", "machine", "quantity", "estimate_s", "expected_cycle_s",
        "cycle_s_low", "cycle_s_high", "ran_on", "runs", "actual_cycle_s", "actual_over_quoted", "held",
        "expected_setup_s", "actual_setup_s",
    ),
    "counters": (
        "machine", "month", "counter", "timer", "counter_s", "spans_s", "difference_s", "share", "verdict", "largest_s",
        "largest_from", "largest_to", "unseen_s", "implausible_s", "resets",
    ),
    "quality": (
        "name", "status", "rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped", "reason",
    ),
    "corrections": (
        "kind", "machine", "noted_at", "column", "what", "old", "new", "file", "row_number", "by_file", "by_row_number",
    ),
    "restatements": ("month", "machine", "item", "figure", "told", "cause", "frozen_at"),
    "contradictions": (
        "machine", "month", "kind", "minutes", "cycles", "offset_s", "file", "row_number", "other_file",
        "other_row_number",
    ),
    "rejects": ("file", "row_number", "line", "column", "value", "reason", "message", "state"),
}  # fmt: skip
"""The columns that a text table shows; the other formats carry every column of the mart."""

_LONG_TIMES: Final = frozenset(
    f"{name}_s"
    for name in (
        "planned", "observed_planned", "cutting_planned", "cutting", "noncutting", "held", "faulted", "setup", "idle",
        "overtime", "lights_out", "quoted_setup",
        "counter", "spans", "difference", "largest", "unseen", "implausible",
    )
)  # fmt: skip
_SHARES: Final = frozenset(
    {
        "coverage", "spindle_utilisation", "spindle_utilisation_before", "availability", "trend_per_edge",
        "share_of_planned", "ideal_share", "oee_index", "share", "raw_error", "corrected_error", "closer",
        "coverage_90", "coverage_50",
        "override", "survive_next_part", "survive_batch", "habit_failed_share",
    }
)  # fmt: skip
_FORMULA_START: Final = r"^[\s\x00]*[=+\-@\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]|^[\t\r\n]"
_NUMBER: Final = r"^[+-]?[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?$"
_CONTROLS: Final = r"[\x00-\x08\x0B\x0C\x0E-\x1F\x7F-\x9F]"


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """Put an apostrophe before text that a spreadsheet would take for a formula; a number with a sign is none."""
    text = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    frame = frame.with_columns(pl.col(text).str.replace_all(_CONTROLS, "\ufffd"))
    runs = [pl.col(name).str.contains(_FORMULA_START) & ~pl.col(name).str.contains(_NUMBER) for name in text]
    return frame.with_columns(
        pl.when(run).then("'" + pl.col(name)).otherwise(pl.col(name)).alias(name)
        for name, run in zip(text, runs, strict=True)
    )


def as_csv(frame: pl.DataFrame) -> str:
    """Return a frame as CSV; times are ISO 8601 in UTC."""
    return harmless(frame).write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%.fZ")


def as_json(frame: pl.DataFrame) -> str:
    """Return a frame as a JSON list of objects with the frame's column names."""
    return json.dumps(
        [{key: _plain(value) for key, value in row.items()} for row in frame.iter_rows(named=True)], indent=2
    )


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, float) and not math.isfinite(value):
        return None  # JSON has no such numbers
    return value.isoformat() if isinstance(value, date) else value


def write_workbook(frame: pl.DataFrame, path: Path, sheet: str) -> None:
    """Write a frame as a workbook of one sheet; text stays text, times are UTC without a zone.

    Formulas in text are made harmless here too: who saves the sheet as CSV passes them on.
    """
    import xlsxwriter

    times = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    naive = harmless(frame).with_columns(pl.col(times).dt.replace_time_zone(None))
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, options) as workbook:
        naive.write_excel(workbook, worksheet=sheet, autofit=True, freeze_panes=(1, 0))
    path.write_bytes(buffer.getvalue())


def as_table(frame: pl.DataFrame, report: str, timezone: str) -> str:
    """Return the main columns of a report as an aligned text table: long times in hours, instants in `timezone`."""
    instants = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    frame = frame.with_columns(pl.col(instants).dt.convert_time_zone(timezone))
    if {"value", "unit"} <= set(frame.columns):
        frame = frame.with_columns(_with_unit())
    shown = frame.select(
        [column for column in TABLE_COLUMNS.get(report, ()) if column in frame.columns] or frame.columns
    )
    header = [_heading(column) for column in shown.columns]
    rows = [
        [_cell(column, value) for column, value in zip(shown.columns, row, strict=True)] for row in shown.iter_rows()
    ]
    numeric = [dtype.is_numeric() for dtype in shown.dtypes]
    widths = [max([len(title), *(len(row[i]) for row in rows)]) for i, title in enumerate(header)]

    def line(cells: list[str]) -> str:
        padded = (c.rjust(w) if right else c.ljust(w) for c, w, right in zip(cells, widths, numeric, strict=True))
        return "  ".join(padded).rstrip()

    return "\n".join([line(header), line(["-" * width for width in widths]), *(line(row) for row in rows)]) + "\n"


def _with_unit() -> pl.Expr:
    """Write the values of a table of indicators, seconds as hours and shares as per cent."""
    value, is_time = pl.col("value"), pl.col("unit") == "s"
    rounded = pl.when(is_time).then(value / 3600).otherwise(value * 100).round(1)
    unit = pl.when(is_time).then(pl.lit(" h")).otherwise(pl.lit(" %"))
    return pl.concat_str(rounded.cast(pl.String), unit).alias("value")


def _is_long_time(column: str) -> bool:
    return column in _LONG_TIMES


def _heading(column: str) -> str:
    return column.removesuffix("_s") + "_h" if _is_long_time(column) else column


def _cell(column: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if column == "low_coverage":
        return "low coverage" if value else ""
    if column == "interrupted":
        return "interrupted" if value else "after"
    if not isinstance(value, float):
        return one_line(str(value))
    if _is_long_time(column):
        return f"{value / 3600:.1f}"
    if column in _SHARES:
        return f"{value:.1%}"
    if column == "first_over_repeat":
        return f"{value:.2f}"
    if column.endswith(("_q", "_p")) or column.startswith(("drift", "factor", "actual_over")):
        return f"{value:.3f}"
    return f"{value:.1f}"
