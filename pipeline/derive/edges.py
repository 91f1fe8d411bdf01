"""Renews what the book knows of edges: only of those that were in use since what was derived begins, or that changed.

Edges that ended before then are left as they are, so that the cost of a run does not grow with the ledger.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.derive.relations import Relation
from pipeline.derive.scratch import window_sql
from pipeline.derive.windows import Window
from pipeline.store.book import Book

NONE_YET: Final = "machine varchar, tool varchar, edge_number bigint, start_us bigint, removed_us bigint"


def note_renewed(book: Book, derived: Sequence[Window], *, is_whole: bool) -> None:
    """Note from when on each machine was derived, and which edges were known before."""
    schema = {"machine": pl.String(), "from_us": pl.Int64()}
    begun = pl.DataFrame([(window.machine, window.keep_from) for window in derived], schema=schema, orient="row")
    book.connection.register("_frame", begun.group_by("machine").agg(pl.col("from_us").min()))
    book.run("create or replace table core.edge_renewed as from _frame")
    book.connection.unregister("_frame")
    if is_whole:
        book.run(f"create or replace table core.edge ({NONE_YET})")
    book.run(f"create or replace table core.edge_before as {window_sql('edge_before')}")


def note_stale(book: Book) -> None:
    """Note from which edge on each tool is added up anew, once core.edge is derived."""
    book.run(f"create or replace table core.edge_stale as {window_sql('edge_stale')}")


def renew_edges(book: Book, relation: Relation, *, is_whole: bool) -> None:
    """Put the rows of a relation in place of those of the same edges."""
    if is_whole:
        book.run(f"create or replace table {relation.full_name} as\n{relation.sql}")
        return
    book.run(window_sql("give_way_edge", relation=relation.full_name))
    book.run(f"insert into {relation.full_name} by name\n{relation.sql}")


def renew_lives(book: Book, lives: pl.DataFrame, *, is_whole: bool) -> None:
    """Put lives in place of those that count together with them."""
    book.connection.register("_frame", lives)
    if is_whole:
        book.run("create or replace table core.edge_life as from _frame")
    else:
        book.run(window_sql("give_way_life"))
        book.run("insert into core.edge_life by name from _frame")
    book.connection.unregister("_frame")


def forget_renewed(book: Book) -> None:
    """Forget what was noted for this derivation."""
    for name in ("renewed", "before", "stale"):
        book.run(f"drop table if exists core.edge_{name}")
