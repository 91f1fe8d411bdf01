"""The steps of a run as plain functions: ingest, derive, publish, and the commands made of them. No orchestrator here.

Each opens the book itself, so that a scheduled run can try one of them again.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from flows.summary import summary
from pipeline import resources
from pipeline.check.checking import check_rows
from pipeline.clock import now
from pipeline.derive.relations import load_relations
from pipeline.errors import InputError, RejectedError
from pipeline.logs import log
from pipeline.progress import Progress
from pipeline.read.files import find_sources, real_paths
from pipeline.read.reading import ReadSettings, SourceRule, read_file, source_rule
from pipeline.read.rows import FileRead, no_rejects
from pipeline.report.notes import book_notes
from pipeline.report.queries import query, require_marts, site_frames
from pipeline.report.quoting import PastRuns, quote
from pipeline.store.accounting import audit_store, fingerprint, require
from pipeline.store.accounts import FileCounts
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file
from pipeline.workspace import SHOP_FILE, Workspace

DERIVED = "derived_from"
PUBLISHED = "published_from"


@dataclass(frozen=True)
class IngestResult:
    """What became of each source file."""

    files: tuple[FileCounts, ...]
    rows_overruled: int = 0
    """Rows of the files read now that lost to another export with other values."""

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
        if self.rows_overruled:
            lines.append(
                f"{self.rows_overruled:,} of the duplicates gave other values and did not hold: of two exports of one "
                "fact the one whose last record is later holds. The site lists them under What came in."
            )
        lines += [f"{counts.name}: {counts.status}. {counts.reason}" for counts in unread]
        return "\n".join(lines)

    def require_readable(self) -> None:
        """Raise InputError where none of the files could be read."""
        if not any(counts.status == "loaded" for counts in self.files):
            raise InputError("None of the files could be read; nothing was stored.")

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
        limits=shop.limits,
        roots=real_paths(sources),
    )


def _reading_fingerprint(path: Path, settings: ReadSettings) -> str:
    """Return a hash of what decides how a file is read: profile, [[source]] entry, the shop's zone, the limits."""
    rule = source_rule(path.as_posix(), settings.sources)
    profile = rule.profile.model_dump_json() if rule.profile else ""
    limits = settings.limits.model_dump_json()
    decides = (settings.zone, settings.record_operators, rule.timezone, rule.machine, profile, limits)
    return hashlib.sha256(repr(decides).encode()).hexdigest()


def _checked(file_read: FileRead) -> FileRead:
    return replace(file_read, tables=map(check_rows, file_read.tables))


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
    with open_book(workspace.book_path) as book, progress.step("read", total=len(paths)) as step:
        settings = _settings(workspace, book.operator_key(), sources)
        by_file_id: dict[str, Path] = {}
        waiting = list(paths)
        while waiting:
            path = waiting.pop(0)
            for file_read in read_file(path, settings):
                by_file_id[file_read.source.file_id] = path
                done = load_file(book, _checked(file_read), _reading_fingerprint(path, settings))
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
            step.advance(note=path.name)
        require(audit_store(book))
        settled = _settled(book, counts)
        new = [done.file_id for done in settled if not done.already_known]
        replaced = book.frame("select file_id, count(*) as rows from raw.superseded group by file_id")
        overruled = int(replaced.filter(pl.col("file_id").is_in(new))["rows"].sum())
    return IngestResult(settled, overruled)


def _settled(book: Book, counts: dict[str, FileCounts]) -> tuple[FileCounts, ...]:
    """Return the counts as they stand at the end: a later file may have overruled rows of an earlier one."""
    stands = {row["file_id"]: row for row in query(book, "quality").iter_rows(named=True)}
    names = ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped")
    return tuple(replace(done, **{name: stands[file_id][name] for name in names}) for file_id, done in counts.items())


def check(sources: list[Path], workspace: Workspace, progress: Progress) -> CheckResult:
    """Read and check without storing anything."""
    paths = _found(sources)
    settings = _settings(workspace, b"", sources)
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
    from dashboards.site_data import SiteData

    site = workspace.site_folder
    with open_book(workspace.book_path) as book:
        require_marts(book)
        derived_from = book.note(DERIVED) or ""
        if only_if_changed and book.note(PUBLISHED) == derived_from and (site / "index.html").exists():
            return sorted(site.rglob("*.*"))
        shop = workspace.shop.shop
        first_at, last_at = query(book, "extent").row(0)
        with progress.step("publish"):
            data = SiteData(
                shop_name=shop.name,
                currency=shop.currency,
                timezone=shop.timezone,
                built_at=now(),
                tolerance=shop.tolerance,
                unknown_reason=shop.unknown_reason,
                notes=(*workspace.notes, *book_notes(book, workspace.shop_path.exists())),
                first_at=first_at,
                last_at=last_at,
                **site_frames(book),
            )
            written = publish(data, site)
        book.keep_note(PUBLISHED, derived_from)
        log("published", site=str(site), files=len(written))
    return written


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
