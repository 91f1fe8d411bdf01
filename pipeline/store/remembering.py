"""What the disk said of each path when its content was read, so that a path that did not change need not be opened.

It looks at no disk; callers say what they found, and ask only for paths that are files themselves, not links.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.read.unfinished import Stamp
from pipeline.store.accounts import FileCounts
from pipeline.store.book import Book
from pipeline.store.standing import from_disk, to_disk
from pipeline.store.statements import statement


@dataclass(frozen=True)
class Holding:
    """What a path holds."""

    files: tuple[tuple[str, str], ...] = ()  # where each file in it stands (of a zip: zip!member), and its id
    devices: tuple[tuple[str, str], ...] = ()  # for which folder each devices document in it counts, and its digest


@dataclass(frozen=True)
class StandingFile:
    """A file that was found at a path, and its account."""

    path: str
    counts: FileCounts
    shape: str
    reading_fingerprint: str
    holds: bool  # it is not stale, and nothing that it replaced ranks above it
    is_known_here: bool


def unchanged_paths(book: Book, stamps: Mapping[str, Stamp]) -> dict[str, Holding]:
    """Return what those paths hold of which the disk says what it said when they were read."""
    if not stamps:
        return {}
    rows = book.rows(statement("query", "unchanged_paths"), _columns(stamps))
    return {
        to_disk(path): Holding(_pairs(stands_at, file_ids), _pairs(folders, digests))
        for path, stands_at, file_ids, folders, digests in rows
    }


def remember_paths(book: Book, read: Mapping[str, tuple[Stamp, Holding]]) -> None:
    """Keep what paths hold that were read whole, with stamps that any later change will change."""
    if not read:
        return
    values = _columns({path: stamp for path, (stamp, _) in read.items()})
    holdings = [holding for _, holding in read.values()]
    values["stands_at"] = [[from_disk(path) for path, _ in holding.files] for holding in holdings]
    values["file_ids"] = [[file_id for _, file_id in holding.files] for holding in holdings]
    values["folders"] = [[from_disk(folder) for folder, _ in holding.devices] for holding in holdings]
    values["digests"] = [[digest for _, digest in holding.devices] for holding in holdings]
    with book.transaction():
        for name in ("remove_stamps", "put_stamps"):
            book.run(statement("load", name), values)


def forget_paths(book: Book, paths: Iterable[str]) -> None:
    """Forget paths that are no longer there."""
    if gone := [from_disk(path) for path in paths]:
        book.run(statement("load", "remove_stamps"), {"paths": gone})


def standing_files(book: Book, holdings: Iterable[Holding]) -> list[StandingFile]:
    """Return the account of each file that was found, and whether it may be left as it is as far as paths tell."""
    files = [found for holding in holdings for found in holding.files]
    if not files:
        return []
    values = {"stands_at": [from_disk(path) for path, _ in files], "file_ids": [file_id for _, file_id in files]}
    rows = book.rows(statement("query", "standing_files"), values)
    return [StandingFile(to_disk(row[0]), FileCounts(*row[1:12]), *row[12:]) for row in rows]


def _columns(stamps: Mapping[str, Stamp]) -> dict[str, Any]:
    return {
        "paths": [from_disk(path) for path in stamps],
        "bytes": [stamp.bytes for stamp in stamps.values()],
        "modified_ns": [stamp.modified_ns for stamp in stamps.values()],
        "changed_ns": [stamp.changed_ns for stamp in stamps.values()],
        "inodes": [stamp.inode for stamp in stamps.values()],
    }


def _pairs(firsts: list[str], seconds: list[str]) -> tuple[tuple[str, str], ...]:
    return tuple((to_disk(first), second) for first, second in zip(firsts, seconds, strict=True))
