"""What a reader must know of the book before its figures: ids that miss each other, streams that tell nothing.

Sentences only; it changes and hides no figure.
"""

from __future__ import annotations

import polars as pl

from pipeline.report.queries import query
from pipeline.store.book import Book


def book_notes(book: Book, has_shop_file: bool) -> tuple[str, ...]:
    """Return a sentence for each thing in the book that would make a figure mislead."""
    machines = query(book, "machines_told")
    notes = []
    if has_shop_file:
        strange = machines.filter(~pl.col("in_shop_file"))["machine"].to_list()
        unseen = machines.filter(pl.col("in_shop_file") & (pl.col("rows") == 0))["machine"].to_list()
        if strange:
            notes.append(
                f"Not in shop.toml but in the exports: {_listed(strange)}. Without a [[machine]] of exactly that id "
                'there is no rate, and shifts reach it only by machines = ["*"].'
            )
        if unseen:
            notes.append(f"In shop.toml but in no export: {_listed(unseen)}. Check how the exports spell the id.")
    mute = machines.filter((pl.col("events") > 0) & (pl.col("executions") == 0))["machine"].to_list()
    if mute:
        notes.append(
            f"The stream of {_listed(mute)} tells no Execution: what the machine did cannot be seen from it, and none "
            "of its time counts as cutting. Name the item in a profile."
        )
    return tuple(notes)


def _listed(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
