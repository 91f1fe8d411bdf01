"""The canonical frames of cycles, tool changes, edge changes, estimates and jobs, made from the record and the plan.
The event stream has a module of its own; nothing here is read back from a file.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from sample_logs.columns import at_utc, in_columns_of
from sample_logs.plan import STREAM_MACHINE, Operation, Part, Plan
from sample_logs.record import Order, Record

REVISED_MACHINE = "L1"
REVISION = "A"


def cycle_frame(record: Record) -> pl.DataFrame:
    """Cycles of the machines that keep a list; the stream machine keeps none."""
    frame = (
        record.cycles.filter(pl.col("machine") != STREAM_MACHINE)
        .rename({"start": "started_at", "end": "ended_at"})
        .with_columns(
            at_utc("started_at"),
            at_utc("ended_at"),
            pl.when(pl.col("machine") == REVISED_MACHINE).then(pl.lit(REVISION)).alias("revision"),
        )
        .sort("machine", "started_at")
    )
    return in_columns_of("cycle", frame)


def tool_change_frame(record: Record) -> pl.DataFrame:
    """Tool changes of the machines that keep a list, stamped at their beginning; a tool's pocket is its number + 20."""
    frame = (
        record.changes.filter(pl.col("machine") != STREAM_MACHINE)
        .rename({"at": "occurred_at"})
        .with_columns(
            at_utc("occurred_at"),
            pl.when(pl.col("machine") != REVISED_MACHINE)
            .then((pl.col("tool").cast(pl.Int64) + 20).cast(pl.String))
            .alias("pocket"),
        )
        .sort("machine", "occurred_at")
    )
    return in_columns_of("tool_change", frame)


def edge_change_frame(plan: Plan, record: Record) -> pl.DataFrame:
    """Edge changes of all machines; the tool crib writes down what an edge costs, the lathe's own list does not."""
    costs = pl.DataFrame(
        [{"machine": machine, "tool": tool, "edge_cost": t.edge_cost} for (machine, tool), t in plan.tools.items()]
    )
    frame = (
        record.edges.join(costs, on=["machine", "tool"], how="left")
        .rename({"at": "occurred_at"})
        .with_columns(
            at_utc("occurred_at"),
            pl.when(pl.col("machine") != REVISED_MACHINE).then(pl.col("edge_cost")).alias("edge_cost"),
            pl.when(pl.col("reason") == "broken").then(pl.lit("cycle broken off, part scrapped")).alias("note"),
        )
        .sort("machine", "occurred_at")
    )
    return in_columns_of("edge_change", frame)


def estimate_frame(plan: Plan) -> pl.DataFrame:
    """Estimate lines: one per tool, and one without a tool for changes, lead, setup and loading."""
    rows: list[dict[str, object]] = []
    for part in plan.parts:
        if not part.quote_only:
            for operation in part.operations:
                rows.extend(_estimate_lines(plan, part, operation))
    return in_columns_of("estimate", pl.DataFrame(rows, infer_schema_length=None))


def _estimate_lines(plan: Plan, part: Part, operation: Operation) -> list[dict[str, object]]:
    common: dict[str, object] = {
        "job": part.standing_job if operation.machine == STREAM_MACHINE else None,
        "program": operation.program,
        "operation": operation.operation,
        "operation_kind": "turning" if operation.machine == REVISED_MACHINE else "milling",
        "machine": operation.machine,
        "material": part.material,
        "parts_per_cycle": 1,
        "revision": REVISION if operation.machine == REVISED_MACHINE else None,
        "source": "CAM",
    }
    lines = [
        {
            **common,
            "tool": step.tool,
            "tool_type": plan.tools[operation.machine, step.tool].tool_type,
            "cut_s": step.cut_s,
            "noncut_s": step.noncut_s,
        }
        for step in operation.steps
    ]
    rest = {
        "noncut_s": operation.changes_s + operation.lead_s,
        "load_s": operation.load_s,
        "setup_s": operation.setup_s,
    }
    return [*lines, {**common, **rest}]


def job_frame(orders: Sequence[Order]) -> pl.DataFrame:
    """The order list; the quoted times of an order are those of all its operations together."""
    rows = [
        {
            "job": order.job,
            "part": order.part.part,
            "material": order.part.material,
            "quantity": order.quantity,
            "quoted_cycle_s": round(sum(operation.estimate_s for operation in order.part.operations)),
            "quoted_setup_s": sum(operation.setup_s for operation in order.part.operations),
            "stock_kg": order.part.stock_kg,
            "part_kg": order.part.part_kg,
            "ordered_on": order.ordered_on,
        }
        for order in orders
    ]
    return in_columns_of("job", pl.DataFrame(rows)).sort("ordered_on", "job")
