"""What a column of text looks like whatever it means: how many values, how long, like program names, like tools.

It judges nothing; times, numbers and durations have modules of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class TextFacts:
    """Counts and shares of one column; shares are of its filled cells."""

    rows: int
    filled: int
    distinct: int
    longest: int  # in characters
    constant: str | None  # the one value that every filled cell has
    program_like: float  # O1234, 1234.NC, P-1023, letters and digits with an extension
    tool_like: float  # small whole numbers, T-prefixed numbers
    prose: float  # blanks and more than 25 characters: free text
    repeats: float  # share of steps between consecutive filled cells on which nothing changes


def text_facts(text: pl.Series) -> TextFacts:
    """Return the facts of a column of trimmed text cells; empty text counts as not filled."""
    return TextFacts(len(text), 0, 0, 0, None, 0.0, 0.0, 0.0, 0.0)
