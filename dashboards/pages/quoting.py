"""The quoting page: factors from estimate to what really happens, and the jobs whose next quote should change.

It repeats what past runs say; prices are the reader's business.
"""

from __future__ import annotations

from typing import Final

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.factors import factors_chart
from dashboards.charts.theme import spec_text
from dashboards.pages import trust
from schemas.vocabulary import TIME_KINDS

FACTORS_DRAWN: Final = 30


def factor_rows(book: Book) -> list[Row]:
    """Return the rows of the factor mart: whole cycles first, the broadest first within each kind of time."""
    rows = book.data.factors.to_dicts()
    return sorted(rows, key=lambda row: (TIME_KINDS.index(row["time_kind"]), _narrow(row), *_key(row)))


def _key(row: Row) -> tuple[str, ...]:
    return tuple(row[name] or "" for name in ("machine", "material", "operation_kind", "tool_type"))


def _narrow(row: Row) -> int:
    return sum(row[name] is not None for name in ("machine", "material", "operation_kind", "tool_type"))


def is_whole(row: Row) -> bool:
    """Whether a factor is for whole cycles."""
    return row["time_kind"] == "cycle" and row["tool_type"] is None


def factor_label(row: Row) -> str:
    """Name what a factor is for: M1, 316L, milling."""
    return ", ".join(name for name in _key(row) if name) or "all work"


def is_clear(row: Row) -> bool:
    """Whether the interval lies off 1.00."""
    low, high = row["factor_low"], row["factor_high"]
    return (low is not None and low > 1.0) or (high is not None and high < 1.0)


def largest(rows: list[Row]) -> Row | None:
    """Return the whole-cycle factor farthest from 1.00 among those whose interval lies off it."""
    clear = [row for row in rows if is_whole(row) and is_clear(row)]
    return max(clear, key=lambda row: max(row["factor"], 1 / row["factor"]), default=None)


def sentence(rows: list[Row]) -> str:
    """Say which factor the next quote should use."""
    whole = [row for row in rows if is_whole(row)]
    if not whole:
        return "Too few runs with an estimate for a quoting factor."
    far = largest(rows)
    if all(row["factor_low"] is None or row["factor_high"] is None for row in whole):
        first = whole[0]
        return f"Too little for a quoting factor with an interval: {factor_label(first)} stands at {_stated(first)}."
    if far is None:
        one = wording.plural(len(whole), "factor")
        return f"On the whole estimated cycles hold: none of {one} for whole cycles is clear of 1.00."
    if not far["offered"]:
        return (
            f"Cycles took {_stated(far)} times their estimate for {factor_label(far)}, but such factors did not beat "
            "the estimate as it stands on past jobs, so none is offered."
        )
    return f"Estimated cycles want a factor of {_stated(far)} for {factor_label(far)}."


def _stated(row: Row) -> str:
    return (
        f"{wording.factor(row['factor'])} ({_interval(row)}, {wording.plural(row['runs'], 'run')}, "
        f"{wording.plural(row['jobs'], 'operation')})"
    )


def _interval(row: Row) -> str:
    if row["factor_low"] is None or row["factor_high"] is None:
        return "too few for an interval"
    return f"95 % interval {_range(row)}"


def _range(row: Row) -> str:
    return f"{wording.factor(row['factor_low'])} to {wording.factor(row['factor_high'])}"


def quoting_page(book: Book) -> Page:
    """Build quoting.html."""
    rows = factor_rows(book)
    whole = [row for row in rows if is_whole(row)]
    again = requote_rows(book)
    first: list[Block] = [Text(sentence(rows), "lead"), *_trust_texts(book), Text(wording.CAUTION, "caution")]
    if whole:
        first.append(_figure(whole))
    how = (
        "A factor is actual time over estimated time, pooled so that a group with few runs leans on the rest of the "
        "shop. It is for the middle of many jobs; one new job may lie well off it. The quote command of spindlebook "
        "predicts a new job with its interval."
    )
    return Page(
        "quoting.html",
        "What to quote",
        [
            Section("", first),
            Section("Jobs to quote again", [requote_table(book, again), *since_note(again)], "again"),
            Section("All factors", [_factors_table(book, rows), Text(how, "note")], "factors"),
        ],
        nav="quoting",
    )


def _trust_texts(book: Book) -> list[Text]:
    """Say of which times factors are offered, and lead to the reason and to the sheet to print."""
    told = trust.sentence(book.data.trust.to_dicts()) + " "
    return [
        Text(told, href="trust.html", link="How far quotes can be trusted"),
        Text("", href="factor-sheet.html", link="Factor sheet to print and keep beside the CAM"),
    ]


def requote_rows(book: Book) -> list[Row]:
    """Return the jobs whose verdict says that the estimate no longer holds, dearest first."""
    return [row for row in book.drift_rows if cells.is_timed(row) and row["verdict"] in ("over", "under")]


def is_changed(row: Row) -> bool:
    """Whether a job changed its level, so that what it takes is what it takes since then."""
    return cells.is_timed(row) and row["shifted_at"] is not None and row["drift_after"] is not None


def since_note(rows: list[Row]) -> list[Text]:
    """Say what a figure with a day rests on, where there is one."""
    if not any(is_changed(row) for row in rows):
        return []
    return [Text("With a day: what the job takes since it changed on that day, from the runs since then.", "note")]


def _figure(whole: list[Row]) -> Figure:
    shown = whole[:FACTORS_DRAWN]
    far = largest(shown)
    title = "On the whole estimated cycles hold: no factor is clear of 1.00"
    if all(row["factor_low"] is None or row["factor_high"] is None for row in shown):
        title = "Too little for a quoting factor with an interval"
    if far is not None:
        title = f"Cycles of {factor_label(far)} take {wording.factor(far['factor'])} times their estimate"
    drawn = [
        {
            "label": factor_label(row),
            "factor": row["factor"],
            "low": row["factor"] if row["factor_low"] is None else row["factor_low"],
            "high": row["factor"] if row["factor_high"] is None else row["factor_high"],
            "clear": is_clear(row),
            "text": f"{wording.factor(row['factor'])}  n={row['runs']}",
            "told": f"{factor_label(row)}: {_stated(row)}",
        }
        for row in shown
    ]
    note = "Filled: the interval lies off 1.00. n is the number of complete runs."
    if any(row["factor_low"] is None or row["factor_high"] is None for row in shown):
        note += " A mark without a line has too few operations for an interval."
    if len(whole) > len(shown):
        note += f" {len(shown)} of {len(whole)} factors; the table has all."
    chart = factors_chart(drawn)
    return Figure(title, spec_text(chart, title, 26 * len(drawn)), note, see="All factors", see_anchor="factors")


def requote_table(book: Book, rows: list[Row]) -> Table:
    """Lay out jobs with the cycle that they were estimated at and the one that they take."""
    return Table(
        "Jobs to quote again",
        (
            Column("Job"),
            Column("Estimate", True),
            Column("Takes, median", True),
            Column("95 % interval", True),
            Column("Runs", True),
            Column("Verdict"),
            Column("Basis"),
        ),
        [
            (
                book.job_cell(row),
                cells.seconds(row["estimate_s"]),
                takes_cell(book, row),
                cycle_interval(row),
                runs_cell(book, row),
                cells.verdict(row["verdict"]),
                Cell(row["basis"]),
            )
            for row in rows
        ],
        empty="No job is far enough off its estimate to quote it again.",
    )


def cycle_interval(row: Row) -> Cell:
    """The 95 % interval of what a job takes (since its change), or that there are too few runs for one."""
    low, high, estimate = row["drift_low"], row["drift_high"], row["estimate_s"]
    if is_changed(row):
        low, high = row.get("drift_after_low"), row.get("drift_after_high")
    if low is None or high is None or estimate is None:
        return Cell("too few", mark="few")
    return Cell(wording.duration_range(low * estimate, high * estimate), sort=low * estimate)


def takes_cell(book: Book, row: Row) -> Cell:
    """The median cycle, since its change where there was one."""
    if not is_changed(row):
        return cells.seconds(row["actual_s"])
    seconds = row["estimate_s"] * row["drift_after"]
    since = book.day_since(row["shifted_at"])
    return Cell(f"{wording.duration(seconds)}\nsince{wording.NBSP}{since}", sort=seconds, mark="lines")


def runs_cell(book: Book, row: Row, with_basis: bool = False) -> Cell:
    """The complete runs that the time rests on; with a plus where older ones since the change were not handed over."""
    runs, more = row["runs"], ""
    since = book.runs_since(row) if is_changed(row) else None
    if since is not None:
        runs, more = since[0], "" if since[1] else "+"
    basis = f" {row['basis']}" if with_basis else ""
    return Cell(f"{wording.number(runs)}{more}{basis}", sort=runs, mark="wrap")


def _factors_table(book: Book, rows: list[Row]) -> Table:
    return Table(
        "Factors from estimate to actual",
        (
            Column("Time"),
            Column("Machine"),
            Column("Material"),
            Column("Kind of operation"),
            Column("Kind of tool"),
            Column("Factor", True),
            Column("95 % interval", True),
            Column("Runs", True),
            Column("Operations", True),
            Column("Offered"),
            Column("Rests on"),
        ),
        [
            (
                Cell(wording.TIME_KIND_NAMES[row["time_kind"]], sort=TIME_KINDS.index(row["time_kind"])),
                book.machine_cell(row["machine"]) if row["machine"] else Cell("all"),
                Cell(row["material"] or "all"),
                Cell(row["operation_kind"] or "all"),
                Cell(row["tool_type"] or "all"),
                Cell(wording.factor(row["factor"]), sort=row["factor"]),
                _interval_cell(row),
                cells.count(row["runs"]),
                cells.count(row["jobs"]),
                Cell("✓ yes", mark="good") if row["offered"] else Cell("– no", "trust.html#offered"),
                _rests_on(book, row),
            )
            for row in rows
        ],
        empty="Too few runs with an estimate for any factor.",
    )


def _interval_cell(row: Row) -> Cell:
    if row["factor_low"] is None or row["factor_high"] is None:
        return Cell("too few", mark="few")
    return Cell(_range(row), sort=row["factor_low"])


def _rests_on(book: Book, row: Row) -> Cell:
    if row["machine"] in book.machine_slugs:
        return Cell("its jobs", f"{book.machine_href(row['machine'])}#{_jobs_anchor(book, row['machine'])}")
    return Cell("all jobs", "overruns.html#all-jobs")


def _jobs_anchor(book: Book, machine: str) -> str:
    return "jobs" if (book.data.drift["machine"] == machine).any() else "sources"
