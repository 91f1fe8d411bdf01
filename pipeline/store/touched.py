"""What changed since the marts were last derived: machines and UTC days, for each kind of fact.

Loading marks them in its own transaction, so a crash between loading and deriving loses none; deriving clears them.
"""

from __future__ import annotations

import polars as pl

from pipeline.store.book import Book


def touched_days(book: Book) -> pl.DataFrame:
    """Return kind, machine, day_on of changed facts; machine and day are null where the kind has none."""
    return book.frame("select kind, machine, day_on from raw.touched order by all")


def clear_touched(book: Book) -> None:
    """Forget what changed; call it in the transaction that stores what was derived."""
    book.run("delete from raw.touched")
