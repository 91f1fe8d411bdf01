"""Rows that are called a total and are one: what stands in them is the sum, or the mean, of the rows above.

A row called so is skipped by its word only where its numbers bear it out; one of a program called "Total" is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

_EXACT: Final = 0.005  # relative
_ROUNDED: Final = 0.06  # of sums of numbers that are written with one decimal
_FEWEST_ROWS: Final = 2


def are_sums(called: pl.Series, numbers: Sequence[pl.Series]) -> bool:
    """Return whether each row that is called a total has a number that is the sum or mean of the rows it is of.

    `called` marks them, `numbers` are columns of all rows. A total is of all rows above it, or of those since the last.
    """
    places = called.arg_true().to_list()
    return bool(places) and all(_is_sum(at, called, numbers) for at in places)


def _is_sum(at: int, called: pl.Series, numbers: Sequence[pl.Series]) -> bool:
    before = [place for place in called.arg_true().to_list() if place < at]
    shown = False
    for first in {0, before[-1] + 1 if before else 0}:
        for column in numbers:
            value = column[at]
            rows = column[first:at].filter(~called[first:at]).drop_nulls()
            if value is None or value == 0 or len(rows) < _FEWEST_ROWS:
                continue
            total = float(rows.sum())
            shown |= any(abs(value - of) <= _ROUNDED + _EXACT * abs(of) for of in (total, total / len(rows)))
    return shown
