"""How far batches of inserts that nobody recorded widen a test for trend, learned from all tools of a shop together.

Edges of one batch live alike, so that successive lives hang together and a tool whose lives merely go up and down with
its batches can look as if it fell. The slow ups and downs other than a straight line show how much of that there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray
from pipeline.stats.ragged import Ragged

# Spread of ln life between batches, and edges over which lives hang together, that are weighed against each other.
SPREADS = (0.05, 0.08, 0.12, 0.17, 0.25, 0.35)
LENGTHS = (3.0, 6.0, 12.0, 24.0, 48.0)
DEGREES = 5
PRIOR_NONE = 0.25
# Of the straight lines' contrasts so many are taken to be true trends, and those to have a variance so much larger.
TRUE_TRENDS, THEIR_VARIANCE = 0.1, 25.0
# Sets of more edges than this are taken as if so many lay closer together, unless they are FAR times as long as lives
# hang together.
MOST_PLACES, FAR = 160, 32.0


@dataclass(frozen=True, eq=False)
class BatchSpread:
    """What the tools say of batches in common.

    Attributes
    ----------
    weights : shape (1 + spreads x lengths,)
        Chance of each pair of spread and length; the first is that of no spread at all.
    factors : shape (1 + spreads x lengths, tools)
        What each pair does to the variance of a straight line's contrast.
    chance_none : float
    mean_factor : shape (tools,)
    """

    weights: FloatArray
    factors: FloatArray

    @property
    def chance_none(self) -> float:
        """Chance that lives do not hang together at all."""
        return float(self.weights[0])

    @property
    def mean_factor(self) -> FloatArray:
        """What is to be expected of each tool's variance, shape (tools,), at least 1."""
        return np.asarray(self.weights @ self.factors)

    def widened(self, p: FloatArray) -> FloatArray:
        """Return two-sided p-values of trend tests, shape (tools,), with that much more scatter about them."""
        z = special.ndtri(0.5 * np.clip(p, 1e-300, 1.0))
        return np.asarray(np.clip(self.weights @ (2.0 * special.ndtr(z / np.sqrt(self.factors))), p, 1.0))


def learn_batches(contrasts: FloatArray, edges: IntArray, shape: FloatArray, share_failed: FloatArray) -> BatchSpread:
    """Weigh how far lives hang together, from what `bends` says of all tools.

    Parameters
    ----------
    contrasts : shape (5, tools)
    edges : shape (tools,), how many scores each tool's contrasts are of
    shape, share_failed : shape (tools,)
        Of each tool: they say how strongly a spread of ln life shows in the scores.

    Notes
    -----
    Scores are set against orthogonal polynomials of the order, of degree 1 to 5. With a batch effect of variance
    spread^2 whose correlation falls off as exp(-distance / length), each contrast has a known variance; the
    likelihood of all contrasts, taken as normal, weighs the pairs; beforehand no effect has a quarter of the weight.
    The contrasts of straight lines count too, but as a mixture in which every tenth is a true trend: so batches in
    common that last for half of a tool's life show, and a few tools whose lives truly fall do not count as batches.
    """
    if edges.size == 0:
        return BatchSpread(np.ones(1), np.ones((1, 0)))
    strength = np.nan_to_num(shape**2 * share_failed)
    sizes, at = np.unique(edges, return_inverse=True)
    log_weights = [math.log(PRIOR_NONE)]
    factors = [np.ones(edges.size)]
    known = np.isfinite(contrasts)
    log_weights[0] += _fit(contrasts, np.ones_like(contrasts), known)
    prior = math.log((1.0 - PRIOR_NONE) / (len(SPREADS) * len(LENGTHS)))
    for length in LENGTHS:
        carried = np.array([_carried(int(size), length) for size in sizes])[at].T
        for spread in SPREADS:
            by = strength * spread**2
            scale = 1.0 + by * carried[-1]
            variances = (1.0 + by * carried[:-1]) / scale
            log_weights.append(prior + _fit(contrasts, variances, known))
            factors.append(np.maximum(1.0, variances[0]))
    weights = np.exp(np.array(log_weights) - max(log_weights))
    return BatchSpread(weights / weights.sum(), np.array(factors))


def _fit(contrasts: FloatArray, variances: FloatArray, known: BoolArray) -> float:
    """Return the log-likelihood of the contrasts, without its constant."""
    curved = known.copy()
    curved[0] = False
    held = variances[curved]
    fit = -0.5 * float((np.log(held) + contrasts[curved] ** 2 / held).sum())
    lines, spread = contrasts[0][known[0]], variances[0][known[0]]
    wide = spread + THEIR_VARIANCE
    as_batches = math.log1p(-TRUE_TRENDS) - 0.5 * (np.log(spread) + lines**2 / spread)
    as_trends = math.log(TRUE_TRENDS) - 0.5 * (np.log(wide) + lines**2 / wide)
    return fit + float(np.logaddexp(as_batches, as_trends).sum())


def bends(groups: Ragged, scores: FloatArray) -> FloatArray:
    """Return how each tool's scores of a level fit, in their order, lie along polynomials of degree 1 to 5.

    Standardised contrasts, shape (5, tools); nan where a tool has too few scores.
    """
    n = groups.sizes.astype(np.float64)
    centred = scores - groups.spread(groups.sum(scores) / np.maximum(n, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(groups.sum(centred**2) / (n - 1.0))
        found = []
        for degree, curve in enumerate(_curves(groups), start=1):
            size = np.sqrt(groups.sum(curve**2))
            value = groups.sum(curve * centred) / (size * spread)
            found.append(np.where((n >= degree + 3) & (spread > 0), value, math.nan))
    return np.array(found)


def _curves(groups: Ragged) -> list[FloatArray]:
    """Return the orthogonal polynomials of each set's order, degree 1 to 5, by Gram's recursion."""
    place = groups.position() - 0.5 * (groups.spread(groups.sizes) - 1.0)
    n = groups.sizes.astype(np.float64)
    half = np.maximum(0.5 * n, 1.0)
    before, curves = np.ones(groups.rows), [place / groups.spread(half)]
    for degree in range(1, DEGREES):
        drop = degree**2 * np.maximum(n**2 - degree**2, 0.0) / (4.0 * (4.0 * degree**2 - 1.0)) / half**2
        curves.append(curves[0] * curves[-1] - groups.spread(drop) * before)
        before = curves[-2]
    return curves


@lru_cache(maxsize=4096)
def _carried(size: int, length: float) -> tuple[float, ...]:
    """Return what a batch effect of variance 1 adds to contrasts of degree 1 to 5, and to the scores' own variance."""
    if size < 3:
        return (0.0,) * (DEGREES + 1)
    if size > MOST_PLACES:
        if size > length * FAR:  # so far apart, all that matters is how much hangs together in all
            step = math.exp(-1.0 / length)
            return (*((1.0 + step) / (1.0 - step),) * DEGREES, 1.0)
        by = size / MOST_PLACES
        *contrasts, own = _carried(MOST_PLACES, length / by)
        return (*(by * value for value in contrasts), own)
    alone = Ragged.of_sizes([size])
    place = np.arange(size)
    together = np.exp(-np.abs(place[:, None] - place[None, :]) / length)
    carried = []
    for degree, curve in enumerate(_curves(alone), start=1):
        unit = curve / math.sqrt(float(curve @ curve)) if size > degree else np.zeros(size)
        carried.append(float(unit @ together @ unit))
    own = (size - float(together.sum()) / size) / (size - 1)
    return (*carried, own)
