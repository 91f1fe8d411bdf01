"""Student's t by the reach of its middle 50 and 90 %: which t has them, and what a normal error makes of one.

Limits of 50 and 90 % are what quotes state, so a distribution near Student's t is written as the t with these limits.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import FloatArray

SHARES: Final = (0.5, 0.9)
FREEDOMS: Final = 26
"""Degrees of freedom, from 1 to 1,000 and evenly spaced in ln, at which sums are tabled."""
PARTS: Final = 25
"""Shares of the t in the square of the scale at which they are, evenly spaced in its angle."""
POINTS: Final = 150
"""Equally likely values of the chi-squared that stand for the t."""


@lru_cache(maxsize=1)
def _tail_ratios() -> tuple[FloatArray, FloatArray]:
    """Return the ratio of the reach of 90 % to that of 50 % of Student's t, rising, and ln degrees of freedom."""
    freedom = np.exp(np.linspace(0.0, math.log(1e6), 400))[::-1]
    return special.stdtrit(freedom, 0.95) / special.stdtrit(freedom, 0.75), np.log(freedom)


def with_reaches(half: FloatArray, nine_tenths: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return scale and degrees of freedom of the t whose middle 50 and 90 % reach so far to either side."""
    ratios, logs = _tail_ratios()
    degrees = np.exp(np.interp(nine_tenths / half, ratios, logs))
    return nine_tenths / special.stdtrit(degrees, 0.95), degrees


def with_error(
    scale: ArrayLike, freedom: ArrayLike, variance: ArrayLike, variance_freedom: ArrayLike = math.inf
) -> tuple[FloatArray, FloatArray]:
    """Return scale and degrees of freedom of a t to which a normal error was added.

    Parameters
    ----------
    scale, freedom : shape (n,)
        Of Student's t; nan where unknown.
    variance : shape (n,)
        Of the normal error.
    variance_freedom : shape (n,) or one number
        From which that was estimated; known where infinite.

    Notes
    -----
    The sum is heavy-tailed only as far as the t is part of it: limits of 50 and 90 % of the sum are read off a table,
    mostly within 0.5 %, within 1.3 % below two degrees of freedom. To keep the degrees of freedom, as if all of the sum
    were as unsure as the t, makes limits too wide; Satterthwaite's make them too narrow, by up to 20 % at two.
    """
    scale, freedom, variance = (np.asarray(told, dtype=np.float64) for told in (scale, freedom, variance))
    place = np.clip(np.log(freedom), 0.0, math.log(1000.0)) / math.log(1000.0) * (FREEDOMS - 1)
    known = np.isfinite(place) & np.isfinite(scale) & np.isfinite(variance)
    place = np.where(known, place, 0.0)
    row = np.minimum(place.astype(np.int64), FREEDOMS - 2)
    down = place - row
    reaches = []
    for table, share in zip(_sums(), SHARES, strict=True):
        # an error whose variance was estimated reaches as far as a normal one that is as much larger
        chance = 0.5 + 0.5 * share
        error = np.sqrt(variance) * special.stdtrit(variance_freedom, chance) / special.ndtri(chance)
        whole = np.where(known, np.sqrt(scale**2 + error**2), 1.0)
        part = np.where(known, np.divide(scale, whole, out=np.ones_like(whole), where=whole > 0), 0.0)
        angle = np.arcsin(np.clip(part, 0.0, 1.0)) / (0.5 * math.pi) * (PARTS - 1)
        column = np.minimum(angle.astype(np.int64), PARTS - 2)
        along = angle - column
        near, far = (table[row, at] * (1 - down) + table[row + 1, at] * down for at in (column, column + 1))
        reaches.append(np.exp(near * (1 - along) + far * along) * np.maximum(whole, 1e-300))
    summed, degrees = with_reaches(reaches[0], reaches[1])
    return np.where(known, summed, math.nan), np.where(known, degrees, math.nan)


@lru_cache(maxsize=1)
def _sums() -> tuple[FloatArray, FloatArray]:
    """Return ln of how far the middle 50 and 90 % of sums reach, degrees of freedom x share of the t, of scale one.

    Given its chi-squared a t is normal, so the sum is a mixture of normals: of its share the reach is found by halving.
    """
    freedom = np.exp(np.linspace(0.0, math.log(1000.0), FREEDOMS))
    angle = np.linspace(0.0, 0.5 * math.pi, PARTS)
    chance = (np.arange(POINTS) + 0.5) / POINTS
    inverse = freedom[:, None] / special.chdtri(freedom[:, None], chance[None, :])
    spread = np.sqrt((np.sin(angle) ** 2)[None, :, None] * inverse[:, None, :] + (np.cos(angle) ** 2)[None, :, None])
    found = []
    for share in SHARES:
        low, high = np.zeros(spread.shape[:2]), np.full(spread.shape[:2], 8.0)
        for _ in range(18):
            middle = 0.5 * (low + high)
            is_less = special.erf(middle[:, :, None] / (math.sqrt(2.0) * spread)).mean(axis=2) < share
            low, high = np.where(is_less, middle, low), np.where(is_less, high, middle)
        found.append(np.log(0.5 * (low + high)))
    return found[0], found[1]
