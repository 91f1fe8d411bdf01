"""The dry run: what reading files would accept and reject. It stores nothing, and holds one block of rows at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from flows.reading_settings import listed_files, settings_for
from pipeline.check.checking import check_rows
from pipeline.errors import InputError, RejectedError
from pipeline.progress import Progress
from pipeline.read.reading import read_file
from pipeline.read.recognition.sisters import agreed
from pipeline.read.rows import FileRead, no_rejects
from pipeline.workspace import Workspace
from schemas.vocabulary import NEEDS_PROFILE


@dataclass(frozen=True)
class CheckedFile:
    """What reading one file would give."""

    name: str
    status: str
    reason: str
    accepted: int
    rejects: pl.DataFrame
    notes: tuple[str, ...]

    @property
    def rejected(self) -> int:
        return self.rejects["row_number"].n_unique() if self.rejects.height else 0

    def lines(self, most: int) -> list[str]:
        """Return a line, its notes, and its problems: each said once with the rows that have it."""
        if self.status != "loaded":
            return [f"{self.name}: {self.status}. {self.reason}"]
        lines = [f"{self.name}: {self.accepted:,} rows would be accepted, {self.rejected:,} rejected"]
        lines += [f"  note: {note}" for note in self.notes]
        problems = self.rejects.group_by("message", maintain_order=True).agg("row_number")
        for message, rows in problems.head(most).iter_rows():
            more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
            lines.append(f"  row {rows[0]}{more}: {message}")
        if problems.height > most:
            lines.append(f"  and {problems.height - most} more kinds of problem")
        return lines


@dataclass(frozen=True)
class CheckResult:
    """What reading would accept and reject."""

    files: tuple[CheckedFile, ...]

    def details(self, most: int = 20) -> str:
        """Return a line a file and the problems of each."""
        return "\n".join(line for file in self.files for line in file.lines(most))

    def require_readable(self) -> None:
        """Raise InputError where none of the files could be read."""
        if not any(file.status == "loaded" for file in self.files):
            raise InputError("None of the files could be read.")

    def require_no_rejects(self) -> None:
        """Raise RejectedError where a row would be rejected."""
        if rejected := sum(file.rejected for file in self.files):
            raise RejectedError(f"{rejected} rows would be rejected.")


def check(sources: list[Path], workspace: Workspace, progress: Progress) -> CheckResult:
    """Read and check without storing anything.

    Raises
    ------
    InputError
        When a source does not exist.
    """
    paths = [Path(found.path) for found in listed_files(sources)]
    settings = settings_for(workspace, sources, paths)
    files: dict[Path, list[CheckedFile]] = {}
    told: set[str] = set()
    with progress.step("check", total=len(paths)) as step:
        for path in paths:
            reads = read_file(path, settings)
            told |= {file_read.told for file_read in reads if file_read.told is not None}
            files[path] = [_checked(file_read) for file_read in reads]
            step.advance(note=path.name)
    knowing = replace(settings, heads=agreed(sorted(told)))
    for path in paths if told else ():
        if any(checked.status == NEEDS_PROFILE for checked in files[path]):
            files[path] = [_checked(file_read) for file_read in read_file(path, knowing)]
    return CheckResult(tuple(checked for path in paths for checked in files[path]))


def _checked(file_read: FileRead) -> CheckedFile:
    accepted, rejects, notes = 0, [no_rejects()], dict[str, None]()
    for table in map(check_rows, file_read.tables):
        accepted += table.rows.height
        notes |= dict.fromkeys(table.notes)
        if table.rejects.height:
            rejects.append(table.rejects)
    told = pl.concat(rejects, how="diagonal_relaxed")
    return CheckedFile(file_read.source.name, file_read.status, file_read.reason, accepted, told, tuple(notes))
