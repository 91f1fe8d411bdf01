"""How far estimates of one kind of work are out, with cells of few jobs drawn towards the shop's mean.

It gives what a prediction for a new job needs; turning it into times and money is done elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import AnyArray, FloatArray, IntArray, as_positive, as_share, as_vector
from pipeline.stats.errors import InvalidInput

# Jobs beyond the first of their cell that it takes to tell spread between cells from spread between jobs.
MIN_WITHIN_DF = 4


@dataclass(frozen=True)
class Prediction:
    """ln(actual / estimate) to expect of a job not yet run.

    `sd` and `degrees_of_freedom` are of Student's t; without any spread to judge by they are nan and 0.
    """

    mean: float
    sd: float
    degrees_of_freedom: float

    def factor(self, p: float) -> float:
        """Return the factor on the estimate that the job stays below with chance `p`; nan where unknown."""
        as_share(p, "p")
        if self.degrees_of_freedom <= 0:
            return math.nan
        return math.exp(self.mean + self.sd * float(special.stdtrit(self.degrees_of_freedom, p)))


@dataclass(frozen=True, eq=False)
class PooledFactors:
    """Factors by cell and for the shop.

    Attributes
    ----------
    cells : shape (C,)
        The labels, sorted.
    factor, low, high : shape (C,)
        exp of the shrunken mean of ln(actual / estimate), with limits; limits are nan where unknown.
    jobs : shape (C,)
    shrinkage : shape (C,)
        Weight of the shop's mean in the cell's factor: 0 takes the cell at its word, 1 ignores it.
    shop_factor, shop_low, shop_high : float
    job_sd, cell_sd : float
        Spread of ln ratio from job to job within a cell, and from cell to cell; nan where unknown. Where the two
        cannot be told apart `job_sd` is both together and `cell_sd` is nan.
    """

    cells: AnyArray
    factor: FloatArray
    low: FloatArray
    high: FloatArray
    jobs: IntArray
    shrinkage: FloatArray
    shop_factor: float
    shop_low: float
    shop_high: float
    job_sd: float
    cell_sd: float
    _seen: tuple[Prediction, ...] = field(repr=False)
    _unseen: Prediction = field(repr=False)

    def predict_log(self, cell: Any = None) -> Prediction:
        """Return what to expect of a new job, job-to-job spread included.

        Parameters
        ----------
        cell : label, optional
            Its cell. None, or a label without history, takes the shop's mean and adds the spread between cells;
            with one cell in all that spread is unknown, and so are `sd` and the degrees of freedom.
        """
        at = np.flatnonzero(self.cells == cell) if cell is not None else np.empty(0, dtype=np.int64)
        return self._seen[int(at[0])] if at.size else self._unseen


@dataclass(frozen=True)
class _Spread:
    """Components of variance of ln ratio and the mean squares that they come from.

    `separate` is False where jobs and cells cannot be told apart and `job` is the spread of both together.
    """

    job: float
    cell: float
    within: float
    between: float
    within_df: int
    between_df: int
    effective_weight: float
    separate: bool

    @property
    def pooled_df(self) -> int:
        return self.within_df + self.between_df


@dataclass(frozen=True, eq=False)
class _Cells:
    """Observations summed up by cell."""

    weight: FloatArray
    mean: FloatArray
    spread: _Spread


def pool_factors(
    cell: ArrayLike,
    job: ArrayLike,
    log_ratio: ArrayLike,
    weight: ArrayLike | None = None,
    level: float = 0.95,
) -> PooledFactors:
    """Estimate how far estimates are out, cell by cell.

    Parameters
    ----------
    cell : array of labels, shape (observations,)
        Kind of work: material, kind of operation, and so on.
    job : array of labels, shape (observations,)
        Several observations of one job in one cell are averaged first, so that a job counts once.
    log_ratio : array, shape (observations,)
        Mean ln(actual / estimate) of the job.
    weight : array, shape (observations,), optional
        Relative precision of an observation; all alike if left out. A new job is taken to be of average weight.
    level : float
        Of the two-sided limits.

    Raises
    ------
    InvalidInput
        Without any observation, on unequal lengths, a missing value or a weight not above zero.

    Notes
    -----
    ln ratio = shop + cell + job, the last two random. Components of variance by the method of moments, as DerSimonian
    & Laird's with the variance of a job pooled over all cells. Cell means are the best linear unbiased predictors with
    the mean squared error of Prasad & Rao (1990, quoted from memory), which allows for the components being estimated,
    but is no larger than that of the cell's own mean. Limits by t with degrees of freedom after Satterthwaite. Where
    no spread between cells is found, or fewer than four jobs beyond the first of their cell are there to find it with,
    every job is taken as one of the shop. One job in several cells is treated as several jobs.
    """
    as_share(level, "level")
    labels, cell_of, values, weights = _one_per_job(cell, job, log_ratio, weight)
    cells = _by_cell(cell_of, values, weights)
    shop = _shop_mean(cells)
    trust, means, seen = _cell_means(cells, shop)
    limits = np.array([_limits(mean, level) for mean in means])
    shop_low, shop_high = _limits(shop, level)
    spread = cells.spread
    return PooledFactors(
        cells=labels,
        factor=np.exp(np.array([mean.mean for mean in means])),
        low=limits[:, 0],
        high=limits[:, 1],
        jobs=np.bincount(cell_of).astype(np.int64),
        shrinkage=1.0 - trust,
        shop_factor=math.exp(shop.mean),
        shop_low=shop_low,
        shop_high=shop_high,
        job_sd=math.sqrt(spread.job),
        cell_sd=math.sqrt(spread.cell) if spread.separate and spread.between_df else math.nan,
        _seen=tuple(seen),
        _unseen=_unseen(cells, shop),
    )


def _one_per_job(
    cell: ArrayLike, job: ArrayLike, log_ratio: ArrayLike, weight: ArrayLike | None
) -> tuple[AnyArray, IntArray, FloatArray, FloatArray]:
    """Return cell labels, and the cell number, mean and weight (mean 1) of each job within a cell."""
    values = as_vector(log_ratio, "log_ratio")
    weights = np.ones(values.size) if weight is None else as_positive(weight, "weight")
    cells, jobs = np.asarray(cell), np.asarray(job)
    if not values.size:
        raise InvalidInput("log_ratio: there is no observation")
    if cells.shape != values.shape or jobs.shape != values.shape or weights.shape != values.shape:
        raise InvalidInput(f"cell, job and weight: expected {values.size} entries each, one per log_ratio")
    labels, cell_of = np.unique(cells, return_inverse=True)
    job_labels, job_of = np.unique(jobs, return_inverse=True)
    pairs, pair_of = np.unique(cell_of.astype(np.int64) * job_labels.size + job_of, return_inverse=True)
    pair_sum = np.asarray(np.bincount(pair_of, weights=weights), dtype=np.float64)
    pair_mean = np.bincount(pair_of, weights=weights * values) / pair_sum
    # A mean of several observations of a job is no more precise about other jobs than one.
    pair_weight = pair_sum / np.bincount(pair_of)
    return labels, pairs // job_labels.size, pair_mean, pair_weight / pair_weight.mean()


def _by_cell(cell_of: IntArray, values: FloatArray, weights: FloatArray) -> _Cells:
    """Sum up by cell and split the spread into that between jobs and that between cells."""
    weight = np.asarray(np.bincount(cell_of, weights=weights), dtype=np.float64)
    mean = np.bincount(cell_of, weights=weights * values) / weight
    within_squares = float((weights * (values - mean[cell_of]) ** 2).sum())
    between_squares = float((weight * (mean - np.average(mean, weights=weight)) ** 2).sum())
    within_df, between_df = values.size - weight.size, weight.size - 1
    pooled_df = within_df + between_df
    pooled = (within_squares + between_squares) / pooled_df if pooled_df else math.nan
    within = within_squares / within_df if within_df else math.nan
    between = between_squares / between_df if between_df else math.nan
    total = float(weight.sum())
    effective = (total - float((weight**2).sum()) / total) / between_df if between_df else math.nan
    if between_df == 0:
        spread = _Spread(pooled, 0.0, within, between, within_df, between_df, effective, True)
    elif within_df < MIN_WITHIN_DF:
        spread = _Spread(pooled, 0.0, pooled, pooled, within_df, between_df, effective, False)
    elif between <= within:
        spread = _Spread(pooled, 0.0, pooled, pooled, within_df, between_df, effective, True)
    else:
        cell = (between - within) / effective
        spread = _Spread(within, cell, within, between, within_df, between_df, effective, True)
    return _Cells(weight, mean, spread)


def _shop_mean(cells: _Cells) -> Prediction:
    """Return the shop's mean of ln ratio with its standard error."""
    spread = cells.spread
    if spread.pooled_df == 0:
        return Prediction(float(cells.mean[0]), math.nan, 0.0)
    # Without any spread at all the cells count by their jobs alone.
    variance = spread.cell + spread.job / cells.weight if spread.job + spread.cell > 0 else 1.0 / cells.weight
    mean = float(np.average(cells.mean, weights=1.0 / variance))
    error = math.sqrt(1.0 / float((1.0 / variance).sum())) if spread.job + spread.cell > 0 else 0.0
    return Prediction(mean, error, float(spread.between_df if spread.cell > 0 else spread.pooled_df))


def _cell_means(cells: _Cells, shop: Prediction) -> tuple[FloatArray, list[Prediction], list[Prediction]]:
    """Return the trust put in each cell's own mean, the cells' means and the predictions for a new job in each."""
    spread = cells.spread
    count = cells.weight.size
    if spread.pooled_df == 0:
        return np.ones(1), [shop], [shop]
    if not spread.separate:
        # The cell may be anything from the shop's mean to a world of its own: the spread of all covers both.
        new = Prediction(shop.mean, math.sqrt(spread.job + shop.sd**2), float(spread.pooled_df))
        return np.zeros(count), [new] * count, [new] * count
    own = spread.job / cells.weight
    trust = np.ones(1) if count == 1 else _ratio(spread.cell, spread.cell + own)
    mean = shop.mean + trust * (cells.mean - shop.mean)
    local = trust * own + _cost_of_estimating(own, spread)
    shared = (1.0 - trust) ** 2 * shop.sd**2
    scale = np.minimum(1.0, _ratio(own, local + shared))
    local, shared = local * scale, shared * scale
    means = _predictions(mean, local, shared, spread)
    return trust, means, _predictions(mean, local + spread.job, shared, spread)


def _ratio(part: FloatArray | float, whole: FloatArray) -> FloatArray:
    """Return part / whole, 0 where both are 0."""
    return np.asarray(np.divide(part, whole, out=np.zeros(whole.size), where=whole > 0), dtype=np.float64)


def _cost_of_estimating(own: FloatArray, spread: _Spread) -> FloatArray:
    """Return what estimating the spread between cells adds to the squared error of each cell's mean."""
    if spread.between_df == 0:
        return np.zeros(own.size)
    moments = spread.between**2 / spread.between_df + spread.within**2 / spread.within_df
    uncertainty = 2.0 * moments / spread.effective_weight**2
    return 2.0 * _ratio(own**2 * uncertainty, (spread.cell + own) ** 3)


def _predictions(mean: FloatArray, local: FloatArray, shared: FloatArray, spread: _Spread) -> list[Prediction]:
    """Return one prediction per cell from the parts of its variance that come from jobs and from the shop's mean."""
    local_df = spread.within_df if spread.cell > 0 else spread.pooled_df
    shared_df = spread.between_df if spread.cell > 0 else spread.pooled_df
    variance = local + shared
    parts = local**2 / local_df + (shared**2 / shared_df if shared_df else 0.0)
    freedom = np.where(variance > 0, _ratio(variance**2, parts), float(local_df))
    return [Prediction(float(m), math.sqrt(v), float(f)) for m, v, f in zip(mean, variance, freedom, strict=True)]


def _unseen(cells: _Cells, shop: Prediction) -> Prediction:
    """Return the prediction for a job of a kind that the shop has not run."""
    spread = cells.spread
    if spread.between_df == 0:
        return Prediction(shop.mean, math.nan, 0.0)
    variance = spread.job + spread.cell + shop.sd**2
    if spread.cell == 0 or variance == 0:
        return Prediction(shop.mean, math.sqrt(variance), float(spread.pooled_df))
    # The same variance as a sum of the two mean squares.
    from_within = (1.0 - 1.0 / spread.effective_weight) * spread.within
    parts = from_within**2 / spread.within_df + (variance - from_within) ** 2 / spread.between_df
    return Prediction(shop.mean, math.sqrt(variance), variance**2 / parts)


def _limits(mean: Prediction, level: float) -> tuple[float, float]:
    """Return the limits of a factor; nan where unknown."""
    return mean.factor(0.5 - 0.5 * level), mean.factor(0.5 + 0.5 * level)
