"""The factor sheet: the offered factors on A4, to print and keep beside the CAM, and the same as a spreadsheet file.

Only what beat the estimate as it stands is on it; the sheet says what it rests on, its day and its version.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Facts, Page, Section, Table, Text
from dashboards.book import Book, Row
from schemas.vocabulary import TIME_KINDS

SHEET: Final = "factor-sheet.csv"
KEYS: Final = ("machine", "material", "operation_kind", "tool_type")
USE: Final = (
    "Multiply the estimated time by the factor of the line that fits the job; where none fits, by that of all work. "
    "The interval is for the middle of many such jobs; one new job may lie well off it. spindlebook quote FILE weighs "
    "what is known of the machine and of the material apart, and says how sure that is."
)


def factor_sheet_page(book: Book) -> Page:
    """Build factor-sheet.html and the spreadsheet file beside it."""
    offered = _offered(book)
    kinds = [kind for kind in TIME_KINDS if (offered["time_kind"] == kind).any()]
    trust = {row["time_kind"]: row for row in book.data.trust.to_dicts()}
    blocks: list[Block] = [Text(_lead(kinds), "lead"), _facts(book, offered)]
    files = {}
    if kinds:
        files[SHEET] = _sheet(offered, book)
        blocks.append(Text(USE))
        blocks.append(Text("", href=SHEET, link="The same factors as a spreadsheet file (CSV)"))
        blocks.append(
            Text("As a workbook, with those not offered: spindlebook report quoting -o factors.xlsx.", "note")
        )
    blocks.append(Text(wording.CAUTION, "caution"))
    without = [row for kind, row in trust.items() if kind not in kinds]
    return Page(
        "factor-sheet.html",
        "Factor sheet",
        [
            Section("", blocks),
            *(Section(_heading(kind), [_table(book, offered, kind), *_rests(trust.get(kind))], kind) for kind in kinds),
            *([Section("Not offered", [_not_offered(without)], "not-offered")] if without else []),
        ],
        nav="quoting",
        template="sheet.html",
        files=files,
    )


def _offered(book: Book) -> pl.DataFrame:
    return book.data.factors.filter(pl.col("offered")).sort("time_kind", *KEYS, nulls_last=False, maintain_order=True)


def _lead(kinds: list[str]) -> str:
    if not kinds:
        return "No factor is offered: none beats the estimate as it stands on past jobs, so quote by the estimate."
    names = wording.listed([wording.TIME_KIND_NAMES[kind] for kind in kinds])
    return f"Factors from estimate to actual for {names}: those that beat the estimate as it stands on past jobs."


def _facts(book: Book, offered: pl.DataFrame) -> Facts:
    first, last = (wording.local_day(at, book.zone) for at in (book.data.first_at, book.data.last_at))
    return Facts(
        [
            ("Date", wording.local_day(book.data.built_at, book.zone)),
            ("Version", book.data.factors_version or wording.NONE),
            ("Rests on runs from", first),
            ("Up to", last),
            ("Factors", wording.number(offered.height)),
        ]
    )


def _heading(kind: str) -> str:
    name = wording.TIME_KIND_NAMES[kind]
    return name[0].upper() + name[1:]


def _table(book: Book, offered: pl.DataFrame, kind: str) -> Table:
    rows = offered.filter(pl.col("time_kind") == kind).to_dicts()
    rows.sort(key=lambda row: (sum(row[name] is not None for name in KEYS), *(row[name] or "" for name in KEYS)))
    table = Table(
        f"Factors for {wording.TIME_KIND_NAMES[kind]}",
        (
            Column("Machine"),
            Column("Material"),
            Column("Kind of operation"),
            Column("Kind of tool"),
            Column("Factor", True),
            Column("95 % interval", True),
            Column("Operations", True),
            Column("Runs", True),
        ),
        [
            (
                Cell(row["machine"] or "all", mark="short"),
                Cell(row["material"] or "all"),
                Cell(row["operation_kind"] or "all"),
                Cell(row["tool_type"] or ""),
                Cell(wording.factor(row["factor"]), sort=row["factor"]),
                _interval(row),
                cells.count(row["jobs"]),
                cells.count(row["runs"]),
            )
            for row in rows
        ],
    )
    return table.without_empty("Kind of tool")


def _interval(row: Row) -> Cell:
    if row["factor_low"] is None or row["factor_high"] is None:
        return Cell("too few", mark="few")
    return Cell(f"{wording.factor(row['factor_low'])} to {wording.factor(row['factor_high'])}", sort=row["factor_low"])


def _rests(trust: Row | None) -> list[Text]:
    if trust is None:
        return []
    told = (
        f"Tried on {wording.plural(trust['jobs'], 'past job')}: off by {wording.percent(trust['corrected_error'], 1)} "
        f"corrected, {wording.percent(trust['raw_error'], 1)} as it stands."
    )
    return [Text(told, "note")]


def _not_offered(rows: list[Row]) -> Table:
    return Table(
        "Not offered: quote by the estimate",
        (Column("Time"), Column("Past jobs", True), Column("Why")),
        [
            (
                Cell(wording.TIME_KIND_NAMES[row["time_kind"]]),
                cells.count(row["jobs"]),
                Cell(str(row["because"]), mark="wrap"),
            )
            for row in rows
        ],
        cards=True,
    )


def _sheet(offered: pl.DataFrame, book: Book) -> str:
    """Write the factors as CSV; text that a spreadsheet would take for a formula gets an apostrophe in front."""
    day = book.data.built_at.astimezone(book.zone).strftime("%Y-%m-%d")
    names = ("time_kind", *KEYS, "factor", "factor_low", "factor_high", "jobs", "runs", "shrinkage")
    sheet = offered.select(*names, pl.lit(book.data.factors_version).alias("version"), pl.lit(day).alias("written_on"))
    safe = [pl.col(name).str.replace(r"^([=+\-@\t\r])", "'$1") for name in KEYS]
    return sheet.with_columns(safe).write_csv(line_terminator="\r\n")


__all__ = ["SHEET", "factor_sheet_page"]
