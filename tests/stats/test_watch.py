"""Jobs watched batch by batch: the recursion against its plain form, false alarms and delays as stated. CPU: 3 s."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.control_chart import cusum, cusum_run_length
from pipeline.stats.errors import InvalidInput
from pipeline.stats.watch import LIMIT, MOST, SLACK, watch_jobs

Stated = Callable[[str], float]
JOBS, RUNS = 12, 10


def batches_of(rng: np.random.Generator, batches: int, jobs: int = JOBS, scatter: float = 0.0) -> np.ndarray:
    """Medians of batches of ten runs: 2 % spread between batches (scattered over jobs), 1 % between runs."""
    spread = 0.02 * np.exp(rng.normal(0.0, scatter, (jobs, 1)))
    medians = rng.normal(0.0, 0.01 * math.sqrt(0.5 * math.pi / RUNS), (jobs, batches))
    return rng.normal(0.0, 1.0, (jobs, batches)) * spread + medians


def numbers(values: np.ndarray) -> np.ndarray:
    return np.repeat(np.arange(values.shape[0]), values.shape[1])


def test_the_limit_is_that_of_a_thousand_batches() -> None:
    """With a known baseline the chart would run 1,000 batches between false alarms."""
    assert cusum_run_length(0.0, SLACK, LIMIT) == pytest.approx(1000, rel=1e-3)


def test_one_job_is_a_self_starting_cusum() -> None:
    """A job alone, written out: each batch against those before by Student's t, as a normal value, in a plain CUSUM."""
    values = np.random.default_rng(3).normal(0, 0.02, 30)
    values[18:] += 0.06
    z = np.zeros(30)
    for n in range(2, 30):
        before = values[:n]
        t = (values[n] - before.mean()) / (before.std(ddof=1) * math.sqrt(1 + 1 / n))
        z[n] = np.clip(stats.norm.ppf(stats.t.cdf(t, n - 1)), -MOST, MOST)
    chart = cusum(z, 0.0, SLACK)
    signals = np.flatnonzero((chart.high > LIMIT) | (chart.low > LIMIT))
    found = watch_jobs(np.zeros(30, dtype=int), values)

    assert found.first_alarm[0] == signals[0] >= 18
    if found.alarm[0] == found.first_alarm[0]:
        assert found.since[0] == signals[0] - chart.high_count[signals[0]] + 1
    assert found.direction[0] == 1


@pytest.mark.parametrize("scatter", [0.0, 0.5])
def test_steady_jobs_signal_as_seldom_as_stated(stated: Stated, scatter: float) -> None:
    """12 jobs of 40 batches each, their baseline their own past; spreads alike or scattered."""
    rng = np.random.default_rng([40, int(10 * scatter)])
    signals = 0
    for _ in range(200):
        values = batches_of(rng, 40, scatter=scatter)
        signals += int((watch_jobs(numbers(values), values.ravel()).first_alarm >= 0).sum())
    promise = stated("steady jobs that the watch signals within 40 batches")
    margin = 3 * math.sqrt(promise * (1 - promise) / (200 * JOBS))
    assert signals / (200 * JOBS) <= promise + margin
    if scatter == 0.0:
        assert signals / (200 * JOBS) >= promise - margin


@pytest.mark.parametrize("before", [4, 8])
def test_a_step_is_seen_as_soon_as_stated(stated: Stated, before: int) -> None:
    """A step of +10 % in one of 12 jobs, after 4 or 8 batches of ten runs: mean runs until the signal, and its date."""
    rng = np.random.default_rng([10, before])
    delays, dated = [], []
    for _ in range(300):
        values = batches_of(rng, before + 20)
        values[0, before:] += math.log(1.1)
        found = watch_jobs(numbers(values), values.ravel())
        assert found.first_alarm[0] >= 0
        if found.first_alarm[0] >= before:
            delays.append((found.first_alarm[0] - before + 1) * RUNS)
            dated.append(found.alarm[0] != found.first_alarm[0] or abs(int(found.since[0]) - before) <= 1)
    error = float(np.std(delays)) / math.sqrt(len(delays))
    promise = stated(f"runs until the watch signals a step of +10 %, after {before} batches, mean")
    assert abs(float(np.mean(delays)) - promise) <= 3 * error + 0.05
    share = stated("of these steps, dated within a batch by the watch")
    assert np.mean(dated) >= share - 3 * math.sqrt(share * (1 - share) / len(dated))


def test_one_odd_batch_never_signals() -> None:
    """A batch of three times its length alone is no change."""
    values = batches_of(np.random.default_rng(5), 20)
    values[0, 12] += math.log(3)
    assert watch_jobs(numbers(values), values.ravel()).first_alarm[0] == -1


def test_the_chart_begins_anew_after_a_signal() -> None:
    """Up and down again: the latest signal is the second, shorter."""
    values = batches_of(np.random.default_rng(6), 45)
    values[0, 15:30] += 0.15
    found = watch_jobs(numbers(values), values.ravel())
    assert 15 <= found.first_alarm[0] < 20
    assert 30 <= found.alarm[0] < 36
    assert found.direction[0] == -1
    assert abs(int(found.since[0]) - 30) <= 1


def test_nothing_to_watch() -> None:
    """No jobs, one batch each, no spread at all: no signal; unsorted jobs are refused."""
    assert watch_jobs([], []).alarm.size == 0
    assert watch_jobs([0, 1, 2], [0.0, 0.5, -0.5]).alarm.tolist() == [-1, -1, -1]
    assert watch_jobs([0] * 9, [0.1] * 9).alarm.tolist() == [-1]
    with pytest.raises(InvalidInput, match="sorted"):
        watch_jobs([1, 0], [0.0, 0.0])
