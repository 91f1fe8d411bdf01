"""mart.quote_backtest and mart.quote_trust: had each past job been quoted from what was known before it.

The origin rolls month by month: jobs whose first run lies in a month are quoted from the batches that ended before it.
Jobs of the book's first month, before which nothing is known, are quoted at its end from other jobs alone.
Arranges frames for the statistics; what it adds is the comparison of raw and corrected errors.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.factor_model import TOOL_KINDS, FactorModel, fit_factors
from pipeline.derive.quote_ratio import job_ratios
from pipeline.stats.arrays import FloatArray
from pipeline.stats.crossed import Predictions
from schemas.mart import columns
from schemas.vocabulary import TIME_KINDS

LEAST_TESTED: Final = 5
"""Jobs that it takes to say whether factors beat the raw estimate (our choice, no source)."""
LEAST_FLOORED: Final = 20
"""Jobs that it takes to widen intervals by how those of the past held (our choice, no source)."""
PARTS: Final = 5
"""Into which the jobs of a book's first month are dealt; each is quoted from the other four."""
SURE: Final = 0.05
"""One-sided level of the paired test that they do."""


def quote_backtest(batches: pl.DataFrame, names: pl.DataFrame, spreads: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Return mart.quote_backtest.

    Parameters
    ----------
    batches : as `quote_ratio.batch_ratios` gives them, of all time
    names : as `quote_ratio.job_names`
    spreads : mart.quote_spread
    zone : IANA name of the shop's zone, whose months are meant
    """
    found = [pl.DataFrame(schema=columns("quote_backtest"))]
    jobs = job_ratios(batches, spreads).join(names, on="_key", maintain_order="left")
    local = pl.col("first_at").dt.convert_time_zone(zone)
    jobs = jobs.with_columns(local.dt.truncate("1mo").dt.convert_time_zone("UTC").alias("origin_at"))
    for time_kind in TIME_KINDS:
        own = batches.filter(pl.col("time_kind") == time_kind).sort("ended_at", "_key", "batch_id")
        wanted = jobs.filter(pl.col("time_kind") == time_kind)
        start: FloatArray | None = None
        for (origin,), group in wanted.sort("origin_at").group_by("origin_at", maintain_order=True):
            assert isinstance(origin, datetime)
            known = _rows_before(own, names, spreads, origin)
            model = fit_factors(known, time_kind, start)
            if model is not None:
                start = model.fit.mode if model.fit.rows > 1 else None
                found.append(_quoted(group, model))
            else:
                found += _as_if_new(group, own, names, spreads, zone)
    return pl.concat(found).sort("time_kind", "first_at", "job_key", "operation", "machine", "program", "tool_type")


def _rows_before(batches: pl.DataFrame, names: pl.DataFrame, spreads: pl.DataFrame, origin: datetime) -> pl.DataFrame:
    """Return what the batches that ended before `origin` sum up to, as rows of mart.quote_ratio with job_number."""
    at = pl.Series([origin], dtype=batches["ended_at"].dtype)
    known = batches.head(int(batches["ended_at"].search_sorted(at)[0]))
    rows = job_ratios(known, spreads).join(names, on="_key", maintain_order="left")
    return rows.rename({"_key": "job_number"})


def _as_if_new(
    jobs: pl.DataFrame, batches: pl.DataFrame, names: pl.DataFrame, spreads: pl.DataFrame, zone: str
) -> list[pl.DataFrame]:
    """Quote jobs that began before there was any history at the end of their first month, as if they were new.

    Jobs are dealt to a few parts; those of a part are quoted from the others alone, against their own batches from then
    on. A job without such batches is not quoted.
    """
    origin = jobs["origin_at"].dt.convert_time_zone(zone).dt.offset_by("1mo").dt.convert_time_zone("UTC")[0]
    known = _rows_before(batches, names, spreads, origin)
    later = job_ratios(batches.filter(pl.col("started_at") >= origin), spreads)
    firsts = jobs.select("_key", "tool_type").with_columns(pl.lit(origin).alias("origin_at"))
    told = later.join(firsts, on=["_key", "tool_type"], nulls_equal=True).join(names, on="_key")
    found = [_quoted(jobs.join(told, on=["_key", "tool_type"], how="anti", nulls_equal=True), None)]
    part, start = pl.col("_key").rank("dense") % PARTS, None
    for _, group in (
        told.sort("_key", "tool_type").with_columns(part.alias("part")).group_by("part", maintain_order=True)
    ):
        model = fit_factors(
            known.join(group.select("_key"), left_on="job_number", right_on="_key", how="anti", maintain_order="left"),
            group["time_kind"][0],
            start,
        )
        start = model.fit.mode if model is not None and model.fit.rows > 1 else start
        found.append(_quoted(group, model))
    return found


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
