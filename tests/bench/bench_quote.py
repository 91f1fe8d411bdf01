"""Drift, factors and backtest of a large shop: `python tests/bench/bench_quote.py [JOBS] [CYCLES]`.

Frames as the derive step hands them over are made up (10,000 jobs of 20 batches, 2 million cycles, five tools each,
over 30 months on 40 machines); prints CPU seconds of each step and the peak of memory, the frames included.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from pipeline.derive.job_drift import job_drift
from pipeline.derive.quoting_marts import quoting_marts
from pipeline.derive.settled_run import coded, numbered, settled_runs

FIRST_US = int(datetime(2023, 6, 1, tzinfo=UTC).timestamp()) * 1_000_000
DAY_US = 86_400_000_000
BATCHES, TOOLS, MACHINES, MATERIALS, KINDS, DAYS = 20, 5, 40, 30, 4, 900


def frames(jobs: int, cycles: int) -> dict[str, pl.DataFrame]:
    """Return runs, tool_batches, estimate_lines, batches, load_estimates and rates of a made-up shop."""
    rng = np.random.default_rng(1)
    runs_each = cycles // (jobs * BATCHES)
    machine, material = rng.integers(0, MACHINES, jobs), rng.integers(0, MATERIALS, jobs)
    level = (
        rng.normal(0, 0.06, MACHINES)[machine] + rng.normal(0, 0.05, MATERIALS)[material] + rng.normal(0, 0.06, jobs)
    )
    begun = np.sort(rng.integers(0, DAYS - 200, jobs))
    job = np.repeat(np.arange(jobs), BATCHES)
    batch_day = begun[job] + np.tile(np.arange(BATCHES), jobs) * 10 + rng.integers(0, 5, job.size)
    shared = level[job] + rng.normal(0, 0.02, job.size)
    batch = np.repeat(np.arange(job.size), runs_each)
    number = np.tile(np.arange(runs_each), job.size)
    estimate = 60.0 * rng.integers(2, 40, jobs)
    started = FIRST_US + batch_day[batch] * DAY_US + number * 3_000_000_000
    actual = estimate[job[batch]] * np.exp(shared[batch] + rng.normal(0, 0.01, batch.size))
    keys = pl.DataFrame(
        {
            "job_number": np.arange(jobs), "machine": [f"M{at:02d}" for at in machine],
            "material": [f"material {at:02d}" for at in material],
            "operation_kind": [f"kind {at % KINDS}" for at in machine], "job_key": [f"P{at:05d}" for at in range(jobs)],
            "estimate_id": [f"{at:016x}" for at in range(jobs)],
        }
    )  # fmt: skip
    named = [f"b{at:07d}" for at in range(job.size)]
    runs = (
        pl.DataFrame(
            {
                "job_number": job[batch], "batch_id": pl.Series(named)[batch], "started_us": started,
                "actual_s": actual, "estimate_s": estimate[job[batch]], "run_id": pl.int_range(batch.size, eager=True),
            }
        )
        .join(keys, on="job_number", maintain_order="left")
        .select(
            pl.col("run_id").cast(pl.String).str.zfill(16), "machine", "batch_id", "material", "operation_kind",
            "job_key", "estimate_id", "actual_s", "estimate_s",
            pl.from_epoch("started_us", "us").dt.replace_time_zone("UTC").alias("started_at"),
            pl.from_epoch(pl.col("started_us") + 2_000_000_000, "us").dt.replace_time_zone("UTC").alias("ended_at"),
            pl.col("job_key").alias("part"), pl.col("job_key").alias("job"), pl.lit("10").alias("operation"),
            (pl.lit("O") + pl.col("job_key")).alias("program"), pl.lit(None, dtype=pl.String).alias("revision"),
            pl.lit("complete").alias("outcome"), pl.lit("measured").alias("basis"),
            pl.lit("lines").alias("estimate_from"),
        )
    )  # fmt: skip
    tools = [str(at) for at in range(TOOLS)]
    types = rng.integers(0, 20, (jobs, TOOLS))
    lines = pl.DataFrame(
        {
            "estimate_id": keys["estimate_id"].to_numpy().repeat(TOOLS), "tool": tools * jobs,
            "tool_type": [f"type {at}" for at in types.ravel()], "cut_s": (estimate / TOOLS * 0.8).repeat(TOOLS),
            "noncut_s": (estimate / TOOLS * 0.2).repeat(TOOLS),
        }
    )  # fmt: skip
    by_type = rng.normal(0, 0.05, 20)[types][job].ravel()
    worn = np.exp(shared.repeat(TOOLS) + by_type + rng.normal(0, 0.05, job.size * TOOLS)) * runs_each
    allowed = estimate[job].repeat(TOOLS) / TOOLS
    tool_batches = pl.DataFrame(
        {
            "batch_id": np.array(named).repeat(TOOLS), "estimate_id": keys["estimate_id"].to_numpy()[job].repeat(TOOLS),
            "tool": tools * job.size, "runs": np.full(job.size * TOOLS, runs_each), "cut_s": allowed * 0.8 * worn,
            "noncut_s": allowed * 0.2 * worn,
        }
    )  # fmt: skip
    batches = pl.DataFrame(
        {
            "batch_id": named, "setup_s": 1800 * np.exp(rng.normal(0.3, 0.3, job.size)),
            "quoted_setup_s": np.full(job.size, 1800.0), "between_cycles_s": 60 * np.exp(rng.normal(0, 0.2, job.size)),
        }
    )  # fmt: skip
    loads = keys.select("estimate_id").with_columns(pl.lit(60.0).alias("load_s"))
    rates = keys.select("machine").unique().with_columns(pl.lit(60.0).alias("rate_per_hour"))
    return {"runs": runs, "tools": tool_batches, "lines": lines, "batches": batches, "loads": loads, "rates": rates}


def timed(what: str, step: Callable[[], Any]) -> Any:
    begun = time.process_time()
    found = step()
    print(f"{what:<24} {time.process_time() - begun:6.1f} s of CPU, peak {peak_gb():.2f} GB")  # noqa: T201
    return found


def peak_gb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def main(jobs: int = 10_000, cycles: int = 2_000_000) -> None:
    made = timed("frames made up", lambda: frames(jobs, cycles))
    runs = timed("runs numbered", lambda: numbered(coded([made["runs"]])))
    settled = timed("runs settled", lambda: settled_runs(runs))
    drift, spread = timed("drift", lambda: job_drift(runs, settled, made["rates"], 0.03))
    marts = timed(
        "factors and backtest",
        lambda: quoting_marts(
            settled, drift, spread["within_sd"].item(), made["tools"], made["lines"], made["batches"],
            made["loads"], "Europe/Lisbon",
        ),
    )  # fmt: skip
    told = ("time_kind", "jobs", "raw_error", "corrected_error", "coverage_50", "coverage_90", "offered")
    print(marts["quote_trust"].select(told))  # noqa: T201
    print({name: frame.height for name, frame in marts.items()}, drift["verdict"].value_counts().to_dicts())  # noqa: T201


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
