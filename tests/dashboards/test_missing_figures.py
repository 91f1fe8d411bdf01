"""Pages of a book in which figures are missing: nothing breaks, and each blank says why it is one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboards.blocks import Facts, Figure, Page, Table, Text
from dashboards.book import Book
from dashboards.pages import overruns, quality, quoting
from dashboards.pages.job import job_page
from dashboards.pages.machines import machine_pages
from dashboards.pages.tools import tool_pages, tools_table
from dashboards.pages.utilisation import gaps_table, sentence
from dashboards.site import publish, site_pages
from dashboards.site_data import CORE, MARTS, SECTION_KEY, SiteData
from dashboards.wording import MINUS, NBSP
from schemas import core, mart


def changed(data: SiteData, **frames: object) -> SiteData:
    """Return the data with some of it replaced."""
    return SiteData(**{**{field.name: getattr(data, field.name) for field in fields(data)}, **frames})


def nullable(frame: str) -> list[str]:
    """Return the columns of a frame that its schema allows to be empty."""
    model = mart.MODELS[MARTS[frame]] if frame in MARTS else core.MODELS[CORE[frame]]
    return [name for name, column in model.to_schema().columns.items() if column.nullable]


def emptied(data: SiteData, frame: str, columns: list[str]) -> dict[str, pl.DataFrame]:
    """Empty columns of a frame; a column that names a section is emptied wherever sections are named."""
    frames = {frame}
    if frame in ("drift", "causes", "runs") and set(columns) & set(SECTION_KEY):
        frames |= {"drift", "causes", "runs", "batches"}
    result = {}
    for name in frames:
        given: pl.DataFrame = getattr(data, name)
        here = [c for c in columns if c in given.columns and (name == frame or c in SECTION_KEY)]
        result[name] = given.with_columns(pl.lit(None, given.schema[c]).alias(c) for c in here)
    return result


def said(page: Page) -> str:
    """Return all that a page says outside its tables, with plain spaces."""
    words = [page.title]
    for section in page.sections:
        words.append(section.heading)
        for block in section.blocks:
            if isinstance(block, Text):
                words.append(block.text)
            elif isinstance(block, Figure):
                words += [block.title, block.note]
            elif isinstance(block, Facts):
                words += [f"{label}: {value}" for label, value in block.pairs]
    return "\n".join(words).replace(NBSP, " ").replace(MINUS, "-")


def table_of(page: Page, caption: str) -> Table:
    """Return the table of a page with a caption that begins so."""
    blocks = [block for section in page.sections for block in section.blocks]
    return next(block for block in blocks if isinstance(block, Table) and block.caption.startswith(caption))


def column(table: Table, name: str) -> list[str]:
    """Return the texts of one column with plain spaces."""
    place = [heading.name for heading in table.columns].index(name)
    return [row[place].text.replace(NBSP, " ").replace(MINUS, "-") for row in table.rows]


def page_of(book: Book, job_key: str) -> Page:
    """Build one job's page."""
    return job_page(book, job_key, [row for row in book.drift_rows if row["job_key"] == job_key])


CASES = [(frame, [name]) for frame in MARTS for name in nullable(frame)]
CASES += [(frame, nullable(frame)) for frame in [*MARTS, *CORE]]


@pytest.mark.parametrize(
    ("frame", "columns"), CASES, ids=lambda value: value if isinstance(value, str) else "+".join(value)
)
def test_any_figure_may_be_missing(shop: SiteData, frame: str, columns: list[str]) -> None:
    """Each column that a mart may leave empty, alone and all at once: every page is made, and none says None or nan."""
    for page in site_pages(Book(changed(shop, **emptied(shop, frame, columns)))):
        text = said(page)
        cells = [
            cell.text
            for section in page.sections
            for b in section.blocks
            if isinstance(b, Table)
            for row in b.rows
            for cell in row
        ]
        assert not {"None", "nan"} & set(text.replace("(", " ").replace(",", " ").split()), page.path
        assert not any("None" in cell or "nan" in cell.split() for cell in cells), page.path


def test_all_marts_at_once(shop: SiteData, tmp_path: Path) -> None:
    """All that may be empty in every mart at once is published whole."""
    frames: dict[str, pl.DataFrame] = {}
    for frame in MARTS:
        frames |= emptied(changed(shop, **frames), frame, nullable(frame))

    written = publish(changed(shop, **frames), tmp_path / "site")

    assert len([path for path in written if path.suffix == ".html"]) == (
        8 + shop.drift["job_key"].n_unique() + 4 + 3 + shop.utilisation["month"].n_unique()
    )


def test_one_estimated_job_has_a_factor_without_an_interval(shop: SiteData) -> None:
    """A shop with one estimated job: the factor is shown, and that it has no interval is said, not judged."""
    lone = {"factor": 1.2, "jobs": 1, "runs": 7}
    empty = ("factor_low", "factor_high", "shrinkage", "predict_log_sd", "predict_df")
    factors = shop.factors.head(1).with_columns(
        *[pl.lit(value).cast(shop.factors.schema[name]).alias(name) for name, value in lone.items()],
        *[pl.lit(None, pl.Float64).alias(name) for name in empty],
    )
    page = quoting.quoting_page(Book(changed(shop, factors=factors)))

    assert "all work stands at 1.20 (too few for an interval, 7 runs, 1 operation)" in said(page)
    assert "holds" not in said(page)
    assert column(table_of(page, "Factors"), "95 % interval") == ["too few"]
    assert "1.20" in column(table_of(page, "Factors"), "Factor")
    assert "A mark without a line has too few operations" in said(page)


def test_no_estimate_is_not_too_few(shop: SiteData) -> None:
    """Runs without an estimate are no matter of more runs: table, sentence and page say that there is no estimate."""
    book = Book(shop)
    table = overruns.jobs_table(book, book.drift_rows)
    verdicts = dict(zip(column(table, "Job"), column(table, "Verdict"), strict=True))

    assert verdicts["O9000 on M2, revision B"] == "– no estimate"
    assert verdicts["Pin op 10 on M1, revision B"] == "○ too few"
    text = said(page_of(book, "O9000"))
    assert "There is no estimate to compare with (48 complete runs in 6 batches)." in text
    assert "At the machine's rate: no estimate" in text
    assert "no rate in shop.toml" not in text


def test_no_estimate_at_all(shop: SiteData) -> None:
    """A shop without estimates is told so; it is not told to wait for more runs."""
    drift = shop.drift.with_columns(
        *[pl.lit(None, pl.Float64).alias(n) for n in ("estimate_s", "drift", "drift_low", "drift_high", "drift_q")],
        verdict=pl.lit("too few"),
    )
    text = overruns.sentence(Book(changed(shop, drift=drift)).drift_rows).replace(NBSP, " ")

    assert text == "Nothing to compare with: 7 operations of 6 jobs without an estimate."


def test_estimate_without_a_complete_run(shop: SiteData) -> None:
    """An estimate with no complete run waits for runs: that is too few, and not a missing estimate or rate."""
    figures = ("drift", "drift_low", "drift_high", "overrun_hours", "overrun_cost", "actual_s", "actual_mean_s")
    drift = shop.drift.filter(pl.col("job_key") == "Spacer").with_columns(
        *[pl.lit(None, pl.Float64).alias(name) for name in figures],
        runs=pl.lit(0, pl.Int64),
        batches=pl.lit(0, pl.Int64),
        verdict=pl.lit("too few"),
    )
    book = Book(changed(shop, drift=drift, runs=shop.runs.clear(), causes=shop.causes.clear()))

    assert column(overruns.jobs_table(book, book.drift_rows), "95 % interval") == ["too few"]
    assert "no complete run yet to hold against the estimate" in said(page_of(book, "Spacer"))
    assert "At the machine's rate: no complete run" in said(page_of(book, "Spacer"))


def test_machine_without_a_rate_says_so(shop: SiteData) -> None:
    """With an overrun in hours and no rate, the job's page points at shop.toml."""
    drift = shop.drift.with_columns(overrun_cost=pl.lit(None, pl.Float64))
    book = Book(changed(shop, drift=drift))

    assert "At the machine's rate: no rate in shop.toml" in said(page_of(book, "Spacer"))


def edges_with(shop: SiteData, machine: str, tool: str, **lives: Any) -> SiteData:
    """Return the data with edges 3 and 4 and the one in use of a tool set to these lives."""
    here = (pl.col("machine") == machine) & (pl.col("tool") == tool) & pl.col("edge_number").is_in([3, 4, 24])
    edges = shop.edges.with_columns(
        pl.when(here).then(pl.lit(value, shop.edges.schema[name])).otherwise(pl.col(name)).alias(name)
        for name, value in lives.items()
    )
    return changed(shop, edges=edges)


@pytest.mark.parametrize("life", [0.0, None])
def test_edges_without_cutting_are_in_no_fit(shop: SiteData, life: float | None) -> None:
    """Two changes with no cutting before the next: their edges are not used, counted in a sentence and not drawn."""
    book = Book(edges_with(shop, "M1", "4", cut_min=life))
    page = next(page for page in tool_pages(book) if page.path == "tool/m1-4.html")
    fitted = dict(
        zip(
            column(table_of(page, "Edges and their"), "Edge"),
            column(table_of(page, "Edges and their"), "In the fit as"),
            strict=True,
        )
    )

    assert {fitted[number] for number in ("3", "4", "24")} == {"not used: no cutting seen"}
    assert fitted["0"] == "not used: start unknown"
    assert fitted["5"] == "failure"
    # The edge in use has not been followed by a change.
    assert "2 changes followed each other without any cutting between them; those edges are in no fit." in said(page)
    assert "21 edges in order of use" in said(page)
    assert "Left out: 3 edges without any cutting." in said(page)


def test_edges_counted_in_parts(shop: SiteData) -> None:
    """Where life is counted in parts, no part made is what keeps an edge out of the fit."""
    tools = shop.tools.with_columns(unit=pl.lit("parts"))
    book = Book(changed(edges_with(shop, "M1", "4", parts=0), tools=tools))
    page = next(page for page in tool_pages(book) if page.path == "tool/m1-4.html")

    assert column(table_of(page, "Edges and their"), "In the fit as").count("not used: no part made") == 3
    assert "2 changes followed each other without any part made between them" in said(page)


def test_gaps_say_where_they_are_looked_for(shop: SiteData) -> None:
    """Gaps are listed between first and last record: caption, empty text and note say so."""
    book = Book(shop)
    machine = next(page for page in machine_pages(book) if page.path == "machine/m2.html")

    assert "between a machine's first and last record" in gaps_table(book, shop.gaps).caption
    assert "Between each machine's first and last record" in gaps_table(book, shop.gaps.clear()).empty
    for page in (machine, quality.quality_page(book)):
        assert "between a machine's first and last record only" in said(page)


@pytest.mark.parametrize(
    ("kept", "told"),
    [
        (42, "M1 cut 102 h in the 42 days from 20 April 2026 to 31 May 2026"),
        (20, "M1 cut 48 h in the 20 days from 12 May 2026 to 31 May 2026"),
        (1, "M1 cut 0 h on 31 May 2026, the one day with records"),
    ],
)
def test_days_are_those_there_are(shop: SiteData, kept: int, told: str) -> None:
    """A chart of days is titled by the days with records, not by those that it has room for."""
    days = shop.state_days["day"].unique().sort().tail(kept)
    book = Book(changed(shop, state_days=shop.state_days.filter(pl.col("day").is_in(days.implode()))))
    page = next(page for page in machine_pages(book) if page.path == "machine/m1.html")

    assert told in said(page)


def test_days_without_data_are_not_counted(shop: SiteData) -> None:
    """A silent day in between is not a day with records."""
    silent = shop.state_days["day"].max()
    lone = pl.col("day") == pl.lit(silent) - pl.duration(days=3)
    days = shop.state_days.with_columns(state=pl.when(lone).then(pl.lit("unobserved")).otherwise(pl.col("state")))
    page = next(page for page in machine_pages(Book(changed(shop, state_days=days))) if page.path == "machine/m1.html")

    assert "on 41 days with records between 20 April 2026 and 31 May 2026" in said(page)


def test_equal_ends_are_one_figure(shop: SiteData) -> None:
    """63 to 63 % is 63 %."""
    months = shop.utilisation.with_columns(spindle_utilisation=pl.lit(0.6312), coverage=pl.lit(0.97))
    book = Book(changed(shop, utilisation=months))
    page = next(page for page in machine_pages(book) if page.path == "machine/m1.html")

    assert "its full months all lie at 63 %" in said(page)
    assert "(63 % on each machine)" in sentence(book).replace(NBSP, " ")
    assert "its full months lie between 38 and 47 %" in said(
        next(page for page in machine_pages(Book(shop)) if page.path == "machine/m1.html")
    )


def test_name_column_only_where_a_tool_has_one(shop: SiteData) -> None:
    """A column of names that says nothing is left out; one name keeps it."""
    rows = shop.tools.to_dicts()
    nameless = [{**row, "name": None} for row in rows]

    with_names = [heading.name for heading in tools_table(Book(shop), rows).columns]
    table = tools_table(Book(shop), nameless)

    assert [name for name in with_names if name != "Name"] == [heading.name for heading in table.columns]
    assert "Name" in with_names
    assert {len(row) for row in table.rows} == {len(table.columns)}


def test_notes_of_loaded_files_are_shown(shop: SiteData) -> None:
    """A note on a file that was loaded stands in the list, after the files to mend and before those without."""
    noted = pl.col("file_id") == "f2"
    files = shop.files.with_columns(
        reason=pl.when(noted).then(pl.lit("columns not used: tol")).otherwise(pl.col("reason")),
        rows_rejected=pl.lit(0, pl.Int64),
    )
    table = table_of(quality.quality_page(Book(changed(shop, files=files))), "Source files")

    assert column(table, "Reason or note") == ["The zip file is cut short.", "columns not used: tol", ""]
    assert column(table, "Status") == ["unreadable", "loaded", "loaded"]
    assert table.as_cards


def test_front_page_of_an_empty_book(make: Callable[..., SiteData]) -> None:
    """An empty book says that nothing was run; it does not speak of missing estimates."""
    assert overruns.sentence(Book(make()).drift_rows).startswith("No job has been run yet")
