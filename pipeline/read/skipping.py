"""Rows of a table that are no rows of the log: repeated headers, units below the header, what a profile says.

Total lines are told from rows later, when it is known that they cannot be read (`mapping.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.read.rawtable import LINE, RAW, skipped_rows
from pipeline.read.recognition.names import unit_of
from pipeline.read.rows import no_skipped
from schemas.profile import UNITS, SkipRule

UNITS_ROW: Final = "units row"
_UNIT_WORDS: Final = {
    *UNITS,
    *("sec", "secs", "hh:mm:ss", "[h]:mm:ss", "rpm", "1/min", "%", "°c", "a", "kw", "v", "pcs", "pc", "-", "–"),
}
_BARE: Final = ("-", "–")
_LONGEST_UNIT: Final = 14
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
            why = why.set(cells[LINE] == cells[LINE][0], UNITS_ROW)
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
    """Return whether a row holds units below names: no digit, and at least half of its cells words for units."""
    texts = [str(row[name]).strip(_UNIT_DRESS).lower() for name in names if row[name] is not None]
    filled = [text for text in texts if text]
    if not filled or any(character.isdigit() for text in filled for character in _plain_unit(text)):
        return False
    units = [text for text in filled if text not in _BARE and (text in _UNIT_WORDS or unit_of(text) is not None)]
    short = all(len(text) <= _LONGEST_UNIT for text in filled)
    return short and bool(units) and 2 * len(units) >= sum(text not in _BARE for text in filled)


def _plain_unit(text: str) -> str:
    return "" if text in _UNIT_WORDS else text
