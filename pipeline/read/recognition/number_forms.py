"""The ways in which a column of text can be read as numbers: marks, a unit behind the number, range.

Durations written as clocks or words are `duration_forms.py`'s business; what the numbers count is the assigner's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl


@dataclass(frozen=True)
class NumberForm:
    """One way in which a column can be read as numbers."""

    decimal: Literal[".", ","] | None  # None: no cell has a decimal mark, any fits
    thousands: Literal[".", ",", " ", "'"] | None  # as [file] of a profile says it; None: no cell has one, any fits
    share: float  # of the filled cells that it reads
    whole: bool  # every number is whole
    suffix: str | None  # the word behind the number, the same in all cells that bear one
    unit: str | None  # what `suffix` is as a unit of a profile (a key of UNITS), None where it is none
    low: float
    median: float
    high: float
    rises: float  # share of steps between consecutive filled cells that rise, steps of nothing left out
    undecided: bool  # another form of the list reads other numbers, and nothing in the column tells which is right
    evidence: str  # a short phrase for a person


def number_forms(text: pl.Series) -> list[NumberForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for a column of no numbers.

    `1,234` alone fits two ways: both are returned, both `undecided`; other columns of the file may tell.
    """
    return []
