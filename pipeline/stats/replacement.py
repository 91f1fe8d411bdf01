"""The age at which changing a wearing edge costs least in the long run, from its Weibull life and two costs.

It is arithmetic on past lives: it knows no limit of a machine or a tool, and whoever prints its result says so.
"""

from __future__ import annotations

import math

from scipy import optimize, special

from pipeline.stats.errors import InvalidInput

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


def _require_positive(**values: float) -> None:
    """Raise InvalidInput naming the first value that is not above zero."""
    for name, value in values.items():
        if not value > 0:
            raise InvalidInput(f"{name}: expected a number above zero, got {value}")
