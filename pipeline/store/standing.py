"""Which content stands at which path: what an export replaced, and what is gone.

It looks at no disk; callers say what they found.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pipeline.clock import now
from pipeline.read.rows import SourceFile
from pipeline.store.accounts import LOADED, KnownFile
from pipeline.store.book import Book
from pipeline.store.statements import statement

# A name on the disk may hold bytes that are no letters; no text that is stored may. They stand for them in private use.
_STORED: Final = {0xDC00 + byte: 0xF700 + byte for byte in range(0x80, 0x100)}
_ON_DISK: Final = {stored: byte for byte, stored in _STORED.items()}


@dataclass(frozen=True)
class Standing:
    """Whether a file is known to stand at its path, and what stood there before and stands nowhere else."""

    known_here: bool
    replaced: tuple[str, ...]  # file ids
    rank_floor: str  # the highest rank of these

    def outranks(self, known: KnownFile) -> bool:
        """Whether what a file replaced ranks above it as it was loaded, so that it must be loaded anew."""
        return known.status == LOADED and self.rank_floor > known.rank


def path_of(source: SourceFile) -> str:
    """Return the whole path of a file, whatever folder the command was started in."""
    path = source.path.absolute().as_posix()
    return from_disk(f"{path}!{source.member}" if source.member else path)


def from_disk(name: str) -> str:
    """Return a path of the disk as the book keeps it."""
    return name if name.isascii() else name.translate(_STORED)


def to_disk(stored: str) -> str:
    """Return a path that the book keeps as the disk has it."""
    return stored if stored.isascii() else stored.translate(_ON_DISK)


def standing_of(book: Book, source: SourceFile) -> Standing:
    """Return what the book knows of the path of a file that was found there now."""
    values = {"path": path_of(source), "file_id": source.file_id}
    known_here, replaced, floor = book.rows(statement("query", "standing_at"), values)[0]
    return Standing(bool(known_here), tuple(replaced or ()), floor or "")


def note_standing(book: Book, source: SourceFile) -> None:
    """Enter that a file stands at its path and nothing else does; its rejects are open (again)."""
    values = {"path": path_of(source), "file_id": source.file_id, "seen_at": now()}
    for name in ("leave_path", "enter_path", "reopen_rejects"):
        book.run(statement("load", name), values)


def paths_standing(book: Book) -> list[str]:
    """Return every path at which a file stands, as far as the book knows."""
    return [to_disk(row[0]) for row in book.rows(statement("query", "paths_standing"))]


def note_gone(book: Book, paths: Iterable[str]) -> None:
    """Enter that nothing stands at these paths any more; the rows that came from there stay."""
    if gone := sorted(map(from_disk, paths)):
        book.run(statement("load", "leave_paths"), {"paths": gone})
