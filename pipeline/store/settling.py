"""Settles contested facts: of several versions, which are kept, and what row holds.

A version is what one file says of a fact: the fields that it gives, an empty cell included, but not a field that its
table lacks. Each field of the row that holds comes from the highest file that gives it; the row is cited from the
highest file of all. Every other version is kept in raw.superseded, with what it gives otherwise and what it fills in,
unless a higher version says all that it says and the same. All of that follows from the set of versions and the ranks
of their files, never from the order in which files came.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pipeline.store.book import Book
from pipeline.store.statements import statement, touch_statement
from schemas.vocabulary import InputKind

# The order matters: each statement reads what the ones before it left.
_MACROS: Final = ("said_fields", "changed_fields")
_DECIDING: Final = ("gather", "cover", "note_covering", "keep", "settle")
_WRITING: Final = (
    "remove_contested_text",
    "remove_contested_versions",
    "remove_contested",
    "put_settled",
    "put_settled_text",
    "put_versions",
    "move_accounts",
)
SETTLING_TABLES: Final = ("contested", "version", "covering", "kept", "settled")


@dataclass(frozen=True)
class Settled:
    """How many of the contested facts the file at hand holds now, and which other files' counts moved."""

    own: int
    changed: frozenset[str]


def make_macros(book: Book) -> None:
    """Make the macros that the statements of settling use."""
    for name in _MACROS:
        book.run(statement("load", name))


def settle(book: Book, kind: InputKind, values: Mapping[str, Any]) -> Settled:
    """Settle the facts of `kind` that stand in the temporary table `contested`.

    `values` names the file at hand: what it says is taken from the staged rows alone, or left out where none is staged.
    """
    make_macros(book)
    for name in _DECIDING:
        book.run(statement("load", name, kind), values)
    book.run(touch_statement(kind, "rows_unsettled"))
    for name in _WRITING:
        book.run(statement("load", name, kind), values)
    book.run(touch_statement(kind, "rows_settled"))
    own, others = book.rows(statement("load", "settled_counts"), values)[0]
    return Settled(own, frozenset(others or ()))
