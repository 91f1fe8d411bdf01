"""Learning over a batch: each doubling of the number of parts made takes the same share of the time.

It gives the curve, and estimates it from runs numbered within their batches, pooled over jobs. Whether a job is over
its estimate is `drift`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray, IntArray, as_positive, as_vector
from pipeline.stats.errors import InvalidInput

SETTLED = 10
"""From this run of a batch on nothing more is learnt (our choice, no source); a job's ratio is that of such a run."""
ESTABLISHED = 0.01
"""Learning counts where its test over the whole shop is surer than this."""
ODD = 5.0
"""Runs further than this many robust standard deviations from their batch take no part in the slope."""


def exponent(rate: float) -> float:
    """Return the exponent of a learning rate: 0.85 means that each doubling takes 85 % of the time."""
    if not rate > 0.0:
        raise InvalidInput(f"rate: expected a number above 0, got {rate}")
    return math.log2(rate)


def unit_time(number: ArrayLike, rate: float) -> FloatArray:
    """Return the time of the n-th unit over that of the first, in the unit model (Crawford): n ^ log2(rate)."""
    return np.asarray(as_positive(np.atleast_1d(number), "number") ** exponent(rate), dtype=np.float64)


def total_time(units: int, rate: float) -> float:
    """Return the time of units 1 to `units` together over that of the first, in the unit model."""
    if units < 0:
        raise InvalidInput(f"units: expected 0 or more, got {units}")
    return float((np.arange(1, units + 1, dtype=np.float64) ** exponent(rate)).sum())


def cumulative_average_unit_time(number: int, rate: float) -> float:
    """Return the time of the n-th unit over that of the first, in the cumulative-average model (Wright 1936).

    There the average of all units so far is n ^ log2(rate).
    """
    if number < 1:
        raise InvalidInput(f"number: expected 1 or more, got {number}")
    power = exponent(rate) + 1.0
    return math.pow(number, power) - math.pow(number - 1, power)


def rate_between(first: float, time_first: float, second: float, time_second: float) -> float:
    """Return the learning rate of a unit-model curve through two units and their times."""
    if min(first, second, time_first, time_second) <= 0 or first == second:
        raise InvalidInput("two different units with times above zero are needed")
    return float(2.0 ** (math.log(time_second / time_first) / math.log(second / first)))


def settled_log(number: ArrayLike) -> FloatArray:
    """Return ln(min(n, SETTLED) / SETTLED) for runs numbered from 1 within their batch: 0 once nothing is learnt."""
    numbers = as_positive(number, "number")
    return np.asarray(np.log(np.minimum(numbers, SETTLED) / SETTLED), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Learning:
    """Learning over a batch, job by job and for the shop; nothing is taken out where it is not established.

    Attributes
    ----------
    slope : shape (J,)
        d ln time / d ln number of each job, drawn towards the shop's; 0 where learning is not established.
    shop_slope, shop_error : float
        Mean over jobs with its standard error; nan where no batch has three runs.
    p : float
        One-sided, of a shop that learns nothing.
    established : bool
    jobs : int
        Jobs with a slope of their own.
    """

    slope: FloatArray
    shop_slope: float
    shop_error: float
    p: float
    established: bool
    jobs: int

    @property
    def rate(self) -> float:
        """The shop's learning rate: time of the 2n-th run over that of the n-th; 1 where none is established."""
        return float(2.0**self.shop_slope) if self.established else 1.0


def mean_over_batch(quantity: int, slope: float) -> float:
    """Return the mean time of the runs of a batch over that of a settled run."""
    if quantity < 1:
        raise InvalidInput(f"quantity: expected 1 or more, got {quantity}")
    first = np.exp(slope * settled_log(np.arange(1, min(quantity, SETTLED) + 1)))
    return float((first.sum() + max(0, quantity - SETTLED)) / quantity)


def estimate_learning(job: ArrayLike, batch: ArrayLike, number: ArrayLike, log_ratio: ArrayLike) -> Learning:
    """Estimate the slope of ln ratio over ln number within batches, pooled over jobs.

    Parameters
    ----------
    job : array of int, shape (runs,), 0..J-1
    batch : array of int, shape (runs,)
        Numbers that no two jobs share.
    number : array, shape (runs,)
        1 for the first run of its batch.
    log_ratio : array, shape (runs,)
        ln(actual / estimate).

    Notes
    -----
    Each batch has a level of its own, so that what the runs of a batch share cannot pass for learning. The first run,
    which is often stopped to measure the part, and runs far from their batch are left out. Job slopes are pooled with
    the variance between jobs of DerSimonian & Laird; the shop's slope is tested with t over jobs, each job once.
    """
    jobs, batches = np.asarray(job, dtype=np.int64), np.asarray(batch, dtype=np.int64)
    values, places = as_vector(log_ratio, "log_ratio"), settled_log(number)
    if not jobs.shape == batches.shape == values.shape == places.shape:
        raise InvalidInput(f"job, batch and number: expected {values.size} entries each, one per log_ratio")
    count = int(jobs.max()) + 1 if jobs.size else 0
    _, batches = np.unique(batches, return_inverse=True)
    none = Learning(np.zeros(count), math.nan, math.nan, math.nan, False, 0)
    if not jobs.size:
        return none
    used = np.asarray(number) > 1
    slope = spread = math.nan
    for _ in range(2):
        x, y = _within(batches, places, used), _within(batches, values, used)
        moment = float((x[used] ** 2).sum())
        if moment <= 0:
            return none
        slope = float((x[used] * y[used]).sum()) / moment
        left = y - slope * x
        spread = float(np.median(np.abs(left[used]))) / 0.6745
        used = used & (np.abs(left) <= ODD * spread) if spread > 0 else used
    return _pooled(jobs, _within(batches, places, used), _within(batches, values, used), used, count, none)


def _within(batch: IntArray, values: FloatArray, used: np.ndarray) -> FloatArray:
    """Return values less the mean of the used ones of their batch, 0 where it has none."""
    number = np.bincount(batch, weights=used)
    mean = np.bincount(batch, weights=np.where(used, values, 0.0)) / np.maximum(number, 1.0)
    return np.asarray(values - mean[batch], dtype=np.float64)


def _pooled(job: IntArray, x: FloatArray, y: FloatArray, used: np.ndarray, count: int, none: Learning) -> Learning:
    x, y = np.where(used, x, 0.0), np.where(used, y, 0.0)
    moment = np.bincount(job, weights=x**2, minlength=count)
    slope = np.divide(np.bincount(job, weights=x * y, minlength=count), moment, out=np.zeros(count), where=moment > 0)
    own = moment > 1e-9
    jobs = int(own.sum())
    if jobs < 2:
        return none
    left = y - slope[job] * x
    residual = float((left**2).sum()) / max(1.0, float(used.sum()) - jobs)
    variance = np.maximum(residual / moment[own], 1e-18)
    weight = 1.0 / variance
    fixed = float(np.average(slope[own], weights=weight))
    q = float((weight * (slope[own] - fixed) ** 2).sum())
    total = float(weight.sum())
    between = max(0.0, (q - (jobs - 1)) / (total - float((weight**2).sum()) / total))
    weight = 1.0 / (variance + between)
    shop = float(np.average(slope[own], weights=weight))
    # each job once, as it came out: holds where slopes vary from job to job more than their errors say
    scatter = float((weight * (slope[own] - shop) ** 2).sum()) / (jobs - 1)
    error = math.sqrt(max(scatter, 1.0) / float(weight.sum()))
    p = float(special.stdtr(jobs - 1, shop / error))
    if p > ESTABLISHED:
        return Learning(np.zeros(count), shop, error, p, False, jobs)
    drawn = np.full(count, shop)
    trust = between / (between + variance)
    drawn[own] = shop + trust * (slope[own] - shop)
    return Learning(drawn, shop, error, p, True, jobs)
