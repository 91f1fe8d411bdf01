"""Pages say what the frames say: sentences with their figures, `too few` where it is too few, blanks without rates."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime

import polars as pl
import pytest

from dashboards.blocks import Figure, Page, Table, Text
from dashboards.book import Book
from dashboards.pages import front, overruns, quality, quoting, tools, utilisation
from dashboards.pages.job import RUNS_DRAWN, job_page
from dashboards.pages.lost_time import losses_sentence
from dashboards.pages.machines import machine_pages
from dashboards.pages.tools import tool_pages, tools_page
from dashboards.run_sheet import runs_sheet
from dashboards.site import site_pages
from dashboards.site_data import SiteData
from dashboards.wording import CAUTION, MINUS, NBSP, THIN


def words(page: Page, kind: str = "lead") -> str:
    """Return the sentences of a page with plain spaces."""
    texts = [block.text for section in page.sections for block in section.blocks if isinstance(block, Text)]
    kinds = [block.kind for section in page.sections for block in section.blocks if isinstance(block, Text)]
    return " ".join(t for t, k in zip(texts, kinds, strict=True) if k == kind).replace(NBSP, " ").replace(MINUS, "-")


def tables(page: Page) -> list[Table]:
    """Return the tables of a page, those behind figures too."""
    blocks = [block for section in page.sections for block in section.blocks]
    behind = [block.table for block in blocks if isinstance(block, Figure) and block.table is not None]
    return [block for block in blocks if isinstance(block, Table)] + behind


def figures(page: Page) -> list[Figure]:
    """Return the figures of a page."""
    return [block for section in page.sections for block in section.blocks if isinstance(block, Figure)]


def column(table: Table, name: str) -> list[str]:
    """Return the texts of one column with plain spaces."""
    place = [heading.name for heading in table.columns].index(name)
    return [row[place].text.replace(NBSP, " ").replace(MINUS, "-") for row in table.rows]


@pytest.fixture(scope="module")
def book(shop: SiteData) -> Book:
    """The invented shop's book."""
    return Book(shop)


def page_of_job(book: Book, job_key: str) -> Page:
    """Build one job's page."""
    return job_page(book, job_key, [row for row in book.drift_rows if row["job_key"] == job_key])


def test_front_page_answers_four_questions(book: Book) -> None:
    """Four blocks, each with a sentence, at most five rows and a link to the rest."""
    page = front.front_page(book)

    assert [section.heading for section in page.sections] == [
        "What overruns",
        "What wears faster",
        "How busy the spindles were",
        "What to quote again",
    ]
    for section in page.sections:
        lead, link = section.blocks[0], section.blocks[-1]
        assert isinstance(lead, Text)
        assert any(char.isdigit() for char in lead.text)
        assert isinstance(link, Text)
        assert link.href
        assert all(len(block.rows) <= 5 for block in section.blocks if isinstance(block, Table))


def test_overrun_sentence_counts_and_sums(book: Book) -> None:
    """Three operations over, five judged, one with too few runs, one without an estimate; hours of those over."""
    over = book.data.drift.filter(pl.col("verdict") == "over")

    text = overruns.sentence(book.drift_rows).replace(NBSP, " ")

    assert text.startswith("3 of 5 judged operations (4 jobs) run over their estimates; together they have taken")
    assert f"{over['overrun_hours'].sum():.1f} h more than estimated" in text
    assert text.endswith("1 job has too few runs for a verdict. 1 job has no estimate.")


def test_job_title_says_since_when(book: Book) -> None:
    """The chart of a job that moved is titled by the new level and the shop's own day of the change."""
    titles = [figure.title.replace(NBSP, " ") for figure in figures(page_of_job(book, "Bracket"))]

    # Moved at 23:30 UTC on 4 February, which is still the 4th in Lisbon in winter.
    assert titles[0] == "Bracket op 10 on M1, revision B runs 19 % over its estimate since 4 February 2026"
    assert "Cutting time, T4 takes most of it" in titles[1]


def test_too_few_is_said(book: Book) -> None:
    """A job with three runs gets its median, no interval, no verdict and no title that claims one."""
    page = page_of_job(book, "Pin")

    assert "too few for an interval or a verdict" in words(page)
    assert figures(page)[0].title.startswith("Pin op 10 on M1, revision B: too few runs for a verdict")
    row = next(row for row in overruns.jobs_table(book, book.drift_rows).rows if row[0].text.startswith("Pin"))
    assert [row[3].text, row[5].text] == ["○ too few", "too few"]


def test_job_without_an_estimate(book: Book) -> None:
    """Without an estimate the chart shows minutes and no line of an estimate, and no causes are made up."""
    page = page_of_job(book, "O9000")
    spec = json.loads(figures(page)[0].spec)

    assert "There is no estimate to compare with" in words(page)
    assert len(figures(page)) == 1
    assert set(spec["datasets"]) == {"runs"}
    assert 8.0 < spec["datasets"]["runs"][0]["value"] < 9.2


def test_far_run_is_marked_not_hidden(book: Book) -> None:
    """The run with 50 minutes of hold stands at the edge of the scale, and the note says so."""
    figure = figures(page_of_job(book, "Bracket"))[0]
    runs = json.loads(figure.spec)["datasets"]["runs"]

    assert len(runs) == 48
    assert sum(run["beyond"] for run in runs) == 1
    assert max(runs, key=lambda run: run["value"])["beyond"]
    assert "1\u00a0point lies beyond the scale" in figure.note


def test_many_runs_are_drawn_by_batch(book: Book) -> None:
    """Beyond the drawable number, points are medians of batches, and the note says so."""
    runs = book.data.runs.filter(pl.col("job_key") == "Spacer")
    many = pl.concat([runs.with_columns(run_id=pl.col("run_id") + f"-{copy}") for copy in range(10)])
    assert many.height > RUNS_DRAWN
    page = page_of_job(Book(_replaced(book.data, runs=many)), "Spacer")
    figure = figures(page)[0]
    drawn = json.loads(figure.spec)["datasets"]["runs"]

    complete = runs.filter(pl.col("outcome") == "complete")
    medians = complete.group_by("batch_id").agg((pl.col("actual_s").median() / 370.0 - 1) * 100)["actual_s"].sort()
    assert sorted(point["value"] for point in drawn) == pytest.approx(medians.to_list())
    assert "Each point is a batch (its median)" in figure.note


def test_causes_add_up(book: Book) -> None:
    """The seconds behind the causes chart add up to mean actual less estimate."""
    row = next(row for row in book.drift_rows if row["job_key"] == "Spacer")
    table = next(table for table in tables(page_of_job(book, "Spacer")) if "Causes" in table.caption)

    seconds = sum(float(cell[1].sort or 0.0) for cell in table.rows)

    assert seconds == pytest.approx(row["actual_mean_s"] - row["estimate_s"])


def test_no_rate_no_money(book: Book) -> None:
    """Where a machine has no rate, costs are blank and the page names the machine."""
    table = overruns.jobs_table(book, book.drift_rows)
    cost = dict(zip(column(table, "Job"), column(table, "Cost"), strict=True))

    assert cost["Gearbox cover with a long name that goes on op 10 on M2, revision B"].endswith(" EUR")
    assert next(value for name, value in cost.items() if "script" in name) == ""
    assert "no rate_per_hour in shop.toml" in words(overruns.overruns_page(book), "note")


def test_no_rates_at_all(shop: SiteData) -> None:
    """Without any rate the page says why its money is empty."""
    machines = shop.machines.with_columns(rate_per_hour=pl.lit(None, pl.Float64))
    drift = shop.drift.with_columns(overrun_cost=pl.lit(None, pl.Float64))
    book = Book(_replaced(shop, machines=machines, drift=drift))

    assert "Cost columns are empty" in words(overruns.overruns_page(book), "note")
    assert "hours, because some machine has no rate" in figures(overruns.overruns_page(book))[0].note
    assert "Sorted by hours lost" in figures(overruns.overruns_page(book))[1].note
    assert set(column(overruns.jobs_table(book, book.drift_rows), "Cost")) == {""}
    lost = [row["overrun_hours"] for row in book.drift_rows if row["overrun_hours"] is not None]
    assert lost == sorted(lost, reverse=True)
    assert book.drift_rows[-1]["overrun_hours"] is None


def test_jobs_are_in_order_of_cost(shop: SiteData) -> None:
    """Where every overrun has a cost, the dearest stands first, and the chart's title names it."""
    drift = shop.drift.with_columns(overrun_cost=pl.col("overrun_hours") * 58)
    drift = drift.with_columns(
        overrun_cost=pl.when(pl.col("operation") == "20").then(9999.0).otherwise(pl.col("overrun_cost")),
        verdict=pl.when(pl.col("operation") == "20").then(pl.lit("over")).otherwise(pl.col("verdict")),
    )
    book = Book(_replaced(shop, drift=drift))

    assert book.drift_rows[0]["operation"] == "20"
    assert book.drift_rows[-1]["overrun_hours"] is None
    first, second = figures(overruns.overruns_page(book))
    assert first.title.replace(NBSP, " ").replace(THIN, "") == (
        "Bracket op 20 on M1 cost +9999 EUR against its estimate, the most of all"
    )
    assert second.title.startswith("Bracket op 20 on M1 costs the most")


def test_month_with_little_data_is_thin(book: Book) -> None:
    """February of M2 was observed for 55 %: hollow in the chart, and the newest full month is May, not June."""
    figure = figures(utilisation.utilisation_page(book))[0]
    drawn = {(row["machine"], row["month"]): row["thin"] for row in json.loads(figure.spec)["datasets"]["months"]}

    assert book.month == "2026-05"
    assert drawn["M2", "2026-02"]
    assert not drawn["M1", "2026-02"]
    assert all(thin for (_, month), thin in drawn.items() if month == "2026-06")
    assert "Dashed and white" in figure.note


def test_shop_utilisation_is_by_time_not_by_machine(shop: SiteData) -> None:
    """The shop's share is all cutting time over all planned, observed time."""
    frame = shop.utilisation.with_columns(
        cutting_planned_s=pl.when(pl.col("machine") == "M1").then(36_000.0).otherwise(3_600.0),
        observed_planned_s=pl.when(pl.col("machine") == "M1").then(360_000.0).otherwise(7_200.0),
        planned_s=pl.when(pl.col("machine") == "M1").then(360_000.0).otherwise(7_200.0),
    )
    text = utilisation.sentence(Book(_replaced(shop, utilisation=frame))).replace(NBSP, " ")

    # (10 + 1 + 1) h of (100 + 2 + 2) h
    assert "3 spindles cut 12 % of planned, observed time" in text


def test_states_of_a_month_add_up(book: Book) -> None:
    """The hours shown for a month's states add up to the sum shown beside them."""
    table = utilisation.states_table(book, book.data.utilisation.to_dicts())
    names = [heading.name for heading in table.columns]
    first, last = names.index("Cutting"), names.index("No data")

    for row in table.rows:
        assert sum(float(cell.sort or 0.0) for cell in row[first : last + 1]) == pytest.approx(row[last + 1].sort)


def test_a_month_names_its_closed_days(book: Book) -> None:
    """Neighbouring days stand together, a day of some machines names them, and a month without any says nothing."""
    (note,) = utilisation.closed_days_note(book, "2026-05")

    assert note.text.replace(NBSP, " ") == (
        "Closed in May 2026: 1 May (Labor Day), 21 May to 22 May, 29 May on M1 (Stocktaking)."
    )
    (of_m2,) = utilisation.closed_days_note(book, "2026-05", "M2")
    assert "29" not in of_m2.text
    assert utilisation.closed_days_note(book, "2026-04") == []


def test_stack_labels_lie_in_their_stretch(book: Book) -> None:
    """Each label of the stacked hours stands in the middle of its own stretch."""
    page = next(page for page in machine_pages(book) if page.path == "machine/m1.html")
    datasets = [json.loads(figure.spec).get("datasets", {}) for figure in figures(page)]
    rows = next(sets["states"] for sets in datasets if "states" in sets)
    month = sorted((row for row in rows if row["month"] == "2026-03"), key=lambda row: row["order"])

    start = 0.0
    for row in month:
        assert row["middle"] == pytest.approx(start + row["hours"] / 2)
        start += row["hours"]
    assert start == pytest.approx(170.0)


def test_caution_stands_where_advice_touches_tools(book: Book) -> None:
    """Tool pages, the tool list, quoting and machines with tools print the caution of the book."""
    pages = [tools_page(book), quoting.quoting_page(book), *tool_pages(book)]
    pages += [page for page in machine_pages(book) if any(section.heading == "Tools" for section in page.sections)]

    assert len(pages) == 2 + 4 + 3
    for page in pages:
        assert CAUTION.replace(NBSP, " ") in words(page, "caution")
    assert "the qualified person at the machine come first" in CAUTION


def test_tool_page_says_life_interval_and_trend(book: Book) -> None:
    """The lead sentence holds the median, its interval, the counts and the trend with its q."""
    page = next(page for page in tool_pages(book) if page.path == "tool/m1-4.html")

    assert words(page) == (
        "Half of the edges of T4 on M1 last 48.1 min or longer (95 % interval 43.3 to 53.0 min, 24 edges, 19 failures)."
        " Life is falling by 2.1 % with each edge (q 0.002)."
    )


def test_trend_line_passes_the_median_at_the_middle(book: Book) -> None:
    """The dashed line falls by the trend from edge to edge and is the median life at the middle edge."""
    page = next(page for page in tool_pages(book) if page.path == "tool/m1-4.html")
    spec = next(spec for figure in figures(page) if "trend" in (spec := json.loads(figure.spec))["datasets"])
    edges, trend = spec["datasets"]["edges"], spec["datasets"]["trend"]
    middle = (edges[0]["edge"] + edges[-1]["edge"]) / 2
    at = {point["edge"]: point["life"] for point in trend}

    assert edges[0]["edge"] == 1  # the first edge seen has an unknown start and is in no fit
    assert at[1] * (1 - 0.021) ** (middle - 1) == pytest.approx(48.1)
    assert at[24] / at[1] == pytest.approx((1 - 0.021) ** 23)


def test_observed_survival_begins_at_one(book: Book) -> None:
    """The observed steps start where all edges are in use, also where the frame starts at the first failure."""
    late = book.data.life_curves.filter(pl.col("life") > 0)
    page = next(page for page in tool_pages(Book(_replaced(book.data, life_curves=late))) if "m1-4" in page.path)
    observed = next(
        spec["datasets"]["observed"]
        for figure in figures(page)
        if "observed" in (spec := json.loads(figure.spec))["datasets"]
    )

    assert (observed[0]["life"], observed[0]["survival"]) == (0.0, 1.0)
    assert observed[1]["life"] == 6.0


def test_unknown_reason_is_explained(shop: SiteData) -> None:
    """The page says which way lives lean by what unknown means in shop.toml."""
    censored = tools.reasons_note(Book(shop)).text
    failure = tools.reasons_note(Book(_replaced(shop, unknown_reason="failure"))).text

    assert "true lives are shorter than shown" in censored
    assert "true lives are longer than shown" in failure
    assert "makes lives look longer than they are" in censored


def test_quoting_sentence_takes_the_clearest_factor(shop: SiteData) -> None:
    """It names the factor farthest from 1.00, with interval and counts; one that is not offered is no advice."""
    offered = _replaced(shop, factors=shop.factors.with_columns(offered=True))
    text, other = (quoting.sentence(quoting.factor_rows(Book(data))) for data in (offered, shop))

    assert text.replace(NBSP, " ").startswith(
        "Estimated cycles want a factor of 1.28 (95 % interval 1.17 to 1.39, 120 runs, 9 operations)"
    )
    assert "want a factor" not in other
    assert other.endswith("so none is offered.")


def test_quoting_sentence_without_a_clear_factor(shop: SiteData) -> None:
    """No factor clear of 1.00 is said as such."""
    factors = shop.factors.with_columns(factor=1.01, factor_low=0.9, factor_high=1.1)
    text = quoting.sentence(quoting.factor_rows(Book(_replaced(shop, factors=factors))))

    assert text == "On the whole estimated cycles hold: none of 5\u00a0factors for whole cycles is clear of 1.00."


def test_quality_counts_add_up(book: Book) -> None:
    """What was read is what was loaded, known and rejected."""
    text = quality.sentence(book).replace(NBSP, " ")

    assert "520 rows read: 480 loaded, 30 already known, 10 rejected (4 title, unit and total lines set aside)" in text
    assert "1 file was not loaded; the list says why" in text


def test_correction_is_told_in_words() -> None:
    """A correction stored as JSON reads column by column; other text stays."""
    assert (
        quality.change_words('{"parts":[0,1],"outcome":["unknown",null]}') == "parts: 0 → 1; outcome: unknown → empty"
    )
    assert quality.change_words("parts 1 to 2") == "parts 1 to 2"
    assert quality.change_words("[1]") == "[1]"
    assert quality.change_words(None) == ""


def test_files_are_named_from_their_shared_folder(shop: SiteData) -> None:
    """The folder that all files share is said once, on any system's slashes."""
    for folder in ("C:\\exports\\", "/srv/exports/"):
        files = shop.files.with_columns(name=pl.lit(folder) + pl.Series(["a/x.csv", "b.csv", "c.csv"]))
        book = Book(_replaced(shop, files=files))

        assert book.files_folder == folder
        assert book.file_names["f1"] == "a/x.csv"


def test_run_sheet_has_files_rows_and_no_formulas(book: Book) -> None:
    """The spreadsheet file cites file and row, keeps local time with its offset, and defuses formulas."""
    runs = book.data.runs.filter(pl.col("job_key") == "Spacer").head(2)
    runs = runs.with_columns(
        program=pl.lit("=1+1"), job=pl.lit("-3"), started_at=pl.lit(datetime(2026, 7, 1, 6, 0, tzinfo=UTC))
    ).with_columns(pl.col("started_at").cast(pl.Datetime("us", "UTC")))

    sheet = pl.read_csv(runs_sheet(book, runs).encode(), infer_schema=False)

    assert sheet["program"].to_list() == ["'=1+1"] * 2
    assert sheet["job"].to_list() == ["'-3"] * 2
    assert sheet["file"].to_list() == ["cycles/2026.csv"] * 2
    assert sheet["row_number"].to_list() == ["1", "2"]
    assert sheet["started_at"][0] == "2026-07-01T07:00:00+01:00"


def test_part_of_the_runs_is_said(shop: SiteData) -> None:
    """Where the bundle holds only the newest runs, the page says how many are in the book."""
    runs = shop.runs.filter(pl.col("job_key") == "Spacer").tail(10)
    page = page_of_job(Book(_replaced(shop, runs=runs)), "Spacer")
    table = next(table for table in tables(page) if table.caption.startswith("Runs"))

    assert table.more.replace(NBSP, " ") == (
        "The newest 10 runs with file and row number as a spreadsheet file (CSV); 49 are in the book"
    )


def test_every_time_table_bears_a_basis(book: Book) -> None:
    """Tables of jobs, batches, runs and months have a column that says how times were obtained."""
    timed = {"Jobs against their estimates", "Batches", "Indicators", "Hours of each state, whole month"}
    timed |= {"Jobs to quote again", "Dearest overruns", "Spindle utilisation", "Runs and their source rows"}
    found = set()
    for page in site_pages(book):
        for table in tables(page):
            if table.caption in timed and table.rows:
                found.add(table.caption)
                assert any("basis" in heading.name.lower() for heading in table.columns), table.caption

    assert found == timed


def test_a_month_says_what_kept_spindles_from_cutting(book: Book) -> None:
    """The sentence adds up all machines and leaves time without data out."""
    losses = [
        {"loss": "idle", "hours": 3.0, "cost": 30.0},
        {"loss": "setup", "hours": 2.0, "cost": 40.0},
        {"loss": "setup", "hours": 2.5, "cost": None},
        {"loss": "unobserved", "hours": 9.0, "cost": None},
    ]

    told = losses_sentence(book, losses).replace(NBSP, " ")

    assert told.startswith(
        "Setup took most: 4.5 h of the 7.5 h of planned time that were not cutting, which come to 70 "
    )
    assert losses_sentence(book, losses[3:]) == "Nothing kept a spindle from cutting."


def test_what_stands_behind_is_folded(book: Book) -> None:
    """A machine's page shows its indicators, and folds the times and states that they are made of."""
    page = next(page for page in machine_pages(book) if page.path == "machine/m1.html")
    months = [b for s in page.sections if s.anchor == "months" for b in s.blocks if isinstance(b, Table)]

    assert [table.folded for table in months] == [False, True, True]


def test_counters_stand_on_the_machines_page(book: Book) -> None:
    """Counted, time line and difference, with the rows at both ends; without counters there is no such section."""
    pages = {page.title: page for page in machine_pages(book)}
    by_page = {
        title: [table for table in tables(page) if table.caption.startswith("The control's own counters")]
        for title, page in pages.items()
    }
    assert [title.split(":")[0] for title, found in by_page.items() if found] == ["Machine M2"]
    (table,) = next(found for found in by_page.values() if found)
    assert column(table, "Difference") == ["-0.4 %", "+6.1 %"]
    assert column(table, "Verdict") == ["agrees", "differs"]


def test_contradictions_stand_on_the_page_of_what_came_in(book: Book) -> None:
    """Which files, which rows, how many minutes, and how wrong the clock was."""
    (table,) = [one for one in tables(quality.quality_page(book)) if one.caption.startswith("Sources that contradict")]
    assert column(table, "Minutes") == [f"1{THIN}234"]
    assert column(table, "How") == ["clock of the list wrong"]
    assert column(table, "Other file") != [""]


def test_empty_book_has_sentences(make: Callable[..., SiteData]) -> None:
    """With nothing in the book every page still says so in words."""
    book = Book(make())
    leads = [words(page) for page in site_pages(book)]

    assert len(leads) == 8
    assert all(leads)
    assert "No job has been run yet" in leads[0]


def _replaced(data: SiteData, **changed: object) -> SiteData:
    from dataclasses import fields

    return SiteData(**{**{field.name: getattr(data, field.name) for field in fields(data)}, **changed})


def all_words(page: Page) -> str:
    """Return all sentences of a page, with plain spaces."""
    texts = [block.text for section in page.sections for block in section.blocks if isinstance(block, Text)]
    return " ".join(texts).replace(NBSP, " ")


def test_edges_in_use_say_what_is_due(book: Book) -> None:
    """The list of tools names the edges that do not last, each leading to its tool, and what to have on the shelf."""
    page = tools_page(book)
    told = {table.caption: table for section in page.sections for table in section.blocks if isinstance(table, Table)}
    due = told["Edges to look at"]
    shelf = told["Fresh edges for the coming batches"]

    assert set(column(due, "Says")) == {"○ change not noted?", "▲ due now", "◆ in this batch"}
    assert {cell.href for row in due.rows for cell in row[:1]} == {book.tool_href(*key) for key in book.tool_slugs} - {
        book.tool_href("M1", "12")
    }
    # the second batch counts both; what needs none is left out, what is beyond counting is said
    assert column(shelf, "For")[1] == "8 parts of S-304, then 8 parts of S-304 (the last batch again)"
    assert column(shelf, "Edges to have") == ["more than 60", "2"]
    assert "have these on the shelf: 34.00 EUR in all" in words(page)


def test_what_habit_costs_counts_only_what_is_clear(book: Book) -> None:
    near = book.data.tooling.with_columns(
        best_cost_month=pl.when(pl.col("tool") == "12").then(200.0).otherwise("best_cost_month"),
        saving_month=pl.when(pl.col("tool") == "12").then(10.0).otherwise("saving_month"),
    )
    said = words(tools_page(Book(_replaced(book.data, tooling=near))))
    assert "came to 420 EUR a month. Changing 1 tool at the age that costs least would have saved about 90 EUR" in said


def test_tool_page_says_what_was_different_and_how_the_edge_stands(book: Book) -> None:
    page = next(page for page in tool_pages(book) if page.path == "tool/m1-4.html")
    said = all_words(page)
    titles = [figure.title for figure in figures(page)]
    table = next(
        block
        for section in page.sections
        for block in section.blocks
        if isinstance(block, Table) and block.caption == "In the later half of the edges, what was different"
    )

    assert "Nine of ten such edges make at least 3 more parts; half of such edges make at least 12; it lasts 8" in said
    assert "The spindle load of T4 on M1 runs away from earlier edges since part 3" in titles
    assert column(table, "Before") == ["10 %", "17.00 EUR"]
    assert column(table, "After") == ["60 %", "12.00 EUR"]


def test_a_step_is_drawn_and_said_as_one(book: Book) -> None:
    step = book.data.tools.with_columns(
        trend_kind=pl.when(pl.col("verdict") == "falling").then(pl.lit("step")),
        step_at_edge=pl.lit(13, pl.Int64),
        step_ratio=pl.lit(0.6),
        step_low=pl.lit(0.5),
        step_high=pl.lit(0.72),
    )
    page = next(page for page in tool_pages(Book(_replaced(book.data, tools=step))) if page.path == "tool/m1-4.html")
    spec = next(spec for figure in figures(page) if "trend" in (spec := json.loads(figure.spec))["datasets"])
    levels = [point["life"] for point in spec["datasets"]["trend"]]

    assert levels[0] == levels[1]
    assert levels[2] == levels[3] == pytest.approx(0.6 * levels[0])
    assert [point["edge"] for point in spec["datasets"]["trend"]] == [1, 12.5, 12.5, 24]
    assert "Since edge 13 they last 40 % less (95 % interval -50 to -28 %, q 0.002): a step, not a slope." in words(
        page
    )


def test_a_suspect_edge_is_drawn_apart_and_left_out(book: Book) -> None:
    edges = book.data.edges.with_columns(
        is_suspect=(pl.col("edge_number") == 7) & (pl.col("machine") == "M1"),
        suspect_why=pl.lit("its life is far past those before it"),
    )
    page = next(page for page in tool_pages(Book(_replaced(book.data, edges=edges))) if page.path == "tool/m1-4.html")
    spec = next(spec for figure in figures(page) if "edges" in (spec := json.loads(figure.spec))["datasets"])

    assert [point["edge"] for point in spec["datasets"]["edges"] if point["end"] == "suspect"] == [7]
    assert "1 edge is in no figure: its change may not have been noted." in all_words(page)
