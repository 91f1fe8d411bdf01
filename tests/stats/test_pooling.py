"""Pooled factors: by hand, against random-effects references, on corner cases and on simulated shops."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.errors import InvalidInput
from pipeline.stats.pooling import Prediction, pool_factors

SIZES = [1, 2, 3, 5, 8, 12]


def observations(rng: np.random.Generator, sizes: list[int], cell_sd: float, job_sd: float = 0.1) -> tuple:
    """Cells, jobs and ln ratios about a shop mean of 0.05, and the true means of the cells."""
    truth = 0.05 + rng.normal(0.0, cell_sd, len(sizes))
    cell = np.repeat(np.arange(len(sizes)), sizes)
    return cell, np.arange(cell.size), truth[cell] + rng.normal(0.0, job_sd, cell.size), truth


def covers(prediction: Prediction, value: float, level: float) -> bool:
    return prediction.factor(0.5 - 0.5 * level) <= math.exp(value) <= prediction.factor(0.5 + 0.5 * level)


def test_balanced_cells_by_hand() -> None:
    """Three cells of three jobs: mean squares, components and shrinkage of the textbook one-way layout."""
    values = np.array([[0.00, 0.02, 0.04], [0.10, 0.12, 0.14], [0.20, 0.22, 0.24]])
    pooled = pool_factors(np.repeat(["a", "b", "c"], 3), np.arange(9), values.ravel())
    within, between = 0.0004, 3 * 0.01
    cell_variance = (between - within) / 3
    trust = cell_variance / (cell_variance + within / 3)
    assert pooled.cells.tolist() == ["a", "b", "c"]
    assert pooled.jobs.tolist() == [3, 3, 3]
    assert pooled.job_sd == pytest.approx(math.sqrt(within), rel=1e-9)
    assert pooled.cell_sd == pytest.approx(math.sqrt(cell_variance), rel=1e-9)
    assert pooled.shrinkage == pytest.approx([1.0 - trust] * 3, rel=1e-9)
    assert pooled.factor == pytest.approx(np.exp(0.12 + trust * np.array([-0.1, 0.0, 0.1])), rel=1e-12)
    assert pooled.shop_factor == pytest.approx(math.exp(0.12), rel=1e-12)
    # The mean of balanced cells has variance MSB / 9 with two degrees of freedom.
    reach = stats.t.ppf(0.975, 2) * math.sqrt(between / 9)
    assert (pooled.shop_low, pooled.shop_high) == pytest.approx(
        (math.exp(0.12 - reach), math.exp(0.12 + reach)), rel=1e-9
    )


@pytest.mark.parametrize("seed", range(5))
def test_shop_mean_equals_statsmodels(seed: int) -> None:
    """Given the same variances of cell means, DerSimonian & Laird's mean and spread are those of statsmodels."""
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(seed)
    cell, job, values, _ = observations(rng, [4, 6, 9, 12], 0.15)
    pooled = pool_factors(cell, job, values)
    means = np.array([values[cell == number].mean() for number in range(4)])
    theirs = combine_effects(means, pooled.job_sd**2 / np.bincount(cell), method_re="dl")
    assert pooled.cell_sd**2 == pytest.approx(theirs.tau2, rel=1e-9)
    assert math.log(pooled.shop_factor) == pytest.approx(theirs.mean_effect_re, rel=1e-9)


def test_one_job_in_all() -> None:
    """A single job gives its own ratio, and says that nothing is known of how sure that is."""
    pooled = pool_factors(["steel"], ["J1"], [0.1])
    prediction = pooled.predict_log("steel")
    assert pooled.factor[0] == pooled.shop_factor == pytest.approx(math.exp(0.1))
    assert math.isnan(pooled.low[0])
    assert math.isnan(pooled.shop_high)
    assert math.isnan(pooled.job_sd)
    assert (prediction.mean, prediction.degrees_of_freedom) == (pytest.approx(0.1), 0.0)
    assert math.isnan(prediction.sd)
    assert math.isnan(prediction.factor(0.9))


def test_one_cell() -> None:
    """With one cell its jobs speak for themselves, and for a kind never run nothing can be said of the spread."""
    values = np.array([0.02, 0.08, 0.11])
    pooled = pool_factors([7, 7, 7], [1, 2, 3], values)
    seen, unseen = pooled.predict_log(7), pooled.predict_log(8)
    assert seen.mean == unseen.mean == pytest.approx(values.mean())
    assert seen.sd == pytest.approx(values.std(ddof=1) * math.sqrt(1 + 1 / 3), rel=1e-9)
    assert seen.degrees_of_freedom == pytest.approx(2.0)
    assert math.isnan(unseen.sd)
    assert unseen.degrees_of_freedom == 0.0


def test_cells_of_one_job_each_take_the_shop() -> None:
    """Where jobs and kinds cannot be told apart every prediction is that for a job of the shop."""
    values = np.array([0.0, 0.1, 0.05, -0.02])
    pooled = pool_factors(list("abcd"), list("wxyz"), values)
    for prediction in (pooled.predict_log("a"), pooled.predict_log(None)):
        assert prediction.mean == pytest.approx(values.mean())
        assert prediction.sd == pytest.approx(values.std(ddof=1) * math.sqrt(1.25), rel=1e-9)
        assert prediction.degrees_of_freedom == 3.0
    assert pooled.shrinkage.tolist() == [1.0] * 4
    assert math.isnan(pooled.cell_sd)


def test_a_thin_cell_is_drawn_to_the_shop_and_wider() -> None:
    """A cell with one odd job lies between that job and the shop, and its limits are wider than a full cell's."""
    rng = np.random.default_rng(1)
    cell, job, values, _ = observations(rng, [10, 10, 10, 1], 0.05)
    values[-1] = 0.5
    pooled = pool_factors(cell, job, values)
    assert math.exp(0.05) < pooled.factor[3] < math.exp(0.5)
    assert pooled.shrinkage[3] > pooled.shrinkage[0]
    width = np.log(pooled.high / pooled.low)
    assert width[3] > width[0]
    assert pooled.predict_log(3).sd > pooled.predict_log(0).sd
    assert pooled.predict_log(None).sd > pooled.predict_log(0).sd


def test_a_cell_is_known_no_worse_than_by_its_own_mean() -> None:
    """What estimating the components costs never makes a cell less certain than its own jobs make it."""
    pooled = pool_factors([0, 0, 0, 1, 1, 1, 2, 2], np.arange(8), [0.0, 0.1, 0.2, 0.02, 0.12, 0.22, 0.1, 0.3])
    for number, jobs in enumerate(pooled.jobs):
        own = pooled.job_sd**2 / jobs
        assert pooled.predict_log(number).sd ** 2 - pooled.job_sd**2 == pytest.approx(own, rel=1e-9)


def test_too_few_second_jobs_to_tell_cells_apart() -> None:
    """Three jobs beyond the first of their cell do not yet split the spread; the fourth does."""
    values = np.array([0.0, 0.01, 0.3, 0.31, 0.6, 0.61, 0.9, 0.91])
    three = pool_factors([0, 0, 1, 1, 2, 2, 3], np.arange(7), values[:7])
    four = pool_factors([0, 0, 1, 1, 2, 2, 3, 3], np.arange(8), values)
    assert three.predict_log(0).mean == pytest.approx(values[:7].mean())
    assert three.job_sd == pytest.approx(values[:7].std(ddof=1))
    assert four.predict_log(0).mean == pytest.approx(0.005, abs=0.001)
    assert four.job_sd == pytest.approx(math.sqrt(0.00005), rel=1e-9)


def test_no_spread_between_cells() -> None:
    """Cells that do not differ are all given the shop's factor; the spread is that of all jobs."""
    values = np.tile([-0.1, 0.1], 6)
    pooled = pool_factors(np.repeat([0, 1, 2], 4), np.arange(12), values)
    assert pooled.factor == pytest.approx([1.0] * 3)
    assert pooled.cell_sd == 0.0
    assert pooled.job_sd == pytest.approx(math.sqrt(0.12 / 11), rel=1e-9)


def test_no_spread_at_all() -> None:
    """Jobs that all come out alike give that factor without any width."""
    pooled = pool_factors([0, 0, 0, 1, 1, 1, 1], np.arange(7), [0.05] * 7)
    assert pooled.factor == pytest.approx([math.exp(0.05)] * 2)
    assert pooled.low == pytest.approx(pooled.high)
    assert pooled.predict_log(0).sd == pytest.approx(0.0, abs=1e-12)


def test_a_job_counts_once() -> None:
    """Several observations of one job in one cell are its mean, and no more certain than one."""
    cell, job, values = [0, 0, 0, 0, 1, 1, 1], [1, 1, 2, 3, 4, 5, 6], [0.0, 0.2, 0.3, 0.1, 0.5, 0.6, 0.4]
    merged = pool_factors([0, 0, 0, 1, 1, 1], [1, 2, 3, 4, 5, 6], [0.1, 0.3, 0.1, 0.5, 0.6, 0.4])
    pooled = pool_factors(cell, job, values)
    assert pooled.factor == pytest.approx(merged.factor)
    assert pooled.low == pytest.approx(merged.low)
    assert pooled.jobs.tolist() == [3, 3]


@settings(derandomize=True, max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(1, 8), min_size=1, max_size=7),
    shift=st.floats(-2, 2),
    scale=st.floats(0.1, 10),
)
def test_invariances(seed: int, sizes: list[int], shift: float, scale: float) -> None:
    """Order and the size of weights do not matter; moving or stretching all ratios moves or stretches the results."""
    rng = np.random.default_rng(seed)
    cell, job, values, _ = observations(rng, sizes, 0.1)
    weight = rng.uniform(0.5, 2.0, values.size)
    plain = pool_factors(cell, job, values, weight)
    order = rng.permutation(values.size)
    other = pool_factors(cell[order], job[order], values[order], scale * weight[order])
    assert other.factor == pytest.approx(plain.factor, rel=1e-9)
    assert other.high == pytest.approx(plain.high, rel=1e-7, nan_ok=True)
    moved = pool_factors(cell, job, shift + values, weight)
    assert moved.factor == pytest.approx(math.exp(shift) * plain.factor, rel=1e-9)
    stretched = pool_factors(cell, job, scale * values, weight)
    ours, theirs = plain.predict_log(0), stretched.predict_log(0)
    assert theirs.sd == pytest.approx(scale * ours.sd, rel=1e-6, nan_ok=True)
    assert theirs.mean == pytest.approx(scale * ours.mean, rel=1e-6, abs=1e-9)
    assert bool(((plain.shrinkage >= 0) & (plain.shrinkage <= 1)).all())


@pytest.mark.parametrize("cell_sd", [0.0, 0.05, 0.1, 0.2])
def test_coverage(cell_sd: float) -> None:
    """Over 600 shops: 90 % limits of a new job hold it in 88.5 to 93 %, 95 % limits of cells in 94 % or more."""
    rng = np.random.default_rng(int(1000 * cell_sd))
    shops = 600
    cells_held, seen, unseen = [], [], []
    for _ in range(shops):
        cell, job, values, truth = observations(rng, SIZES, cell_sd)
        pooled = pool_factors(cell, job, values)
        cells_held.append((pooled.low <= np.exp(truth)) & (np.exp(truth) <= pooled.high))
        new = truth + rng.normal(0.0, 0.1, truth.size)
        seen.append([covers(pooled.predict_log(number), new[number], 0.9) for number in range(truth.size)])
        unseen.append(covers(pooled.predict_log(None), 0.05 + rng.normal(0.0, math.hypot(cell_sd, 0.1)), 0.9))
    # Cells of one shop share its mean, so that the error of the share is taken as if a shop were three, not six.
    error = 3.0 * math.sqrt(0.05 * 0.95 / (3 * shops))
    assert np.mean(cells_held) >= 0.95 - error
    assert 0.885 <= np.mean(seen) <= 0.93
    assert np.mean(unseen) >= 0.9 - 3.0 * math.sqrt(0.9 * 0.1 / shops)


@pytest.mark.parametrize(
    ("cell", "values", "weight", "message"),
    [
        ([], [], None, "no observation"),
        ([0], [0.1, 0.2], None, "2 entries"),
        ([0, 1], [0.1, math.nan], None, "missing"),
        ([0, 1], [0.1, 0.2], [1.0, 0.0], "above zero"),
    ],
)
def test_impossible_input(cell: list[int], values: list[float], weight: list[float] | None, message: str) -> None:
    """Nothing, or what cannot be, is refused with what is wrong."""
    with pytest.raises(InvalidInput, match=message):
        pool_factors(cell, list(range(len(values))), values, weight)
