"""How likely a life as long as this one is after the lives before it: for changes that somebody forgot to note.

Arrays in, arrays out; many tools at once. No table and no file is known here.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray

SHAPES: Final = np.geomspace(0.7, 14.0, 24)
"""Weibull shapes over which the chance is averaged; edges of cutting tools lie between 1 and 8 (from memory)."""
AT_ONCE: Final = 200_000


def chance_to_outlast(
    lives: FloatArray, censored: BoolArray, tool: IntArray, ages: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return for each life the predictive chance that a life of its tool is as long, from the lives before it.

    Lives are Weibull with unknown shape and scale; their prior is the right-invariant one of a location and a scale
    of log lives, with which predictive limits hold exactly where all earlier lives were seen to their end (Lawless,
    Statistical Models and Methods for Lifetime Data, 1982, section 4.1, from memory; held by simulation in tests).

    Parameters
    ----------
    lives : (n,) above zero, those of one tool together and in the order of their use
    censored : (n,) True where a life was not seen to its end
    tool : (n,) integers, the same for lives of one tool
    ages : (n,) what is asked about, where it is not the life itself

    Returns
    -------
    chance : (n,) in [0, 1], NaN for the first life of a tool
    failures : (n,) how many lives before it were seen to their end
    """
    asked = lives if ages is None else ages
    chance, failures = np.full(lives.size, np.nan), np.zeros(lives.size)
    starts = np.flatnonzero(np.r_[True, tool[1:] != tool[:-1]]) if lives.size else np.empty(0, dtype=np.int64)
    ends = np.r_[starts[1:], lives.size]
    first = 0
    while first < starts.size:
        last = max(first + 1, int(np.searchsorted(ends, starts[first] + AT_ONCE, side="right")))
        rows = slice(int(starts[first]), int(ends[last - 1]))
        inside = starts[first:last] - starts[first]
        chance[rows], failures[rows] = _of_some(lives[rows], censored[rows], asked[rows], inside)
        first = last
    return chance, failures


def _of_some(
    lives: FloatArray, censored: BoolArray, asked: FloatArray, starts: IntArray
) -> tuple[FloatArray, FloatArray]:
    lengths = np.diff(np.r_[starts, lives.size])

    def before(values: FloatArray) -> FloatArray:
        """Sums over the rows of the same tool before each row."""
        total = np.r_[0.0, np.cumsum(values)][:-1]
        sums: FloatArray = total - np.repeat(total[starts], lengths)
        return sums

    scale = np.repeat(np.add.reduceat(lives, starts) / lengths, lengths)  # keeps powers of lives within bounds
    log_life, log_asked = np.log(lives / scale), np.log(np.maximum(asked, 1e-300) / scale)
    failures = before((~censored).astype(float))
    logs = before(np.where(censored, 0.0, log_life))
    weight, tail = np.empty((SHAPES.size, lives.size)), np.empty((SHAPES.size, lives.size))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for place, shape in enumerate(SHAPES):
            total = before(np.exp(shape * log_life))
            weight[place] = (failures - 1) * np.log(shape) + (shape - 1) * logs - failures * np.log(total)
            tail[place] = -failures * np.log1p(np.exp(shape * log_asked) / total)
        weight -= weight.max(axis=0)
        chance = (np.exp(weight + tail)).sum(axis=0) / np.exp(weight).sum(axis=0)
    chance[failures == 0] = np.nan
    return np.clip(chance, 0.0, 1.0), failures
