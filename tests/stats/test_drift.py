"""Verdicts on jobs: by hand, by a plain re-implementation, by invariances and by simulated shops."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.drift import DriftVerdicts, judge_drift
from pipeline.stats.errors import InvalidInput

Runs = tuple[np.ndarray, np.ndarray, np.ndarray]
ARRAYS = ("runs", "batches", "ratio", "low", "high", "p_over", "p_under", "q", "verdict")


def shop(
    rng: np.random.Generator,
    batches: Sequence[int],
    ratios: Sequence[float],
    between: float = 0.02,
    within: float = 0.01,
    sizes: tuple[int, int] = (4, 20),
) -> Runs:
    """Runs of one job per entry of `batches`, with lognormal batch and run effects."""
    job = np.repeat(np.arange(len(batches)), batches)
    batch = np.concatenate([np.arange(count) for count in batches])
    size = rng.integers(*sizes, job.size)
    effect = np.repeat(rng.normal(np.log(ratios)[job], between), size)
    return np.repeat(job, size), np.repeat(batch, size), np.exp(effect + rng.normal(0.0, within, effect.size))


def same(one: DriftVerdicts, other: DriftVerdicts) -> bool:
    return all(np.array_equal(getattr(one, name), getattr(other, name), equal_nan=name != "verdict") for name in ARRAYS)


def test_one_job_by_hand() -> None:
    """Four batches of three equal runs each: Student's t of the batch medians, widened for the median by asin(1)."""
    logs = np.array([0.10, 0.12, 0.14, 0.08])
    verdicts = judge_drift(np.zeros(12, dtype=int), np.repeat(np.arange(4), 3), np.exp(np.repeat(logs, 3)))
    median = 0.5 * (math.exp(0.10) + math.exp(0.12))
    # Runs of one batch are alike, so the shop's correlation within a batch is 1 and asin(1) / 1 = pi / 2.
    error = logs.std(ddof=1) * math.sqrt(0.25 * (1.0 + (math.pi / 2.0 - 1.0) * 0.75))
    assert verdicts.ratio[0] == pytest.approx(median, rel=1e-12)
    assert verdicts.standard_error[0] == pytest.approx(error, rel=1e-12)
    reach = stats.t.ppf(0.975, 3) * error
    assert verdicts.low[0] == pytest.approx(median * math.exp(-reach), rel=1e-9)
    assert verdicts.high[0] == pytest.approx(median * math.exp(reach), rel=1e-9)
    p_over = stats.t.sf((math.log(median) - math.log(1.03)) / error, 3)
    assert verdicts.p_over[0] == pytest.approx(p_over, rel=1e-9)
    assert verdicts.q[0] == pytest.approx(2.0 * p_over, rel=1e-9)
    assert verdicts.verdict[0] == "over"


def test_single_batches_borrow_the_spread_of_the_shop() -> None:
    """A job of one batch is judged with the pooled spread, wider the fewer runs it has."""
    rng = np.random.default_rng(1)
    job, batch, ratio = shop(rng, [8, 8, 8, 1, 1], [1.0, 1.0, 1.0, 1.2, 1.2], within=0.03, sizes=(12, 13))
    keep = (job < 4) | (np.cumsum(job == 4) <= 5)
    verdicts = judge_drift(job[keep], batch[keep], ratio[keep])
    assert verdicts.pooled_degrees_of_freedom == 21
    assert verdicts.runs.tolist()[3:] == [12, 5]
    assert verdicts.verdict.tolist() == ["on", "on", "on", "over", "over"]
    assert verdicts.standard_error[4] > verdicts.standard_error[3] > verdicts.between_sd
    assert verdicts.degrees_of_freedom[3] > 10


def test_two_batches_far_apart_keep_their_own_spread() -> None:
    """Where two batches of a job differ more than batches of the shop do, the shop's spread does not shrink them."""
    rng = np.random.default_rng(2)
    job, batch, ratio = shop(rng, [9, 9, 9, 2], [1.0, 1.0, 1.0, 1.0], between=0.01)
    ratio = np.where((job == 3) & (batch == 1), 1.3 * ratio, ratio)
    verdicts = judge_drift(job, batch, ratio)
    assert verdicts.low[3] < 1.0
    assert verdicts.verdict[3] == "on"


@pytest.mark.parametrize(
    ("batches", "sizes"),
    [([1], (9, 10)), ([1, 1, 1], (9, 10)), ([4, 4], (1, 2))],
    ids=["one batch", "no job with two batches", "too few runs"],
)
def test_too_few(batches: list[int], sizes: tuple[int, int]) -> None:
    """One batch everywhere, or fewer than five runs of each job, is no ground for a verdict."""
    verdicts = judge_drift(*shop(np.random.default_rng(3), batches, [1.5] * len(batches), sizes=sizes))
    assert set(verdicts.verdict.tolist()) == {"too few"}
    assert bool(np.isnan(verdicts.q).all())
    assert bool((verdicts.ratio > 1.3).all())


def test_jobs_without_runs_are_named_too() -> None:
    """A gap in the numbers is a job without runs."""
    job, batch, ratio = shop(np.random.default_rng(4), [5, 5], [1.0, 1.2])
    verdicts = judge_drift(2 * job, batch, ratio)
    assert verdicts.runs[1] == 0
    assert math.isnan(verdicts.ratio[1])
    assert verdicts.verdict.tolist() == ["on", "too few", "over"]


def test_no_runs_at_all() -> None:
    """An empty shop gives empty columns."""
    verdicts = judge_drift(np.empty(0, dtype=int), np.empty(0, dtype=int), np.empty(0))
    assert verdicts.ratio.size == verdicts.verdict.size == 0
    assert math.isnan(verdicts.between_sd)


def test_steady_clock() -> None:
    """Runs that a clock of whole seconds shows as all alike are over where they are over, and not beyond."""
    ratio = np.repeat([1.10, 1.02, 0.90], 12)
    job = np.repeat(np.arange(3), 12)
    verdicts = judge_drift(job, np.tile(np.repeat(np.arange(4), 3), 3), ratio)
    assert verdicts.verdict.tolist() == ["over", "on", "under"]
    borrowed = judge_drift(
        np.append(job, [3] * 6), np.append(np.tile(np.repeat(np.arange(4), 3), 3), [0] * 6), np.append(ratio, [1.1] * 6)
    )
    assert borrowed.verdict.tolist() == ["over", "on", "under", "too few"]


def test_an_odd_run_in_every_other_batch_changes_little() -> None:
    """A run of five times its length in four of ten batches moves neither the ratio nor the verdict."""
    job, batch, ratio = shop(np.random.default_rng(5), [10, 10], [1.12, 1.0], sizes=(9, 10))
    odd = ratio.copy()
    odd[np.flatnonzero(batch % 2 == 0)[::9]] *= 5.0
    plain, hit = judge_drift(job, batch, ratio), judge_drift(job, batch, odd)
    assert hit.verdict.tolist() == plain.verdict.tolist() == ["over", "on"]
    assert hit.ratio == pytest.approx(plain.ratio, rel=0.005)
    assert hit.within_sd < 1.5 * plain.within_sd


@settings(derandomize=True, max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), batches=st.lists(st.integers(1, 6), min_size=1, max_size=6))
def test_order_and_labels_do_not_matter(seed: int, batches: list[int]) -> None:
    """Runs in any order, and batches by any other name, give the same verdicts."""
    rng = np.random.default_rng(seed)
    job, batch, ratio = shop(rng, batches, [1.05] * len(batches))
    order = rng.permutation(job.size)
    plain = judge_drift(job, batch, ratio)
    assert same(plain, judge_drift(job[order], batch[order], ratio[order]))
    named = np.array([f"order {9 - label}" for label in batch])
    again = judge_drift(job, named, ratio)
    assert again.verdict.tolist() == plain.verdict.tolist()
    assert again.low == pytest.approx(plain.low, rel=1e-9, nan_ok=True)
    assert bool(((plain.low <= plain.ratio) & (plain.ratio <= plain.high) | np.isnan(plain.low)).all())


@settings(derandomize=True, max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_every_figure_equals_a_plain_reckoning(seed: int) -> None:
    """Ratio, limits and p of jobs with three or more batches, written out job by job."""
    job, batch, ratio = shop(np.random.default_rng(seed), [3, 5, 8], [1.0, 1.04, 1.1])
    verdicts = judge_drift(job, batch, ratio)
    correlation = verdicts.between_sd**2 / (verdicts.between_sd**2 + verdicts.within_sd**2)
    for number in range(3):
        mine = job == number
        labels = np.unique(batch[mine])
        medians = np.array([np.median(np.log(ratio[mine & (batch == label)])) for label in labels])
        weights = np.array([(mine & (batch == label)).sum() for label in labels]) / mine.sum()
        loss = math.asin(correlation) / correlation - 1.0 if correlation > 0 else 0.0
        share = float(weights @ weights)
        error = medians.std(ddof=1) * math.sqrt(share * (1.0 + loss * (1.0 - share)))
        centre = math.log(np.median(ratio[mine]))
        assert verdicts.ratio[number] == pytest.approx(np.median(ratio[mine]), rel=1e-12)
        assert verdicts.standard_error[number] == pytest.approx(error, rel=1e-9)
        under = stats.t.sf((math.log(0.97) - centre) / error, labels.size - 1)
        assert verdicts.p_under[number] == pytest.approx(under, rel=1e-8)


def test_components_of_variance() -> None:
    """The shop's spread between batches and between runs comes back from a large shop within 5 %."""
    rng = np.random.default_rng(6)
    verdicts = judge_drift(*shop(rng, [10] * 300, [1.0] * 300, between=0.02, within=0.015, sizes=(2, 5)))
    assert verdicts.between_sd == pytest.approx(0.02, rel=0.05)
    assert verdicts.within_sd == pytest.approx(0.015, rel=0.05)


@pytest.mark.parametrize(("between", "within"), [(0.02, 0.01), (0.01, 0.02), (0.03, 0.003)])
def test_limits_cover(between: float, within: float) -> None:
    """95 % limits hold the true ratio in 94 to 97.5 % of 3600 jobs with 1 to 20 batches."""
    rng = np.random.default_rng([int(1e4 * between), int(1e4 * within)])
    batches = [1, 2, 3, 4, 6, 8, 10, 20] * 3
    hits = []
    for _ in range(150):
        verdicts = judge_drift(*shop(rng, batches, [1.07] * len(batches), between, within))
        hits.append((verdicts.low <= 1.07) & (verdicts.high >= 1.07))
    assert 0.94 <= np.mean(hits) <= 0.975


def test_jobs_just_within_tolerance_are_seldom_called_over() -> None:
    """Where every job's true ratio is 1.03 exactly, no more than 5 % of shops have any job called over."""
    rng = np.random.default_rng(7)
    batches = [1, 1, 2, 2, 3, 3, 5, 5, 8, 8, 12, 12]
    shops = 300
    called = np.array(
        [judge_drift(*shop(rng, batches, [1.03] * 12)).verdict == "over" for _ in range(shops)], dtype=float
    )
    error = 3.0 * math.sqrt(0.05 * 0.95 / shops)
    assert called.any(axis=1).mean() <= 0.05 + error
    assert called.mean() <= 0.05


def test_overruns_are_found() -> None:
    """Of jobs at 1.12 with 6 batches or more, in a shop where the others are at 1.00, over 95 % are called over."""
    rng = np.random.default_rng(8)
    batches, ratios = [6, 8, 12, 6, 8, 12, 6, 8, 12, 6, 8, 12], [1.12, 1.12, 1.12, 0.88, *[1.0] * 8]
    verdicts = np.array([judge_drift(*shop(rng, batches, ratios)).verdict for _ in range(100)])
    assert (verdicts[:, :3] == "over").mean() > 0.95
    assert (verdicts[:, 3] == "under").mean() > 0.95
    assert (verdicts[:, 4:] == "on").mean() > 0.995


def test_ten_thousand_jobs_of_two_hundred_runs() -> None:
    """Two million runs are judged within ten seconds."""
    rng = np.random.default_rng(9)
    job = np.repeat(np.arange(10_000), 200)
    batch = np.tile(np.repeat(np.arange(20), 10), 10_000)
    ratio = np.exp(rng.normal(0.0, 0.02, job.size))
    order = rng.permutation(job.size)
    start = time.perf_counter()
    verdicts = judge_drift(job[order], batch[order], ratio[order])
    assert time.perf_counter() - start < 10.0
    assert verdicts.runs.sum() == job.size


@pytest.mark.parametrize(
    ("job", "batch", "ratio", "message"),
    [
        ([0, 0], [1, 1], [1.0, 0.0], "above zero"),
        ([0, 0], [1, 1], [1.0, math.inf], "infinite"),
        ([0], [1, 1], [1.0, 1.0], "one per ratio"),
        ([-1, 0], [1, 1], [1.0, 1.0], "from 0"),
        ([0.5, 0.0], [1, 1], [1.0, 1.0], "whole numbers"),
    ],
)
def test_impossible_runs(job: list[float], batch: list[int], ratio: list[float], message: str) -> None:
    """Ratios and job numbers that cannot be are refused with what is wrong."""
    with pytest.raises(InvalidInput, match=message):
        judge_drift(job, batch, ratio)


def test_impossible_settings() -> None:
    """Tolerance and level are shares."""
    with pytest.raises(InvalidInput, match="tolerance"):
        judge_drift([0], [0], [1.0], tolerance=3.0)
    with pytest.raises(InvalidInput, match="level"):
        judge_drift([0], [0], [1.0], level=95.0)
