"""Change points: by hand, against a plain search, and simulated error rates."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.errors import InvalidInput
from pipeline.stats.multiple import benjamini_hochberg
from pipeline.stats.shift import find_shift, find_shifts


def test_a_plain_step() -> None:
    """Eight batches at 1.00 and six at 1.12 change at batch 8; the limits hold the true ratios."""
    rng = np.random.default_rng(3)
    shift = find_shift(np.concatenate((rng.normal(0.0, 0.02, 8), rng.normal(math.log(1.12), 0.02, 6))))
    assert shift is not None
    assert (shift.index, shift.batches) == (8, 14)
    assert shift.before_low < 1.0 < shift.before_high
    assert shift.after_low < 1.12 < shift.after_high
    assert shift.change == pytest.approx(1.12, abs=0.03)
    assert shift.p < 0.005


@settings(derandomize=True, max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), batches=st.integers(6, 25), level=st.floats(-2, 2), factor=st.floats(0.01, 100))
def test_index_is_that_of_a_plain_search(seed: int, batches: int, level: float, factor: float) -> None:
    """The split is the one with the largest t of two samples; level and size of the values do not move it or p."""
    values = np.random.default_rng(seed).normal(0.0, 1.0, batches)
    shift = find_shift(values, resamples=199)
    assert shift is not None

    def t(split: int) -> float:
        left, right = values[:split], values[split:]
        squares = ((left - left.mean()) ** 2).sum() + ((right - right.mean()) ** 2).sum()
        return float(abs(left.mean() - right.mean()) / math.sqrt(squares * (1 / left.size + 1 / right.size)))

    best = max(range(3, batches - 2), key=t)
    assert shift.index == best
    assert shift.before == pytest.approx(math.exp(values[:best].mean()), rel=1e-12)
    assert shift.after == pytest.approx(math.exp(values[best:].mean()), rel=1e-12)
    other = find_shift(level + factor * values, resamples=199)
    assert other is not None
    assert (other.index, other.p) == (shift.index, shift.p)


def test_p_is_the_share_of_all_orders() -> None:
    """With six batches the only split is in the middle: the share is that of the twenty ways to choose three."""
    values = np.array([0.0, 0.03, -0.01, 0.05, 0.01, 0.07])
    observed = abs(values[:3].mean() - values[3:].mean())
    chosen = [np.isin(np.arange(6), three) for three in combinations(range(6), 3)]
    exact = np.mean([abs(values[c].mean() - values[~c].mean()) >= observed - 1e-12 for c in chosen])
    shift = find_shift(values, resamples=20_000)
    assert shift is not None
    assert shift.p == pytest.approx(exact, abs=5.0 * math.sqrt(exact * (1.0 - exact) / 20_000))


def test_weights_count_batches_by_their_runs() -> None:
    """A batch of weight two counts like two, in the means on either side."""
    values, weights = [0.0, 0.1, 0.0, 0.3, 0.2, 0.3, 0.3], [1.0, 2.0, 1.0, 1.0, 1.0, 2.0, 2.0]
    shift = find_shift(values, weights, resamples=499)
    assert shift is not None
    assert shift.index == 3
    assert shift.before == pytest.approx(math.exp(0.2 / 4), rel=1e-12)
    assert shift.after == pytest.approx(math.exp((0.3 + 0.2 + 0.6 + 0.6) / 6), rel=1e-12)
    alike = find_shift(values, [7.0] * 7, resamples=499)
    assert alike is not None
    plain = find_shift(values, resamples=499)
    assert plain is not None
    assert (alike.index, alike.p) == (plain.index, plain.p)


def test_too_short_and_too_even() -> None:
    """Five batches are not tested; a series without spread has nothing to show."""
    assert find_shift([0.0, 0.0, 0.1, 0.1, 0.1]) is None
    assert find_shift([]) is None
    even = find_shift([0.05] * 8)
    assert even is not None
    assert even.p == 1.0
    assert even.before == pytest.approx(even.after)


@pytest.mark.parametrize("batches", [8, 12, 20])
def test_steady_jobs_seldom_alarm(batches: int) -> None:
    """Of 2000 steady jobs no more than 5 % are below p = 0.05, within three binomial errors."""
    rng = np.random.default_rng(batches)
    alarms = [find_shift(rng.normal(0.0, 0.02, batches), resamples=199).p <= 0.05 for _ in range(2000)]
    assert np.mean(alarms) <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 2000)


def test_heavy_tails_seldom_alarm() -> None:
    """The same where one batch in ten is far out: the test does not rest on a normal spread."""
    rng = np.random.default_rng(11)
    alarms = []
    for _ in range(1000):
        values = rng.normal(0.0, 0.02, 12) + np.where(rng.random(12) < 0.1, 0.3, 0.0)
        alarms.append(find_shift(values, resamples=199).p <= 0.05)
    assert np.mean(alarms) <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 1000)


def test_changes_are_found_and_dated() -> None:
    """A step of 12 % at a spread of 2 %: over 95 % found from 4 + 4 batches on; 6 + 6 are dated exactly in 95 %."""
    rng = np.random.default_rng(12)

    def step(side: int, ratio: float) -> np.ndarray:
        return rng.normal(np.repeat([0.0, math.log(ratio)], side), 0.02)

    short = [find_shift(step(4, 1.12), resamples=499) for _ in range(300)]
    assert np.mean([shift.p <= 0.05 for shift in short]) > 0.95
    long = [find_shift(step(6, 1.12), resamples=499) for _ in range(300)]
    assert np.mean([shift.p <= 0.05 for shift in long]) > 0.99
    assert np.mean([shift.index == 6 for shift in long]) > 0.95
    small = [find_shift(step(6, 1.05), resamples=499) for _ in range(300)]
    assert np.mean([shift.p <= 0.05 for shift in small]) > 0.8


def test_family_of_jobs() -> None:
    """Jobs that are not tested have no q; each job's result does not depend on the others."""
    rng = np.random.default_rng(13)
    series = [rng.normal(0.0, 0.02, count) for count in (12, 4, 9, 20)]
    series.append(np.concatenate((rng.normal(0.0, 0.02, 8), rng.normal(0.113, 0.02, 8))))
    shifts, q = find_shifts(series)
    assert [shift is None for shift in shifts] == [False, True, False, False, False]
    assert shifts == [find_shift(values) for values in series]
    p = np.array([math.nan if shift is None else shift.p for shift in shifts])
    assert np.array_equal(q, benjamini_hochberg(p), equal_nan=True)
    assert q[4] <= 0.05 < np.nanmin(q[:4])


def test_one_change_among_many_jobs_is_still_found() -> None:
    """In a family of 300 the usual 1999 permutations could not reach q = 0.05; more are drawn where it matters."""
    rng = np.random.default_rng(14)
    series = [rng.normal(0.0, 0.02, 16) for _ in range(299)]
    series.append(np.concatenate((rng.normal(0.0, 0.02, 12), rng.normal(0.2, 0.02, 12))))
    shifts, q = find_shifts(series)
    assert q[299] <= 0.05
    assert shifts[299] is not None
    assert shifts[299].resamples > 1999
    assert (q[:299] > 0.05).all()


@pytest.mark.parametrize(("step", "widest"), [(0.12, 1.5), (0.05, 4.0)])
def test_the_date_lies_in_its_interval(step: float, widest: float) -> None:
    """Steps at any batch of 14, spread 2 %: 95 % intervals hold the true batch, in a batch or two for a large step."""
    rng = np.random.default_rng([19, int(100 * step)])
    inside, width = [], []
    for _ in range(400):
        values, at = rng.normal(0.0, 0.02, 14), int(rng.integers(3, 12))
        values[at:] += math.log1p(step)
        shift = find_shift(values, resamples=1)
        assert shift is not None
        assert shift.index_low <= shift.index <= shift.index_high
        inside.append(shift.index_low <= at <= shift.index_high)
        width.append(shift.index_high - shift.index_low)
    assert np.mean(inside) >= 0.95 - 3.0 * math.sqrt(0.95 * 0.05 / 400)
    assert np.mean(width) <= widest


def test_impossible_input() -> None:
    """Weights go with values one by one and are above zero; at least one order is drawn."""
    with pytest.raises(InvalidInput, match="expected 6"):
        find_shift([0.0] * 6, [1.0] * 5)
    with pytest.raises(InvalidInput, match="above zero"):
        find_shift([0.0] * 6, [0.0] * 6)
    with pytest.raises(InvalidInput, match="missing"):
        find_shift([0.0] * 5 + [math.nan])
    with pytest.raises(InvalidInput, match="resamples"):
        find_shift([0.0] * 6, resamples=0)
    with pytest.raises(InvalidInput, match="expected 2"):
        find_shifts([[0.0] * 6] * 2, weights=[[1.0] * 6])
