"""The page of all machines' utilisation, month by month, with the indicators of ISO 22400-2 and the eight states.

Shares are of planned, observed time in the terms of ISO 22400-2; no time is worked out here.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.theme import spec_text
from dashboards.charts.utilisation import machines_chart
from dashboards.pages.lost_time import (
    CHANGES_NOTE,
    STOPS_NOTE,
    changes_table,
    losses_sentence,
    losses_table,
    stops_table,
)
from dashboards.pages.month_list import months_table
from schemas.indicators import INDICATORS
from schemas.vocabulary import STATES

MONTHS_DRAWN: Final = 12
MACHINES_DRAWN: Final = 40
GAPS_SHOWN: Final = 5
BASIS_NOTE: Final = (
    "Basis: measured comes from the control's own states; derived from cycle records and tool changes; estimated where "
    "no share of non-cutting time is known. No data is never counted as idle."
)
FREEZE_NOTE: Final = (
    "A frozen month keeps its figures on all pages, whatever comes in later (spindlebook freeze --month 2026-03 "
    "-w <workspace>). Restated: later data would make others of them; the month's page says which, and why."
)
GAPS_NOTE: Final = (
    "Gaps are listed between a machine's first and last record only; planned time before the first or after the last "
    "lacks data too, and counts against the coverage of its month."
)
OUTSIDE_NOTE: Final = (
    "Overtime and lights-out are time in cycle outside shifts and in breaks: overtime where shop.toml says that people "
    "worked, lights-out elsewhere. Both are part of all hours, and no part of planned time."
)
IDEAL_NOTE: Final = (
    "PRI, the planned run time of a part, is the estimate or the quoted cycle time; PQ and GQ are the parts made and "
    "the good ones. Effectiveness is that of the cycles with an estimate, and it, the OEE and the NEE index stay empty "
    "where these took less than {share} of the production time, or where no list tells scrap."
)


def thin(row: Row) -> bool:
    """Whether a month was observed for too little of its planned time to compare."""
    return bool(row["low_coverage"])


def sentence(book: Book) -> str:
    """Say how much of the newest full month the spindles cut."""
    if book.month is None:
        return "No machine time is in the book yet."
    rows = month_rows(book, book.month)
    planned = sum(row["observed_planned_s"] for row in rows)
    cutting = sum(row["cutting_planned_s"] for row in rows)
    name = wording.month(book.month)
    if not planned:
        return f"In {name} no planned time was observed."
    spindles = "the spindle" if len(rows) == 1 else f"{len(rows)} spindles"
    told = f"In {name} {spindles} cut {wording.percent(cutting / planned)} of planned, observed time"
    shares = [row["spindle_utilisation"] for row in rows if row["spindle_utilisation"] is not None]
    if len(shares) > 1:
        span = wording.percent_span(min(shares), max(shares))
        told += f" ({span} by machine)" if " to " in span else f" ({span} on each machine)"
    short = [row["machine"] for row in rows if thin(row)]
    if short:
        least = wording.percent(book.data.least_coverage)
        told += f"; for {wording.listed(short[:5])} under {least} of planned time was observed"
    return told + "."


def month_rows(book: Book, month: str) -> list[Row]:
    """Return the machines' rows of one month, busiest first."""
    rows = book.data.utilisation.filter(pl.col("month") == month)
    return rows.sort("spindle_utilisation", "machine", descending=[True, False], nulls_last=True).to_dicts()


def closed_days_note(book: Book, month: str, machine: str | None = None) -> list[Text]:
    """Say on which days of a month the shop, or one machine, was closed: planned time is short of them."""
    rows = book.data.closed_days.filter(pl.col("closed_on").dt.strftime("%Y-%m") == month)
    if machine is not None:
        rows = rows.filter(pl.col("machine") == machine)
    if rows.is_empty():
        return []
    every = {row["machine"] for row in month_rows(book, month)}
    days = rows.group_by("closed_on", "name").agg(pl.col("machine").sort()).sort("closed_on", "name", nulls_last=True)
    told = []
    for (name, machines), stretch in _stretches(days):
        first, last = wording.day_in(stretch[0], stretch[0].year), wording.day_in(stretch[-1], stretch[0].year)
        when = first if first == last else f"{first} to {last}"
        some = f" on {wording.listed(machines)}" if machine is None and not every <= set(machines) else ""
        told.append(f"{when}{some}" + (f" ({name})" if name else ""))
    return [Text(f"Closed in {wording.month(month)}: {', '.join(told)}.", "note")]


def _stretches(days: pl.DataFrame) -> list[tuple[tuple[str | None, list[str]], list[date]]]:
    """Put neighbouring days of one name and the same machines together."""
    found: list[tuple[tuple[str | None, list[str]], list[date]]] = []
    for row in days.to_dicts():
        key = (row["name"], row["machine"])
        if found and found[-1][0] == key and row["closed_on"] == found[-1][1][-1] + timedelta(days=1):
            found[-1][1].append(row["closed_on"])
        else:
            found.append((key, [row["closed_on"]]))
    return found


def utilisation_page(book: Book) -> Page:
    """Build utilisation.html."""
    blocks: list[Block] = [Text(sentence(book), "lead")]
    sections = []
    if book.month is not None:
        blocks.append(_machines_figure(book))
        sections += _lost_time(book, book.month)
        sections.append(Section("Months to print and sign", [months_table(book), Text(FREEZE_NOTE, "note")], "months"))
        sections.append(
            Section(
                f"Indicators of {wording.month(book.month)}",
                [
                    indicators_table(book, month_rows(book, book.month), by_machine=True),
                    elements_table(book, month_rows(book, book.month), by_machine=True),
                    *closed_days_note(book, book.month),
                    coverage_note(book),
                    terms_table(),
                ],
                "indicators",
            )
        )
    rows = book.data.utilisation.sort("month", "machine", descending=[True, False]).to_dicts()
    sections.append(
        Section(
            "Hours of each state",
            [states_table(book, rows), Text(OUTSIDE_NOTE, "note"), Text(BASIS_NOTE, "note")],
            "states",
        )
    )
    return Page("utilisation.html", "Utilisation", [Section("", blocks), *sections], nav="utilisation")


def _lost_time(book: Book, month: str) -> list[Section]:
    """Say where the month's planned time went besides cutting, and what changed from the month before."""
    losses, stops, changes = (
        frame.filter(pl.col("month") == month).sort("machine").to_dicts()
        for frame in (book.data.losses, book.data.stops, book.data.changes)
    )
    longest = stops_table(book, stops, f"Longest stops in {wording.month(month)}", with_machine=True)
    sections = [
        Section(
            f"What kept spindles from cutting in {wording.month(month)}",
            [Text(losses_sentence(book, losses)), losses_table(book, month, losses)],
            "losses",
        ),
        Section(f"Longest stops in {wording.month(month)}", [longest, Text(STOPS_NOTE, "note")], "stops"),
    ]
    if changes:
        against: list[Block] = [changes_table(book, changes, by_machine=True), Text(CHANGES_NOTE, "note")]
        sections.append(Section(f"{wording.month(month)} against the month before", against, "changes"))
    return sections


def told(row: Row) -> str:
    """Say one month of one machine in a line."""
    return (
        f"{row['machine']}, {wording.month(row['month'])}: cut {wording.percent(row['spindle_utilisation'])} of "
        f"planned, observed time; {wording.percent(row['coverage'])} of planned time observed; {row['basis']}"
    )


def short_percent(row: Row) -> str:
    """Write spindle utilisation for the inside of a small mark."""
    value = row["spindle_utilisation"]
    return wording.NONE if value is None else wording.number(value * 100)


def _machines_figure(book: Book) -> Figure:
    frame = book.data.utilisation
    months = sorted(frame["month"].unique().to_list())[-MONTHS_DRAWN:]
    machines = sorted(frame["machine"].unique().to_list())
    shown = machines[:MACHINES_DRAWN]
    rows = (
        frame.filter(pl.col("month").is_in(months) & pl.col("machine").is_in(shown)).sort("machine", "month").to_dicts()
    )
    drawn = [
        {
            "machine": row["machine"],
            "month": row["month"],
            "utilisation": row["spindle_utilisation"] or 0.0,
            "thin": thin(row),
            "text": short_percent(row) + ("*" if row["restated"] else ""),
            "told": told(row),
        }
        for row in rows
    ]
    # a machine that was hardly watched is no busiest one
    ranked = [
        row
        for row in month_rows(book, book.month or months[-1])
        if row["spindle_utilisation"] is not None and not thin(row)
    ]
    title = "Spindle utilisation by machine and month"
    if ranked:
        busiest = ranked[0]
        title = (
            f"{busiest['machine']} was busiest in {wording.month(busiest['month'])}: it cut "
            f"{wording.percent(busiest['spindle_utilisation'])} of planned, observed time"
        )
    note = (
        "Per cent of planned, observed time spent cutting. Dashed and white: under "
        f"{wording.percent(book.data.least_coverage)} of planned time was observed, so the month does not compare."
    )
    if any(row["restated"] for row in rows):
        note += " *: frozen, and restated since."
    if len(machines) > len(shown):
        note += f" The first {len(shown)} of {len(machines)} machines; the table below has all."
    span = f"Month, {wording.month(months[0])} to {wording.month(months[-1])}"
    spec = spec_text(machines_chart(drawn, span), title, 34 * len(shown))
    return Figure(title, spec, note, see="Hours of each state", see_anchor="states")


def coverage_note(book: Book) -> Text:
    """Say when an indicator is greyed or stays empty."""
    share = wording.percent(book.data.least_coverage)
    return Text(f"Grey: under {share} of planned time was observed. " + IDEAL_NOTE.format(share=share), "note")


def indicators_table(book: Book, rows: list[Row], by_machine: bool) -> Table:
    """Lay out the indicators of machines in one month, or months of one machine; with little data they are greyed."""
    return Table(
        "Indicators",
        (
            Column("Machine" if by_machine else "Month"),
            Column("Spindle utilisation", True),
            Column("Coverage", True),
            Column("Availability", True),
            Column("Utilization efficiency", True),
            Column("Allocation efficiency", True),
            Column("Technical efficiency", True),
            Column("Setup rate", True),
            Column("Time with an estimate", True),
            Column("Effectiveness", True),
            Column("Quality ratio", True),
            Column("OEE index", True),
            Column("Basis"),
        ),
        [
            (
                _row_head(book, row, by_machine),
                _greyed(cells.percent(row["spindle_utilisation"], 1), row),
                Cell(
                    wording.percent(row["coverage"]) + (", low" if thin(row) else ""),
                    sort=row["coverage"],
                    mark="few wrap" if thin(row) else "",
                ),
                *(
                    _greyed(cells.percent(row[name], 1), row)
                    for name in (
                        "availability",
                        "utilization_efficiency",
                        "allocation_efficiency",
                        "technical_efficiency",
                        "setup_rate",
                    )
                ),
                cells.percent(row["ideal_share"]),
                *(
                    _greyed(cells.percent(row[name], 1), row)
                    for name in ("effectiveness", "quality_ratio", "oee_index")
                ),
                Cell(row["basis"]),
            )
            for row in rows
        ],
        empty="No machine time is in the book yet.",
    )


def elements_table(book: Book, rows: list[Row], by_machine: bool) -> Table:
    """Lay out the time elements that the indicators are made of, with cycles and parts."""
    times = [indicator for indicator in INDICATORS if indicator.unit == "s"]
    return Table(
        "The times behind the indicators",
        (
            Column("Machine" if by_machine else "Month"),
            *(Column(time.name, True) for time in times),
            Column("Cutting, of all hours", True),
            Column("Cycles", True),
            Column("Parts", True),
            Column("Scrap", True),
        ),
        [
            (
                _row_head(book, row, by_machine),
                *(_greyed(cells.hours(row[time.column] / 3600), row) for time in times),
                _greyed(cells.percent(row["spindle_utilisation_calendar"], 1), row),
                *(cells.count(row[name]) for name in ("cycles", "parts", "scrap")),
            )
            for row in rows
        ],
        empty="No machine time is in the book yet.",
        folded=True,
    )


def terms_table() -> Table:
    """Say what each time and indicator is."""
    return Table(
        "What the indicators are, inside planned time",
        (Column("Name"), Column("Formula"), Column("Term of")),
        [(Cell(i.name), Cell(i.formula, mark="wrap"), Cell(i.standard or "our own")) for i in INDICATORS],
        folded=True,
    )


def _row_head(book: Book, row: Row, by_machine: bool) -> Cell:
    if by_machine:
        return book.machine_cell(row["machine"])
    return Cell(wording.short_month(row["month"]), sort=row["month"])


def _greyed(cell: Cell, row: Row) -> Cell:
    """The cell, greyed where the month was observed for too little of its planned time; its coverage says so."""
    return replace(cell, mark="few") if thin(row) else cell


def states_table(book: Book, rows: list[Row], with_machine: bool = True) -> Table:
    """Lay out the hours of the eight states, which add up to the month."""
    return Table(
        "Hours of each state, whole month",
        (
            *([Column("Machine")] if with_machine else []),
            Column("Month"),
            *(Column(wording.STATE_NAMES[state].capitalize(), True) for state in STATES),
            Column("Sum", True),
            Column("In overtime", True),
            Column("Lights-out", True),
            Column("Spindle utilisation", True),
            Column("Coverage", True),
            Column("Basis"),
        ),
        [
            (
                *([book.machine_cell(row["machine"])] if with_machine else []),
                Cell(wording.short_month(row["month"]), sort=row["month"]),
                *(cells.hours(row[f"{state}_s"] / 3600) for state in STATES),
                cells.hours(row["calendar_s"] / 3600),
                cells.hours(row["overtime_s"] / 3600),
                cells.hours(row["lights_out_s"] / 3600),
                _greyed(cells.percent(row["spindle_utilisation"], 1), row),
                _greyed(cells.percent(row["coverage"]), row),
                Cell(row["basis"]),
            )
            for row in rows
        ],
        empty="No machine time is in the book yet.",
    )


def gaps_table(book: Book, gaps: pl.DataFrame, with_machine: bool = True, limit: int = 100) -> Table:
    """Lay out stretches of planned time without data, as given."""
    return Table(
        "Planned time without data, between a machine's first and last record",
        (*([Column("Machine")] if with_machine else []), Column("From"), Column("To"), Column("Length", True)),
        [
            (
                *([book.machine_cell(row["machine"])] if with_machine else []),
                Cell(wording.local_time(row["started_at"], book.zone)),
                Cell(wording.local_time(row["ended_at"], book.zone)),
                cells.seconds(row["hours"] * 3600),
            )
            for row in gaps.head(limit).to_dicts()
        ],
        empty="Between each machine's first and last record, no planned time is without data.",
        more=f"The first {limit} of {gaps.height}." if gaps.height > limit else "",
        folded=gaps.height > GAPS_SHOWN,
    )
