"""What a reader must know of the book before its figures: unmatched ids, mute streams, witnesses that disagree.

Sentences only; it changes and hides no figure.
"""

from __future__ import annotations

import polars as pl

from pipeline.report.queries import query
from pipeline.store.book import Book
from schemas.vocabulary import COUNTERS


def book_notes(book: Book, has_shop_file: bool) -> tuple[str, ...]:
    """Return a sentence for each thing in the book that would make a figure mislead."""
    return (
        *machine_notes(query(book, "machines_told"), has_shop_file),
        *_left_out(query(book, "fields_left_out")),
        *clock_notes(query(book, "clocks_wrong")),
        *witness_notes(query(book, "counters"), query(book, "contradictions")),
    )


def machine_notes(machines: pl.DataFrame, has_shop_file: bool) -> list[str]:
    """Name the machines whose ids miss each other, and those of which nothing tells when they ran."""
    notes = []
    if has_shop_file:
        strange = machines.filter(~pl.col("in_shop_file"))["machine"].to_list()
        unseen = machines.filter(pl.col("in_shop_file") & (pl.col("rows") == 0))["machine"].to_list()
        if strange:
            notes.append(
                f"Not in shop.toml but in the exports: {_listed(strange)}. Without a [[machine]] of exactly that id "
                'there is no rate, and shifts reach it only by machines = ["*"].'
            )
        if unseen:
            notes.append(f"In shop.toml but in no export: {_listed(unseen)}. Check how the exports spell the id.")
    mute = machines.filter((pl.col("events") > 0) & (pl.col("executions") == 0))["machine"].to_list()
    if mute:
        notes.append(
            f"The stream of {_listed(mute)} tells no Execution: what the machine did cannot be seen from it, and none "
            "of its time counts as cutting. Name the item in a profile."
        )
    untimed = machines.filter((pl.col("rows") > 0) & (pl.col("events") == 0) & (pl.col("cycles") == 0))
    if not untimed.is_empty():
        notes.append(
            f"Of {_listed(untimed['machine'].to_list())} only changes of tools or edges came in: when the machine ran "
            "cannot be seen from them, and no report of time has it. Add its cycle list or its event stream."
        )
    return notes


def witness_notes(counters: pl.DataFrame, contradictions: pl.DataFrame) -> tuple[str, ...]:
    """Say where the control's own counters, or two sources of one machine, do not go together.

    The frames are those of the reports `counters` and `contradictions`, of all months or of one.
    """
    return (*_counter_notes(counters), *_contradiction_notes(contradictions))


def _left_out(files: pl.DataFrame) -> list[str]:
    """Say in how many files a column was left out that may be a field of ours, and which in the first of them."""
    if not files.height:
        return []
    name, fields = files.select("name", "fields").row(0)
    more = f" (and so in {files.height - 1} more)" if files.height > 1 else ""
    return [
        f"Left out of {name}{more}, as it is not sure: {fields}. If it is that, write a profile that says so: "
        "`spindlebook profile FILE --save` makes one to change."
    ]


def clock_notes(clocks: pl.DataFrame) -> list[str]:
    """Name the first file in which a clock was wrong, and say of how many more the same is known.

    The frame is the query `clocks_wrong`.
    """
    if clocks.is_empty():
        return []
    name, note = clocks.select("name", "note").row(0)
    more = f" ({clocks.height - 1} more: `spindlebook report quality`)" if clocks.height > 1 else ""
    return [
        f"In {name} {note}{more}. Rows stand at the times that files give: correct them where the export comes from "
        "and run again."
    ]


def _counter_notes(counters: pl.DataFrame) -> list[str]:
    """Name the newest month in which a counter and the time line differ, one sentence a machine and counter."""
    differing = counters.filter((pl.col("verdict") == "differs") & (pl.col("counter") != "powered"))
    notes = []
    for rows in differing.sort("month", descending=True).partition_by("machine", "counter", maintain_order=True):
        row = rows.row(0, named=True)
        share = "" if row["share"] is None else f" ({row['share'] * 100:+.1f} %)"
        where = ""
        if abs(row["largest_s"]) > abs(row["difference_s"]) / 2:
            where = f", most of it between rows {row['row_number']} and {row['last_row_number']} of {row['file']}"
        more = f" So in {rows.height - 1} earlier month{'s' * (rows.height > 2)}." if rows.height > 1 else ""
        notes.append(
            f"{row['machine']} in {row['month']}: the control counted {row['counter_s'] / 3600:.1f} h "
            f"{COUNTERS[row['counter']]}, the time line has {row['spans_s'] / 3600:.1f} h for the same stretches"
            f"{share}{where}.{more} `spindlebook report counters` shows both."
        )
    return notes


def _contradiction_notes(contradictions: pl.DataFrame) -> list[str]:
    """Say how many minutes of each machine are told in two ways, and by which files most."""
    notes = []
    for rows in contradictions.partition_by("machine", maintain_order=True):
        most = rows.sort("minutes", descending=True).row(0, named=True)
        what = most["kind"]
        if most["offset_s"] is not None:
            ahead = most["offset_s"] / 60
            what = f"its clock is {abs(ahead):.0f} min {'ahead of' if ahead > 0 else 'behind'} the control's"
        notes.append(
            f"{most['machine']}: sources contradict each other for {rows['minutes'].sum():,.0f} min, most in "
            f"{most['month']} in {most['file']} row {most['row_number']} against {most['other_file']} "
            f"row {most['other_row_number']} ({what}). `spindlebook report contradictions` lists them."
        )
    return notes


def _listed(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
