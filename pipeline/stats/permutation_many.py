"""Permutation tests of a trend in scores, for many tools at once.

Each tool's scores change places among themselves; tools of one size share the orders that are drawn.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from pipeline.stats.arrays import FloatArray
from pipeline.stats.permutation import BLOCK_NUMBERS, ENOUGH_EXTREME, permuted_rows
from pipeline.stats.ragged import Ragged

SEED = 8688
# Up to this many scores orders are drawn; beyond, the distribution over all orders is read from its moments.
MOST_DRAWN = 40
# From this many scores on a tail that hardly any drawn order reaches is read from the moments too.
LEAST_BY_MOMENTS = 20
FIRST_DRAW, LAST_DRAW = 4_999, 199_999


def centred_order(groups: Ragged) -> FloatArray:
    """Return the place of each member in its set, less the mean place."""
    return groups.position() - 0.5 * (groups.spread(groups.sizes) - 1.0)


def trend_shares(groups: Ragged, scores: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Test for each set whether its scores go with their order.

    Parameters
    ----------
    groups, scores : the sets, and shape (members,)

    Returns
    -------
    p : shape (sets,)
        Two-sided share of orders as extreme as the one that was seen; nan below three members or without scatter.
    direction : shape (sets,)
        1 where scores rise, -1 where they fall, 0 where they do neither.

    Notes
    -----
    Up to 40 members orders are drawn, 4,999 at first, and while fewer than ten are as extreme up to 199,999 for sets
    below 20 members. Otherwise r^2 of scores and places is taken as a beta variable whose first two moments are
    those over all orders (Pitman 1937, quoted from memory); tests hold it against drawn orders.
    """
    centred = scores - groups.spread(groups.sum(scores) / np.maximum(groups.sizes, 1))
    order = centred_order(groups)
    observed = groups.sum(order * centred)
    squares = groups.sum(centred**2)
    able = (groups.sizes >= 3) & (squares > 1e-20 * np.maximum(1.0, groups.sum(scores**2)))
    p = np.full(groups.sizes.size, math.nan)
    for size in np.unique(groups.sizes[able & (groups.sizes <= MOST_DRAWN)]):
        which = np.flatnonzero(able & (groups.sizes == size))
        columns = centred[groups.starts[which][None, :] + np.arange(size)[:, None]]
        p[which] = _drawn_shares(columns, np.abs(observed[which]), int(size))
    by_moments = able & (
        (groups.sizes > MOST_DRAWN) | ((groups.sizes >= LEAST_BY_MOMENTS) & (p * (1 + FIRST_DRAW) - 1 < ENOUGH_EXTREME))
    )
    p[by_moments] = _moment_shares(groups, centred, observed, squares)[by_moments]
    return p, np.sign(observed)


def _drawn_shares(columns: FloatArray, observed: FloatArray, size: int) -> FloatArray:
    """Return the share of drawn orders as extreme, of sets of one size; the seen order counts as one of them."""
    place = np.asarray(np.arange(size) - 0.5 * (size - 1), dtype=np.float64)
    slack = 1e-9 * (np.abs(place) @ np.abs(columns))
    shares = np.empty(observed.size)
    going = np.arange(observed.size)
    extreme = np.zeros(observed.size, dtype=np.int64)
    drawn = 0
    rng = np.random.default_rng([SEED, size, 1])
    for target in (FIRST_DRAW, 10 * FIRST_DRAW + 9, LAST_DRAW):
        while drawn < target:
            rows = min(target - drawn, max(1, BLOCK_NUMBERS // max(size, going.size)))
            orders = (
                _first_orders(size)[drawn : drawn + rows] if drawn < FIRST_DRAW else permuted_rows(rng, place, rows)
            )
            sums = np.abs(orders @ columns[:, going])
            extreme[going] += (sums >= observed[going] - slack[going]).sum(axis=0)
            drawn += rows
        shares[going] = (1 + extreme[going]) / (1 + drawn)
        going = going[extreme[going] < ENOUGH_EXTREME]
        if going.size == 0 or size >= LEAST_BY_MOMENTS:
            break
    return shares


@lru_cache(maxsize=MOST_DRAWN)
def _first_orders(size: int) -> FloatArray:
    """Return the orders that every set of one size is tried on first, shape (FIRST_DRAW, size): 30 MB for all sizes."""
    place = np.asarray(np.arange(size) - 0.5 * (size - 1), dtype=np.float64)
    return permuted_rows(np.random.default_rng([SEED, size]), place, FIRST_DRAW)


def _moment_shares(groups: Ragged, centred: FloatArray, observed: FloatArray, squares: FloatArray) -> FloatArray:
    """Return the two-sided share of orders as extreme, from the second and fourth moment over all orders."""
    n = np.maximum(groups.sizes, 4).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        place_squares = n * (n**2 - 1.0) / 12.0
        place_excess = -1.2 * np.ones_like(n)  # of equal steps: k4 / k2^2 is -6/5 whatever their number
        second, fourth = squares / n, groups.sum(centred**4) / n
        k4 = n**2 * ((n + 1.0) * fourth - 3.0 * (n - 1.0) * second**2) / ((n - 1.0) * (n - 2.0) * (n - 3.0))
        excess = k4 / (second * n / (n - 1.0)) ** 2
        mean = 1.0 / (n - 1.0)
        correction = (n - 2.0) * (n - 3.0) / (3.0 * n * (n - 1.0) ** 2) * place_excess * excess
        variance = 3.0 / ((n - 1.0) * (n + 1.0)) * (1.0 + correction) - mean**2
        both = mean * (1.0 - mean) / variance - 1.0
        r_squared = np.clip(observed**2 / (place_squares * squares), 0.0, 1.0)
        return np.asarray(special.betaincc(mean * both, (1.0 - mean) * both, r_squared))
