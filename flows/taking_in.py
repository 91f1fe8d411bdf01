"""Reads, checks and stores one file. Imported when the first one is to be read: most runs of a schedule read none."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from flows.reading_ahead import Begun
from pipeline.check.checking import check_rows
from pipeline.errors import SpindlebookError
from pipeline.read.deciding import Deciding
from pipeline.read.files import OpenedFile, unreadable
from pipeline.read.reading import read_opened
from pipeline.read.rows import FileRead, SourceFile, TableRead
from pipeline.read.unfinished import UnfinishedError, after_reading, watched
from pipeline.store.accounts import FileCounts, account_of
from pipeline.store.book import Book
from pipeline.store.loading import left_as_is, load_file
from pipeline.store.standing import path_of
from schemas.vocabulary import NEEDS_PROFILE


class ReadingFault(SpindlebookError):
    """A fault of ours while one file was read: nothing of it was stored, and the next run tries it again."""

    def __init__(self, source: SourceFile, error: Exception) -> None:
        self.source = source
        said = f"{type(error).__name__}: {error}".splitlines()[0]
        super().__init__(
            f"A fault in spindlebook, not in your file, while {source.name} was read ({said}). The other files were "
            "read; the next run tries this one again. Run with --debug in front of the command for the details."
        )


def take_in(
    book: Book, begun: Begun, deciding: Deciding, when_read: Callable[[], None]
) -> list[tuple[str, FileCounts]]:
    """Read and store what a path holds, but for files that the book holds as they would be read now.

    `when_read` is called, perhaps in a thread, when the last rows of a file are read and about to be stored. Returns
    where each of its files stands, and what became of it.

    Raises
    ------
    UnfinishedError
        With nothing stored, where the file is no longer what it was before.
    ReadingFault
        A fault of ours; the file is recorded as unreadable.
    """
    return [_take_in(book, opened, begun, deciding, when_read) for opened in begun.opened]


def record_fault(book: Book, fault: ReadingFault) -> FileCounts:
    """Record the file of a fault as unreadable, to be read again by the next run."""
    return load_file(book, unreadable(fault.source, str(fault)), "")


def _take_in(
    book: Book, opened: OpenedFile | FileRead, begun: Begun, deciding: Deciding, when_read: Callable[[], None]
) -> tuple[str, FileCounts]:
    source, at, path = opened.source, begun.path.as_posix(), begun.path
    known = account_of(book, source)
    if known is not None:
        fingerprint = deciding.fingerprint(at, known.shape, refused=known.status == NEEDS_PROFILE)
        if left_as_is(book, source, known, fingerprint):
            return path_of(source), FileCounts.of(known, already_known=True)
    if begun.read is None:
        with _faults_of(source):
            file_read = read_opened(opened, begun.settings)
        file_read = replace(file_read, tables=map(check_rows, file_read.tables))
    else:
        file_read = begun.read
    if file_read.status != "loaded":
        after_reading(path, begun.stamp)
    told = _told(file_read.tables, when_read, is_short=begun.is_short)
    file_read = replace(file_read, tables=_without_faults(source, watched(told, path, begun.stamp)))
    fingerprint = deciding.fingerprint(at, file_read.shape, refused=file_read.status == NEEDS_PROFILE)
    return path_of(source), load_file(book, file_read, fingerprint)


def _told(tables: Iterable[TableRead], when_read: Callable[[], None], *, is_short: bool) -> Iterator[TableRead]:
    """Pass the chunks of a file on, and tell when the last is read: that of a short file is the first."""
    for table in tables:
        if is_short:
            when_read()
        yield table
    when_read()


@contextmanager
def _faults_of(source: SourceFile) -> Iterator[None]:
    """Turn what a reader never should raise into a fault of one file, so that the others are read all the same."""
    try:
        yield
    except (SpindlebookError, UnfinishedError):
        raise
    except Exception as error:
        raise ReadingFault(source, error) from error


def _without_faults(source: SourceFile, tables: Iterable[TableRead]) -> Iterator[TableRead]:
    with _faults_of(source):
        yield from tables
