"""What jobs cost: hours and money of each operation, cost per good part, margin against the quote.

Money is machine time at the machine's rate: no tooling, no material. All figures come from the reports.
"""

from __future__ import annotations

from typing import Final

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Section, Table, Text
from dashboards.book import Book, Row

HOW: Final = (
    "Cost is machine time at the machine's rate: cycles (broken-off and scrapped ones too), setup, loading; no tooling "
    "and no material. A good part is one that every operation let pass. The quote is that of the order list, its cycle "
    "for each good part and its setup for each batch, valued at the same rates; loading is in no such quote. It covers "
    "all operations of a job: a job of which the book has only some looks better than it is."
)


def job_cost_section(book: Book, job_key: str, rows: list[Row]) -> list[Section]:
    """Return the section on a job's money, none where nothing is known of it."""
    found = [(row, money) for row in rows if (money := book.money_row(row)) is not None]
    margin = book.margins.get(job_key)
    if not found or margin is None:
        return []
    blocks: list[Block] = [Text(margin_sentence(book, margin), "lead")]
    blocks.append(
        Table(
            "Hours and cost by operation",
            (
                Column("Operation"),
                Column("Good", True),
                Column("Scrap", True),
                Column("Cycles", True),
                Column("Setup", True),
                Column("Loading", True),
                Column("Cost", True),
                Column("Cost per good part", True),
                Column("Hours over", True),
                Column("Cost over", True),
            ),
            [
                (
                    Cell(book.job_label(row), f"{book.job_href(row)}"),
                    cells.count(money["good"]),
                    cells.count(money["scrap"]),
                    cells.hours(money["cycle_hours"]),
                    cells.hours(money["setup_hours"]),
                    cells.hours(money["load_hours"]),
                    book.money(money["cost"]),
                    book.money(_per(money["cost"], money["good"]), 2),
                    cells.hours(row["overrun_hours"]),
                    book.money(row["overrun_cost"]),
                )
                for row, money in found
            ],
        )
    )
    return [Section("What it costs", [*blocks, Text(HOW, "note")], "cost")]


def _per(cost: float | None, good: int) -> float | None:
    return None if cost is None or good <= 0 else cost / good


def margin_sentence(book: Book, margin: Row) -> str:
    """Say what a good part cost, and what the quote allowed."""
    good = wording.plural(margin["good"], "good part")
    scrap = f", {wording.number(margin['scrap'])} scrapped" if margin["scrap"] else ""
    if margin["good"] <= 0:
        return f"No good part is in the book yet; machines ran {wording.hours(margin['hours'])} for this job."
    if margin["cost_per_good"] is None:
        each = wording.duration(margin["hours"] * 3600 / margin["good"])
        told = f"A good part took {each} of machine time, setup and loading included ({good}{scrap})."
        if margin["quoted_hours"] is not None:
            allowed = wording.duration(margin["quoted_hours"] * 3600 / margin["good"])
            told += f" The quote allowed {allowed}."
        return f"{told} There is no rate for money."
    told = f"A good part cost {wording.money(margin['cost_per_good'], book.currency, 2)} ({good}{scrap})."
    if margin["margin"] is None:
        return f"{told} No quote is known to hold it against."
    allowed = wording.money(margin["quoted_value"] / margin["good"], book.currency, 2)
    size = wording.money(abs(margin["margin"]), book.currency)
    share = wording.percent(abs(margin["margin_share"])) if margin["margin_share"] is not None else ""
    side = "short of the quote" if margin["margin"] < 0 else "left of the quote"
    return f"{told} The quote allowed {allowed}: in all {size} ({share}) {side}."


def margins_table(book: Book) -> Table:
    """Lay out jobs by what their margin lost, the dearest first; those without a quote last."""
    known = [row for row in book.margins.values() if row["margin"] is not None]
    unknown = [row for row in book.margins.values() if row["margin"] is None and row["cost"] is not None]
    ordered = [
        *sorted(known, key=lambda row: (row["margin"], row["job_key"])),
        *sorted(unknown, key=lambda row: (-row["cost"], row["job_key"])),
    ]
    return Table(
        "Cost per good part and margin against the quote",
        (
            Column("Job"),
            Column("Good", True),
            Column("Scrap", True),
            Column("Hours", True),
            Column("Cost", True),
            Column("Cost per good part", True),
            Column("Quote allowed", True),
            Column("Margin", True),
            Column("Margin, share", True),
        ),
        [
            (
                Cell(row["job_key"], f"job/{book.job_slugs[row['job_key']]}.html#cost"),
                cells.count(row["good"]),
                cells.count(row["scrap"]),
                cells.hours(row["hours"]),
                book.money(row["cost"]),
                book.money(row["cost_per_good"], 2),
                book.money(_per(row["quoted_value"], row["good"]), 2)
                if row["margin"] is not None
                else Cell("no quote", mark="few"),
                _margin_cell(book, row["margin"]),
                Cell(
                    ""
                    if row["margin_share"] is None
                    else f"{wording.signed(100 * row['margin_share'])}{wording.NBSP}%",
                    sort=row["margin_share"],
                ),
            )
            for row in ordered
        ],
        empty="No cost is known: it needs a rate_per_hour for every machine of a job in shop.toml.",
    )


def _margin_cell(book: Book, margin: float | None) -> Cell:
    if margin is None:
        return Cell("")
    told = wording.money(margin, book.currency)
    return Cell(f"+{told}" if margin > 0 else told, sort=margin, mark="bad" if margin < 0 else "")


__all__ = ["HOW", "job_cost_section", "margin_sentence", "margins_table"]
