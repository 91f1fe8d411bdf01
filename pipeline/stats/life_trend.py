"""Whether the lives of successive edges of one tool fall or rise, from right-censored records in the order of use.

It does not fit a level life (see `weibull`), and it does not look for the day a change came.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, as_lives
from pipeline.stats.errors import InvalidInput, TooFewFailures
from pipeline.stats.likelihood import crossing
from pipeline.stats.permutation import permuted_share
from pipeline.stats.weibull import TIE_SPREAD, fit_log_lives

MIN_FAILURES = 5
LEVEL = 0.95
DEFAULT_SEED = 8688


@dataclass(frozen=True)
class LifeTrend:
    """How lives change from edge to edge.

    Attributes
    ----------
    per_edge : float
        Fractional change of life from one edge to the next: -0.05 is five per cent shorter each time.
    low, high : float
        95 % limits of `per_edge`, by likelihood ratio.
    p : float
        Two-sided, of lives that do not change at all.
    p_falling : float
        One-sided: small where lives fall.
    edges, failures, censored : int
    shape : float
        Of the Weibull scatter about the trend.
    resamples : int
        Permutations that the p-values rest on.
    """

    per_edge: float
    low: float
    high: float
    p: float
    p_falling: float
    edges: int
    failures: int
    censored: int
    shape: float
    resamples: int


def life_trend(
    lives: ArrayLike,
    censored: ArrayLike,
    seed: int = DEFAULT_SEED,
    resamples: int = 4999,
    last_in_use: bool = True,
    most_resamples: int = 199_999,
) -> LifeTrend:
    """Judge the trend over successive edges, number 0 first.

    Parameters
    ----------
    lives : array, shape (edges,), any one unit, in the order of use
    censored : array of bool, shape (edges,)
    seed : int
        Of the permutations; the same input and seed give the same result.
    resamples, most_resamples : int
        Permutations drawn at first. Where fewer than ten of them are as extreme as the data, more are drawn, up to
        the second number, so that a small p can still be small after many tools are judged together.
    last_in_use : bool
        Whether the last edge is still in the machine. True is never wrong, it only leaves the last edge's place out
        of the test; False is for sets whose last edge was taken out like any other.

    Raises
    ------
    TooFewFailures
        Below five failures, or where the failures show no scatter about a line.
    InvalidInput
        See `as_lives`.

    Notes
    -----
    Model: ln T = m + b * order + Weibull scatter; per_edge = exp(b) - 1. The test is a permutation test of the score
    of b at b = 0, sum((order - mean order) * (exp(z) - failed)), with z the standardised residual of the level fit:
    pairs (life, censored) change places together. The edge in use keeps its place, because it is the last by
    construction; the others may change places whenever the lives do not drift and edges are taken out by a rule that
    does not depend on the date. Limits are where the profile likelihood of b lies a distance below its maximum
    given by Student's t with failures - 1 degrees of freedom (measured coverage: see tests/stats).
    """
    durations, marks = as_lives(lives, censored)
    failures = int((~marks).sum())
    if failures < MIN_FAILURES:
        raise TooFewFailures(f"{failures} failures; a trend needs {MIN_FAILURES}")
    if resamples < 1 or most_resamples < resamples:
        raise InvalidInput("resamples: at least one, and most_resamples no fewer")
    in_use = durations > 0
    order = np.arange(durations.size, dtype=np.float64)[in_use]
    logs, failed = np.log(durations[in_use]), ~marks[in_use]
    _require_scatter(order, logs, failed)
    moving = slice(0, order.size - 1 if last_in_use and in_use[-1] else order.size)
    log_scale, shape = fit_log_lives(logs, failed)
    score = (np.exp(shape * (logs - log_scale)) - failed)[moving]
    falling, extreme, drawn = permuted_share(order[moving], score, seed, resamples, most_resamples)
    slope, trend_shape, slope_error = _fit_trend(order, logs, failed)
    low, high = _slope_limits(order, logs, failed, slope, slope_error)
    return LifeTrend(
        per_edge=math.expm1(slope),
        low=math.expm1(low),
        high=math.expm1(high) if math.isfinite(high) else math.inf,
        p=extreme,
        p_falling=falling,
        edges=int(durations.size),
        failures=failures,
        censored=int(marks.sum()),
        shape=trend_shape,
        resamples=drawn,
    )


def _require_scatter(order: FloatArray, logs: FloatArray, failed: BoolArray) -> None:
    """Raise TooFewFailures where all failures tie, or lie on one exact line over the order of edges."""
    x = order[failed] - order[failed].mean()
    y = logs[failed] - logs[failed].mean()
    if float(np.ptp(y)) < TIE_SPREAD:
        raise TooFewFailures("every failure came at one life; there is no scatter to judge a trend by")
    if float(np.abs(y - x * (x @ y) / (x @ x)).max()) < TIE_SPREAD:
        raise TooFewFailures("the lives lie on one exact line; there is no scatter to judge a trend by")


def _fit_trend(order: FloatArray, logs: FloatArray, failed: BoolArray) -> tuple[float, float, float]:
    """Return slope of ln life per edge, Weibull shape and the slope's large-sample standard error.

    With z = shape * ln t - a - c * order the log-likelihood is concave in (shape, a, c), so that Newton's method with
    halved steps cannot miss its maximum.
    """
    centre, spread = float(order.mean()), float(order.std())
    level = float(logs.mean())
    design = np.column_stack((logs - level, -np.ones(order.size), -(order - centre) / spread))
    failures = int(failed.sum())
    failure_sums = design[failed].sum(axis=0)
    log_scale, shape = fit_log_lives(logs, failed)
    theta = np.array([shape, shape * (log_scale - level), 0.0])

    def height(at: FloatArray) -> float:
        with np.errstate(over="ignore"):
            hazard_sum = float(np.exp(design @ at).sum())
        return failures * math.log(at[0]) + float(failure_sums @ at) - hazard_sum

    now = height(theta)
    for _ in range(200):
        hazard = np.exp(design @ theta)
        gradient = failure_sums - design.T @ hazard
        gradient[0] += failures / theta[0]
        information = design.T @ (design * hazard[:, None])
        information[0, 0] += failures / theta[0] ** 2
        step = np.linalg.solve(information, gradient)
        fraction = 1.0
        while theta[0] + fraction * step[0] <= 0 or height(theta + fraction * step) < now - 1e-10 * abs(now):
            fraction *= 0.5
        theta = theta + fraction * step
        now = height(theta)
        if float(np.abs(step).max()) < 1e-9 * max(1.0, float(np.abs(theta).max())):
            break
    gradient_of_slope = np.array([-theta[2] / theta[0] ** 2, 0.0, 1.0 / theta[0]])
    variance = float(gradient_of_slope @ np.linalg.solve(information, gradient_of_slope))
    return float(theta[2] / theta[0]) / spread, float(theta[0]), math.sqrt(variance) / spread


def _slope_limits(
    order: FloatArray, logs: FloatArray, failed: BoolArray, slope: float, slope_error: float
) -> tuple[float, float]:
    """Return the 95 % limits of the slope by likelihood ratio."""
    failures = int(failed.sum())
    distance = float(special.stdtrit(failures - 1, 0.5 + 0.5 * LEVEL))
    x = order - order.mean()

    def height(at: float) -> float:
        level = logs - at * x
        log_scale, shape = fit_log_lives(level, failed)
        # At the maximum the cumulative hazards add up to the number of failures.
        return failures * (math.log(shape) - 1.0) + float((shape * (level[failed] - log_scale) - logs[failed]).sum())

    floor = height(slope) - 0.5 * distance**2
    step = distance * slope_error
    low = crossing(lambda at: height(at) - floor, slope, -step)
    high = crossing(lambda at: height(at) - floor, slope, step)
    return (-math.inf if math.isinf(low) else low), high
