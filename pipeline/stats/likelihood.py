"""The search along a profile likelihood that limits are read from.

It knows nothing of the model: whoever calls it brings the function that falls from a known best point.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from pipeline.stats.arrays import FloatArray, IntArray
from pipeline.stats.life_sets import LifeSets

# The exponential of anything beyond is no longer a number that a float can hold.
FARTHEST = 700.0


def crossing(excess: Callable[[float], float], best: float, step: float) -> float:
    """Return where `excess` falls through zero on one side of `best`.

    Parameters
    ----------
    excess : function of a logarithm
        Positive at `best`, falling away from it.
    step : float, not zero
        First distance to try; its sign is the side.

    Returns
    -------
    float
        The crossing, or infinity where there is none between plus and minus `FARTHEST`.
    """
    from scipy import optimize

    near, far = best, best + step
    while excess(far) > 0:
        near, step = far, 2.0 * step
        far = best + step
        if abs(far) > FARTHEST:
            return math.inf
    return float(optimize.brentq(excess, near, far, xtol=1e-10, rtol=1e-12))


def crossing_many(
    excess: Callable[[IntArray, LifeSets, FloatArray], FloatArray],
    sets: LifeSets,
    best: FloatArray,
    step: FloatArray,
    height: FloatArray,
) -> FloatArray:
    """Return for each tool where `excess` falls through zero on one side of `best`; see `crossing`.

    Parameters
    ----------
    excess : function
        Of tools' numbers, their sets and a place each: positive near `best`, falling away from it, nearly in a line.
    sets : LifeSets
    best, step : shape (tools,)
    height : shape (tools,), above zero
        What `excess` is at `best`.

    Returns
    -------
    array, shape (tools,)
        The crossings, or infinity where there is none between plus and minus `FARTHEST`.

    Notes
    -----
    Steps are doubled until the crossing is enclosed; then regula falsi with the Illinois rule.
    """
    near, near_value = best.copy(), np.array(height, dtype=np.float64)
    far, far_value, stride = best + step, np.empty(best.size), step.copy()
    found = np.full(best.size, math.inf)
    going = np.arange(best.size)
    part = sets
    while going.size:
        value = excess(going, part, far[going])
        far_value[going] = value
        outside = going[value > 0]
        near[outside], near_value[outside] = far[outside], far_value[outside]
        stride[outside] *= 2.0
        far[outside] = best[outside] + stride[outside]
        going = outside[np.abs(far[outside]) <= FARTHEST]
        part = sets.take(going)
    going = np.flatnonzero(far_value <= 0)
    part = sets.take(going)
    for _ in range(100):
        if going.size == 0:
            break
        a, fa, b, fb = near[going], near_value[going], far[going], far_value[going]
        middle = b - fb * (b - a) / (fb - fa)
        value = excess(going, part, middle)
        same_side = (value > 0) == (fb > 0)
        # the end that stays on its side twice counts half, so that both ends close in
        near[going] = np.where(same_side, a, b)
        near_value[going] = np.where(same_side, 0.5 * fa, fb)
        far[going], far_value[going] = middle, value
        width = np.abs(far[going] - near[going])
        done = (width <= 1e-10 + 1e-12 * np.abs(middle)) | (np.abs(value) <= 1e-10)
        found[going[done]] = middle[done]
        if done.any():
            going = going[~done]
            part = sets.take(going)
    found[going] = far[going]
    return found
