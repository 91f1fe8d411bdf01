"""Tells files that are still being written, or that vanish while they are read, from files that stand still.

It compares what the disk says of a file before and after; a fresh file that stands still is read at once.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

from pipeline.clock import now
from pipeline.read.rows import TableRead

JUST_NOW_S: Final = 2.0
"""A file that changed since the run began, and this lately, is in the hands of its writer."""


SETTLED_NS: Final = 3_000_000_000
"""A stamp this old tells every later change; the clocks of file systems tick in steps of two seconds and less."""
_DAY_NS: Final = 86_400_000_000_000

P = TypeVar("P", str, Path)


class Stamp(NamedTuple):
    """What the disk says of a file: some of it changes whenever its content does.

    Tools that copy or unpack put the time of modification back, and an editor may keep the size; the time of change is
    the system's own, and nobody sets it. A file that was moved over another has another inode. The device is left out:
    its number changes when a disk is mounted anew. (Windows tells no time of change, but the time of creation.)
    """

    bytes: int
    modified_ns: int
    changed_ns: int
    inode: int

    def is_settled(self, seen_ns: int) -> bool:
        """Whether a change after `seen_ns`, when the stamp was seen, would have to show in it.

        A change within the tick of the clock in which the file was written before would not. Times that lie far ahead
        come from a wrong clock, and never come to pass while somebody reads.
        """
        ages_ns = (seen_ns - self.modified_ns, seen_ns - self.changed_ns)
        return all(age_ns > SETTLED_NS or age_ns < -_DAY_NS for age_ns in ages_ns)


class UnfinishedError(Exception):
    """A file is left for the next run; `str()` is a sentence for the user."""


def stamp_of(path: str | Path) -> Stamp | None:
    """Return what the disk says of a file, None where it is not there or cannot be looked at."""
    try:
        found = os.stat(path)  # noqa: PTH116 (ten thousand paths a second)
    except OSError:
        return None
    return Stamp(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


def is_fresh(stamp: Stamp | None) -> bool:
    """Return whether a file changed just now; a time that lies ahead says nothing."""
    return stamp is not None and 0 <= now().timestamp() - stamp.modified_ns / 1e9 < JUST_NOW_S


def fresh_last(stamps: Mapping[P, Stamp | None]) -> list[P]:
    """Return the paths in their order, those that changed just now last: their writers get the time of the others."""
    fresh = [path for path, stamp in stamps.items() if is_fresh(stamp)]
    late = set(fresh)
    return [path for path in stamps if path not in late] + fresh


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
