"""Holds typed rows against the pandera model of their kind and moves those that fail to the rejects.

Eager frames only: pandera checks no values on a lazy frame. Identity across rows and files is the store's business.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import polars as pl
from pandera.config import ValidationDepth, config_context
from pandera.errors import SchemaErrors

from pipeline.check.soundness import is_sound
from pipeline.errors import AuditError
from pipeline.read.rawtable import RAW_JOINT, concat_rejects, shown
from pipeline.read.rows import TableRead
from schemas.columns import columns
from schemas.inputs import MAX_CYCLE_S, MODELS
from schemas.vocabulary import InputKind

_AT: Final = "__at"
_SECONDS_PER_DAY: Final = 86_400
_ESTIMATE_TIMES: Final = ("cut_s", "noncut_s", "cycle_s", "load_s", "setup_s")
_BOUND: Final = re.compile(r"^(greater_than|greater_than_or_equal_to|less_than_or_equal_to)\((.+)\)$")
_BROKEN: Final = {
    "greater_than": "not above",
    "greater_than_or_equal_to": "below",
    "less_than_or_equal_to": "above",
}
_WORD: Final = re.compile(r"'([^']*)'")
_TIME: Final = "%Y-%m-%d %H:%M:%S"


def check_rows(table: TableRead) -> TableRead:
    """Return the table with the rows that break a rule of their kind moved to the rejects; rows_read stays.

    Raises
    ------
    TypeError
        The rows are a lazy frame.
    AuditError
        The frame does not have the columns and types of its kind: a fault of the reader, not of the file.
    """
    if not isinstance(table.rows, pl.DataFrame):
        raise TypeError("check_rows needs an eager frame: pandera checks no values on a lazy one; collect it first")
    rows = table.rows.select(*columns(table.kind))
    failures = None if is_sound(rows, table.kind) else _failures(rows, table.kind)
    if failures is None:
        return table
    found = _rejects(table, failures)
    bad = failures[_AT].unique()
    rows = table.rows.with_row_index(_AT).filter(~pl.col(_AT).is_in(bad.implode())).drop(_AT)
    checked = replace(table, rows=rows, rejects=concat_rejects(table.rejects, found))
    count = checked.rows.height + checked.rejects["row_number"].n_unique()
    if count != table.rows_read:
        raise AuditError("check_rows", f"{table.rows_read} rows were read, {count} are accounted for")
    return checked


def _failures(rows: pl.DataFrame, kind: InputKind) -> pl.DataFrame | None:
    """Return the place, column and rule of every failure, or None where there is none."""
    with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
        try:
            MODELS[kind].validate(rows, lazy=True)
        except SchemaErrors as errors:
            cases: pl.DataFrame = errors.failure_cases
        else:
            return None
    if cases["index"].null_count():
        told = cases.filter(pl.col("index").is_null()).select("column", "check").rows()
        raise AuditError("check_rows", f"the frame is not one of kind {kind}", "\n".join(f"{c}: {k}" for c, k in told))
    return cases.select(pl.col("index").cast(pl.UInt32).alias(_AT), "column", "check").unique(maintain_order=True)


def _rejects(table: TableRead, failures: pl.DataFrame) -> pl.DataFrame:
    rows = table.rows.with_row_index(_AT).join(failures.select(_AT).unique(), on=_AT)
    fields = list(columns(table.kind))
    raw = pl.concat_str([pl.col(name).cast(pl.String) for name in fields], separator=RAW_JOINT, ignore_nulls=True)
    rows = rows.with_columns(pl.coalesce("raw", raw).alias("raw"))
    frames: list[pl.DataFrame] = []
    for column, check in failures.select("column", "check").unique(maintain_order=True).rows():
        places = failures.filter((pl.col("column") == column) & (pl.col("check") == check)).select(_AT)
        part = rows.join(places, on=_AT)
        frames.extend(
            part.filter(where).select(
                "row_number",
                "line",
                column=pl.lit(name),
                value=shown(value),
                reason=pl.lit(reason),
                message=message,
                raw="raw",
            )
            for name, value, reason, message, where in _sentences(column, check)
        )
    return concat_rejects(*frames)


_Sentence = tuple[str, pl.Expr, str, pl.Expr, pl.Expr]


def _sentences(column: str, check: str) -> list[_Sentence]:
    """Return column, value, reason code, message and the rows meant, for one rule that failed."""
    always = pl.lit(True)
    nothing = pl.lit(None, dtype=pl.String)
    if check == "ends_before_start":
        message = pl.format(
            "The cycle ends at {} UTC, before its start at {} UTC. Correct one of the two times.",
            pl.col("ended_at").dt.strftime(_TIME),
            pl.col("started_at").dt.strftime(_TIME),
        )
        return [("ended_at", pl.col("ended_at").dt.strftime(_TIME), check, message, always)]
    if check == "out_of_range":
        days = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds() / _SECONDS_PER_DAY
        message = pl.format(
            f"The cycle lasts {{}} days; more than {MAX_CYCLE_S / _SECONDS_PER_DAY:.0f} days is a wrong date or unit. "
            "Correct the times.",
            days.round(1),
        )
        return [("ended_at", pl.col("ended_at").dt.strftime(_TIME), check, message, always)]
    if check == "missing_value":
        no_name = pl.col("job").is_null() & pl.col("program").is_null()
        no_time = pl.all_horizontal(pl.col(name).is_null() for name in _ESTIMATE_TIMES)
        which = pl.lit("The line names neither a job nor a program. Fill in one of the two.")
        when = pl.lit(f"The line gives no time. Fill in at least one of {', '.join(_ESTIMATE_TIMES)}.")
        return [("job", nothing, check, which, no_name), ("cycle_s", nothing, check, when, no_time)]
    value = pl.col(column).cast(pl.String)
    if found := _BOUND.match(check):
        message = pl.format(f"{{}} in {column} is {_BROKEN[found[1]]} {found[2]}. Correct the number.", value)
        return [(column, value, "out_of_range", message, always)]
    if check.startswith("isin("):
        words = ", ".join(_WORD.findall(check))
        message = pl.format(f'"{{}}" in {column} is not one of {words}. Correct the word.', value)
        return [(column, value, "not_allowed", message, always)]
    missing = pl.lit(f"{column} is empty, but every row needs it. Fill it in and run again.")
    return [(column, nothing, "missing_value", missing, always)]
