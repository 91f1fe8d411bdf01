"""Ingest: brings what is new or changed in the folders into the book, one transaction a file.

A path that the disk shows as it was when it was read, and whose files would be read as they were, is known without
being opened. Reading itself is the business of `taking_in.py`.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from flows.reading_settings import listed_files, settings_of
from flows.summary import correction_lines, taken_up_lines
from pipeline.errors import InputError, RejectedError
from pipeline.logs import log
from pipeline.progress import Progress, Step
from pipeline.read.deciding import Deciding
from pipeline.read.devices_xml import DevicesDocument, documents_above, documents_at, may_hold_devices
from pipeline.read.files import Found
from pipeline.read.recognition.sisters import agreed
from pipeline.read.settings import ReadSettings
from pipeline.read.unfinished import Stamp, UnfinishedError, fresh_last, stamp_of
from pipeline.report.quarantine import out_of_reach_lines, profile_command
from pipeline.report.queries import Narrowed, query
from pipeline.store.accounting import audit_store, require
from pipeline.store.accounts import UNREADABLE, FileCounts, settled_counts
from pipeline.store.book import Book, open_book
from pipeline.store.extents import know_extents
from pipeline.store.remembering import (
    Holding,
    StandingFile,
    forget_paths,
    remember_paths,
    standing_files,
    unchanged_paths,
)
from pipeline.store.standing import note_gone, paths_standing
from pipeline.workspace import Workspace
from schemas.vocabulary import NEEDS_PROFILE

if TYPE_CHECKING:
    from flows.reading_ahead import ReadingAhead
    from flows.taking_in import ReadingFault

KNOWN_KINDS: Final = ("program", "job", "machine", "head")
LOADING_MEMORY_MB: Final = 500  # what the book may take beside the blocks being read, so that 2 GB do for any file


@dataclass(frozen=True)
class IngestResult:
    """What became of each source file."""

    files: tuple[FileCounts, ...]
    workspace: str = "."
    corrections: pl.DataFrame | None = None
    """What the files read now gave otherwise than another export, or filled in: as the report of that name has it."""
    left: tuple[str, ...] = ()
    """Sentences on files that are left for the next run."""
    faults: tuple[ReadingFault, ...] = ()
    """Faults of ours at single files; the others came in."""
    out_of_reach: tuple[str, ...] = ()
    """Sentences on files that would be read otherwise now, and stand nowhere any more."""

    @property
    def rows_loaded(self) -> int:
        return sum(counts.rows_loaded for counts in self.files if not counts.already_known)

    @property
    def rows_rejected(self) -> int:
        return sum(counts.rows_rejected for counts in self.files)

    def summary(self) -> str:
        """Return the account of this run in a line or a few."""
        new = [counts for counts in self.files if not counts.already_known]
        known = len(self.files) - len(new)
        unread = [counts for counts in new if counts.status != "loaded"]
        read, loaded, twice, rejected = (
            sum(getattr(counts, name) for counts in new)
            for name in ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected")
        )
        count = f"{len(new) - len(unread)} file{'s' * (len(new) - len(unread) != 1)} read"
        lines = [
            count
            + (f", {len(unread)} not" if unread else "")
            + (f", {known} known already" if known else "")
            + f": {read:,} rows = {loaded:,} loaded + {twice:,} duplicate + {rejected:,} rejected"
        ]
        if self.corrections is not None:
            lines += correction_lines(self.corrections)
        lines += [line for counts in new for line in taken_up_lines(counts)]
        for counts in unread:
            lines.append(f"{counts.name}: {counts.status}. {counts.reason}")
            if counts.status == NEEDS_PROFILE:
                lines.append(f"  Next: {profile_command(counts.name, self.workspace)}")
        lines += [*self.left, *self.out_of_reach]
        return "\n".join(lines)

    def require_no_faults(self) -> None:
        """Raise the first fault of ours."""
        if self.faults:
            raise self.faults[0]

    def require_readable(self) -> None:
        """Raise InputError where none of the files could be read."""
        if not any(counts.status == "loaded" for counts in self.files):
            still = " Some are still being written: run again when they are complete." if self.left else ""
            raise InputError(f"None of the files could be read; nothing was stored.{still}")

    def require_no_rejects(self) -> None:
        """Raise RejectedError where a row was rejected."""
        if self.rows_rejected:
            raise RejectedError(f"{self.rows_rejected} rows were rejected; `spindlebook rejects` says which and why.")


def ingest(sources: list[Path], workspace: Workspace, progress: Progress, *, thorough: bool = False) -> IngestResult:
    """Read, check and store every file that the book does not hold as it is; one transaction a file.

    The laws of the book are asserted of all files that the run touched, and of the whole book when `thorough`.

    Raises
    ------
    InputError
        When a source does not exist. A file that cannot be read is recorded and the run goes on.
    """
    listed = listed_files(sources)
    opening = open_book(workspace.book_path, memory_mb=LOADING_MEMORY_MB)
    with opening as book, progress.step("read", total=len(listed)) as step:
        looked = _look(book, listed, settings_of(workspace, book.operator_key(), sources), sources)
        ingesting = _Ingesting(book, looked, step, sources)
        ingesting.take_in_all()
        remember_paths(book, ingesting.to_remember)
        know_extents(book)
        if thorough:
            require(audit_store(book, thorough=True))
        elif ingesting.touched:
            require(audit_store(book, ingesting.touched))
        return ingesting.result(str(workspace.folder))


@dataclass(frozen=True)
class _Looked:
    """The files in the folders as the disk shows them; none was opened but what may be a devices document."""

    listed: Mapping[str, Found]  # by path
    stamps: Mapping[str, Stamp | None]  # by path
    unchanged: Mapping[str, Holding]  # by whole path: those that are as they were when they were read
    documents: Mapping[str, list[DevicesDocument]]  # by whole path
    above: Mapping[str, tuple[Stamp, Holding]]  # by whole path: documents above the folders, where they are new
    settings: ReadSettings


def _look(book: Book, listed: Sequence[Found], settings: ReadSettings, sources: Iterable[Path]) -> _Looked:
    seen_ns = time.time_ns()
    stamps = {found.path: stamp_of(found.path) for found in listed}
    asked = {found.whole: stamps[found.path] for found in listed if not found.is_link}
    candidates = {found.whole: Path(found.path) for found in listed if may_hold_devices(found.path)}
    above = {path.as_posix(): path for path in documents_above(sources)}
    for whole, path in above.items():
        if whole not in candidates and not path.is_symlink():
            asked[whole] = stamp_of(path)
    shown = {whole: stamp for whole, stamp in asked.items() if stamp is not None}
    unchanged = unchanged_paths(book, shown)
    documents: dict[str, list[DevicesDocument]] = {}
    once = {os.path.normpath(whole): (whole, path) for whole, path in (above | candidates).items()}
    for whole, path in once.values():
        if whole in unchanged:
            known = unchanged[whole].devices
            documents[whole] = [DevicesDocument.remembered(*said, path, settings.limits) for said in known]
        else:
            documents[whole] = documents_at(path, settings.limits, settings.roots)
    fresh = {
        whole: (shown[whole], Holding(devices=_said(documents.get(whole, ()))))
        for whole in above.keys() & shown.keys() - candidates.keys() - unchanged.keys()
        if shown[whole].is_settled(seen_ns) and stamp_of(whole) == shown[whole]
    }
    found = [document for of_path in documents.values() for document in of_path]
    by_path = {one.path: one for one in listed}
    return _Looked(by_path, stamps, unchanged, documents, fresh, replace(settings, devices=found))


def _said(documents: Iterable[DevicesDocument]) -> tuple[tuple[str, str], ...]:
    return tuple((document.folder, document.digest) for document in documents)


class _Ingesting:
    """One pass over the files at hand: what became of each, and what it touched."""

    def __init__(self, book: Book, looked: _Looked, step: Step, sources: Iterable[Path]) -> None:
        self._book, self._looked, self._step, self._sources = book, looked, step, list(sources)
        self._settings, self._deciding = looked.settings, Deciding(looked.settings)
        self._counts: dict[str, FileCounts] = {}  # by file id
        self._paths: dict[str, str] = {}  # of each file id
        self._holdings: dict[str, Holding] = {}  # by path: of those that are done
        self._refused: dict[str, str] = {}  # path by file id
        self._gone_are_noted = False
        self._left: list[str] = []
        self._faults: list[ReadingFault] = []
        self._ahead: ReadingAhead | None = None
        self.touched: set[str] = set()
        self.to_remember: dict[str, tuple[Stamp, Holding]] = dict(looked.above)

    def take_in_all(self) -> None:
        """Take in every file that is not known as it stands, and those that must be read again because of it."""
        self._leave_known()
        waiting = deque(fresh_last({p: s for p, s in self._looked.stamps.items() if p not in self._holdings}))
        if waiting:
            self._know()
        try:
            while waiting or self._more(waiting):
                self._take_in(waiting.popleft(), waiting)
        finally:
            if self._ahead is not None:
                self._ahead.give_up()

    def _leave_known(self) -> None:
        """Account for the paths that show no change and whose files would be read as they were."""
        files = standing_files(self._book, self._looked.unchanged.values())
        if any(file.counts.status == NEEDS_PROFILE for file in files):
            self._know()
        by_place = {(file.path, file.counts.file_id): file for file in files}
        for found in self._looked.listed.values():
            holding = self._looked.unchanged.get(found.whole)
            if holding is None or not holding.files:
                continue
            held = [by_place.get(place) for place in holding.files]
            standing = [file for file in held if file is not None and self._stands_as_it_was(found.path, file)]
            if len(standing) == len(held):
                self._enter(found.path, holding, [file.counts for file in standing])
        known = len(self._holdings)
        self._step.advance(known)
        log("paths known unopened", paths=known)

    def _stands_as_it_was(self, path: str, file: StandingFile) -> bool:
        refused = file.counts.status == NEEDS_PROFILE
        return (
            file.holds
            and file.is_known_here
            and file.reading_fingerprint == self._deciding.fingerprint(path, file.shape, refused=refused)
        )

    def _enter(self, path: str, holding: Holding, told: Iterable[FileCounts]) -> None:
        self._holdings[path] = holding
        for counts in told:
            file_id = counts.file_id
            self._paths[file_id] = path
            first = self._counts.get(file_id)
            taken_up = first is not None and first.status == NEEDS_PROFILE and not counts.already_known
            if first is None or first.already_known or taken_up:
                self._counts[file_id] = counts
            if counts.status == NEEDS_PROFILE:
                self._refused[file_id] = path
            if not counts.already_known:
                self.touched |= {file_id, *counts.changed_files, *counts.stale_files}

    def _take_in(self, path: str, waiting: deque[str]) -> None:
        from flows.reading_ahead import Begun, ReadingAhead, begin
        from flows.taking_in import ReadingFault, record_fault, take_in

        ahead = self._ahead = self._ahead or ReadingAhead(self._book)

        def begin_next() -> None:
            if waiting:
                ahead.begin(Path(waiting[0]), self._looked.stamps[waiting[0]], self._settings)

        found, at_start = self._looked.listed[path], self._looked.stamps[path]
        begun: Begun | None = None
        taken: list[tuple[str, FileCounts]] = []
        try:
            begun = ahead.take(Path(path), self._settings) or begin(Path(path), at_start, self._settings)
            taken = take_in(self._book, begun, self._deciding, begin_next)
        except UnfinishedError as error:
            self._left.append(str(error))
        except ReadingFault as fault:
            self._faults.append(fault)
            taken = [(found.whole, record_fault(self._book, fault))]
        told = [counts for _, counts in taken]
        holding = Holding(
            tuple((place, counts.file_id) for place, counts in taken),
            _said(self._looked.documents.get(found.whole, ())),
        )
        if (
            begun is not None
            and told
            and begun.stamp == at_start == stamp_of(path)
            and begun.stamp.is_settled(begun.seen_ns)
            and not found.is_link
            and all(counts.status != UNREADABLE for counts in told)
        ):
            self.to_remember[found.whole] = (begun.stamp, holding)
        self._enter(path, holding, told)
        for counts in told:
            log(
                "file known" if counts.already_known else "file read",
                name=counts.name,
                status=counts.status,
                rows_read=counts.rows_read,
                rows_loaded=counts.rows_loaded,
                rows_rejected=counts.rows_rejected,
            )
            self._queue(waiting, [self._paths[stale] for stale in counts.stale_files if stale in self._paths])
        self._step.advance(note=found.path.rpartition("/")[2])

    def _queue(self, waiting: deque[str], paths: Sequence[str]) -> None:
        waiting.extend(paths)
        self._step.extend(len(paths))

    def _more(self, waiting: deque[str]) -> bool:
        """Queue what must be read again now that all files were read once; return whether anything must."""
        if self._refused and self._know():
            self._queue(waiting, list(dict.fromkeys(self._refused.values())))
            self._refused = {}
        elif not self._gone_are_noted:
            gone = self._gone()
            note_gone(self._book, gone)
            forget_paths(self._book, gone)
            self._gone_are_noted = True
            if self.touched or gone:
                self._queue(waiting, self._outranked())
        return bool(waiting)

    def _know(self) -> bool:
        """Learn the programs, jobs and machines that the book holds now; return whether they are others than before."""
        know_extents(self._book)
        ids = query(self._book, "known_ids")
        told = {kind: frozenset(ids.filter(pl.col("kind") == kind)["id"]) for kind in KNOWN_KINDS}
        knowing = replace(
            self._settings,
            programs=told["program"],
            jobs=told["job"],
            machines_seen=frozenset(machine.casefold() for machine in told["machine"]),
            heads=agreed(sorted(told["head"])),
        )
        if knowing == self._settings:
            return False
        self._settings, self._deciding = knowing, Deciding(knowing)
        return True

    def _gone(self) -> list[str]:
        """Return the paths in the folders where files stood and stand no longer; a zip stands for its members."""
        found = {one.whole for one in self._looked.listed.values()}
        roots = [source.absolute().as_posix() for source in self._sources]
        inside = tuple(f"{root.rstrip('/')}/" for root in roots)
        missing = (
            path
            for path in paths_standing(self._book)
            if path not in found and path.partition("!")[0] not in found and (path.startswith(inside) or path in roots)
        )
        return [path for path in missing if not Path(path).exists() and not Path(path.partition("!")[0]).exists()]

    def _outranked(self) -> list[str]:
        """Return the paths of files above which something ranks that they replaced, since that stands nowhere now."""
        paths = {file: path for path, holding in self._holdings.items() for file in holding.files}
        standing = standing_files(self._book, self._holdings.values())
        due = (file for file in standing if not file.holds)
        return list(dict.fromkeys(paths[file.path, file.counts.file_id] for file in due))

    def result(self, folder: str) -> IngestResult:
        """Return what became of each file, as it stands at the end."""
        moved = [counts for file_id, counts in self._counts.items() if file_id in self.touched]
        files = self._counts | {counts.file_id: counts for counts in settled_counts(self._book, moved)}
        new = [counts.file_id for counts in files.values() if not counts.already_known]
        corrections = query(self._book, "corrections", Narrowed(file_ids=new)) if new else None
        away = tuple(self._out_of_reach()) if new else ()
        left, faults = tuple(self._left), tuple(self._faults)
        return IngestResult(tuple(files.values()), folder, corrections, left, faults, away)

    def _out_of_reach(self) -> list[str]:
        """Tell files with something to mend that would be read otherwise now, if they still stood anywhere."""
        files = query(self._book, "files_out_of_reach")
        otherwise = [
            fingerprint != self._deciding.fingerprint(path, shape, refused=status == NEEDS_PROFILE)
            for path, shape, fingerprint, status in files.select(
                "path", "shape", "reading_fingerprint", "status"
            ).iter_rows()
        ]
        return out_of_reach_lines(files.filter(pl.Series(otherwise, dtype=pl.Boolean)))
