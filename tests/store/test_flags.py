"""Flags of accepted rows: kept row by row, and replaced when the file is read again."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from pipeline.read.rows import AMBIGUOUS, FLAG_COLUMNS
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file


@pytest.fixture
def book() -> Iterator[Book]:
    with open_book(None) as opened:
        yield opened


def test_flags_are_kept_with_their_rows_and_go_with_the_reading(book: Book, making: Any) -> None:
    """Read again under settings that decide the times, the file has none any more."""
    table = making.table("cycle", [making.cycle(0), making.cycle(9)])
    flags = pl.DataFrame([(2, 3, AMBIGUOUS)], schema=FLAG_COLUMNS, orient="row")
    file = making.file("exports/a.csv", table)

    load_file(book, replace(file, tables=(replace(table, flags=flags),)), "one zone")
    assert book.frame("select * from raw.flag").rows() == [(file.source.file_id, 2, 3, AMBIGUOUS)]

    load_file(book, file, "another zone")
    assert book.frame("select * from raw.flag").rows() == []
