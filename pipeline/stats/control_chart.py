"""CUSUM and EWMA charts: their recursions, and how long they run on average before they signal.

Values are standardised by the caller where run lengths are to hold; watching a shop's jobs is `watch`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray, as_vector
from pipeline.stats.errors import InvalidInput

NODES = 96
"""Gauss-Legendre nodes of the integral equations: seven digits at the charts in use."""


@dataclass(frozen=True, eq=False)
class Cusum:
    """Both sides of a tabular CUSUM, and for each value how many values ago the side was last at zero.

    Attributes
    ----------
    high, low : shape (values,)
        Sums of what lies above target + slack and below target - slack.
    high_count, low_count : shape (values,)
        Values since the sum left zero, itself included; 0 where it is at zero.
    """

    high: FloatArray
    low: FloatArray
    high_count: FloatArray
    low_count: FloatArray


def cusum(values: ArrayLike, target: float, slack: float) -> Cusum:
    """Return both sides of the tabular CUSUM: S = max(0, S + x - target - slack), and the like below.

    Page (1954); in the form of the NIST/SEMATECH handbook, section 6.3.2.3.

    Raises
    ------
    InvalidInput
        On a missing value or a slack below 0.
    """
    series = as_vector(values, "values")
    if slack < 0:
        raise InvalidInput(f"slack: expected 0 or more, got {slack}")
    sides = [_one_side(steps) for steps in (series - target - slack, target - slack - series)]
    return Cusum(sides[0][0], sides[1][0], sides[0][1], sides[1][1])


def _one_side(steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return max(0, S + step) all along, and how many steps each S is away from its last zero.

    The sum never below zero is the plain sum less its lowest value so far.
    """
    walk = np.cumsum(steps)
    lowest = np.minimum(np.minimum.accumulate(walk), 0.0)
    sums = walk - lowest
    number = np.arange(1, steps.size + 1)
    zero_at = np.maximum.accumulate(np.where(sums <= 0, number, 0)) if steps.size else number
    return sums, np.asarray(number - zero_at, dtype=np.float64)


def ewma(values: ArrayLike, start: float, weight: float) -> FloatArray:
    """Return z = weight x + (1 - weight) z from `start` on: Roberts (1959); NIST/SEMATECH handbook, section 6.3.2.4.

    Raises
    ------
    InvalidInput
        On a missing value or a weight outside 0..1.
    """
    from scipy.signal import lfilter

    series = as_vector(values, "values")
    _check_weight(weight)
    smoothed, _ = lfilter([weight], [1.0, weight - 1.0], series, zi=[(1.0 - weight) * start])
    return np.asarray(smoothed, dtype=np.float64)


def ewma_reach(weight: float, limit: float, number: ArrayLike | None = None) -> FloatArray:
    """Return how far the EWMA's control limits lie from the target, in standard deviations of one value.

    Without `number` the lasting limits; with it those of the 1st, 2nd ... value, narrower at the start.
    """
    _check_weight(weight)
    lasting = limit * math.sqrt(weight / (2.0 - weight))
    if number is None:
        return np.asarray(lasting)
    return np.asarray(lasting * np.sqrt(1.0 - (1.0 - weight) ** (2.0 * np.asarray(number, dtype=np.float64))))


def cusum_run_length(shift: float, slack: float, limit: float, start: float = 0.0, two_sided: bool = True) -> float:
    """Return the average run length of a CUSUM of independent standard normal values moved by `shift`.

    Parameters
    ----------
    start : the sum at the beginning (a head start), on both sides
    two_sided : whether either side may signal (S > limit)

    Notes
    -----
    Page's integral equation, solved at Gauss-Legendre nodes. Both sides together after Lucas & Crosier (1982).
    """
    if limit <= 0 or slack < 0 or not 0 <= start <= limit:
        raise InvalidInput("limit, slack, start: expected limit > 0, slack >= 0 and a start of 0 to limit")
    zero, headed = _one_sided_cusum(shift, slack, limit, start)
    if not two_sided:
        return headed
    other_zero, other_headed = _one_sided_cusum(-shift, slack, limit, start)
    return (headed * other_zero + other_headed * zero - zero * other_zero) / (zero + other_zero)


def ewma_run_length(shift: float, weight: float, limit: float) -> float:
    """Return the average run length of a two-sided EWMA with lasting limits of independent standard normal values.

    Crowder's (1987) integral equation, solved at Gauss-Legendre nodes.
    """
    _check_weight(weight)
    reach = float(ewma_reach(weight, limit))
    nodes, weights = _nodes(-reach, reach)
    step = (nodes[None, :] - (1.0 - weight) * nodes[:, None]) / weight - shift
    lengths = np.linalg.solve(np.eye(NODES) - _density(step) * weights / weight, np.ones(NODES))
    return float(1.0 + (lengths * weights * _density(nodes / weight - shift)).sum() / weight)


def _one_sided_cusum(shift: float, slack: float, limit: float, start: float) -> tuple[float, float]:
    """Return the average run length from zero and from `start`."""
    nodes, weights = _nodes(0.0, limit)
    places = np.concatenate(([0.0], nodes))
    # from each place to zero in one step, and to the nodes
    to_zero = special.ndtr(slack - shift - places)
    to_nodes = _density(nodes[None, :] + slack - shift - places[:, None]) * weights
    lengths = np.linalg.solve(np.eye(NODES + 1) - np.column_stack((to_zero, to_nodes)), np.ones(NODES + 1))
    from_start = 1.0 + lengths[0] * float(special.ndtr(slack - shift - start))
    from_start += float((lengths[1:] * weights * _density(nodes + slack - shift - start)).sum())
    return float(lengths[0]), from_start


def _density(values: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * values**2) / math.sqrt(2.0 * math.pi), dtype=np.float64)


@lru_cache(maxsize=1)
def _unit_nodes() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return np.asarray(nodes), np.asarray(weights)


def _nodes(low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Return the nodes and weights of an integral from low to high."""
    nodes, weights = _unit_nodes()
    half = 0.5 * (high - low)
    return low + half * (nodes + 1.0), half * weights


def _check_weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise InvalidInput(f"weight: expected a number above 0 and up to 1, got {weight}")
