"""The list of months: what each comes to, whether it is open, frozen or restated since, and where its page is.

It lays out no month itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from dashboards import cells, wording
from dashboards.blocks import Cell, Column, Table
from dashboards.book import Book
from pipeline.report.month_total import in_statement, month_total

STANDING_WORDS: Final = {"open": "open", "frozen": "frozen", "restated": "frozen, restated since"}


def month_path(month: str) -> str:
    """Return the path of a month's page."""
    return f"month-{month}.html"


def months_table(book: Book) -> Table:
    """Lay out the months of the book, newest first, each leading to its page to print."""
    lines = []
    for frame in book.data.utilisation.sort("month", "machine", descending=[True, False]).partition_by(
        "month", maintain_order=True
    ):
        month, stated = str(frame["month"][0]), in_statement(frame)
        total = month_total(stated, book.data.least_coverage)
        standing = "restated" if frame["restated"].any() else str(frame["standing"][0])
        lines.append(
            (
                Cell(wording.month(month), month_path(month), sort=month),
                cells.count(stated.height),
                cells.hours(total["planned_s"] / 3600, 0),
                replace(cells.percent(total["coverage"]), mark="few" if total["low_coverage"] else ""),
                replace(cells.percent(total["spindle_utilisation"], 1), mark="few" if total["low_coverage"] else ""),
                Cell(STANDING_WORDS[standing], mark="bad" if standing == "restated" else ""),
            )
        )
    return Table(
        "Months to print",
        (
            Column("Month"),
            Column("Machines", True),
            Column("Planned", True),
            Column("Coverage", True),
            Column("Spindle utilisation", True),
            Column("Standing"),
        ),
        lines,
        empty="No machine time is in the book yet.",
    )
