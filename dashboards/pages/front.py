"""The front page, to be read in a minute: what overruns, what wears faster, how busy, what to quote again.

Each block is a sentence with its figure, a few rows and the way to the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from dashboards import cells, wording
from dashboards.blocks import Cell, Column, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.pages import edges, overruns, quality, quoting, tools, utilisation

ROWS: Final = 5


def front_page(book: Book) -> Page:
    """Build index.html."""
    sections = [_overruns(book), _tools(book), _busy(book), _quote(book)]
    return Page("index.html", book.data.shop_name, sections, "front", "front.html", lead=quality.sentence(book))


def _overruns(book: Book) -> Section:
    rows = [row for row in book.drift_rows if cells.drift_verdict(row) == "over"][:ROWS]
    table = Table(
        "Dearest overruns",
        (
            Column("Job"),
            Column("Over, 95 % interval", True),
            Column("Runs, basis", True),
            Column("Hours", True),
            Column("Cost", True),
        ),
        [
            (
                book.job_cell(row),
                _over(book, row),
                _runs(row),
                cells.hours(row["overrun_hours"]),
                book.money(row["overrun_cost"]),
            )
            for row in rows
        ],
        empty="No job is found over its estimate.",
    )
    link = Text("", href="overruns.html", link="All jobs against their estimates")
    lead = Text(overruns.sentence(book.drift_rows), "lead")
    return Section("What overruns", [lead, table, *overruns.money_note(book), link])


def _runs(row: Row) -> Cell:
    return Cell(f"{wording.number(row['runs'])} {row['basis']}", sort=row["runs"], mark="wrap")


def _over(book: Book, row: Row) -> Cell:
    interval = cells.drift_interval(row).text.removesuffix(f"{wording.NBSP}%")
    lines = [f"{wording.over(row['drift'])} ({interval})"]
    if quoting.is_changed(row):
        after = cells.after_interval(row).removesuffix(f"{wording.NBSP}%")
        lines.append(f"{wording.over(row['drift_after'])} ({after})")
        lines.append(f"since {wording.local_day(row['shifted_at'], book.zone)}")
    return Cell("\n".join(line.replace(" ", wording.NBSP) for line in lines), sort=row["drift"], mark="lines")


def _tools(book: Book) -> Section:
    rows = tools.tool_rows(book)
    table = Table(
        "Tools to look at",
        (
            Column("Tool"),
            Column("Life"),
            Column("Per edge", True),
            Column("Median, 95 % interval", True),
            Column("Edges", True),
        ),
        [
            (
                Cell(
                    wording.tool_label(row["machine"], row["tool"], row["name"]),
                    book.tool_href(row["machine"], row["tool"]),
                ),
                cells.verdict(row["verdict"]),
                tools.trend_cell(row),
                _median(row["life_median"], row["life_low"], row["life_high"], row["unit"]),
                cells.count(row["edges"]),
            )
            for row in rows[:ROWS]
        ],
        empty="No edge change is in the book yet.",
    )
    link = Text("", href="tool-life.html", link="All tools, edges in use, the shelf and what habit costs")
    now = Text(edges.due_sentence(book))
    return Section("What wears faster", [Text(tools.sentence(rows), "lead"), now, table, link])


def _median(median: float | None, low: float | None, high: float | None, unit: str) -> Cell:
    if median is None or low is None:
        return Cell("too few", mark="few")
    return Cell(f"{wording.life(median, unit)} ({cells.life_interval(low, high, unit).text})", sort=median)


def _busy(book: Book) -> Section:
    rows = utilisation.month_rows(book, book.month) if book.month else []
    table = Table(
        "Spindle utilisation",
        (
            Column("Machine"),
            Column("Cutting", True),
            Column("Of planned, observed", True),
            Column("Observed", True),
            Column("Basis"),
        ),
        [
            (
                book.machine_cell(row["machine"]),
                replace(cells.percent(row["spindle_utilisation"]), mark="few" if utilisation.thin(row) else ""),
                cells.hours(row["observed_planned_s"] / 3600, 0),
                Cell(
                    wording.percent(row["coverage"]) + (", too little" if utilisation.thin(row) else ""),
                    sort=row["coverage"],
                    mark="few" if utilisation.thin(row) else "",
                ),
                Cell(row["basis"]),
            )
            for row in rows[:ROWS]
        ],
        empty="No machine time is in the book yet.",
        more=f"The busiest {ROWS} of {len(rows)} utilisation." if len(rows) > ROWS else "",
    )
    link = Text("", href="utilisation.html", link="All machines and months")
    return Section("How busy the spindles were", [Text(utilisation.sentence(book), "lead"), table, link])


def _quote(book: Book) -> Section:
    rows = quoting.requote_rows(book)
    table = Table(
        "Jobs to quote again",
        (
            Column("Job"),
            Column("Estimate", True),
            Column("Takes", True),
            Column("95 % interval", True),
            Column("Runs, basis", True),
        ),
        [
            (
                book.job_cell(row),
                cells.seconds(row["estimate_s"]),
                quoting.takes_cell(book, row),
                quoting.cycle_interval(row),
                quoting.runs_cell(book, row, with_basis=True),
            )
            for row in rows[:ROWS]
        ],
        empty="No job is far enough off its estimate to quote it again.",
        more=f"{ROWS} of {overruns.counted(rows)}." if len(rows) > ROWS else "",
    )
    told = quoting.sentence(quoting.factor_rows(book))
    if rows:
        told += f" {overruns.counted(rows)} {'is' if len(rows) == 1 else 'are'} off the estimate."
    link = Text("", href="quoting.html", link="Factors by machine, material and kind of work")
    return Section("What to quote again", [Text(told, "lead"), table, *quoting.since_note(rows[:ROWS]), link])
