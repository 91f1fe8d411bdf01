"""Brings the chunks of one read file into temporary tables of the book, one per kind, and keeps rejects and skips.

It decides nothing about the facts already in the book.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import polars as pl

from pipeline.read.ahead import drawn_ahead
from pipeline.read.rows import (
    FLAG_COLUMNS,
    REJECT_COLUMNS,
    SEQUENCE_COLUMNS,
    SKIPPED_COLUMNS,
    TableRead,
    row_columns,
)
from pipeline.store.accounts import Reach
from pipeline.store.book import Book
from pipeline.store.direct import finish_rows, is_free, put_rows, take_back
from pipeline.store.sequences import SEQUENCE_TABLES, settle_sequences
from pipeline.store.settling import SETTLING_TABLES
from pipeline.store.statements import statement
from pipeline.store.stretches import KEYS, Stretches
from schemas.columns import columns
from schemas.vocabulary import STORED_KINDS, InputKind

LARGE_ROWS: Final = 10_000
"""A chunk of fewer rows is stored sooner than a thread helps to read the next."""
_CYCLE_TIMES: Final = frozenset({"cut_s", "noncut_s", "cycle_s"})
"""Two ways to say one thing, the time of a cycle: an estimate that gives one of them leaves none of them to others."""


class SourceTable(NamedTuple):
    """The fields that the rows of one kind in a stretch of a file have a column for."""

    kind: InputKind
    first_row: int
    last_row: int
    fields: list[str]


@dataclass
class Staged:
    """What lies in the temporary tables after all chunks came in."""

    rows_read: int = 0
    rows_skipped: int = 0
    notes: list[str] = field(default_factory=list)
    accepted: dict[InputKind, int] = field(default_factory=dict)  # rows per kind
    reaches: dict[InputKind, Reach] = field(default_factory=dict)
    stretches: dict[InputKind, Stretches] = field(default_factory=dict)  # of kinds with machine and time
    direct: set[InputKind] = field(default_factory=set)  # kinds whose rows stand in the book already
    texts: set[InputKind] = field(default_factory=set)  # kinds whose rows carry their own text
    tables: list[SourceTable] = field(default_factory=list)
    cells: int = 0  # filled ones, of accepted rows
    has_sequences: bool = False
    stale: list[str] = field(default_factory=list)  # files to read again: an agent's observation came before theirs

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


def stage_tables(book: Book, file_id: str, tables: Iterable[TableRead], *, is_new: bool) -> Staged:
    """Stage every chunk and number repeated identities; must run inside the transaction of the file.

    Of a file that `is_new`, kinds whose rows are near none of another file's go past the staging tables into the book.
    """
    staged = Staged()
    for table in drawn_ahead(tables, lambda table: table.rows_read >= LARGE_ROWS):
        staged.rows_read += table.rows_read
        staged.rows_skipped += table.skipped.height
        staged.notes.extend(table.notes)
        _insert(book, "store_rejects", None, table.rejects, REJECT_COLUMNS, file_id)
        _insert(book, "store_skipped", None, table.skipped, SKIPPED_COLUMNS, file_id)
        _insert(book, "store_flags", None, table.flags, FLAG_COLUMNS, file_id)
        if table.rows.height:
            _stage_rows(book, file_id, table, staged, is_new)
    for source_table in staged.tables:
        book.run(statement("load", "open_table"), {"file_id": file_id, **source_table._asdict()})
    for kind in staged.accepted:
        _finish_kind(book, kind, file_id, staged)
    if staged.has_sequences or not is_new:
        staged.stale = settle_sequences(book, file_id, has_sequences=staged.has_sequences)
    return staged


def _finish_kind(book: Book, kind: InputKind, file_id: str, staged: Staged) -> None:
    """Count facts that may stand in the file more than once and are not counted yet, and note its reach."""
    stretches = staged.stretches.get(kind)
    if stretches is not None and kind in staged.direct:
        finish_rows(book, kind, file_id, stretches)
    elif stretches is None or stretches.repeats().height:
        book.run(statement("load", "number_occurrences", kind))
    if stretches is not None:
        staged.reaches[kind] = stretches.reach
    else:
        first_us, last_us = book.rows(statement("load", "reach", kind))[0]
        staged.reaches[kind] = Reach(first_us, last_us)


def stage_nothing(book: Book, staged: Staged, kinds: Iterable[InputKind]) -> None:
    """Make empty staging tables for those of `kinds` that the file gave no rows of."""
    for kind in kinds:
        if kind not in staged.accepted:
            book.run(statement("load", "stage", kind))


def drop_staged(book: Book) -> None:
    """Give the memory of the staging tables back."""
    names = (
        *(f"staged_{kind}" for kind in STORED_KINDS),
        "matched",
        "unaccepted",
        "won",
        "overruled",
        "rejected_before",
        *SETTLING_TABLES,
        *SEQUENCE_TABLES,
    )
    book.run("; ".join(f"drop table if exists temp.{name}" for name in names))


def _stage_rows(book: Book, file_id: str, table: TableRead, staged: Staged, is_new: bool) -> None:
    kind = table.kind
    if kind not in STORED_KINDS:
        raise ValueError(f"rows of kind {kind} are not stored")
    if kind not in staged.accepted:
        staged.accepted[kind] = 0
        if kind in KEYS:
            staged.stretches[kind] = Stretches(kind)
        if is_new and kind in KEYS and table.sequences is None:
            staged.direct.add(kind)
        else:
            book.run(statement("load", "stage", kind))
    staged.accepted[kind] += table.rows.height
    if kind not in staged.texts and table.rows["raw"].null_count() < table.rows.height:
        staged.texts.add(kind)
    staged.cells += sum(table.rows.height - table.rows[name].null_count() for name in columns(kind))
    _note_table(table, staged)
    rows = table.rows.with_columns(occurrence=pl.lit(0, dtype=pl.Int64))
    if kind in staged.stretches:
        seen = staged.stretches[kind].add(table.rows)
        if seen.occurrence is not None:
            rows = rows.with_columns(occurrence=seen.occurrence)
        if kind in staged.direct and table.sequences is None and is_free(book, kind, seen.reach):
            put_rows(book, kind, file_id, rows)
            return
    if kind in staged.direct:
        staged.direct.remove(kind)
        book.run(statement("load", "stage", kind))
        take_back(book, kind, file_id)
    _insert(book, "stage_chunk", kind, rows, {**row_columns(kind), "occurrence": pl.Int64()}, file_id)
    if table.sequences is not None:
        if not staged.has_sequences:
            book.run(statement("load", "open_sequences"))
            staged.has_sequences = True
        _insert(book, "stage_sequences", None, table.sequences, SEQUENCE_COLUMNS, file_id)


def tables_of(book: Book, file_id: str) -> list[SourceTable]:
    """Return the tables of a file as the book keeps them."""
    return [SourceTable(*row) for row in book.rows(statement("query", "tables_of"), {"file_id": file_id})]


def _note_table(table: TableRead, staged: Staged) -> None:
    """Note which fields the chunk has columns for; a chunk like the one before it only lengthens the stretch."""
    rows = table.rows
    fields = set(columns(table.kind) if table.fields is None else table.fields)
    if table.kind == "estimate" and any(name in fields or not rows[name].is_null().all() for name in _CYCLE_TIMES):
        fields |= _CYCLE_TIMES
    first_row, last_row = rows.select(pl.col("row_number").min(), last=pl.col("row_number").max()).row(0)
    before = staged.tables[-1] if staged.tables else None
    if before is not None and (before.kind, before.fields) == (table.kind, sorted(fields)):
        staged.tables[-1] = before._replace(last_row=last_row)
    else:
        staged.tables.append(SourceTable(table.kind, first_row, last_row, sorted(fields)))


def _insert(
    book: Book, name: str, kind: InputKind | None, rows: pl.DataFrame, shape: dict[str, pl.DataType], file_id: str
) -> None:
    if rows.height:
        with book.handed_over(rows.select(list(shape))):
            book.run(statement("load", name, kind), {"file_id": file_id})
