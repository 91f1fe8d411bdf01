"""The steps of a run as plain functions: ingest, derive, publish, and the commands made of them. No orchestrator here.

Each opens the book itself, so that a scheduled run can try one of them again.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from flows.summary import correction_lines, count, summary, taken_up_lines
from pipeline import resources
from pipeline.check.checking import check_rows
from pipeline.clock import now
from pipeline.derive.relations import load_relations
from pipeline.errors import InputError, RejectedError, SpindlebookError
from pipeline.logs import log
from pipeline.progress import Progress
from pipeline.read.devices_xml import digest_of_devices, documents_above, find_devices
from pipeline.read.files import OpenedFile, find_sources, real_paths, unreadable
from pipeline.read.itemnotes import STREAMS
from pipeline.read.reading import ReadSettings, SourceRule, open_file, read_file, read_opened, source_rule
from pipeline.read.recognition.proposing import VERSION, Proposal
from pipeline.read.rows import FileRead, SourceFile, TableRead, no_rejects
from pipeline.read.unfinished import (
    Stamp,
    UnfinishedError,
    after_reading,
    before_reading,
    fresh_last,
    stamp_of,
    watched,
)
from pipeline.report import freezing
from pipeline.report.changes import month_changes
from pipeline.report.month_words import standing_sentence
from pipeline.report.month_workbook import MonthFrames, write_month_workbook
from pipeline.report.notes import book_notes
from pipeline.report.quarantine import profile_command
from pipeline.report.queries import Narrowed, query, require_marts, site_frames
from pipeline.report.quoting import PastRuns, quote
from pipeline.report.restating import restatements
from pipeline.report.stated import narrowed_months, stated_losses, stated_months
from pipeline.store.accounting import audit_store, fingerprint, require
from pipeline.store.accounts import FileCounts, account_of
from pipeline.store.book import Book, open_book
from pipeline.store.frozen import history
from pipeline.store.loading import left_as_is, load_file
from pipeline.store.standing import note_gone, paths_standing
from pipeline.workspace import SHOP_FILE, Workspace
from schemas.vocabulary import NEEDS_PROFILE

if TYPE_CHECKING:
    from dashboards.site_data import SiteData

DERIVED = "derived_from"
PUBLISHED = "published_from"
LOADING_MEMORY_MB = 500  # what the book may take beside the blocks being read, so that 2 GB do for a file of any size


class ReadingFault(SpindlebookError):
    """A fault of ours while one file was read: nothing of it was stored, and the next run tries it again."""

    def __init__(self, source: SourceFile, error: Exception) -> None:
        self.source = source
        said = f"{type(error).__name__}: {error}".splitlines()[0]
        super().__init__(
            f"A fault in spindlebook, not in your file, while {source.name} was read ({said}). The other files were "
            "read; the next run tries this one again. Run with --debug in front of the command for the details."
        )


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
        lines += self.left
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


def run(sources: list[Path], workspace: Workspace, progress: Progress) -> tuple[str, IngestResult]:
    """Ingest, derive and publish; return the one-screen summary and what became of each file."""
    ingested = ingest(sources, workspace, progress)
    ingested.require_readable()
    derive_marts(workspace, progress)
    publish_site(workspace, progress, only_if_changed=True)
    with open_book(workspace.book_path, read_only=True) as book:
        notes = (*workspace.notes, *book_notes(book, workspace.shop_path.exists()))
        return summary(book, workspace, ingested.summary(), notes), ingested


def demo(folder: Path, progress: Progress) -> str:
    """Lay the bundled sample logs out in a workspace and run them."""
    folder.mkdir(parents=True, exist_ok=True)
    with resources.folder("sample_logs") as samples:
        for name in (SHOP_FILE, "profiles", "exports"):
            source, target = samples / name, folder / name
            if source.is_dir():
                shutil.copytree(source, target, dirs_exist_ok=True)
            else:
                shutil.copyfile(source, target)
    text, _ = run([folder / "exports"], Workspace(folder), progress)
    return text


def _settings(workspace: Workspace, operator_key: bytes, sources: Iterable[Path]) -> ReadSettings:
    """What reading needs of the workspace, and of what the user named."""
    shop = workspace.shop
    rules = [
        SourceRule(
            source.files,
            workspace.profile(source.profile) if source.profile else None,
            source.timezone,
            source.machine,
        )
        for source in shop.source
    ]
    return ReadSettings(
        zone=shop.shop.timezone,
        sources=rules,
        record_operators=shop.shop.record_operators,
        operator_key=operator_key,
        tool_change_s={m.id: m.tool_change_s for m in shop.machine if m.tool_change_s is not None},
        machines=_machine_names(workspace),
        limits=shop.limits,
        roots=real_paths(sources),
    )


def _machine_names(workspace: Workspace) -> dict[str, str]:
    """Return the ids of machines by id and by name, in small letters; a name that two machines bear is none."""
    machines = workspace.shop.machine
    names = [machine.name.casefold() for machine in machines if machine.name]
    by_name = {m.name.casefold(): m.id for m in machines if m.name and names.count(m.name.casefold()) == 1}
    return {**by_name, **{machine.id.casefold(): machine.id for machine in machines}}


def _with_devices(settings: ReadSettings, sources: Iterable[Path], paths: Iterable[Path]) -> ReadSettings:
    """Return the settings with the devices documents among the files, and in the folders above what the user named."""
    return replace(settings, devices=find_devices([*paths, *documents_above(sources)], settings.limits, settings.roots))


def _reading_fingerprint(path: Path, settings: ReadSettings, shape: str, *, refused: bool = False) -> str:
    """Return a hash of what decides how a file is read: profile, [[source]] entry, the shop's zone, the limits.

    Without a profile, the machines of shop.toml decide too. What the book knows may only make a file sure that was
    `refused`, so that the order of files is no matter. Devices documents decide how streams are read.
    """
    rule = source_rule(path.as_posix(), settings.sources)
    profile = rule.profile.model_dump_json() if rule.profile else repr((VERSION, sorted(settings.machines.items())))
    limits = settings.limits.model_dump_json()
    known = (sorted(settings.programs), sorted(settings.jobs)) if refused else ()
    devices = digest_of_devices(settings.devices, path.as_posix()) if shape in STREAMS else ""
    decides = (settings.zone, settings.record_operators, rule.timezone, rule.machine, profile, limits, known, devices)
    return hashlib.sha256(repr(decides).encode()).hexdigest()


def _checked(file_read: FileRead) -> FileRead:
    return replace(file_read, tables=map(check_rows, file_read.tables))


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


def _found(sources: Iterable[Path]) -> list[Path]:
    sources = list(sources)
    if missing := [str(source) for source in sources if not source.exists()]:
        raise InputError(f"There is no such file or folder: {', '.join(missing)}. Check the name and run again.")
    return list(find_sources(sources))


def ingest(sources: list[Path], workspace: Workspace, progress: Progress) -> IngestResult:
    """Read, check and store every file that the book does not hold as it is; one transaction a file.

    Raises
    ------
    InputError
        When a source does not exist. A file that cannot be read is recorded and the run goes on.
    """
    paths = _found(sources)
    counts: dict[str, FileCounts] = {}
    opening = open_book(workspace.book_path, memory_mb=LOADING_MEMORY_MB)
    with opening as book, progress.step("read", total=len(paths)) as step:
        settings = _with_devices(_settings(workspace, book.operator_key(), sources), sources, paths)
        settings = _knowing(book, settings)
        by_file_id: dict[str, Path] = {}
        refused: dict[str, Path] = {}
        left: list[str] = []
        faults: list[ReadingFault] = []
        at_start = {path: stamp_of(path) for path in paths}
        waiting = fresh_last(at_start)
        while waiting:
            path = waiting.pop(0)
            try:
                stamp = before_reading(path, at_start[path])
                taken_in = [_take_in(book, opened, path, stamp, settings) for opened in open_file(path, settings)]
            except UnfinishedError as error:
                left.append(str(error))
                taken_in = []
            except ReadingFault as fault:
                faults.append(fault)
                taken_in = [load_file(book, unreadable(fault.source, str(fault)), "")]
            for done in taken_in:
                by_file_id[done.file_id] = path
                log(
                    "file known" if done.already_known else "file read",
                    name=done.name,
                    status=done.status,
                    rows_read=done.rows_read,
                    rows_loaded=done.rows_loaded,
                    rows_rejected=done.rows_rejected,
                )
                first = counts.get(done.file_id)
                counts[done.file_id] = done if first is None or first.already_known else counts[done.file_id]
                waiting += [by_file_id[stale] for stale in done.stale_files if stale in by_file_id]
                if done.status == NEEDS_PROFILE:
                    refused[done.file_id] = path
            step.advance(note=path.name)
            if not waiting and refused and (knowing := _knowing(book, settings)) != settings:
                settings, waiting, refused = knowing, list(dict.fromkeys(refused.values())), {}
        note_gone(book, _gone(paths_standing(book), sources))
        require(audit_store(book))
        settled = _settled(book, counts)
        new = [done.file_id for done in settled if not done.already_known]
        corrections = query(book, "corrections").filter(pl.col("file_id").is_in(new) | pl.col("by_file_id").is_in(new))
    return IngestResult(settled, str(workspace.folder), corrections, tuple(left), tuple(faults))


def _gone(standing: Iterable[str], sources: Iterable[Path]) -> list[str]:
    """Return the paths in the folders at hand where files stood and stand no longer; a zip stands for its members."""
    roots = [source.absolute().as_posix() for source in sources]
    here = [path for path in standing if any(path == root or path.startswith(f"{root}/") for root in roots)]
    return [path for path in here if not Path(path).exists() and not Path(path.partition("!")[0]).exists()]


def _take_in(book: Book, opened: OpenedFile | FileRead, path: Path, stamp: Stamp, settings: ReadSettings) -> FileCounts:
    """Read and store one file, unless the book holds it as it would be read now.

    Raises UnfinishedError, with nothing stored, where the file at `path` is no longer what it was before.
    """
    known = account_of(book, opened.source)
    if known is not None:
        fingerprint = _reading_fingerprint(path, settings, known.shape, refused=known.status == NEEDS_PROFILE)
        if left_as_is(book, opened.source, known, fingerprint):
            return FileCounts.of(known, already_known=True)
    with _faults_of(opened.source):
        file_read = read_opened(opened, settings)
    if file_read.status != "loaded":
        after_reading(path, stamp)
    tables = watched(map(check_rows, file_read.tables), path, stamp)
    file_read = replace(file_read, tables=_without_faults(file_read.source, tables))
    fingerprint = _reading_fingerprint(path, settings, file_read.shape, refused=file_read.status == NEEDS_PROFILE)
    return load_file(book, file_read, fingerprint)


def _knowing(book: Book, settings: ReadSettings) -> ReadSettings:
    """Return the settings with the programs and jobs that the book holds now."""
    ids = query(book, "known_ids")
    told = {kind: frozenset(ids.filter(pl.col("kind") == kind)["id"]) for kind in ("program", "job")}
    return replace(settings, programs=told["program"], jobs=told["job"])


def _settled(book: Book, counts: dict[str, FileCounts]) -> tuple[FileCounts, ...]:
    """Return the counts as they stand at the end: a later file may have overruled rows of an earlier one."""
    stands = {row["file_id"]: row for row in query(book, "quality").iter_rows(named=True)}
    names = ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped")
    return tuple(replace(done, **{name: stands[file_id][name] for name in names}) for file_id, done in counts.items())


def check(sources: list[Path], workspace: Workspace, progress: Progress) -> CheckResult:
    """Read and check without storing anything."""
    paths = _found(sources)
    settings = _with_devices(_settings(workspace, b"", sources), sources, paths)
    files = []
    with progress.step("check", total=len(paths)) as step:
        for path in paths:
            for file_read in read_file(path, settings):
                tables = list(_checked(file_read).tables)
                files.append(
                    CheckedFile(
                        file_read.source.name,
                        file_read.status,
                        file_read.reason,
                        sum(table.rows.height for table in tables),
                        pl.concat([no_rejects(), *(table.rejects for table in tables)], how="diagonal_relaxed"),
                        tuple(dict.fromkeys(note for table in tables for note in table.notes)),
                    )
                )
            step.advance(note=path.name)
    return CheckResult(tuple(files))


def propose_profile(path: Path, workspace: Workspace) -> tuple[str, Proposal | None]:
    """Return what a file was recognised as, whatever profile it has: why it is not read (or nothing), and the proposal.

    Raises
    ------
    InputError
        When there is no such file or it cannot be read.
    """
    settings = replace(_with_devices(_settings(workspace, b"", [path]), [path], [path]), sources=())
    reads = read_file(path, settings) if path.is_file() else []
    if not reads:
        raise InputError(f"{path}: there is no such file. A profile is proposed for one file at a time.")
    asked = next((file_read for file_read in reads if file_read.proposal), reads[0])
    if asked.status == "unreadable":
        raise InputError(f"{asked.source.name}: {asked.reason}")
    return asked.reason, asked.proposal


def _derive_fingerprint(book: Book, workspace: Workspace) -> str:
    """What the marts depend on: accepted rows, shop.toml and the relations themselves."""
    sql = "".join(relation.sql for schema in ("core", "mart") for relation in load_relations(schema))
    return hashlib.sha256((fingerprint(book) + workspace.settings_fingerprint() + sql).encode()).hexdigest()


def derive_marts(workspace: Workspace, progress: Progress, *, force: bool = False) -> bool:
    """Rebuild the marts where something that they depend on changed; return whether it did."""
    from pipeline.derive.deriving import derive

    with open_book(workspace.book_path) as book:
        wanted = _derive_fingerprint(book, workspace)
        if not force and book.note(DERIVED) == wanted:
            return False
        derive(book, workspace.shop, progress)
        book.keep_note(DERIVED, wanted)
        log("derived", book=str(workspace.book_path))
    return True


def publish_site(workspace: Workspace, progress: Progress, *, only_if_changed: bool = False) -> list[Path]:
    """Write the site; return its files (those that stand, where nothing changed)."""
    from dashboards.site import publish

    site = workspace.site_folder
    with open_book(workspace.book_path) as book:
        require_marts(book)
        derived_from = book.note(DERIVED) or ""
        if only_if_changed and book.note(PUBLISHED) == derived_from and (site / "index.html").exists():
            return sorted(site.rglob("*.*"))
        with progress.step("publish"):
            changes = month_changes(query(book, "changes"), query(book, "month_jobs"))
            frames = {**site_frames(book), "changes": changes, **_month_frames(book, workspace)}
            written = publish(_site_data(book, workspace, frames), site)
        book.keep_note(PUBLISHED, derived_from)
        log("published", site=str(site), files=len(written))
    return written


def _month_frames(book: Book, workspace: Workspace) -> dict[str, pl.DataFrame]:
    """Return the frames that a month's page shows: what is stated of it, and what would be otherwise."""
    return {
        "utilisation": stated_months(book),
        "losses": stated_losses(book),
        "restatements": restatements(book, workspace.shop),
        "freezings": history(book),
    }


def _site_data(book: Book, workspace: Workspace, frames: dict[str, pl.DataFrame]) -> SiteData:
    from dashboards.site_data import SiteData

    shop = workspace.shop.shop
    first_at, last_at = query(book, "extent").row(0)
    return SiteData(
        shop_name=shop.name,
        currency=shop.currency,
        timezone=shop.timezone,
        built_at=now(),
        tolerance=shop.tolerance,
        unknown_reason=shop.unknown_reason,
        least_coverage=shop.least_coverage,
        notes=(*workspace.notes, *book_notes(book, workspace.shop_path.exists())),
        first_at=first_at,
        last_at=last_at,
        **frames,
    )


def month_page(month: str, workspace: Workspace) -> str:
    """Return a month as one page to print that needs no other file.

    Raises
    ------
    InputError
        When nothing was derived yet, or the book has no machine time in the month.
    """
    from dashboards.site import month_alone
    from dashboards.site_data import empty_frames

    with open_book(workspace.book_path, read_only=True) as book:
        require_marts(book)
        frames = {**empty_frames(), "machines": query(book, "machines"), **_month_frames(book, workspace)}
        _require_month(frames["utilisation"], month)
        return month_alone(_site_data(book, workspace, frames), month)


def month_workbook(narrowed: Narrowed, workspace: Workspace, path: Path) -> None:
    """Write the workbook of a month, of all machines or of one.

    Raises
    ------
    InputError
        When nothing was derived yet, or the book has no machine time in the month.
    """
    month, shop = narrowed.month or "", workspace.shop.shop
    with open_book(workspace.book_path, read_only=True) as book:
        require_marts(book)
        frames = {
            name: frame if name == "freezings" else narrowed_months(frame, narrowed)
            for name, frame in _month_frames(book, workspace).items()
        }
    machines = frames["utilisation"]
    _require_month(machines, month)
    standing = standing_sentence(month, machines, frames["freezings"], shop.zone)
    write_month_workbook(
        MonthFrames(month, shop.name, shop.currency, standing, machines, frames["losses"], frames["restatements"]), path
    )


def _require_month(months: pl.DataFrame, month: str) -> None:
    if months.filter(pl.col("month") == month).is_empty():
        raise InputError(
            f"{month}: the book has no machine time in this month. `spindlebook report utilisation` has all."
        )


def freeze_month(month: str, workspace: Workspace, progress: Progress, *, undo: bool = False) -> list[str]:
    """Freeze a month's figures as the book gives them now, or take that back; publish, and say what was done.

    Raises
    ------
    UsageError
        When the month is not over, has no time in it, or is frozen (with `undo`: is not frozen).
    """

    with open_book(workspace.book_path) as book:
        require_marts(book)
    derive_marts(workspace, progress)
    with open_book(workspace.book_path) as book:
        if undo:
            freezing.undo(book, month, now())
            said = [f"{month} is open again. The book keeps that it was frozen, and until when."]
        else:
            frozen = freezing.freeze(book, month, workspace.shop, now())
            page = workspace.site_folder / f"month-{month}.html"
            said = [
                *frozen.warnings,
                f"{month} is frozen, with the figures of {count(frozen.machines, 'machine')}. To print: {page}",
            ]
        book.keep_note(PUBLISHED, "")
    publish_site(workspace, progress)
    return said


def quote_file(path: Path, workspace: Workspace, progress: Progress) -> pl.DataFrame:
    """Return the estimate lines of a file with predictions.

    Raises
    ------
    InputError
        When the file holds no estimate lines or one of them is wrong.
    """
    settings = _settings(workspace, b"", [path])
    lines, problems = [], []
    for found in _found([path]):
        for file_read in read_file(found, settings):
            if file_read.status != "loaded":
                raise InputError(f"{file_read.source.name}: {file_read.status}. {file_read.reason}")
            for table in _checked(file_read).tables:
                problems += table.rejects["message"].to_list()
                lines += [table.rows] if table.kind == "estimate" else []
    if problems:
        raise InputError("\n".join([f"{path}: these lines must be mended before they can be quoted:", *problems[:20]]))
    if not lines:
        raise InputError(
            f"{path}: no estimate lines found. A quote needs job or program, operation and a time in each."
        )
    with open_book(workspace.book_path, read_only=True) as book:
        require_marts(book)
        past = PastRuns(
            factors=query(book, "quoting"),
            drift=query(book, "jobs"),
            spread=book.frame("from mart.run_spread"),
            tool_costs=query(book, "tool_costs"),
            machines=query(book, "machines"),
            orders=query(book, "orders"),
            materials=book.frame("from core.material"),
        )
    return quote(pl.concat(lines).drop("row_number", "line", "raw"), past)
