"""Whether jobs run over or under their estimate, judged by batch, with false discoveries held over all jobs.

It looks at whole histories; since when a job has run over is the matter of `shift`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import AnyArray, FloatArray, IntArray, TextArray, as_positive, as_share
from pipeline.stats.errors import InvalidInput
from pipeline.stats.multiple import benjamini_hochberg

# With this many batches a job's own spread between batches is used, with fewer the shop's.
OWN_SPREAD_BATCHES = 3


@dataclass(frozen=True, eq=False)
class DriftVerdicts:
    """One entry per job, in the order of the job numbers 0..J-1.

    Attributes
    ----------
    runs, batches : shape (J,)
    ratio : shape (J,)
        Median of actual / estimate over the runs; nan without runs.
    low, high : shape (J,)
        Limits about the median; nan where no spread between batches can be had.
    standard_error, degrees_of_freedom : shape (J,)
        Of the logarithm of `ratio`.
    p_over, p_under : shape (J,)
        One-sided, of a ratio no greater than 1 + tolerance, no less than 1 - tolerance; nan where not tested.
    q : shape (J,)
        Benjamini-Hochberg over the tested jobs of min(1, 2 min(p_over, p_under)).
    verdict : shape (J,), text
        'over', 'on', 'under' or 'too few'.
    between_sd, within_sd : float
        The shop's spread of ln ratio between batches of one job and between runs of one batch; nan where unknown.
    pooled_degrees_of_freedom : int
        Batches beyond the first of their job, over the shop.
    """

    runs: IntArray
    batches: IntArray
    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    standard_error: FloatArray
    degrees_of_freedom: FloatArray
    p_over: FloatArray
    p_under: FloatArray
    q: FloatArray
    verdict: TextArray
    between_sd: float
    within_sd: float
    pooled_degrees_of_freedom: int


@dataclass(frozen=True, eq=False)
class _Batches:
    """Runs summed up by batch; every array has one entry per batch, grouped by job."""

    job: IntArray
    runs: IntArray
    median: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class _Spread:
    """The shop's components of variance of ln ratio."""

    between: float
    within: float
    mean_square: float
    within_share: float
    between_df: int
    within_df: float


def judge_drift(
    job: ArrayLike,
    batch: ArrayLike,
    ratio: ArrayLike,
    tolerance: float = 0.03,
    level: float = 0.95,
    min_runs: int = 5,
    false_discovery_rate: float = 0.05,
) -> DriftVerdicts:
    """Judge every job of a shop from the ratios of its complete runs.

    Parameters
    ----------
    job : array of int, shape (runs,)
        0..J-1.
    batch : array, shape (runs,)
        A label that is unique within its job.
    ratio : array, shape (runs,)
        Actual / estimated time, above zero.
    tolerance : float
        A job within 1 - tolerance .. 1 + tolerance is on its estimate.
    level : float
        Of the limits.
    min_runs : int
        With fewer runs a job is 'too few' and not part of the family of tests.
    false_discovery_rate : float
        The highest q of a verdict other than 'on'.

    Raises
    ------
    InvalidInput
        On unequal lengths, a ratio that is not above zero, a negative job number or a tolerance outside 0..1.

    Notes
    -----
    Runs of one batch share a setup and are not independent, so the unit is the batch. The standard error of the
    median is that of the spread of batch medians of ln ratio, widened by asin(r) / r with r the shop's correlation
    of runs within a batch: what a median of clustered values is less precise by than their mean. Below three batches
    the spread is pooled over the shop; a job with two batches that lie further apart than that keeps its own.
    """
    jobs, batches, ratios = _checked(job, batch, ratio)
    if not 0.0 <= tolerance < 1.0:
        raise InvalidInput(f"tolerance: expected 0 or more and below 1, got {tolerance}")
    as_share(level, "level")
    count = int(jobs.max()) + 1 if jobs.size else 0
    grouped = _by_batch(jobs, batches, np.log(ratios))
    runs = np.bincount(jobs, minlength=count)
    centre = np.log(_job_medians(jobs, ratios, count))
    spread = _shop_spread(grouped, count)
    error, freedom = _standard_errors(grouped, runs, spread)
    known = np.isfinite(error)
    margin = np.where(known, special.stdtrit(np.where(known, freedom, 1.0), 0.5 + 0.5 * level) * error, math.nan)
    tested = known & (runs >= min_runs)
    p_over = _upper_tail(centre - math.log1p(tolerance), error, freedom, tested)
    p_under = _upper_tail(math.log1p(-tolerance) - centre, error, freedom, tested)
    q = benjamini_hochberg(np.minimum(1.0, 2.0 * np.minimum(p_over, p_under)))
    verdict = np.where(tested, "on", "too few")
    verdict[tested & (q <= false_discovery_rate) & (p_over < p_under)] = "over"
    verdict[tested & (q <= false_discovery_rate) & (p_under < p_over)] = "under"
    return DriftVerdicts(
        runs=runs.astype(np.int64),
        batches=np.bincount(grouped.job, minlength=count).astype(np.int64),
        ratio=np.exp(centre),
        low=np.exp(centre - margin),
        high=np.exp(centre + margin),
        standard_error=error,
        degrees_of_freedom=freedom,
        p_over=p_over,
        p_under=p_under,
        q=q,
        verdict=verdict,
        between_sd=math.sqrt(spread.between) if spread.between_df else math.nan,
        within_sd=math.sqrt(spread.within) if spread.within_df else math.nan,
        pooled_degrees_of_freedom=spread.between_df,
    )


def _checked(job: ArrayLike, batch: ArrayLike, ratio: ArrayLike) -> tuple[IntArray, AnyArray, FloatArray]:
    """Return the three inputs as arrays of one length."""
    ratios = as_positive(ratio, "ratio")
    jobs = np.asarray(job)
    if jobs.size and not np.issubdtype(jobs.dtype, np.integer):
        raise InvalidInput("job: expected whole numbers from 0")
    batches = np.asarray(batch)
    if jobs.shape != ratios.shape or batches.shape != ratios.shape:
        raise InvalidInput(f"job and batch: expected {ratios.size} entries each, one per ratio")
    if jobs.size and int(jobs.min()) < 0:
        raise InvalidInput("job: expected whole numbers from 0")
    return jobs.astype(np.int64), batches, ratios


def _by_batch(job: IntArray, batch: AnyArray, log_ratio: FloatArray) -> _Batches:
    """Sum up runs by job and batch."""
    order = np.lexsort((log_ratio, batch, job))
    job, batch, value = job[order], batch[order], log_ratio[order]
    new = np.ones(job.size, dtype=np.bool_)
    new[1:] = (job[1:] != job[:-1]) | (batch[1:] != batch[:-1])
    starts = np.flatnonzero(new)
    sizes = np.diff(np.append(starts, job.size))
    if not starts.size:
        empty = np.empty(0)
        return _Batches(job=job, runs=sizes, median=empty, variance=empty)
    means = np.add.reduceat(value, starts) / sizes
    squares = np.add.reduceat((value - np.repeat(means, sizes)) ** 2, starts)
    variance = np.where(sizes > 1, squares / np.maximum(sizes - 1, 1), math.nan)
    return _Batches(job=job[starts], runs=sizes, median=_sorted_medians(value, starts, sizes), variance=variance)


def _sorted_medians(value: FloatArray, starts: IntArray, sizes: IntArray) -> FloatArray:
    """Return the median of each run of `sizes` sorted values from `starts` on."""
    middle = 0.5 * (value[starts + (sizes - 1) // 2] + value[starts + sizes // 2])
    return np.asarray(middle, dtype=np.float64)


def _job_medians(job: IntArray, ratio: FloatArray, count: int) -> FloatArray:
    """Return the median ratio of each job, nan for a number without runs."""
    value = ratio[np.lexsort((ratio, job))]
    sizes = np.bincount(job, minlength=count)
    starts = np.cumsum(sizes) - sizes
    medians = np.full(count, math.nan)
    used = sizes > 0
    medians[used] = _sorted_medians(value, starts[used], sizes[used])
    return medians


def _median_share(runs: AnyArray) -> FloatArray:
    """Return the variance of the median of `runs` normal values as a share of the variance of one.

    The usual pi / 2n, mended so that it is 1 for a single value.
    """
    return np.asarray(0.5 * math.pi / (runs + 0.5 * math.pi - 1.0), dtype=np.float64)


def _shop_spread(batches: _Batches, count: int) -> _Spread:
    """Return the components of variance, pooled over all jobs."""
    within, within_df = _within_variance(batches)
    sizes = np.bincount(batches.job, minlength=count)
    sums = np.bincount(batches.job, weights=batches.median, minlength=count)
    deviation = batches.median - (sums / np.maximum(sizes, 1))[batches.job]
    between_df = int(np.maximum(sizes - 1, 0).sum())
    if between_df == 0:
        return _Spread(math.nan, within, math.nan, math.nan, 0, within_df)
    mean_square = float((deviation**2).sum()) / between_df
    # The part of each squared deviation that runs alone would give.
    share = _median_share(batches.runs) * (1.0 - 1.0 / sizes[batches.job])
    within_share = float(share.sum()) / between_df
    between = max(0.0, mean_square - within * within_share)
    return _Spread(between, within, mean_square, within_share, between_df, within_df)


def _within_variance(batches: _Batches) -> tuple[float, float]:
    """Return the variance between runs of one batch, and its degrees of freedom.

    It is the median over batches of their variances, each set against the median of its chi-square distribution, so
    that odd runs in fewer than half of the batches leave it alone. Without any batch of two runs it is 0.
    """
    freedom = batches.runs - 1
    used = freedom > 0
    if not used.any():
        return 0.0, 0.0
    freedom = freedom[used].astype(np.float64)
    scaled = batches.variance[used] * freedom / special.chdtri(freedom, 0.5)
    order = np.argsort(scaled, kind="stable")
    below = np.cumsum(freedom[order])
    middle = int(np.searchsorted(below, 0.5 * below[-1]))
    return float(scaled[order][middle]), float(below[-1])


def _standard_errors(batches: _Batches, runs: IntArray, spread: _Spread) -> tuple[FloatArray, FloatArray]:
    """Return standard error and degrees of freedom of ln of each job's median ratio, nan where unknown."""
    count = runs.size
    batch_count = np.bincount(batches.job, minlength=count)
    job_runs = np.maximum(runs, 1)
    weight_sum = np.bincount(batches.job, weights=(batches.runs / job_runs[batches.job]) ** 2, minlength=count)
    sums = np.bincount(batches.job, weights=batches.median, minlength=count)
    deviation = batches.median - (sums / np.maximum(batch_count, 1))[batches.job]
    squares = np.bincount(batches.job, weights=deviation**2, minlength=count)
    own_df = np.maximum(batch_count - 1, 1).astype(np.float64)
    own = squares / own_df
    variance, freedom = _pooled_batch_variance(batches, batch_count, spread)
    variance = np.where(batch_count == OWN_SPREAD_BATCHES - 1, np.maximum(variance, own), variance)
    enough = batch_count >= OWN_SPREAD_BATCHES
    # No spread at all is what clocks of whole seconds make of a steady job: the shop's spread is the safer one.
    variance = np.where(variance > 0, variance, math.nan)
    use_own = enough & ((own > 0) | np.isnan(variance))
    variance = np.where(use_own, own, variance)
    freedom = np.where(use_own, own_df, freedom)
    error = np.sqrt(variance * weight_sum * (1.0 + _median_loss(spread) * (1.0 - weight_sum)))
    error[batch_count == 0] = math.nan
    freedom = np.where(np.isfinite(error), freedom, math.nan)
    return error, freedom


def _median_loss(spread: _Spread) -> float:
    """Return by what share the variance of a median of many clusters exceeds that of the mean of their medians.

    Two values of one cluster with correlation r fall on the same side of the median with a sign correlation of
    (2 / pi) asin(r), which makes the variance of the median asin(r) / r times that of the mean of clusters.
    """
    total = spread.between + spread.within
    correlation = spread.between / total if spread.between_df and total > 0 else 1.0
    return math.asin(correlation) / correlation - 1.0 if correlation > 1e-6 else 0.0


def _pooled_batch_variance(batches: _Batches, batch_count: IntArray, spread: _Spread) -> tuple[FloatArray, FloatArray]:
    """Return, per job, the variance of one of its batch medians from the shop's spread, and its degrees of freedom."""
    count = batch_count.size
    if spread.between_df == 0:
        return np.full(count, math.nan), np.full(count, math.nan)
    shares = np.bincount(batches.job, weights=_median_share(batches.runs), minlength=count)
    share = shares / np.maximum(batch_count, 1)
    offset = (share - spread.within_share) * spread.within
    variance = np.maximum(spread.mean_square + offset, share * spread.within)
    uncertainty = spread.mean_square**2 / spread.between_df + offset**2 / max(spread.within_df, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = np.where(uncertainty > 0, variance**2 / uncertainty, float(spread.between_df))
    return variance, np.minimum(freedom, float(spread.between_df))


def _upper_tail(distance: FloatArray, error: FloatArray, freedom: FloatArray, tested: AnyArray) -> FloatArray:
    """Return the chance of a value this far above the bound under Student's t; nan where not tested."""
    p = np.full(distance.size, math.nan)
    certain = tested & (error == 0)
    p[certain] = np.where(distance[certain] > 0, 0.0, 1.0)
    open_ = tested & (error > 0)
    p[open_] = special.stdtr(freedom[open_], -distance[open_] / error[open_])
    return p
