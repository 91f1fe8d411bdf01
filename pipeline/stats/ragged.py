"""Many sets of unequal size in one flat array: sums by set, and what holds for a set spread over its members.

It knows nothing of what the sets are. A set may be empty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arrays import AnyArray, BoolArray, FloatArray, IntArray
from pipeline.stats.errors import InvalidInput


@dataclass(frozen=True, eq=False)
class Ragged:
    """Which stretch of a flat array belongs to which set.

    Attributes
    ----------
    sizes : shape (sets,)
    starts : shape (sets,), of each set's first member
    filled : shape (sets,), whether a set has any member
    """

    sizes: IntArray
    starts: IntArray
    filled: BoolArray

    @classmethod
    def of_sizes(cls, sizes: ArrayLike) -> Ragged:
        """Return the sets of these sizes, one behind the other; raise InvalidInput on a negative one."""
        counts = np.asarray(sizes, dtype=np.int64)
        if counts.ndim != 1 or bool((counts < 0).any()):
            raise InvalidInput("sizes: expected one dimension of whole numbers from 0 on")
        return cls(counts, np.cumsum(counts) - counts, counts > 0)

    @property
    def rows(self) -> int:
        """How many members all sets have together."""
        return int(self.sizes.sum())

    def sum(self, values: AnyArray) -> FloatArray:
        """Return the sum of each set, shape (sets,); an empty set's is 0."""
        return self._reduced(np.add, values, 0.0)

    def max(self, values: FloatArray) -> FloatArray:
        """Return the largest of each set; an empty set's is minus infinity."""
        return self._reduced(np.maximum, values, -np.inf)

    def min(self, values: FloatArray) -> FloatArray:
        """Return the least of each set; an empty set's is infinity."""
        return self._reduced(np.minimum, values, np.inf)

    def _reduced(self, how: np.ufunc, values: AnyArray, empty: float) -> FloatArray:
        found = np.full(self.sizes.size, empty)
        if self.filled.any():
            found[self.filled] = how.reduceat(values, self.starts[self.filled], dtype=np.float64)
        return found

    def spread(self, of_set: AnyArray) -> AnyArray:
        """Return what holds for each set once for each of its members."""
        return np.repeat(of_set, self.sizes)

    def position(self) -> IntArray:
        """Return the place of each member in its set, from 0."""
        return np.arange(self.rows, dtype=np.int64) - self.spread(self.starts)

    def running(self, values: FloatArray, how: np.ufunc) -> FloatArray:
        """Return running sums, products ... that begin anew with each set.

        Sets are put side by side by size, so that no set's rounding depends on the others.
        """
        result = np.empty_like(values)
        for size in np.unique(self.sizes[self.filled]):
            rows = self.starts[self.sizes == size][:, None] + np.arange(size)
            result[rows] = how.accumulate(values[rows], axis=1)
        return result

    def take(self, sets: IntArray) -> tuple[Ragged, IntArray]:
        """Return the chosen sets alone, and the rows of the flat array that they are made of."""
        part = Ragged.of_sizes(self.sizes[sets])
        return part, part.position() + part.spread(self.starts[sets])

    def within(self, is_member: BoolArray) -> Ragged:
        """Return the sets when only some members of the flat array stay."""
        return Ragged.of_sizes(self.sum(is_member).astype(np.int64))


def sorted_within(of_set: IntArray, values: FloatArray) -> FloatArray:
    """Return values in the order of their sets' numbers, from 0, and in each set from the least to the largest."""
    by_value = np.argsort(values)
    numbers = of_set[by_value]
    # sixteen bits are sorted in one pass over the rows
    narrow = numbers.astype(np.uint16) if numbers.size and int(numbers.max()) < 2**16 else numbers
    return np.asarray(values[by_value[np.argsort(narrow, kind="stable")]], dtype=np.float64)
