"""Tells observations of one item at one instant apart by the numbers that their agent gave them, in all its documents.

A number counts only together with the agent's instance. Adapter text has none: its rows are counted in their order, as
the agent numbered them.
"""

from __future__ import annotations

from typing import Final

from pipeline.store.book import Book
from pipeline.store.statements import statement

SEQUENCE_TABLES: Final = ("staged_sequence", "sequence_before")


def settle_sequences(book: Book, file_id: str, *, has_sequences: bool) -> list[str]:
    """Count the staged observations by their numbers, keep those, and return the files whose counts they change.

    Those files are marked to be read again.
    """
    values = {"file_id": file_id}
    for name in ("sequences_before", "remove_sequences"):
        book.run(statement("load", name), values)
    if has_sequences:
        for name in ("keep_sequences", "number_by_sequence"):
            book.run(statement("load", name), values)
    return [row[0] for row in book.rows(statement("load", "renumber_others"), values)]
