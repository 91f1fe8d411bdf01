"""Collects what is wrong with the rows of a chunk, cell by cell, as rejects.

It words nothing: the sentences come from whoever found the problem, with `{value}` where the value goes.
"""

from __future__ import annotations

import polars as pl

from pipeline.read.rawtable import LINE, RAW, ROW, concat_rejects, shown
from pipeline.read.rows import no_rejects


class Problems:
    """The problems of one chunk; `own` has ROW, LINE and RAW for each of its rows."""

    def __init__(self, own: pl.DataFrame) -> None:
        self._own = own
        self._found: list[pl.DataFrame] = []

    def add(self, mask: pl.Series, column: str | None, value: pl.Series | None, reason: str, message: str) -> None:
        """Record a problem of every row where `mask` is true."""
        rows = mask.fill_null(False).arg_true()
        if not len(rows):
            return
        own = self._own[rows]
        text = (
            pl.Series("value", [None], dtype=pl.String).new_from_index(0, len(rows)) if value is None else value[rows]
        )
        before, mark, after = message.partition("{value}")
        parts = [pl.lit(before), shown(pl.col("value")), pl.lit(after)] if mark else [pl.lit(before)]
        found = own.with_columns(text.cast(pl.String).alias("value")).select(
            row_number=ROW,
            line=LINE,
            column=pl.lit(column, dtype=pl.String),
            value="value",
            reason=pl.lit(reason),
            message=pl.concat_str(parts, ignore_nulls=True),
            raw=RAW,
        )
        self._found.append(found)

    def rejects(self) -> pl.DataFrame:
        """Return all problems as rejects, in row order, and for one row in the order in which they were found."""
        return concat_rejects(*self._found) if self._found else no_rejects()
