"""Jobs watched batch by batch: a CUSUM of each against its own past, which needs no baseline beforehand.

It says when a job began to run longer or shorter than before, as soon as a batch shows it. Whether that stands among
all jobs together is `shift`'s business.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray, IntArray, as_vector
from pipeline.stats.errors import InvalidInput

SLACK = 0.5
LIMIT = 5.7574
"""Two-sided in-control run length of 1,000 batches at SLACK, for a known baseline of normal batches."""
MOST = 3.5
"""A standardised batch counts no more than this, so that one odd batch alone never signals."""
DIFFERENCE_FREEDOM = 2.0 / 3.0
"""Degrees of freedom of a squared successive difference: neighbours share a batch."""


@dataclass(frozen=True, eq=False)
class Watch:
    """The latest signal of each job; one entry per job.

    Attributes
    ----------
    alarm : shape (J,)
        Number within its job of the batch that gave the signal, -1 without one.
    since : shape (J,)
        Number of the batch from which on the job is taken to have run otherwise, -1 without a signal.
    direction : shape (J,)
        1 longer, -1 shorter, 0 without a signal.
    first_alarm : shape (J,)
        Number of the batch of the first signal, -1 without one.
    """

    alarm: IntArray
    since: IntArray
    direction: IntArray
    first_alarm: IntArray


def watch_jobs(job: ArrayLike, value: ArrayLike, limit: float = LIMIT, slack: float = SLACK) -> Watch:
    """Watch every job of a shop.

    Parameters
    ----------
    job : array of int, shape (batches,), 0..J-1, sorted
    value : array, shape (batches,)
        Median ln(actual / estimate) of each batch, in the order of time within its job.

    Raises
    ------
    InvalidInput
        On unequal lengths or jobs that are not sorted.

    Notes
    -----
    Self-starting, after Hawkins (1987, quoted from memory): each batch is set against the mean of those before it, with
    Student's t turned into a standard normal value, so that a baseline of few batches does not make alarms. The spread
    blends the job's own batches with the other jobs' successive differences, which shifts hardly widen, by degrees of
    freedom; other jobs count for less the more the spreads of jobs differ (as in `drift`). After a signal the chart
    begins anew with the batches since the change.
    """
    jobs, values = np.asarray(job, dtype=np.int64), as_vector(value, "value")
    if jobs.shape != values.shape:
        raise InvalidInput(f"job: expected {values.size} entries, got {jobs.size}")
    if jobs.size and (int(jobs[0]) < 0 or bool((np.diff(jobs) < 0).any())):
        raise InvalidInput("job: expected numbers from 0, sorted")
    count = int(jobs[-1]) + 1 if jobs.size else 0
    size = np.bincount(jobs, minlength=count)
    start = np.cumsum(size) - size
    prior, prior_df = _others_spread(jobs, values, size)
    table = np.zeros((count, int(size.max()) if count else 0))
    table[jobs, np.arange(jobs.size) - start[jobs]] = values
    return _run(table, size, prior, prior_df, limit, slack)


def _others_spread(job: IntArray, value: FloatArray, size: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return, per job, the variance of a batch by the other jobs' successive differences, and its freedom."""
    same = np.diff(job) == 0
    half = np.where(same, 0.5 * np.diff(value) ** 2, 0.0)
    squares = np.zeros(size.size)
    if job.size:
        squares += np.bincount(job[1:], weights=half, minlength=size.size)
    steps = np.maximum(size - 1, 0).astype(np.float64)
    others = np.maximum(steps.sum() - steps, 0.0)
    variance = np.divide(squares.sum() - squares, others, out=np.zeros(size.size), where=others > 0)
    freedom = DIFFERENCE_FREEDOM * steps
    pooled = DIFFERENCE_FREEDOM * others
    return variance, pooled / (1.0 + 0.5 * _unlikeness(squares, steps, freedom) * pooled)


def _unlikeness(squares: FloatArray, steps: FloatArray, freedom: FloatArray) -> float:
    """Return the squared coefficient of variation of the jobs' variances, 0 to 2, by the method of moments."""
    used = steps > 0
    mean = float(squares.sum()) / max(float(steps.sum()), 1.0)
    if int(used.sum()) < 2 or mean <= 0:
        return 0.0
    relative = squares[used] / steps[used] / mean
    df = freedom[used]
    excess = float((df * (relative - 1.0) ** 2).sum()) - 2.0 * (df.size - 1)
    return min(max(excess / float(df.sum()), 0.0), 2.0)


def _run(
    table: FloatArray, size: IntArray, prior: FloatArray, prior_df: FloatArray, limit: float, slack: float
) -> Watch:
    """Take all jobs through their batches side by side."""
    count = size.size
    sums = np.concatenate((np.zeros((count, 1)), np.cumsum(table, axis=1)), axis=1)
    squares = np.concatenate((np.zeros((count, 1)), np.cumsum(table**2, axis=1)), axis=1)
    begun = np.zeros(count, dtype=np.int64)  # first batch of the baseline
    side = np.zeros((2, count))
    left_zero = np.zeros((2, count), dtype=np.int64)
    alarm, since, first = (np.full(count, -1, dtype=np.int64) for _ in range(3))
    direction = np.zeros(count, dtype=np.int64)
    rows = np.arange(count)
    for number in range(1, table.shape[1]):
        known = number - begun
        total, square = sums[rows, number] - sums[rows, begun], squares[rows, number] - squares[rows, begun]
        mean = total / np.maximum(known, 1)
        own_df = np.maximum(known - 1, 0)
        freedom = prior_df + own_df
        own = np.maximum(square - known * mean**2, 0.0)
        variance = np.divide(prior_df * prior + own, freedom, out=np.zeros(count), where=freedom > 0)
        ready = (number < size) & (known >= 1) & (freedom >= 1) & (variance > 0)
        error = np.sqrt(np.where(ready, variance, 1.0) * (1.0 + 1.0 / np.maximum(known, 1)))
        t = np.where(ready, (table[:, number] - mean) / error, 0.0)
        z = np.clip(_as_normal(t, np.where(ready, freedom, 1.0)), -MOST, MOST)
        for at, sign in enumerate((1.0, -1.0)):
            moved = np.maximum(0.0, side[at] + sign * z - slack)
            left_zero[at] = np.where((side[at] <= 0) & (moved > 0), number, left_zero[at])
            side[at] = np.where(ready, moved, side[at])
        over = ready & (side.max(axis=0) > limit)
        if over.any():
            which = side.argmax(axis=0)
            change = left_zero[which, rows]
            alarm[over], since[over] = number, change[over]
            direction[over] = np.where(which == 0, 1, -1)[over]
            first[over & (first < 0)] = number
            begun[over] = change[over]
            side[:, over] = 0.0
    return Watch(alarm, since, direction, first)


def _as_normal(t: FloatArray, freedom: FloatArray) -> FloatArray:
    """Return the standard normal value that lies where `t` lies in Student's distribution."""
    tail = special.stdtr(freedom, -np.abs(t))
    return np.asarray(-np.sign(t) * special.ndtri(np.maximum(tail, 1e-300)), dtype=np.float64)
