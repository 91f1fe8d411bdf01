"""Takes the earlier reading of a source file out of the book, so that the file can be loaded anew.

What the file had overruled comes back as far as the book kept it; what it did not keep (rows that said just the same)
is had again by reading the overruled files, which are marked stale.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from pipeline.store.accounts import KnownFile
from pipeline.store.book import Book
from pipeline.store.settling import make_macros, settle
from pipeline.store.statements import statement, touch_statement
from schemas.vocabulary import InputKind


@dataclass(frozen=True)
class Withdrawn:
    """What taking out the rows of a file did to others: which must be read again, and which got rows back."""

    stale: list[str]
    changed: frozenset[str]


def withdraw(book: Book, known: KnownFile, kinds: Collection[InputKind], *, rank: str, same_fields: bool) -> Withdrawn:
    """Take the rows of `known` out of the core tables; `kinds` are those that it had tables of.

    Needs the new reading in the staging tables of these; must run inside the transaction of the file. Files are
    read again only where the new reading has another rank or other fields, or says less than, or other than, the old.
    """
    values = {"file_id": known.file_id}
    make_macros(book)
    stale: list[str] = []
    if rank < known.rank or not same_fields or any(_not_repeated(book, kind, values) for kind in kinds):
        book.run(statement("load", "overruled"), values)
        stale = [row[0] for row in book.rows("from overruled")]
        book.run(statement("load", "mark_stale"))
    changed = [_withdraw_kind(book, kind, values) for kind in kinds]
    book.run(statement("load", "remove_text"), values)
    return Withdrawn(stale, frozenset().union(*changed))


def _not_repeated(book: Book, kind: InputKind, values: dict[str, Any]) -> bool:
    return bool(book.rows(statement("load", "not_repeated", kind), values)[0][0])


def _withdraw_kind(book: Book, kind: InputKind, values: dict[str, Any]) -> frozenset[str]:
    book.run(touch_statement(kind, "rows_of_file"), values)
    contested = book.run(statement("load", "contest_leaving", kind), values)
    changed = settle(book, kind, values).changed if contested else frozenset[str]()
    book.run(statement("load", "remove_rows", kind), values)
    return changed
