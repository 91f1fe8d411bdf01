"""Loads one read file into the book, in one transaction: all of it, with its account, or nothing.

It reads no files and checks no values; rows arrive typed and checked.
"""

from __future__ import annotations

from pipeline.errors import AuditError
from pipeline.read.rows import FileRead
from pipeline.store.accounts import (
    LOADED,
    FileCounts,
    KnownFile,
    Reach,
    account_of,
    assert_balanced,
    close_account,
    known_files,
    open_account,
)
from pipeline.store.book import Book
from pipeline.store.merging import merge_kind
from pipeline.store.staging import drop_staged, stage_nothing, stage_tables
from pipeline.store.statements import statement
from pipeline.store.withdrawing import withdraw

__all__ = ["FileCounts", "KnownFile", "known_files", "load_file"]


def load_file(book: Book, file_read: FileRead, reading_fingerprint: str = "") -> FileCounts:
    """Bring one source file into the book and return its counts.

    Parameters
    ----------
    file_read
        The rows, rejects and skipped lines of the file; its `tables` are consumed once, chunk by chunk.
    reading_fingerprint
        Fingerprint of everything that decides how the file is read: its profile, its [[source]] entry, the shop's zone.
        A file that the book holds under the same fingerprint is left as it is (`already_known`).

    Raises AuditError, with nothing stored, when rows read are not rows loaded + duplicate + rejected. Whatever the
    reader raises while its chunks are drawn passes through, with nothing stored either.
    """
    known = account_of(book, file_read.source)
    if known is not None and not known.needs_reading(reading_fingerprint):
        return FileCounts.of(known, already_known=True)
    if file_read.status != LOADED:
        return _record_unread(book, file_read, known, reading_fingerprint)
    try:
        with book.transaction():
            return _load_rows(book, file_read, known, reading_fingerprint)
    finally:
        drop_staged(book)


def _load_rows(book: Book, file_read: FileRead, known: KnownFile | None, reading_fingerprint: str) -> FileCounts:
    source = file_read.source
    values = {"file_id": source.file_id}
    if known is not None:
        book.run(statement("load", "remove_rejects"), values)
        book.run(statement("load", "remove_skipped"), values)
    staged = stage_tables(book, source.file_id, file_read.tables)
    stale: list[str] = []
    if known is not None:
        stage_nothing(book, staged)
        stale = withdraw(book, known, staged.reach)
    open_account(book, file_read, staged.reach, reading_fingerprint, staged.note)
    loaded, changed = 0, set[str]()
    for kind, rows in staged.accepted.items():
        has_text = kind in staged.texts
        merged = merge_kind(
            book, kind, source, own=staged.reaches[kind], whole=staged.reach, rows=rows, has_text=has_text
        )
        loaded += merged.loaded
        changed.update(merged.taken)
    accepted = sum(staged.accepted.values())
    close_account(
        book, source.file_id, read=staged.rows_read, loaded=loaded, accepted=accepted, skipped=staged.rows_skipped
    )
    assert_balanced(book, {source.file_id, *changed})
    return FileCounts.of(_stands(book, file_read), changed_files=changed, stale_files=stale)


def _record_unread(book: Book, file_read: FileRead, known: KnownFile | None, reading_fingerprint: str) -> FileCounts:
    """Enter a file that gave no rows. One that gave some under earlier settings keeps them: nothing stored changes."""
    with book.transaction():
        if known is not None and known.status == LOADED:
            note = f"not read again: {file_read.reason}"
            notes = known.notes if known.notes.endswith(note) else "; ".join(filter(None, (known.notes, note)))
            values = {"file_id": known.file_id, "notes": notes, "reading_fingerprint": reading_fingerprint}
            book.run(statement("load", "keep_account"), values)
        else:
            open_account(book, file_read, Reach(), reading_fingerprint, "")
    return FileCounts.of(_stands(book, file_read))


def _stands(book: Book, file_read: FileRead) -> KnownFile:
    stands = account_of(book, file_read.source)
    if stands is None:
        raise AuditError("accounting", f"{file_read.source.name} has no account")
    return stands
