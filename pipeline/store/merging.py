"""Settles the staged rows of one kind against the book: new facts, facts said again, and corrections.

Per fact the book holds the version of the file with the later last record (then the larger hash), and every other
version once, cited from the last file that gave it. That is a maximum per version, so the order of files is no matter.
It works on whole sets and never decides row by row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pipeline.errors import AuditError
from pipeline.read.rows import SourceFile
from pipeline.store.accounts import Reach, give_up_rows
from pipeline.store.book import Book
from pipeline.store.statements import statement, touch_statement
from schemas.vocabulary import InputKind

# The order matters: each statement reads what the ones before it left.
_CORRECTION_STEPS: Final = (
    "drop_agreeing",
    "recite_agreeing",
    "relink",
    "set_aside_stored",
    "set_aside_staged",
)


@dataclass(frozen=True)
class Merged:
    """How many rows of the file at hand hold, and how many rows each other file gave up to it."""

    loaded: int
    taken: dict[str, int]


def merge_kind(
    book: Book, kind: InputKind, source: SourceFile, *, own: Reach, whole: Reach, rows: int, has_text: bool
) -> Merged:
    """Move the `rows` staged rows of `kind` into core.<kind>.

    `own` is the reach of these rows, `whole` that of the file. Must run inside the transaction of the file, after its
    account was opened and its earlier reading withdrawn. Raises AuditError when a count does not come out.
    """
    values = {
        "file_id": source.file_id,
        "sha256": source.sha256,
        "first_us": own.first_us,
        "last_us": own.last_us,
        "last_record_us": whole.last_us,
    }
    _run(book, "match", kind, values)
    rivals = book.rows(statement("load", "matched_counts"))
    taken = {rival: won for rival, won, _ in rivals if won}
    lost = sum(rival_lost for _, _, rival_lost in rivals)
    if rivals:
        _run(book, "note_overlap", None, values)
        _correct(book, kind, values)
    if taken:
        book.run(touch_statement(kind, "rows_taken"))
        if kind != "event":
            _run(book, "remove_taken_text", None, values)
        _expect(_run(book, "remove_taken", kind, values), sum(taken.values()), f"rows taken from core.{kind}")
        for rival, won in taken.items():
            give_up_rows(book, rival, won)
    _expect(_run(book, "accept", kind, values), rows - lost, f"rows put into core.{kind}")
    if has_text:
        _run(book, "accept_text", kind, values)
    if rows > lost:
        book.run(touch_statement(kind, "rows_accepted"))
    return Merged(rows - lost, taken)


def _correct(book: Book, kind: InputKind, values: dict[str, Any]) -> None:
    """Keep the losing versions of facts that two files give differently."""
    if not _run(book, "contest", kind, values):
        return
    book.run(statement("load", "changed_fields"))
    if _run(book, "agreeing", kind, values):
        _run(book, "note_agreeing", None, values)
    for name in _CORRECTION_STEPS:
        _run(book, name, kind, values)


def _run(book: Book, name: str, kind: InputKind | None, values: dict[str, Any]) -> int:
    return book.run(statement("load", name, kind), values)


def _expect(found: int, expected: int, what: str) -> None:
    if found != expected:
        raise AuditError("accounting", f"{what}: {found} instead of {expected}; nothing was stored")
