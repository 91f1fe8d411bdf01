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
from pipeline.progress import Progress
from pipeline.read.files import find_sources
from pipeline.read.reading import ReadSettings, SourceRule, read_file, source_rule
from pipeline.read.rows import FileRead
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
        read, loaded, twice, rejected = (
            sum(getattr(counts, name) for counts in new)
            for name in ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected")
        )
        lines = [
            f"{len(new)} files read"
            + (f", {known} known already" if known else "")
            + f": {read:,} rows = {loaded:,} loaded + {twice:,} duplicate + {rejected:,} rejected"
        ]
        lines += [f"{counts.name}: {counts.status}. {counts.reason}" for counts in new if counts.status != "loaded"]
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
class CheckResult:
    """What reading would accept and reject, with the rejects themselves."""

    files: tuple[tuple[str, str, str, int, int], ...]
    """Name, status, reason, rows accepted and rows rejected of each file."""
    rejects: pl.DataFrame

    def details(self, most: int = 20) -> str:
        """Return a line a file and the first problems of each."""
        lines = []
        for name, status, reason, accepted, rejected in self.files:
            if status != "loaded":
                lines.append(f"{name}: {status}. {reason}")
                continue
            lines.append(f"{name}: {accepted:,} rows would be accepted, {rejected:,} rejected")
            problems = self.rejects.filter(pl.col("file") == name)
            lines += [f"  {message}" for message in problems["message"].head(most)]
            if problems.height > most:
                lines.append(f"  and {problems.height - most} more problems")
        return "\n".join(lines)

    def require_readable(self) -> None:
        """Raise InputError where none of the files could be read."""
        if not any(status == "loaded" for _, status, *_ in self.files):
            raise InputError("None of the files could be read.")

    def require_no_rejects(self) -> None:
        """Raise RejectedError where a row would be rejected."""
        if rejected := sum(count for *_, count in self.files):
            raise RejectedError(f"{rejected} rows would be rejected.")


def run(sources: list[Path], workspace: Workspace, progress: Progress, *, strict: bool = False) -> str:
    """Ingest, derive and publish; return the one-screen summary."""
    ingested = ingest(sources, workspace, progress)
    ingested.require_readable()
    derive_marts(workspace, progress)
    publish_site(workspace, progress, only_if_changed=True)
    with open_book(workspace.book_path, read_only=True) as book:
        text = summary(book, workspace, ingested.summary())
    if strict:
        ingested.require_no_rejects()
    return text


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
    return run([folder / "exports"], Workspace(folder), progress)


def _settings(workspace: Workspace, operator_key: bytes) -> ReadSettings:
    """What reading needs of the workspace."""
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
    )


def _reading_fingerprint(path: Path, settings: ReadSettings) -> str:
    """Return a hash of all that decides how a file is read: its profile, its [[source]] entry, the shop's zone."""
    rule = source_rule(path.as_posix(), settings.sources)
    profile = rule.profile.model_dump_json() if rule.profile else ""
    decides = (settings.zone, settings.record_operators, rule.timezone, rule.machine, profile)
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
        settings = _settings(workspace, book.operator_key())
        by_file_id: dict[str, Path] = {}
        waiting = list(paths)
        while waiting:
            path = waiting.pop(0)
            for file_read in read_file(path, settings):
                by_file_id[file_read.source.file_id] = path
                done = load_file(book, _checked(file_read), _reading_fingerprint(path, settings))
                first = counts.get(done.file_id)
                counts[done.file_id] = done if first is None or first.already_known else counts[done.file_id]
                waiting += [by_file_id[stale] for stale in done.stale_files if stale in by_file_id]
            step.advance(note=path.name)
        require(audit_store(book))
        settled = _settled(book, counts)
    return IngestResult(settled)


def _settled(book: Book, counts: dict[str, FileCounts]) -> tuple[FileCounts, ...]:
    """Return the counts as they stand at the end: a later file may have overruled rows of an earlier one."""
    stands = {row["file_id"]: row for row in query(book, "quality").iter_rows(named=True)}
    names = ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped")
    return tuple(replace(done, **{name: stands[file_id][name] for name in names}) for file_id, done in counts.items())


def check(sources: list[Path], workspace: Workspace, progress: Progress) -> CheckResult:
    """Read and check without storing anything."""
    paths = _found(sources)
    settings = _settings(workspace, b"")
    files, rejects = [], []
    with progress.step("check", total=len(paths)) as step:
        for path in paths:
            for file_read in read_file(path, settings):
                accepted = rejected = 0
                for table in _checked(file_read).tables:
                    accepted += table.rows.height
                    rejected += table.rejects["row_number"].n_unique() if table.rejects.height else 0
                    rejects.append(table.rejects.select(pl.lit(file_read.source.name).alias("file"), pl.all()))
                files.append((file_read.source.name, file_read.status, file_read.reason, accepted, rejected))
            step.advance(note=path.name)
    empty = pl.DataFrame(schema={"file": pl.String(), "message": pl.String()})
    return CheckResult(tuple(files), pl.concat([empty, *rejects], how="diagonal_relaxed"))


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
                notes=workspace.notes,
                first_at=first_at,
                last_at=last_at,
                **site_frames(book),
            )
            written = publish(data, site)
        book.keep_note(PUBLISHED, derived_from)
    return written


def quote_file(path: Path, workspace: Workspace, progress: Progress) -> pl.DataFrame:
    """Return the estimate lines of a file with predictions.

    Raises
    ------
    InputError
        When the file holds no estimate lines or one of them is wrong.
    """
    settings = _settings(workspace, b"")
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
            spread=book.frame("from mart.run_spread"),
            tool_costs=query(book, "tool_costs"),
            machines=query(book, "machines"),
            orders=query(book, "orders"),
            materials=book.frame("from core.material"),
        )
    return quote(pl.concat(lines).drop("row_number", "line", "raw"), past)
