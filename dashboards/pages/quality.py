"""The page of what came in: files, rejected and corrected rows, time without data, and how figures were obtained.

It counts what the store keeps and leaves the mending to the reader, with the sentence that says how.
"""

from __future__ import annotations

import json

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Page, Section, Table, Text
from dashboards.book import FILES_SHOWN, Book
from dashboards.pages.utilisation import GAPS_NOTE, gaps_table
from schemas.vocabulary import NEEDS_PROFILE

CONTRADICTION_NOTE = (
    "The control's stream holds against the list; cycles that overlap count once in the time line, and each in full in "
    "its own run. Rows are examples. Stretches under a minute are left out."
)
COUNTS = ("rows_read", "rows_loaded", "rows_duplicate", "rows_rejected", "rows_skipped")


def quality_page(book: Book) -> Page:
    """Build quality.html."""
    data = book.data
    first: list[Block] = [Text(sentence(book), "lead")]
    if data.first_at is not None and data.last_at is not None:
        since, until = wording.local_time(data.first_at, book.zone), wording.local_time(data.last_at, book.zone)
        first.append(Text(f"Records from {since} to {until}, {data.timezone}.", "note"))
    return Page(
        "quality.html",
        "What came in",
        [
            Section("", first),
            *_waiting(book),
            Section("Rows to mend", [_rejects_table(book)], "rejects"),
            Section("Files", [*_folder_note(book), _files_table(book)], "files"),
            Section("Rows corrected by a later export", [_superseded_table(book)], "corrected"),
            *_contradictions(book),
            Section(
                "Planned time without data",
                [gaps_table(book, data.gaps.sort("hours", descending=True)), Text(GAPS_NOTE, "note")],
                "gaps",
            ),
            Section("How times were obtained", [_basis_table(book)], "basis"),
        ],
        nav="quality",
    )


def sentence(book: Book) -> str:
    """Say what was read and what became of it; the counts add up."""
    files = book.data.files
    if files.is_empty():
        return "No file has been read yet."
    read, loaded, duplicate, rejected, skipped = (int(files[name].sum() or 0) for name in COUNTS)
    told = (
        f"{wording.plural(files.height, 'file')}, {wording.plural(read, 'row')} read: {wording.number(loaded)} loaded, "
        f"{wording.number(duplicate)} already known, {wording.number(rejected)} rejected"
    )
    told += f" ({wording.number(skipped)} title, unit and total lines set aside)." if skipped else "."
    waiting = files.filter(pl.col("status") == NEEDS_PROFILE).height
    if waiting:
        told += f" {wording.plural(waiting, 'file waits', 'files wait')} for an answer."
    bad = files.filter(~pl.col("status").is_in(["loaded", NEEDS_PROFILE])).height
    if bad:
        told += f" {wording.plural(bad, 'file was', 'files were')} not loaded; the list says why."
    return told


def _waiting(book: Book) -> list[Section]:
    """The files that nobody has described and that leave something open, each with what is open; none, no section."""
    rows = book.data.files.filter(pl.col("status") == NEEDS_PROFILE).sort("name").to_dicts()
    if not rows:
        return []
    table = Table(
        "Files that wait",
        (Column("File"), Column("What is open")),
        [(book.file_cell(row["file_id"]), Cell(row["reason"] or "", mark="long")) for row in rows[:FILES_SHOWN]],
        empty="",
        more=f"{FILES_SHOWN} of {len(rows)} files." if len(rows) > FILES_SHOWN else "",
        cards=True,
    )
    how = (
        "spindlebook profile FILE --workspace <workspace> --save keeps what each would be read by; answer what is open "
    )
    return [Section("Files that wait for an answer", [table, Text(how + "in it, then run again.", "note")], "waiting")]


def _rejects_table(book: Book) -> Table:
    rows = book.data.rejects.sort(
        "rows", "reason", "column", descending=[True, False, False], nulls_last=True
    ).to_dicts()
    return Table(
        "Rejected rows by reason",
        (
            Column("Reason"),
            Column("Rows", True),
            Column("Column"),
            Column("What to do"),
            Column("For example in"),
            Column("Row", True),
            Column("Line", True),
        ),
        [
            (
                Cell(row["reason"].replace("_", " ")),
                cells.count(row["rows"]),
                Cell(row["column"] or ""),
                Cell(row["message"] or "", mark="long"),
                book.file_cell(row["file_id"]),
                cells.count(row["row_number"]),
                cells.count(row["line"]),
            )
            for row in rows
        ],
        empty="No row was rejected.",
        more="All of them, whole: spindlebook rejects -w <workspace>" if rows else "",
    )


def _folder_note(book: Book) -> list[Text]:
    return [Text(f"All lie in {book.files_folder}", "note")] if book.files_folder else []


def _files_table(book: Book) -> Table:
    rows = book.files_shown.to_dicts()
    total = book.data.files.height
    return Table(
        "Source files",
        (
            Column("File"),
            Column("Shape"),
            Column("Status"),
            Column("Read", True),
            Column("Loaded", True),
            Column("Already known", True),
            Column("Rejected", True),
            Column("Set aside", True),
            Column("Reason or note"),
        ),
        [
            (
                Cell(book.file_names[row["file_id"]]),
                Cell(row["shape"] or ""),
                Cell(row["status"], mark="" if row["status"] == "loaded" else "bad"),
                *(cells.count(row[name]) for name in COUNTS),
                Cell(row["reason"] or "", mark="long"),
            )
            for row in rows
        ],
        empty="No file has been read yet.",
        more=f"{FILES_SHOWN} of {total} files, those to look at first." if total > FILES_SHOWN else "",
        row_anchors=[book.file_anchor(row["file_id"]) for row in rows],
        cards=True,
    )


def _superseded_table(book: Book) -> Table:
    rows = book.data.superseded.to_dicts()
    return Table(
        "Corrected rows",
        (
            Column("Kind of row"),
            Column("What changed"),
            Column("First said in"),
            Column("Row", True),
            Column("Now from"),
            Column("Row", True),
        ),
        [
            (
                Cell(row["kind"].replace("_", " ")),
                Cell(change_words(row["change"]), mark="long"),
                book.file_cell(row["file_id"]),
                cells.count(row["row_number"]),
                book.file_cell(row["by_file_id"]),
                cells.count(row["by_row_number"]),
            )
            for row in rows
        ],
        empty="No later export changed an earlier row.",
    )


def _contradictions(book: Book) -> list[Section]:
    """Where lists and streams do not go together; none, no section."""
    rows = book.data.contradictions.sort("minutes", descending=True).to_dicts()
    if not rows:
        return []
    table = Table(
        "Sources that contradict each other",
        (
            Column("Machine"),
            Column("Month"),
            Column("How"),
            Column("Minutes", True),
            Column("Cycles", True),
            Column("Clock ahead", True),
            Column("File"),
            Column("Row", True),
            Column("Other file"),
            Column("Row", True),
        ),
        [
            (
                book.machine_cell(row["machine"]),
                Cell(wording.month(row["month"]), sort=row["month"]),
                Cell(row["kind"]),
                Cell(wording.number(row["minutes"]), sort=row["minutes"]),
                cells.count(row["cycles"]),
                cells.seconds(row["offset_s"]) if row["offset_s"] is not None else Cell(""),
                book.file_cell(row["file_id"]),
                cells.count(row["row_number"]),
                book.file_cell(row["other_file_id"]),
                cells.count(row["other_row_number"]),
            )
            for row in rows[:FILES_SHOWN]
        ],
        more=f"{FILES_SHOWN} of {len(rows)}: spindlebook report contradictions -w <workspace>"
        if len(rows) > FILES_SHOWN
        else "",
    )
    return [Section("Sources that contradict each other", [table, Text(CONTRADICTION_NOTE, "note")], "contradictions")]


def change_words(change: str | None) -> str:
    """Say what a correction changed, column by column, from JSON like {"parts": [0, 1]}; other text stays as it is."""
    try:
        pairs = json.loads(change or "")
        return "; ".join(f"{column}: {_value(old)} → {_value(new)}" for column, (old, new) in pairs.items())
    except (ValueError, AttributeError, TypeError):
        return change or ""


def _value(value: object) -> str:
    return "empty" if value is None else str(value)


def _basis_table(book: Book) -> Table:
    rows = (
        book.data.utilisation.group_by("machine", "basis")
        .agg(
            pl.len().cast(pl.Int64).alias("months"),
            pl.col("month").min().alias("first"),
            pl.col("month").max().alias("last"),
        )
        .sort("machine", "basis")
        .to_dicts()
    )
    return Table(
        "Basis of machine times",
        (Column("Machine"), Column("Basis"), Column("Months", True), Column("From"), Column("To")),
        [
            (
                book.machine_cell(row["machine"]),
                Cell(row["basis"]),
                cells.count(row["months"]),
                Cell(wording.month(row["first"]), sort=row["first"]),
                Cell(wording.month(row["last"]), sort=row["last"]),
            )
            for row in rows
        ],
        empty="No machine time is in the book yet.",
    )
