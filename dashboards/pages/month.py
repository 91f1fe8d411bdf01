"""A month to print and sign: machines, where planned time went, losses, indicators, what was restated, how to read it.

Figures of a frozen month are those that were stated. No time is worked out here, and the page needs no script.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.pages.month_list import month_path
from dashboards.pages.utilisation import thin
from pipeline.report.month_total import in_statement, month_total
from pipeline.report.month_words import HOW_TO_READ, NO_STATEMENT, standing_sentence
from pipeline.report.restating import figure_name, is_visible
from schemas.indicators import INDICATORS, Indicator
from schemas.vocabulary import LOSSES, STATES

BARS_DRAWN: Final = 24
RESTATED_LISTED: Final = 12
"""Machines whose restatement is laid out; the report has all."""
RESTATED_FIGURES: Final = (
    "planned_s", "observed_planned_s", "coverage", "cutting_planned_s", "spindle_utilisation", "setup_planned_s",
    "idle_planned_s", "held_planned_s", "faulted_planned_s", "availability", "cutting_s", "noncutting_s", "overtime_s",
    "lights_out_s", "cycles", "parts", "scrap", "basis", "cost",
)  # fmt: skip
IN_HOURS: Final = f",{wording.NBSP}h"
"""Ends the head of a column of hours; the unit never stands on a line of its own."""
NAMED_SHARE: Final = 0.09
"""A stretch of a bar that is at least so wide bears its hours."""
TOTAL: Final = "All machines"
Head = Callable[[str], Cell]
"""Makes the cell of a machine's name."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One state's part of a machine's bar, in per cent of the widest bar."""

    state: str
    width: float
    text: str
    told: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A machine's planned time, state by state."""

    label: str
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class MonthPage(Page):
    """The page of a month, and what only it has."""

    standing: str = ""
    notes: Sequence[str] = ()
    bars: tuple[Bar, ...] = ()
    bars_note: str = ""
    legend: tuple[tuple[str, str], ...] = ()
    later: Sequence[Section] = ()
    """What stands on the second sheet."""
    reading: Sequence[tuple[str, str]] = ()
    caution: str = ""


def month_page(book: Book, month: str, *, alone: bool = False) -> MonthPage:
    """Build month-<month>.html; one that is to stand alone leads nowhere."""
    head = Cell if alone else book.machine_cell
    all_rows = book.data.utilisation.filter(pl.col("month") == month).sort("machine")
    stated = in_statement(all_rows)
    rows, total = stated.to_dicts(), month_total(stated, book.data.least_coverage)
    losses = book.data.losses.filter(pl.col("month") == month)
    changes = book.data.restatements.filter(pl.col("month") == month)
    drawn = rows[:BARS_DRAWN]
    first: list[Block] = [Text(_lead(rows, total), "lead"), _machines_table(rows, total, head)]
    if grey := _grey_note(book, rows, total):
        first.append(Text(grey, "note"))
    later = [
        Section("What kept machines from cutting", [_losses_table(book, in_losses(losses, rows), rows, total, head)]),
        Section("Hours of the whole month", [_hours_table(rows, total, head)]),
        Section("Indicators, inside planned time", [_indicators_table(rows, total, head)]),
    ]
    if not changes.is_empty():
        later.append(Section("Restated", _restated(changes), "restated"))
    return MonthPage(
        month_path(month),
        f"Machine time in {wording.month(month)}",
        [Section("Machines, inside planned time", first)],
        nav="utilisation",
        template="month.html",
        standing=standing_sentence(month, all_rows, book.data.freezings, book.zone),
        notes=book.month_notes(month),
        bars=tuple(_bar(row, max(one["planned_s"] for one in drawn)) for row in drawn),
        bars_note=f"The first {BARS_DRAWN} of {len(rows)} machines." if len(rows) > BARS_DRAWN else "",
        legend=tuple((state, wording.STATE_NAMES[state]) for state in STATES if total[f"{state}_planned_s"] > 0),
        later=later,
        reading=[
            *HOW_TO_READ,
            ("Indicators of ISO 22400-2", _formulas([one for one in INDICATORS if one.standard])),
            ("Indicators of our own", _formulas([one for one in INDICATORS if not one.standard])),
        ],
        caution=NO_STATEMENT,
    )


def in_losses(losses: pl.DataFrame, rows: Sequence[Row]) -> pl.DataFrame:
    """Return the losses of the machines that count."""
    return losses.filter(pl.col("machine").is_in([row["machine"] for row in rows]))


def _lead(rows: Sequence[Row], total: Row) -> str:
    spindles = wording.plural(len(rows), "spindle")
    if total["spindle_utilisation"] is None:
        return f"{spindles}; no planned time was observed."
    told = (
        f"{spindles} cut {wording.percent(total['spindle_utilisation'], 1)} of planned, observed time: "
        f"{wording.hours(total['cutting_planned_s'] / 3600)} of {wording.hours(total['observed_planned_s'] / 3600)}. "
        f"{wording.percent(total['coverage'], 1)} of {wording.hours(total['planned_s'] / 3600)} planned was observed."
    )
    outside = total["cutting_s"] - total["cutting_planned_s"]
    if outside >= 360:
        told += f" Another {wording.hours(outside / 3600)} were cut outside planned time."
    return told


def _grey_note(book: Book, rows: Sequence[Row], total: Row) -> str:
    """Say whose figures are grey and why; empty where none are."""
    short = [row["machine"] for row in rows if thin(row)]
    told = wording.listed(short[:5]) if short else ""
    if thin(total) and len(rows) > 1:
        told = f"{told}, and of all machines together," if short else "all machines together"
    share = wording.percent(book.data.least_coverage)
    return told and f"Grey: of {told} under {share} of planned time was observed; these do not compare."


def _with_total(rows: Sequence[Sequence[Cell]], total: Sequence[Cell]) -> list[Sequence[Cell]]:
    return [*rows, tuple(replace(cell, mark=f"{cell.mark} total".strip()) for cell in total)]


def _grey(row: Row, line: Sequence[Cell]) -> Sequence[Cell]:
    """Grey a machine's figures where too little of its planned time was observed."""
    return (line[0], *(replace(cell, mark="few") for cell in line[1:])) if thin(row) else line


def _hour(row: Row, name: str) -> Cell:
    """Hours without their unit, which stands in the head."""
    value = None if row.get(name) is None else row[name] / 3600
    return Cell(wording.number(value, 1), sort=value)


def _machines_table(rows: Sequence[Row], total: Row, head: Head) -> Table:
    def line(name: Cell, row: Row) -> Sequence[Cell]:
        return (
            name,
            _hour(row, "planned_s"),
            cells.percent(row["coverage"]),
            *(_hour(row, f"{state}_planned_s") for state in STATES if state != "off_shift"),
            cells.percent(row["spindle_utilisation"], 1),
            Cell(row["basis"] or ""),
        )

    return Table(
        "Hours inside planned time; spindle utilisation is cutting over planned, observed time",
        (
            Column("Machine"),
            Column(f"Planned{IN_HOURS}", True),
            Column("Of it observed", True),
            *(
                Column(f"{wording.STATE_NAMES[state].capitalize()}{IN_HOURS}", True)
                for state in STATES
                if state != "off_shift"
            ),
            Column("Spindle utilisation", True),
            Column("Basis"),
        ),
        _with_total(
            [_grey(row, line(head(row["machine"]), row)) for row in rows], _grey(total, line(Cell(TOTAL), total))
        ),
    )


def _bar(row: Row, longest_s: float) -> Bar:
    stretches = []
    for state in STATES:
        share = row[f"{state}_planned_s"] / longest_s if longest_s else 0.0
        if share > 0:
            hours = row[f"{state}_planned_s"] / 3600
            text = wording.number(hours) if share >= NAMED_SHARE else ""
            told = f"{wording.STATE_NAMES[state]}: {wording.hours(hours)}"
            stretches.append(Stretch(state, round(share * 100, 3), text, told))
    return Bar(row["machine"], tuple(stretches))


def _losses_table(book: Book, losses: pl.DataFrame, rows: Sequence[Row], total: Row, head: Head) -> Table:
    by_name = {row["machine"]: row for row in rows}
    lines = []
    by_machine = losses.partition_by("machine", maintain_order=True)
    for frame in [*by_machine, losses]:
        hours = dict(frame.group_by("loss").agg(pl.col("hours").sum()).iter_rows())
        cost = None if frame["cost"].null_count() == frame.height else float(frame["cost"].sum())
        name = Cell(TOTAL) if frame is losses else head(frame["machine"][0])
        line = (
            name,
            *(Cell(wording.number(hours.get(loss), 1), sort=hours.get(loss)) for loss in LOSSES),
            book.money(cost),
        )
        lines.append(_grey(total if frame is losses else by_name[frame["machine"][0]], line))
    return Table(
        "Hours of planned time that were not cutting, and what they cost at the machine's rate; no data costs nothing",
        (
            Column("Machine"),
            *(Column(f"{name.capitalize()}{IN_HOURS}", True) for name in LOSSES.values()),
            Column("Cost", True),
        ),
        _with_total(lines[:-1], lines[-1]) if by_machine else [],
        empty="No planned time is in the book.",
    ).without_empty("Cost")


def _hours_table(rows: Sequence[Row], total: Row, head: Head) -> Table:
    times = (
        ("Cutting", "cutting_s"),
        ("In cycle, not cutting", "noncutting_s"),
        ("In cycle in overtime", "overtime_s"),
        ("In cycle lights-out", "lights_out_s"),
        ("Off shift", "off_shift_s"),
        ("No data", "unobserved_s"),
        ("Month", "calendar_s"),
    )

    def line(name: Cell, row: Row) -> Sequence[Cell]:
        counts = (cells.count(row[count]) for count in ("cycles", "parts", "scrap"))
        share = cells.percent(row["spindle_utilisation_calendar"], 1)
        return (name, *(_hour(row, time) for _, time in times), share, *counts)

    return Table(
        "All hours of the month, nights and closed days included",
        (
            Column("Machine"),
            *(Column(f"{name}{IN_HOURS}", True) for name, _ in times),
            Column("Cutting, of observed", True),
            Column("Cycles", True),
            Column("Parts", True),
            Column("Scrap", True),
        ),
        _with_total(
            [_grey(row, line(head(row["machine"]), row)) for row in rows], _grey(total, line(Cell(TOTAL), total))
        ),
    )


def _formulas(indicators: Sequence[Indicator]) -> str:
    return "; ".join(f"{one.name} = {one.formula}" for one in indicators) + "."


def _indicators_table(rows: Sequence[Row], total: Row, head: Head) -> Table:
    shares = [one for one in INDICATORS if one.unit == "share" and not one.column.startswith("spindle")]

    def line(name: Cell, row: Row) -> Sequence[Cell]:
        return (
            name,
            *(cells.percent(row.get(one.column), 1) for one in shares),
            cells.percent(row["coverage"]),
            Cell(row["basis"] or ""),
        )

    return Table(
        "In the terms of ISO 22400-2; an index that misses something it needs is empty",
        (Column("Machine"), *(Column(one.name, True) for one in shares), Column("Coverage", True), Column("Basis")),
        _with_total(
            [_grey(row, line(head(row["machine"]), row)) for row in rows], _grey(total, line(Cell(TOTAL), total))
        ),
    )


def _restated(changes: pl.DataFrame) -> list[Block]:
    """Lay out the main figures that would be different today: each cause with its machines, then one table."""
    machines = changes.partition_by("machine", maintain_order=True)
    causes: dict[tuple[str, str], list[str]] = {}
    rows = []
    for frame in machines[:RESTATED_LISTED]:
        machine = frame["machine"][0]
        added = frame["frozen"].null_count() == frame.height
        what = "Not in the statement, and in no sum" if added else "Different today"
        causes.setdefault((what, frame["cause"][0]), []).append(machine)
        rows += [row for row in frame.to_dicts() if row["figure"] in RESTATED_FIGURES and is_visible(row["told"])]
    blocks: list[Block] = [
        Text(f"{what}: {wording.listed(told)}, because {cause}.".replace("->", "→"))
        for (what, cause), told in causes.items()
    ]
    table = Table(
        "Main figures, as frozen and as of today",
        (Column("Machine"), Column("Figure"), Column("Frozen → today")),
        [
            (
                Cell(row["machine"]),
                Cell(" ".join(filter(None, (LOSSES.get(row["item"], row["item"]), figure_name(row["figure"]))))),
                Cell(row["told"].replace("->", "→")),
            )
            for row in rows
        ],
        empty="None of the main figures.",
    )
    return [*blocks, table, Text("All figures: spindlebook report restatements -w <workspace>", "note")]
