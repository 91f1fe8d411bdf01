"""A job that changed its level is quoted by what it takes since, and its page leaves nothing out unsaid."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from dashboards.blocks import Cell, Figure, Page, Table, Text
from dashboards.book import Book, section_key, shortest_names
from dashboards.pages import front, overruns, quoting
from dashboards.pages.job import job_page
from dashboards.site_data import SiteData
from dashboards.wording import CAUSE_NAMES, MINUS, NBSP

MOVED = datetime(2026, 2, 4, 23, 30, tzinfo=UTC)


def changed(data: SiteData, **frames: object) -> SiteData:
    """Return the data with some of it replaced."""
    return SiteData(**{**{field.name: getattr(data, field.name) for field in fields(data)}, **frames})


def with_after(data: SiteData, low: float | None, high: float | None) -> SiteData:
    """Return the data with an interval of the level after a change."""
    known = pl.col("shifted_at").is_not_null()
    ends = {"drift_after_low": low, "drift_after_high": high}
    return changed(
        data,
        drift=data.drift.with_columns(
            pl.when(known).then(pl.lit(value, pl.Float64)).alias(name) for name, value in ends.items()
        ),
    )


def plain(text: str) -> str:
    """Undo hard spaces and the true minus."""
    return text.replace(NBSP, " ").replace(MINUS, "-")


def row_of(table: Table, job: str) -> dict[str, Cell]:
    """Return the cells of one job by their headings."""
    row = next(row for row in table.rows if row[0].text.startswith(job))
    return {heading.name: cell for heading, cell in zip(table.columns, row, strict=True)}


def block_table(page: Page, caption: str) -> Table:
    """Return a table of a page by the beginning of its caption."""
    blocks = [block for section in page.sections for block in section.blocks]
    return next(block for block in blocks if isinstance(block, Table) and block.caption.startswith(caption))


def page_of(book: Book, job_key: str) -> Page:
    """Build one job's page."""
    return job_page(book, job_key, [row for row in book.drift_rows if row["job_key"] == job_key])


def figures(page: Page) -> list[Figure]:
    """Return the figures of a page."""
    return [block for section in page.sections for block in section.blocks if isinstance(block, Figure)]


def test_quote_again_by_what_it_takes_since(shop: SiteData) -> None:
    """Estimate 370 s, 1.19 since 4 February (1.17 to 1.22): 440 s, 433 to 451 s, from the 8 runs of each week since."""
    book = Book(with_after(shop, 1.17, 1.22))
    since = shop.runs.filter(
        (pl.col("job_key") == "Bracket")
        & (pl.col("operation") == "10")
        & (pl.col("outcome") == "complete")
        & (pl.col("started_at") >= MOVED)
    ).height
    assert 0 < since < 48

    for page in (front.front_page(book), quoting.quoting_page(book)):
        row = row_of(block_table(page, "Jobs to quote again"), "Bracket")
        takes = row.get("Takes") or row["Takes, median"]
        assert plain(takes.text) == "7 min 20 s\nsince 4 February"
        assert takes.sort == pytest.approx(370 * 1.19)
        assert plain(row["95 % interval"].text) == "7.2 to 7.5 min"
        assert row["95 % interval"].sort == pytest.approx(370 * 1.17)
        runs = row.get("Runs, basis") or row["Runs"]
        assert plain(runs.text).split() == [str(since), *(["derived"] if "Runs, basis" in row else [])]
        notes = [b.text for s in page.sections for b in s.blocks if isinstance(b, Text) and b.kind == "note"]
        assert any("since it changed on that day" in note for note in notes)


def test_quote_again_without_a_change_is_the_median(shop: SiteData) -> None:
    """A job that did not change keeps its median, its interval and all its runs."""
    row = row_of(quoting.requote_table(Book(shop), quoting.requote_rows(Book(shop))), "Spacer")

    assert plain(row["Takes, median"].text) == "5 min 37 s"
    assert plain(row["95 % interval"].text) == "5.4 to 5.8 min"
    assert row["Runs"].text == "48"


def test_change_without_an_interval_says_too_few(shop: SiteData) -> None:
    """The interval over all runs is not given for the level since a change."""
    row = row_of(quoting.requote_table(Book(shop), quoting.requote_rows(Book(shop))), "Bracket")

    assert row["95 % interval"].text == "too few"


def test_runs_since_are_a_lower_bound_where_older_ones_are_missing(shop: SiteData) -> None:
    """Where all the runs handed over are younger than the change, there may be more of them."""
    mine = (pl.col("job_key") == "Bracket") & (pl.col("operation") == "10")
    late = shop.runs.filter(~mine | (pl.col("started_at") >= MOVED + timedelta(days=2)))
    drift = shop.drift.with_columns(runs=pl.when(pl.col("job_key") == "Bracket").then(900).otherwise(pl.col("runs")))
    book = Book(changed(shop, runs=late, drift=drift.cast({"runs": pl.Int64})))
    row = next(row for row in book.drift_rows if row["shifted_at"] is not None)

    count, whole = book.runs_since(row) or (0, True)
    assert count == late.filter(mine & (pl.col("outcome") == "complete")).height
    assert not whole
    assert quoting.runs_cell(book, row).text == f"{count}+"


def test_overrun_says_the_level_since(shop: SiteData) -> None:
    """Beside the median over all runs stands the level since the change, with its interval and its day."""
    row = row_of(block_table(front.front_page(Book(with_after(shop, 1.17, 1.22))), "Dearest overruns"), "Bracket")

    assert plain(row["Over, 95 % interval"].text).split("\n") == [
        "+14.0 % (+11.0 to +17.0)",
        "+19.0 % (+17.0 to +22.0)",
        "since 4 February 2026",
    ]


def test_year_is_said_where_it_is_another(shop: SiteData) -> None:
    """A change of last year bears its year."""
    book = Book(changed(shop, last_at=datetime(2027, 1, 2, tzinfo=UTC)))

    assert plain(book.day_since(MOVED)) == "4 February 2026"
    assert plain(Book(shop).day_since(MOVED)) == "4 February"


def test_operations_are_not_called_jobs(shop: SiteData) -> None:
    """Two operations of one job are two operations of one job; as many operations as jobs are jobs."""
    book = Book(shop)
    bracket = [row for row in book.drift_rows if row["job_key"] == "Bracket"]

    assert plain(overruns.counted(bracket)) == "2 operations of 1 job"
    assert plain(overruns.counted(bracket[:1])) == "1 job"
    assert plain(overruns.counted(book.drift_rows)) == "7 operations of 6 jobs"
    both = shop.drift.with_columns(
        verdict=pl.when(pl.col("job_key") == "Bracket").then(pl.lit("over")).otherwise(pl.lit("on"))
    )
    lead = front.front_page(Book(changed(shop, drift=both))).sections[3].blocks[0]
    assert isinstance(lead, Text)
    assert "2 operations of 1 job are off the estimate" in plain(lead.text)


def test_levels_are_named_above_the_points(shop: SiteData) -> None:
    """The level before is named at the left and the one since at the right, both above the plot."""
    spec = json.loads(figures(page_of(Book(shop), "Bracket"))[0].spec)
    levels = spec["datasets"]["levels"]

    assert [(plain(level["label"]), level["late"]) for level in levels] == [
        ("+2.0 % before 4 February 2026", False),
        ("+19.0 % since", True),
    ]
    labels = [layer for layer in spec["layer"] if layer["mark"]["type"] == "text"]
    assert [layer["encoding"]["y"] for layer in labels] == [{"value": 0}] * 2
    assert [layer["encoding"]["x"]["value"] for layer in labels] == [0, "width"]
    assert all(layer["mark"]["dy"] < 0 and layer["mark"]["baseline"] == "bottom" for layer in labels)


def test_all_batches_of_a_job_are_listed(shop: SiteData) -> None:
    """With only the newest runs handed over, older batches of the same operation and machine are still there."""
    runs = shop.runs.filter(
        (pl.col("job_key") != "Spacer") | (pl.col("started_at") >= datetime(2026, 2, 1, tzinfo=UTC))
    )
    book = Book(changed(shop, runs=runs))
    mine = shop.batches.filter(pl.col("job_key") == "Spacer")
    table = block_table(page_of(book, "Spacer"), "Batches")

    assert runs.filter(pl.col("job_key") == "Spacer")["batch_id"].n_unique() < mine.height
    assert len(table.rows) == mine.height
    began = [row[0].text for row in table.rows]
    assert began == sorted(began, reverse=True)
    assert table.more == ""


def test_batches_of_another_revision_stay_there(shop: SiteData) -> None:
    """Two revisions of one operation each show their own batches; of older ones the page says that it cannot tell."""
    spacer = pl.col("job_key") == "Spacer"
    late = pl.col("started_at") >= datetime(2026, 1, 26, tzinfo=UTC)
    runs = shop.runs.with_columns(
        revision=pl.when(spacer & late).then(pl.lit("C")).otherwise(pl.col("revision"))
    ).filter(~spacer | (pl.col("started_at") >= datetime(2026, 1, 10, tzinfo=UTC)))
    second = shop.drift.filter(spacer).with_columns(revision=pl.lit("C"))
    book = Book(changed(shop, runs=runs, drift=pl.concat([shop.drift, second])))
    by_revision = {row["revision"]: book.batches(row) for row in book.drift_rows if row["job_key"] == "Spacer"}
    ids = {revision: {batch["batch_id"] for batch in found} for revision, (found, _) in by_revision.items()}
    known = {r: set(runs.filter(spacer & (pl.col("revision") == r))["batch_id"]) for r in ("B", "C")}
    unknown = set(shop.batches.filter(spacer)["batch_id"]) - known["B"] - known["C"]

    assert len(unknown) == 1
    assert ids == {revision: known[revision] | unknown for revision in ("B", "C")}
    assert {unsure for _, unsure in by_revision.values()} == {1}
    assert "1 older batch may be of another program or revision" in plain(
        block_table(page_of(book, "Spacer"), "Batches").more
    )


def test_older_runs_left_out_of_the_chart_are_counted(shop: SiteData) -> None:
    """Of 900 complete runs the newest 10 are drawn: the note counts the 890 others; with all there it says nothing."""
    mine = pl.col("job_key") == "Spacer"
    complete = shop.runs.filter(mine & (pl.col("outcome") == "complete")).sort("started_at").tail(10)
    drift = shop.drift.with_columns(runs=pl.when(mine).then(900).otherwise(pl.col("runs")).cast(pl.Int64))
    book = Book(changed(shop, runs=complete, drift=drift))

    assert "Drawn are the newest 10 of 900 complete runs; 890 older ones are left out." in plain(
        figures(page_of(book, "Spacer"))[0].note
    )
    assert "left out" not in figures(page_of(Book(shop), "Spacer"))[0].note


def test_non_cutting_moves_are_called_so(shop: SiteData) -> None:
    """The cause is all that moves without cutting, not rapid traverse alone."""
    table = next(figure.table for figure in figures(page_of(Book(shop), "Spacer")) if figure.table is not None)

    assert CAUSE_NAMES["rapid"] == "non-cutting moves"
    assert "non-cutting moves, T12" in [row[0].text for row in table.rows]


def test_sheet_is_named_by_operation(shop: SiteData) -> None:
    """The spreadsheet file of operation 20 says so in its name, and the section of the page too."""
    book = Book(shop)
    page = page_of(book, "Bracket")

    assert sorted(page.files) == ["job/bracket-operation-10.csv", "job/bracket-operation-20.csv"]
    assert [section.anchor for section in page.sections] == ["cost", "operation-10", "operation-20"]
    assert list(page_of(book, "O9000").files) == ["job/o9000-all.csv"]


def test_sheets_never_share_a_name(shop: SiteData) -> None:
    """Jobs and operations whose names run into each other, or differ by signs alone, get files of their own."""
    one = shop.drift.filter(pl.col("operation") == "20")
    pairs = [("Bracket", "20 operation 20"), ("Bracket operation 20", "20"), ("Bracket", "2 0"), ("Bracket", "2-0")]
    more = [one.with_columns(job_key=pl.lit(job), operation=pl.lit(operation)) for job, operation in pairs]
    book = Book(changed(shop, drift=pl.concat([shop.drift, *more])))
    paths = [book.sheet_path(row) for row in book.drift_rows]
    places = [(row["job_key"], book.section_anchor(row)) for row in book.drift_rows]

    assert len(set(paths)) == len(paths) == 11
    assert len(set(places)) == 11


def key(operation: str | None, machine: str, program: str, revision: str | None) -> tuple[Any, ...]:
    """Make a row's key."""
    return ("J", operation, machine, program, revision)


def test_names_hold_no_more_than_tells_them_apart() -> None:
    """Operation alone where it is one of a kind, else machine, revision and program until the rows differ."""
    keys = [
        key("10", "M1", "O1", "A"),
        key("20", "M1", "O2", "A"),
        key("20", "M2", "O2", "A"),
        key("20", "M2", "O2", "B"),
        key(None, "M1", "O3", None),
        key(None, "M1", "O4", None),
    ]
    names = {k: name.replace("\x1f", " ").split() for k, name in shortest_names(keys).items()}

    assert list(names.values()) == [
        ["operation", "10"],
        ["operation", "20", "M1"],
        ["operation", "20", "M2", "A"],
        ["operation", "20", "M2", "B"],
        ["all", "M1", "O3"],
        ["all", "M1", "O4"],
    ]


def test_section_key_is_the_grain(shop: SiteData) -> None:
    """Every row of the drift mart has its own key and its own place on its page."""
    book = Book(shop)

    assert len({section_key(row) for row in book.drift_rows}) == shop.drift.height
    assert len({book.section_place(row) for row in book.drift_rows}) == shop.drift.height
