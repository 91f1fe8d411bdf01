"""The array types of the statistics, and the checks that every input passes first.

It converts and refuses; it never repairs, drops or fills a value.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.errors import InvalidInput

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
TextArray = NDArray[np.str_]
AnyArray = NDArray[Any]


def as_vector(values: ArrayLike, name: str) -> FloatArray:
    """Return `values` as a one-dimensional float array of finite numbers.

    Raises
    ------
    InvalidInput
        If there is more than one dimension, or a value is missing or infinite.
    """
    vector = np.asarray(values, dtype=np.float64)
    if vector.ndim != 1:
        raise InvalidInput(f"{name}: expected one dimension, got {vector.ndim}")
    if not bool(np.isfinite(vector).all()):
        raise InvalidInput(f"{name}: a value is missing or infinite")
    return vector


def as_positive(values: ArrayLike, name: str) -> FloatArray:
    """Return `values` as a one-dimensional float array of finite numbers above zero, or raise InvalidInput."""
    vector = as_vector(values, name)
    if bool((vector <= 0).any()):
        raise InvalidInput(f"{name}: every value must be above zero")
    return vector


def as_lives(lives: ArrayLike, censored: ArrayLike) -> tuple[FloatArray, BoolArray]:
    """Return lives and their censoring marks as arrays of one length.

    Parameters
    ----------
    lives : array, shape (edges,), any one unit, at least zero
        A life of zero is allowed only where it is censored: it then says nothing.
    censored : array of bool, shape (edges,)
        True where the edge was taken out (or is still in use) before its end of life.

    Raises
    ------
    InvalidInput
        On unequal lengths, a negative or missing life, or an end of life at zero.
    """
    durations = as_vector(lives, "lives")
    marks = np.asarray(censored, dtype=np.bool_)
    if marks.shape != durations.shape:
        raise InvalidInput(f"censored: expected {durations.size} marks, got shape {marks.shape}")
    if bool((durations < 0).any()):
        raise InvalidInput("lives: a life is negative")
    if bool((durations[~marks] == 0).any()):
        raise InvalidInput("lives: an end of life at zero has no place in a life distribution")
    return durations, marks


def as_share(value: float, name: str) -> float:
    """Return a number strictly between 0 and 1, or raise InvalidInput."""
    if not 0.0 < value < 1.0:
        raise InvalidInput(f"{name}: expected a number between 0 and 1, got {value}")
    return float(value)
