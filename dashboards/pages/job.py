"""A job's page: for each operation, machine, program and revision its runs, what eats the time, and the source rows.

It lists the newest runs and puts all that it was given beside the page as a spreadsheet file.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Facts, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.drift import Level, runs_chart
from dashboards.charts.theme import spec_text, wall_time
from dashboards.pages.job_causes import apart_notes, causes_figure, change_blocks, setup_table
from dashboards.pages.job_costs import job_cost_section
from dashboards.run_sheet import runs_sheet
from dashboards.site_data import SECTION_KEY

RUNS_LISTED: Final = 100
RUNS_DRAWN: Final = 400
BATCHES_LISTED: Final = 40


def job_page(book: Book, job_key: str, rows: list[Row]) -> Page:
    """Build job/<slug>.html from the job's rows of the drift mart."""
    path = f"job/{book.job_slugs[job_key]}.html"
    ordered = sorted(rows, key=book.section_place)
    files: dict[str, str] = {}
    sections: list[Section] = job_cost_section(book, job_key, ordered)
    for row in ordered:
        anchor = book.section_anchor(row)
        runs = book.runs.get(tuple(row[column] for column in SECTION_KEY))
        sheet = ""
        if runs is not None:
            sheet = book.sheet_path(row)
            files[sheet] = runs_sheet(book, runs)
        sections.append(_section(book, row, anchor, runs, sheet))
    return Page(path, f"Job {job_key}", sections, nav="overruns", files=files)


def _section(book: Book, row: Row, anchor: str, runs: pl.DataFrame | None, sheet: str) -> Section:
    names = [f"Operation {row['operation']}" if row["operation"] else "", f"machine {row['machine']}"]
    names += [f"program {row['program']}", f"revision {row['revision']}" if row["revision"] else ""]
    heading = ", ".join(name for name in names if name)
    blocks: list[Block] = [Text(_verdict_sentence(book, row), "lead"), _facts(book, row), *apart_notes(book, row)]
    if runs is not None and not runs.is_empty():
        blocks.append(_runs_figure(book, row, runs, f"runs-{anchor}"))
        blocks += change_blocks(book, row)
        causes = book.causes.get(tuple(row[column] for column in SECTION_KEY))
        if causes is not None and not causes.is_empty():
            blocks.append(causes_figure(book, row, causes))
        blocks += setup_table(book, row)
        blocks += [_batches_table(book, row), _runs_table(book, row, runs, sheet, f"runs-{anchor}")]
    blocks.append(Text("", href=book.machine_href(row["machine"]), link=f"Machine {row['machine']}"))
    return Section(heading[0].upper() + heading[1:], blocks, anchor)


def _verdict_sentence(book: Book, row: Row) -> str:
    runs = f"{wording.plural(row['runs'], 'complete run')} in {wording.plural(row['batches'], 'batch', 'batches')}"
    if row["estimate_s"] is None:
        return f"There is no estimate to compare with ({runs})."
    if row["drift"] is None:
        return f"There is no complete run yet to hold against the estimate ({runs})."
    runs_words = f"The median run is {wording.over_words(row['drift'])}"
    if row["drift_low"] is None or row["drift_high"] is None:
        return f"{runs_words}; {runs} are too few for an interval or a verdict."
    told = f"{runs_words} (95 % interval {wording.over_range(row['drift_low'], row['drift_high'])}, {runs})."
    if row["verdict"] == "too few":
        return f"{told} That is too few for a verdict."
    tolerance = wording.percent(book.data.tolerance)
    verdict = {"over": f"more than {tolerance} over", "under": f"more than {tolerance} under"}
    if row["verdict"] in verdict:
        told += f" The test finds it {verdict[row['verdict']]} (q {wording.probability(row['drift_q'])})."
    else:
        told += f" No test finds it more than {tolerance} over or under."
    if row["shifted_at"] is not None and row["drift_before"] is not None and row["drift_after"] is not None:
        told += (
            f" It changed on {wording.local_day(row['shifted_at'], book.zone)}: {wording.over(row['drift_before'])} "
            f"before, {wording.over(row['drift_after'])} since ({_after_words(row)}, "
            f"q {wording.probability(row['shift_q'])})."
        )
    return told


def _after_words(row: Row) -> str:
    told = cells.after_interval(row)
    return "too few runs for an interval" if told == "too few" else f"95 % interval {told}"


def _facts(book: Book, row: Row) -> Facts:
    source = {"lines": " (estimate lines)", "quote": " (the quoted cycle: there are no estimate lines)", None: ""}
    cost = "no rate in shop.toml"
    if row["overrun_cost"] is not None:
        cost = wording.money(row["overrun_cost"], book.currency)
    elif row["estimate_s"] is None:
        cost = "no estimate"
    elif row["overrun_hours"] is None:
        cost = "no complete run"
    return Facts(
        [
            ("Estimate per cycle", wording.duration(row["estimate_s"]) + source[row["estimate_from"]]),
            ("Median actual", wording.duration(row["actual_s"])),
            ("Mean actual", wording.duration(row["actual_mean_s"])),
            ("Over the estimate in all", wording.hours(row["overrun_hours"])),
            ("At the machine's rate", cost),
            ("Aborted runs, not counted", wording.number(row["aborted"])),
            ("Basis", row["basis"]),
        ]
    )


def _drawn(book: Book, row: Row, runs: pl.DataFrame) -> tuple[pl.DataFrame, str]:
    """Return the points of the run chart (at, value, told) and what one point stands for."""
    complete = runs.filter(pl.col("outcome") == "complete")
    timed = cells.is_timed(row)
    value = (pl.col("actual_s") / row["estimate_s"] - 1) * 100 if timed else pl.col("actual_s") / 60
    points = complete.select("started_at", "batch_id", "actual_s", value=value)
    if points.height <= RUNS_DRAWN:
        return points, "run"
    batches = points.group_by("batch_id", maintain_order=True).agg(
        pl.col("started_at").first(), pl.col("actual_s", "value").median()
    )
    return batches.tail(RUNS_DRAWN), "batch (its median)"


def _runs_figure(book: Book, row: Row, runs: pl.DataFrame, anchor: str) -> Block:
    points, unit = _drawn(book, row, runs)
    if points.is_empty():
        return Text("No complete run to draw.", "note")
    timed = cells.is_timed(row)
    values = points["value"]
    low_q, high_q = float(values.quantile(0.05) or 0), float(values.quantile(0.95) or 0)
    # One run with an hour of hold must not press all others into a line: far points stand at the edge, marked.
    top = high_q + max(2.0 * (high_q - low_q), 5.0)
    drawn = [
        {
            "at": wall_time(point["started_at"], book.zone),
            "value": min(point["value"], top),
            "beyond": point["value"] > top,
            "told": f"{wording.local_time(point['started_at'], book.zone)}: {wording.duration(point['actual_s'])}"
            + (f", {wording.signed(point['value'])} % over" if timed else ""),
        }
        for point in points.to_dicts()
    ]
    levels, interval, shift = _levels(book, row, drawn)
    title = _runs_title(book, row)
    y_title = "Time over the estimate (%)" if timed else "Cycle time (min)"
    chart = runs_chart(drawn, y_title, levels, interval, shift)
    beyond = sum(point["beyond"] for point in drawn)
    note = f"Each point is a {unit}." + (" Dotted: the estimate." if timed else "")
    if interval is not None:
        note += " Band: 95 % interval of the median."
    if beyond:
        note += f" {wording.plural(beyond, 'point lies', 'points lie')} beyond the scale (triangles at the edge)."
    note += _left_out(row, runs, points, unit)
    return Figure(title, spec_text(chart, title, 240), note, see="Runs and their source rows", see_anchor=anchor)


def _left_out(row: Row, runs: pl.DataFrame, points: pl.DataFrame, unit: str) -> str:
    """Say how many complete runs the chart does not show, where that is not none."""
    shown = runs.filter(pl.col("outcome") == "complete")
    if unit != "run":
        shown = shown.filter(pl.col("batch_id").is_in(points["batch_id"].implode()))
    older = row["runs"] - shown.height
    if older <= 0:
        return ""
    return (
        f" Drawn are the newest {wording.number(shown.height)} of {wording.plural(row['runs'], 'complete run')}; "
        f"{wording.plural(older, 'older one is', 'older ones are')} left out."
    )


def _levels(
    book: Book, row: Row, drawn: list[dict[str, Any]]
) -> tuple[list[Level], tuple[float, float] | None, str | None]:
    if not cells.is_timed(row):
        return [], None, None
    first, last = drawn[0]["at"], drawn[-1]["at"]
    if row["shifted_at"] is not None and row["drift_before"] is not None and row["drift_after"] is not None:
        at = wall_time(row["shifted_at"], book.zone)
        day = wording.local_day(row["shifted_at"], book.zone)
        levels = [
            Level(start, end, (drift - 1) * 100, f"{wording.over(drift)} {words}", late)
            for start, end, drift, words, late in (
                (first, at, row["drift_before"], f"before {day}", False),
                (at, last, row["drift_after"], "since", True),
            )
            if start < end
        ]
        if len(levels) == 1 and levels[0].late:
            levels = [replace(levels[0], label=f"{levels[0].label} {day}")]
        return levels, None, (at if first <= at <= last else None)
    interval = None
    if row["drift_low"] is not None and row["drift_high"] is not None:
        interval = ((row["drift_low"] - 1) * 100, (row["drift_high"] - 1) * 100)
    level = Level(first, last, (row["drift"] - 1) * 100, f"median {wording.over(row['drift'])}")
    return [level], interval, None


def _runs_title(book: Book, row: Row) -> str:
    label = book.job_label(row)
    if row["estimate_s"] is None:
        return f"{label} takes {wording.duration(row['actual_s'])}, without an estimate to hold it against"
    if row["drift"] is None:
        return f"{label}: nothing yet to hold against the estimate"
    if row["verdict"] == "too few":
        return f"{label}: too few runs for a verdict ({row['runs']})"
    if row["shifted_at"] is not None and row["drift_after"] is not None:
        since = wording.local_day(row["shifted_at"], book.zone)
        return f"{label} runs {wording.over_words(row['drift_after'])} since {since}"
    return f"{label} runs {wording.over_words(row['drift'])}"


def _batches_table(book: Book, row: Row) -> Table:
    batches, unsure = book.batches(row)
    more = f"The newest {BATCHES_LISTED} of {len(batches)} batches." if len(batches) > BATCHES_LISTED else ""
    if unsure:
        more += f" {wording.plural(unsure, 'older batch', 'older batches')} may be of another program or revision."
    return Table(
        "Batches",
        (
            Column("Began"),
            Column("Runs", True),
            Column("Aborted", True),
            Column("Parts", True),
            Column("Scrap", True),
            Column("Setup", True),
            Column("Quoted setup", True),
            Column("First part", True),
            Column("Later cycles, median", True),
            Column("Between cycles", True),
            Column("Stops", True),
            Column("Basis"),
        ),
        [
            (
                Cell(wording.local_time(batch["started_at"], book.zone)),
                cells.count(batch["runs"]),
                cells.count(batch["aborted"]),
                cells.count(batch["parts"]),
                cells.count(batch["scrap"]),
                cells.seconds(batch["setup_s"]),
                cells.seconds(batch["quoted_setup_s"]),
                cells.seconds(batch["first_part_s"]),
                cells.seconds(batch["repeat_s"]),
                cells.seconds(batch["between_cycles_s"]),
                cells.count(batch["stops"]),
                Cell(batch["basis"]),
            )
            for batch in batches[:BATCHES_LISTED]
        ],
        empty="No batch is known for these runs.",
        more=more.strip(),
    )


def _runs_table(book: Book, row: Row, runs: pl.DataFrame, sheet: str, anchor: str) -> Table:
    listed = runs.tail(RUNS_LISTED).reverse().to_dicts()
    total = max(row["runs"] + row["aborted"], runs.height)
    more = f"{wording.plural(runs.height, 'run')} with file and row number as a spreadsheet file (CSV)"
    if total > runs.height:
        more = f"The newest {more}; {wording.number(total)} are in the book"
    return Table(
        "Runs and their source rows" + (f", newest {RUNS_LISTED}" if runs.height > RUNS_LISTED else ""),
        (
            Column("Started"),
            Column("Actual", True),
            Column("Over estimate", True),
            Column("Outcome"),
            Column("Parts", True),
            Column("Job"),
            Column("Basis"),
            Column("Source file"),
            Column("Row", True),
        ),
        [
            (
                Cell(wording.local_time(run["started_at"], book.zone)),
                cells.seconds(run["actual_s"]),
                cells.drift(_run_drift(run)),
                Cell(run["outcome"], mark="" if run["outcome"] == "complete" else "few"),
                cells.count(run["parts"]),
                Cell(run["job"] or ""),
                Cell(run["basis"]),
                book.file_cell(run["file_id"]),
                _rows_cell(run),
            )
            for run in listed
        ],
        more=more,
        more_href=sheet,
        anchor=anchor,
    )


def _run_drift(run: Row) -> float | None:
    """An aborted run says nothing about the estimate."""
    return run["actual_s"] / run["estimate_s"] if run["estimate_s"] and run["outcome"] == "complete" else None


def _rows_cell(run: Row) -> Cell:
    first, last = run["row_number"], run["last_row_number"]
    same = run["last_file_id"] in (None, run["file_id"]) and last in (None, first)
    return Cell(str(first) if same else f"{first} to {last}", sort=first)
