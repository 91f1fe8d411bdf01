"""Tells files that are still being written, or that vanish while they are read, from files that stand still.

It compares size and time of change before and after; a fresh file that stands still is read at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from pipeline.clock import now
from pipeline.read.rows import TableRead

JUST_NOW_S: Final = 2.0
"""A file that changed since the run began, and this lately, is in the hands of its writer."""


class Stamp(NamedTuple):
    """What changes when a file is written to."""

    size: int
    changed_ns: int


class UnfinishedError(Exception):
    """A file is left for the next run; `str()` is a sentence for the user."""


def stamp_of(path: Path) -> Stamp | None:
    """Return the size and time of change of a file, None where it is not there or cannot be looked at."""
    try:
        found = path.stat()
    except OSError:
        return None
    return Stamp(found.st_size, found.st_mtime_ns)


def is_fresh(stamp: Stamp | None) -> bool:
    """Return whether a file changed just now; a time of change that lies ahead says nothing."""
    return stamp is not None and 0 <= now().timestamp() - stamp.changed_ns / 1e9 < JUST_NOW_S


def fresh_last(stamps: dict[Path, Stamp | None]) -> list[Path]:
    """Return the paths in their order, those that changed just now last: their writers get the time of the others."""
    fresh = {path for path, stamp in stamps.items() if is_fresh(stamp)}
    return [*(path for path in stamps if path not in fresh), *(path for path in stamps if path in fresh)]


def before_reading(path: Path, at_start: Stamp | None) -> Stamp:
    """Return the stamp of a file that is to be read now.

    Raises
    ------
    UnfinishedError
        When it is gone, or has been growing since the run began.
    """
    stamp = stamp_of(path)
    if stamp is None:
        raise UnfinishedError(_gone(path))
    if at_start is not None and stamp != at_start and is_fresh(stamp):
        raise UnfinishedError(_growing(path))
    return stamp


def after_reading(path: Path, before: Stamp) -> None:
    """Raise UnfinishedError where a file is no longer what it was before it was read."""
    stamp = stamp_of(path)
    if stamp is None:
        raise UnfinishedError(_gone(path))
    if stamp != before:
        raise UnfinishedError(_growing(path))


def watched(tables: Iterable[TableRead], path: Path, before: Stamp) -> Iterator[TableRead]:
    """Pass the chunks of a file on, and raise UnfinishedError at their end where the file changed meanwhile."""
    try:
        yield from tables
    except OSError:
        after_reading(path, before)
        raise
    after_reading(path, before)


def _growing(path: Path) -> str:
    return f"{path.as_posix()}: still being written; nothing of it was stored. The next run reads it."


def _gone(path: Path) -> str:
    return f"{path.as_posix()}: it was there when the run began and is gone; nothing of it was stored."
