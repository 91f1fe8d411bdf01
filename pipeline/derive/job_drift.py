"""mart.job_drift: actual against estimate for each job, with interval, verdict and the day it shifted.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.derive.settled_run import IS_COMPLETE, KEY, SPELLED, SettledRuns
from schemas.mart import columns


def job_drift(
    runs: pl.DataFrame, settled: SettledRuns, rates: pl.DataFrame, tolerance: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return mart.job_drift and mart.run_spread (one row: between_sd and within_sd of ln ratio over the shop).

    Parameters
    ----------
    runs : core.run, all outcomes, as `numbered` gives them
    settled : those of them that can be judged
    rates : machine, rate_per_hour
    tolerance : a ratio within 1 +- tolerance is on its estimate
    """
    complete = runs.filter(IS_COMPLETE).select("_key", "_run", "batch_id", "actual_s", "estimate_s", "estimate_from")
    verdicts, spread = _verdicts(settled, tolerance)
    drift = (
        _summary(runs, complete, settled, rates)
        .join(verdicts, on="_key", how="left")
        .join(_since(settled), on="_key", how="left")
        .with_columns(
            pl.col("verdict").fill_null("too few"),
            pl.col("runs", "batches", "first_articles", "proving_runs").fill_null(0),
        )
        .sort("_key")
    )
    typed = drift.select(pl.col(name).cast(dtype) for name, dtype in columns("job_drift").items())
    return typed, spread


def _summary(runs: pl.DataFrame, complete: pl.DataFrame, settled: SettledRuns, rates: pl.DataFrame) -> pl.DataFrame:
    named = runs.group_by("_key").agg(
        pl.col(*KEY, "part").first(),
        pl.col("job").drop_nulls().last(),
        (pl.col("outcome") == "aborted").sum().alias("aborted"),
        pl.col("basis").first(),
    ).with_columns(SPELLED)  # fmt: skip
    apart = settled.runs.filter(pl.col("apart").is_not_null())
    usual = complete.join(apart.select("_run"), on="_run", how="anti")
    timed = complete.group_by("_key").agg(
        pl.len().alias("runs"),
        pl.col("batch_id").n_unique().alias("batches"),
        pl.col("actual_s").mean().alias("actual_mean_s"),
    )
    compared = complete.filter(pl.col("estimate_s").is_not_null()).group_by("_key").agg(
        pl.col("estimate_s").median(),
        pl.col("estimate_from").last(),
        ((pl.col("actual_s") - pl.col("estimate_s")).sum() / 3600).alias("overrun_hours"),
    )  # fmt: skip
    set_apart = apart.group_by("_key").agg(
        (pl.col("apart") == "first article").sum().alias("first_articles"),
        (pl.col("apart") == "proving").sum().alias("proving_runs"),
        pl.col("actual_s").median().alias("first_article_s"),
    )
    learnt = settled.runs.group_by("_key").agg(
        (pl.col("actual_s") * (1 - (-pl.col("learning_log")).exp())).sum().alias("learning_hours") / 3600
    )
    slopes = settled.slopes.filter(pl.col("slope") != 0).select(
        "_key", pl.lit(2.0).pow(pl.col("slope")).alias("learning_rate")
    )
    return (
        named.join(timed, on="_key", how="left")
        .join(usual.group_by("_key").agg(pl.col("actual_s").median()), on="_key", how="left")
        .join(compared, on="_key", how="left")
        .join(set_apart, on="_key", how="left")
        .join(slopes.join(learnt, on="_key"), on="_key", how="left")
        .join(rates.select("machine", "rate_per_hour"), on="machine", how="left")
        .with_columns((pl.col("overrun_hours") * pl.col("rate_per_hour")).alias("overrun_cost"))
    )


def _verdicts(settled: SettledRuns, tolerance: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    from pipeline.stats.drift import judge_drift

    usable = settled.counted("_key", "_batch", "settled_log").with_columns(
        pl.col("_key").rank("dense").alias("_job") - 1
    )
    result = judge_drift(
        usable["_job"].to_numpy(),
        usable["_batch"].to_numpy(),
        usable["settled_log"].exp().to_numpy(),
        tolerance=tolerance,
    )
    verdicts = pl.DataFrame(
        {
            "_key": usable["_key"].unique().sort(),
            "drift": result.ratio,
            "drift_low": result.low,
            "drift_high": result.high,
            "drift_q": result.q,
            "verdict": [str(verdict) for verdict in result.verdict],
        },
        schema_overrides={"verdict": pl.String()},
    )
    spread = pl.DataFrame(
        {
            "between_sd": [result.between_sd],
            "within_sd": [result.within_sd],
            "learning_rate": [settled.learning_rate],
            "learning_p": [settled.learning_p],
        },
        schema_overrides={"learning_p": pl.Float64()},
    )
    nothing = pl.selectors.float().fill_nan(None)
    return verdicts.with_columns(nothing), spread.with_columns(nothing)


def batch_medians(settled: SettledRuns) -> pl.DataFrame:
    """Return _key, _batch, started_at and log_ratio (median) of every batch, in the order of jobs and time."""
    return (
        settled.counted("_key", "_batch", "started_at", "settled_log")
        .group_by("_key", "_batch")
        .agg(pl.col("started_at").min(), pl.col("settled_log").median().alias("log_ratio"))
        .sort("_key", "started_at", "_batch")
    )


def _since(settled: SettledRuns) -> pl.DataFrame:
    """Return when jobs shifted, by a test over all of them, and what watching them batch by batch says."""
    batches = batch_medians(settled)
    shifts, watched = _shifts(batches), _watched(batches)
    return shifts.join(watched, on="_key", how="full", coalesce=True)


def _shifts(medians: pl.DataFrame) -> pl.DataFrame:
    from pipeline.stats.shift import find_shifts

    batches = medians.group_by("_key", maintain_order=True).agg("started_at", "log_ratio")
    found, q = find_shifts([np.asarray(values) for values in batches["log_ratio"].to_list()])
    rows = [
        _shift_row(key, starts, shift, float(adjusted))
        for key, starts, shift, adjusted in zip(
            batches["_key"].to_list(), batches["started_at"].to_list(), found, q, strict=True
        )
        if shift is not None and adjusted <= 0.05
    ]
    schema = {
        "_key": medians.schema["_key"],
        "shifted_at": pl.Datetime("us", "UTC"),
        "shifted_from_at": pl.Datetime("us", "UTC"),
        "shifted_until_at": pl.Datetime("us", "UTC"),
        "shift_q": pl.Float64(),
        "drift_before": pl.Float64(),
        "drift_after": pl.Float64(),
        "drift_after_low": pl.Float64(),
        "drift_after_high": pl.Float64(),
    }
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(pl.selectors.float().fill_nan(None))


def _shift_row(key: int, starts: list[Any], shift: Any, q: float) -> tuple[Any, ...]:
    dates = (starts[at] for at in (shift.index, shift.index_low, shift.index_high))
    return (key, *dates, q, shift.before, shift.after, shift.after_low, shift.after_high)


def _watched(medians: pl.DataFrame) -> pl.DataFrame:
    """Return the latest signal of each job that has one: alarm, alarm_at and alarm_since_at."""
    from pipeline.stats.watch import watch_jobs

    jobs = medians["_key"].unique().sort()
    watch = watch_jobs((medians["_key"].rank("dense").cast(pl.Int64) - 1).to_numpy(), medians["log_ratio"].to_numpy())
    placed = medians.select("_key", "started_at", pl.int_range(pl.len()).over("_key").cast(pl.Int64).alias("at"))
    signals = pl.DataFrame(
        {"_key": jobs, "at": watch.alarm, "since": watch.since, "direction": watch.direction},
        schema_overrides={"_key": medians.schema["_key"]},
    ).filter(pl.col("at") >= 0)
    return (
        signals.join(placed.rename({"started_at": "alarm_at"}), on=["_key", "at"])
        .join(placed.rename({"started_at": "alarm_since_at", "at": "since"}), on=["_key", "since"])
        .select(
            "_key",
            pl.when(pl.col("direction") > 0).then(pl.lit("longer")).otherwise(pl.lit("shorter")).alias("alarm"),
            "alarm_at",
            "alarm_since_at",
        )
    )
