"""Brings the chunks of one read file into temporary tables of the book, one per kind, and keeps rejects and skips.

It decides nothing about the facts already in the book.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import polars as pl

from pipeline.read.rows import REJECT_COLUMNS, SKIPPED_COLUMNS, TableRead, row_columns
from pipeline.store.accounts import Reach
from pipeline.store.book import Book
from pipeline.store.statements import statement
from schemas.core import STORED_KINDS
from schemas.vocabulary import InputKind


@dataclass
class Staged:
    """What lies in the temporary tables after all chunks came in."""

    rows_read: int = 0
    rows_skipped: int = 0
    notes: list[str] = field(default_factory=list)
    accepted: dict[InputKind, int] = field(default_factory=dict)  # rows per kind
    reaches: dict[InputKind, Reach] = field(default_factory=dict)
    texts: set[InputKind] = field(default_factory=set)  # kinds whose rows carry their own text

    @property
    def reach(self) -> Reach:
        """The reach of the whole file."""
        whole = Reach()
        for reach in self.reaches.values():
            whole = whole.joined(reach)
        return whole

    @property
    def note(self) -> str:
        """All distinct notes of the reader in one line."""
        return "; ".join(dict.fromkeys(self.notes))


def stage_tables(book: Book, file_id: str, tables: Iterable[TableRead]) -> Staged:
    """Stage every chunk and number repeated identities; must run inside the transaction of the file."""
    staged = Staged()
    for table in tables:
        staged.rows_read += table.rows_read
        staged.rows_skipped += table.skipped.height
        staged.notes.extend(table.notes)
        _insert(book, "store_rejects", None, table.rejects, REJECT_COLUMNS, file_id)
        _insert(book, "store_skipped", None, table.skipped, SKIPPED_COLUMNS, file_id)
        if table.rows.height:
            _stage_rows(book, file_id, table, staged)
    for kind in staged.accepted:
        book.run(statement("load", "number_occurrences", kind))
        count, first_us, last_us = book.rows(statement("load", "reach", kind))[0]
        staged.accepted[kind], staged.reaches[kind] = count, Reach(first_us, last_us)
    return staged


def stage_nothing(book: Book, staged: Staged) -> None:
    """Make empty staging tables for the kinds that the file gave no rows of."""
    for kind in STORED_KINDS:
        if kind not in staged.accepted:
            book.run(statement("load", "stage", kind))


def drop_staged(book: Book) -> None:
    """Give the memory of the staging tables back."""
    for name in (*(f"staged_{kind}" for kind in STORED_KINDS), "matched", "contested", "agreeing", "heir"):
        book.run(f"drop table if exists temp.{name}")


def _stage_rows(book: Book, file_id: str, table: TableRead, staged: Staged) -> None:
    kind = table.kind
    if kind not in STORED_KINDS:
        raise ValueError(f"rows of kind {kind} are not stored")
    if kind not in staged.accepted:
        book.run(statement("load", "stage", kind))
        staged.accepted[kind] = 0
    if kind not in staged.texts and table.rows["raw"].null_count() < table.rows.height:
        staged.texts.add(kind)
    _insert(book, "stage_chunk", kind, table.rows, row_columns(kind), file_id)


def _insert(
    book: Book, name: str, kind: InputKind | None, rows: pl.DataFrame, shape: dict[str, pl.DataType], file_id: str
) -> None:
    if rows.height:
        with _handed_over(book, rows.select(list(shape))):
            book.run(statement("load", name, kind), {"file_id": file_id})


@contextmanager
def _handed_over(book: Book, rows: pl.DataFrame) -> Iterator[None]:
    book.connection.register("chunk", rows.to_arrow())
    try:
        yield
    finally:
        book.connection.unregister("chunk")
