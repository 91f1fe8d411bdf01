"""mart.quote_backtest and mart.quote_trust: had each past job been quoted from what was known before it.

The origin rolls month by month: jobs whose first run lies in a month are quoted from the batches that ended before it;
while the book is young, day by day. Nothing that came to light later is used: batches count as they ran, and spreads
between them are those of the batches known then. Arranges frames for the statistics; what it adds is the comparison of
raw and corrected errors.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.factor_model import TOOL_KINDS, FactorModel, fit_factors
from pipeline.derive.quote_ratio import batch_spreads, job_ratios, no_spread
from pipeline.stats.arrays import FloatArray
from pipeline.stats.crossed import Predictions
from schemas.mart import columns
from schemas.vocabulary import TIME_KINDS

LEAST_TESTED: Final = 5
"""Jobs that it takes to say whether factors beat the raw estimate (our choice, no source)."""
LEAST_FLOORED: Final = 20
"""Jobs that it takes to widen intervals by how those of the past held (our choice, no source)."""
YOUNG: Final = 50
"""Jobs known at the beginning of a month below which its jobs are quoted day by day (our choice, no source)."""
SURE: Final = 0.05
"""One-sided level of the paired test that they do."""


def quote_backtest(batches: pl.DataFrame, names: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Return mart.quote_backtest.

    Parameters
    ----------
    batches : as `quote_ratio.as_run` gives them, of all time
    names : as `quote_ratio.job_names`
    zone : IANA name of the shop's zone, whose days and months are meant
    """
    found = [pl.DataFrame(schema=columns("quote_backtest"))]
    for time_kind in TIME_KINDS:
        own = batches.filter(pl.col("time_kind") == time_kind).sort("ended_at", "_key", "batch_id", "tool_type")
        start: FloatArray | None = None
        for origin, asked in _by_origin(own, zone):
            known = own.head(int(own["ended_at"].search_sorted(pl.Series([origin], dtype=own["ended_at"].dtype))[0]))
            spreads = batch_spreads(known, None) if known.height else no_spread(time_kind)
            rows = job_ratios(known, spreads).join(names, on="_key", maintain_order="left")
            model = fit_factors(rows.rename({"_key": "job_number"}), time_kind, start)
            start = model.fit.mode if model is not None and model.fit.rows > 1 else None
            jobs = job_ratios(asked, spreads).join(names, on="_key", maintain_order="left")
            found.append(_quoted(jobs.with_columns(pl.lit(origin).alias("origin_at")), model))
    return pl.concat(found).sort("time_kind", "first_at", "job_key", "operation", "machine", "program", "tool_type")


def _by_origin(batches: pl.DataFrame, zone: str) -> Iterator[tuple[datetime, pl.DataFrame]]:
    """Yield instants in order, with the batches of the jobs that are quoted then.

    A job is quoted at the beginning of the local month in which it first ran; of the day, where few jobs were known at
    the beginning of that month.
    """
    firsts = batches.group_by("_key").agg(pl.col("started_at").min().alias("first_at"), pl.col("ended_at").min())
    local = pl.col("first_at").dt.convert_time_zone(zone)
    month, day = (local.dt.truncate(every).dt.convert_time_zone("UTC") for every in ("1mo", "1d"))
    firsts = firsts.with_columns(month.alias("month_at"), day.alias("day_at"))
    known = firsts["ended_at"].sort().search_sorted(firsts["month_at"])
    quoted = firsts.select(
        "_key", pl.when(pl.lit(known) < YOUNG).then("day_at").otherwise("month_at").alias("origin_at")
    )
    placed = batches.join(quoted, on="_key", maintain_order="left").sort("origin_at", "_key", maintain_order=True)
    for (origin,), asked in placed.group_by("origin_at", maintain_order=True):
        assert isinstance(origin, datetime)
        yield origin, asked.drop("origin_at")


def _quoted(jobs: pl.DataFrame, model: FactorModel | None) -> pl.DataFrame:
    """Return what would have been quoted for jobs, and what they took."""
    names = ("corrected_s", "low", "q25", "q75", "high")
    unseen: list[str | None] = [None] * jobs.height
    logs, history = np.full((5, jobs.height), math.nan), 0
    if model is not None:
        prediction = model.predict(jobs, *(jobs[name].to_numpy() for name in ("sampling_variance", "shared_variance")))
        logs[0], logs[1:] = prediction.mean, [prediction.quantile(p) for p in (0.05, 0.25, 0.75, 0.95)]
        unseen, history = _unseen_words(prediction, model), model.fit.rows
    ratios = np.exp(np.clip(logs, -300, 300))
    told = jobs.with_columns(
        (pl.col("estimate_s") * pl.col("log_ratio").exp()).alias("actual_s"),
        *(pl.Series(name, ratio) for name, ratio in zip(names, ratios, strict=True)),
        pl.lit(history).alias("history"),
        pl.Series("unseen", unseen, dtype=pl.String),
    ).with_columns(pl.col(names).fill_nan(None) * pl.col("estimate_s"))
    return told.select(pl.col(name).cast(dtype) for name, dtype in columns("quote_backtest").items())


def _unseen_words(prediction: Predictions, model: FactorModel) -> list[str | None]:
    """Return which factors of each job had no history then."""
    words = np.array([*model.factors])
    return [", ".join(words[row]) or None for row in prediction.unseen]


def quote_trust(backtest: pl.DataFrame) -> pl.DataFrame:
    """Return mart.quote_trust: by kind of time, raw and corrected error, whether intervals held, and what is offered.

    Errors are |quoted / actual - 1|, of jobs for which there was a history; tools of one job are averaged first.
    """
    known = set(backtest["time_kind"])
    rows = [_trust(backtest.filter(pl.col("time_kind") == kind), kind) for kind in TIME_KINDS if kind in known]
    return pl.DataFrame(rows, schema=columns("quote_trust"))


def _trust(tested: pl.DataFrame, time_kind: str) -> dict[str, object]:
    key = ("job_key", "operation", "machine", "program", "revision")
    log = {name: (pl.col(name) / pl.col("actual_s")).log().abs() for name in ("estimate_s", "corrected_s")}
    held = pl.col("actual_s").is_between(pl.col("low"), pl.col("high"))
    held_half = pl.col("actual_s").is_between(pl.col("q25"), pl.col("q75"))
    by_job = (
        tested.filter(pl.col("corrected_s").is_not_null())
        .group_by(key, maintain_order=True)
        .agg(
            log["estimate_s"].mean().alias("raw"),
            log["corrected_s"].mean().alias("corrected"),
            (pl.col("estimate_s") / pl.col("actual_s") - 1).abs().mean().alias("raw_error"),
            (pl.col("corrected_s") / pl.col("actual_s") - 1).abs().mean().alias("corrected_error"),
            held.mean().alias("held"),
            held_half.mean().alias("held_half"),
        )
    )
    better = (by_job["raw"] - by_job["corrected"]).to_numpy()
    p = _one_sided(better)
    offered = better.size >= LEAST_TESTED and p is not None and p <= SURE
    raw, corrected = by_job["raw_error"].mean(), by_job["corrected_error"].mean()
    return {
        "time_kind": time_kind,
        "jobs": by_job.height,
        "raw_error": raw,
        "corrected_error": corrected,
        "closer": float((better > 0).mean()) if better.size else None,
        "p": p,
        "coverage_90": by_job["held"].mean(),
        "coverage_50": by_job["held_half"].mean(),
        "least_reach": _least_reach(by_job["corrected"], by_job["held"].mean()),  # type: ignore[arg-type]
        "offered": offered,
        "because": _because(better.size, raw, corrected, offered),  # type: ignore[arg-type]
    }


def _least_reach(away: pl.Series, held: float | None) -> float | None:
    """Return how far in ln time 90 % intervals have to reach at least, where those of past jobs surely did not hold.

    Split conformal: the ceil(0.9 (n + 1))-th smallest of how far jobs lay from what was quoted.
    """
    number = away.len()
    if held is None or number < LEAST_FLOORED or held >= 0.9 - 1.645 * math.sqrt(0.09 / number):
        return None
    rank = -(-9 * (number + 1) // 10)
    return float(away.sort()[min(rank, number) - 1])


def _one_sided(better: FloatArray) -> float | None:
    """Return the chance of a mean this far above zero by a paired t test; None with fewer than two jobs."""
    from scipy import special

    if better.size < 2:
        return None
    error = float(better.std(ddof=1)) / math.sqrt(better.size)
    if error <= 1e-12:
        return 0.0 if better.mean() > 1e-12 else 1.0
    return float(special.stdtr(better.size - 1, -float(better.mean()) / error))


def _because(jobs: int, raw: float | None, corrected: float | None, offered: bool) -> str:
    """Say why factors are offered or not."""
    if jobs < LEAST_TESTED or raw is None or corrected is None:
        return f"tested on {jobs} past jobs, {LEAST_TESTED} are needed: the estimate stands as it is"
    told = f"off by {corrected:.1%} against {raw:.1%} for the estimate as it stands, over {jobs} past jobs"
    if offered:
        return told
    better = "not surely better" if corrected < raw else "not better"
    return f"{told}: {better}, so the estimate stands as it is"


__all__ = ["LEAST_TESTED", "TOOL_KINDS", "quote_backtest", "quote_trust"]
