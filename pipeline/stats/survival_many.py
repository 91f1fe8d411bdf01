"""Kaplan-Meier curves of many tools at once: the estimates and limits of `survival.kaplan_meier`.

Tests hold each result equal to that of the single curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray, as_lives, as_share
from pipeline.stats.errors import InvalidInput
from pipeline.stats.ragged import Ragged
from pipeline.stats.survival import ROUNDING


@dataclass(frozen=True, eq=False)
class KaplanMeiers:
    """The steps of all tools, one tool behind the other.

    Attributes
    ----------
    groups : Ragged
        How many steps each tool has; a tool without a failure has none.
    times, survival, low, high : shape (steps,)
        See `survival.KaplanMeier`.
    median : shape (tools,)
        First life at which the share alive is one half or less; nan where it never is.
    """

    groups: Ragged
    times: FloatArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    median: FloatArray


def kaplan_meier_many(lives: ArrayLike, censored: ArrayLike, sizes: ArrayLike, level: float = 0.95) -> KaplanMeiers:
    """Estimate the survival of each tool's edges; limits on the scale of log(-log(survival)).

    Parameters
    ----------
    lives, censored : arrays, shape (lives,), one tool behind the other
    sizes : array of int, shape (tools,)
    """
    durations, marks = as_lives(lives, censored)
    given = Ragged.of_sizes(sizes)
    if given.rows != durations.size:
        raise InvalidInput(f"sizes: they add up to {given.rows}, but there are {durations.size} lives")
    z = float(special.ndtri(0.5 + 0.5 * as_share(level, "level")))
    tool = given.spread(np.arange(given.sizes.size))
    # at one life, ends come before removals: an edge taken out then counts as at risk
    order = np.lexsort((marks, durations, tool))
    times, ends, tool = durations[order], ~marks[order], tool[order]
    new = np.ones(times.size, dtype=np.bool_)
    new[1:] = (times[1:] != times[:-1]) | (tool[1:] != tool[:-1])
    first = np.flatnonzero(new)
    if first.size == 0:
        nothing = np.empty(0)
        return KaplanMeiers(given, nothing, nothing, nothing, nothing, np.full(given.sizes.size, math.nan))
    failures = np.add.reduceat(ends, first, dtype=np.float64)
    at_risk = (given.sizes[tool[first]] - given.position()[first]).astype(np.float64)
    step = failures > 0
    times, failures, at_risk, tool = times[first][step], failures[step], at_risk[step], tool[first][step]
    groups = Ragged.of_sizes(np.bincount(tool, minlength=given.sizes.size))
    survival = groups.running((at_risk - failures) / at_risk, np.multiply)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = groups.running(failures / (at_risk * (at_risk - failures)), np.add)
        margin = z * np.sqrt(variance) / np.abs(np.log(survival))
        low = np.where(survival > 0, survival ** np.exp(margin), math.nan)
        high = np.where(survival > 0, survival ** np.exp(-margin), math.nan)
    median = groups.min(np.where(survival <= 0.5 + ROUNDING, times, np.inf))
    return KaplanMeiers(groups, times, survival, low, high, np.where(np.isfinite(median), median, math.nan))
