"""The search along a profile likelihood that limits are read from.

It knows nothing of the model: whoever calls it brings the function that falls from a known best point.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy import optimize

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
    near, far = best, best + step
    while excess(far) > 0:
        near, step = far, 2.0 * step
        far = best + step
        if abs(far) > FARTHEST:
            return math.inf
    return float(optimize.brentq(excess, near, far, xtol=1e-10, rtol=1e-12))
