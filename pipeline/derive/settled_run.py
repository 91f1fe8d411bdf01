"""Complete runs with an estimate as drift and quotes look at them: learning taken out, first articles set apart.

Arranges frames for the statistics; it computes no statistics of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

KEY: Final = ("job_key", "operation", "machine", "program", "revision")
"""What makes a job in the mart; null is a value of its own."""
IS_COMPLETE: Final = pl.col("outcome") == "complete"
FIRST_ARTICLE_SDS: Final = 5.0
"""A first run is a first article where it takes this many robust standard deviations longer than its batch ..."""
FIRST_ARTICLE_LOG: Final = math.log(1.05)
"""... and at least 5 % (our choice, no source)."""
LEAST_OTHERS: Final = 2
"""Runs beside it that a batch must have."""
MOST_PROVING: Final = 3
"""Runs at the beginning of a job's first batch that may be proving runs."""
SPELLED: Final = pl.selectors.categorical().cast(pl.String)
"""What stands as a category as the text that it means."""


@dataclass(frozen=True)
class SettledRuns:
    """Complete runs with an estimate and a length.

    `runs` has a row a run, sorted by job and time: the columns of `numbered`, log_ratio (of actual to estimate),
    settled_log (the same as of a settled run of its batch), learning_log (what learning adds to it) and apart (null,
    `first article` or `proving`). `slopes` has _key and slope of each job.
    """

    runs: pl.DataFrame
    slopes: pl.DataFrame
    learning_rate: float
    learning_p: float | None

    def counted(self, *names: str) -> pl.DataFrame:
        """Return columns of the runs that medians, verdicts and factors rest on."""
        return self.runs.select("apart", *names).filter(pl.col("apart").is_null()).drop("apart")


def coded(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Return the rows of sql/query/runs_counted.sql together, texts as categories: 100 bytes a run where it was 400.

    Runs follow each other batch by batch, so that only the first of each stretch of like rows is looked up.
    """
    category = pl.Categorical(pl.Categories.random())
    found = []
    for rows in parts:
        texts = [name for name, dtype in rows.schema.items() if dtype == pl.String]
        is_first = _begins_stretch(rows, texts)
        told = rows.filter(is_first).select(pl.col(texts).cast(category))
        # a column as it came would keep the texts that came with it in memory: all of them are copied
        numbers = rows.drop(texts).select(pl.all().gather(pl.int_range(pl.len())))
        found.append(numbers.hstack(told.select(pl.all().gather(_stretch(is_first)))))
    return pl.concat(found, rechunk=True)


def numbered(runs: pl.DataFrame) -> pl.DataFrame:
    """Return runs as `coded` gives them, sorted by job and time; _key is the number of the job, _run of the run itself.

    What else names the run is left out.
    """
    # stored runs mostly are in order of time: it is looked at, which costs less than to sort them
    by_job = runs.with_columns(_numbers(runs, KEY).alias("_key")).sort("_key", maintain_order=True)
    key, started_at, run_id = (pl.col(name) for name in ("_key", "started_at", "run_id"))
    is_later = (started_at > started_at.shift()) | ((started_at == started_at.shift()) & (run_id > run_id.shift()))
    is_in_order = by_job.select((is_later | (key != key.shift())).fill_null(value=True).all()).item()
    in_order = by_job if is_in_order else by_job.sort("_key", "started_at", "run_id")
    return in_order.drop("run_id").with_row_index("_run")


def _numbers(rows: pl.DataFrame, names: Sequence[str]) -> pl.Series:
    """Return numbers from 0 of what rows say under some names, in the order in which it is sorted."""
    is_first = _begins_stretch(rows, names)
    stretches = rows.filter(is_first).select(names)
    known = stretches.unique().sort(names).with_row_index("_number")
    numbers = stretches.join(known, on=names, nulls_equal=True, maintain_order="left")["_number"]
    return numbers.gather(_stretch(is_first))


def _begins_stretch(rows: pl.DataFrame, names: Sequence[str]) -> pl.Series:
    """Return whether each row is the first of a stretch of rows that say the same under some names."""
    is_other = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in names)
    return rows.select(is_other | (pl.int_range(pl.len()) == 0)).to_series()


def _stretch(is_first: pl.Series) -> pl.Series:
    """Return the number from 0 of the stretch that each row lies in."""
    return is_first.cast(pl.UInt32).cum_sum() - 1


def settled_runs(runs: pl.DataFrame) -> SettledRuns:
    """Return the runs that can be judged.

    Parameters
    ----------
    runs : as `numbered` gives them; those of complete cycles count
    """
    from pipeline.stats.learning import estimate_learning, settled_log

    judged = (
        runs.filter(IS_COMPLETE & pl.col("estimate_s").is_not_null() & (pl.col("actual_s") > 0))
        .with_columns(
            pl.col("_key").rle_id().cast(pl.Int64).alias("_job"),
            (pl.col("actual_s") / pl.col("estimate_s")).log().alias("log_ratio"),
        )
        .pipe(lambda told: told.with_columns(_numbers(told, ["_key", "batch_id"]).cast(pl.Int64).alias("_batch")))
        .with_columns(pl.int_range(1, pl.len() + 1).over("_batch").alias("number"))  # they are in order of time
    )
    job, batch = judged["_job"].to_numpy(), judged["_batch"].to_numpy()
    number, log_ratio = judged["number"].to_numpy(), judged["log_ratio"].to_numpy()
    learning = estimate_learning(job, batch, number, log_ratio)
    added = learning.slope[job] * settled_log(number) if judged.height else log_ratio
    settled = judged.with_columns(
        pl.Series("learning_log", added, dtype=pl.Float64), pl.Series("settled_log", log_ratio - added)
    )
    slopes = pl.DataFrame(
        {"_key": judged["_key"].unique().sort(), "slope": learning.slope},
        schema={"_key": judged.schema["_key"], "slope": pl.Float64},
    )
    p = None if math.isnan(learning.p) else learning.p
    return SettledRuns(_set_apart(settled), slopes, learning.rate, p)


def _set_apart(settled: pl.DataFrame) -> pl.DataFrame:
    """Mark first articles, and the proving runs of a job's first batch.

    A run counts as one only where everything before it in its batch does; it is compared with the runs of its batch
    that come after those that may be proving runs.
    """
    later = pl.col("number") > MOST_PROVING
    usual = (
        settled.group_by("_batch")
        .agg(
            pl.len().alias("batch_runs"),
            pl.when(later.sum() >= LEAST_OTHERS)
            .then(pl.col("settled_log").filter(later).median())
            .otherwise(pl.col("settled_log").filter(pl.col("number") > 1).median())
            .alias("usual"),
            later.sum().alias("later"),
        )
    )  # fmt: skip
    away = pl.col("settled_log") - pl.col("usual")
    placed = settled.select("_batch", "number", "settled_log").join(usual, on="_batch", maintain_order="left")
    spread = placed.filter(pl.col("number") > 1).select(away.abs().median() / 0.6745).item() or 0.0
    is_first_batch = (pl.col("_batch") == pl.col("_batch").first()).over("_key")
    may_be = (
        pl.when(is_first_batch & (pl.col("later") >= LEAST_OTHERS))
        .then(pl.col("number") <= MOST_PROVING)
        .otherwise(pl.col("number") == 1)
    )
    is_long = away > max(FIRST_ARTICLE_SDS * spread, FIRST_ARTICLE_LOG)
    return (
        settled.with_columns(placed["usual", "later", "batch_runs"])
        .with_columns((may_be & is_long & (pl.col("batch_runs") > LEAST_OTHERS)).fill_null(value=False).alias("_long"))
        .with_columns(
            pl.when(pl.col("_long").cast(pl.Int8).cum_min().over("_batch").cast(pl.Boolean))
            .then(pl.when(is_first_batch).then(pl.lit("proving")).otherwise(pl.lit("first article")))
            .alias("apart")
        )
        .drop("_long", "usual", "later", "batch_runs")
    )
