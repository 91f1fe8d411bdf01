"""Cells of a workbook that are merged downwards: what stands in the first of them is said of every row beside it.

The library that reads workbooks gives the first cell alone. This module finds such cells and fills the others; it asks
for a workbook whose size has been looked at (`workbook_guard.py`).
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Sequence
from io import BytesIO
from typing import Final, NamedTuple

import polars as pl

from pipeline.read.workbook_guard import PLACED_CELL

_MERGED: Final = re.compile(rb"""<(?:\w+:)?mergeCell\s[^<>]*?ref=["']([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})["']""")
_BOOK: Final = "xl/workbook.xml"
_TARGETS: Final = "xl/_rels/workbook.xml.rels"
_NUMBER: Final = r"^[-+]?[\d.,]+$"


class MergedDown(NamedTuple):
    """Cells of one column that are merged: rows counted from 1, columns from the first that the sheet uses."""

    column: int
    first_row: int
    last_row: int


def merged_down(data: bytes) -> dict[str, list[MergedDown]]:
    """Return the cells that are merged downwards of each sheet that has any, by its name."""
    try:
        with zipfile.ZipFile(BytesIO(data)) as book:
            return {name: found for name, member in _members(book) if (found := _found(book.read(member)))}
    except (KeyError, SyntaxError):
        return {}  # what is damaged is told by the library that reads it


def _members(book: zipfile.ZipFile) -> list[tuple[str, str]]:
    """Return the name of each sheet with the file that holds it."""
    from lxml import etree

    plain = etree.XMLParser(resolve_entities=False, no_network=True)
    targets = {each.get("Id"): each.get("Target", "") for each in etree.fromstring(book.read(_TARGETS), plain)}
    sheets = etree.fromstring(book.read(_BOOK), plain).iter("{*}sheet")
    found = [
        (sheet.get("name", ""), targets.get(value, ""))
        for sheet in sheets
        for key, value in sheet.attrib.items()
        if key.endswith("}id")
    ]
    return [(name, target[1:] if target.startswith("/") else f"xl/{target}") for name, target in found if target]


def _found(sheet: bytes) -> list[MergedDown]:
    """Return what is merged down a single column, but for heads: beside those, others are merged sideways."""
    merged = [(_column(a), int(top), _column(b), int(end)) for a, top, b, end in _MERGED.findall(sheet)]
    heads = {top for left, top, right, _ in merged if right > left}
    down = [(left, top, end) for left, top, right, end in merged if left == right and end > top and top not in heads]
    if not down:
        return []
    first = min((_column(letters.upper()) for letters, _ in PLACED_CELL.findall(sheet)), default=0)
    return [MergedDown(column - first, top, end) for column, top, end in down]


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - ord("A") + 1
    return number


def filled_down(cells: pl.DataFrame, merged: Sequence[MergedDown], line: str) -> pl.DataFrame:
    """Return cells (`line` counts rows of the sheet) with words and times put into all cells that are merged with them.

    A number is left where it stands: it may be the count or the length of all rows together.
    """
    names = [name for name in cells.columns if name != line]
    for column in sorted({each.column for each in merged if 0 <= each.column < len(names)}):
        name = names[column]
        spans = [each for each in merged if each.column == column]
        rows = {row: each.first_row for each in spans for row in range(each.first_row, each.last_row + 1)}
        said = cells.select(pl.col(line).alias("_first"), pl.col(name).alias("_said"))
        above = (
            pl.DataFrame({line: rows.keys(), "_first": rows.values()}, schema={line: pl.Int64, "_first": pl.Int64})
            .join(said, on="_first")
            .filter(~pl.col("_said").str.contains(_NUMBER))
        )
        cells = (
            cells.join(above.drop("_first"), on=line, how="left", maintain_order="left")
            .with_columns(pl.coalesce(name, "_said"))
            .drop("_said")
        )
    return cells
