"""How many fresh edges a number of parts will take, for many tools at once, with what is not known of their lives.

Drawn with fixed numbers that all tools share, so that one tool's answer does not depend on the others.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.stats.arrays import FloatArray, IntArray
from pipeline.stats.life_posterior import LifePosterior

SEED = 8688
DRAWS = 200
MOST_EDGES = 60


def edges_needed(
    posterior: LifePosterior, age: FloatArray, life_per_part: FloatArray, parts: IntArray, chances: tuple[float, ...]
) -> FloatArray:
    """Return the fresh edges beyond the one in use with which `parts` more parts can be made.

    Parameters
    ----------
    posterior : LifePosterior, of known tools only
    age : shape (tools,)
        Of the edge in use.
    life_per_part : shape (tools,)
        In the unit of the lives.
    parts : shape (sizes,), rising
    chances : such as 0.5 and 0.9
        That so many edges are enough.

    Returns
    -------
    array, shape (chances, tools, sizes)
        nan where more than 60 edges would be needed.

    Notes
    -----
    A part in which an edge comes to its end has to be made by the next edge. Edges are run to their end.
    """
    rng = np.random.default_rng(SEED)
    strata = (np.arange(DRAWS) + 0.5) / DRAWS
    shape, log_scale = posterior.drawn(strata, rng.permutation(strata))
    with np.errstate(divide="ignore", over="ignore"):
        log_age = np.log(age)[:, None]
        passed = np.exp(shape * (log_age - log_scale))
    hazard = passed + rng.exponential(size=DRAWS)
    left = np.exp(np.minimum(log_scale + np.log(hazard) / shape, 700.0)) - age[:, None]
    made = np.floor(np.maximum(left, 0.0) / life_per_part[:, None] + 1e-9)
    needed = np.zeros((parts.size, *made.shape), dtype=np.int16)
    for _ in range(MOST_EDGES):
        short = made[None, :, :] < parts[:, None, None]
        if not short[-1].any():
            break
        needed += short
        life = np.exp(np.minimum(log_scale + np.log(rng.exponential(size=DRAWS)) / shape, 700.0))
        made = made + np.floor(life / life_per_part[:, None] + 1e-9)
    ranked = np.sort(needed, axis=2)
    found = np.stack([ranked[:, :, min(DRAWS - 1, math.ceil(chance * DRAWS) - 1)] for chance in chances]).astype(float)
    found[found >= MOST_EDGES] = math.nan
    return np.swapaxes(found, 1, 2)
