"""The steps of a run as plain functions: ingest, derive, publish, and the commands made of them. No orchestrator here.

Each opens the book itself, so that a scheduled run can try one of them again.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from flows.ingesting import IngestResult, ingest
from flows.reading_settings import listed_files, settings_for, settings_of
from flows.summary import count, summary
from pipeline import resources
from pipeline.clock import now
from pipeline.derive.relations import program_text
from pipeline.errors import InputError
from pipeline.logs import log
from pipeline.progress import Progress
from pipeline.report import freezing
from pipeline.report.changes import month_changes
from pipeline.report.month_words import standing_sentence
from pipeline.report.month_workbook import MonthFrames, write_month_workbook
from pipeline.report.notes import book_notes
from pipeline.report.queries import Narrowed, query, require_marts, site_frames
from pipeline.report.restating import restatements
from pipeline.report.stated import narrowed_months, stated_losses, stated_months
from pipeline.store.book import Book, open_book
from pipeline.store.extents import know_extents
from pipeline.store.frozen import history
from pipeline.store.quotes import keep_quote
from pipeline.store.touched import DERIVED, DERIVED_BY, touched_days
from pipeline.workspace import SHOP_FILE, Workspace

if TYPE_CHECKING:
    from dashboards.site_data import SiteData
    from pipeline.read.recognition.proposing import Proposal
    from pipeline.report.quoting import PastRuns

NOTES = "notes"
PUBLISHED = "published"  # which of these derivations the site shows
DERIVING_MEMORY_MB = (
    1_500  # what the book may take beside the marts' statistics, so that 3 GB do for a book of any size
)


def run(
    sources: list[Path], workspace: Workspace, progress: Progress, *, thorough: bool = False
) -> tuple[str, IngestResult]:
    """Ingest, derive and publish; return the one-screen summary and what became of each file."""
    ingested = ingest(sources, workspace, progress, thorough=thorough)
    ingested.require_readable()
    derive_marts(workspace, progress)
    publish_site(workspace, progress, only_if_changed=True)
    with open_book(workspace.book_path, read_only=True) as book:
        return summary(book, workspace, ingested.summary(), _notes(book, workspace)), ingested


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


def propose_profile(path: Path, workspace: Workspace) -> tuple[str, Proposal | None]:
    """Return what a file was recognised as, whatever profile it has: why it is not read (or nothing), and the proposal.

    Raises
    ------
    InputError
        When there is no such file or it cannot be read.
    """
    from pipeline.read.reading import read_file

    settings = replace(settings_for(workspace, [path], [path]), sources=())
    reads = read_file(path, settings) if path.is_file() else []
    if not reads:
        raise InputError(f"{path}: there is no such file. A profile is proposed for one file at a time.")
    asked = next((file_read for file_read in reads if file_read.proposal), reads[0])
    if asked.status == "unreadable":
        raise InputError(f"{asked.source.name}: {asked.reason}")
    return asked.reason, asked.proposal


def _derived_by(workspace: Workspace) -> str:
    """What decides how accepted rows become marts: shop.toml, the relations themselves, what is known of holidays."""
    holidays = version("holidays") if workspace.shop.shop.holidays else ""
    return hashlib.sha256((workspace.settings_fingerprint() + program_text() + holidays).encode()).hexdigest()


def derive_marts(workspace: Workspace, progress: Progress, *, force: bool = False) -> bool:
    """Derive the machines and days that changed, all of them where shop.toml did; return whether anything was derived.

    With `force` everything is derived anew.
    """
    with open_book(workspace.book_path, memory_mb=DERIVING_MEMORY_MB) as book:
        derived_by = _derived_by(workspace)
        whole = force or book.note(DERIVED_BY) != derived_by
        if not whole and touched_days(book).is_empty():
            return False
        from pipeline.derive.deriving import derive

        derive(book, workspace.shop, progress, whole=whole, derived_by=derived_by)
        log("derived", book=str(workspace.book_path), whole=whole)
    return True


def publish_site(workspace: Workspace, progress: Progress, *, only_if_changed: bool = False) -> list[Path]:
    """Write the site; return its files, none where nothing changed since it was written."""
    site = workspace.site_folder
    with open_book(workspace.book_path) as book:
        require_marts(book)
        derived_from = book.note(DERIVED) or ""
        if only_if_changed and book.note(PUBLISHED) == derived_from and (site / "index.html").exists():
            return []
        from dashboards.site import publish

        with progress.step("publish"):
            know_extents(book)
            book.keep_note(NOTES, json.dumps(book_notes(book, workspace.shop_path.exists())))
            changes = month_changes(query(book, "changes"), query(book, "month_jobs"))
            frames = {**site_frames(book), "changes": changes, **_month_frames(book, workspace)}
            written = publish(_site_data(book, workspace, frames, _past_runs(book).version), site)
        book.keep_note(PUBLISHED, derived_from)
        log("published", site=str(site), files=len(written))
    return written


def _notes(book: Book, workspace: Workspace) -> tuple[str, ...]:
    """Return what a reader must know first; what the book says of itself was worked out when the site was written."""
    kept = book.note(NOTES)
    own = book_notes(book, workspace.shop_path.exists()) if kept is None else json.loads(kept)
    return (*workspace.notes, *own)


def _month_frames(book: Book, workspace: Workspace) -> dict[str, pl.DataFrame]:
    """Return the frames that a month's page shows: what is stated of it, and what would be different."""
    return {
        "utilisation": stated_months(book),
        "losses": stated_losses(book),
        "restatements": restatements(book, workspace.shop),
        "freezings": history(book),
    }


def _site_data(
    book: Book, workspace: Workspace, frames: dict[str, pl.DataFrame], factors_version: str = ""
) -> SiteData:
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
        notes=_notes(book, workspace),
        factors_version=factors_version,
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
        told = {"machines": "machines", "files": "quality", "counters": "counters", "contradictions": "contradictions"}
        frames = {**empty_frames(), **{frame: query(book, name) for frame, name in told.items()}}
        frames |= _month_frames(book, workspace)
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
        MonthFrames(
            month,
            shop.name,
            shop.currency,
            shop.least_coverage,
            standing,
            machines,
            frames["losses"],
            frames["restatements"],
        ),
        path,
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


def _past_runs(book: Book, stock_kg: float | None = None, part_kg: float | None = None) -> PastRuns:
    """Return what quotes rest on; masses are of one part, where the order list does not say."""
    from pipeline.report.quoting import PastRuns

    return PastRuns(
        ratios=book.frame("from mart.quote_ratio"),
        spreads=book.frame("from mart.quote_spread"),
        trust=query(book, "trust"),
        drift=query(book, "jobs"),
        spread=book.frame("from mart.run_spread"),
        tool_costs=query(book, "tool_costs"),
        machines=query(book, "machines"),
        orders=query(book, "orders"),
        materials=book.frame("from core.material"),
        stock_kg=stock_kg,
        part_kg=part_kg,
    )


def quote_file(
    path: Path,
    workspace: Workspace,
    progress: Progress,
    *,
    keep: bool = False,
    stock_kg: float | None = None,
    part_kg: float | None = None,
) -> tuple[pl.DataFrame, str]:
    """Return the estimate lines of a file with predictions, and the number under which the book keeps the quote.

    Parameters
    ----------
    keep : put the quote into the book; without, it has no number
    stock_kg, part_kg : mass of the stock and of the part, where the order list does not say

    Raises
    ------
    InputError
        When the file holds no estimate lines or one of them is wrong.
    """
    from pipeline.check.checking import check_rows
    from pipeline.read.reading import read_file
    from pipeline.report.quoting import quote

    settings = settings_of(workspace, b"", [path])
    lines, problems = [], []
    for found in listed_files([path]):
        for file_read in read_file(Path(found.path), settings):
            if file_read.status != "loaded":
                raise InputError(f"{file_read.source.name}: {file_read.status}. {file_read.reason}")
            for table in map(check_rows, file_read.tables):
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
        past = _past_runs(book, stock_kg, part_kg)
    quoted = quote(pl.concat(lines).drop("row_number", "line", "raw"), past)
    if not keep:
        return quoted, ""
    with open_book(workspace.book_path) as book:
        number = keep_quote(
            book,
            quoted,
            file_name=path.name,
            given_at=now(),
            program_version=version("spindlebook"),
            factors_version=past.version,
        )
    return quoted, number
