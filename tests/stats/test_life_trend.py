"""Trends of life from edge to edge: against another implementation, invariances, and simulated error rates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.errors import InvalidInput, TooFewFailures
from pipeline.stats.life_trend import LifeTrend, life_trend
from pipeline.stats.likelihood import crossing
from pipeline.stats.permutation import permuted_share

Edges = tuple[np.ndarray, np.ndarray]


def censored_edges(rng: np.random.Generator, edges: int, shape: float, per_edge: float, share: float = 0.5) -> Edges:
    """Edges whose life changes by `per_edge`, each censored with chance `share` by a life of its own."""
    level = 100.0 * (1.0 + per_edge) ** np.arange(edges)
    while True:
        life, removal = level * rng.weibull(shape, edges), level * rng.weibull(shape, edges)
        if share == 0.0:
            return life, np.zeros(edges, dtype=bool)
        removal *= (share / (1.0 - share)) ** (-1.0 / shape)
        if (life <= removal).sum() >= 5:
            return np.minimum(life, removal), removal < life


def used_until_a_day(rng: np.random.Generator, edges: int, shape: float, planned: float | None) -> Edges:
    """Steady edges one after the other until a fixed time; the last is in use, `planned` is an age of change."""
    end = edges * math.gamma(1.0 + 1.0 / shape)
    while True:
        life = rng.weibull(shape, 4 * edges)
        age = np.full(life.size, math.inf if planned is None else planned)
        used, censored = np.minimum(life, age), age < life
        finished = int(np.searchsorted(np.cumsum(used), end))
        lives, marks = used[: finished + 1].copy(), censored[: finished + 1].copy()
        lives[-1], marks[-1] = end - lives[:-1].sum(), True
        if (~marks).sum() >= 5:
            return lives, marks


def quick(edges: Edges, seed: int, last_in_use: bool = True) -> LifeTrend:
    return life_trend(*edges, seed=seed, resamples=199, most_resamples=199, last_in_use=last_in_use)


@pytest.mark.parametrize("seed", range(6))
def test_effect_equals_lifelines(seed: int) -> None:
    """Slope and shape are those of lifelines' Weibull accelerated-failure-time fit on the order of edges."""
    import pandas as pd
    from lifelines import WeibullAFTFitter

    lives, censored = censored_edges(np.random.default_rng(seed), 25, 3.0, -0.03)
    frame = pd.DataFrame({"life": lives, "failed": (~censored).astype(int), "order": np.arange(25.0)})
    theirs = WeibullAFTFitter().fit(frame, "life", "failed").params_
    ours = quick((lives, censored), 1)
    assert math.log1p(ours.per_edge) == pytest.approx(theirs["lambda_", "order"], abs=1e-5)
    assert ours.shape == pytest.approx(math.exp(theirs["rho_", "Intercept"]), rel=1e-4)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.floats(1e-6, 1e6))
def test_unit_does_not_matter(seed: int, factor: float) -> None:
    """Lives in another unit give the same trend, limits and p-values."""
    lives, censored = censored_edges(np.random.default_rng(seed), 15, 2.5, -0.02)
    plain, other = quick((lives, censored), 3), quick((factor * lives, censored), 3)
    assert other.per_edge == pytest.approx(plain.per_edge, abs=1e-7)
    assert (other.low, other.high) == pytest.approx((plain.low, plain.high), rel=1e-5, abs=1e-6)
    assert (other.p, other.p_falling) == (plain.p, plain.p_falling)
    assert plain.low < plain.per_edge < plain.high


def test_reversed_order_turns_the_trend_round() -> None:
    """The same edges backwards fall where they rose, by the same share, with the same two-sided p."""
    lives, censored = censored_edges(np.random.default_rng(4), 20, 3.0, -0.04)
    there = life_trend(lives, censored, last_in_use=False)
    back = life_trend(lives[::-1], censored[::-1], last_in_use=False)
    assert (1.0 + there.per_edge) * (1.0 + back.per_edge) == pytest.approx(1.0, abs=1e-8)
    assert (1.0 + there.low) * (1.0 + back.high) == pytest.approx(1.0, abs=1e-6)
    error = math.sqrt(there.p * (1.0 - there.p) / there.resamples)
    assert back.p == pytest.approx(there.p, abs=6.0 * error)
    assert there.p_falling + back.p_falling == pytest.approx(1.0, abs=6.0 * error + 2e-4)


def test_same_seed_same_answer() -> None:
    """A result can be had again."""
    edges = censored_edges(np.random.default_rng(5), 20, 3.0, -0.02)
    assert life_trend(*edges) == life_trend(*edges)


def test_clear_fall_gets_a_small_p_and_more_permutations() -> None:
    """Thirty edges that fall by 6 % each are beyond doubt; more permutations are drawn to say how far."""
    trend = life_trend(*censored_edges(np.random.default_rng(6), 30, 4.0, -0.06, share=0.0))
    assert trend.p < 1e-4
    assert trend.p_falling < 1e-4
    assert trend.resamples > 4999
    assert trend.low < -0.06 < trend.high < 0.0


def test_permutation_share_equals_all_orders() -> None:
    """With five edges the drawn share is that of all 120 orders, within five binomial errors."""
    from itertools import permutations

    position, score = np.arange(5.0), np.array([0.3, -1.0, 2.0, 0.1, -0.7])
    centred = position - 2.0
    observed = centred @ score
    sums = np.array([centred @ np.array(order) for order in permutations(score)])
    low, extreme, drawn = permuted_share(position, score, 1, 20_000, 20_000)
    for ours, exact in (
        (low, (sums <= observed + 1e-12).mean()),
        (extreme, (abs(sums) >= abs(observed) - 1e-12).mean()),
    ):
        assert ours == pytest.approx(exact, abs=5.0 * math.sqrt(exact * (1.0 - exact) / drawn) + 1e-4)


@pytest.mark.parametrize("shape", [2.0, 4.0])
@pytest.mark.parametrize("edges", [10, 20])
def test_steady_lives_seldom_alarm(edges: int, shape: float) -> None:
    """Of 800 steady tools, half of their edges censored, 5 % are below p = 0.05, within three binomial errors."""
    rng = np.random.default_rng([edges, int(shape)])
    tools = 800
    trends = [quick(censored_edges(rng, edges, shape, 0.0), seed, last_in_use=False) for seed in range(tools)]
    error = 3.0 * math.sqrt(0.05 * 0.95 / tools)
    assert sum(trend.p <= 0.05 for trend in trends) / tools <= 0.05 + error
    assert sum(trend.p_falling <= 0.05 for trend in trends) / tools <= 0.05 + error
    # Limits are at least as wide as they say, and not absurdly wider.
    covered = sum(trend.low <= 0.0 <= trend.high for trend in trends) / tools
    assert 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / tools) <= covered <= 0.99


@pytest.mark.parametrize("planned", [None, 1.1])
def test_steady_lives_of_a_tool_in_use_seldom_alarm(planned: float | None) -> None:
    """The same where edges follow one another up to today, worn out or changed at a fixed age, the last in use."""
    rng = np.random.default_rng(7 if planned is None else 8)
    tools = 800
    trends = [quick(used_until_a_day(rng, 15, 3.0, planned), seed) for seed in range(tools)]
    error = 3.0 * math.sqrt(0.05 * 0.95 / tools)
    assert abs(sum(trend.p <= 0.05 for trend in trends) / tools - 0.05) <= error
    assert abs(sum(trend.p_falling <= 0.05 for trend in trends) / tools - 0.05) <= error


def test_falling_lives_are_found() -> None:
    """At -5 % an edge over 20 edges, shape 3, the test finds half of the tools if half is censored, 80 % if none is."""
    rng = np.random.default_rng(9)
    tools = 300
    half = [quick(censored_edges(rng, 20, 3.0, -0.05), seed).p <= 0.05 for seed in range(tools)]
    none = [quick(censored_edges(rng, 20, 3.0, -0.05, share=0.0), seed).p <= 0.05 for seed in range(tools)]
    assert sum(half) / tools > 0.4
    assert sum(none) / tools > 0.75


@pytest.mark.parametrize(
    ("lives", "censored"),
    [
        ([5.0, 6.0, 7.0, 8.0, 9.0], [False, False, False, False, True]),
        ([9.0] * 6, [False] * 6),
        ([100.0 * 0.9**n for n in range(8)], [False] * 8),
    ],
)
def test_too_few_failures(lives: list[float], censored: list[bool]) -> None:
    """Four failures, failures at one life, or lives on one exact line are not judged."""
    with pytest.raises(TooFewFailures):
        life_trend(lives, censored)


def test_no_permutations() -> None:
    """At least one permutation has to be drawn."""
    with pytest.raises(InvalidInput, match="resamples"):
        life_trend([1.0, 2.0, 3.0, 5.0, 4.0, 3.0], [False] * 6, resamples=0)


def test_a_likelihood_that_never_falls_has_no_limit() -> None:
    """The search gives up where a float does."""
    assert crossing(lambda x: 1.0, 0.0, 0.5) == math.inf
    assert crossing(lambda x: 1.0 - x * x, 0.0, -0.1) == pytest.approx(-1.0, abs=1e-9)
