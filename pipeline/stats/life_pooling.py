"""What the other tools of a shop say of a tool with few failures: means and spreads of ln shape and ln scale.

Empirical Bayes in closed form: fits with their errors in, spread between tools out, and a prior for every tool.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray
from pipeline.stats.life_posterior import LifePrior
from pipeline.stats.weibull_many import WeibullFits

# Below so many failures a tool leans on others.
OWN_FAILURES = 5
# So many fitted tools it takes to say how far shapes differ.
LEAST_TOOLS = 3
# ln shape of a fit lies above the truth by about this over the failures (measured: 1.15 to 1.6 with 5 to 30 of them).
SHAPE_BIAS = 1.3
# Spread of ln scale between tools of one group that is assumed beforehand, and how many tools' worth it counts.
SCALE_SPREAD, SCALE_WORTH = 0.5, 2.0
# No spread between tools is ever taken for less: tools that agree by chance are not alike.
LEAST_SHAPE_SPREAD, LEAST_SCALE_SPREAD = 0.15, 0.1
NO_GROUP = -1


def between(values: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """Return mean and variance of what differs between tools, beyond the error of each (DerSimonian & Laird 1986)."""
    weight = 1.0 / variances
    mean = float(weight @ values / weight.sum())
    heterogeneity = float(weight @ (values - mean) ** 2)
    scale = float(weight.sum() - (weight**2).sum() / weight.sum())
    spread = max(0.0, (heterogeneity - (values.size - 1)) / scale) if scale > 0 else 0.0
    weight = 1.0 / (variances + spread)
    return float(weight @ values / weight.sum()), spread


def pooled_prior(fits: WeibullFits, group: IntArray) -> LifePrior:
    """Return what the other tools say of each.

    Parameters
    ----------
    fits : WeibullFits
        Of all tools, missing where a tool has too few failures.
    group : shape (tools,)
        Number of the tools that are alike enough to share a scale; `NO_GROUP` where there are none.

    Notes
    -----
    A tool with failures enough of its own takes no part in its own prior only in so far as it needs none. Within a
    group the spread of ln scale is that of all groups together, with half a unit of ln assumed beforehand.
    """
    tools = fits.shape.size
    prior = LifePrior.nothing(tools)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_shape = np.log(fits.shape) - SHAPE_BIAS / fits.failures
    teaching = fits.fitted & (fits.failures >= OWN_FAILURES)
    if int(teaching.sum()) < LEAST_TOOLS:
        return prior
    mean, spread = between(log_shape[teaching], fits.shape_variance[teaching])
    prior.log_shape[:] = mean
    prior.log_shape_sd[:] = math.sqrt(max(spread, LEAST_SHAPE_SPREAD**2))
    _pool_scales(prior, fits, group, teaching)
    return prior


def _pool_scales(prior: LifePrior, fits: WeibullFits, group: IntArray, teaching: BoolArray) -> None:
    """Put the scales of groups into the prior."""
    inside = np.flatnonzero(teaching & (group != NO_GROUP))
    if inside.size == 0:
        return
    number = int(group.max()) + 1
    of, value, variance = group[inside], fits.log_scale[inside], fits.scale_variance[inside]
    members = np.bincount(of, minlength=number).astype(np.float64)
    centre = np.bincount(of, value, number) / np.maximum(members, 1.0)
    # what lies between tools of a group beyond the error of their fits, over all groups
    freedom = float(np.maximum(members - 1.0, 0.0).sum())
    squares = float(((value - centre[of]) ** 2 - variance * (1.0 - 1.0 / members[of])).sum())
    between_tools = max(
        (max(squares, 0.0) + SCALE_WORTH * SCALE_SPREAD**2) / (freedom + SCALE_WORTH), LEAST_SCALE_SPREAD**2
    )
    weight = 1.0 / (variance + between_tools)
    total = np.bincount(of, weight, number)
    mean = np.bincount(of, weight * value, number) / np.maximum(total, 1e-300)
    has = (group != NO_GROUP) & (total[group] > 0)
    prior.log_scale[has] = mean[group[has]]
    prior.log_scale_sd[has] = np.sqrt(between_tools + 1.0 / total[group[has]])
