"""The ways in which a column of text can be read as durations written as clocks (`1:05:30`) or in words (`1 h 5 min`).

Plain numbers are `number_forms.py`'s business; whether a clock is a time of day or a duration is the assigner's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl


@dataclass(frozen=True)
class DurationForm:
    """One way in which a column can be read as durations."""

    unit: Literal["h:mm:ss", "mm:ss", "words"]  # as a profile says it
    decimal: Literal[".", ","] | None  # the mark of fractions; None: no cell has one, any fits. Clocks take both
    share: float  # of the filled cells that it reads
    low_s: float
    median_s: float
    high_s: float
    undecided: bool  # another form of the list reads other lengths, and nothing in the column tells which is right
    evidence: str  # a short phrase for a person


def duration_forms(text: pl.Series) -> list[DurationForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for no durations."""
    return []
