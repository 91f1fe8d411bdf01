"""Settles the staged rows of one kind against the book: new facts, facts said again, and corrections.

A fact that one other file says just so only changes its citation; every other is settled from all of its versions.
It works on whole sets and never decides row by row.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import AuditError
from pipeline.store.accounts import Reach, give_up_rows
from pipeline.store.book import Book
from pipeline.store.settling import settle
from pipeline.store.statements import statement, touch_statement
from schemas.vocabulary import InputKind


@dataclass(frozen=True)
class Merged:
    """How many rows of the file at hand hold, and which other files gave rows up to it or got some back."""

    loaded: int
    changed: frozenset[str]


def merge_kind(
    book: Book, kind: InputKind, file_id: str, rank: str, *, own: Reach, rows: int, has_text: bool
) -> Merged:
    """Move the `rows` staged rows of `kind` into core.<kind>.

    `own` is the reach of these rows, `rank` that of the file. Must run inside the transaction of the file, after its
    account was opened and its earlier reading withdrawn. Raises AuditError when a count does not come out.
    """
    values = {"file_id": file_id, "rank": rank, "first_us": own.first_us, "last_us": own.last_us}

    def run(name: str, of_kind: InputKind | None = kind) -> int:
        return book.run(statement("load", name, of_kind), values)

    run("match")
    run("contest")
    rivals = book.rows(statement("load", "matched_counts"))
    taken = {rival: won for rival, won, _, _ in rivals if won}
    lost, contested = (sum(counts[place] for counts in rivals) for place in (2, 3))
    run("unaccepted", None)
    if rivals:
        run("note_overlap", None)
    if taken:
        run("won", None)
        book.run(touch_statement(kind, "rows_taken"))
        if kind != "event":
            run("remove_taken_text", None)
        _expect(run("remove_taken"), sum(taken.values()), f"rows taken from core.{kind}")
        for rival, won in taken.items():
            give_up_rows(book, rival, won)
    settled = settle(book, kind, values) if contested else None
    accepted = rows - lost - contested
    _expect(run("accept"), accepted, f"rows put into core.{kind}")
    if has_text:
        run("accept_text")
    if accepted:
        book.run(touch_statement(kind, "rows_accepted"))
    if settled is None:
        return Merged(accepted, frozenset(taken))
    return Merged(accepted + settled.own, settled.changed.union(taken))


def _expect(found: int, expected: int, what: str) -> None:
    if found != expected:
        raise AuditError("accounting", f"{what}: {found} instead of {expected}; nothing was stored")
