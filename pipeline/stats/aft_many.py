"""Weibull regressions of the logarithm of life on one covariate, for many tools at once.

The covariate is the caller's: the order of edges for a trend, the logarithm of the cutting speed for Taylor's equation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.stats.arrays import FloatArray, IntArray, as_share
from pipeline.stats.errors import InvalidInput
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.likelihood import crossing_many
from pipeline.stats.weibull import TIE_SPREAD
from pipeline.stats.weibull_many import WeibullFits, fit_many, placed, shape_and_scale

MIN_FAILURES = 5
# A covariate that is the same for all lives may differ by rounding errors.
ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class LifeSlopes:
    """How ln life goes with a covariate; nan where a tool has too few failures or no scatter about a line.

    Attributes
    ----------
    slope, low, high : shape (tools,)
        Change of ln life for one unit of the covariate, with limits by likelihood ratio.
    level : shape (tools,)
        ln scale at the mean of the covariate.
    shape : shape (tools,)
        Of the Weibull scatter about the line.
    log_likelihood : shape (tools,)
        As that of a level fit, so that the two compare.
    """

    slope: FloatArray
    low: FloatArray
    high: FloatArray
    level: FloatArray
    shape: FloatArray
    log_likelihood: FloatArray

    def take(self, tools: IntArray) -> LifeSlopes:
        """Return those of some of the tools."""
        return LifeSlopes(
            self.slope[tools],
            self.low[tools],
            self.high[tools],
            self.level[tools],
            self.shape[tools],
            self.log_likelihood[tools],
        )


def fit_slopes(
    sets: LifeSets, covariate: FloatArray, level: float | None = 0.95, level_fits: WeibullFits | None = None
) -> LifeSlopes:
    """Regress ln life on a covariate, tool by tool.

    Parameters
    ----------
    sets : LifeSets
    covariate : shape (lives kept in the sets,)
    level : float or None
        Of the two-sided limits; None leaves them out.
    level_fits : WeibullFits, optional
        The fits without the covariate, if they are there already.

    Notes
    -----
    ln T = m + b * covariate + Weibull scatter, censored lives through their survival. The level is profiled out; the
    rest is concave in (shape, shape * b), so that Newton's method with halved steps cannot miss its maximum. Limits
    are those of Student's t with failures - 1 degrees of freedom on the signed root of twice the fall of the profile.
    """
    if covariate.shape != sets.logs.shape:
        raise InvalidInput(f"covariate: expected {sets.logs.size} values, got shape {covariate.shape}")
    fits = fit_many(sets, MIN_FAILURES) if level_fits is None else level_fits
    x, spread = _standardised(sets, covariate)
    able = np.flatnonzero(fits.fitted & (sets.failures >= MIN_FAILURES) & (spread > ROUNDING) & ~_on_a_line(sets, x))
    some = sets.take(able)
    _, rows = sets.groups.take(able)
    x, spread = x[rows], spread[able]
    shape, tilt, information = _maximise(some, x, fits.shape[able])
    # on the scale of the standardised covariate; tilt = shape * slope
    slope = tilt / shape
    held, log_scale, height = _held_slope(some, x, slope, shape)
    gradient_shape, gradient_tilt = -tilt / shape**2, 1.0 / shape
    a, b, c = information
    variance = (gradient_shape**2 * c - 2.0 * gradient_shape * gradient_tilt * b + gradient_tilt**2 * a) / (
        a * c - b**2
    )
    low = high = np.full(slope.size, math.nan)
    if level is not None:
        low, high = _limits(some, x, slope, held, height, np.sqrt(variance), level)
    return LifeSlopes(
        *(
            placed(values, able, sets.tools)
            for values in (slope / spread, low / spread, high / spread, log_scale, held, height)
        )
    )


def _standardised(sets: LifeSets, covariate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the covariate with mean 0 and spread 1 in each tool, and what its spread was."""
    edges = np.maximum(sets.groups.sizes, 1)
    centred = covariate - sets.groups.spread(sets.groups.sum(covariate) / edges)
    spread = np.sqrt(sets.groups.sum(centred**2) / edges)
    return centred / sets.groups.spread(np.where(spread > 0, spread, 1.0)), spread


def _on_a_line(sets: LifeSets, x: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which tools' failures lie on one exact line over the covariate: there is no scatter to judge by."""
    groups, failed = sets.groups, sets.failed
    d = np.maximum(sets.failures, 1)
    x_off = np.where(failed, x - groups.spread(groups.sum(np.where(failed, x, 0.0)) / d), 0.0)
    y_off = np.where(failed, sets.logs - groups.spread(sets.failure_sum / d), 0.0)
    squares = groups.sum(x_off**2)
    slope = groups.sum(x_off * y_off) / np.where(squares > 0, squares, 1.0)
    return np.asarray(groups.max(np.abs(y_off - groups.spread(slope) * x_off)) < TIE_SPREAD)


def _maximise(
    sets: LifeSets, x: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """Return shape, shape * slope and the information of the two at the highest likelihood."""
    d = sets.failures.astype(np.float64)
    failed_x = sets.groups.sum(np.where(sets.failed, x, 0.0))
    now = np.column_stack((start, np.zeros(start.size)))
    step = np.zeros_like(now)
    best = np.full(start.size, -math.inf)
    information = np.zeros((3, start.size))
    going = np.arange(start.size)
    for _ in range(200):
        if going.size == 0:
            break
        part, rows = (sets, slice(None)) if going.size == start.size else _taken(sets, going)
        at = now[going] + step[going]
        groups, y, xs = part.groups, part.logs, x[rows]
        exponent = groups.spread(at[:, 0]) * y - groups.spread(at[:, 1]) * xs
        top = groups.max(exponent)
        weight = np.exp(exponent - groups.spread(top))
        total, wy, wx = groups.sum(weight), weight * y, weight * xs
        mean_y, mean_x = groups.sum(wy) / total, groups.sum(wx) / total
        some_d = d[going]
        with np.errstate(divide="ignore", invalid="ignore"):
            height = (
                some_d * np.log(at[:, 0])
                + at[:, 0] * part.failure_sum
                - at[:, 1] * failed_x[going]
                - some_d * (np.log(total) + top)
            )
        # half of a step that leads down, or out of the positive shapes, is tried next
        fails = ~(height >= best[going] - 1e-10 * np.abs(height)) | (at[:, 0] <= 0)
        step[going[fails]] *= 0.5
        good = ~fails
        index = going[good]
        now[index], best[index] = at[good], height[good]
        shape_shape = some_d * (groups.sum(wy * y) / total - mean_y**2) + some_d / at[:, 0] ** 2
        cross = -some_d * (groups.sum(wy * xs) / total - mean_y * mean_x)
        tilt_tilt = some_d * (groups.sum(wx * xs) / total - mean_x**2)
        first = part.failure_sum + some_d / at[:, 0] - some_d * mean_y
        second = some_d * mean_x - failed_x[going]
        determinant = shape_shape * tilt_tilt - cross**2
        with np.errstate(divide="ignore", invalid="ignore"):  # steps that failed, which are not taken
            move = (
                np.column_stack(((tilt_tilt * first - cross * second), (shape_shape * second - cross * first)))
                / determinant[:, None]
            )
        step[index] = move[good]
        information[:, index] = np.stack((shape_shape, cross, tilt_tilt))[:, good]
        size = np.abs(step[going]).max(axis=1)
        going = going[size > 1e-9 * np.maximum(1.0, np.abs(now[going]).max(axis=1))]
    return now[:, 0], now[:, 1], (information[0], information[1], information[2])


def _taken(sets: LifeSets, tools: IntArray) -> tuple[LifeSets, IntArray]:
    return sets.take(tools), sets.groups.take(tools)[1]


def _held_slope(
    sets: LifeSets, x: FloatArray, slope: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shape, ln scale and log-likelihood when the slope is held: a level fit of what is left of the lives."""
    moved = sets.moved(sets.groups.spread(slope) * x)
    shape, log_scale = shape_and_scale(moved, start)
    d = sets.failures.astype(np.float64)
    # at the maximum the hazards add up to the number of failures
    height = d * (np.log(shape) - 1.0) + shape * (moved.failure_sum - d * log_scale) - sets.failure_sum - d * sets.top
    return shape, log_scale + moved.top, height


def _limits(
    sets: LifeSets,
    x: FloatArray,
    slope: FloatArray,
    shape: FloatArray,
    highest: FloatArray,
    error: FloatArray,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    distance = special.stdtrit(sets.failures - 1.0, 0.5 + 0.5 * as_share(level, "level"))
    warm = shape.copy()

    def excess(which: IntArray, part: LifeSets, at: FloatArray) -> FloatArray:
        rows = slice(None) if which.size == slope.size else sets.groups.take(which)[1]
        warm[which], _, height = _held_slope(part, x[rows], at, warm[which])
        return np.asarray(distance[which] - np.sqrt(np.maximum(0.0, 2.0 * (highest[which] - height))))

    step = distance * np.maximum(error, 1e-12)
    low = crossing_many(excess, sets, slope, -step, distance)
    warm[:] = shape
    return np.where(np.isinf(low), -math.inf, low), crossing_many(excess, sets, slope, step, distance)
