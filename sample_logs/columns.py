"""The canonical columns of the input kinds, in order, as polars dtypes.
It checks no values and does not import the project's own schemas: the demo is to be evidence for or against them.
"""

from __future__ import annotations

import polars as pl

UTC_US = pl.Datetime("us", "UTC")

COLUMNS: dict[str, dict[str, pl.DataType]] = {
    "cycle": {
        "machine": pl.String(),
        "program": pl.String(),
        "started_at": UTC_US,
        "ended_at": UTC_US,
        "parts": pl.Int64(),
        "scrap": pl.Int64(),
        "outcome": pl.String(),
        "job": pl.String(),
        "operation": pl.String(),
        "revision": pl.String(),
        "operator": pl.String(),
    },
    "tool_change": {
        "machine": pl.String(),
        "occurred_at": UTC_US,
        "tool": pl.String(),
        "program": pl.String(),
        "pocket": pl.String(),
    },
    "edge_change": {
        "machine": pl.String(),
        "occurred_at": UTC_US,
        "tool": pl.String(),
        "reason": pl.String(),
        "edge_cost": pl.Float64(),
        "insert_batch": pl.String(),
        "note": pl.String(),
    },
    "event": {
        "machine": pl.String(),
        "occurred_at": UTC_US,
        "item": pl.String(),
        "value": pl.String(),
        "data_item_id": pl.String(),
        "sub_type": pl.String(),
        "path": pl.String(),
        "level": pl.String(),
        "native_code": pl.String(),
        "text": pl.String(),
        "ended_at": UTC_US,
        "end_within_s": pl.Float64(),
    },
    "estimate": {
        "job": pl.String(),
        "program": pl.String(),
        "operation": pl.String(),
        "operation_kind": pl.String(),
        "machine": pl.String(),
        "material": pl.String(),
        "quantity": pl.Int64(),
        "parts_per_cycle": pl.Int64(),
        "tool": pl.String(),
        "tool_type": pl.String(),
        "cut_s": pl.Float64(),
        "noncut_s": pl.Float64(),
        "cycle_s": pl.Float64(),
        "load_s": pl.Float64(),
        "setup_s": pl.Float64(),
        "revision": pl.String(),
        "source": pl.String(),
    },
    "job": {
        "job": pl.String(),
        "part": pl.String(),
        "material": pl.String(),
        "quantity": pl.Int64(),
        "quoted_cycle_s": pl.Float64(),
        "quoted_setup_s": pl.Float64(),
        "stock_kg": pl.Float64(),
        "part_kg": pl.Float64(),
        "ordered_on": pl.Date(),
    },
}


def in_columns_of(kind: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Put a frame into the columns of a kind: missing ones become null, order and dtypes are the canonical ones."""
    columns = COLUMNS[kind]
    return frame.select(
        (pl.col(name).cast(dtype) if name in frame.columns else pl.lit(None, dtype=dtype)).alias(name)
        for name, dtype in columns.items()
    )


def at_utc(column: str) -> pl.Expr:
    """Read a column of milliseconds since 1970 as a time in UTC."""
    return (
        pl.from_epoch(pl.col(column), time_unit="ms").cast(pl.Datetime("us")).dt.replace_time_zone("UTC").alias(column)
    )
