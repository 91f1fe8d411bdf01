"""What a column of text looks like whatever it means: how many values, how long, like program names, like tools.

It judges nothing; times, numbers and durations have modules of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

_PROGRAM: Final = (
    r"^[oO]\d{3,8}$"  # O1234
    r"|^[\p{L}\d][\p{L}\d _.-]*\.[A-Za-z][A-Za-z0-9]{0,4}$"  # 1234.NC
    r"|^\p{L}{1,6}[-_]?\d{2,}(?:[-_.]?[\p{L}\d]+)*$"  # P-1023
)
_TOOL: Final = r"^[Tt]?[ -]?0*\d{1,3}(?:\.0+)?$|^[Tt][- ]?\d{1,8}$"
_T_NUMBER: Final = r"^[Tt][- ]?\d{1,4}$"
_PROSE_FROM: Final = 26  # characters
_LOOKED_AT: Final = 10_000  # of more different values the shares are those of cells from all over the column


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
    padded: float  # whole numbers with zeros in front: names rather than numbers
    prose: float  # blanks and more than 25 characters: free text
    repeats: float  # share of steps between consecutive filled cells on which nothing changes


def text_facts(text: pl.Series) -> TextFacts:
    """Return the facts of a column of trimmed text cells; empty text counts as not filled."""
    filled = text.drop_nulls()
    filled = filled.filter(filled != "")
    if not len(filled):
        return TextFacts(len(text), 0, 0, 0, None, 0.0, 0.0, 0.0, 0.0, 0.0)
    distinct = filled.n_unique()
    looked_at = filled if distinct <= _LOOKED_AT else filled.gather_every(len(filled) // _LOOKED_AT)
    counts = looked_at.alias("text").value_counts(name="count")
    cell = pl.col("text")
    shares = counts.select(
        program=_weighted(cell.str.contains(_PROGRAM) & ~cell.str.contains(_T_NUMBER)),
        tool=_weighted(cell.str.contains(_TOOL)),
        padded=_weighted(cell.str.contains(r"^0\d+$")),
        prose=_weighted(cell.str.contains(r"\S\s+\S") & (cell.str.len_chars() >= _PROSE_FROM)),
    )
    program, tool, padded, prose = (float(share) for share in shares.row(0))
    longest = filled.str.len_chars().max()
    same = int((filled == filled.shift()).sum())
    constant = str(filled[0]) if distinct == 1 else None
    repeats = same / (len(filled) - 1) if len(filled) > 1 else 0.0
    return TextFacts(
        len(text),
        len(filled),
        distinct,
        longest if isinstance(longest, int) else 0,
        constant,
        program,
        tool,
        padded,
        prose,
        repeats,
    )


def _weighted(fits: pl.Expr) -> pl.Expr:
    return pl.col("count").filter(fits).sum() / pl.col("count").sum()
