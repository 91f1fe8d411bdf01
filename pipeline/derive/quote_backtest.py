"""mart.quote_backtest and mart.quote_trust: had each past job been quoted from what was known before it.

The origin rolls month by month: jobs whose first run lies in a month are quoted from the batches that ended before it;
while the book is young, day by day. Nothing that came to light later is used: batches count as they ran, spreads
between them are those of the batches known then, materials those of the jobs' first batches. So an origin stands for
good once its rows do, and mart.quote_origin keeps what each rests on. Arranges frames for the statistics; what it adds
is the comparison of raw and corrected errors.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline import resources
from pipeline.derive.factor_model import TOOL_KINDS, FactorModel, fit_factors
from pipeline.derive.quote_ratio import batch_spreads, job_ratios, no_spread
from pipeline.derive.settled_run import KEY
from pipeline.stats.arrays import FloatArray
from pipeline.stats.crossed import Predictions
from pipeline.stats.students_t import with_error
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
ORIGINS: Final[dict[str, Any]] = {
    "time_kind": pl.String(),
    "origin_at": pl.Datetime("us", "UTC"),
    "rests_on": pl.Int64(),  # changes with any row that the quotes of this origin rest on, and with the model
    "batch_variance": pl.Float64(),  # what one batch adds to a prediction's variance
    "batch_freedom": pl.Float64(),  # degrees of freedom from which that is known
    "mode": pl.List(pl.Float64()),  # where its fit came out: the next one starts there
}
QUOTED: Final = (
    "time_kind",
    *KEY,
    "material",
    "operation_kind",
    "tool_type",
    "first_at",
    "origin_at",
    "history",
    "unseen",
    "predict_log_mean",
    "predict_log_sd",
    "predict_df",
)
"""Columns of mart.quote_backtest that nothing changes which came to light later."""


def quote_backtest(
    batches: pl.DataFrame,
    names: pl.DataFrame,
    zone: str,
    before: pl.DataFrame | None = None,
    origins_before: pl.DataFrame | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return mart.quote_backtest and mart.quote_origin.

    Parameters
    ----------
    batches : as `quote_ratio.batch_ratios` gives them of runs as they were, of all time
    names : as `quote_ratio.job_names`
    zone : IANA name of the shop's zone, whose days and months are meant
    before, origins_before : these marts as they stood; origins up to the first whose rows changed are kept from them.
        The result is the same without.
    """
    nothing, no_origin = pl.DataFrame(schema=columns("quote_backtest")).select(QUOTED), pl.DataFrame(schema=ORIGINS)
    kept_whole = before is not None and {*QUOTED} <= {*before.columns}
    if before is None or origins_before is None or not kept_whole or not {*ORIGINS} <= {*origins_before.columns}:
        before, origins_before = nothing, no_origin
    found, origins = [nothing], [no_origin]
    job_marks = names.select("_key", pl.struct(KEY).hash(seed=3).alias("_job_mark"))
    for time_kind in TIME_KINDS:
        own = batches.filter(pl.col("time_kind") == time_kind).sort("ended_at", "_key", "batch_id", "tool_type")
        if own.is_empty():
            continue
        first = _first_batches(own, zone)
        marks = _marks(own, first, job_marks)
        stood = origins_before.filter(pl.col("time_kind") == time_kind).sort("origin_at")
        kept = _unchanged(marks, stood)
        origins.append(stood.head(kept).select(pl.col(name).cast(dtype) for name, dtype in ORIGINS.items()))
        if kept:
            is_kept = (pl.col("time_kind") == time_kind) & (pl.col("origin_at") <= stood["origin_at"][kept - 1])
            found.append(before.filter(is_kept).select(QUOTED))
        start = _as_mode(stood["mode"][kept - 1]) if kept else None
        for (origin, known_rows, mark), asked in zip(
            marks[kept:], _asked(first, [origin for origin, _, _ in marks[kept:]]), strict=True
        ):
            known = own.head(known_rows)
            spreads = batch_spreads(known, None) if known.height else no_spread(time_kind)
            rows = job_ratios(known, spreads).join(names, on="_key", maintain_order="left")
            model = fit_factors(rows.rename({"_key": "job_number"}), time_kind, spreads, start)
            start = model.fit.mode if model is not None and model.fit.rows > 1 else None
            cells = asked.join(names.select("_key", *KEY), on="_key", maintain_order="left")
            found.append(_quoted(cells.with_columns(pl.lit(origin).alias("origin_at")), model))
            batch_variance = spreads["between_sd"].item() ** 2 * (1.0 if model is None else model.fit.sampling_unit)
            freedom = _batch_freedom(known, spreads)
            told = (time_kind, origin, mark, batch_variance, freedom, [] if start is None else start.tolist())
            origins.append(pl.DataFrame([told], schema=ORIGINS, orient="row"))
    quoted, rested = pl.concat(found), pl.concat(origins)
    return _against_actual(quoted, rested, batches, names), rested


def _batch_freedom(batches: pl.DataFrame, spreads: pl.DataFrame) -> float:
    """Return the degrees of freedom of the variance between batches (Satterthwaite).

    What the tools of a batch share of it was seen as often as there are batches, the rest once for each tool.
    """
    freedom, between, shared = (float(spreads[name].item()) for name in ("freedom", "between_sd", "shared_sd"))
    if not freedom or not between:
        return 1.0
    each = batches.height / batches["batch_id"].n_unique()
    return between**4 / ((between**2 - shared**2) ** 2 / freedom + shared**4 / (freedom / each))


def _against_actual(
    quoted: pl.DataFrame, origins: pl.DataFrame, batches: pl.DataFrame, names: pl.DataFrame
) -> pl.DataFrame:
    """Return mart.quote_backtest: what was quoted, over the batches that the job has had since, beside what it took."""
    from scipy import special

    took = (
        batches.group_by("time_kind", "_key", "tool_type", maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("batches"),
            pl.col("runs").sum(),
            pl.col("log_ratio").mean(),
            pl.col("estimate_s").median(),
        )
        .join(names.select("_key", *KEY, "part", "job"), on="_key")
    )
    there = quoted.join(took, on=["time_kind", *KEY, "tool_type"], nulls_equal=True).join(
        origins.select("time_kind", "origin_at", "batch_variance", "batch_freedom"), on=["time_kind", "origin_at"]
    )
    mean, sd, freedom, variance, variance_freedom = (
        there.select(told).to_series().cast(pl.Float64).fill_null(math.nan).to_numpy()
        for told in (
            pl.col("predict_log_mean"),
            pl.col("predict_log_sd"),
            pl.col("predict_df"),
            pl.col("batch_variance") / pl.col("batches"),
            pl.col("batch_freedom"),
        )
    )
    # what batches leave open is far surer known than the prediction is
    sd, freedom = with_error(sd, freedom, variance, np.maximum(variance_freedom, 1.0))
    logs = {"corrected_s": mean} | {
        name: mean + sd * special.stdtrit(freedom, p)
        for name, p in (("low", 0.05), ("q25", 0.25), ("q75", 0.75), ("high", 0.95))
    }
    told = there.with_columns(
        (pl.col("estimate_s") * pl.col("log_ratio").exp()).alias("actual_s"),
        *(
            pl.Series(name, np.exp(np.clip(log, -300, 300))).fill_nan(None) * pl.col("estimate_s")
            for name, log in logs.items()
        ),
    )
    order = ("time_kind", "first_at", "job_key", "operation", "machine", "program", "revision", "tool_type")
    return told.select(pl.col(name).cast(dtype) for name, dtype in columns("quote_backtest").items()).sort(order)


def _as_mode(numbers: pl.Series) -> FloatArray | None:
    return numbers.to_numpy() if numbers.len() else None


def _first_batches(batches: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Return the cells of each job, as its first batch has them, with the instant of its quote, in order of that.

    A job is quoted at the beginning of the local month in which it first ran; of the day, where few jobs were known at
    the beginning of that month.
    """
    first = batches.group_by("_key").agg(
        pl.col("batch_id").sort_by("started_at", "batch_id").first(),
        pl.col("started_at").min().alias("_first_at"),
        pl.col("ended_at").min().alias("_known_at"),
    )
    local = pl.col("_first_at").dt.convert_time_zone(zone)
    month, day = (local.dt.truncate(every).dt.convert_time_zone("UTC") for every in ("1mo", "1d"))
    first = first.with_columns(month.alias("_month_at"), day.alias("_day_at"))
    known = first["_known_at"].sort().search_sorted(first["_month_at"], side="left")
    origin = pl.when(pl.lit(known) < YOUNG).then("_day_at").otherwise("_month_at")
    quoted = first.select("_key", "batch_id", origin.alias("origin_at"))
    wanted = ("_key", "time_kind", "tool_type", "material", "operation_kind", "origin_at")
    return (
        batches.join(quoted, on=["_key", "batch_id"], maintain_order="left")
        .select(*wanted, pl.col("started_at").alias("first_at"))
        .sort("origin_at", "_key", "tool_type")
    )


def _asked(first: pl.DataFrame, origins: list[datetime]) -> Iterator[pl.DataFrame]:
    """Yield the cells that are asked about at each of some origins, the last ones there are."""
    if origins:
        later = first.filter(pl.col("origin_at") >= origins[0])
        yield from (rows.drop("origin_at") for _, rows in later.group_by("origin_at", maintain_order=True))


def _marks(batches: pl.DataFrame, first: pl.DataFrame, job_marks: pl.DataFrame) -> list[tuple[datetime, int, int]]:
    """Return origins in order, with how many of `batches` were known then and a number that stands for all rows."""

    def row_marks(rows: pl.DataFrame) -> pl.Series:
        own = pl.struct(pl.exclude("_key", "origin_at", "_job_mark")).hash(seed=4)
        placed = rows.join(job_marks, on="_key", how="left", maintain_order="left")
        return placed.select(pl.struct(own.alias("own"), "_job_mark").hash(seed=5).alias("mark"))["mark"]

    asked = (
        first.select("origin_at", row_marks(first).alias("mark"))
        .group_by("origin_at")
        .agg(pl.col("mark").reinterpret(signed=True).sum(), pl.len())
        .sort("origin_at")
    )
    sums = np.append(np.int64(0), np.cumsum(row_marks(batches).reinterpret(signed=True).to_numpy()))
    known = batches["ended_at"].search_sorted(asked["origin_at"], side="left")
    found = []
    for (origin, *told), rows in zip(asked.iter_rows(), known, strict=True):
        text = repr((model_version(), int(rows), int(sums[rows]), *told))
        mark = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], signed=True)
        found.append((origin, int(rows), mark))
    return found


@lru_cache(maxsize=1)
def model_version() -> str:
    """Return a number that changes with the program text of the model and of what is quoted from it."""
    texts = [
        *(resources.read_text("pipeline.stats", f"{name}.py") for name in ("crossed", "students_t")),
        *(
            resources.read_text("pipeline.derive", f"{name}.py")
            for name in ("factor_model", "quote_backtest", "quote_ratio")
        ),
    ]
    return hashlib.sha256("".join(texts).encode()).hexdigest()[:16]


def _unchanged(marks: list[tuple[datetime, int, int]], stood: pl.DataFrame) -> int:
    """Return how many origins, from the first on, are as they stood: each fit starts where the one before came out."""
    pairs = zip(((at, mark) for at, _, mark in marks), stood.select("origin_at", "rests_on").iter_rows(), strict=False)
    number = 0
    for one, other in pairs:
        if one != other:
            break
        number += 1
    return number


def _quoted(cells: pl.DataFrame, model: FactorModel | None) -> pl.DataFrame:
    """Return what would have been quoted for jobs, but for what their few batches leave open; QUOTED."""
    names = ("predict_log_mean", "predict_log_sd", "predict_df")
    unseen: list[str | None] = [None] * cells.height
    told, history = np.full((3, cells.height), math.nan), 0
    if model is not None:
        prediction = model.predict(cells)
        known = prediction.degrees_of_freedom > 0
        told[0] = prediction.mean
        told[1:] = np.where(known, (prediction.scale, prediction.degrees_of_freedom), math.nan)
        unseen, history = _unseen_words(prediction, model), model.fit.rows
    types = columns("quote_backtest")
    return cells.with_columns(
        *(pl.Series(name, numbers).fill_nan(None) for name, numbers in zip(names, told, strict=True)),
        pl.lit(history).alias("history"),
        pl.Series("unseen", unseen, dtype=pl.String),
    ).select(pl.col(name).cast(types[name]) for name in QUOTED)


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
