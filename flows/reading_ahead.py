"""Opens the next large file and reads its first rows in a thread of its own while the one before it is stored.

What it begins is a guess: whoever takes it looks at the book again, and a file whose beginning failed is begun anew in
the usual way. It stores nothing.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice
from pathlib import Path
from threading import Thread
from typing import Final

from pipeline.check.checking import check_rows
from pipeline.logs import log
from pipeline.read.files import OpenedFile
from pipeline.read.reading import open_file, read_opened
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings
from pipeline.read.text import BLOCK_BYTES
from pipeline.read.unfinished import Stamp, before_reading, is_fresh
from pipeline.store.accounts import account_of
from pipeline.store.book import Book

LEAST_BYTES: Final = 1 << 20
"""A smaller file is read sooner than a thread helps."""


@dataclass(frozen=True)
class Begun:
    """A path whose reading has begun."""

    path: Path
    seen_ns: int  # when its stamp was looked at
    stamp: Stamp
    settings: ReadSettings
    opened: Sequence[OpenedFile | FileRead]
    read: FileRead | None = None  # of the one file in it, its rows checked and the first of them drawn

    @property
    def is_short(self) -> bool:
        """Whether its rows come in one piece, as far as its size tells."""
        return self.stamp.bytes <= BLOCK_BYTES


def begin(path: Path, at_start: Stamp | None, settings: ReadSettings) -> Begun:
    """Open a path; UnfinishedError as `before_reading` raises it."""
    seen_ns = time.time_ns()
    stamp = before_reading(path, at_start)
    return Begun(path, seen_ns, stamp, settings, open_file(path, settings))


class ReadingAhead:
    """At most one file that is begun ahead of its turn."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._thread: Thread | None = None
        self._begun: Begun | None = None

    def begin(self, path: Path, at_start: Stamp | None, settings: ReadSettings) -> None:
        """Begin a file in a thread, where it is large and nobody is about to write it; one at a time."""
        if self._thread is not None or at_start is None or at_start.bytes < LEAST_BYTES or is_fresh(at_start):
            return
        own = replace(self._book, connection=self._book.connection.cursor())
        self._thread = Thread(target=self._begin, args=(own, path, at_start, settings), daemon=True)
        self._thread.start()

    def _begin(self, book: Book, path: Path, at_start: Stamp, settings: ReadSettings) -> None:
        try:
            begun = begin(path, at_start, settings)
            first = begun.opened[0]
            if len(begun.opened) == 1 and account_of(book, first.source) is None:
                begun = replace(begun, read=_first_drawn(read_opened(first, settings)))
            self._begun = begun
        except Exception as error:  # it comes again, and is told, when the file has its turn
            log("reading ahead failed", name=path.as_posix(), error=str(error))
        finally:
            book.connection.close()

    def take(self, path: Path, settings: ReadSettings) -> Begun | None:
        """Return the file that was begun, None where it is another one or was begun with other settings."""
        self.give_up()
        begun, self._begun = self._begun, None
        return begun if begun is not None and begun.path == path and begun.settings is settings else None

    def give_up(self) -> None:
        """Wait for the thread."""
        if self._thread is not None:
            self._thread.join()
            self._thread = None


def _first_drawn(file_read: FileRead) -> FileRead:
    tables = map(check_rows, file_read.tables)
    first = list(islice(tables, 1))
    return replace(file_read, tables=chain(first, tables))
