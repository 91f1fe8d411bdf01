"""Taylor's tool life equation, V T^n = C: fitted to lives at several speeds, and the lives that cost or delay least.

It is arithmetic on past lives. A speed taken from it is no permission to run it: the machine's and the tool maker's
limits, local rules and the qualified person at the machine come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.aft_many import fit_slopes
from pipeline.stats.arrays import FloatArray, as_positive
from pipeline.stats.errors import InvalidInput
from pipeline.stats.life_sets import LifeSets

# Speeds that lie closer together than this share of themselves say nothing of Taylor's exponent.
LEAST_SPEED_RANGE = 0.1


@dataclass(frozen=True)
class TaylorFit:
    """V T^n = C with V in m/min and T in min.

    Attributes
    ----------
    n : float
        Between 0 and about 1; the smaller, the more a higher speed shortens the life (T goes as V^(-1/n)).
    c : float
        The speed, in m/min, at which a life lasts one minute.
    points : int
    residual_sd : float
        Scatter of ln V about the line; nan with two points, which any line meets.
    """

    n: float
    c: float
    points: int
    residual_sd: float

    def life(self, speed_m_min: float) -> float:
        """Return the life in minutes at a cutting speed above zero."""
        _require_positive("speed_m_min", speed_m_min)
        return math.exp(math.log(self.c / speed_m_min) / self.n)

    def speed(self, life_min: float) -> float:
        """Return the cutting speed in m/min that gives a life above zero."""
        _require_positive("life_min", life_min)
        return self.c * math.exp(-self.n * math.log(life_min))


def fit_taylor(speed_m_min: ArrayLike, life_min: ArrayLike) -> TaylorFit:
    """Fit Taylor's equation by least squares of ln V on ln T; two points are met exactly.

    Parameters
    ----------
    speed_m_min, life_min : arrays, shape (points,), above zero

    Raises
    ------
    InvalidInput
        Below two points, with one life only, or where life does not fall as speed rises.
    """
    speeds, lives = as_positive(speed_m_min, "speed_m_min"), as_positive(life_min, "life_min")
    if speeds.size != lives.size or speeds.size < 2:
        raise InvalidInput(f"expected two or more pairs, got {speeds.size} speeds and {lives.size} lives")
    y, x = np.log(speeds), np.log(lives)
    spread = x - x.mean()
    squares = float(spread @ spread)
    if squares < 1e-18:
        raise InvalidInput("life_min: all lives are alike, so nothing can be said of speed")
    n = -float(spread @ y) / squares
    if n <= 0:
        raise InvalidInput("life does not fall as speed rises: Taylor's equation does not hold for these points")
    residual = y - y.mean() + n * spread
    degrees = speeds.size - 2
    return TaylorFit(
        n=n,
        c=math.exp(float(y.mean() + n * x.mean())),
        points=int(speeds.size),
        residual_sd=math.sqrt(float(residual @ residual) / degrees) if degrees else math.nan,
    )


@dataclass(frozen=True, eq=False)
class TaylorFits:
    """Taylor's exponent of many tools from the lives of edges run at different speeds; nan where nothing can be said.

    Attributes
    ----------
    n, low, high : shape (tools,)
        With 95 % limits; infinite where life need not fall with speed at all.
    c : shape (tools,)
        The speed, in m/min, at which half of the edges last one minute.
    """

    n: FloatArray
    low: FloatArray
    high: FloatArray
    c: FloatArray


def fit_taylor_lives(sets: LifeSets, speed_m_min: FloatArray) -> TaylorFits:
    """Fit Taylor's equation to lives in minutes, with censoring.

    Parameters
    ----------
    sets : LifeSets, in minutes
    speed_m_min : shape (lives kept in the sets,), above zero

    Notes
    -----
    ln T = a - (1/n) ln V + Weibull scatter: life is what scatters, speed is set, so that life is regressed on speed.
    Textbook fits of ln V on ln T (`fit_taylor`) give a smaller n on lives that scatter.
    """
    logs = np.log(speed_m_min)
    groups = sets.groups
    with np.errstate(invalid="ignore"):
        enough = groups.max(logs) - groups.min(logs) >= math.log1p(LEAST_SPEED_RANGE)
    fits = fit_slopes(sets, logs)
    with np.errstate(divide="ignore", invalid="ignore"):
        falls = enough & (fits.slope < 0)
        n = np.where(falls, -1.0 / fits.slope, math.nan)
        low = np.where(falls, -1.0 / fits.low, math.nan)
        high = np.where(falls, np.where(fits.high < 0, -1.0 / fits.high, math.inf), math.nan)
        # at the speed C the median life is one minute
        mean = groups.sum(logs) / groups.sizes
        c = np.exp(mean - (fits.level + math.log(math.log(2.0)) / fits.shape) / fits.slope)
    return TaylorFits(n, low, high, np.where(falls, c, math.nan))


def minimum_cost_life(n: float, change_min: float, edge_cost: float, rate_per_min: float) -> float:
    """Return the tool life in minutes at which a part costs least.

    Parameters
    ----------
    n : float
        Taylor's exponent, between 0 and 1.
    change_min : float
        Minutes that a tool change takes, at least 0.
    edge_cost, rate_per_min : float
        Cost of one edge (at least 0) and of a minute of machine and operator (above 0), in one currency.

    Raises
    ------
    InvalidInput
        Outside these ranges.

    Notes
    -----
    (1/n - 1)(change_min + edge_cost / rate_per_min).
    """
    _require_positive("rate_per_min", rate_per_min)
    if edge_cost < 0:
        raise InvalidInput(f"edge_cost: expected 0 or more, got {edge_cost}")
    return maximum_output_life(n, change_min + edge_cost / rate_per_min)


def maximum_output_life(n: float, change_min: float) -> float:
    """Return the tool life in minutes at which most parts are made: (1/n - 1) change_min.

    Raises
    ------
    InvalidInput
        If n is not between 0 and 1, or `change_min` is negative.
    """
    if not 0.0 < n < 1.0:
        raise InvalidInput(f"n: expected a number between 0 and 1, got {n}")
    if change_min < 0:
        raise InvalidInput(f"change_min: expected 0 or more, got {change_min}")
    return (1.0 / n - 1.0) * change_min


def _require_positive(name: str, value: float) -> None:
    if not value > 0:
        raise InvalidInput(f"{name}: expected a number above zero, got {value}")
