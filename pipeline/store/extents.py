"""What the rows of each source file are, in short: how many of which machine, from when to when, what they name.

Loading notes of which files that changed, in its own transaction; it is made anew for these alone, whenever it is asked
for, so that asking costs the same however large the book is.
"""

from __future__ import annotations

from pipeline.store.book import Book
from pipeline.store.statements import statement
from schemas.vocabulary import STORED_KINDS


def know_extents(book: Book) -> None:
    """Bring raw.source_extent up to date; outside of any transaction."""
    files, first_us, last_us = book.rows(statement("query", "extents_due"))[0]
    if not files:
        return
    values = {"first_us": first_us, "last_us": last_us}
    with book.transaction():
        book.run(statement("load", "remove_extents"))
        for kind in STORED_KINDS:
            book.run(statement("load", "put_extents", kind), values)
        book.run(statement("load", "note_extents"))
