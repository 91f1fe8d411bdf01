"""The share of edges still alive at each life, from right-censored records, without assuming any distribution.

It describes one set of lives; comparing sets and fitting curves is done elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray, IntArray, as_lives, as_share, as_vector

# A product of fractions that is one half on paper may come out a rounding error above it.
ROUNDING = 1e-12


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """The product-limit estimate at each distinct life at which an edge failed.

    Attributes
    ----------
    times : shape (k,), rising, in the unit of the lives
    at_risk, failures : shape (k,)
        Edges in use just before, and failures at, each time; an edge taken out at a failure's time counts as at risk.
    survival, low, high : shape (k,)
        Share alive just after each time and its limits; the limits are missing (nan) where the share is 0.
    standard_error : shape (k,)
        Greenwood's.
    median, median_low, median_high : float
        First life at which the share (its lower, its upper limit) is one half or less; nan where it never is.
    edges, censored : int
    """

    times: FloatArray
    at_risk: IntArray
    failures: IntArray
    survival: FloatArray
    low: FloatArray
    high: FloatArray
    standard_error: FloatArray
    median: float
    median_low: float
    median_high: float
    edges: int
    censored: int

    def survival_at(self, ages: ArrayLike) -> FloatArray:
        """Return the share alive just after each of `ages`, shape (ages,)."""
        steps = np.searchsorted(self.times, as_vector(ages, "ages"), side="right")
        return np.asarray(np.concatenate(([1.0], self.survival))[steps], dtype=np.float64)


def kaplan_meier(lives: ArrayLike, censored: ArrayLike, level: float = 0.95) -> KaplanMeier:
    """Estimate the survival of edges from right-censored lives.

    Parameters
    ----------
    lives : array, shape (edges,), any one unit
    censored : array of bool, shape (edges,)
    level : float
        Of the two-sided limits at each time, on the scale of log(-log(survival)).

    Raises
    ------
    InvalidInput
        See `as_lives`. No lives, or none that failed, give empty arrays.

    Notes
    -----
    Kaplan & Meier (1958); variance by Greenwood; limits after Kalbfleisch & Prentice (quoted from memory).
    """
    durations, marks = as_lives(lives, censored)
    z = float(special.ndtri(0.5 + 0.5 * as_share(level, "level")))
    times, failures = np.unique(durations[~marks], return_counts=True)
    at_risk = durations.size - np.searchsorted(np.sort(durations), times, side="left")
    survival = np.asarray(np.cumprod((at_risk - failures) / at_risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard_variance = np.cumsum(failures / (at_risk * (at_risk - failures)))
        standard_error = np.where(survival > 0, survival * np.sqrt(hazard_variance), 0.0)
        margin = z * np.sqrt(hazard_variance) / np.abs(np.log(survival))
        low = np.where(survival > 0, survival ** np.exp(margin), math.nan)
        high = np.where(survival > 0, survival ** np.exp(-margin), math.nan)
    return KaplanMeier(
        times=times,
        at_risk=at_risk.astype(np.int64),
        failures=failures.astype(np.int64),
        survival=survival,
        low=low,
        high=high,
        standard_error=standard_error,
        median=_first_half(times, survival),
        median_low=_first_half(times, low),
        median_high=_first_half(times, high),
        edges=int(durations.size),
        censored=int(marks.sum()),
    )


def _first_half(times: FloatArray, share: FloatArray) -> float:
    """Return the first time at which `share` is one half or less, nan if there is none."""
    reached = np.flatnonzero(share <= 0.5 + ROUNDING)
    return float(times[reached[0]]) if reached.size else math.nan
