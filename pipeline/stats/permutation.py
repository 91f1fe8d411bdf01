"""Permutation tests of a sum of products, drawn with a seed and in blocks, so that memory stays small.

It holds no statistic of its own: scores come from the caller.
"""

from __future__ import annotations

import numpy as np

from pipeline.stats.arrays import FloatArray

# Numbers held at once by one block of permutations (16 MB of doubles).
BLOCK_NUMBERS = 2_000_000
# Extreme permutations that make a p-value precise enough (relative error about a third).
ENOUGH_EXTREME = 10


def permuted_rows(rng: np.random.Generator, values: FloatArray, rows: int) -> FloatArray:
    """Return `rows` independent permutations of `values`, shape (rows, values)."""
    return rng.permuted(np.broadcast_to(values, (rows, values.size)), axis=1)


def permuted_share(
    position: FloatArray, score: FloatArray, seed: int, resamples: int, most: int
) -> tuple[float, float, int]:
    """Test whether scores go with positions, by letting the scores change places.

    Parameters
    ----------
    position, score : arrays, shape (n,)
    seed : int
    resamples : int
        Permutations drawn at first.
    most : int
        Permutations drawn at the utmost, tenfold at a time, while fewer than ten are as extreme as the data.

    Returns
    -------
    p_low, p_two_sided, drawn
        The data count as one of the permutations, so that no p is ever 0.
    """
    centred = position - position.mean()
    observed = float(centred @ score)
    slack = 1e-9 * float(np.abs(centred) @ np.abs(score))
    rng = np.random.default_rng(seed)
    low = extreme = drawn = 0
    target = resamples
    while True:
        while drawn < target:
            rows = min(target - drawn, max(1, BLOCK_NUMBERS // max(1, score.size)))
            sums = permuted_rows(rng, score, rows) @ centred
            low += int((sums <= observed + slack).sum())
            extreme += int((np.abs(sums) >= abs(observed) - slack).sum())
            drawn += rows
        if extreme >= ENOUGH_EXTREME or drawn >= most:
            return (1 + low) / (1 + drawn), (1 + extreme) / (1 + drawn), drawn
        target = min(10 * (drawn + 1) - 1, most)
