"""Statistics of many tools at once against the single ones: fits, limits, curves and trends are the same numbers.

CPU: about 4 s.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.aft_many import fit_slopes
from pipeline.stats.errors import InvalidInput, TooFewFailures
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.life_trend import life_trend
from pipeline.stats.survival import kaplan_meier
from pipeline.stats.survival_many import kaplan_meier_many
from pipeline.stats.weibull import fit_weibull, quantile_limits
from pipeline.stats.weibull_many import MeanLife, Quantile, WeibullFits, fit_many, limits_many

PUBLISHED = tomllib.loads((Path(__file__).parent / "published" / "lives.toml").read_text(encoding="utf-8"))["weibull"]


def published(case: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    taken_out = [life for life, count in case["censored"] for _ in range(count)]
    lives = np.array(case["failures"] + taken_out, dtype=float)
    return lives, np.arange(lives.size) >= len(case["failures"])


def half_unit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def mixed_tools(seed: int, tools: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lives of tools with 0 to 40 edges, of shapes 0.7 to 6, about half of them censored, some at zero."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(0, 41, tools)
    shape = np.repeat(rng.uniform(0.7, 6.0, tools), sizes)
    scale = np.repeat(10.0 ** rng.uniform(-3, 6, tools), sizes)
    life, removal = (scale * rng.weibull(shape) for _ in range(2))
    lives, censored = np.minimum(life, removal), removal < life
    lives[censored & (rng.random(lives.size) < 0.02)] = 0.0
    return lives, censored, sizes


def one_by_one(sizes: np.ndarray) -> list[slice]:
    ends = np.cumsum(sizes)
    return [slice(end - size, end) for end, size in zip(ends, sizes, strict=True)]


def test_all_published_fits_at_once() -> None:
    """Every published set, fitted as one tool among the others, meets what its source prints (see lives.toml)."""
    sets = [published(case) for case in PUBLISHED]
    lives, censored = (np.concatenate(arrays) for arrays in zip(*sets, strict=True))
    fits = fit_many(LifeSets.of(lives, censored, [lives.size for lives, _ in sets]))
    ours = {
        "shape": fits.shape,
        "scale": fits.scale,
        "log_scale": fits.log_scale,
        "spread": 1.0 / fits.shape,
        "log_likelihood": fits.log_likelihood,
        "mean": fits.mean(),
        "b10": fits.quantile(0.1),
    }
    assert len(PUBLISHED) >= 4
    for number, case in enumerate(PUBLISHED):
        for quantity, printed in case["printed"].items():
            if quantity in ours:
                expected = case.get("recomputed", {}).get(quantity, float(printed))
                assert ours[quantity][number] == pytest.approx(expected, rel=0, abs=half_unit(printed)), case["name"]


def test_fits_and_limits_are_those_of_each_tool() -> None:
    """Shape, scale, likelihood, covariance and limits of 150 tools equal the single fit's; what it refuses is nan."""
    lives, censored, sizes = mixed_tools(1, 150)
    sets = LifeSets.of(lives, censored, sizes)
    fits = fit_many(sets)
    limits = [limits_many(sets, fits, Quantile(p), level) for p, level in ((0.1, 0.9), (0.5, 0.95))]
    for tool, rows in enumerate(one_by_one(sizes)):
        try:
            fit = fit_weibull(lives[rows], censored[rows])
        except TooFewFailures:
            assert not fits.fitted[tool]
            continue
        assert fits.shape[tool] == pytest.approx(fit.shape, rel=1e-9)
        assert fits.scale[tool] == pytest.approx(fit.scale, rel=1e-9)
        assert fits.log_likelihood[tool] == pytest.approx(fit.log_likelihood, rel=1e-9)
        (scale_scale, cross), (_, shape_shape) = fit.covariance
        assert fits.scale_variance[tool] == pytest.approx(scale_scale, rel=1e-7)
        assert fits.covariance[tool] == pytest.approx(cross, rel=1e-6, abs=1e-12)
        assert fits.shape_variance[tool] == pytest.approx(shape_shape, rel=1e-7)
        for (low, high), (p, level) in zip(limits, ((0.1, 0.9), (0.5, 0.95)), strict=True):
            expected = quantile_limits(lives[rows], censored[rows], fit, p, level)
            assert (low[tool], high[tool]) == pytest.approx(expected, rel=1e-6)


def test_random_tools_equal_scipy_and_lifelines() -> None:
    """Shapes and scales of random censored lives equal those of two other implementations to their tolerance."""
    from lifelines import WeibullFitter

    lives, censored, sizes = mixed_tools(2, 40)
    lives = np.maximum(lives, 1e-6)
    sets = LifeSets.of(lives, censored, sizes)
    fits = fit_many(sets)
    compared = 0
    for tool, rows in enumerate(one_by_one(sizes)):
        if sets.failures[tool] < 5 or not 1e-2 < fits.scale[tool] < 1e4:
            continue
        data = stats.CensoredData(uncensored=lives[rows][~censored[rows]], right=lives[rows][censored[rows]])
        shape, _, scale = stats.weibull_min.fit(data, floc=0)
        theirs = WeibullFitter().fit(lives[rows], ~censored[rows])
        assert fits.shape[tool] == pytest.approx(shape, rel=1e-3)
        assert fits.scale[tool] == pytest.approx(scale, rel=1e-3)
        assert fits.shape[tool] == pytest.approx(theirs.rho_, rel=1e-4)
        assert fits.scale[tool] == pytest.approx(theirs.lambda_, rel=1e-4)
        compared += 1
    assert compared >= 10


@pytest.mark.parametrize("seed", range(3))
def test_limits_of_the_mean_lie_where_the_likelihood_says(seed: int) -> None:
    """At each limit of the mean twice the fall of the profile likelihood, by scipy, is the square of Student's t."""
    from scipy import optimize

    rng = np.random.default_rng(seed)
    life, removal = rng.weibull(2.5, 14), rng.weibull(2.5, 14)
    lives, censored = np.minimum(life, removal), removal < life
    sets = LifeSets.of(lives, censored, [14])
    fits = fit_many(sets)

    def likelihood(shape: float, mean: float) -> float:
        scale = mean / math.gamma(1.0 + 1.0 / shape)
        failed = stats.weibull_min.logpdf(lives[~censored], shape, scale=scale).sum()
        return float(failed + stats.weibull_min.logsf(lives[censored], shape, scale=scale).sum())

    for limit in limits_many(sets, fits, MeanLife(), 0.9):
        best = optimize.minimize_scalar(
            lambda k, m=limit[0]: -likelihood(math.exp(k), m), bounds=(-3, 5), method="bounded", options={"xatol": 1e-9}
        )
        distance = stats.t.ppf(0.95, sets.failures[0]) ** 2
        assert 2.0 * (fits.log_likelihood[0] + best.fun) == pytest.approx(distance, abs=1e-5)


def test_a_tool_is_the_same_in_any_company() -> None:
    """Fits, limits and trends of a tool are the same to the last bit, alone and among others."""
    lives, censored, sizes = mixed_tools(3, 60)
    sets = LifeSets.of(lives, censored, sizes)
    some = np.arange(5, 60, 7)

    def results(of: LifeSets) -> list[np.ndarray]:
        fits = fit_many(of)
        slopes = fit_slopes(of, of.groups.position().astype(float))
        return [
            fits.shape, fits.log_scale, fits.log_likelihood, slopes.slope, slopes.low, slopes.high, slopes.shape,
            *limits_many(of, fits, Quantile(0.1), 0.9), *limits_many(of, fits, MeanLife(), 0.9),
        ]  # fmt: skip

    for together, alone in zip(results(sets), results(sets.take(some)), strict=True):
        assert np.array_equal(together[some], alone, equal_nan=True)


def test_slopes_are_those_of_each_tool() -> None:
    """Trend per edge, its limits and the shape about it equal the single tool's, which equals lifelines'."""
    lives, censored, sizes = mixed_tools(4, 60)
    lives = np.maximum(lives, 1e-6)
    sets = LifeSets.of(lives, censored, sizes)
    slopes = fit_slopes(sets, sets.groups.position().astype(float))
    for tool, rows in enumerate(one_by_one(sizes)):
        try:
            trend = life_trend(lives[rows], censored[rows], resamples=1, most_resamples=1)
        except TooFewFailures:
            assert np.isnan(slopes.slope[tool])
            continue
        found = np.expm1([slopes.slope[tool], slopes.low[tool], slopes.high[tool]])
        assert found == pytest.approx([trend.per_edge, trend.low, trend.high], rel=1e-6, abs=1e-8)
        assert slopes.shape[tool] == pytest.approx(trend.shape, rel=1e-7)


def test_kaplan_meier_curves_are_those_of_each_tool() -> None:
    """Steps, log-log band and median equal the single curve's, with ties of ends and removals."""
    rng = np.random.default_rng(5)
    sizes = rng.integers(0, 30, 80)
    lives = rng.integers(1, 12, sizes.sum()).astype(float)
    censored = rng.random(lives.size) < 0.4
    curves = kaplan_meier_many(lives, censored, sizes)
    steps = one_by_one(curves.groups.sizes)
    for tool, rows in enumerate(one_by_one(sizes)):
        single = kaplan_meier(lives[rows], censored[rows])
        for ours, theirs in (
            (curves.times, single.times), (curves.survival, single.survival), (curves.low, single.low),
            (curves.high, single.high),
        ):  # fmt: skip
            assert ours[steps[tool]] == pytest.approx(theirs, rel=1e-12, nan_ok=True)
        assert curves.median[tool] == pytest.approx(single.median, nan_ok=True)


def test_nothing_at_all_and_sizes_that_do_not_add_up() -> None:
    """No tools give empty results; sizes must be those of the lives."""
    empty = LifeSets.of([], [], [0, 0])
    fits: WeibullFits = fit_many(empty)
    assert not fits.fitted.any()
    assert np.isnan(limits_many(empty, fits, Quantile(0.1), 0.9)).all()
    assert kaplan_meier_many([], [], [0]).times.size == 0
    for sizes in ([2], [-1, 2]):
        with pytest.raises(InvalidInput, match="sizes"):
            LifeSets.of([1.0], [False], sizes)
