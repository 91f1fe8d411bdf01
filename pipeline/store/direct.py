"""Puts rows that no other file can have given straight into the book: no stored time of their machine is near theirs.

Rows near stored ones go through the staging tables, where they are settled against those; nothing is decided here.
"""

from __future__ import annotations

import polars as pl

from pipeline.errors import AuditError
from pipeline.store.book import Book
from pipeline.store.statements import statement, touch_statement
from pipeline.store.stretches import Stretches
from schemas.columns import columns
from schemas.vocabulary import InputKind


def is_free(book: Book, kind: InputKind, reach: pl.DataFrame) -> bool:
    """Return whether no other file gave rows of `kind` within the reach (machine, first_us, last_us) of each machine.

    Another cursor than that of the file's transaction asks: it does not see the rows of this file.
    """
    values = {
        "machines": reach["machine"].to_list(),
        "firsts": reach["first_us"].to_list(),
        "lasts": reach["last_us"].to_list(),
        "first_us": reach["first_us"].min(),
        "last_us": reach["last_us"].max(),
    }
    with book.connection.cursor() as cursor:
        return not cursor.execute(statement("query", "near_rows", kind), values).fetchall()[0][0]


def put_rows(book: Book, kind: InputKind, file_id: str, rows: pl.DataFrame) -> None:
    """Put accepted rows, counted, into core.<kind>, their text beside them; empty columns are not handed over."""
    values = {"file_id": file_id}
    kept = [
        name for name in (*columns(kind), "row_number", "line", "occurrence") if rows[name].null_count() < rows.height
    ]
    with book.handed_over(rows.select(kept)):
        put = book.run(statement("load", "put_rows", kind), values)
    if put != rows.height:
        raise AuditError("accounting", f"rows put into core.{kind}: {put} instead of {rows.height}; nothing was stored")
    if rows["raw"].null_count() < rows.height:
        with book.handed_over(rows.select("row_number", "raw").drop_nulls()):
            book.run(statement("load", "put_text"), values)


def take_back(book: Book, kind: InputKind, file_id: str) -> None:
    """Take the rows of the file at hand out of core.<kind> again, into the empty staging table of their kind."""
    for name in ("take_back", "remove_rows", "remove_text_taken_back"):
        book.run(statement("load", name, kind), {"file_id": file_id})


def finish_rows(book: Book, kind: InputKind, file_id: str, stretches: Stretches) -> None:
    """Count facts that may stand in several stretches of the file, and mark the days that its rows touch."""
    for repeated in stretches.repeats().iter_rows(named=True):  # each so short that few blocks of the table hold it
        book.run(statement("load", "number_put_rows", kind), {"file_id": file_id, **repeated})
    with book.handed_over(stretches.days()):
        book.run(touch_statement(kind, "rows_handed_over"))
