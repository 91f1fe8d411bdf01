"""Weibull lives of cutting edges from right-censored records: fit, quantiles, limits, what is left of the edge in use.

It judges one set of lives taken as alike; whether they drift from edge to edge is the matter of `life_trend`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, as_lives, as_share, as_vector
from pipeline.stats.errors import InvalidInput, TooFewFailures
from pipeline.stats.likelihood import FARTHEST, crossing

MIN_FAILURES = 3
# Failures closer together than this share of their size count as tied: the shape would grow without bound.
TIE_SPREAD = 1e-9


@dataclass(frozen=True)
class WeibullFit:
    """A fitted Weibull distribution, S(t) = exp(-(t / scale) ** shape).

    Attributes
    ----------
    shape : float
        Below 1 early failures dominate, 1 is chance alone, above 1 wear.
    scale : float
        The life that 63.2 % do not outlive, in the unit of the lives.
    failures, censored : int
        How many lives of either kind the fit rests on.
    log_likelihood : float
        On the scale of the lives, without the constant of the censoring.
    covariance : 2 x 2
        Of (ln scale, ln shape), from the observed information.
    """

    shape: float
    scale: float
    failures: int
    censored: int
    log_likelihood: float
    covariance: tuple[tuple[float, float], tuple[float, float]]

    @property
    def mean(self) -> float:
        """The mean life."""
        return self.scale * float(special.gamma(1.0 + 1.0 / self.shape))

    @property
    def standard_deviation(self) -> float:
        """The standard deviation of the lives."""
        second = float(special.gamma(1.0 + 2.0 / self.shape))
        if math.isinf(second):
            return math.inf
        return self.scale * math.sqrt(max(0.0, second - float(special.gamma(1.0 + 1.0 / self.shape)) ** 2))

    @property
    def median(self) -> float:
        """The life that half of the edges outlive."""
        return self.quantile(0.5)

    @property
    def b10(self) -> float:
        """The life that nine of ten edges outlive."""
        return self.quantile(0.1)

    def quantile(self, p: float) -> float:
        """Return the life by which the share `p` (0 < p < 1) has failed."""
        return self.scale * math.exp(math.log(-math.log1p(-as_share(p, "p"))) / self.shape)

    def survival(self, t: float) -> float:
        """Return the share of edges that outlives `t` (>= 0)."""
        return math.exp(-self.hazard_sum(t))

    def survival_curve(self, times: ArrayLike) -> FloatArray:
        """Return the share that outlives each of `times`, shape (times,)."""
        ages = as_vector(times, "times")
        if bool((ages < 0).any()):
            raise InvalidInput("times: a life is negative")
        return np.asarray(np.exp(-((ages / self.scale) ** self.shape)), dtype=np.float64)

    def hazard_sum(self, t: float) -> float:
        """Return the cumulative hazard (t / scale) ** shape at `t` (>= 0); infinite where it exceeds any float."""
        if t < 0:
            raise InvalidInput(f"t: a life of {t} is negative")
        if t == 0:
            return 0.0
        power = self.shape * math.log(t / self.scale)
        return math.exp(power) if power < 709.0 else math.inf


def fit_weibull(lives: ArrayLike, censored: ArrayLike) -> WeibullFit:
    """Fit a Weibull distribution to right-censored lives by maximum likelihood.

    Parameters
    ----------
    lives : array, shape (edges,), any one unit
    censored : array of bool, shape (edges,)

    Raises
    ------
    TooFewFailures
        Below three failures, or where all failures have one life.
    InvalidInput
        See `as_lives`.

    Notes
    -----
    The scale is profiled out and the shape solves sum(t^k ln t) / sum(t^k) - 1/k = mean(ln t of failures), which has
    one root (Lawless, Statistical Models and Methods for Lifetime Data, quoted from memory).
    """
    durations, marks = as_lives(lives, censored)
    failures = int((~marks).sum())
    if failures < MIN_FAILURES:
        raise TooFewFailures(f"{failures} failures; a fit needs {MIN_FAILURES}")
    in_use = durations > 0
    logs, failed = np.log(durations[in_use]), ~marks[in_use]
    if float(np.ptp(logs[failed])) < TIE_SPREAD:
        raise TooFewFailures("every failure came at one life; there is no scatter to fit")
    log_scale, shape = fit_log_lives(logs, failed)
    z = shape * (logs - log_scale)
    hazard = np.exp(z)
    log_likelihood = float(failures * math.log(shape) + (z[failed] - logs[failed]).sum() - hazard.sum())
    return WeibullFit(
        shape=shape,
        scale=math.exp(log_scale),
        failures=failures,
        censored=int(marks.sum()),
        log_likelihood=log_likelihood,
        covariance=_covariance(z, hazard, shape, failures),
    )


def fit_log_lives(logs: FloatArray, failed: BoolArray) -> tuple[float, float]:
    """Return (ln scale, shape) of the maximum of the likelihood, from the logarithms of the lives.

    The caller has made sure that the failures are not all tied.
    """
    top = float(logs.max())
    x = logs - top
    failure_mean = float(x[failed].mean())
    shape = _solve_shape(x, failure_mean, 1.2 / max(float(x[failed].std()), 1e-12))
    total = float(np.exp(shape * x).sum())
    return top + math.log(total / int(failed.sum())) / shape, shape


def _solve_shape(x: FloatArray, failure_mean: float, start: float) -> float:
    """Return the root of the profile score in the shape, by Newton's method kept inside a bracket."""
    low, high, shape = 0.0, math.inf, start
    for _ in range(200):
        weight = np.exp(shape * x)
        total = float(weight.sum())
        weighted = float(weight @ x) / total
        score = weighted - 1.0 / shape - failure_mean
        if score > 0:
            high = shape
        else:
            low = shape
        slope = float(weight @ (x * x)) / total - weighted**2 + 1.0 / shape**2
        proposal = shape - score / slope
        if not low < proposal < high:
            proposal = 2.0 * shape if math.isinf(high) else 0.5 * (low + high)
        if abs(proposal - shape) <= 1e-12 * shape:
            return proposal
        shape = proposal
    return shape


def _covariance(
    z: FloatArray, hazard: FloatArray, shape: float, failures: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the inverse of the observed information of (ln scale, ln shape) at the maximum."""
    scale_scale = shape**2 * failures
    scale_shape = -shape * float(z @ hazard)
    shape_shape = failures + float((z * z) @ hazard)
    determinant = scale_scale * shape_shape - scale_shape**2
    cross = -scale_shape / determinant
    return ((shape_shape / determinant, cross), (cross, scale_scale / determinant))


def quantile_limits(
    lives: ArrayLike, censored: ArrayLike, fit: WeibullFit, p: float, level: float
) -> tuple[float, float]:
    """Return two-sided limits of the life by which the share `p` fails, by likelihood ratio.

    Parameters
    ----------
    lives, censored : the arrays that `fit` was made from
    p, level : float
        0.1 and 0.9 give the 90 % limits of B10.

    Returns
    -------
    low, high
        In the unit of the lives. A side that the data leave open is 0 or infinite.

    Notes
    -----
    Limits are the quantiles whose profile likelihood lies a given distance below the maximum. The distance is that of
    Student's t with as many degrees of freedom as there are failures: the chi-square distance (t at infinity)
    covers only 77 % instead of 90 % at three failures, this one 91 % (measured, see tests/stats).
    """
    as_share(level, "level")
    durations, marks = as_lives(lives, censored)
    in_use = durations > 0
    logs, failed = np.log(durations[in_use]), ~marks[in_use]
    centre = math.log(fit.quantile(p))
    weight = -math.log1p(-p)
    floor = fit.log_likelihood - 0.5 * float(special.stdtrit(fit.failures, 0.5 + 0.5 * level)) ** 2
    failure_logs = float(logs[failed].sum())
    spread = math.sqrt(_log_quantile_variance(fit, weight))

    def excess(log_quantile: float) -> float:
        return _profile(logs - log_quantile, failed, weight, fit.shape) - failure_logs - floor

    low = crossing(excess, centre, -spread)
    high = crossing(excess, centre, spread)
    return (0.0 if math.isinf(low) else math.exp(low)), (math.inf if math.isinf(high) else math.exp(high))


def _log_quantile_variance(fit: WeibullFit, weight: float) -> float:
    """Return the large-sample variance of the logarithm of a quantile; `weight` is its cumulative hazard."""
    slope = -math.log(weight) / fit.shape
    (scale_scale, cross), (_, shape_shape) = fit.covariance
    return max(scale_scale + 2.0 * slope * cross + slope**2 * shape_shape, 1e-12)


def _profile(y: FloatArray, failed: BoolArray, weight: float, start: float) -> float:
    """Return the highest log-likelihood over the shape when the quantile is held.

    `y` are logarithms of lives less that of the quantile; the constant -sum(ln t of failures) is left out.
    """
    failures = int(failed.sum())
    failure_sum = float(y[failed].sum())
    low, high, shape = 0.0, math.inf, start
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(200):
            hazard = weight * np.exp(shape * y)
            score = failures / shape + failure_sum - float(hazard @ y)
            if score > 0:
                low = shape
            else:
                high = shape
            proposal = shape + score / (failures / shape**2 + float(hazard @ (y * y)))
            if not low < proposal < high:
                proposal = 2.0 * shape if math.isinf(high) else 0.5 * (low + high)
            done = abs(proposal - shape) <= 1e-10 * shape
            shape = proposal
            if done:
                break
        hazard_sum = weight * float(np.exp(shape * y).sum())
    return failures * math.log(shape * weight) + shape * failure_sum - hazard_sum


def conditional_survival(fit: WeibullFit, age: float, more: float) -> float:
    """Return the chance that an edge of `age` lives `more` longer (both >= 0, in the unit of the fit)."""
    if more < 0:
        raise InvalidInput(f"more: {more} is negative")
    return math.exp(fit.hazard_sum(age) - fit.hazard_sum(age + more))


def remaining_quantile(fit: WeibullFit, age: float, p: float) -> float:
    """Return the life r left to an edge of `age` (>= 0) such that it fails within r with chance `p`.

    `conditional_survival(fit, age, r)` is then 1 - p.
    """
    as_share(p, "p")
    if age < 0:
        raise InvalidInput(f"age: {age} is negative")
    if age == 0:
        return fit.quantile(p)
    log_ratio = math.log(-math.log1p(-p)) - fit.shape * math.log(age / fit.scale)
    # (age + r) ** shape = age ** shape + scale ** shape * w, taken in logarithms so that nothing cancels.
    growth = float(np.logaddexp(0.0, log_ratio)) / fit.shape
    return age * math.expm1(growth) if growth < FARTHEST else fit.quantile(p)
