"""Each machine's own page: its months, where the time went, its jobs and tools, and the files its times came from.

Shares are of planned, observed time; no time is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Facts, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row, by_key
from dashboards.charts.theme import spec_text
from dashboards.charts.utilisation import days_chart, months_chart, states_chart
from dashboards.pages.lost_time import (
    BATCHES_NOTE,
    CHANGES_NOTE,
    STOPS_NOTE,
    batches_table,
    changes_table,
    losses_figure,
    stops_table,
)
from dashboards.pages.overruns import jobs_table
from dashboards.pages.tools import tool_rows, tools_table
from dashboards.pages.utilisation import (
    BASIS_NOTE,
    GAPS_NOTE,
    MONTHS_DRAWN,
    OUTSIDE_NOTE,
    closed_days_note,
    coverage_note,
    elements_table,
    gaps_table,
    indicators_table,
    short_percent,
    states_table,
    thin,
    told,
)
from schemas.vocabulary import COUNTERS, STATES

DAYS_DRAWN: Final = 42
SOURCES_LISTED: Final = 300
SOURCES_SHOWN: Final = 5
COUNTER_NOTE: Final = (
    "Both columns cover the same stretches: those between two readings that were observed from end to end. Not "
    "compared is what the control counted while it was not observed, or faster than the clock. Differs: by over 2 %. "
    "Most of it: the run, with the pause before it, that differs most."
)


def machine_pages(book: Book) -> list[Page]:
    """Build machine/<slug>.html for every machine that the data names."""
    months = by_key(book.data.utilisation.sort("month"), "machine")
    days = by_key(book.data.state_days, "machine")
    sources = by_key(book.data.machine_sources.sort("last_at", "file_id", "kind", descending=True), "machine")
    counters = by_key(book.data.counters.sort("month", "counter", "timer", descending=[True, False, False]), "machine")
    gaps = by_key(book.data.gaps.sort("started_at", descending=True), "machine")
    losses = by_key(book.data.losses.sort("loss"), "machine")
    stops = by_key(book.data.stops, "machine")
    batches = by_key(book.data.batches.sort("started_at", "batch_id", descending=True), "machine")
    changes = by_key(book.data.changes.sort("month", descending=True), "machine")
    known = {row["machine"]: row for row in book.data.machines.to_dicts()}
    tools, jobs = tool_rows(book), book.drift_rows
    return [
        _machine_page(
            book,
            machine,
            known.get(machine),
            months.get((machine,)),
            days.get((machine,)),
            sources.get((machine,)),
            gaps.get((machine,)),
            counters.get((machine,)),
            LostTime(
                _by_month(losses.get((machine,))),
                _by_month(stops.get((machine,))),
                _rows(batches.get((machine,))),
                _rows(changes.get((machine,))),
            ),
            [row for row in jobs if row["machine"] == machine],
            [row for row in tools if row["machine"] == machine],
        )
        for machine in book.machine_ids
    ]


@dataclass(frozen=True, slots=True)
class LostTime:
    """What kept one machine from cutting: losses and stops by month, batches and changes, newest first."""

    losses: dict[str, list[Row]]
    stops: dict[str, list[Row]]
    batches: list[Row]
    changes: list[Row]


def _by_month(frame: pl.DataFrame | None) -> dict[str, list[Row]]:
    return {} if frame is None else {month: rows.to_dicts() for (month,), rows in by_key(frame, "month").items()}


def _rows(frame: pl.DataFrame | None) -> list[Row]:
    return [] if frame is None else frame.to_dicts()


def _machine_page(
    book: Book,
    machine: str,
    known: Row | None,
    months: pl.DataFrame | None,
    days: pl.DataFrame | None,
    sources: pl.DataFrame | None,
    gaps: pl.DataFrame | None,
    counters: pl.DataFrame | None,
    lost: LostTime,
    jobs: list[Row],
    tools: list[Row],
) -> Page:
    name = known["name"] if known and known["name"] != machine else ""
    first: list[Block] = []
    sections: list[Section] = []
    if months is not None and not months.is_empty():
        rows = months.to_dicts()
        newest = next((row for row in reversed(rows) if not thin(row)), rows[-1])
        lead = f"In {wording.month(newest['month'])} no planned time of {machine} was observed."
        if newest["spindle_utilisation"] is not None:
            lead = (
                f"In {wording.month(newest['month'])} {machine} cut {wording.percent(newest['spindle_utilisation'])} "
                f"of {wording.hours(newest['observed_planned_s'] / 3600, 0)} planned and observed "
                f"({wording.percent(newest['coverage'])} of planned time; {newest['basis']})."
            )
        first += [Text(lead, "lead"), *_facts(book, known), _months_figure(book, machine, rows[-MONTHS_DRAWN:], newest)]
        month = newest["month"]
        if month in lost.losses:
            changed = next((row for row in lost.changes if row["month"] == month), None)
            first.append(losses_figure(book, machine, month, lost.losses[month], changed))
        if days is not None and not days.is_empty():
            sections.append(Section("Day by day", [_days_figure(machine, days)], "days"))
        newest_first = rows[::-1]
        tables: list[Block] = [
            _states_figure(machine, rows[-MONTHS_DRAWN:], newest),
            indicators_table(book, newest_first, by_machine=False),
            elements_table(book, newest_first, by_machine=False),
            coverage_note(book),
            Text("", "note", "utilisation.html#indicators", "What the indicators are"),
            replace(states_table(book, newest_first, with_machine=False), folded=True),
            *closed_days_note(book, newest["month"], machine),
            Text(OUTSIDE_NOTE, "note"),
            Text(BASIS_NOTE, "note"),
        ]
        stops = stops_table(book, lost.stops.get(month, []), f"Longest stops in {wording.month(month)}", False)
        sections.append(Section(f"Longest stops in {wording.month(month)}", [stops, Text(STOPS_NOTE, "note")], "stops"))
        if lost.changes:
            changes: list[Block] = [changes_table(book, lost.changes, by_machine=False), Text(CHANGES_NOTE, "note")]
            sections.append(Section("Month against month", changes, "changes"))
        sections.append(Section("Months and indicators", tables, "months"))
    else:
        first += [Text(f"No time of {machine} is in the book yet.", "lead"), *_facts(book, known)]
    if lost.batches:
        batches: list[Block] = [batches_table(book, lost.batches), Text(BATCHES_NOTE, "note")]
        sections.append(Section("Batches", batches, "batches"))
    if jobs:
        sections.append(Section("Jobs on this machine", [jobs_table(book, jobs)], "jobs"))
    if tools:
        sections.append(Section("Tools", [tools_table(book, tools), Text(wording.CAUTION, "caution")], "tools"))
    if counters is not None and not counters.is_empty():
        sections.append(
            Section(
                "The control's own counters", [_counters_table(book, counters), Text(COUNTER_NOTE, "note")], "counters"
            )
        )
    sections.append(Section("Where the times come from", [_sources_table(book, sources)], "sources"))
    if gaps is not None and not gaps.is_empty():
        sections.append(
            Section(
                "Planned time without data",
                [gaps_table(book, gaps, with_machine=False), Text(GAPS_NOTE, "note")],
                "gaps",
            )
        )
    title = f"Machine {machine}" + (f": {name}" if name else "")
    return Page(book.machine_href(machine), title, [Section("", first), *sections], nav="utilisation")


def _facts(book: Book, known: Row | None) -> list[Facts]:
    if known is None:
        return []
    rate = wording.money(known["rate_per_hour"], book.currency, 2)
    pairs = [("Rate per hour", rate if known["rate_per_hour"] is not None else "not in shop.toml")]
    pairs += [
        (label, f"{wording.number(known[column])}{wording.NBSP}{unit}")
        for label, column, unit in (
            ("Highest speed", "max_speed_rpm", "rev/min"),
            ("Spindle", "spindle_kw", "kW"),
            ("Rapid", "rapid_mm_min", "mm/min"),
        )
        if known[column] is not None
    ]
    return [Facts(pairs)]


def _months_figure(book: Book, machine: str, rows: list[Row], newest: Row) -> Figure:
    drawn = [
        {
            "month": row["month"],
            "utilisation": row["spindle_utilisation"] or 0.0,
            "coverage": row["coverage"] or 0.0,
            "thin": thin(row),
            "text": short_percent(row),
            "told": told(row),
        }
        for row in rows
    ]
    compared = [row for row in rows if not thin(row) and row["spindle_utilisation"] is not None]
    title = f"No planned time of {machine} was observed in {wording.month(newest['month'])}"
    if newest["spindle_utilisation"] is not None:
        title = f"{machine} cut {wording.percent(newest['spindle_utilisation'])} of its planned, observed time in "
        title += wording.month(newest["month"])
    if len(compared) > 1:
        shares = [row["spindle_utilisation"] for row in compared]
        span = wording.percent_span(min(shares), max(shares), "and")
        title += f"; its full months {'lie between' if ' and ' in span else 'all lie at'} {span}"
    note = (
        "Bars: share of planned, observed time spent cutting. Black tick: share of planned time that was observed; a "
        f"bar is hollow and dashed where that is under {wording.percent(book.data.least_coverage)}."
    )
    return Figure(
        title, spec_text(months_chart(drawn), title, 220), note, see="Months and indicators", see_anchor="months"
    )


def _states_figure(machine: str, rows: list[Row], newest: Row) -> Figure:
    longest = max((row["planned_s"] for row in rows), default=0.0) or 1.0
    drawn = []
    for row in rows[::-1]:
        start = 0.0
        for order, state in enumerate(STATES):
            seconds = row[f"{state}_planned_s"]
            wide = seconds > 0.13 * longest
            name = {"noncutting": "in cycle", "unobserved": "no data"}.get(state, wording.STATE_NAMES[state])
            drawn.append(
                {
                    "month": row["month"],
                    "state": state,
                    "order": order,
                    "hours": seconds / 3600,
                    "middle": (start + seconds / 2) / 3600,
                    "text": f"{name} {wording.number(seconds / 3600)}" if wide else "",
                    "told": f"{wording.month(row['month'])}, {wording.STATE_NAMES[state]}: "
                    + wording.hours(seconds / 3600),
                }
            )
            start += seconds
    lost = max(("held", "faulted", "setup", "idle"), key=lambda state: newest[f"{state}_planned_s"])
    title = f"Of {machine}'s planned time in {wording.month(newest['month'])}, "
    title += f"{wording.hours(newest['cutting_planned_s'] / 3600, 0)} were cutting and "
    title += f"{wording.hours(newest[f'{lost}_planned_s'] / 3600, 0)} {wording.STATE_NAMES[lost]}, the largest loss"
    note = "Inside planned time, in the order of the key; the folded table below has the whole calendar."
    spec = spec_text(states_chart(drawn), title, 30 * len(rows))
    return Figure(title, spec, note, see="Months and indicators", see_anchor="months")


def _days_figure(machine: str, days: pl.DataFrame) -> Figure:
    last: date = days["day"].max()  # type: ignore[assignment]  # polars types max() as any literal
    since = last - timedelta(days=DAYS_DRAWN - 1)
    recent = days.filter(pl.col("day") >= since).sort("day", "state")
    drawn = [
        {
            "day": row["day"].isoformat(),
            "state": row["state"],
            "order": STATES.index(row["state"]),
            "hours": row["hours"],
            "told": f"{wording.day(row['day'])}, {wording.STATE_NAMES[row['state']]}: {wording.hours(row['hours'])}",
        }
        for row in recent.to_dicts()
    ]
    cut = float(recent.filter(pl.col("state") == "cutting")["hours"].sum())
    title = f"{machine} cut {wording.hours(cut, 0)} {_days_words(recent)}"
    wide = recent.pivot("state", index="day", values="hours", aggregate_function="sum").sort("day", descending=True)
    table = Table(
        "Hours of each state per day",
        (Column("Day"), *(Column(wording.STATE_NAMES[state].capitalize(), True) for state in STATES)),
        [
            (Cell(row["day"].isoformat()), *(cells.hours(row.get(state) or 0.0) for state in STATES))
            for row in wide.to_dicts()
        ],
    )
    return Figure(title, spec_text(days_chart(drawn), title, 220), "Whole days of the shop's calendar.", table)


def _days_words(recent: pl.DataFrame) -> str:
    """Say which days a chart of days covers: those with records, which may be fewer than it has room for."""
    on = recent.filter((pl.col("state") != "unobserved") & (pl.col("hours") > 0))["day"].unique().sort().to_list()
    if not on:
        return "in these days, of which nothing was observed"
    if len(on) == 1:
        return f"on {wording.day(on[0])}, the one day with records"
    if (on[-1] - on[0]).days + 1 == len(on):
        return f"in the {len(on)} days from {wording.day(on[0])} to {wording.day(on[-1])}"
    return f"on {len(on)} days with records between {wording.day(on[0])} and {wording.day(on[-1])}"


def _counters_table(book: Book, counters: pl.DataFrame) -> Table:
    return Table(
        "The control's own counters against the time line",
        (
            Column("Month"),
            Column("What is counted"),
            Column("Counted", True),
            Column("Time line", True),
            Column("Difference", True),
            Column("Verdict"),
            Column("Not compared", True),
            Column("Most of it", True),
            Column("From reading"),
            Column("Row", True),
            Column("To reading"),
            Column("Row", True),
        ),
        [
            (
                Cell(wording.month(row["month"]), sort=row["month"]),
                Cell(f"{COUNTERS[row['counter']]} ({row['timer']})"),
                cells.hours(row["counter_s"] / 3600),
                cells.hours(row["spans_s"] / 3600),
                cells.drift(None if row["share"] is None else 1 + row["share"]),
                Cell(row["verdict"], mark="bad" if row["verdict"] == "differs" else ""),
                cells.hours((row["unseen_s"] + row["implausible_s"]) / 3600),
                cells.hours(row["largest_s"] / 3600),
                book.file_cell(row["file_id"]),
                cells.count(row["row_number"]),
                book.file_cell(row["last_file_id"]),
                cells.count(row["last_row_number"]),
            )
            for row in counters.to_dicts()
        ],
    )


def _sources_table(book: Book, sources: pl.DataFrame | None) -> Table:
    rows = [] if sources is None else sources.to_dicts()
    return Table(
        "Source files and rows",
        (
            Column("Source file"),
            Column("Kind of row"),
            Column("Rows", True),
            Column("First row", True),
            Column("Last row", True),
            Column("From"),
            Column("To"),
        ),
        [
            (
                book.file_cell(row["file_id"]),
                Cell(row["kind"].replace("_", " ")),
                cells.count(row["rows"]),
                cells.count(row["first_row"]),
                cells.count(row["last_row"]),
                Cell(wording.local_time(row["first_at"], book.zone)),
                Cell(wording.local_time(row["last_at"], book.zone)),
            )
            for row in rows[:SOURCES_LISTED]
        ],
        empty="No stored row names this machine.",
        folded=len(rows) > SOURCES_SHOWN,
        more=f"The newest {SOURCES_LISTED} of {len(rows)}." if len(rows) > SOURCES_LISTED else "",
    )
