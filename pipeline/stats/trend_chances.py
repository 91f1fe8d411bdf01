"""The chance that a tool's lives truly change from edge to edge, and by how much, learned from all tools of a shop.

A verdict waits until a change is as good as proven; a prediction must not: it allows for every change by its chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.stats.arrays import FloatArray

# Share of tools whose lives change, and spread of the change of ln life from edge to edge among these, that are weighed
# against each other; beforehand all pairs count alike.
SHARES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)
SPREADS = (0.01, 0.02, 0.04, 0.08)


@dataclass(frozen=True, eq=False)
class TrendChances:
    """What is to be expected of each tool's trend; of a tool without a slope nothing is, and its chance is 0.

    Attributes
    ----------
    chance : shape (tools,)
        That lives change at all.
    slope, error : shape (tools,)
        Mean and standard deviation of the change of ln life from edge to edge, if they do.
    """

    chance: FloatArray
    slope: FloatArray
    error: FloatArray


def trend_chances(slope: FloatArray, error: FloatArray) -> TrendChances:
    """Weigh each tool's slope against no slope at all.

    Parameters
    ----------
    slope, error : shape (tools,)
        Change of ln life from edge to edge as fitted, and its standard error; nan where there is none.

    Notes
    -----
    Slopes are taken as normal about none, or about one that is itself normal about none; what share of tools has one,
    and how far these spread, has the likelihood of all tools' slopes for its weight (empirical Bayes on a grid).
    """
    known = np.isfinite(slope) & np.isfinite(error) & (error > 0)
    b, variance = slope[known], error[known] ** 2
    share = np.repeat(SHARES, len(SPREADS))[:, None]
    between = np.tile(np.square(SPREADS), len(SHARES))[:, None]
    level = np.log1p(-share) - 0.5 * (np.log(variance) + b**2 / variance)
    trend = np.log(share) - 0.5 * (np.log(variance + between) + b**2 / (variance + between))
    either = np.logaddexp(level, trend)
    fit = either.sum(axis=1)
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    given = weight[:, None] * np.exp(trend - either)
    chance = given.sum(axis=0)
    pull = between / (between + variance)
    mean = (given * pull * b).sum(axis=0) / chance
    square = (given * ((pull * b) ** 2 + pull * variance)).sum(axis=0) / chance
    found = TrendChances(*(np.full(slope.size, value) for value in (0.0, np.nan, np.nan)))
    # rounding may carry a sure change past 1
    found.chance[known], found.slope[known] = np.minimum(chance, 1.0), mean
    found.error[known] = np.sqrt(np.maximum(square - mean**2, 0.0))
    return found
