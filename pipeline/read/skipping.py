"""Rows of a table that are no rows of the log: repeated headers, units below the header, what a profile says.

Total lines are told from rows later, when it is known that they cannot be read (`mapping.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.read.rawtable import LINE, RAW, skipped_rows
from pipeline.read.rows import no_skipped
from schemas.profile import UNITS, SkipRule

_UNIT_WORDS: Final = {
    *UNITS,
    *("sec", "secs", "hh:mm:ss", "[h]:mm:ss", "rpm", "1/min", "%", "°c", "a", "kw", "v", "pcs", "pc", "-", "–"),
}
_UNIT_DRESS: Final = " []()"


def skip_rows(
    cells: pl.DataFrame, names: Sequence[str], header_raw: str | None, header_line: int, rules: Sequence[SkipRule]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part rows (LINE, RAW and the named columns) into those of the log and skipped ones with the reason."""
    why = pl.Series("why", [None], dtype=pl.String).new_from_index(0, cells.height)
    if header_raw is not None:
        repeated = (cells[RAW].str.strip_chars() == header_raw.strip()).fill_null(False)
        why = why.set(repeated, "repeated header") if repeated.any() else why
        if cells.height and cells[LINE][0] <= header_line + 2 and _is_units_row(cells.row(0, named=True), names):
            why = why.set(cells[LINE] == cells[LINE][0], "units row")
    for rule in rules:
        column = next((name for name in names if name.casefold() == rule.column.casefold()), None)
        if column is not None:
            matches = cells[column].str.strip_chars().str.contains(rule.matches).fill_null(False)
            why = why.set(matches & why.is_null(), f"{column} matches {rule.matches}")
    if why.null_count() == len(why):
        return cells, no_skipped()
    rows = cells.with_columns(why)
    return cells.filter(why.is_null()), skipped_rows(rows.filter(pl.col("why").is_not_null()), pl.col("why"))


def _is_units_row(row: dict[str, object], names: Sequence[str]) -> bool:
    texts = [str(row[name]).strip(_UNIT_DRESS).lower() for name in names if row[name] is not None]
    filled = {text for text in texts if text}
    return bool(filled) and filled <= _UNIT_WORDS and filled != {"-"}
