"""mart.job_drift: actual against estimate for each job, with interval, verdict and the day it shifted.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from schemas.mart import columns

KEY = ("job_key", "operation", "machine", "program", "revision")
"""What makes a job in the mart; null is a value of its own."""


def job_drift(runs: pl.DataFrame, rates: pl.DataFrame, tolerance: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return mart.job_drift and mart.run_spread (one row: between_sd and within_sd of ln ratio over the shop).

    Parameters
    ----------
    runs : core.run, all outcomes
    rates : machine, rate_per_hour
    tolerance : a ratio within 1 +- tolerance is on its estimate
    """
    runs = runs.sort(*KEY, "started_at", "run_id").with_columns(pl.struct(KEY).rank("dense").alias("_key") - 1)
    complete = runs.filter(pl.col("outcome") == "complete")
    judged = complete.filter(pl.col("estimate_s").is_not_null())
    keys = _summary(runs, complete, judged, rates)
    verdicts, spread = _verdicts(judged, tolerance)
    shifts = _shifts(judged)
    drift = (
        keys.join(verdicts, on="_key", how="left")
        .join(shifts, on="_key", how="left")
        .with_columns(pl.col("verdict").fill_null("too few"), pl.col("runs", "batches").fill_null(0))
        .sort("_key")
    )
    typed = drift.select(pl.col(name).cast(dtype) for name, dtype in columns("job_drift").items())
    return typed, spread


def _summary(runs: pl.DataFrame, complete: pl.DataFrame, judged: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    named = runs.group_by("_key").agg(
        pl.col(*KEY, "part").first(),
        pl.col("job").drop_nulls().last(),
        (pl.col("outcome") == "aborted").sum().alias("aborted"),
        pl.col("basis").first(),
    )
    timed = complete.group_by("_key").agg(
        pl.len().alias("runs"),
        pl.col("batch_id").n_unique().alias("batches"),
        pl.col("actual_s").median(),
        pl.col("actual_s").mean().alias("actual_mean_s"),
    )
    compared = judged.group_by("_key").agg(
        pl.col("estimate_s").median(),
        pl.col("estimate_from").last(),
        ((pl.col("actual_s") - pl.col("estimate_s")).sum() / 3600).alias("overrun_hours"),
    )
    return (
        named.join(timed, on="_key", how="left")
        .join(compared, on="_key", how="left")
        .join(rates.select("machine", "rate_per_hour"), on="machine", how="left")
        .with_columns((pl.col("overrun_hours") * pl.col("rate_per_hour")).alias("overrun_cost"))
    )


def _verdicts(judged: pl.DataFrame, tolerance: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    from pipeline.stats.drift import judge_drift

    usable = judged.filter(pl.col("actual_s") > 0).with_columns(pl.col("_key").rank("dense").alias("_job") - 1)
    result = judge_drift(
        usable["_job"].to_numpy(),
        usable["batch_id"].rank("dense").to_numpy(),
        (usable["actual_s"] / usable["estimate_s"]).to_numpy(),
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
    spread = pl.DataFrame({"between_sd": [result.between_sd], "within_sd": [result.within_sd]})
    nothing = pl.selectors.float().fill_nan(None)
    return verdicts.with_columns(nothing), spread.with_columns(nothing)


def _shifts(judged: pl.DataFrame) -> pl.DataFrame:
    from pipeline.stats.shift import find_shifts

    batches = (
        judged.filter(pl.col("actual_s") > 0)
        .group_by("_key", "batch_id")
        .agg(
            pl.col("started_at").min(),
            (pl.col("actual_s") / pl.col("estimate_s")).log().median().alias("log_ratio"),
        )
        .sort("_key", "started_at")
        .group_by("_key", maintain_order=True)
        .agg("started_at", "log_ratio")
    )
    found, q = find_shifts([np.asarray(values) for values in batches["log_ratio"].to_list()])
    rows = [
        (key, starts[shift.index], float(adjusted), shift.before, shift.after, shift.after_low, shift.after_high)
        for key, starts, shift, adjusted in zip(
            batches["_key"].to_list(), batches["started_at"].to_list(), found, q, strict=True
        )
        if shift is not None and adjusted <= 0.05
    ]
    schema = {
        "_key": judged.schema["_key"],
        "shifted_at": pl.Datetime("us", "UTC"),
        "shift_q": pl.Float64(),
        "drift_before": pl.Float64(),
        "drift_after": pl.Float64(),
        "drift_after_low": pl.Float64(),
        "drift_after_high": pl.Float64(),
    }
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(pl.selectors.float().fill_nan(None))
