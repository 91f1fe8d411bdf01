"""The account of each source file: what was read, what of it holds, and whether it must be read again.

It counts and remembers; the rows themselves are settled elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from pipeline.clock import now
from pipeline.errors import AuditError
from pipeline.read.rows import FileRead, SourceFile
from pipeline.store.book import Book
from pipeline.store.rejecting import TakenUp
from pipeline.store.statements import statement

LOADED: Final = "loaded"
UNREADABLE: Final = "unreadable"


@dataclass(frozen=True)
class KnownFile:
    """One row of raw.source_file, as far as deciding needs it."""

    file_id: str
    sha256: str
    name: str
    status: str
    reason: str
    rows_read: int
    rows_loaded: int
    rows_duplicate: int
    rows_rejected: int
    rows_skipped: int
    last_record_us: int | None
    notes: str
    reading_fingerprint: str
    stale: bool
    rank: str
    shape: str

    def needs_reading(self, reading_fingerprint: str) -> bool:
        """Whether the file must be read (again): it is stale, or would be read with other settings than last time."""
        return self.stale or self.reading_fingerprint != reading_fingerprint


@dataclass(frozen=True)
class FileCounts:
    """What loading one source file came to: rows_read = rows_loaded + rows_duplicate + rows_rejected."""

    file_id: str
    name: str
    status: str
    reason: str
    rows_read: int
    rows_loaded: int
    rows_duplicate: int
    rows_rejected: int
    rows_skipped: int
    notes: str
    already_known: bool = False  # nothing was read: the book holds this file as it is
    changed_files: tuple[str, ...] = ()  # other files whose counts moved
    stale_files: tuple[str, ...] = ()  # other files to read again in this run
    taken_up: tuple[TakenUp, ...] = ()  # rows that were rejected before

    @classmethod
    def of(
        cls,
        known: KnownFile,
        *,
        already_known: bool = False,
        changed_files: Iterable[str] = (),
        stale_files: Iterable[str] = (),
        taken_up: Iterable[TakenUp] = (),
    ) -> FileCounts:
        """Return the counts that stand in the account."""
        return cls(
            known.file_id,
            known.name,
            known.status,
            known.reason,
            known.rows_read,
            known.rows_loaded,
            known.rows_duplicate,
            known.rows_rejected,
            known.rows_skipped,
            known.notes,
            already_known=already_known,
            changed_files=tuple(sorted(changed_files)),
            stale_files=tuple(sorted(stale_files)),
            taken_up=tuple(told for told in taken_up if told.before),
        )


def known_files(book: Book) -> dict[str, KnownFile]:
    """Return every source file that the book has seen, by SHA-256, in the order of names."""
    rows = book.rows(statement("query", "known_files"))
    return {known.sha256: known for known in (KnownFile(*row) for row in rows)}


def account_of(book: Book, source: SourceFile) -> KnownFile | None:
    """Return the account of a source file, None when it was never seen."""
    rows = book.rows(statement("query", "account"), {"file_id": source.file_id})
    if not rows:
        return None
    known = KnownFile(*rows[0])
    if known.sha256 != source.sha256:
        raise AuditError("file_id", f"two source files share the id {source.file_id}: {known.name} and {source.name}")
    return known


def settled_counts(book: Book, told: Iterable[FileCounts]) -> list[FileCounts]:
    """Return counts as they stand now: a later file may have overruled rows of an earlier one."""
    told = list(told)
    if not told:
        return []
    rows = book.rows(statement("query", "counts"), {"file_ids": [counts.file_id for counts in told]})
    now_of = {file_id: counts for file_id, *counts in rows}
    names = ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped")
    return [replace(counts, **dict(zip(names, now_of[counts.file_id], strict=True))) for counts in told]


@dataclass(frozen=True)
class Reach:
    """From when to when the records of a file reach, microseconds since 1970; None where no record has a time."""

    first_us: int | None = None
    last_us: int | None = None

    def joined(self, other: Reach) -> Reach:
        """Return the reach of both."""
        firsts = [us for us in (self.first_us, other.first_us) if us is not None]
        lasts = [us for us in (self.last_us, other.last_us) if us is not None]
        return Reach(min(firsts, default=None), max(lasts, default=None))


def open_account(
    book: Book, file_read: FileRead, reach: Reach, rank: str, reading_fingerprint: str, notes: str
) -> None:
    """Enter a source file, or enter it again, with all counts at nought."""
    source = file_read.source
    values: dict[str, str | int | datetime | None] = {
        "file_id": source.file_id,
        "sha256": source.sha256,
        "name": source.name,
        "bytes": source.bytes,
        "shape": file_read.shape,
        "profile": file_read.profile,
        "status": file_read.status,
        "reason": file_read.reason,
        "first_record_us": reach.first_us,
        "last_record_us": reach.last_us,
        "ingested_at": now(),
        "notes": notes,
        "reading_fingerprint": reading_fingerprint,
        "rank": rank,
        "told": file_read.told,
    }
    book.run(statement("load", "open_account"), values)


def close_account(book: Book, file_id: str, *, read: int, loaded: int, accepted: int, skipped: int) -> None:
    """Enter the counts of a source file; what was accepted and does not hold is a duplicate."""
    rejected = book.rows(statement("query", "rejected_rows"), {"file_id": file_id})[0][0]
    values = {
        "file_id": file_id,
        "rows_read": read,
        "rows_loaded": loaded,
        "rows_duplicate": accepted - loaded,
        "rows_rejected": rejected,
        "rows_skipped": skipped,
    }
    book.run(statement("load", "close_account"), values)


def give_up_rows(book: Book, file_id: str, taken: int) -> None:
    """Count rows of a file that another file now holds as duplicates."""
    book.run(statement("load", "give_up_rows"), {"file_id": file_id, "taken": taken})


def assert_balanced(book: Book, file_ids: Iterable[str]) -> None:
    """Raise AuditError unless rows_read = rows_loaded + rows_duplicate + rows_rejected for each of the files."""
    off = book.rows(statement("query", "unbalanced"), {"file_ids": sorted(file_ids)})
    if off:
        lines = "\n".join(
            f"{name} ({file_id}): read {read}, loaded {loaded}, duplicate {duplicate}, rejected {rejected}"
            for file_id, name, read, loaded, duplicate, rejected in off
        )
        raise AuditError(
            "accounting", "rows read are not rows loaded + duplicate + rejected; nothing was stored", lines
        )
