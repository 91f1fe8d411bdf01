"""What kept machines from cutting, for the pages of machines and of utilisation: losses, stops, batches, changes.

Blocks only, from the frames of the marts; no page is put together here and no time is worked out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Cell, Column, Figure, Table
from dashboards.book import Book, Row, section_key
from dashboards.charts.losses import losses_chart
from dashboards.charts.theme import spec_text
from schemas.vocabulary import LOSSES

STOPS_LISTED: Final = 10
BATCHES_LISTED: Final = 10
CHANGES_LISTED: Final = 3

STOPS_NOTE: Final = (
    "Held, faulted or idle inside planned time. Breaks, nights and closed days do not end a stop and do not count in "
    "its hours. The row is the record that the stop began with."
)
BATCHES_NOTE: Final = (
    "First part is the first complete cycle against the median of the later ones; loading is the median time between "
    "two cycles. Money is at the machine's rate."
)
CHANGES_NOTE: Final = (
    "Hours are put on the footing of the newer month: what a loss took beyond its share of planned, observed time in "
    "the month before."
)


def losses_figure(book: Book, machine: str, month: str, losses: Sequence[Row], changed: Row | None) -> Figure:
    """Draw one machine's losses of one month, in hours with their cost, against the month before."""
    ranked = sorted(losses, key=lambda row: (-row["hours"], row["loss"]))
    change = {} if changed is None else {loss: changed.get(f"{loss}_change_hours") for loss in LOSSES}
    drawn = [
        {
            "label": f"{LOSSES[row['loss']]}\n{_hours_and_cost(book, row)}",
            "hours": row["hours"],
            "seen": row["loss"] != "unobserved",
            "before": row["hours"] - moved if (moved := change.get(row["loss"])) is not None else None,
            "told": f"{LOSSES[row['loss']]}, {wording.month(month)}: {_hours_and_cost(book, row)}, "
            f"{wording.percent(row['share_of_planned'], 1)} of planned time",
        }
        for row in ranked
    ]
    largest = next((row for row in ranked if row["loss"] != "unobserved" and row["hours"] > 0), None)
    title = f"Nothing kept {machine} from cutting in {wording.month(month)}"
    if largest is not None:
        title = f"{machine} lost most to {LOSSES[largest['loss']]} in {wording.month(month)}: "
        title += _hours_and_cost(book, largest)
    note = "With cutting, these add up to planned time. No data is not known to be lost and costs nothing."
    if any(row["before"] is not None for row in drawn):
        note += " Black tick: what it would have taken at its share of the month before."
    table = Table(
        f"What kept {machine} from cutting in {wording.month(month)}",
        (
            Column("Loss"),
            Column("Hours", True),
            Column("Of planned time", True),
            Column("Cost", True),
            Column("Against the month before", True),
        ),
        [
            (
                Cell(LOSSES[row["loss"]]),
                cells.hours(row["hours"]),
                cells.percent(row["share_of_planned"], 1),
                book.money(row["cost"]),
                signed_hours(change.get(row["loss"])),
            )
            for row in ranked
        ],
    )
    return Figure(title, spec_text(losses_chart(drawn), title, 34 * len(drawn)), note, table)


def signed_hours(value: float | None) -> Cell:
    """Hours more or less than before; empty where there is no month before."""
    text = "" if value is None else f"{wording.signed(value, 1)}{wording.NBSP}h"
    return Cell(text, sort=value)


def _hours_and_cost(book: Book, row: Row) -> str:
    hours = wording.hours(row["hours"])
    return hours if row["cost"] is None else f"{hours}, {wording.money(row['cost'], book.currency)}"


def losses_sentence(book: Book, losses: Sequence[Row]) -> str:
    """Say what took most of the planned time of all machines, and what all losses cost."""
    known = [row for row in losses if row["loss"] != "unobserved" and row["hours"] > 0]
    if not known:
        return "Nothing kept a spindle from cutting."
    hours: dict[str, float] = {}
    for row in known:
        hours[row["loss"]] = hours.get(row["loss"], 0.0) + row["hours"]
    most = max(sorted(hours), key=lambda loss: hours[loss])
    told = f"{LOSSES[most].capitalize()} took most: {wording.hours(hours[most])} of the "
    told += f"{wording.hours(sum(hours.values()))} of planned time that were not cutting"
    costs = [row["cost"] for row in known if row["cost"] is not None]
    if costs:
        told += f", which come to {wording.money(sum(costs), book.currency)} at the machines' rates"
    return told + "."


def losses_table(book: Book, month: str, losses: Sequence[Row]) -> Table:
    """Lay out the losses of all machines in one month, those that lost most money or time first."""
    machines: dict[str, dict[str, Row]] = {}
    for row in losses:
        machines.setdefault(row["machine"], {})[row["loss"]] = row
    rows = []
    for machine, by_loss in machines.items():
        costs = [row["cost"] for row in by_loss.values() if row["cost"] is not None]
        lost = sum(row["hours"] for loss, row in by_loss.items() if loss != "unobserved")
        rows.append((machine, by_loss, lost, sum(costs) if costs else None))
    rows.sort(key=lambda row: (-(row[3] or 0.0), -row[2], row[0]))
    watched = book.data.utilisation.filter((pl.col("month") == month) & ~pl.col("low_coverage"))
    full = set(watched["machine"])
    return Table(
        f"What kept machines from cutting in {wording.month(month)}, inside planned time",
        (
            Column("Machine"),
            *(Column(name.capitalize(), True) for name in LOSSES.values()),
            Column("Cost", True),
        ),
        [
            (
                book.machine_cell(machine),
                *(
                    replace(cell, mark="" if machine in full else "few")
                    for cell in (
                        *(cells.hours(by_loss[loss]["hours"] if loss in by_loss else None) for loss in LOSSES),
                        book.money(cost),
                    )
                ),
            )
            for machine, by_loss, _, cost in rows
        ],
        empty="No planned time is in the book yet.",
    ).without_empty("Cost")


def stops_table(book: Book, stops: Sequence[Row], caption: str, with_machine: bool) -> Table:
    """Lay out the longest stops with the run that each interrupted or followed, and the row behind it."""
    listed = sorted(stops, key=lambda row: (-row["hours"], row["machine"], row["started_at"]))
    return Table(
        caption,
        (
            *([Column("Machine")] if with_machine else []),
            Column("Began"),
            Column("Ended"),
            Column("Planned time", True),
            Column("Cost", True),
            Column("What"),
            Column("Run"),
            Column("Source file"),
            Column("Row", True),
        ),
        [
            (
                *([book.machine_cell(row["machine"])] if with_machine else []),
                Cell(wording.local_time(row["started_at"], book.zone)),
                Cell(wording.local_time(row["ended_at"], book.zone)),
                cells.seconds(row["hours"] * 3600),
                book.money(row["cost"]),
                Cell(LOSSES[row["loss"]]),
                _run_cell(book, row),
                book.file_cell(row["file_id"]),
                cells.count(row["row_number"]) if row["row_number"] is not None else Cell(""),
            )
            for row in listed[:STOPS_LISTED]
        ],
        empty="No stop inside planned time is in the book.",
        more=f"The longest {STOPS_LISTED}. Up to twenty a machine and month: spindlebook report stops -w <workspace>"
        if len(listed) > STOPS_LISTED
        else "",
    ).without_empty("Cost")


def _run_cell(book: Book, row: Row) -> Cell:
    if row["run_id"] is None or row["job_key"] is None:
        return Cell(wording.NONE)
    name = row["job_key"] + (f" op {row['operation']}" if row["operation"] else "")
    href = book.job_href(row) if section_key(row) in book.job_labels else ""
    return Cell(f"{'in' if row['interrupted'] else 'after'} {name}", href)


def batches_table(book: Book, batches: Sequence[Row]) -> Table:
    """Lay out a machine's newest batches: setup against the quote, the first part against the later ones."""
    return Table(
        "Newest batches",
        (
            Column("Job"),
            Column("Began"),
            Column("Good", True),
            Column("Scrap", True),
            Column("Setup", True),
            Column("Quoted", True),
            Column("Setup over", True),
            Column("First part", True),
            Column("Later", True),
            Column("Loading", True),
            Column("Stops", True),
        ),
        [
            (
                Cell(
                    batch["job_key"] + (f" op {batch['operation']}" if batch["operation"] else ""),
                    f"job/{book.job_slugs[batch['job_key']]}.html" if batch["job_key"] in book.job_slugs else "",
                ),
                Cell(wording.local_time(batch["started_at"], book.zone)),
                cells.count(batch["good"]),
                cells.count(batch["scrap"]),
                cells.seconds(batch["setup_s"]),
                cells.seconds(batch["quoted_setup_s"]),
                book.money(batch["setup_over_cost"]),
                cells.seconds(batch["first_part_s"]),
                cells.seconds(batch["repeat_s"]),
                cells.seconds(batch["between_cycles_s"]),
                cells.count(batch["stops"]),
            )
            for batch in batches[:BATCHES_LISTED]
        ],
        empty="No batch of this machine is in the book yet.",
        more=f"The newest {BATCHES_LISTED} of {len(batches)}. All of them: spindlebook report batches -w <workspace>"
        if len(batches) > BATCHES_LISTED
        else "",
    ).without_empty("Setup over")


def changes_table(book: Book, changes: Sequence[Row], by_machine: bool) -> Table:
    """Lay out what changed from the month before: of machines in one month, or months of one machine."""
    return Table(
        "Against the month before",
        (
            Column("Machine" if by_machine else "Month"),
            Column("What changed"),
        ),
        [
            (
                book.machine_cell(row["machine"])
                if by_machine
                else Cell(wording.short_month(row["month"]), sort=row["month"]),
                Cell(_told_change(book, row), mark="few wrap" if _is_thin(book, row) else "wrap"),
            )
            for row in (changes if by_machine else changes[:CHANGES_LISTED])
        ],
        empty="There is no month before to compare with.",
        more=f"The newest {CHANGES_LISTED} of {len(changes)}. All of them: spindlebook report changes -w <workspace>"
        if not by_machine and len(changes) > CHANGES_LISTED
        else "",
        cards=True,
    )


def _is_thin(book: Book, row: Row) -> bool:
    return bool(min(row["coverage"], row["coverage_before"]) < book.data.least_coverage)


def _told_change(book: Book, row: Row) -> str:
    least = wording.percent(book.data.least_coverage)
    said = f"Low coverage: one of the two months was observed for under {least} of planned time. "
    return (said if _is_thin(book, row) else "") + str(row["what_changed"]).replace("%", f"{wording.NBSP}%")
