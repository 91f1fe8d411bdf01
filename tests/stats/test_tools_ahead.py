"""What is left, what it costs, what leans on others, what runs away: closed forms and other ways of working them out.

CPU: about 3 s.
"""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from scipy import integrate

from pipeline.stats.early_signs import early_signs
from pipeline.stats.edges_needed import edges_needed
from pipeline.stats.errors import InvalidInput
from pipeline.stats.life_pooling import NO_GROUP, between, pooled_prior
from pipeline.stats.life_posterior import LifePrior, life_posterior, mixed
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.permutation import permuted_rows
from pipeline.stats.permutation_many import _moment_shares, trend_shares
from pipeline.stats.ragged import Ragged
from pipeline.stats.replacement import best_change_age, best_change_ages, cost_rate, cost_rates, observed_cost_rates
from pipeline.stats.shared_batches import bends, learn_batches
from pipeline.stats.taylor import fit_taylor_lives
from pipeline.stats.trend_chances import trend_chances
from pipeline.stats.weibull_many import fit_many


def test_change_ages_are_those_of_each_tool() -> None:
    """The vectorised optimum and cost rate equal the single ones, the published example (493.0470) among them."""
    rng = np.random.default_rng(1)
    shape = np.concatenate(([2.5], rng.uniform(0.8, 8.0, 60)))
    scale = np.concatenate(([1000.0], rng.uniform(1.0, 500.0, 60)))
    planned = np.concatenate(([1.0], rng.uniform(1.0, 20.0, 60)))
    failed = np.concatenate(([5.0], planned[1:] * rng.uniform(0.8, 30.0, 60)))
    ages = best_change_ages(shape, scale, planned, failed)
    # reliawiki.com, "Optimum Replacement Time Example"; inputs from the page, answer from memory, recomputed
    assert ages[0] == pytest.approx(493.0470, abs=5e-5)
    for at, arguments in zip(ages, zip(shape, scale, planned, failed, strict=True), strict=True):
        single = best_change_age(*arguments)
        assert at == (math.inf if single is None else pytest.approx(single, rel=1e-9))
    rates = cost_rates(ages, shape, scale, planned, failed)
    assert rates == pytest.approx([cost_rate(*of) for of in zip(ages, shape, scale, planned, failed, strict=True)])
    # brute force: no age on a fine grid costs less
    grid = scale * np.linspace(0.02, 3.0, 400)[:, None]
    assert (cost_rates(grid, shape, scale, planned, failed) >= rates * (1 - 1e-6)).all()
    assert np.isnan(best_change_ages(np.array([np.nan]), scale[:1], planned[:1], failed[:1])).all()


def test_observed_cost_is_a_ratio_of_sums() -> None:
    """Two tools by hand; limits need three edges; equal edges leave no doubt."""
    groups = Ragged.of_sizes([2, 3])
    rate, low, high = observed_cost_rates(groups, np.array([10.0, 30, 20, 20, 20]), np.array([4.0, 4, 6, 6, 6]), 0.9)
    assert rate == pytest.approx([8 / 40, 18 / 60])
    assert np.isnan(low[0])
    assert (low[1], high[1]) == pytest.approx((0.3, 0.3))


def one_tool() -> tuple[LifeSets, np.ndarray, np.ndarray]:
    lives = np.array([12.0, 17.0, 21.0, 25.0, 14.0, 9.0])
    censored = np.array([False, False, False, True, False, True])
    return LifeSets.of(lives, censored, [6]), lives, censored


def test_prediction_is_the_integral_over_the_likelihood() -> None:
    """Survival of 5 more at age 9 equals a plain double integral of likelihood times prior over both parameters."""
    sets, lives, censored = one_tool()
    fits = fit_many(sets)
    posterior = life_posterior(sets, LifePrior.nothing(1), np.log(fits.shape), np.sqrt(fits.shape_variance))

    def weighted(log_scale: float, log_shape: float, more: float) -> float:
        shape, scale = math.exp(log_shape), math.exp(log_scale)
        hazard = (lives / scale) ** shape
        height = (np.log(shape) + shape * np.log(lives / scale))[~censored].sum() - hazard.sum()
        left = ((9.0 + more) / scale) ** shape - (9.0 / scale) ** shape
        return math.exp(height - log_shape - (left if more else 0.0) + 5.0)  # a power of the shape less than flat

    # shapes from six errors below the fit to five above, as on the grid
    middle, error = math.log(fits.shape[0]), math.sqrt(fits.shape_variance[0])
    box = (middle - 6 * error, middle + 5 * error, math.log(5.0), math.log(1e5))
    whole = [
        integrate.dblquad(lambda x, y, r=more: weighted(x, y, r), *box[:2], *box[2:], epsabs=1e-9, epsrel=1e-7)[0]
        for more in (0.0, 5.0)
    ]
    age = np.array([9.0])
    assert posterior.survival(age, np.array([5.0]))[0] == pytest.approx(whole[1] / whole[0], rel=1e-3)
    left = posterior.left(age, 0.9)
    assert posterior.survival(age, left) == pytest.approx([0.9], abs=1e-9)
    two = mixed([posterior, posterior], [np.array([0.3]), np.array([0.7])])
    assert two.survival(age, left) == pytest.approx([0.9], abs=1e-9)
    assert posterior.quantile_limit(0.1, 0.05) < posterior.quantile_limit(0.1, 0.95)


def test_a_sure_prior_is_believed() -> None:
    """With shape and scale known beforehand a tool with one failure survives as that Weibull says."""
    sets = LifeSets.of([30.0, 5.0], [False, True], [2])
    sure = LifePrior(*(np.array([of]) for of in (math.log(3.0), 0.01, math.log(50.0), 0.01)))
    posterior = life_posterior(sets, sure, np.array([np.nan]), np.array([np.nan]))
    expected = math.exp((5 / 50) ** 3 - (35 / 50) ** 3)
    assert posterior.survival(np.array([5.0]), np.array([30.0]))[0] == pytest.approx(expected, rel=0.01)
    log_shape, log_scale = posterior.centre()
    assert (log_shape[0], log_scale[0]) == pytest.approx((math.log(3.0), math.log(50.0)), abs=0.02)
    alone = life_posterior(sets, LifePrior.nothing(1), np.array([np.nan]), np.array([np.nan]))
    assert not alone.known[0]
    # edges of about 45 whose end is nearly certain: 100 parts of one minute take three, the edge in use making some
    needed = edges_needed(posterior, np.array([5.0]), np.array([1.0]), np.array([10, 100]), (0.5, 0.9))
    assert needed[0, 0].tolist() == [0.0, 2.0]
    assert needed[1, 0, 0] in (0.0, 1.0)


def test_spread_between_tools_is_that_of_statsmodels() -> None:
    """DerSimonian-Laird's mean and variance equal statsmodels' one-step estimate."""
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(3)
    variances = rng.uniform(0.01, 0.2, 12)
    values = rng.normal(1.0, np.sqrt(0.1 + variances))
    theirs = combine_effects(values, variances, method_re="dl")
    assert between(values, variances) == pytest.approx((theirs.mean_effect_re, theirs.tau2), rel=1e-9)


def test_prior_of_a_shop() -> None:
    """Shapes are pooled over all tools, scales within a group; fewer than three fitted tools teach nothing."""
    rng = np.random.default_rng(3)
    life = np.concatenate([50.0 * rng.weibull(3.0, 30) for _ in range(8)] + [[20.0]])
    fits = fit_many(LifeSets.of(life, np.zeros(life.size, dtype=bool), [30] * 8 + [1]))
    group = np.array([0, 0, 0, 1, NO_GROUP, NO_GROUP, NO_GROUP, NO_GROUP, 0])
    prior = pooled_prior(fits, group)
    assert prior.log_shape[8] == pytest.approx(math.log(3.0), abs=0.15)
    assert prior.log_scale[8] == pytest.approx(math.log(50.0), abs=0.15)
    assert np.isnan(prior.log_scale[4])
    assert np.isnan(pooled_prior(fit_many(LifeSets.of(life[:60], life[:60] < 0, [30, 30])), group[:2]).log_shape).all()


@pytest.mark.parametrize("size", [41, 80])
def test_moments_stand_for_all_orders(size: int) -> None:
    """The share read from moments is that of a hundred thousand drawn orders, to a tenth of it down to 1 %."""
    rng = np.random.default_rng(size)
    for score in (rng.exponential(size=size), rng.normal(size=size)):
        score = score - score.mean()
        place = np.arange(size) - 0.5 * (size - 1)
        sums = np.sort(np.abs(permuted_rows(rng, place, 100_000) @ score))
        for share in (0.3, 0.05, 0.01):
            observed = sums[int((1 - share) * sums.size)]
            read = _moment_shares(Ragged.of_sizes([size]), score, np.array([observed]), np.array([score @ score]))[0]
            assert read == pytest.approx(share, rel=0.1)


def test_drawn_orders_are_all_orders() -> None:
    """With five scores the share is that of all 120 orders."""
    score = np.array([0.3, -1.0, 2.0, 0.1, -0.7])
    place = np.arange(5) - 2.0
    every = np.array([abs(np.array(order) @ score) for order in permutations(place)])
    exact = (every >= abs(place @ score) - 1e-12).mean()
    p, direction = trend_shares(Ragged.of_sizes([5]), score)
    assert p[0] == pytest.approx(exact, abs=5 * math.sqrt(exact * (1 - exact) / 4999))
    assert direction[0] == np.sign(place @ score)


def test_nothing_hangs_together_in_steady_shops() -> None:
    """Independent scores leave p as it is, nearly; lives that go up and down in common widen it."""
    rng = np.random.default_rng(4)
    groups = Ragged.of_sizes([30] * 40)
    ones = np.ones(40)
    steady = learn_batches(bends(groups, 1.0 - rng.exponential(size=groups.rows)), groups.sizes, 3 * ones, ones)
    assert steady.mean_factor.max() < 1.25
    waves = np.repeat(rng.normal(0, 1.0, 40 * 6), 5)
    wavy = learn_batches(bends(groups, waves + 1.0 - rng.exponential(size=groups.rows)), groups.sizes, 3 * ones, ones)
    assert wavy.chance_none < 1e-6
    assert wavy.mean_factor.min() > 2.0
    assert (wavy.widened(np.full(40, 0.01)) > 0.03).all()
    assert learn_batches(np.empty((5, 0)), np.empty(0, dtype=int), np.empty(0), np.empty(0)).mean_factor.size == 0


def test_taylor_from_lives_that_scatter() -> None:
    """n = 0.25 and C = 300 from 400 edges at four speeds, a third taken out early; one speed says nothing."""
    rng = np.random.default_rng(5)
    speed = np.repeat([100.0, 120.0, 150.0, 180.0], 100)
    median = (300.0 / speed) ** 4
    life = median * rng.weibull(4.0, 400) / math.log(2.0) ** 0.25
    removal = 1.2 * median * rng.weibull(4.0, 400)
    fits = fit_taylor_lives(LifeSets.of(np.minimum(life, removal), removal < life, [400]), speed)
    assert fits.low[0] < 0.25 < fits.high[0]
    assert fits.n[0] == pytest.approx(0.25, abs=0.01)
    assert fits.c[0] == pytest.approx(300.0, rel=0.05)
    assert np.isnan(fit_taylor_lives(LifeSets.of(life, removal < 0, [400]), np.full(400, 100.0)).n[0])


def test_early_signs_by_hand() -> None:
    """Below five earlier edges there is no limit; an edge like the others is left alone, one that doubles is found."""
    rng = np.random.default_rng(7)
    value = np.exp(0.01 * np.tile(np.arange(20), 9) + rng.normal(0, 0.01, 180))
    parts, in_use = Ragged.of_sizes([20] * 9), np.arange(9) == 8
    signs = early_signs(value, parts, np.zeros(9, dtype=int), in_use, 1)
    assert signs.earlier[0] == 8
    assert signs.score[0] <= signs.limit[0]
    assert signs.since[0] == 0
    value[-10:] *= 1.5
    away = early_signs(value, parts, np.zeros(9, dtype=int), in_use, 1)
    assert away.score[0] > away.limit[0]
    assert 11 <= away.since[0] <= 13
    few = early_signs(value[-80:], Ragged.of_sizes([20] * 4), np.zeros(4, dtype=int), in_use[-4:], 1)
    assert np.isnan(few.limit[0])
    with pytest.raises(InvalidInput, match="value"):
        early_signs(np.array([0.0]), Ragged.of_sizes([1]), np.zeros(1, dtype=int), np.array([True]), 1)


def test_sums_by_set() -> None:
    """Empty sets sum to nothing; running sums begin anew; chosen sets come in the order asked for."""
    groups = Ragged.of_sizes([2, 0, 3])
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    assert groups.sum(values).tolist() == [3.0, 0.0, 12.0]
    assert groups.running(values, np.add).tolist() == [1.0, 3.0, 3.0, 7.0, 12.0]
    part, rows = groups.take(np.array([2, 0]))
    assert values[rows].tolist() == [3.0, 4.0, 5.0, 1.0, 2.0]
    assert part.sizes.tolist() == [3, 2]


def test_chances_of_trends_are_what_comes_true() -> None:
    """Of tools given a chance about so many truly change, and their slopes are drawn in as they ought to be."""
    rng = np.random.default_rng(5)
    changes = rng.random(20_000) < 0.1
    truth = np.where(changes, rng.normal(0.0, 0.04, changes.size), 0.0)
    error = rng.uniform(0.005, 0.04, changes.size)
    found = trend_chances(truth + rng.normal(0.0, error), error)
    assert 0.0 <= found.chance.min() <= found.chance.max() <= 1.0
    for low, high in ((0.0, 0.05), (0.05, 0.3), (0.3, 0.7), (0.7, 1.01)):
        some = (found.chance >= low) & (found.chance < high)
        share, promise = changes[some].mean(), found.chance[some].mean()
        assert abs(share - promise) <= 3 * math.sqrt(promise / some.sum())
    moved = changes & (found.chance > 0.5)
    off = (truth[moved] - found.slope[moved]) / found.error[moved]
    assert abs(off.mean()) < 0.1
    assert 0.9 < off.std() < 1.15


def test_no_chance_is_given_where_there_is_no_slope() -> None:
    found = trend_chances(np.array([np.nan, -0.2, 0.0]), np.array([np.nan, 0.01, 0.01]))
    assert found.chance[0] == 0.0
    assert found.chance[1] > 0.99 > 0.2 > found.chance[2]
    assert -0.2 < found.slope[1] < -0.15
