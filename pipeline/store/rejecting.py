"""Rejected rows that came in after all: with a mended profile, or in a file that was exported again.

It counts and marks; whether a row is right was decided before.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.store.book import Book
from pipeline.store.statements import statement
from schemas.vocabulary import InputKind


@dataclass(frozen=True)
class TakenUp:
    """Of `before` rows that were rejected, `rows` came in with the reading at hand."""

    before: int
    rows: int
    exported_again: bool  # else the same file was read with other settings


def remember_rejects(book: Book, file_id: str) -> None:
    """Keep in mind which rows of a file are rejected, before its new reading takes their place."""
    book.run(statement("load", "remember_rejects"), {"file_id": file_id})


def taken_up_by_settings(book: Book, file_id: str) -> TakenUp:
    """Return how many of the rows in mind the new reading accepts; it must be staged."""
    before, rows = book.rows(statement("load", "no_longer_rejected"), {"file_id": file_id})[0]
    return TakenUp(before, rows, exported_again=False)


def take_up_replaced(book: Book, file_id: str, replaced: Iterable[str], kinds: Iterable[InputKind]) -> TakenUp:
    """Mark the rejects of replaced files whose row is accepted now: the same row, no more cells changed than faults.

    `kinds` are those of which the new file has staged rows with text.
    """
    values = {"file_id": file_id, "replaced": sorted(replaced)}
    if not values["replaced"]:
        return TakenUp(0, 0, exported_again=True)
    for kind in kinds:
        book.run(statement("load", "take_up_rejects", kind), values)
    before, rows = book.rows(statement("load", "taken_up"), values)[0]
    return TakenUp(before, rows, exported_again=True)
