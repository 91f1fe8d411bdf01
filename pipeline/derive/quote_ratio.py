"""mart.quote_ratio: what the factors rest on, summed up to one row a job, tool type and kind of time.

Arranges frames; the only arithmetic is means over batches and the spread between them.
"""

from __future__ import annotations

import math
from typing import Final

import polars as pl

from pipeline.derive.settled_run import KEY, SPELLED, SettledRuns
from schemas.mart import columns

CELL: Final = ("machine", "material", "operation_kind", "tool_type")
OF_RUNS: Final = (
    "_key",
    "_batch",
    "batch_id",
    "started_at",
    "ended_at",
    "estimate_s",
    "estimate_id",
    "material",
    "operation_kind",
)
"""Columns of runs that batch_ratios reads, beside one of ln(actual / estimate)."""
LEAST_FREEDOM: Final = 4
"""Batches beyond the first of their job that it takes to speak of a spread between batches."""

BATCH_SCHEMA: Final[dict[str, pl.DataType]] = {
    "time_kind": pl.String(),
    "_key": pl.UInt32(),
    "batch_id": pl.String(),
    "tool_type": pl.String(),
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
    "runs": pl.Int64(),
    "log_ratio": pl.Float64(),
    "estimate_s": pl.Float64(),
    "material": pl.String(),  # as order and estimate of this batch told them
    "operation_kind": pl.String(),
}


def batch_ratios(
    runs: pl.DataFrame,
    log_ratio: str,
    tool_batches: pl.DataFrame,
    estimate_lines: pl.DataFrame,
    batches: pl.DataFrame,
    load_estimates: pl.DataFrame,
) -> pl.DataFrame:
    """Return ln(actual / estimate) of every batch by kind of time, job, tool type and time; BATCH_SCHEMA.

    Parameters
    ----------
    runs : complete runs that can be judged, in order of time; OF_RUNS
    log_ratio : their column of ln(actual / estimate): settled_log for the next quote, with runs that count. What
        nothing that comes later changes is log_ratio of all runs: learning and first articles are told by later runs.
    tool_batches : batch_id, estimate_id, tool, runs, cut_s, noncut_s (sums over the runs of the batch)
    estimate_lines : core.estimate_line
    batches : core.batch
    load_estimates : estimate_id, load_s
    """
    placed = runs.group_by("_batch").agg(
        pl.col("_key", "batch_id").first(),
        pl.col("started_at").min(),
        pl.col("ended_at").max(),
        pl.len().cast(pl.Int64).alias("runs"),
        pl.col(log_ratio).median().alias("log_ratio"),
        pl.col("estimate_s").median(),
        pl.col("estimate_id", "material", "operation_kind").last(),
    ).with_columns(SPELLED)  # fmt: skip
    joined = batches.select("batch_id", "setup_s", "quoted_setup_s", "between_cycles_s").join(placed, on="batch_id")
    loaded = joined.join(load_estimates, on="estimate_id")
    cut, noncut = _tool_ratios(placed, tool_batches, estimate_lines)
    in_order = (
        cut,
        placed.with_columns(pl.lit("cycle").alias("time_kind")),
        _ratio_of(loaded, "load", "between_cycles_s", "load_s"),
        noncut,
        _ratio_of(joined, "setup", "setup_s", "quoted_setup_s"),
    )
    return pl.concat([pl.DataFrame(schema=BATCH_SCHEMA), *map(_typed, in_order)], rechunk=True)


def _typed(frame: pl.DataFrame) -> pl.DataFrame:
    if "tool_type" not in frame.columns:
        frame = frame.with_columns(pl.lit(None, dtype=pl.String).alias("tool_type"))
    typed = frame.filter(pl.col("log_ratio").is_finite()).select(
        pl.col(name).cast(dtype) for name, dtype in BATCH_SCHEMA.items()
    )
    return typed.sort("_key", "tool_type", "started_at", "batch_id")


def _ratio_of(frame: pl.DataFrame, time_kind: str, actual: str, estimate: str) -> pl.DataFrame:
    """Return ln of one column over another where both are above zero; the estimate is that column."""
    return frame.filter((pl.col(actual) > 0) & (pl.col(estimate) > 0)).with_columns(
        (pl.col(actual) / pl.col(estimate)).log().alias("log_ratio"),
        pl.col(estimate).alias("estimate_s"),
        pl.lit(time_kind).alias("time_kind"),
    )


def _tool_ratios(placed: pl.DataFrame, tool_batches: pl.DataFrame, estimate_lines: pl.DataFrame) -> list[pl.DataFrame]:
    """Cut and non-cut time of each tool type of a batch against what its estimate's lines allow."""
    lines = estimate_lines.filter(pl.col("tool").is_not_null())
    allowed = tool_batches.join(lines, on=["estimate_id", "tool"], suffix="_allowed").with_columns(
        pl.col("cut_s_allowed", "noncut_s_allowed") * pl.col("runs")
    )
    # whole microseconds add up to the same in any order of rows
    times = (pl.col("cut_s", "noncut_s", "cut_s_allowed", "noncut_s_allowed") * 1e6).round().cast(pl.Int64).sum() / 1e6
    summed = (
        allowed.group_by("batch_id", "tool_type")
        .agg(times, pl.col("runs").max())
        .join(placed.drop("runs", "log_ratio", "estimate_s", "estimate_id"), on="batch_id")
    )
    return [
        _ratio_of(summed, name, f"{name}_s", f"{name}_s_allowed").with_columns(pl.col("estimate_s") / pl.col("runs"))
        for name in ("cut", "noncut")
    ]


def batch_spreads(batches: pl.DataFrame, within_sd: float | None) -> pl.DataFrame:
    """Return mart.quote_spread: time_kind, between_sd, shared_sd, within_sd of ln ratio, freedom.

    The spread between batches of one job is pooled over jobs; of `cycle` what runs alone make of it is taken off. What
    the tools of a batch share of it is the mean product of the deviations of two of them.
    """
    own = pl.col("log_ratio") - pl.col("log_ratio").mean().over("time_kind", "_key", "tool_type")
    within = pl.when(pl.col("time_kind") == "cycle").then(pl.lit(within_sd or 0.0)).otherwise(0.0)
    pooled = (
        batches.with_columns((own**2).alias("_own"), (within.pow(2) * _median_share()).alias("_runs"))
        .group_by("time_kind")
        .agg(
            pl.col("_own").sum().alias("squares"),
            (pl.len() - pl.struct("_key", "tool_type").n_unique()).alias("freedom"),
            pl.col("_runs").mean(),
            within.first().alias("within_sd"),
        )
    )
    between = (pl.col("squares") / pl.col("freedom") - pl.col("_runs")).clip(lower_bound=0).sqrt()
    known = pl.col("freedom") >= LEAST_FREEDOM
    shared = (pl.col("shared_variance").fill_null(0.0).clip(lower_bound=0).sqrt()).clip(upper_bound=between)
    return (
        pooled.join(_shared_variances(batches, own), on="time_kind", how="left")
        .select(
            "time_kind",
            pl.when(known).then(between).otherwise(0.0).alias("between_sd"),
            pl.when(known).then(shared).otherwise(0.0).alias("shared_sd"),
            "within_sd",
            pl.when(known).then("freedom").otherwise(0).cast(pl.Int64).alias("freedom"),
        )
        .sort("time_kind")
    )


def no_spread(time_kind: str) -> pl.DataFrame:
    """Return what mart.quote_spread says of a kind of time of which no batch is known."""
    spreads = {"between_sd": [0.0], "shared_sd": [0.0], "within_sd": [0.0]}
    return pl.DataFrame({"time_kind": [time_kind], **spreads, "freedom": [0]})


def _shared_variances(batches: pl.DataFrame, own: pl.Expr) -> pl.DataFrame:
    """Return time_kind and shared_variance, of what all tools of a batch deviate by in common.

    A deviation from the mean of n batches has (n - 1) / n of a batch's variance, so products are divided by that much.
    """
    share = 1.0 - 1.0 / pl.len().over("time_kind", "_key", "tool_type")
    pairs = (
        batches.filter(pl.col("tool_type").is_not_null())
        .with_columns(own.alias("_own"), share.sqrt().alias("_share"))
        .group_by("time_kind", "_key", "batch_id")
        .agg(
            (pl.col("_own").sum() ** 2 - (pl.col("_own") ** 2).sum()).alias("products"),
            (pl.col("_share").sum() ** 2 - (pl.col("_share") ** 2).sum()).alias("pairs"),
        )
    )
    summed = pairs.group_by("time_kind").agg(pl.col("products", "pairs").sort_by("_key", "batch_id").sum())
    return summed.select(
        "time_kind", pl.when(pl.col("pairs") > 0).then(pl.col("products") / pl.col("pairs")).alias("shared_variance")
    )


def _median_share() -> pl.Expr:
    """Variance of the median of `runs` normal values, as a share of that of one."""
    return 0.5 * math.pi / (pl.col("runs") + 0.5 * math.pi - 1.0)


def job_ratios(batches: pl.DataFrame, spreads: pl.DataFrame) -> pl.DataFrame:
    """Return one row a time_kind, job and tool type: batches, runs, mean log_ratio, and what few batches leave.

    Material and kind of operation are those of its latest batch.
    """
    shared = pl.col("shared_sd") ** 2
    variance = pl.col("between_sd") ** 2 - shared + pl.col("within_sd") ** 2 * _median_share()
    return (
        batches.join(spreads, on="time_kind", maintain_order="left")
        .group_by("time_kind", "_key", "tool_type", maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("batches"),
            pl.col("runs").sum(),
            pl.col("log_ratio").mean(),
            (variance.mean() / pl.len()).alias("sampling_variance"),
            (shared.first() / pl.len()).alias("shared_variance"),
            pl.col("estimate_s").median(),
            pl.col("started_at").min().alias("first_at"),
            pl.col("ended_at").max().alias("last_at"),
            pl.col("material", "operation_kind").sort_by("started_at").last(),
        )
    )


def job_names(settled: SettledRuns) -> pl.DataFrame:
    """Return _key with what a job is: the columns of KEY, its part and its latest number."""
    told = (pl.col(*KEY, "part").first(), pl.col("job").drop_nulls().last())
    return settled.runs.group_by("_key").agg(*told).with_columns(SPELLED)


def since_shift(batches: pl.DataFrame, names: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Return the batches since each job's shift, for the next quote is about today."""
    shifted = names.join(drift.select(*KEY, "shifted_at"), on=list(KEY), nulls_equal=True).select("_key", "shifted_at")
    return (
        batches.join(shifted, on="_key", how="left", maintain_order="left")
        .filter(pl.col("shifted_at").is_null() | (pl.col("started_at") >= pl.col("shifted_at")))
        .drop("shifted_at")
    )


def quote_ratio(batches: pl.DataFrame, names: pl.DataFrame, spreads: pl.DataFrame) -> pl.DataFrame:
    """Return mart.quote_ratio."""
    return (
        job_ratios(batches, spreads)
        .join(names, on="_key", maintain_order="left")
        .select(pl.col(name).cast(dtype) for name, dtype in columns("quote_ratio").items())
    )
