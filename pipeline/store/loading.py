"""Loads one read file into the book, in one transaction: all of it, with its account, or nothing.

It reads no files and checks no values; rows arrive typed and checked.
"""

from __future__ import annotations

from pipeline.errors import AuditError
from pipeline.read.rows import FileRead, SourceFile
from pipeline.store.accounting import count_loading
from pipeline.store.accounts import (
    LOADED,
    UNREADABLE,
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
from pipeline.store.ranking import own_rank
from pipeline.store.rejecting import remember_rejects, take_up_replaced, taken_up_by_settings
from pipeline.store.staging import drop_staged, stage_nothing, stage_tables, tables_of
from pipeline.store.standing import note_standing, standing_of
from pipeline.store.statements import statement
from pipeline.store.withdrawing import withdraw

__all__ = ["FileCounts", "KnownFile", "known_files", "left_as_is", "load_file"]


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
    if known is not None and left_as_is(book, file_read.source, known, reading_fingerprint):
        return FileCounts.of(known, already_known=True)
    if file_read.status != LOADED:
        return _record_unread(book, file_read, known, reading_fingerprint)
    try:
        with book.transaction():
            return _load_rows(book, file_read, known, reading_fingerprint)
    finally:
        drop_staged(book)


def left_as_is(book: Book, source: SourceFile, known: KnownFile, reading_fingerprint: str) -> bool:
    """Return whether the book holds a file as it would be read now; if so, it is only noted where the file stands."""
    standing = standing_of(book, source)
    if known.needs_reading(reading_fingerprint) or standing.outranks(known):
        return False
    if not standing.known_here and known.status != UNREADABLE:
        with book.transaction():
            note_standing(book, source)
    return True


def _load_rows(book: Book, file_read: FileRead, known: KnownFile | None, reading_fingerprint: str) -> FileCounts:
    source = file_read.source
    standing = standing_of(book, source)
    values = {"file_id": source.file_id}
    tables_before = tables_of(book, source.file_id)
    if known is not None:
        remember_rejects(book, source.file_id)
        for name in ("remove_rejects", "remove_skipped", "remove_flags", "remove_tables"):
            book.run(statement("load", name), values)
    staged = stage_tables(book, source.file_id, file_read.tables, is_new=known is None and not standing.replaced)
    rank = own_rank(staged.reach.last_us, staged.cells, source.sha256, above=standing.rank_floor)
    stale, changed = set(staged.stale), set[str]()
    taken_up = [take_up_replaced(book, source.file_id, standing.replaced, staged.texts)]
    if known is not None:
        taken_up.append(taken_up_by_settings(book, source.file_id))
        kinds = dict.fromkeys(table.kind for table in tables_before)
        stage_nothing(book, staged, kinds)
        same_fields = tables_before == tables_of(book, source.file_id)
        withdrawn = withdraw(book, known, kinds, rank=rank, same_fields=same_fields)
        stale.update(withdrawn.stale)
        changed |= withdrawn.changed
    open_account(book, file_read, staged.reach, rank, reading_fingerprint, staged.note)
    note_standing(book, source)
    loaded = 0
    for kind, rows in staged.accepted.items():
        if kind in staged.direct:
            loaded += rows
            continue
        merged = merge_kind(
            book, kind, source.file_id, rank, own=staged.reaches[kind], rows=rows, has_text=kind in staged.texts
        )
        loaded += merged.loaded
        changed |= merged.changed
    accepted = sum(staged.accepted.values())
    close_account(
        book, source.file_id, read=staged.rows_read, loaded=loaded, accepted=accepted, skipped=staged.rows_skipped
    )
    assert_balanced(book, {source.file_id, *changed})
    count_loading(book)
    return FileCounts.of(_stands(book, file_read), changed_files=changed, stale_files=stale, taken_up=taken_up)


def _record_unread(book: Book, file_read: FileRead, known: KnownFile | None, reading_fingerprint: str) -> FileCounts:
    """Enter a file that gave no rows. One that gave some under earlier settings keeps them: nothing stored changes."""
    with book.transaction():
        if known is not None and known.status == LOADED:
            note = f"not read again: {file_read.reason}"
            notes = known.notes if known.notes.endswith(note) else "; ".join(filter(None, (known.notes, note)))
            values = {"file_id": known.file_id, "notes": notes, "reading_fingerprint": reading_fingerprint}
            book.run(statement("load", "keep_account"), values)
        else:
            rank = own_rank(None, 0, file_read.source.sha256)
            open_account(book, file_read, Reach(), rank, reading_fingerprint, "")
        if file_read.status != UNREADABLE:
            note_standing(book, file_read.source)
        count_loading(book)
    return FileCounts.of(_stands(book, file_read))


def _stands(book: Book, file_read: FileRead) -> KnownFile:
    stands = account_of(book, file_read.source)
    if stands is None:
        raise AuditError("accounting", f"{file_read.source.name} has no account")
    return stands
