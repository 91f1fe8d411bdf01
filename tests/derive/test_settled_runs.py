"""First articles set apart, learning taken out, and false verdicts with both in the data. CPU: 4 s."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.derive.job_drift import job_drift
from pipeline.derive.settled_run import SPELLED, coded, numbered, settled_runs
from pipeline.stats.drift import judge_drift
from pipeline.stats.learning import settled_log
from schemas.mart import MODELS

FIRST = datetime(2026, 1, 5, 6, tzinfo=UTC)
RATES = pl.DataFrame({"machine": ["M1"], "rate_per_hour": [60.0]})


def runs_of(log_ratios: dict[str, list[list[float]]], first_s: float = 0.0) -> pl.DataFrame:
    """core.run of jobs from ln(actual / estimate) of each run of each batch; estimates are 100 s, first runs longer."""
    rows = []
    for job, batches in log_ratios.items():
        for batch, values in enumerate(batches):
            for number, value in enumerate(values):
                begun = FIRST + timedelta(days=7 * batch, minutes=5 * number)
                rows.append(
                    {
                        "run_id": f"{job}-{batch}-{number:03d}", "job_key": job, "part": job, "job": job,
                        "operation": "10", "machine": "M1", "program": job, "batch_id": f"{job}-{batch}",
                        "outcome": "complete", "basis": "measured", "started_at": begun,
                        "actual_s": 100 * math.exp(value) + (first_s if number == 0 else 0.0), "estimate_s": 100.0,
                        "estimate_from": "lines",
                    }
                )  # fmt: skip
    return pl.DataFrame(rows).with_columns(
        pl.lit(None, dtype=pl.String).alias("revision"), pl.col("started_at").dt.cast_time_unit("us")
    )


def shop(rng: np.random.Generator, ratios: list[float], batches: int = 5, runs: int = 8, slope: float = 0.0) -> dict[
    str, list[list[float]]
]:  # fmt: skip
    """Jobs at true ratios with 2 % spread between batches, 1 % between runs, and learning over each batch."""
    learnt = slope * settled_log(np.arange(1, runs + 1))
    return {
        f"J{job:02d}": [
            list(math.log(ratio) + rng.normal(0, 0.02) + learnt + rng.normal(0, 0.01, runs)) for _ in range(batches)
        ]
        for job, ratio in enumerate(ratios)
    }


def drift_of(runs: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """mart.job_drift and mart.run_spread of runs."""
    told = numbered(runs)
    return job_drift(told, settled_runs(told), RATES, 0.03)


def test_texts_as_categories_say_the_same() -> None:
    """Rows that come in parts, none in the first, in no order of time, some of them without a revision."""
    runs = runs_of(shop(np.random.default_rng(5), [1.0, 1.1, 0.9], batches=4, runs=6), first_s=50.0).with_columns(
        pl.when(pl.int_range(pl.len()) % 24 > 11).then(pl.lit("B")).alias("revision"),
        pl.int_range(pl.len(), dtype=pl.UInt64).alias("run_id"),
    )
    mixed = runs.sample(fraction=1.0, shuffle=True, seed=5)
    coded_runs = coded([mixed.clear(), mixed[:11], mixed[11:]])

    assert pl.String not in coded_runs.dtypes
    assert_frame_equal(coded_runs.with_columns(SPELLED), mixed, check_column_order=False)
    for found, expected in zip(drift_of(coded_runs), drift_of(runs), strict=True):
        assert_frame_equal(found, expected, check_exact=True)


def test_first_articles_and_proving_runs_are_set_apart() -> None:
    """A first run of half as long again is a first article, and in the first batch a proving run; no median has it."""
    runs = runs_of(shop(np.random.default_rng(1), [1.0] * 6), first_s=50.0)
    drift, _ = drift_of(runs)

    MODELS["job_drift"].validate(drift)
    assert drift["first_articles"].to_list() == [4] * 6
    assert drift["proving_runs"].to_list() == [1] * 6
    assert drift["first_article_s"].to_list() == [pytest.approx(150, abs=8)] * 6
    assert drift["runs"].to_list() == [40] * 6
    assert drift["verdict"].to_list() == ["on"] * 6
    # they are part of the overrun all the same
    assert drift["overrun_hours"].to_list() == [pytest.approx(5 * 50 / 3600, abs=0.06)] * 6


def test_steady_first_runs_are_not_set_apart() -> None:
    """Of 1,200 batches without first articles hardly any is said to have one."""
    rng = np.random.default_rng(2)
    found = settled_runs(numbered(runs_of(shop(rng, [1.0] * 60, batches=20, runs=5))))
    assert found.runs["apart"].is_not_null().sum() <= 2


def test_a_batch_of_two_has_no_first_article() -> None:
    """Nothing tells which of two runs is the odd one."""
    found = settled_runs(numbered(runs_of({"J1": [[0.5, 0.0]], "J2": [[0.0, 0.01], [0.0, 0.0]]})))
    assert found.runs["apart"].is_null().all()


def test_learning_is_no_drift() -> None:
    """A shop that learns at 92 % in batches of five: its jobs run 6 % over their estimates and are on them, settled."""
    rng = np.random.default_rng(3)
    runs = runs_of(shop(rng, [1.0] * 14 + [1.15], batches=6, runs=5, slope=math.log2(0.92)))
    drift, spread = drift_of(runs)

    assert spread["learning_rate"].item() == pytest.approx(0.92, abs=0.02)
    assert drift["actual_mean_s"][:14].mean() > 106
    assert drift["verdict"].to_list() == ["on"] * 14 + ["over"]
    learnt = drift["learning_hours"] / drift["overrun_hours"]
    assert learnt[:14].to_list() == [pytest.approx(1.0, abs=0.45)] * 14
    assert learnt[14] < 0.7


@pytest.mark.parametrize("slope", [0.0, math.log2(0.95)])
def test_at_the_edge_of_the_tolerance_few_are_called_over(slope: float) -> None:
    """True ratio 1.03, runs that share an error by batch, with and without learning: at most 5 % are called over."""
    rng = np.random.default_rng([4, int(-100 * slope)])
    called = []
    for _ in range(25):
        drift, _ = drift_of(runs_of(shop(rng, [1.03] * 12, slope=slope)))
        called += (drift["verdict"] == "over").to_list()
    assert np.mean(called) <= 0.05


def test_false_discoveries_in_mixed_shops() -> None:
    """400 shops of 12 jobs, four at 1.10, eight at 1.02: of those called over at most 5 % are false, on average."""
    rng = np.random.default_rng(5)
    truth = np.array([1.10] * 4 + [1.02] * 8)
    job, batch = np.repeat(np.arange(12), 50), np.tile(np.repeat(np.arange(5), 10), 12)
    share, found = [], []
    for _ in range(400):
        effects = np.repeat(rng.normal(0, 0.02, 60), 10)
        verdict = judge_drift(job, batch, truth[job] * np.exp(effects + rng.normal(0, 0.01, job.size))).verdict
        over = verdict == "over"
        share.append(over[4:].sum() / max(1, over.sum()))
        found.append(over[:4].mean())
    assert np.mean(share) <= 0.05
    assert np.mean(found) >= 0.9


def test_false_shifts_by_batch() -> None:
    """Steady jobs of ten batches that share an error each: at most 5 % of shops show any shift."""
    from pipeline.stats.shift import find_shifts

    rng = np.random.default_rng(6)
    shops = [find_shifts(list(rng.normal(0, 0.02, (12, 10))), resamples=399)[1] for _ in range(100)]
    share = float(np.mean([(q <= 0.05).any() for q in shops]))
    assert share <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 100)


def test_a_step_is_dated_and_signalled() -> None:
    """A step of +12 % at the seventh of twelve batches: the date, its interval, and the watch's signal."""
    jobs = shop(np.random.default_rng(7), [1.0] * 10, batches=12)
    jobs["J00"] = [[value + (0.113 if batch >= 6 else 0.0) for value in values] for batch, values in
                   enumerate(jobs["J00"])]  # fmt: skip
    drift, _ = drift_of(runs_of(jobs))
    row = drift.row(0, named=True)

    assert row["shifted_at"] == FIRST + timedelta(days=42)
    assert row["shifted_from_at"] <= row["shifted_at"] <= row["shifted_until_at"]
    assert row["alarm"] == "longer"
    assert row["shifted_at"] <= row["alarm_at"] <= row["shifted_at"] + timedelta(days=21)
    assert drift["shifted_at"][1:].is_null().all()


def test_too_few_batches_have_no_shift() -> None:
    """Two batches, far apart: nothing is tested, and shifted_at stays empty."""
    drift, _ = drift_of(runs_of({"J1": [[0.0] * 6, [0.3] * 6], "J2": [[0.01] * 6, [0.0] * 6]}))
    assert drift["shifted_at"].is_null().all()
