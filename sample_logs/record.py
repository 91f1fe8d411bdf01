"""The whole record of a simulated period: what every machine did, as frames with integer milliseconds UTC.
It only gathers the traces of the machines; exports and truth are made from it elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from sample_logs.plan import Operation, Part
from sample_logs.shop_floor import (
    CHANGE_COLUMNS,
    CYCLE_COLUMNS,
    EDGE_COLUMNS,
    PIECE_COLUMNS,
    SETUP_COLUMNS,
    MachineRun,
)


@dataclass(frozen=True)
class Order:
    """One order of a part: its job number, size, the day it came in and when the machines may begin."""

    part: Part
    number: int
    job: str
    quantity: int
    ordered_on: date
    release: int


@dataclass(frozen=True)
class Task:
    """One operation of one order."""

    order: Order
    operation: Operation


@dataclass(frozen=True)
class Record:
    """Frames of one simulated period.

    tasks: task, part, job, order, operation, machine, program, estimate_s.
    cycles: cycle, task, start, end, outcome, parts, scrap and the columns of its task; `cycle` is unique in the shop.
    pieces: cycle, tool, kind, start, end, override, machine; the pieces of a cycle tile it.
    changes: cycle, tool, at, machine, program.
    edges: machine, tool, number, in_use_at, at, reason, cut_ms; removed edges only.
    open_edges: machine, tool, number, in_use_at, cut_ms; the edges still in use.
    setups: task, start, end and the columns of the task.
    """

    tasks: pl.DataFrame
    cycles: pl.DataFrame
    pieces: pl.DataFrame
    changes: pl.DataFrame
    edges: pl.DataFrame
    open_edges: pl.DataFrame
    setups: pl.DataFrame


def gather(runs: Mapping[str, MachineRun], tasks: Sequence[Task]) -> Record:
    """Put the traces of all machines together, with one running number of cycles over the shop."""
    table = pl.DataFrame(
        [
            {
                "task": number,
                "part": task.order.part.part,
                "job": task.order.job,
                "order": task.order.number,
                "operation": task.operation.operation,
                "machine": task.operation.machine,
                "program": task.operation.program,
                "estimate_s": task.operation.estimate_s,
            }
            for number, task in enumerate(tasks)
        ]
    )
    cycles, pieces, changes, edges, setups = [], [], [], [], []
    open_edges: list[dict[str, Any]] = []
    offset = 0
    for machine, run in runs.items():
        renumbered = (pl.col("cycle") + offset).alias("cycle")
        named = pl.lit(machine).alias("machine")
        trace = run.trace
        cycles.append(_frame(trace.cycles, CYCLE_COLUMNS).with_columns(renumbered))
        pieces.append(_frame(trace.pieces, PIECE_COLUMNS).with_columns(renumbered, named))
        changes.append(_frame(trace.changes, CHANGE_COLUMNS).with_columns(renumbered, named))
        edges.append(_frame(trace.edges, EDGE_COLUMNS).with_columns(pl.col("in_use_at").cast(pl.Int64), named))
        open_edges.extend(
            {"machine": machine, "tool": tool, "number": e.number, "in_use_at": e.in_use_at, "cut_ms": e.age_ms}
            for tool, e in run.edges.items()
        )
        setups.append(_frame(trace.setups, SETUP_COLUMNS))
        offset += len(trace.cycles)
    all_cycles = pl.concat(cycles).join(table, on="task", how="left", maintain_order="left")
    programs = all_cycles.select("cycle", "program")
    return Record(
        tasks=table,
        cycles=all_cycles,
        pieces=pl.concat(pieces),
        changes=pl.concat(changes).join(programs, on="cycle", how="left", maintain_order="left"),
        edges=pl.concat(edges),
        open_edges=pl.DataFrame(open_edges, schema_overrides={"in_use_at": pl.Int64}),
        setups=pl.concat(setups).join(table, on="task", how="left", maintain_order="left"),
    )


def _frame(rows: Sequence[tuple[int | str | None, ...]], columns: Sequence[str]) -> pl.DataFrame:
    return pl.DataFrame(dict(zip(columns, zip(*rows, strict=True), strict=True)))
