"""mart.quote_factor: what real times say about estimates, levels of crossed factors together.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.factor_model import FACTORS, TOOL_KINDS, FactorModel, fit_factors
from pipeline.derive.quote_ratio import CELL
from pipeline.stats.crossed import Predictions
from schemas.mart import columns
from schemas.vocabulary import TIME_KINDS

LEVEL = 0.95


def quote_factor(ratios: pl.DataFrame, spreads: pl.DataFrame, trust: pl.DataFrame) -> pl.DataFrame:
    """Return mart.quote_factor: a row a cell and time kind, one with empty keys for the shop.

    Parameters
    ----------
    ratios : mart.quote_ratio
    spreads : mart.quote_spread
    trust : mart.quote_trust
    """
    numbered = with_job_numbers(ratios)
    factors = [pl.DataFrame(schema=columns("quote_factor"))]
    for time_kind in TIME_KINDS:
        rows = numbered.filter(pl.col("time_kind") == time_kind)
        model = fit_factors(rows, time_kind, spreads)
        if model is None:
            continue
        factors.append(_factors(model, rows, trust))
    return pl.concat(factors).sort("time_kind", *CELL, nulls_last=False)


def with_job_numbers(ratios: pl.DataFrame) -> pl.DataFrame:
    """Add job_number, which tells the jobs of mart.quote_ratio apart."""
    key = ("job_key", "operation", "machine", "program", "revision")
    return ratios.with_columns(pl.struct(key).rank("dense").cast(pl.Int64).alias("job_number"))


def _factors(model: FactorModel, rows: pl.DataFrame, trust: pl.DataFrame) -> pl.DataFrame:
    cells = rows.group_by(CELL).agg(pl.col("runs").sum(), pl.col("job_number").n_unique().alias("jobs")).sort(CELL)
    nobody = pl.DataFrame({name: [None] for name in CELL}, schema=dict.fromkeys(CELL, pl.String()))
    # of the tools of one batch each counts its runs: the shop's runs are those of one of them
    runs = rows.group_by("job_number").agg(pl.col("runs").max())["runs"].sum()
    whole = nobody.with_columns(runs=pl.lit(runs), jobs=pl.lit(rows["job_number"].n_unique()))
    asked = pl.concat([cells, whole.cast(dict(cells.schema))])  # type: ignore[arg-type]
    levels = model.numbers(asked)
    levels[-1] = -1  # the shop: nothing is known of its machine, material ...
    means = _followed_by(model.fit.predict(levels[:-1], with_job=False), model.fit.shop())
    new = model.fit.predict(levels)
    told = trust.filter(pl.col("time_kind") == model.time_kind)
    return asked.with_columns(
        pl.lit(model.time_kind).alias("time_kind"),
        pl.Series("factor", np.exp(means.mean)),
        *_limits(means, "factor"),
        pl.Series("shrinkage", np.append(1.0 - new.settled[:-1], 0.0)),
        pl.Series("predict_log_mean", new.mean),
        pl.Series("predict_log_sd", new.scale).fill_nan(None),
        pl.Series("predict_df", [df if df > 0 else None for df in new.degrees_of_freedom], dtype=pl.Float64),
        pl.lit(bool(told["offered"].item()) if told.height else False).alias("offered"),
        pl.lit(told["because"].item() if told.height else "no job to test it on").alias("because"),
    ).select(pl.col(name).cast(dtype) for name, dtype in columns("quote_factor").items())


def _followed_by(first: Predictions, second: Predictions) -> Predictions:
    names = ("mean", "scale", "degrees_of_freedom", "unseen", "settled")
    return Predictions(*(np.concatenate((getattr(first, name), getattr(second, name))) for name in names))


def _limits(found: Predictions, name: str) -> list[pl.Series]:
    low, high = found.quantile(0.5 - 0.5 * LEVEL), found.quantile(0.5 + 0.5 * LEVEL)
    return [
        pl.Series(f"{name}_low", np.exp(np.clip(low, -300, 300))).fill_nan(None),
        pl.Series(f"{name}_high", np.exp(np.clip(high, -300, 300))).fill_nan(None),
    ]


__all__ = ["FACTORS", "TOOL_KINDS", "quote_factor", "with_job_numbers"]
