"""mart.quote_factor: what real times say about estimates, shrunk towards the shop's mean where runs are few.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own.
"""

from __future__ import annotations

import polars as pl

from pipeline.derive.settled_run import KEY
from schemas.mart import columns

CELL = ("machine", "material", "operation_kind", "tool_type")


def quote_factor(
    runs: pl.DataFrame,
    drift: pl.DataFrame,
    tool_use: pl.DataFrame,
    estimate_lines: pl.DataFrame,
    batches: pl.DataFrame,
    load_estimates: pl.DataFrame,
) -> pl.DataFrame:
    """Return mart.quote_factor: a row a cell and time kind, and one row with empty keys for the whole shop.

    Parameters
    ----------
    runs : core.run
    drift : mart.job_drift; of a job that shifted only the runs since then count, for the next quote is about today
    tool_use : core.tool_use
    estimate_lines : core.estimate_line
    batches : core.batch
    load_estimates : estimate_id, load_s
    """
    shifted = drift.select(*KEY, "shifted_at").filter(pl.col("shifted_at").is_not_null())
    judged = (
        runs.filter((pl.col("outcome") == "complete") & pl.col("estimate_s").is_not_null())
        .join(shifted, on=KEY, how="left", nulls_equal=True, maintain_order="left")
        .filter(pl.col("shifted_at").is_null() | (pl.col("started_at") >= pl.col("shifted_at")))
        .with_columns(pl.struct(KEY).rank("dense").alias("job_number"))
    )
    frames = [pl.DataFrame(schema=columns("quote_factor"))]
    for time_kind, ratios in {
        "cycle": _cycle_ratios(judged),
        **_tool_ratios(judged, tool_use, estimate_lines),
        "setup": _setup_ratios(judged, batches),
        "load": _load_ratios(judged, batches, load_estimates),
    }.items():
        usable = ratios.filter((pl.col("ratio") > 0) & pl.col("ratio").is_finite())
        if usable.height:
            frames.append(_pooled(usable, time_kind))
    return pl.concat(frames).sort("time_kind", *CELL, nulls_last=False)


def _cell(frame: pl.DataFrame) -> pl.DataFrame:
    missing = [pl.lit(None, dtype=pl.String).alias(name) for name in CELL if name not in frame.columns]
    return frame.with_columns(missing)


def _cycle_ratios(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.group_by("job_number").agg(
        pl.col("machine", "material", "operation_kind").last(),
        pl.len().alias("runs"),
        (pl.col("actual_s") / pl.col("estimate_s")).median().alias("ratio"),
    )


def _tool_ratios(judged: pl.DataFrame, tool_use: pl.DataFrame, estimate_lines: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Cut and non-cut time of each job and tool type against what its estimate's lines allow."""
    lines = estimate_lines.filter(pl.col("tool").is_not_null())
    paired = (
        judged.filter(pl.col("estimate_from") == "lines")
        .select("run_id", "job_number", "machine", "material", "operation_kind", "estimate_id")
        .join(tool_use.filter(pl.col("tool").is_not_null()).drop("machine"), on="run_id")
        .join(lines, on=["estimate_id", "tool"], suffix="_allowed")
    )
    summed = paired.group_by("job_number", "tool_type").agg(
        pl.col("machine", "material", "operation_kind").last(),
        pl.col("run_id").n_unique().alias("runs"),
        # whole microseconds add up to the same in any order of rows
        (pl.col("cut_s", "noncut_s", "cut_s_allowed", "noncut_s_allowed") * 1e6).round().cast(pl.Int64).sum(),
    )
    return {
        "cut": summed.with_columns((pl.col("cut_s") / pl.col("cut_s_allowed")).alias("ratio")),
        "noncut": summed.with_columns((pl.col("noncut_s") / pl.col("noncut_s_allowed")).alias("ratio")),
    }


def _batch_keys(judged: pl.DataFrame) -> pl.DataFrame:
    return judged.group_by("batch_id").agg(
        pl.col("job_number", "material", "operation_kind", "estimate_id").last(), pl.len().alias("batch_runs")
    )


def _setup_ratios(judged: pl.DataFrame, batches: pl.DataFrame) -> pl.DataFrame:
    set_up = batches.filter((pl.col("setup_s") > 0) & (pl.col("quoted_setup_s") > 0)).join(
        _batch_keys(judged), on="batch_id"
    )
    return set_up.group_by("job_number").agg(
        pl.col("machine", "material", "operation_kind").last(),
        pl.col("batch_runs").sum().alias("runs"),
        (pl.col("setup_s") / pl.col("quoted_setup_s")).median().alias("ratio"),
    )


def _load_ratios(judged: pl.DataFrame, batches: pl.DataFrame, load_estimates: pl.DataFrame) -> pl.DataFrame:
    loaded = (
        batches.filter(pl.col("between_cycles_s") > 0)
        .join(_batch_keys(judged), on="batch_id")
        .join(load_estimates.filter(pl.col("load_s") > 0), on="estimate_id")
    )
    return loaded.group_by("job_number").agg(
        pl.col("machine", "material", "operation_kind").last(),
        pl.col("batch_runs").sum().alias("runs"),
        (pl.col("between_cycles_s") / pl.col("load_s")).median().alias("ratio"),
    )


def _pooled(ratios: pl.DataFrame, time_kind: str) -> pl.DataFrame:
    """Pool one time kind over its cells; jobs count once a cell."""
    from pipeline.stats.pooling import pool_factors

    ratios = _cell(ratios).with_columns(pl.struct(CELL).rank("dense").alias("cell"))
    pooled = pool_factors(ratios["cell"].to_numpy(), ratios["job_number"].to_numpy(), ratios["ratio"].log().to_numpy())
    cells = ratios.group_by("cell").agg(pl.col(CELL).first(), pl.col("runs").sum()).sort("cell")
    predictions = [pooled.predict_log(label) for label in pooled.cells]
    shop = pooled.predict_log(None)
    by_cell = cells.with_columns(
        pl.Series("jobs", pooled.jobs),
        pl.Series("factor", pooled.factor),
        pl.Series("factor_low", pooled.low),
        pl.Series("factor_high", pooled.high),
        pl.Series("shrinkage", pooled.shrinkage),
        pl.Series("predict_log_mean", [p.mean for p in predictions]),
        pl.Series("predict_log_sd", [p.sd for p in predictions]),
        pl.Series("predict_df", [p.degrees_of_freedom for p in predictions]),
    )
    whole = pl.DataFrame(
        {
            "runs": [ratios["runs"].sum()],
            "jobs": [ratios["job_number"].n_unique()],
            "factor": [pooled.shop_factor],
            "factor_low": [pooled.shop_low],
            "factor_high": [pooled.shop_high],
            "shrinkage": [0.0],
            "predict_log_mean": [shop.mean],
            "predict_log_sd": [shop.sd],
            "predict_df": [shop.degrees_of_freedom],
        }
    )
    return (
        pl.concat([by_cell, whole], how="diagonal_relaxed")
        .with_columns(pl.lit(time_kind).alias("time_kind"))
        .select(pl.col(name).cast(dtype) for name, dtype in columns("quote_factor").items())
        .with_columns(pl.selectors.float().fill_nan(None))
        # one job has no spread, and so no degrees of freedom to predict with
        .with_columns(pl.when(pl.col("predict_df") > 0).then("predict_df"))
    )
