"""False discoveries held down over many tests at once.

It adjusts p-values of one family; what the family is (all jobs, all tools) is the caller's to say.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arrays import FloatArray
from pipeline.stats.errors import InvalidInput


def benjamini_hochberg(p: ArrayLike) -> FloatArray:
    """Return the q-values of p-values by Benjamini & Hochberg (1995).

    Parameters
    ----------
    p : array, shape (tests,), each in 0..1
        A missing value (nan) stands for a test that was not made: it stays missing and is not counted.

    Returns
    -------
    array, shape (tests,)
        Rejecting where q <= a holds the expected share of false discoveries at a, for independent tests and for
        tests that depend on each other positively.

    Raises
    ------
    InvalidInput
        On more than one dimension or a value outside 0..1.
    """
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1:
        raise InvalidInput(f"p: expected one dimension, got {values.ndim}")
    made = np.flatnonzero(~np.isnan(values))
    tested = values[made]
    if bool(((tested < 0) | (tested > 1)).any()):
        raise InvalidInput("p: a value lies outside 0..1")
    order = np.argsort(tested, kind="stable")
    scaled = tested[order] * tested.size / np.arange(1, tested.size + 1)
    smallest_from_here = np.minimum.accumulate(scaled[::-1])[::-1]
    q = np.full(values.shape, math.nan)
    # the product and the quotient may round to a hair below p itself
    q[made[order]] = np.clip(smallest_from_here, tested[order], 1.0)
    return q
