"""The age at which changing a wearing edge costs least in the long run, from its Weibull life and two costs.

It is arithmetic on past lives: it knows no limit of a machine or a tool, and whoever prints its result says so.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from pipeline.stats.arrays import FloatArray
from pipeline.stats.errors import InvalidInput
from pipeline.stats.ragged import Ragged

# Cumulative hazard beyond which fewer than one edge in a million is still alive: a change that never comes.
NEVER_REACHED = 14.0


def best_change_age(shape: float, scale: float, planned_cost: float, failure_cost: float) -> float | None:
    """Return the age of planned change that costs least per unit of life.

    Parameters
    ----------
    shape, scale : float
        Of the Weibull life; the age is in the unit of `scale`.
    planned_cost, failure_cost : float
        What a planned change costs, and an end of life in use, in one currency.

    Returns
    -------
    float or None
        None says: run to failure. That is so where edges do not wear (shape <= 1), where an end of life costs no more
        than a planned change, and where the best age is one that fewer than one edge in a million reaches.

    Raises
    ------
    InvalidInput
        If shape, scale or a cost is not above zero.

    Notes
    -----
    Age replacement of Barlow & Hunter (1960): the age T solves h(T) * integral of S over 0..T - F(T) =
    planned / (failure - planned), with h the hazard, S the survival and F = 1 - S; the left side rises from 0.
    """
    _require_positive(shape=shape, scale=scale, planned_cost=planned_cost, failure_cost=failure_cost)
    if shape <= 1.0 or failure_cost <= planned_cost:
        return None
    target = planned_cost / (failure_cost - planned_cost)

    def excess(log_hazard_sum: float) -> float:
        hazard_sum = math.exp(log_hazard_sum)
        mean_use = math.gamma(1.0 + 1.0 / shape) * float(special.gammainc(1.0 / shape, hazard_sum))
        hazard = shape * math.exp((1.0 - 1.0 / shape) * log_hazard_sum)
        return hazard * mean_use + math.expm1(-hazard_sum) - target

    from scipy import optimize

    latest = math.log(NEVER_REACHED)
    if excess(latest) <= 0:
        return None
    earliest = latest - 1.0
    while excess(earliest) > 0:
        latest, earliest = earliest, earliest - 2.0 * (latest - earliest)
    return scale * math.exp(float(optimize.brentq(excess, earliest, latest, xtol=1e-13)) / shape)


def cost_rate(age: float, shape: float, scale: float, planned_cost: float, failure_cost: float) -> float:
    """Return the long-run cost per unit of life when edges are changed at `age`; infinity means run to failure.

    Raises
    ------
    InvalidInput
        If age, shape, scale or a cost is not above zero.
    """
    _require_positive(age=age, shape=shape, scale=scale, planned_cost=planned_cost, failure_cost=failure_cost)
    mean_life = scale * math.gamma(1.0 + 1.0 / shape)
    if math.isinf(age):
        return failure_cost / mean_life
    hazard_sum = math.exp(min(700.0, shape * math.log(age / scale)))
    alive = math.exp(-hazard_sum)
    mean_use = mean_life * float(special.gammainc(1.0 / shape, hazard_sum))
    return (planned_cost * alive + failure_cost * (1.0 - alive)) / mean_use


def best_change_ages(
    shape: FloatArray, scale: FloatArray, planned_cost: FloatArray, failure_cost: FloatArray
) -> FloatArray:
    """Return `best_change_age` of many tools, shape (tools,): infinity where edges are best run to failure.

    nan where any of the four is missing or not above zero.
    """
    with np.errstate(invalid="ignore"):
        known = (shape > 0) & (scale > 0) & (planned_cost > 0) & (failure_cost > 0)
        wears = known & (shape > 1.0) & (failure_cost > planned_cost)
    ages = np.where(known, math.inf, math.nan)
    which = np.flatnonzero(wears)
    k = shape[which]
    target = planned_cost[which] / (failure_cost[which] - planned_cost[which])
    mean = special.gamma(1.0 + 1.0 / k)

    def excess(log_hazard_sum: FloatArray) -> FloatArray:
        hazard_sum = np.exp(log_hazard_sum)
        mean_use = mean * special.gammainc(1.0 / k, hazard_sum)
        return np.asarray(k * np.exp((1.0 - 1.0 / k) * log_hazard_sum) * mean_use + np.expm1(-hazard_sum) - target)

    high = np.full(k.size, math.log(NEVER_REACHED))
    comes = excess(high) > 0
    low = high - 60.0
    for _ in range(64):
        middle = 0.5 * (low + high)
        above = excess(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    ages[which[comes]] = (scale[which] * np.exp(0.5 * (low + high) / k))[comes]
    return ages


def cost_rates(
    age: FloatArray, shape: FloatArray, scale: FloatArray, planned_cost: FloatArray, failure_cost: FloatArray
) -> FloatArray:
    """Return `cost_rate` of many tools, shape (tools,); an age of infinity means run to failure, nan stays nan."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        hazard_sum = np.where(np.isinf(age), math.inf, (age / scale) ** shape)
        alive = np.exp(-hazard_sum)
        share = np.where(np.isinf(hazard_sum), 1.0, special.gammainc(1.0 / shape, hazard_sum))
        mean_use = scale * special.gamma(1.0 + 1.0 / shape) * share
        return np.asarray((planned_cost * alive + failure_cost * (1.0 - alive)) / mean_use)


def observed_cost_rates(
    groups: Ragged, life: FloatArray, cost: FloatArray, level: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what edges have cost for a unit of life, and its limits, shape (tools,) each.

    Parameters
    ----------
    groups : which edges are of which tool
    life, cost : shape (edges,)
        Of edges that were taken out.
    level : float
        Of the two-sided limits, which need three edges.

    Notes
    -----
    The ratio of sums, with the linearised variance of a ratio and Student's t; nothing is assumed of the lives.
    """
    n = groups.sizes.astype(np.float64)
    used = groups.sum(life)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = groups.sum(cost) / used
        squares = groups.sum((cost - groups.spread(rate) * life) ** 2)
        error = np.sqrt(n / (n - 1.0) * squares) / used
        reach = np.where(n >= 3, special.stdtrit(np.maximum(n - 1.0, 1.0), 0.5 + 0.5 * level) * error, math.nan)
    return rate, np.maximum(0.0, rate - reach), rate + reach


def _require_positive(**values: float) -> None:
    """Raise InvalidInput naming the first value that is not above zero."""
    for name, value in values.items():
        if not value > 0:
            raise InvalidInput(f"{name}: expected a number above zero, got {value}")
