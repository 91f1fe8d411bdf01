"""Takes the earlier reading of a source file out of the book, so that the file can be loaded anew.

What the file had overruled comes back as far as the book kept it; what it did not keep (rows that said just the same)
is had again by reading the overruled files, which are marked stale.
"""

from __future__ import annotations

from typing import Any, Final

from pipeline.store.accounts import KnownFile, Reach
from pipeline.store.book import Book
from pipeline.store.statements import statement, touch_statement
from schemas.core import STORED_KINDS
from schemas.vocabulary import InputKind

# The order matters: each statement reads what the ones before it left.
_PROMOTION_STEPS: Final = (
    "promote",
    "promote_text",
    "relink_heirs",
    "drop_promoted",
    "take_up_rows",
)


def withdraw(book: Book, known: KnownFile, new_reach: Reach) -> list[str]:
    """Take the rows of `known` out of the core tables; return the ids of files that must be read again.

    Needs the new reading in the staging tables of all kinds; must run inside the transaction of the file. Files are
    read again only where the new reading says less than, or other than, the old one, or ranks lower.
    """
    values = {"file_id": known.file_id}
    lowered = _lower(new_reach.last_us, known.last_record_us)
    stale: list[str] = []
    if lowered or any(_not_repeated(book, kind, values) for kind in STORED_KINDS):
        stale = [row[0] for row in book.rows(statement("query", "overruled"), values)]
        book.run(statement("load", "mark_stale"), values)
    for kind in STORED_KINDS:
        _withdraw_kind(book, kind, values)
    book.run(statement("load", "remove_text"), values)
    return stale


def _lower(new_us: int | None, old_us: int | None) -> bool:
    return old_us is not None and (new_us is None or new_us < old_us)


def _not_repeated(book: Book, kind: InputKind, values: dict[str, Any]) -> bool:
    return bool(book.rows(statement("load", "not_repeated", kind), values)[0][0])


def _withdraw_kind(book: Book, kind: InputKind, values: dict[str, Any]) -> None:
    book.run(touch_statement(kind, "rows_of_file"), values)
    book.run(statement("load", "remove_cited", kind), values)
    has_heirs = book.run(statement("load", "find_heirs", kind), values) > 0
    book.run(statement("load", "remove_rows", kind), values)
    if has_heirs:
        book.run(statement("load", "changed_fields"))
        for name in _PROMOTION_STEPS:
            book.run(statement("load", name, kind), values)
        book.run(touch_statement(kind, "rows_promoted"), values)
