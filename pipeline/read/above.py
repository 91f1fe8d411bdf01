"""Cells that take what stands above them: marks of repetition, and headings among the rows, said of those below.

What a heading means is told by a profile, or found by recognition; here it becomes a column.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.rawtable import LINE, OWN, RAW, RawTable, concat_skipped, skipped_rows
from pipeline.read.skipping import HEADING_LINE, total_words
from schemas.profile import FileShape, HeadingRule

_FEWEST_CELLS: Final = 2
_SIGNS: Final = r"[-–—.\s]*(?:[\"“”„〃]|''|´´|``)[\"“”„\s]*[-–—.]*"
_WORDS: Final = r"idem|id\.|dito|ditto|dtto|d:o|dto\.?|j\.\s?w\.|jw\."
NARROWEST: Final = 3
"""Columns of a table in which a lone cell is no row."""
DITTO: Final = rf"^(?:{_SIGNS}|(?i:{_WORDS}))$"
"""Marks that say "as above" in ten languages."""


def filled_from_above(tables: Iterable[RawTable], file: FileShape | None) -> Iterator[RawTable]:
    """Yield a table's chunks with marks of repetition and headings put into the rows that they are said of."""
    if file is None or not (file.ditto or file.headings or file.carried_down):
        yield from tables
        return
    last: dict[str, str | None] = {}
    for chunk in tables:
        table = chunk
        if file.headings is not None and file.headings.column not in table.cells.columns:
            table = _under_headings(table, file.headings, last)
        if file.ditto:
            table = _repeated(table, last)
        if file.carried_down:
            table = _carried_down(table, file.carried_down, last)
        yield table


def is_ditto(cells: pl.Series) -> pl.Series:
    """Return which cells are marks of repetition."""
    return cells.str.strip_chars().str.contains(DITTO).fill_null(False)


def lone_cells(cells: pl.DataFrame) -> pl.Series:
    """Return the only filled cell of each row that has no other, null for all other rows."""
    names = [name for name in cells.columns if name not in OWN]
    trimmed = [pl.col(name).str.strip_chars().replace("", None) for name in names]
    count = pl.sum_horizontal(each.is_not_null() for each in trimmed)
    return cells.select(pl.when(count == 1).then(pl.coalesce(trimmed)).alias("lone")).to_series()


def heading_texts(cells: pl.DataFrame) -> pl.Series:
    """Return the text of each row that has one or two filled cells, joined by a blank, null for all other rows."""
    names = [name for name in cells.columns if name not in OWN]
    trimmed = [pl.col(name).str.strip_chars().replace("", None) for name in names]
    count = pl.sum_horizontal(each.is_not_null() for each in trimmed)
    joined = pl.concat_str(trimmed, separator=" ", ignore_nulls=True)
    return cells.select(pl.when(count.is_between(1, _FEWEST_CELLS)).then(joined).alias("lone")).to_series()


def _under_headings(table: RawTable, rule: HeadingRule, last: dict[str, str | None]) -> RawTable:
    """Return the rows with the heading above them as a column; headings themselves are skipped."""
    lone = heading_texts(table.cells) if rule.cells > 1 else lone_cells(table.cells)
    if rule.before is not None:
        last.setdefault(rule.column, rule.before)
    if "value" in re.compile(rule.matches).groupindex:
        said = lone.str.extract_groups(rule.matches).struct.field("value")
    else:
        said = lone.set(~lone.str.contains(rule.matches).fill_null(True), None)
    is_heading = said.is_not_null()
    column = _carried(said, said.is_null(), last, rule.column)
    cells = table.cells.with_columns(column)
    gone = skipped_rows(table.cells.filter(is_heading).select(LINE, RAW), HEADING_LINE)
    return replace(table, cells=cells.filter(~is_heading), skipped=concat_skipped(table.skipped, gone))


def _repeated(table: RawTable, last: dict[str, str | None]) -> RawTable:
    names = [name for name in table.cells.columns if name not in OWN]
    # a mark does not mean a remark between the rows, which stands in one cell and leaves the others empty
    is_remark = lone_cells(table.cells).is_not_null() & (len(names) >= NARROWEST)
    columns = []
    for name in names:
        cells = table.cells[name].fill_null("")
        carried = _carried(cells, is_ditto(cells) | is_remark, last, name)
        columns.append(carried.zip_with(~is_remark, cells))
    return replace(table, cells=table.cells.with_columns(columns))


def _carried_down(table: RawTable, names: Sequence[str], last: dict[str, str | None]) -> RawTable:
    """Fill empty cells with the cell above where rows have other cells; a word for a total is not carried on."""
    filled = pl.sum_horizontal(
        (pl.col(name).str.strip_chars() != "").fill_null(False) for name in table.cells.columns if name not in OWN
    )
    is_row = table.cells.select((filled >= _FEWEST_CELLS).alias("row"))["row"]
    columns = []
    for name in (name for name in table.cells.columns if name in names):
        cells = table.cells[name]
        empty = (cells.str.strip_chars() == "").fill_null(True)
        carried = _carried(cells, empty | cells.str.strip_chars().is_in(total_words(cells)), last, name)
        columns.append(cells.zip_with(~(empty & is_row), carried).alias(name))
    return replace(table, cells=table.cells.with_columns(columns))


def _carried(cells: pl.Series, taken: pl.Series, last: dict[str, str | None], name: str) -> pl.Series:
    """Return cells with those that are taken from above filled in, from the chunk before where need be."""
    filled = cells.set(taken, None).fill_null(strategy="forward").alias(name)
    before = last.get(name)
    if before is not None:
        filled = filled.fill_null(before)
    last[name] = filled[-1] if len(filled) else before
    return filled
