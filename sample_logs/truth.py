"""The truth behind the demo shop: what was planted, and how every machine spent every month, by its own record.
It is computed from the simulation's own intervals with no code of the pipeline, which can therefore be held to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from sample_logs.columns import at_utc
from sample_logs.outages import Outages
from sample_logs.plan import STREAM_MACHINE, Plan, planned_ratio
from sample_logs.record import Record
from sample_logs.shifts import IntArray, Windows, month_bounds, to_utc

STATE_OF_KIND = {
    "lead": "noncutting",
    "change": "noncutting",
    "rapid": "noncutting",
    "cut": "cutting",
    "hold": "held",
    "stop": "held",
    "fault": "faulted",
}
STATES = ("cutting", "noncutting", "held", "faulted", "unobserved")
TOO_FEW_EDGES = 8
DERIVED_CUTTING_BOUND = 0.04
"""How far cutting time derived from cycle and tool-change lists may lie from the true one, over the whole period:
such lists do not see holds and stops, and share out non-cutting time as the estimate has it."""


@dataclass(frozen=True)
class PlantedJob:
    """A planted effect: `ratio` is actual / estimate of an undisturbed run; `since` is the first cycle that has it."""

    part: str
    operation: str
    machine: str
    program: str
    how: str
    tool: str | None
    ratio: float
    verdict: str
    since: datetime | None
    since_job: str | None


@dataclass(frozen=True)
class Truth:
    """What was planted and what happened.

    planted_jobs: the jobs that leave their estimate.
    jobs: part x operation: planted ratio, runs, median and overrun as they came out.
    tools: machine x tool: planted Weibull life and change per edge, edges removed, and what a test should say.
    states: machine x local month, integer ms; `rest_ms` is set-up, idle and off shift together.
    cycles: every true cycle of every machine, the stream machine's too.
    tool_uses: cycle x tool, integer ms.
    edges: every edge, with its true cutting time; `removed_at` is empty for the edge in use.
    gaps: stretches in which the stream machine was off or its network lost.
    """

    seed: int
    timezone: str
    planted_jobs: tuple[PlantedJob, ...]
    jobs: pl.DataFrame
    tools: pl.DataFrame
    states: pl.DataFrame
    cycles: pl.DataFrame
    tool_uses: pl.DataFrame
    edges: pl.DataFrame
    gaps: pl.DataFrame

    @property
    def falling_tools(self) -> list[tuple[str, str]]:
        """Machine and tool of every tool whose life was made to fall."""
        falling = self.tools.filter(pl.col("verdict") == "falling")
        return falling.select("machine", "tool").rows()

    def as_dict(self) -> dict[str, Any]:
        """Give what truth.json holds: everything but the long frames."""
        return {
            "seed": self.seed,
            "timezone": self.timezone,
            "derived_cutting_bound": DERIVED_CUTTING_BOUND,
            "planted_jobs": [
                {**vars(job), "since": job.since.isoformat() if job.since else None} for job in self.planted_jobs
            ],
            "falling_tools": self.tools.filter(pl.col("verdict") == "falling")
            .select("machine", "tool", "change_per_edge", "edges")
            .to_dicts(),
            "jobs": self.jobs.to_dicts(),
            "tools": self.tools.to_dicts(),
            "states": self.states.to_dicts(),
        }


def tell_truth(
    seed: int,
    plan: Plan,
    record: Record,
    windows: Mapping[str, Windows],
    outages: Outages,
    ratios: Mapping[tuple[str, str], float],
) -> Truth:
    """Compute the truth from the record of a simulated period."""
    observed = _without_gaps(record.pieces, outages)
    months = month_bounds(plan.first_day, plan.last_day, ZoneInfo(plan.timezone))
    states = pl.concat(
        _month_states(machine, observed, record, outages, windows[machine], months) for machine in plan.machines
    )
    return Truth(
        seed=seed,
        timezone=plan.timezone,
        planted_jobs=_planted_jobs(plan, record),
        jobs=_jobs(plan, record, ratios),
        tools=_tools(plan, record),
        states=states,
        cycles=_cycles(record),
        tool_uses=_tool_uses(observed),
        edges=_edges(record),
        gaps=pl.DataFrame(outages.gaps, schema=["start", "end"], orient="row").select(at_utc("start"), at_utc("end")),
    )


def _without_gaps(pieces: pl.DataFrame, outages: Outages) -> pl.DataFrame:
    """Take the stretches without data out of the pieces of the stream machine."""
    frame = pieces.select("machine", "cycle", "tool", "kind", "start", "end")
    for lost, found in outages.lost:
        hit = (pl.col("machine") == STREAM_MACHINE) & (pl.col("start") < found) & (pl.col("end") > lost)
        if frame.select(hit.any()).item():
            touched = frame.filter(hit)
            before = touched.with_columns(end=pl.lit(lost, dtype=pl.Int64)).filter(pl.col("start") < lost)
            after = touched.with_columns(start=pl.lit(found, dtype=pl.Int64)).filter(pl.col("end") > found)
            frame = pl.concat([frame.filter(~hit), before, after])
    return frame.sort("machine", "start")


def _month_states(
    machine: str,
    pieces: pl.DataFrame,
    record: Record,
    outages: Outages,
    windows: Windows,
    months: list[tuple[str, int, int]],
) -> pl.DataFrame:
    own = pieces.filter(pl.col("machine") == machine).with_columns(state=pl.col("kind").replace_strict(STATE_OF_KIND))
    stretches: dict[str, tuple[IntArray, IntArray]] = {}
    for state in STATES:
        some = own.filter(pl.col("state") == state)
        stretches[state] = (some["start"].to_numpy(), some["end"].to_numpy())
    if machine == STREAM_MACHINE:
        stops = np.array(outages.stops, dtype=np.int64).reshape(-1, 2)
        gaps = np.array(outages.gaps, dtype=np.int64).reshape(-1, 2)
        starts, ends = stretches["faulted"]
        stretches["faulted"] = (np.concatenate((starts, stops[:, 0])), np.concatenate((ends, stops[:, 1])))
        stretches["unobserved"] = (gaps[:, 0], gaps[:, 1])
    cycles = record.cycles.filter(pl.col("machine") == machine)
    rows = []
    for month, begin, end in months:
        whole = np.array([begin]), np.array([end])
        row: dict[str, Any] = {"machine": machine, "month": month, "calendar_ms": end - begin}
        row["planned_ms"] = int(windows.planned_within(*whole).sum())
        for state, (starts, ends) in stretches.items():
            row[f"{state}_ms"], row[f"{state}_planned_ms"] = _within(starts, ends, begin, end, windows)
        row["rest_ms"] = row["calendar_ms"] - sum(row[f"{state}_ms"] for state in STATES)
        row["rest_planned_ms"] = row["planned_ms"] - sum(row[f"{state}_planned_ms"] for state in STATES)
        started = cycles.filter((pl.col("start") >= begin) & (pl.col("start") < end))
        row["cycles"] = len(started)
        row["parts"] = int(started["parts"].sum())
        row["scrap"] = int(started["scrap"].sum())
        rows.append(row)
    return pl.DataFrame(rows)


def _within(starts: IntArray, ends: IntArray, begin: int, end: int, windows: Windows) -> tuple[int, int]:
    """Sum the part of disjoint stretches that lies in [begin, end), and its part inside planned time."""
    low = np.clip(starts, begin, end)
    high = np.clip(ends, begin, end)
    return int((high - low).sum()), int(windows.planned_within(low, high).sum())


def _planted_jobs(plan: Plan, record: Record) -> tuple[PlantedJob, ...]:
    planted = []
    for part in plan.parts:
        for operation in part.operations:
            effect = operation.planted
            if effect is None:
                continue
            first = record.cycles.filter(
                (pl.col("part") == part.part)
                & (pl.col("operation") == operation.operation)
                & (pl.col("order") >= effect.from_order)
            ).sort("start")
            ratio = planned_ratio(operation, 1.0, effect.from_order)
            planted.append(
                PlantedJob(
                    part=part.part,
                    operation=operation.operation,
                    machine=operation.machine,
                    program=operation.program,
                    how=effect.how,
                    tool=effect.tool,
                    ratio=round(ratio, 6),
                    verdict="over" if ratio > 1 else "under",
                    since=to_utc(first["start"][0]) if effect.from_order else None,
                    since_job=first["job"][0] if effect.from_order else None,
                )
            )
    return tuple(planted)


def _jobs(plan: Plan, record: Record, ratios: Mapping[tuple[str, str], float]) -> pl.DataFrame:
    complete = pl.col("outcome") == "complete"
    length_s = (pl.col("end") - pl.col("start")) / 1000
    latest = pl.DataFrame(
        [
            {
                "part": part.part,
                "operation": op.operation,
                "ratio": round(
                    planned_ratio(op, ratios.get((part.part, op.operation), 1.0), part.orders - 1),
                    6,
                ),
            }
            for part in plan.parts
            for op in part.operations
        ]
    )
    return (
        record.cycles.group_by("part", "operation", "machine", "program", "estimate_s")
        .agg(
            runs=complete.sum(),
            aborted=(~complete).sum(),
            orders=pl.col("order").n_unique(),
            actual_median_s=length_s.filter(complete).median(),
            overrun_s=(length_s - pl.col("estimate_s")).filter(complete).sum().round(3),
        )
        .join(latest, on=["part", "operation"], how="left")
        .sort("part", "operation")
    )


def _tools(plan: Plan, record: Record) -> pl.DataFrame:
    known = pl.col("in_use_at").is_not_null()
    counts = record.edges.group_by("machine", "tool").agg(
        edges=known.sum(),
        failures=(known & pl.col("reason").is_in(["worn", "broken", "chipped"])).sum(),
    )
    rows = [
        {
            "machine": machine,
            "tool": tool,
            "tool_type": t.tool_type,
            "shape": t.shape,
            "scale_min": t.scale_min,
            "change_per_edge": t.trend,
        }
        for (machine, tool), t in plan.tools.items()
    ]
    count = pl.col("edges").fill_null(0), pl.col("failures").fill_null(0)
    return (
        pl.DataFrame(rows)
        .join(counts, on=["machine", "tool"], how="left", maintain_order="left")
        .with_columns(
            *count,
            verdict=pl.when(pl.col("edges").fill_null(0) < TOO_FEW_EDGES)
            .then(pl.lit("too few"))
            .when(pl.col("change_per_edge") < 0)
            .then(pl.lit("falling"))
            .otherwise(pl.lit("steady")),
        )
    )


def _cycles(record: Record) -> pl.DataFrame:
    columns = ["cycle", "machine", "program", "part", "job", "order", "operation", "estimate_s"]
    return record.cycles.select(
        *columns,
        at_utc("start").alias("started_at"),
        at_utc("end").alias("ended_at"),
        "parts",
        "scrap",
        "outcome",
    ).sort("machine", "started_at")


def _tool_uses(pieces: pl.DataFrame) -> pl.DataFrame:
    length = pl.col("end") - pl.col("start")
    return (
        pieces.group_by("machine", "cycle", "tool")
        .agg(
            cutting_ms=length.filter(pl.col("kind") == "cut").sum(),
            change_ms=length.filter(pl.col("kind") == "change").sum(),
            rapid_ms=length.filter(pl.col("kind").is_in(["rapid", "lead"])).sum(),
            held_ms=length.filter(pl.col("kind").is_in(["hold", "stop"])).sum(),
            faulted_ms=length.filter(pl.col("kind") == "fault").sum(),
            first=pl.col("start").min(),
        )
        .sort("machine", "first", "tool")
        .drop("first")
    )


def _edges(record: Record) -> pl.DataFrame:
    frame = pl.concat([record.edges.rename({"at": "removed_at"}), record.open_edges], how="diagonal")
    return frame.select(
        "machine",
        "tool",
        "number",
        at_utc("in_use_at"),
        at_utc("removed_at"),
        "reason",
        (pl.col("cut_ms") / 60_000).alias("cut_min"),
    ).sort("machine", pl.col("tool").cast(pl.Int64), "number")
