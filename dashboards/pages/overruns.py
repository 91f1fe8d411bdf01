"""The page of all jobs against their estimates, dearest overrun first.

Verdicts and intervals come from the mart; this page orders and words them.
"""

from __future__ import annotations

from typing import Final

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.drift import costs_chart, jobs_chart
from dashboards.charts.theme import spec_text
from dashboards.pages.job_causes import cost_of
from dashboards.pages.job_costs import HOW, margins_table

COSTS_DRAWN: Final = 15
SHOWN_IN_CHART: Final = 25


def overruns_page(book: Book) -> Page:
    """Build overruns.html."""
    rows = book.drift_rows
    timed = [row for row in rows if cells.is_timed(row)]
    tolerance = wording.percent(book.data.tolerance)
    how = (
        f"A job runs over when it has at least 5 complete runs and a test by batch finds the actual time more than "
        f"{tolerance} above the estimate; among all jobs called over or under, about one in twenty may be called so "
        "by chance (Benjamini-Hochberg, q at most 0.05). Too few means that no verdict is given; without an estimate "
        "there is nothing to compare with. Intervals are 95 %."
    )
    blocks: list[Block] = [Text(sentence(rows), "lead"), *money_note(book)]
    if timed:
        blocks += [*_costs_figure(book, timed), _figure(book, timed)]
    margins = margins_table(book)
    return Page(
        "overruns.html",
        "Jobs against their estimates",
        [
            Section("", blocks),
            Section("All jobs", [jobs_table(book, rows), Text(how, "note")], "all-jobs"),
            *_setup_section(book, rows),
            *([Section("Cost and margin", [margins, Text(HOW, "note")], "margins")] if margins.rows else []),
        ],
        nav="overruns",
    )


def counted(rows: list[Row]) -> str:
    """Say how many operations of how many jobs the rows are."""
    return wording.operations(len(rows), len({row["job_key"] for row in rows}))


def _judged(rows: list[Row]) -> str:
    jobs = len({row["job_key"] for row in rows})
    if len(rows) == jobs:
        return wording.plural(jobs, "judged job")
    return f"{wording.plural(len(rows), 'judged operation')} ({wording.plural(jobs, 'job')})"


def sentence(rows: list[Row]) -> str:
    """Say how many operations run over, what that takes, and how many cannot be judged."""
    without = [row for row in rows if row["estimate_s"] is None]
    few = [row for row in rows if row["estimate_s"] is not None and row["verdict"] == "too few"]
    judged = [row for row in rows if row["estimate_s"] is not None and row["verdict"] != "too few"]
    over = [row for row in judged if row["verdict"] == "over"]
    if not rows:
        return "No job has been run yet, so there is nothing to compare with an estimate."
    rest = f" {counted(without)} {'has' if len(without) == 1 else 'have'} no estimate." if without else ""
    if not judged and not few:
        return f"Nothing to compare with: {counted(without)} without an estimate."
    if not judged:
        return f"Too few runs for a verdict on any of {counted(few)}.{rest}"
    if few:
        rest = f" {counted(few)} {'has' if len(few) == 1 else 'have'} too few runs for a verdict.{rest}"
    if not over:
        return f"None of {_judged(judged)} runs over its estimate.{rest}"
    lost = sum(row["overrun_hours"] or 0.0 for row in over)
    verb = "runs over its estimate" if len(over) == 1 else "run over their estimates"
    together = "it has" if len(over) == 1 else "together they have"
    return f"{len(over)} of {_judged(judged)} {verb}; {together} taken {wording.hours(lost)} more than estimated.{rest}"


def money_note(book: Book) -> list[Text]:
    """Say why money columns are empty, where they are."""
    if not book.has_rates:
        return [Text("Cost columns are empty: no machine has a rate_per_hour in shop.toml.", "note")]
    rates = book.data.machines
    without = rates.filter(rates["rate_per_hour"].is_null())["machine"].sort().to_list()
    if without:
        return [Text(f"Costs are empty for {wording.listed(without)}: no rate_per_hour in shop.toml.", "note")]
    return []


def _setup_section(book: Book, rows: list[Row]) -> list[Section]:
    """List setup and loading beyond what was quoted for them, the most hours of setup first."""
    found = [
        (row, money)
        for row in rows
        if (money := book.money_row(row)) is not None
        and (money["setup_over_hours"] is not None or money["load_over_hours"] is not None)
    ]
    if not found:
        return []
    found.sort(key=lambda pair: -((pair[1]["setup_over_hours"] or 0.0) + (pair[1]["load_over_hours"] or 0.0)))
    table = Table(
        "Setup and loading against the quote",
        (
            Column("Job"),
            Column("Batches", True),
            Column("Setup quoted", True),
            Column("Setup taken, mean", True),
            Column("Setup over, in all", True),
            Column("Loading quoted", True),
            Column("Loading taken, median", True),
            Column("Loading over, in all", True),
            Column("Cost over", True),
        ),
        [
            (
                book.job_cell(row),
                cells.count(money["batches"]),
                cells.seconds(money["quoted_setup_each_s"]),
                cells.seconds(money["setup_each_s"]),
                cells.hours(money["setup_over_hours"]),
                cells.seconds(money["quoted_load_s"]),
                cells.seconds(money["load_each_s"]),
                cells.hours(money["load_over_hours"]),
                book.money(
                    cost_of(money, (money["setup_over_hours"] or 0.0) + (money["load_over_hours"] or 0.0)),
                ),
            )
            for row, money in found
        ],
    )
    note = (
        "In no cycle, so in no cause and no verdict. Setup is what batches took against what was quoted for each; the "
        "first batch of a machine is left out, for its setup lies before the first record. Loading is the median time "
        "between two cycles of a batch."
    )
    return [Section("Setup and loading", [table.without_empty("Cost over"), Text(note, "note")], "setup")]


def _costs_figure(book: Book, timed: list[Row]) -> list[Figure]:
    """Draw what overruns took in money, or in hours where some machine has no rate; the small ones are left out."""
    column, unit = ("overrun_cost", book.currency) if book.ranks_by_cost else ("overrun_hours", "h")
    known = [row for row in timed if row[column] is not None]
    if not known:
        return []
    shown = sorted(known, key=lambda row: -abs(row[column]))[:COSTS_DRAWN]
    kept = [row for row in known if row in shown]
    first = kept[0]
    digits = 0 if book.ranks_by_cost else 1
    name = wording.money if book.ranks_by_cost else _hours_of

    def told(row: Row) -> str:
        return f"{'+' if row[column] > 0 else ''}{name(row[column], unit, digits)}"

    title = "No job took more than estimated"
    if first[column] > 0:
        title = f"{book.job_label(first)} cost {told(first)} against its estimate, the most of all"
        if not book.ranks_by_cost:
            title = f"{book.job_label(first)} took {told(first)} against its estimate, the most of all"
    drawn = [
        {
            "label": book.short_label(row),
            "value": row[column],
            "side": "more" if row[column] >= 0 else "less",
            "text": told(row),
            "told": f"{book.job_label(row)}: {told(row)} in {wording.plural(row['runs'], 'run')}, "
            f"{wording.over(row['drift'])} in the middle",
        }
        for row in kept
    ]
    note = "All complete runs against their estimates, setup and loading left out"
    note += ", at the machine's rate." if book.ranks_by_cost else "; hours, because some machine has no rate."
    if len(known) > len(kept):
        note += f" The {len(kept)} largest of {len(known)}."
    chart = costs_chart(drawn, f"Over the estimate ({unit or 'money'})")
    return [Figure(title, spec_text(chart, title, 24 * len(drawn)), note, see="All jobs", see_anchor="all-jobs")]


def _hours_of(value: float, _unit: str, digits: int) -> str:
    return wording.hours(value, digits)


def _figure(book: Book, timed: list[Row]) -> Figure:
    shown = timed[:SHOWN_IN_CHART]
    first = shown[0]
    by = "cost" if book.ranks_by_cost else "hours lost"
    if first["verdict"] == "over" and first["estimate_s"] is not None:
        verb = "costs" if book.ranks_by_cost else "loses"
        title = f"{book.job_label(first)} {verb} the most: it runs {wording.over_words(first['drift'])}"
    else:
        title = "No job with a verdict runs over its estimate by much"
        if any(row["verdict"] == "over" for row in shown):
            title = f"Jobs against their estimates, by {by}"
    points = [
        {
            # The axis has room for about 25 letters.
            "label": book.short_label(row),
            "over": (row["drift"] - 1) * 100,
            "low": ((row["drift_low"] or row["drift"]) - 1) * 100,
            "high": ((row["drift_high"] or row["drift"]) - 1) * 100,
            "verdict": row["verdict"],
            "told": f"{book.job_label(row)}: {wording.over(row['drift'])}, {_interval(row)}, "
            f"{wording.plural(row['runs'], 'run')} in {wording.plural(row['batches'], 'batch', 'batches')}",
        }
        for row in shown
    ]
    note = f"Shaded: within {wording.percent(book.data.tolerance)} of the estimate. Sorted by {by}."
    if len(timed) > len(shown):
        note += f" The {len(shown)} at the head of {len(timed)} jobs with an estimate; the table has all."
    chart = jobs_chart(points, book.data.tolerance)
    return Figure(title, spec_text(chart, title, 24 * len(points)), note, see="All jobs", see_anchor="all-jobs")


def _interval(row: Row) -> str:
    if row["drift_low"] is None or row["drift_high"] is None:
        return "too few runs for an interval"
    return f"95 % interval {wording.over_range(row['drift_low'], row['drift_high'])}"


def jobs_table(book: Book, rows: list[Row]) -> Table:
    """Lay out rows of the drift mart, each leading to its runs."""
    return Table(
        "Jobs against their estimates",
        (
            Column("Job"),
            Column("Cost", True),
            Column("Hours over", True),
            Column("Verdict"),
            Column("Over estimate", True),
            Column("95 % interval", True),
            Column("Runs", True),
            Column("Batches", True),
            Column("Estimate", True),
            Column("Median actual", True),
            Column("Since"),
            Column("Basis"),
        ),
        [
            (
                book.job_cell(row),
                book.money(row["overrun_cost"]),
                cells.hours(row["overrun_hours"]),
                cells.verdict(cells.drift_verdict(row)),
                cells.drift(row["drift"]),
                cells.drift_interval(row),
                cells.count(row["runs"]),
                cells.count(row["batches"]),
                cells.seconds(row["estimate_s"]),
                cells.seconds(row["actual_s"]),
                Cell(
                    wording.local_time(row["shifted_at"], book.zone)[:10] if row["shifted_at"] else "",
                    sort=wording.local_time(row["shifted_at"], book.zone),
                ),
                Cell(row["basis"] + (", against quote" if row["estimate_from"] == "quote" else "")),
            )
            for row in rows
        ],
        empty="No runs are in the book yet.",
    )
