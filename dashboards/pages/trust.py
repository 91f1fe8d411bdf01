"""How far quotes can be trusted: past jobs quoted from what was known before them, and kept quotes against the outcome.

Errors, coverage and what is offered come from the marts; this page words them.
"""

from __future__ import annotations

from statistics import median
from typing import Any, Final

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.theme import spec_text
from dashboards.charts.trust import ESTIMATES, HELD, errors_chart, outcomes_chart

FEW_JOBS: Final = 5
"""Fewer past jobs carry no verdict on factors (the rule of mart.quote_trust)."""
QUOTES_DRAWN: Final = 25
QUOTES_LISTED: Final = 60

HOW: Final = (
    "Each past job is quoted from what was known at the beginning of its first month, and while fewer than 50 jobs "
    "were known at the beginning of its first day: once by its estimate as it stands and once corrected by the factors "
    "of then. Runs count as they were, for learning and first articles are told by later runs. "
    "Materials and kinds are those of the orders and revisions run by then; a line of an estimate that "
    "was changed since counts as it stands now, for exports do not tell since when a line held. "
    "Off by is the mean distance of the quoted from the actual time; each job counts once. Factors are offered only "
    "where they beat the estimate as it stands (paired test, 5 %); else the quote leaves the estimate alone."
)
KEEP: Final = (
    "No quote is kept in the book yet: spindlebook quote FILE keeps each quote with its lines and the version of the "
    "factors, and this page then sets it against the runs that follow."
)


def trust_page(book: Book) -> Page:
    """Build trust.html."""
    rows = book.data.trust.to_dicts()
    first: list[Block] = [Text(sentence(rows), "lead"), *_errors_figure(rows)]
    link = Text("", href="quoting.html", link="The factors")
    return Page(
        "trust.html",
        "How far quotes can be trusted",
        [
            Section("", first),
            Section("What is offered, and why", [trust_table(book, rows), Text(HOW, "note"), link], "offered"),
            Section("Quotes kept, and what then happened", _outcome_blocks(book), "kept"),
            *_past_sections(book),
        ],
        nav="quoting",
    )


def sentence(rows: list[Row]) -> str:
    """Say for which times factors make quotes better, and for which they do not."""
    if not rows or all(row["jobs"] == 0 for row in rows):
        return "Too few past jobs with an estimate to say how far quotes can be trusted."
    offered = [row for row in rows if row["offered"]]
    others = [row for row in rows if not row["offered"]]
    told = "No factor beats the estimate as it stands, so none is offered."
    if offered:
        better = wording.listed(
            [
                f"{_kind(row)} (off by {wording.percent(row['corrected_error'], 1)} instead of "
                f"{wording.percent(row['raw_error'], 1)})"
                for row in offered
            ]
        )
        told = f"Factors make quotes better for {better}."
        if others:
            told += f" For {wording.listed([_kind(row) for row in others])} the estimate stands as it is."
    return told


def _kind(row: Row) -> str:
    return wording.TIME_KIND_NAMES[row["time_kind"]]


def is_few(row: Row) -> bool:
    """Whether too few past jobs stand behind a row for a verdict."""
    return row["jobs"] < FEW_JOBS or row["raw_error"] is None or row["corrected_error"] is None


def _errors_figure(rows: list[Row]) -> list[Figure]:
    shown = [row for row in rows if not is_few(row)]
    if not shown:
        return []
    points: list[dict[str, Any]] = []
    for row in shown:
        label = f"{_kind(row)}\n{wording.plural(row['jobs'], 'job')}"
        for which, column in zip(ESTIMATES, ("raw_error", "corrected_error"), strict=True):
            told = f"{_kind(row)}, {which}: off by {wording.percent(row[column], 1)} over {row['jobs']} past jobs"
            points.append({"label": label, "which": which, "error": 100 * row[column], "told": told})
    gain = max(shown, key=lambda row: row["raw_error"] - row["corrected_error"])
    title = "Correcting brings no quote nearer than the estimate as it stands"
    if gain["offered"]:
        title = (
            f"Corrected, {_kind(gain)} is off by {wording.percent(gain['corrected_error'])} instead of "
            f"{wording.percent(gain['raw_error'])}"
        )
    note = "Open circles: the estimate as it stands. Filled diamonds: corrected by factors. Nearer to 0 is better."
    few = [_kind(row) for row in rows if is_few(row)]
    if few:
        note += f" Too few past jobs for {wording.listed(few)}."
    chart = errors_chart(points)
    see = "What is offered, and why"
    return [Figure(title, spec_text(chart, title, 44 * len(shown)), note, see=see, see_anchor="offered")]


def trust_table(book: Book, rows: list[Row]) -> Table:
    """Lay out each kind of time: what is offered, errors, coverage of the intervals and how many jobs stand behind."""
    counts = dict(book.data.factors.group_by("time_kind").len().iter_rows())
    return Table(
        "What is offered, and why",
        (
            Column("Time"),
            Column("Factors"),
            Column("Past jobs", True),
            Column("Off by, as it stands", True),
            Column("Off by, corrected", True),
            Column("Corrected was closer", True),
            Column(f"Inside 50{wording.NBSP}%", True),
            Column(f"Inside 90{wording.NBSP}%", True),
            Column("Why"),
        ),
        [
            (
                Cell(_kind(row), sort=row["time_kind"]),
                _offered_cell(row, counts.get(row["time_kind"], 0)),
                cells.count(row["jobs"]),
                _or_few(row, "raw_error", 1),
                _or_few(row, "corrected_error", 1),
                _or_few(row, "closer"),
                _or_few(row, "coverage_50"),
                _or_few(row, "coverage_90"),
                Cell(_why(row), mark="wrap"),
            )
            for row in rows
        ],
        empty="Too few past jobs with an estimate for any factor.",
        cards=True,
    )


def _offered_cell(row: Row, count: int) -> Cell:
    if row["offered"]:
        return Cell(f"✓ offered ({wording.number(count)})", "factor-sheet.html", mark="good")
    if is_few(row):
        return Cell("○ too few", mark="few")
    return Cell("– not offered")


def _or_few(row: Row, column: str, digits: int = 0) -> Cell:
    if is_few(row) or row[column] is None:
        return Cell("too few", mark="few")
    return cells.percent(row[column], digits)


def _why(row: Row) -> str:
    said = str(row["because"])
    said = said[:1].upper() + said[1:]
    if row["least_reach"] is not None:
        reach = wording.percent(row["least_reach"])
        said += f"; past intervals did not hold, so those of quotes reach at least {reach} to either side"
    return f"{said}."


def _outcome_blocks(book: Book) -> list[Block]:
    kept = book.data.outcomes.to_dicts()
    if not kept:
        return [Text(KEEP)]
    ran = [row for row in kept if row["actual_over_quoted"] is not None]
    judged = [row for row in ran if row["held"] is not None]
    told = f"{wording.plural(len(kept), 'quoted operation')}, {wording.number(len(ran))} of them run since."
    if judged:
        held = sum(bool(row["held"]) for row in judged)
        told += f" The median cycle of {held} of {len(judged)} lay inside the 90{wording.NBSP}% interval."
        if len(judged) < FEW_JOBS:
            told += " That is too few to judge the intervals by."
    blocks: list[Block] = [Text(told, "lead")]
    if ran:
        blocks.append(_outcomes_figure(book, ran))
    return [*blocks, _outcomes_table(book, kept)]


def _outcomes_figure(book: Book, ran: list[Row]) -> Figure:
    points = []
    for row in ran[:QUOTES_DRAWN]:
        over = 100 * (row["actual_over_quoted"] - 1)
        low, high = 0.0, 0.0
        if row["cycle_s_low"] is not None and row["cycle_s_high"] is not None and row["expected_cycle_s"]:
            low, high = (100 * (row[end] / row["expected_cycle_s"] - 1) for end in ("cycle_s_low", "cycle_s_high"))
        held = HELD[2] if row["held"] is None else HELD[0] if row["held"] else HELD[1]
        told = f"{_quoted_name(row)}: {wording.signed(over, 1)} % over what was quoted, {held}"
        on_machine = f", {row['machine']}" if row["machine"] else ""
        label = f"{_quoted_name(row)}{on_machine}\n{row['quote_id']}"
        points.append({"label": label, "over": over, "low": low, "high": high, "held": held, "told": told})
    middle = median(100 * (row["actual_over_quoted"] - 1) for row in ran)
    size = f"{wording.number(abs(middle))}{wording.NBSP}%"
    title = f"Jobs took {size} {'more' if middle > 0 else 'less'} than was quoted, in the middle"
    if round(middle) == 0:
        title = "Jobs took what was quoted, in the middle"
    note = "Each mark is one quoted operation that ran since; the band is its 90 % interval, dotted is what was quoted."
    if len(ran) > len(points):
        note += f" The newest {len(points)} of {len(ran)}."
    see = "Quotes kept"
    chart = outcomes_chart(points)
    return Figure(title, spec_text(chart, title, 34 * len(points)), note, see=see, see_anchor="quotes")


def _quoted_name(row: Row) -> str:
    name = row["job"] or row["program"] or "?"
    return f"{name} op {row['operation']}" if row["operation"] else str(name)


def _outcomes_table(book: Book, kept: list[Row]) -> Table:
    more = "All of them: spindlebook report outcomes." if len(kept) > QUOTES_LISTED else ""
    return Table(
        "Quotes kept",
        (
            Column("Quoted"),
            Column("Given"),
            Column("Machine"),
            Column("Cycle quoted", True),
            Column(f"90{wording.NBSP}% interval", True),
            Column("Cycle since, median", True),
            Column("Over the quoted", True),
            Column("Runs", True),
            Column("Held"),
            Column("Setup quoted", True),
            Column("Setup taken", True),
            Column("Factors"),
        ),
        [
            (
                Cell(_quoted_name(row)),
                Cell(wording.local_time(row["given_at"], book.zone)[:10], sort=row["given_at"].isoformat()),
                _machine_cell(book, row),
                cells.seconds(row["expected_cycle_s"]),
                _interval_cell(row),
                cells.seconds(row["actual_cycle_s"]),
                cells.drift(row["actual_over_quoted"]),
                cells.count(row["runs"]),
                _held_cell(row),
                cells.seconds(row["expected_setup_s"]),
                cells.seconds(row["actual_setup_s"]),
                Cell(row["factors_version"]),
            )
            for row in kept[:QUOTES_LISTED]
        ],
        more=more,
        anchor="quotes",
    )


def _machine_cell(book: Book, row: Row) -> Cell:
    """Name the machine quoted, and the one that ran where it is another."""
    quoted, ran_on = row["machine"], row["ran_on"]
    if not quoted:
        return Cell(f"any, ran on {ran_on}" if ran_on else "any")
    if ran_on not in (None, quoted):
        return Cell(f"{quoted}, ran on {ran_on}")
    return book.machine_cell(quoted)


def _interval_cell(row: Row) -> Cell:
    if row["cycle_s_low"] is None or row["cycle_s_high"] is None:
        return Cell("too few", mark="few")
    return Cell(wording.duration_range(row["cycle_s_low"], row["cycle_s_high"]), sort=row["cycle_s_low"])


def _held_cell(row: Row) -> Cell:
    if row["runs"] == 0:
        return Cell("not run yet", mark="few")
    if row["held"] is None:
        return Cell("no interval", mark="few")
    return Cell("✓ yes") if row["held"] else Cell("✗ no", mark="bad")


def _past_sections(book: Book) -> list[Section]:
    rows = book.data.backtest.to_dicts()
    if not rows:
        return []
    table = Table(
        "Past jobs quoted anew",
        (
            Column("Job"),
            Column("Time"),
            Column("Estimate", True),
            Column("Corrected", True),
            Column(f"90{wording.NBSP}% interval", True),
            Column("Took", True),
            Column("Off, as it stands", True),
            Column("Off, corrected", True),
            Column("Held"),
            Column("Jobs known then", True),
            Column("Not seen before"),
        ),
        [
            (
                book.job_cell(row) if book.knows(row) else Cell(wording.job_label(*_names(row))),
                Cell(_kind(row)),
                cells.seconds(row["estimate_s"]),
                cells.seconds(row["corrected_s"]),
                _range_cell(row),
                cells.seconds(row["actual_s"]),
                _off(row["estimate_s"], row["actual_s"]),
                _off(row["corrected_s"], row["actual_s"]),
                _inside(row),
                cells.count(row["history"]),
                Cell(row["unseen"] or ""),
            )
            for row in rows
        ],
        folded=True,
    ).without_empty("Not seen before")
    note = "Times of a cycle; setup is of a batch. The newest jobs of each kind; spindlebook report backtest has all."
    return [Section("Past jobs quoted anew", [table, Text(note, "note")], "past")]


def _names(row: Row) -> tuple[str, str | None, str, str | None]:
    return row["job_key"], row["operation"], row["machine"], row["revision"]


def _range_cell(row: Row) -> Cell:
    if row["low"] is None or row["high"] is None:
        return Cell("too few", mark="few")
    return Cell(wording.duration_range(row["low"], row["high"]), sort=row["low"])


def _off(quoted: float | None, actual: float) -> Cell:
    """How far a quoted time lies from the actual one, per cent of the actual."""
    if quoted is None:
        return Cell(wording.NONE)
    off = 100 * (quoted / actual - 1)
    return Cell(f"{wording.signed(off, 1)}{wording.NBSP}%", sort=abs(off))


def _inside(row: Row) -> Cell:
    if row["low"] is None or row["high"] is None:
        return Cell("no interval", mark="few")
    return Cell("✓ yes") if row["low"] <= row["actual_s"] <= row["high"] else Cell("✗ no", mark="bad")


__all__ = ["FEW_JOBS", "HOW", "sentence", "trust_page", "trust_table"]
