"""What changed since the marts were last derived: machines and UTC days, for each kind of fact.

Loading marks them in its own transaction, so a crash between loading and deriving loses none; deriving clears them.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.store.book import Book

DERIVED: Final = "derived"
"""Under this the book keeps how many times it was derived."""
DERIVED_BY: Final = "derived_by"
"""Under this, what the rules were by which it was."""


def touched_days(book: Book) -> pl.DataFrame:
    """Return kind, machine, day_on of changed facts; machine and day are null where the kind has none."""
    return book.frame("select kind, machine, day_on from raw.touched order by all")


def note_derived(book: Book, derived_by: str) -> None:
    """Forget what changed, and keep by what rules it was derived; call it in the transaction that stores the result."""
    book.run("delete from raw.touched")
    book.keep_note(DERIVED_BY, derived_by)
    book.keep_note(DERIVED, str(int(book.note(DERIVED) or 0) + 1))
