"""Whether jobs run over or under their estimate, judged by batch, with false discoveries held over all jobs.

It looks at whole histories; since when a job has run over is the matter of `shift`.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import AnyArray, FloatArray, IntArray, TextArray, as_positive, as_share
from pipeline.stats.errors import InvalidInput
from pipeline.stats.multiple import benjamini_hochberg
from pipeline.stats.ragged import sorted_within

# Beyond this squared coefficient of variation of the jobs' variances few jobs say nothing surer; it leaves the spread
# of the other jobs the worth of one degree of freedom.
MAX_UNLIKENESS = 2.0
# Squares of ln ratio below this are the rounding of equal medians, not spread.
ROUNDING = 1e-18
LARGEST_LOG = math.log(sys.float_info.max)


@dataclass(frozen=True, eq=False)
class DriftVerdicts:
    """One entry per job, in the order of the job numbers 0..J-1.

    Attributes
    ----------
    runs, batches : shape (J,)
    ratio : shape (J,)
        Median of actual / estimate over the runs; nan without runs.
    low, high : shape (J,)
        Limits about the median; nan where no spread between batches can be had, or a spread beyond all numbers.
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


@dataclass(frozen=True, eq=False)
class _Scatter:
    """Batches summed up by job; every array has one entry per job.

    `squares` are of batch medians about their mean, on `freedom` degrees; `within_share` is the variance of a batch
    median as a share of that between runs of a batch. `concentration` is the sum of squared shares of the batches in
    the runs, `largest` the largest of these shares.
    """

    batches: IntArray
    freedom: FloatArray
    squares: FloatArray
    within_share: FloatArray
    concentration: FloatArray
    largest: FloatArray


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
    Runs of one batch share a setup and are not independent, so the unit is the batch. A job's variance of batch
    medians of ln ratio is blended with that of the other jobs by degrees of freedom, at every number of batches:

        s2 = (m s2_others + d s2_own) / (m + d),   1 / m = 1 / D + c / 2

    with d = batches - 1 of the job, D = the sum of d over the other jobs, and c the squared coefficient of variation
    of the jobs' true variances (0 to 2, by the method of moments from the scatter of s2_own over all jobs); t has
    m + d degrees of freedom. Jobs of like spread (c = 0) pool fully; the more they differ, the less the others count.
    The form is the moderated t test of Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3(1), art. 3. It differs in two
    ways: c is from the variances, not their logarithms, which a job of equal batches would rule; and a prior of
    squared variation c counts 2 / c degrees, as Satterthwaite has it, not Smyth's 4 + 2 / c, with which shops of
    unlike jobs call too many over. A job with no spread at all between its batches takes that of the others. In a
    shop of few jobs c is poorly known: with four whose spreads differ by a factor of two, 95 % limits of a job of one
    batch hold 92 to 94 %; with a dozen, 95 %.

    The standard error is widened by asin(r) / r with r the shop's correlation of runs within a batch: what a median of
    clustered values is less precise by than their mean. Where one batch holds over half of the runs, the median is
    mostly that batch's, and the variance is at least r times that of one batch.
    """
    jobs, batches, ratios = _checked(job, batch, ratio)
    if not 0.0 <= tolerance < 1.0:
        raise InvalidInput(f"tolerance: expected 0 or more and below 1, got {tolerance}")
    as_share(level, "level")
    count = int(jobs.max()) + 1 if jobs.size else 0
    grouped = _by_batch(jobs, batches, np.log(ratios))
    runs = np.bincount(jobs, minlength=count)
    centre = np.log(_job_medians(jobs, ratios, count))
    scatter = _scatter(grouped, runs)
    spread = _shop_spread(grouped, scatter)
    error, freedom = _standard_errors(scatter, spread)
    known = np.isfinite(error)
    margin = np.where(known, special.stdtrit(np.where(known, freedom, 1.0), 0.5 + 0.5 * level) * error, math.nan)
    margin[np.abs(centre) + margin > LARGEST_LOG] = math.nan  # limits that no number can hold are none
    tested = known & (runs >= min_runs)
    p_over = _upper_tail(centre - math.log1p(tolerance), error, freedom, tested)
    p_under = _upper_tail(math.log1p(-tolerance) - centre, error, freedom, tested)
    q = benjamini_hochberg(np.minimum(1.0, 2.0 * np.minimum(p_over, p_under)))
    verdict = np.where(tested, "on", "too few")
    verdict[tested & (q <= false_discovery_rate) & (p_over < p_under)] = "over"
    verdict[tested & (q <= false_discovery_rate) & (p_under < p_over)] = "under"
    return DriftVerdicts(
        runs=runs.astype(np.int64),
        batches=scatter.batches,
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
    order = np.lexsort((batch, job))
    job, batch, value = job[order], batch[order], log_ratio[order]
    new = np.ones(job.size, dtype=np.bool_)
    new[1:] = (job[1:] != job[:-1]) | (batch[1:] != batch[:-1])
    starts = np.flatnonzero(new)
    sizes = np.diff(np.append(starts, job.size))
    value = sorted_within(np.cumsum(new) - 1, value)
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
    value = sorted_within(job, ratio)
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


def _scatter(batches: _Batches, runs: IntArray) -> _Scatter:
    """Sum up batches by job."""
    job, count = batches.job, runs.size
    number = np.bincount(job, minlength=count)
    divisor = np.maximum(number, 1)
    deviation = batches.median - (np.bincount(job, weights=batches.median, minlength=count) / divisor)[job]
    squares = np.bincount(job, weights=deviation**2, minlength=count)
    share = batches.runs / runs[job]
    largest = np.zeros(count)
    np.maximum.at(largest, job, share)
    return _Scatter(
        batches=number.astype(np.int64),
        freedom=np.maximum(number - 1, 0).astype(np.float64),
        squares=np.where(squares > ROUNDING, squares, 0.0),
        within_share=np.bincount(job, weights=_median_share(batches.runs), minlength=count) / divisor,
        concentration=np.asarray(np.bincount(job, weights=share**2, minlength=count), dtype=np.float64),
        largest=largest,
    )


def _shop_spread(batches: _Batches, scatter: _Scatter) -> _Spread:
    """Return the components of variance, pooled over all jobs."""
    within, within_df = _within_variance(batches)
    between_df = int(scatter.freedom.sum())
    if between_df == 0:
        return _Spread(math.nan, within, math.nan, math.nan, 0, within_df)
    mean_square = float(scatter.squares.sum()) / between_df
    # The part of each squared deviation that runs alone would give.
    within_share = float((scatter.within_share * scatter.freedom).sum()) / between_df
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


def _standard_errors(scatter: _Scatter, spread: _Spread) -> tuple[FloatArray, FloatArray]:
    """Return standard error and degrees of freedom of ln of each job's median ratio, nan where unknown."""
    others, others_df = _others_variance(scatter, spread)
    unlikeness = _unlikeness(scatter, spread)
    # No spread at all is what clocks of whole seconds make of steady jobs: it counts only where there is nothing else.
    own_df = np.where((scatter.squares > 0) | (others_df == 0), scatter.freedom, 0.0)
    prior_df = _quotient(others_df, 1.0 + 0.5 * unlikeness * others_df)
    freedom = prior_df + own_df
    known = freedom > 0
    variance = _quotient(prior_df * others + scatter.squares, freedom)
    error = np.where(known, np.sqrt(variance * _median_variance(scatter, spread)), math.nan)
    return error, np.where(known, freedom, math.nan)


def _others_variance(scatter: _Scatter, spread: _Spread) -> tuple[FloatArray, FloatArray]:
    """Return, per job, the variance of one of its batch medians from the other jobs' spread, and its freedom.

    Degrees of freedom are 0 where the other jobs have no second batch or no spread.
    """
    df = scatter.freedom.sum() - scatter.freedom
    mean_square = _quotient(scatter.squares.sum() - scatter.squares, df)
    mean_square = np.where(mean_square > ROUNDING, mean_square, 0.0)
    shares = scatter.within_share * scatter.freedom
    offset = (scatter.within_share - _quotient(shares.sum() - shares, df)) * spread.within
    variance = np.where(df > 0, np.maximum(mean_square + offset, scatter.within_share * spread.within), 0.0)
    uncertainty = _quotient(mean_square**2, df) + offset**2 / max(spread.within_df, 1.0)
    freedom = np.where(uncertainty > 0, _quotient(variance**2, uncertainty), df)
    return variance, np.where(variance > 0, np.minimum(freedom, df), 0.0)


def _unlikeness(scatter: _Scatter, spread: _Spread) -> float:
    """Return the squared coefficient of variation of the jobs' true variances of batch medians, 0 to MAX_UNLIKENESS.

    Method of moments: with x the jobs' mean squares over what the shop's spread would give them, J jobs, degrees of
    freedom d and D their sum, E sum d (x - 1)^2 is (2 (J - 1) + c (D + 2 (J - 1) - sum d^2 / D)) D / (D + 2).
    """
    used = scatter.freedom > 0
    share, freedom = scatter.within_share[used], scatter.freedom[used]
    total, more = float(freedom.sum()), freedom.size - 1
    if more < 1:
        return 0.0
    expected = np.maximum(spread.mean_square + (share - spread.within_share) * spread.within, share * spread.within)
    if bool((expected <= 0).any()):
        return 0.0
    squares = float((freedom * (scatter.squares[used] / freedom / expected - 1.0) ** 2).sum()) * (total + 2.0) / total
    weight = total + 2.0 * more - float((freedom**2).sum()) / total
    return min(max((squares - 2.0 * more) / weight, 0.0), MAX_UNLIKENESS)


def _median_variance(scatter: _Scatter, spread: _Spread) -> FloatArray:
    """Return the variance of each job's median as a share of that of one of its batch medians.

    Two values of one cluster with correlation r fall on the same side of the median with a sign correlation of
    (2 / pi) asin(r), which makes the variance of the median of many clusters asin(r) / r times that of their mean.
    """
    total = spread.between + spread.within
    correlation = spread.between / total if spread.between_df and total > 0 else 1.0
    loss = math.asin(correlation) / correlation - 1.0 if correlation > 1e-6 else 0.0
    share = scatter.concentration * (1.0 + loss * (1.0 - scatter.concentration))
    return np.maximum(share, np.where(scatter.largest > 0.5, correlation, 0.0))


def _quotient(part: AnyArray, whole: AnyArray) -> FloatArray:
    """Return part / whole, 0 where `whole` is 0."""
    return np.asarray(np.divide(part, whole, out=np.zeros(whole.size), where=whole > 0), dtype=np.float64)


def _upper_tail(distance: FloatArray, error: FloatArray, freedom: FloatArray, tested: AnyArray) -> FloatArray:
    """Return the chance of a value this far above the bound under Student's t; nan where not tested."""
    p = np.full(distance.size, math.nan)
    certain = tested & (error == 0)
    p[certain] = np.where(distance[certain] > 0, 0.0, 1.0)
    open_ = tested & (error > 0)
    p[open_] = special.stdtr(freedom[open_], -distance[open_] / error[open_])
    return p
