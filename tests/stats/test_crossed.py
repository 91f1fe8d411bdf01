"""Crossed factors: against dense algebra, invariances, and on simulated shops with a held-out job. CPU: 20 s."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats import crossed
from pipeline.stats.crossed import Predictions, fit_crossed
from pipeline.stats.errors import InvalidInput

Stated = Callable[[str], float]
SHOPS, JOBS, SIZES, SPREADS, JOB_SD, BATCH_SD = 400, 40, (6, 4, 3), (0.08, 0.06, 0.04), 0.07, 0.03


def rows(rng: np.random.Generator, jobs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Jobs on machines, materials and kinds with effects of their own, and one to five batches each."""
    levels = np.column_stack([rng.integers(0, size, jobs) for size in SIZES])
    effect = sum(rng.normal(0, sd, size)[column] for sd, size, column in zip(SPREADS, SIZES, levels.T, strict=True))
    sampling = BATCH_SD**2 / rng.integers(1, 6, jobs)
    return levels, 0.05 + effect + rng.normal(0, np.sqrt(JOB_SD**2 + sampling)), sampling


def numbered(levels: np.ndarray, new: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number levels that occur from 0; those of the new job that do not are -1."""
    renamed, wanted = levels.copy(), new.copy()
    for at in range(levels.shape[1]):
        known, renamed[:, at] = np.unique(levels[:, at], return_inverse=True)
        found = np.flatnonzero(known == new[at])
        wanted[at] = found[0] if found.size else -1
    return renamed, wanted


def held_out(rng: np.random.Generator, unseen: int | None) -> tuple[Predictions, float]:
    """Predict the last job of a shop from the others; with `unseen` from those of other levels of that factor."""
    levels, values, sampling = rows(rng, JOBS + 1)
    known = np.arange(JOBS + 1) < JOBS
    if unseen is not None:
        known &= levels[:, unseen] != levels[-1, unseen]
    renamed, new = numbered(levels[known], levels[-1])
    fit = fit_crossed(renamed, values[known], sampling[known])
    return fit.predict(new[None], sampling[-1]), float(values[-1])


@pytest.mark.parametrize(
    ("case", "unseen"), [("known levels", None), ("a machine not seen before", 0), ("a material not seen before", 1)]
)
def test_limits_hold_a_new_job_as_stated(stated: Stated, case: str, unseen: int | None) -> None:
    """400 shops of 40 jobs, one held-out job each: 90 and 50 % limits, and the error of the corrected estimate."""
    rng = np.random.default_rng([90, 0 if unseen is None else 1 + unseen])
    inside = {0.9: 0, 0.5: 0}
    errors, raw, told = [], [], []
    for _ in range(SHOPS):
        found, truth = held_out(rng, unseen)
        for share in inside:
            low, high = (float(found.quantile(0.5 + side * share / 2)[0]) for side in (-1, 1))
            inside[share] += low <= truth <= high
        errors.append(abs(truth - float(found.mean[0])))
        raw.append(abs(truth))
        told.append(bool(found.unseen.any()))
    for share, hits in inside.items():
        promise = stated(f"{100 * share:.0f} % limits of a new job, {case}: cover")
        margin = 3 * math.sqrt(promise * (1 - promise) / SHOPS)
        assert abs(hits / SHOPS - promise) <= margin
        # and what is stated is what limits are for, or wider
        assert promise >= share - 3 * math.sqrt(share * (1 - share) / SHOPS)
    error = stated(f"mean absolute error of corrected estimates, {case}")
    assert abs(np.mean(errors) - error) <= 3 * np.std(errors) / math.sqrt(SHOPS) + 0.0005
    assert np.mean(errors) < np.mean(raw)
    assert all(told) if unseen is not None else sum(told) <= SHOPS / 10


def test_a_level_not_seen_before_is_wider() -> None:
    """The spread between machines is part of the limits of a new one; where there is one machine it is not known."""
    levels, values, sampling = rows(np.random.default_rng(1), 60)
    found = fit_crossed(levels, values, sampling).predict([[0, 0, 0], [-1, 0, 0], [-1, -1, -1]])
    width = found.quantile(0.95) - found.quantile(0.05)
    assert width[0] < width[1] < width[2]
    assert found.unseen.sum(axis=1).tolist() == [0, 1, 3]
    assert found.settled[0] > found.settled[1] > found.settled[2]
    levels[:, 0] = 0
    one = fit_crossed(levels, values, sampling).predict([[0, 0, 0], [-1, 0, 0]])
    assert one.degrees_of_freedom[0] > 0
    assert one.degrees_of_freedom[1] == 0
    assert math.isnan(one.quantile(0.95)[1])


def dense(levels: np.ndarray, values: np.ndarray, variance: np.ndarray, ratios: np.ndarray, group: np.ndarray | None,
          group_variance: np.ndarray) -> tuple[float, np.ndarray]:  # fmt: skip
    """Restricted likelihood with v integrated out, and BLUPs of shop and effects, with whole covariance matrices."""
    design = [np.ones((values.size, 1))]
    covariance = np.diag(variance)
    for at, ratio in enumerate(ratios):
        one = np.eye(int(levels[:, at].max()) + 1)[levels[:, at]]
        design.append(one)
        covariance = covariance + ratio**2 * one @ one.T
    if group is not None:
        covariance = covariance + (group[:, None] == group[None, :]) * group_variance[group][:, None]
    inverse = np.linalg.inv(covariance)
    shop = inverse.sum(axis=0) @ values / inverse.sum()
    left = inverse @ (values - shop)
    square = float((values - shop) @ left)
    height = -0.5 * (np.linalg.slogdet(covariance)[1] + math.log(inverse.sum()) + (values.size - 1) * math.log(square))
    effects = [ratio**2 * one.T @ left for ratio, one in zip(ratios, design[1:], strict=True)]
    return height, np.concatenate([[shop], *effects])


@settings(derandomize=True, max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), grouped=st.booleans())
def test_sums_over_levels_are_all_that_is_needed(seed: int, grouped: bool) -> None:
    """Likelihood and effects from the sums equal those of whole covariance matrices, groups included."""
    rng = np.random.default_rng(seed)
    levels, values, sampling = rows(rng, 30)
    levels, _ = numbered(levels, levels[0])
    sizes = tuple(int(column.max()) + 1 for column in levels.T)
    group = rng.integers(0, 12, 30) if grouped else None
    group = None if group is None else np.unique(group, return_inverse=True)[1]
    variance = 1.0 + sampling / JOB_SD**2
    shared = np.zeros(0) if group is None else rng.uniform(0, 1, int(group.max()) + 1)
    base = JOB_SD**2
    sums = crossed._GroupedRows.of(levels, sizes, values, sampling, group, shared * base, base, 0.0).sums(math.log(0.5))
    points = rng.normal(0, 1, (2, 3))
    plain = [dense(levels, values, variance, np.exp(point), group, 0.5 + shared) for point in points]
    heights = crossed._log_posterior(sums, points) - crossed._log_prior(points, sums.prior_scale)
    assert heights[0] - heights[1] == pytest.approx(plain[0][0] - plain[1][0], abs=1e-6)
    for point, (_, effects) in zip(points, plain, strict=True):
        assert np.linalg.solve(crossed._precision(sums, point[None])[0], sums.vector) == pytest.approx(
            effects, abs=1e-9
        )


def test_one_factor_against_a_fine_grid() -> None:
    """The drawn posterior of one spread gives the limits of an integral over two thousand points, within 3 %."""
    rng = np.random.default_rng(4)
    level = np.repeat(np.arange(5), 4)
    values = rng.normal(0, 0.08, 5)[level] + rng.normal(0, 0.05, 20)
    fit = fit_crossed(level[:, None], values)
    found = fit.predict([[0], [-1]])
    sums = crossed._sums(level[:, None], (5,), values - values.mean(), np.ones(20))
    points = np.linspace(-8, 6, 2000)[:, None]
    height = crossed._log_posterior(sums, points)
    weight = np.exp(height - height.max()) / np.exp(height - height.max()).sum()
    inverse = np.linalg.inv(crossed._precision(sums, points))
    means = inverse @ sums.vector
    variance = np.maximum(sums.square - means @ sums.vector, 0) / 19
    for number, (columns, more) in enumerate((([0, 1], 0.0), ([0], np.exp(2 * points[:, 0])))):
        mean = means[:, columns].sum(axis=1)
        spread = np.sqrt(variance * (inverse[:, columns][:, :, columns].sum(axis=(1, 2)) + more + 1.0))
        for share in (0.5, 0.9):
            low, high = (float(found.quantile(0.5 + side * share / 2)[number]) - values.mean() for side in (-1, 1))
            mass = stats.t.cdf((high - mean) / spread, 19) - stats.t.cdf((low - mean) / spread, 19)
            assert float(weight @ mass) == pytest.approx(share, abs=0.03)


def test_spreads_come_back_from_a_large_shop() -> None:
    """4,000 jobs with three tool types each: the spreads between jobs, rows and levels within 15 %."""
    rng = np.random.default_rng(5)
    job = np.repeat(np.arange(4000), 3)
    levels = np.column_stack((rng.integers(0, 40, 4000)[job], rng.integers(0, 25, job.size)))
    machine, tool = rng.normal(0, 0.06, 40), rng.normal(0, 0.04, 25)
    values = machine[levels[:, 0]] + tool[levels[:, 1]] + rng.normal(0, 0.05, 4000)[job] + rng.normal(0, 0.05, job.size)
    fit = fit_crossed(levels, values, group=job)
    assert fit.spreads[0] == pytest.approx(machine.std(ddof=1), rel=0.15)
    assert fit.spreads[1] == pytest.approx(tool.std(ddof=1), rel=0.15)
    assert fit.job_sd == pytest.approx(0.05, rel=0.05)
    assert fit.group_sd == pytest.approx(0.05, rel=0.15)
    effects = fit.predict([[at, 0] for at in range(40)], with_job=False).mean
    assert effects - effects.mean() == pytest.approx(machine - machine.mean(), abs=0.03)


def test_jobs_with_several_tools_are_not_several_jobs() -> None:
    """24 jobs of four tools each, whose rows share 6 % and differ by 1.5 %: 90 % limits hold a row of a new job."""
    rng = np.random.default_rng(12)
    shops, hits = 300, 0
    for _ in range(shops):
        job = np.repeat(np.arange(25), 4)
        levels = np.column_stack((rng.integers(0, 4, 25)[job], np.tile(rng.permutation(4), 25)))
        values = rng.normal(0, 0.06, 4)[levels[:, 0]] + rng.normal(0, 0.05, 4)[levels[:, 1]]
        values = values + rng.normal(0, 0.06, 25)[job] + rng.normal(0, 0.015, 100)
        known = job < 24
        renamed, new = numbered(levels[known], levels[-1])
        found = fit_crossed(renamed, values[known], group=job[known]).predict(new[None])
        hits += float(found.quantile(0.05)[0]) <= values[-1] <= float(found.quantile(0.95)[0])
    assert abs(hits / shops - 0.9) <= 3 * math.sqrt(0.09 / shops)


@pytest.mark.parametrize("apart", [0.01, 1e-5])
@pytest.mark.parametrize("types", [1, 6])
def test_jobs_of_tools_that_hardly_differ_are_as_unsure_as_jobs(types: int, apart: float) -> None:
    """20 jobs of six tools that tell nearly the same: limits of a new job are those of Student's t with 19 degrees.

    That the tools are of kinds which do not differ says nothing of how far jobs lie apart.
    """
    rng = np.random.default_rng(18)
    job, ratios = np.repeat(np.arange(20), 6), []
    for _ in range(12):
        values = rng.normal(0, 0.08, 20)[job] + rng.normal(0, apart, 120)
        levels = np.column_stack((np.zeros(120, dtype=int), np.tile(np.arange(6) % types, 20)))
        found = fit_crossed(levels, values, group=job).predict([[0, 0]])
        means = np.array([values[job == at].mean() for at in range(20)])
        reach = math.sqrt(means.var(ddof=1) * (1 + 1 / 20)) * np.array([stats.t.ppf(p, 19) for p in (0.75, 0.95)])
        told = [float((found.quantile(p) - found.quantile(1 - p))[0]) / 2 for p in (0.75, 0.95)]
        ratios.append(told / reach)
    assert np.mean(ratios, axis=0) == pytest.approx([1.0, 1.0], abs=0.01)


def test_tools_that_share_the_errors_of_their_batches() -> None:
    """30 jobs of five tools whose batches err by 6 % together and 3 % apart: limits hold the rows of a new job."""
    rng = np.random.default_rng(14)
    shops, tools, shared_sd, own_sd = 150, 5, 0.06, 0.03
    hits = {0.5: np.zeros(shops), 0.9: np.zeros(shops)}
    for shop in range(shops):
        job = np.repeat(np.arange(31), tools)
        batches = rng.integers(1, 5, 31)
        types = np.concatenate([rng.permutation(8)[:tools] for _ in range(31)])
        levels = np.column_stack((rng.integers(0, 4, 31)[job], types))
        values = rng.normal(0, 0.06, 4)[levels[:, 0]] + rng.normal(0, 0.05, 8)[types] + rng.normal(0, 0.05, 31)[job]
        values += (rng.normal(0, shared_sd, 31) / np.sqrt(batches))[job]
        values += rng.normal(0, np.sqrt(0.02**2 + own_sd**2 / batches)[job])
        own, shared = (sd**2 / batches[job] for sd in (own_sd, shared_sd))
        known = job < 30
        renamed, new = zip(*(numbered(levels[known], row) for row in levels[~known]), strict=True)
        fit = fit_crossed(renamed[0], values[known], own[known], job[known], shared[known])
        found = fit.predict(np.array(new), own[~known], shared[~known])
        for share, held in hits.items():
            low, high = (found.quantile(0.5 + side * share / 2) for side in (-1, 1))
            held[shop] = ((low <= values[~known]) & (values[~known] <= high)).mean()
    for share, held in hits.items():
        # rows of a shop's new job err together: each shop counts once
        assert abs(held.mean() - share) <= 3 * held.std(ddof=1) / math.sqrt(shops)


@pytest.mark.parametrize(("job_sd", "machine_sd", "least", "most"), [(0.02, 0.1, 3, 9), (0.05, 0.2, 1, 4)])
def test_setups_that_differ_by_batch_more_than_by_job(job_sd: float, machine_sd: float, least: int, most: int) -> None:
    """40 jobs whose batches differ by 30 %, estimated from them: limits of a new job's first batch hold 50 and 90 %."""
    rng = np.random.default_rng(16)
    shops, hits = 150, {0.5: 0, 0.9: 0}
    for _ in range(shops):
        machine, batches = rng.integers(0, 4, 41), rng.integers(least, most + 1, 41)
        job = rng.normal(0, machine_sd, 4)[machine] + rng.normal(0, job_sd, 41)
        told = np.repeat(np.arange(40), batches[:40])
        each = job[told] + rng.normal(0, 0.3, told.size)
        mean = np.bincount(told, weights=each) / batches[:40]
        freedom = told.size - 40
        variance = float(((each - mean[told]) ** 2).sum()) / freedom
        renamed, new = numbered(machine[:40, None], machine[40:])
        fit = fit_crossed(renamed, mean, variance / batches[:40], sampling_freedom=freedom)
        found, first = fit.predict(new[None], variance), job[40] + rng.normal(0, 0.3)
        for share in hits:
            low, high = (float(found.quantile(0.5 + side * share / 2)[0]) for side in (-1, 1))
            hits[share] += low <= first <= high
    for share, held in hits.items():
        assert abs(held / shops - share) <= 3 * math.sqrt(share * (1 - share) / shops)


@pytest.mark.parametrize("apart", [1.0, 4.0])
def test_a_new_machine_in_a_shop_of_three(apart: float) -> None:
    """However far machines lie apart (as jobs do, or four times that), 90 % limits of a fourth hold at least 90 %."""
    rng = np.random.default_rng(15)
    shops, hits = 300, 0
    for _ in range(shops):
        machine = np.append(rng.permutation(np.arange(30) % 3), 3)
        values = rng.normal(0, 0.06 * apart, 4)[machine] + rng.normal(0, 0.06, 31)
        found = fit_crossed(machine[:30, None], values[:30]).predict([[-1]])
        hits += float(found.quantile(0.05)[0]) <= values[30] <= float(found.quantile(0.95)[0])
    assert hits / shops >= 0.9 - 3 * math.sqrt(0.09 / shops)


@settings(derandomize=True, max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), shift=st.floats(-2, 2), order=st.randoms(use_true_random=False))
def test_order_and_level_of_the_ratios(seed: int, shift: float, order: object) -> None:
    """Rows in another order give the same; all ratios moved by a factor move the prediction by it."""
    rng = np.random.default_rng(seed)
    levels, values, sampling = rows(rng, 25)
    levels, _ = numbered(levels, levels[0])
    there = rng.permutation(25)
    one = fit_crossed(levels, values, sampling).predict(levels[:3])
    other = fit_crossed(levels[there], values[there] + shift, sampling[there]).predict(levels[:3])
    assert other.mean - shift == pytest.approx(one.mean, abs=1e-5)
    assert other.scale == pytest.approx(one.scale, rel=1e-3)


def test_the_shops_mean() -> None:
    """Balanced levels: the mean of all rows; its limits are those of a mean, far from those of a new job."""
    levels = np.array([[one, other] for one in range(4) for other in range(5)] * 3)
    values = np.random.default_rng(8).normal(0.1, 0.05, 60) + np.array([0.0, 0.05, -0.05, 0.1])[levels[:, 0]]
    shop = fit_crossed(levels, values).shop()
    assert shop.mean[0] == pytest.approx(values.mean(), abs=1e-9)
    assert shop.quantile(0.975)[0] - shop.quantile(0.025)[0] == pytest.approx(4 * 0.05 / math.sqrt(60), rel=0.3)


def test_little_and_even_shops() -> None:
    """One job has no spread; jobs that all come out alike are predicted so, without width worth naming."""
    alone = fit_crossed([[0, 0]], [0.1]).predict([[0, 0], [-1, 0]])
    assert alone.mean[0] == pytest.approx(0.1)
    assert alone.degrees_of_freedom.tolist() == [0, 0]
    even = fit_crossed([[0], [0], [1], [1]], [0.05] * 4).predict([[0], [-1]])
    assert even.mean == pytest.approx(0.05)
    assert (even.quantile(0.95) - even.quantile(0.05) < 1e-6).all()
    two = fit_crossed([[0], [1]], [0.0, 0.1]).predict([[0], [-1]])
    assert (two.degrees_of_freedom >= 1).all()


@pytest.mark.parametrize(
    ("levels", "values", "sampling", "message"),
    [
        ([], [], None, "no row"),
        ([[0]], [0.1, 0.2], None, "2 rows"),
        ([[-1]], [0.1], None, "from 0"),
        ([[0], [0]], [0.1, math.nan], None, "missing"),
        ([[0], [0]], [0.1, 0.2], [0.1, -0.1], "0 or more"),
    ],
)
def test_impossible_input(levels: list[list[int]], values: list[float], sampling: object, message: str) -> None:
    """Nothing, or what cannot be, is refused with what is wrong; so are levels that were not fitted."""
    with pytest.raises(InvalidInput, match=message):
        fit_crossed(np.array(levels, dtype=int).reshape(-1, 1), values, sampling)
    with pytest.raises(InvalidInput, match="beyond"):
        fit_crossed([[0], [1]], [0.0, 0.1]).predict([[2]])


@pytest.mark.parametrize("freedom", [1.0, 1.4, 2.0, 3.7, 30.0, 499.0])
def test_the_tabled_distribution_is_students(freedom: float) -> None:
    below, _ = crossed._distribution(freedom)
    x = np.concatenate((np.linspace(-40.0, 40.0, 20_001), [-1e9, -1e4, 1e4, 1e9, -math.inf, math.inf]))
    away = np.abs(below(x) - stats.t.cdf(x, freedom))
    assert away[:-6].max() < 5e-9
    assert away.max() < 1e-5
