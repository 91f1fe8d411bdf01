"""Pages of causes, costs, trust and factors say what their frames hold. CPU: about 2 s."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import fields
from itertools import pairwise
from typing import Any

import polars as pl
import pytest

from dashboards.blocks import Figure, Page, Table, Text
from dashboards.book import Book
from dashboards.pages.factor_sheet import factor_sheet_page
from dashboards.pages.job import job_page
from dashboards.pages.job_causes import CAUSES_DRAWN, drawn_steps
from dashboards.pages.overruns import overruns_page
from dashboards.pages.trust import trust_page
from dashboards.site_data import SiteData
from dashboards.wording import MINUS, NBSP


def plain(text: str) -> str:
    """Write plain spaces and signs."""
    return text.replace(NBSP, " ").replace(MINUS, "-")


def blocks(page: Page, kind: type) -> list[Any]:
    """Return the blocks of one kind, in order."""
    return [block for section in page.sections for block in section.blocks if isinstance(block, kind)]


def said(page: Page) -> str:
    """Return all sentences of a page."""
    return plain(" ".join(block.text for block in blocks(page, Text)))


def table(page: Page, caption: str) -> list[list[str]]:
    """Return the texts of the first table whose caption begins so."""
    found = next(block for block in blocks(page, Table) if block.caption.startswith(caption))
    return [[plain(cell.text) for cell in row] for row in found.rows]


def changed(data: SiteData, **frames: Any) -> SiteData:
    """Return a shop with some of its frames replaced."""
    return SiteData(**{**{field.name: getattr(data, field.name) for field in fields(data)}, **frames})


@pytest.fixture(scope="module")
def book(shop: SiteData) -> Book:
    """The invented shop's book."""
    return Book(shop)


def page_of_job(book: Book, job_key: str) -> Page:
    """Build one job's page."""
    return job_page(book, job_key, [row for row in book.drift_rows if row["job_key"] == job_key])


def steps_of(page: Page) -> list[dict[str, Any]]:
    """Return the rows of the first waterfall of a page."""
    specs = [json.loads(figure.spec) for figure in blocks(page, Figure)]
    found: list[dict[str, Any]] = next(spec["datasets"]["steps"] for spec in specs if "steps" in spec["datasets"])
    return found


def test_waterfall_ends_at_actual_less_estimate(book: Book) -> None:
    """Bars stand end to end from 0 to the sum of all causes, which is mean actual less estimate; labels bear signs."""
    row = next(row for row in book.drift_rows if row["job_key"] == "Spacer")
    steps = steps_of(page_of_job(book, "Spacer"))

    assert steps[0]["side"] == steps[-1]["side"] == "sum"
    assert all(above["end"] == below["start"] for above, below in pairwise(steps[:-1]))
    assert steps[-2]["end"] == pytest.approx(steps[-1]["end"])
    assert steps[-1]["end"] == pytest.approx(row["actual_mean_s"] - row["estimate_s"])
    assert [step["side"] == "less" for step in steps[1:-1]] == [MINUS in step["label"] for step in steps[1:-1]]


def test_small_causes_are_drawn_together_and_none_is_lost() -> None:
    """Thirty causes make twelve bars and one of the rest, with the same sum."""
    causes = [{"cause": "cutting", "tool": str(n), "seconds_per_run": (-1) ** n * (n + 0.5)} for n in range(30)]
    steps = drawn_steps(causes)

    assert len(steps) == CAUSES_DRAWN + 1
    assert plain(steps[-1][0]) == "18 smaller causes"
    assert sum(seconds for _, seconds in steps) == pytest.approx(sum(cause["seconds_per_run"] for cause in causes))


def test_a_change_has_its_interval_and_what_was_different(book: Book) -> None:
    page = page_of_job(book, "Bracket")

    assert "at the batch of 4 February 2026 (95 % interval: from the batch of 28 January 2026 to that of 11" in said(
        page
    )
    assert table(page, "What was different") == [
        ["Cutting time, T4 over the estimate", "+2.0 s", "+60.5 s", "+58.5 s"],
        ["Runs in 316L", "0 %", "100 %", "+100 %"],
        ["Tool changes", "5.0 a run", "7.0 a run", "+2.0 a run"],
        ["Runs of this operation on this machine", "100 %", "40 %", "-60 %"],
        ["Runs begun before 14:00", "90 %", "30 %", "-60 %"],
        ["T4: 1 new edge", "", "3 February 2026", ""],
    ]


def test_learning_and_first_articles_are_no_drift(book: Book) -> None:
    page = page_of_job(book, "Bracket")

    assert "no verdict: 6 first articles and 1 proving run (median 6 min 50 s)." in said(page)
    assert "Learning over the batch, not drift: with each doubling of the runs of a batch a cycle takes 97.0 %" in said(
        page
    )


def test_setup_and_loading_stand_beside_the_causes(book: Book) -> None:
    setup = table(page_of_job(book, "Bracket"), "Setup and loading")
    spacer = table(page_of_job(book, "Spacer"), "Setup and loading")

    assert setup[0] == ["Setup, mean per batch", "40 min", "45 min", "+5 min", "+12 %", "0.5 h", "29 EUR", "6"]
    assert setup[1][1:4] == ["50 s", "1 min 02 s", "+12 s"]
    assert spacer[1][1:6] == ["not quoted", "1 min 02 s", "", "", ""]


def test_setup_that_takes_more_than_the_cycles_is_said_to(book: Book, shop: SiteData) -> None:
    """Batches of five: an hour of setup beyond the quote in each; what costs most stands first on the overruns page."""
    long = pl.when(pl.col("job_key") == "Pin").then(20.0).otherwise(-0.5).alias("setup_over_hours")
    told = Book(changed(shop, money=shop.money.with_columns(long)))

    assert "Setup is the overrun here: 20.0 h beyond the quote" in said(page_of_job(told, "Pin"))
    assert "Setup is the overrun here" not in said(page_of_job(told, "Bracket"))
    rows = table(overruns_page(told), "Setup and loading against the quote")
    assert rows[0][0].startswith("Pin")
    assert rows[0][4] == "20.0 h"


def test_a_quote_for_a_machine_that_no_export_tells_of(shop: SiteData) -> None:
    """Its name leads nowhere; where the work ran on another machine, that one is named beside it."""
    names = [("M9", None), ("M9", "M1"), (None, "M2")]
    machines = [names[number] if number < len(names) else ("M1", None) for number in range(shop.outcomes.height)]
    quoted, ran_on = (
        pl.Series(name, column, pl.String)
        for name, column in zip(("machine", "ran_on"), zip(*machines, strict=True), strict=True)
    )
    page = trust_page(Book(changed(shop, outcomes=shop.outcomes.with_columns(quoted, ran_on))))

    assert sorted(row[2] for row in table(page, "Quotes kept")) == ["M1", "M9", "M9, ran on M1", "any, ran on M2"]


def test_jobs_stand_by_what_their_margin_lost(book: Book) -> None:
    """The dearest first, without a quote last, without a rate not at all; the job's page says the same."""
    rows = table(overruns_page(book), "Cost per good part")

    assert [row[0] for row in rows] == ["Bracket", "Spacer", "Pin"]
    assert [row[7] for row in rows] == ["-50 EUR", "+50 EUR", ""]
    assert rows[2][6] == "no quote"
    assert "A good part cost 13.04 EUR (46 good parts, 2 scrapped). The quote allowed 11.96 EUR: in all 50 EUR" in said(
        page_of_job(book, "Bracket")
    )


def test_trust_says_what_is_offered_and_where_too_few(book: Book) -> None:
    page = trust_page(book)
    rows = {row[0]: row for row in table(page, "What is offered")}
    drawn = json.loads(blocks(page, Figure)[0].spec)["datasets"]["errors"]

    assert "Factors make quotes better for cutting time (off by 5.0 % instead of 8.0 %) and setup time" in said(page)
    assert rows["cycle time"][1] == "– not offered"
    assert rows["setup time"][1:8] == ["✓ offered (5)", "21", "45.0 %", "26.0 %", "80 %", "47 %", "88 %"]
    assert rows["loading and unloading"][1:8] == ["○ too few", "3", *["too few"] * 5]
    assert "quotes reach at least 12 % to either side" in rows["cutting time"][8]
    assert {point["label"].split("\n")[0] for point in drawn} == {"cycle time", "cutting time", "setup time"}
    assert blocks(page, Figure)[0].note.endswith("Too few past jobs for loading and unloading.")


def test_kept_quotes_are_set_against_what_happened(book: Book, make: Callable[..., SiteData]) -> None:
    page = trust_page(book)
    points = json.loads(blocks(page, Figure)[1].spec)["datasets"]["outcomes"]
    rows = table(page, "Quotes kept")

    assert "4 quoted operations, 3 of them run since. The median cycle of 2 of 3 lay inside the 90 % interval. That is too few" in said(page)  # fmt: skip  # noqa: E501
    assert [(round(point["over"], 6), point["held"]) for point in points] == [
        (1.0, "inside its 90 %"),
        (20.0, "outside"),
        (-2.0, "inside its 90 %"),
    ]
    assert [row[8] for row in rows] == ["not run yet", "✓ yes", "✗ no", "✓ yes"]
    assert "spindlebook quote FILE keeps each quote" in said(trust_page(Book(make())))


def test_factor_sheet_holds_only_what_is_offered(shop: SiteData) -> None:
    """On the page and in the file; with its version, and without formulas."""
    named = shop.factors.with_columns(
        material=pl.when(pl.col("material") == "316L").then(pl.lit("=316L")).otherwise("material")
    )
    page = factor_sheet_page(Book(changed(shop, factors=named, factors_version="0123456789ab")))
    sheet = list(csv.DictReader(io.StringIO(page.files["factor-sheet.csv"])))

    assert [section.heading for section in page.sections] == ["", "Cutting time", "Setup time", "Not offered"]
    assert {row["time_kind"] for row in sheet} == {"cut", "setup"}
    assert len(sheet) == 10
    assert {row["version"] for row in sheet} == {"0123456789ab"}
    assert {row["written_on"] for row in sheet} == {"2026-06-02"}
    assert "'=316L" in {row["material"] for row in sheet}
    assert table(page, "Factors for setup time")[0][:5] == ["all", "all", "all", "1.08", "0.97 to 1.19"]


def test_factor_sheet_without_factors_says_so(make: Callable[..., SiteData]) -> None:
    page = factor_sheet_page(Book(make()))

    assert page.files == {}
    assert "No factor is offered" in said(page)
