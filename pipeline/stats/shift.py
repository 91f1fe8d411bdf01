"""Since which batch a job has run longer or shorter than before: one change point in a series of batch medians.

It does not say whether the job is over its estimate (see `drift`), and it looks for one change, not for several.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.stats.arrays import FloatArray, as_positive, as_vector
from pipeline.stats.errors import InvalidInput
from pipeline.stats.multiple import benjamini_hochberg
from pipeline.stats.permutation import BLOCK_NUMBERS, ENOUGH_EXTREME

MIN_SIDE = 3
DEFAULT_SEED = 1979
MOST_RESAMPLES = 199_999
LEVEL = 0.95


@dataclass(frozen=True)
class Shift:
    """The likeliest change of a job's ratio.

    Attributes
    ----------
    index : int
        First batch after the change.
    index_low, index_high : int
        The first batch after the change lies among these with a chance of 95 %, given that there is one.
    before, after : float
        Geometric mean of the ratio on either side.
    before_low, before_high, after_low, after_high : float
        95 % limits of these, as if the batch of the change were known.
    p : float
        Of a series without any change, by permutation of the batches.
    batches : int
    resamples : int
    """

    index: int
    index_low: int
    index_high: int
    before: float
    after: float
    before_low: float
    before_high: float
    after_low: float
    after_high: float
    p: float
    batches: int
    resamples: int

    @property
    def change(self) -> float:
        """How many times the ratio before is the ratio after."""
        return self.after / self.before


def find_shift(
    values: ArrayLike,
    weights: ArrayLike | None = None,
    seed: int = DEFAULT_SEED,
    resamples: int = 1999,
) -> Shift | None:
    """Look for one change in a series of batches.

    Parameters
    ----------
    values : array, shape (batches,)
        Median ln(actual / estimate) of each batch, in the order of time.
    weights : array, shape (batches,), optional
        Above zero; what each batch counts. All alike if left out.
    seed, resamples : int
        Of the permutations; the same input and seed give the same result.

    Returns
    -------
    Shift or None
        None below six batches: each side must keep three. With six, p cannot fall below 0.1. A series without any
        spread has p = 1.

    Raises
    ------
    InvalidInput
        On a missing value, or weights of another length or not above zero.

    Notes
    -----
    The statistic is the largest over all splits of the standardised difference of the means of both sides. Its
    p-value counts the orders of the batches that give one as large, which allows for having looked at every split.
    """
    series, weight = _checked(values, weights)
    if series.size < 2 * MIN_SIDE:
        return None
    if resamples < 1:
        raise InvalidInput("resamples: at least one")
    extreme = _count_extreme(series, weight, _orders(series.size, resamples, seed))
    return _describe(series, weight, (1 + extreme) / (1 + resamples), resamples)


def find_shifts(
    series: Sequence[ArrayLike],
    weights: Sequence[ArrayLike] | None = None,
    seed: int = DEFAULT_SEED,
    resamples: int = 1999,
) -> tuple[list[Shift | None], FloatArray]:
    """Look for one change in each of many jobs, as one family of tests.

    Parameters
    ----------
    series : sequence of arrays
        As for `find_shift`, one per job.
    weights : sequence of arrays, optional
    seed, resamples : int
        Where the family is so large that `resamples` could not reach q = 0.05, the most extreme jobs are given more.

    Returns
    -------
    shifts, q
        One entry per job; q is nan where the job was not tested.
    """
    if weights is not None and len(weights) != len(series):
        raise InvalidInput(f"weights: expected {len(series)} entries, got {len(weights)}")
    pairs = list(zip(series, weights if weights is not None else [None] * len(series), strict=True))
    found = [find_shift(values, weight, seed, resamples) for values, weight in pairs]
    tested = sum(shift is not None for shift in found)
    candidates = [
        number
        for number, shift in enumerate(found)
        if shift is not None and round(shift.p * (1 + resamples)) <= ENOUGH_EXTREME
    ]
    # With k true changes p must be able to reach 0.05 k / tested, with room to spare.
    wanted = min(200 * tested // max(1, len(candidates)), MOST_RESAMPLES)
    if wanted > resamples:
        for number in candidates:
            found[number] = _judge_again(*_checked(*pairs[number]), seed, wanted)
    p = np.array([math.nan if shift is None else shift.p for shift in found])
    return found, benjamini_hochberg(p)


def _checked(values: ArrayLike, weights: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    """Return values and weights as arrays of one length."""
    series = as_vector(values, "values")
    weight = np.ones(series.size) if weights is None else as_positive(weights, "weights")
    if weight.size != series.size:
        raise InvalidInput(f"weights: expected {series.size} entries, got {weight.size}")
    return series, weight


@lru_cache(maxsize=64)
def _orders(size: int, resamples: int, seed: int) -> NDArray[np.intp]:
    """Return random orders of `size` batches, shape (size, resamples); jobs with as many batches share them."""
    orders = _draw_orders(np.random.default_rng(seed), size, resamples)
    orders.setflags(write=False)
    return orders


def _draw_orders(rng: np.random.Generator, size: int, orders: int) -> NDArray[np.intp]:
    # an order stands in a column, so that sums run over all orders at once
    drawn = rng.permuted(np.broadcast_to(np.arange(size, dtype=np.int32), (orders, size)), axis=1)
    return np.ascontiguousarray(drawn.T, dtype=np.intp)


def _split_heights(series: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the sum of squares between both sides for every split of a series.

    The series is centred on its weighted mean. Dividing by the total sum of squares, which no order changes, would
    give the standardised difference; it is left out.
    """
    total = weight.sum()
    sums = np.cumsum(series * weight)[MIN_SIDE - 1 : series.size - MIN_SIDE]
    left = np.cumsum(weight)[MIN_SIDE - 1 : series.size - MIN_SIDE]
    return np.asarray(sums**2 * total / (left * (total - left)), dtype=np.float64)


def _count_extreme(series: FloatArray, weight: FloatArray, orders: NDArray[np.intp]) -> int:
    """Return how many of the orders give a change at least as large as the series as it stands."""
    centred = series - np.average(series, weights=weight)
    observed = float(_split_heights(centred, weight).max())
    slack = 1e-9 * float((weight * centred**2).sum())
    shares, total = centred * weight, float(weight.sum())
    least = max(observed - slack, 0.0) / total
    is_even = bool((weight == weight[0]).all())
    # all orders move on by one batch at a time: what is at hand then stays in the processor's cache
    sums, left = np.zeros(orders.shape[1]), np.zeros(1 if is_even else orders.shape[1])
    is_extreme = np.zeros(orders.shape[1], dtype=np.bool_)
    for place in range(series.size - MIN_SIDE):
        sums += shares[orders[place]]
        left += weight[0] if is_even else weight[orders[place]]
        if place >= MIN_SIDE - 1:
            is_extreme |= np.abs(sums) >= np.sqrt(least * left * (total - left))
    return int(is_extreme.sum())


def _judge_again(series: FloatArray, weight: FloatArray, seed: int, resamples: int) -> Shift:
    """Judge one series by many more permutations, in blocks."""
    rng = np.random.default_rng([seed, series.size])
    extreme = drawn = 0
    while drawn < resamples:
        rows = min(resamples - drawn, max(1, BLOCK_NUMBERS // series.size))
        extreme += _count_extreme(series, weight, _draw_orders(rng, series.size, rows))
        drawn += rows
    return _describe(series, weight, (1 + extreme) / (1 + drawn), drawn)


def _describe(series: FloatArray, weight: FloatArray, p: float, resamples: int) -> Shift:
    """Put the likeliest split into words that a job's page can use."""
    centre = float(np.average(series, weights=weight))
    heights = _split_heights(series - centre, weight)
    index = MIN_SIDE + int(heights.argmax())
    sides = [(series[:index], weight[:index]), (series[index:], weight[index:])]
    means = [float(np.average(side, weights=share)) for side, share in sides]
    squares = sum(float((share * (side - mean) ** 2).sum()) for (side, share), mean in zip(sides, means, strict=True))
    freedom = series.size - 2
    reach = float(special.stdtrit(freedom, 0.5 + 0.5 * LEVEL))
    margins = [reach * math.sqrt(squares / freedom / float(share.sum())) for _, share in sides]
    low, high = _likely_splits(heights, float((weight * (series - centre) ** 2).sum()), series, weight)
    return Shift(
        index=index,
        index_low=low,
        index_high=high,
        before=math.exp(means[0]),
        after=math.exp(means[1]),
        before_low=math.exp(means[0] - margins[0]),
        before_high=math.exp(means[0] + margins[0]),
        after_low=math.exp(means[1] - margins[1]),
        after_high=math.exp(means[1] + margins[1]),
        p=p,
        batches=int(series.size),
        resamples=resamples,
    )


def _likely_splits(heights: FloatArray, total: float, series: FloatArray, weight: FloatArray) -> tuple[int, int]:
    """Return the ends of the likeliest splits that hold 95 %.

    Posterior of the split under flat priors of both means and of ln variance: each split counts by its residual sum of
    squares to the power -(batches - 2) / 2, over the root of the weights on both sides.
    """
    freedom = series.size - 2
    left = np.cumsum(weight)[MIN_SIDE - 1 : series.size - MIN_SIDE]
    residual = np.maximum(total - heights, 1e-12 * total)
    if total <= 0:
        return MIN_SIDE, series.size - MIN_SIDE
    height = -0.5 * freedom * np.log(residual / total) - 0.5 * np.log(left * (weight.sum() - left))
    share = np.exp(height - height.max())
    order = np.argsort(-share, kind="stable")
    enough = int(np.searchsorted(np.cumsum(share[order]), LEVEL * share.sum())) + 1
    held = order[:enough]
    return MIN_SIDE + int(held.min()), MIN_SIDE + int(held.max())
