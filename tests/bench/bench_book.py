"""A large book derived as a whole: `python tests/bench/bench_book.py [JOBS] [CYCLES] [TOOL CHANGES LOGGED: 0 or 1]`.

Lists of cycles of eight machines over 30 months, each job in 20 batches that wander about its estimate, three tools a
job in the estimates; where tool changes are logged, one for each tool in each cycle. Spans, causes, drift, factors and
backtest of all of it, derived as the command does: by the clock, in processor time, and the peak of memory. Each
measurement is a process of its own.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from bench_growth import MACHINES, open_shop, said, working_days
from bench_run import best, ingest_again, say

from flows.steps import derive_marts
from pipeline.progress import Null
from pipeline.workspace import Workspace

FIRST, LAST = date(2023, 6, 1), date(2025, 12, 1)
SHIFT_FROM_S, SHIFT_S = 6 * 3600, 16 * 3600
BATCHES, TOOLS = 20, 3
MATERIALS, KINDS = 30, 4
SHARES = np.array([0.5, 0.3, 0.2])
"""What each tool has of a cycle."""


def shop_of(jobs: int) -> pl.DataFrame:
    """Return number, machine, estimate_s and level (ln of what a job really takes of its estimate) of each job."""
    rng = np.random.default_rng(1)
    machine, material = np.arange(jobs) % MACHINES, np.arange(jobs) % MATERIALS
    level = rng.normal(0, 0.06, MACHINES)[machine] + rng.normal(0, 0.05, MATERIALS)[material]
    return pl.DataFrame(
        {
            "number": np.arange(jobs),
            "machine": machine,
            "estimate_s": 10.0 * rng.integers(4, 16, jobs),
            "level": level + rng.normal(0, 0.06, jobs),
        }
    )


def write_machine(folder: Path, machine: int, shop: pl.DataFrame, cycles: int, *, is_logged: bool) -> None:
    """Write the cycles of one machine, batch after batch through its shifts, and its tool changes where logged."""
    rng = np.random.default_rng([1, machine])
    jobs = shop.filter(pl.col("machine") == machine)
    begun = rng.uniform(0, 0.7, jobs.height)
    when = begun[:, None] + np.sort(rng.uniform(0, 0.3, (jobs.height, BATCHES)), axis=1)
    runs = max(1, cycles // when.size)
    job = np.repeat(np.argsort(when, axis=None) // BATCHES, runs)
    is_first = np.arange(job.size) % runs == 0
    shared = np.repeat(rng.normal(0, 0.02, when.size), runs)
    length_s = jobs["estimate_s"].to_numpy()[job] * np.exp(
        jobs["level"].to_numpy()[job] + shared + rng.normal(0, 0.01, job.size)
    )
    before_s = 20 * np.exp(rng.normal(0, 0.2, job.size)) + is_first * 300 * np.exp(rng.normal(0.3, 0.3, job.size))
    days = np.array([(day - date(1970, 1, 1)).days for day in working_days(FIRST, LAST)])
    ended_s = np.cumsum(before_s + length_s)
    # all fits into the shifts, and they are full
    squeezed = SHIFT_S * days.size / (ended_s[-1] + 600)
    begin_s = (ended_s - length_s) * squeezed
    on_day = (begin_s // SHIFT_S).astype(np.int64)
    at_s = days[on_day] * 86_400.0 + SHIFT_FROM_S + begin_s - on_day * SHIFT_S
    frame = pl.DataFrame(
        {
            "number": jobs["number"].to_numpy()[job],
            "at_ms": (at_s * 1000).astype(np.int64),
            "length_ms": (length_s * min(squeezed, 1.0) * 1000).astype(np.int64),
        }
    ).with_columns(pl.lit(f"M{machine}").alias("machine"), pl.format("O{}", "number").alias("program"))
    frame.select(
        "machine",
        "program",
        _clock(pl.col("at_ms")).alias("started_at"),
        _clock(pl.col("at_ms") + pl.col("length_ms")).alias("ended_at"),
        pl.lit("1").alias("parts"),
        pl.lit("complete").alias("outcome"),
    ).write_csv(folder / f"M{machine}_cycles.csv")
    if is_logged:
        parts = [
            frame.with_columns(
                pl.lit(tool + 1).alias("tool"),
                pl.col("at_ms") + (pl.col("length_ms") * SHARES[:tool].sum()).cast(pl.Int64),
            )
            for tool in range(TOOLS)
        ]
        pl.concat(parts).sort("at_ms").select(
            "machine", _clock(pl.col("at_ms")).alias("occurred_at"), "tool", "program"
        ).write_csv(folder / f"M{machine}_tools.csv")


def _clock(at_ms: pl.Expr) -> pl.Expr:
    return pl.from_epoch(at_ms, "ms").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")


def write_office(folder: Path, shop: pl.DataFrame) -> None:
    """Write an estimate by tool and an order for each job."""
    jobs = shop.height
    number = pl.Series("number", np.repeat(np.arange(jobs), TOOLS))
    share = np.tile(SHARES, jobs) * shop["estimate_s"].to_numpy().repeat(TOOLS)
    types = np.random.default_rng(2).integers(0, 20, jobs * TOOLS)
    pl.DataFrame(
        {"number": number, "tool": np.tile(np.arange(1, TOOLS + 1), jobs), "share_s": share, "type": types}
    ).select(
        pl.format("J{}", "number").alias("job"),
        pl.format("O{}", "number").alias("program"),
        pl.lit("10").alias("operation"),
        pl.format("kind {}", pl.col("number") % KINDS).alias("operation_kind"),
        "tool",
        pl.format("type {}", "type").alias("tool_type"),
        (pl.col("share_s") * 0.8).round(3).alias("cut_s"),
        (pl.col("share_s") * 0.2).round(3).alias("noncut_s"),
        pl.lit(300.0).alias("setup_s"),
        pl.lit(20.0).alias("load_s"),
    ).write_csv(folder / "estimates.csv")
    shop.select(
        pl.format("J{}", "number").alias("job"),
        pl.format("part {}", "number").alias("part"),
        pl.format("material {}", pl.col("number") % MATERIALS).alias("material"),
        pl.lit(200).alias("quantity"),
        pl.lit(FIRST.isoformat()).alias("ordered_on"),
    ).write_csv(folder / "orders.csv")


def write_exports(folder: Path, jobs: int, cycles: int, is_logged: bool) -> None:
    """Write all files of the shop."""
    folder.mkdir(parents=True, exist_ok=True)
    shop = shop_of(jobs)
    write_office(folder, shop)
    for machine in range(MACHINES):
        write_machine(folder, machine, shop, cycles // MACHINES, is_logged=is_logged)


def derive_anew(workspace: Path) -> None:
    """Derive everything, as `spindlebook run` does."""
    derive_marts(Workspace(workspace), Null(), force=True)


def main(jobs: int = 10_000, cycles: int = 2_000_000, tools_logged: int = 0) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        exports, workspace = Path(name) / "exports", Path(name) / "shop"
        best(write_exports, exports, jobs, cycles, bool(tools_logged), runs=1)
        open_shop(workspace)
        say(said(f"{cycles:,} cycles of {jobs:,} jobs: ingest", best(ingest_again, exports, workspace, runs=1)))
        say(said("derived as a whole", best(derive_anew, workspace, runs=2)))


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]))
