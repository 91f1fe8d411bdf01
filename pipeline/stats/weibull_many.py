"""Weibull lives of many tools at once: the fits and limits of `weibull`, vectorised over tools.

The likelihood is the same; tests hold each result equal to that of the single fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray, as_share
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.likelihood import FARTHEST, crossing_many
from pipeline.stats.weibull import MIN_FAILURES, TIE_SPREAD

# Part of the tools still under way below which the others are set aside.
FEW_LEFT = 0.5


@dataclass(frozen=True, eq=False)
class WeibullFits:
    """Fitted Weibull distributions, one a tool; nan where a tool has too few failures or no scatter among them.

    Attributes
    ----------
    shape, log_scale : shape (tools,)
    log_likelihood : shape (tools,)
    scale_variance, covariance, shape_variance : shape (tools,)
        Of (ln scale, ln shape), from the observed information.
    failures : shape (tools,)
    """

    shape: FloatArray
    log_scale: FloatArray
    log_likelihood: FloatArray
    scale_variance: FloatArray
    covariance: FloatArray
    shape_variance: FloatArray
    failures: IntArray

    @property
    def fitted(self) -> BoolArray:
        """Which tools have a fit."""
        return np.isfinite(self.shape)

    @property
    def scale(self) -> FloatArray:
        """The life that 63.2 % do not outlive."""
        return np.asarray(np.exp(self.log_scale))

    def quantile(self, p: float) -> FloatArray:
        """Return the lives by which the share `p` (0 < p < 1) has failed."""
        return np.asarray(np.exp(self.log_scale + math.log(-math.log1p(-as_share(p, "p"))) / self.shape))

    def mean(self) -> FloatArray:
        """Return the mean lives."""
        return np.asarray(np.exp(self.log_scale + special.gammaln(1.0 + 1.0 / self.shape)))


def fit_many(sets: LifeSets, least_failures: int = MIN_FAILURES) -> WeibullFits:
    """Fit a Weibull distribution to the lives of each tool by maximum likelihood; see `weibull.fit_weibull`."""
    able = np.flatnonzero((sets.failures >= max(2, least_failures)) & (sets.scatter() >= TIE_SPREAD))
    some = sets.take(able)
    shape = _solve_shapes(some, None)
    s0, s1, s2 = some.power_sums(shape)
    d = some.failures.astype(np.float64)
    log_scale = np.log(s0 / d) / shape  # less the tool's top
    # at the maximum the hazards add up to d; sums of z and z^2 weighted with them follow from the power sums
    first = shape * (s1 / s0 * d - log_scale * d)
    second = shape**2 * (s2 / s0 * d - 2.0 * log_scale * s1 / s0 * d + log_scale**2 * d)
    shape_shape, scale_scale, cross = d + second, shape**2 * d, -shape * first
    determinant = scale_scale * shape_shape - cross**2
    log_likelihood = (
        d * (np.log(shape) - 1.0) + shape * (some.failure_sum - d * log_scale) - some.failure_sum - d * some.top
    )
    determined = (log_scale + some.top, log_likelihood, shape_shape / determinant, -cross / determinant)
    places, heights, scale_variance, covariance = (placed(values, able, sets.tools) for values in determined)
    return WeibullFits(
        shape=placed(shape, able, sets.tools),
        log_scale=places,
        log_likelihood=heights,
        scale_variance=scale_variance,
        covariance=covariance,
        shape_variance=placed(scale_scale / determinant, able, sets.tools),
        failures=sets.failures,
    )


def placed(values: FloatArray, at: IntArray, size: int) -> FloatArray:
    """Return an array of `size` that holds `values` at these places, and nan elsewhere."""
    whole = np.full(size, math.nan)
    whole[at] = values
    return whole


def shape_and_scale(sets: LifeSets, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return shape and ln scale (less the tool's top) of tools that have scatter, from shapes to start with."""
    shape = _solve_shapes(sets, start)
    return shape, np.log(sets.power_sum(shape) / sets.failures) / shape


def _solve_shapes(sets: LifeSets, start: FloatArray | None) -> FloatArray:
    """Return the root of each tool's profile score in the shape."""
    d = np.maximum(sets.failures, 1).astype(np.float64)
    mean = sets.failure_sum / d
    if start is None:
        off = np.where(sets.failed, sets.logs - sets.groups.spread(mean), 0.0)
        start = 1.2 / np.maximum(np.sqrt(sets.groups.sum(off**2) / d), 1e-12)

    def score(some: LifeSets, which: IntArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
        s0, s1, s2 = some.power_sums(shape)
        ratio = s1 / s0
        return mean[which] + 1.0 / shape - ratio, -(s2 / s0) + ratio**2 - 1.0 / shape**2

    return solve_rising_to_falling(sets, score, start, 1e-12)


def solve_rising_to_falling(
    sets: LifeSets,
    score: Callable[[LifeSets, IntArray, FloatArray], tuple[FloatArray, FloatArray]],
    start: FloatArray,
    tolerance: float,
) -> FloatArray:
    """Return for each tool the positive root of a score that is positive below it, by Newton's method in a bracket.

    `score(some, which, x)` gives the score and its slope for some of the tools, numbered `which`. A tool that has
    converged is not moved again, so that its result does not depend on the other tools.
    """
    x = np.array(start, dtype=np.float64)
    low, high = np.zeros(x.size), np.full(x.size, math.inf)
    going = np.arange(x.size)
    part, members = sets, going
    for _ in range(200):
        if going.size == 0:
            break
        if going.size < FEW_LEFT * members.size:
            part, members = sets.take(going), going
        inside = np.searchsorted(members, going)
        value, slope = (of[inside] for of in score(part, members, x[members]))
        now = x[going]
        low[going] = np.where(value > 0, now, low[going])
        high[going] = np.where(value > 0, high[going], now)
        with np.errstate(divide="ignore", invalid="ignore"):
            proposal = now - value / slope
        # a step within the rounding of the score is the last one, whatever side of the bracket it falls on
        close = np.abs(proposal - now) <= tolerance * now
        outside = ~(close | ((proposal > low[going]) & (proposal < high[going])))
        halved = np.where(np.isinf(high[going]), 2.0 * now, 0.5 * (low[going] + high[going]))
        proposal = np.where(outside, halved, proposal)
        x[going] = proposal
        going = going[np.abs(proposal - now) > tolerance * now]
    return x


@dataclass(frozen=True)
class Quantile:
    """The life by which the share `p` fails, as what limits are asked for."""

    p: float

    def offset(self, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return shape * (ln of it - ln scale), and its first and second derivative by the shape."""
        weight = math.log(-math.log1p(-as_share(self.p, "p")))
        return np.full(shape.shape, weight), np.zeros(shape.shape), np.zeros(shape.shape)


@dataclass(frozen=True)
class MeanLife:
    """The mean life, as what limits are asked for."""

    def offset(self, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return shape * (ln of it - ln scale), and its first and second derivative by the shape."""
        one = 1.0 + 1.0 / shape
        return (
            shape * special.gammaln(one),
            special.gammaln(one) - special.digamma(one) / shape,
            special.polygamma(1, one) / shape**3,
        )


def limits_many(
    sets: LifeSets, fits: WeibullFits, of: Quantile | MeanLife, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return two-sided limits of a quantile or of the mean of each tool, by likelihood ratio.

    Returns
    -------
    low, high : shape (tools,)
        nan where there is no fit; a side that the data leave open is 0 or infinite.

    Notes
    -----
    As `weibull.quantile_limits`: the profile likelihood lies a distance below its maximum that is given by Student's
    t with as many degrees of freedom as failures (measured coverage: see DEVELOPERS, Figures).
    """
    able = np.flatnonzero(fits.fitted)
    some = sets.take(able)
    shape, d = fits.shape[able], some.failures.astype(np.float64)
    value, slope, _ = of.offset(shape)
    centre = fits.log_scale[able] - some.top + value / shape
    # d ln(quantity) / d ln(shape), for the large-sample standard error that the search begins with
    tilt = slope - value / shape
    variance = fits.scale_variance[able] + 2.0 * tilt * fits.covariance[able] + tilt**2 * fits.shape_variance[able]
    distance = special.stdtrit(d, 0.5 + 0.5 * as_share(level, "level"))
    highest = fits.log_likelihood[able] + some.failure_sum + d * some.top
    step = distance * np.sqrt(np.maximum(variance, 1e-12))
    warm = shape.copy()

    def excess(which: IntArray, part: LifeSets, at: FloatArray) -> FloatArray:
        height, warm[which] = _profile_many(part, of, at, warm[which])
        return np.asarray(distance[which] - np.sqrt(np.maximum(0.0, 2.0 * (highest[which] - height))))

    low = crossing_many(excess, some, centre, -step, distance)
    warm[:] = shape
    high = crossing_many(excess, some, centre, step, distance)
    with np.errstate(over="ignore"):
        lower = np.where(np.isinf(low), 0.0, np.exp(np.where(np.isinf(low), 0.0, low) + some.top))
        upper = np.where(np.isinf(high), math.inf, np.exp(np.where(np.isinf(high), 0.0, high) + some.top))
    return placed(lower, able, sets.tools), placed(upper, able, sets.tools)


def _profile_many(
    sets: LifeSets, of: Quantile | MeanLife, at: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the highest log-likelihood over the shape when a quantity is held, and that shape.

    `at` is ln of the quantity less the tool's top. With g = shape * ln scale the log-likelihood is
    d ln(shape) + shape * A - d g - exp(-g) S, A the failures' sum of ln; the constant -A is left out.
    """
    d = sets.failures.astype(np.float64)

    def score(some: LifeSets, which: IntArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, slope, bend = of.offset(shape)
        g, g1, g2 = shape * at[which] - value, at[which] - slope, -bend
        s0, s1, s2 = some.power_sums(shape)
        with np.errstate(over="ignore", invalid="ignore"):
            weight = np.exp(np.minimum(-g, FARTHEST))
            first = d[which] / shape + some.failure_sum - d[which] * g1 - weight * (s1 - g1 * s0)
            second = -d[which] / shape**2 - d[which] * g2 - weight * (s2 - 2.0 * g1 * s1 + (g1**2 - g2) * s0)
        return first, second

    shape = solve_rising_to_falling(sets, score, start, 1e-9)
    value, _, _ = of.offset(shape)
    g = shape * at - value
    with np.errstate(over="ignore"):
        height = (
            d * np.log(shape)
            + shape * sets.failure_sum
            - d * g
            - np.exp(np.minimum(-g, FARTHEST)) * (sets.power_sum(shape))
        )
    return height, shape
