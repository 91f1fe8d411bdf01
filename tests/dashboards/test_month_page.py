"""The month to print: its whole text against a golden file, its sheets of A4, and what a frozen month shows."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from lxml import html

from dashboards.book import Book
from dashboards.pages.month import IN_HOURS, month_page
from dashboards.pages.utilisation import utilisation_page
from dashboards.site import month_alone
from dashboards.site_data import SiteData

GOLDEN = Path(__file__).with_name("month.txt")
MONTH = "2026-05"
FROZEN_AT = datetime(2026, 6, 3, 8, tzinfo=UTC)


@pytest.fixture
def frozen(shop: SiteData) -> SiteData:
    """May, frozen; M1 would be different today, and M3 came later."""
    two = pl.col("machine").is_in(["M1", "M2"])
    months = shop.utilisation.filter(two)
    may = pl.col("month") == MONTH
    stated = months.filter(may).with_columns(
        frozen_at=pl.lit(FROZEN_AT),
        restated=pl.col("machine") == "M1",
        standing=pl.when(pl.col("machine") == "M1").then(pl.lit("restated")).otherwise(pl.lit("frozen")),
    )
    added = stated.filter(pl.col("machine") == "M2").with_columns(
        machine=pl.lit("M3"), restated=pl.lit(True), standing=pl.lit("added later")
    )
    common = {"month": MONTH, "item": None, "frozen_at": FROZEN_AT}
    changes = [
        {**common, "machine": "M1", "figure": "cutting_planned_s", "told": "70.1 h -> 73.0 h (+2.9 h)"},
        {**common, "machine": "M1", "figure": "actual_busy_s", "told": "80.0 h -> 82.9 h (+2.9 h)"},
        {**common, "machine": "M3", "figure": "cycles", "told": "none -> 812", "frozen": None, "now": 812.0},
    ]
    told = pl.DataFrame(
        [
            {"frozen": 252360.0, "now": 262800.0, "cause": "late.csv came in on 2026-06-09 (12 cycle rows)", **row}
            for row in changes
        ]
    )
    freezings = pl.DataFrame(
        [(MONTH, datetime(2026, 6, 1, tzinfo=UTC), datetime(2026, 6, 2, tzinfo=UTC)), (MONTH, FROZEN_AT, None)],
        schema=shop.freezings.schema,
        orient="row",
    )
    return replace(
        shop,
        utilisation=pl.concat([months.filter(~may), stated, added]),
        losses=pl.concat([shop.losses.filter(two), shop.losses.filter(two).with_columns(machine=pl.lit("M3"))]),
        restatements=told.select(shop.restatements.columns).cast(dict(shop.restatements.schema)),
        freezings=freezings,
        notes=(),
    )


def text_of(page: str) -> str:
    """Return what a reader sees, a line a block, a table's cells between bars."""
    tree = html.fromstring(page)
    for unseen in tree.xpath("//style | //script | //title | //a[@class='skip']"):
        unseen.getparent().remove(unseen)
    blocks = tree.xpath(
        "//body//*[self::h1 or self::h2 or self::p or self::caption or self::tr or self::li or self::div[dt]]"
    )
    lines = []
    for block in blocks:
        parts = block.xpath("./th | ./td | ./dt | ./dd") or [block]
        lines.append(" | ".join(re.sub(r"\s+", " ", part.text_content()).strip() for part in parts))
    return "\n".join(lines).replace(f"spindlebook {version('spindlebook')}", "spindlebook") + "\n"


def test_the_printed_text(frozen: SiteData) -> None:
    """Word for word; where it is meant to differ, look at the new text and put it into month.txt."""
    assert text_of(month_alone(frozen, MONTH)) == GOLDEN.read_text(encoding="utf-8")


def test_no_sum_holds_what_came_later(frozen: SiteData) -> None:
    """The machines add up to the sums; one that was not in the statement is told of under Restated alone."""
    page = month_page(Book(frozen), MONTH)

    for section in [*page.sections, *page.later[:3]]:
        (table,) = (block for block in section.blocks if block.part == "table")
        *machines, total = table.rows
        assert [row[0].text for row in machines] == ["M1", "M2"]
        for place, column in enumerate(table.columns):
            if column.name.endswith(IN_HOURS) or column.name in ("Cycles", "Parts", "Scrap"):
                assert sum(row[place].sort for row in machines) == pytest.approx(total[place].sort), column.name
    assert [bar.label for bar in page.bars] == ["M1", "M2"]
    assert all(sum(stretch.width for stretch in bar.stretches) <= 100.01 for bar in page.bars)


def test_the_page_alone_needs_nothing(frozen: SiteData) -> None:
    """One file: no link, no script, nothing to load."""
    page = month_alone(frozen, MONTH)

    assert not re.search(r"<script|<link|<img|src=|url\(|href=\"(?!#main)", page)
    assert "@page" in page


def test_restated_months_are_marked(frozen: SiteData) -> None:
    """In the list of months and in the chart of all machines."""
    page = utilisation_page(Book(frozen))

    tables = [block for section in page.sections for block in section.blocks if block.part == "table"]
    (months,) = (table for table in tables if table.caption == "Months to print")
    may = next(row for row in months.rows if row[0].href == f"month-{MONTH}.html")
    assert may[-1].text == "frozen, restated since"
    figure = next(block for block in page.sections[0].blocks if block.part == "figure")
    assert "*: frozen, and restated since." in figure.note
    assert len(re.findall(r'"text":"[^"]*\*"', figure.spec)) == 2


@pytest.mark.parametrize("standing", ["open", "frozen"])
def test_a_month_that_nothing_changed(shop: SiteData, standing: str) -> None:
    """Open months say that figures may change; nothing is said to be restated."""
    rows = shop.utilisation.with_columns(standing=pl.lit(standing))
    freezings = pl.DataFrame([(MONTH, FROZEN_AT, None)], schema=shop.freezings.schema, orient="row")
    data = replace(shop, utilisation=rows, freezings=freezings if standing == "frozen" else shop.freezings)

    page = month_page(Book(data), MONTH)

    assert page.standing.startswith("Open: " if standing == "open" else "Frozen on 2026-06-03: ")
    assert not [section for section in page.later if section.anchor == "restated"]


def test_months_without_planned_or_observed_time(make: Callable[..., SiteData], shop: SiteData) -> None:
    """Nothing is divided by nothing."""
    times = [name for name in shop.utilisation.columns if name.endswith("_planned_s") or name == "planned_s"]
    shares = ["coverage", "spindle_utilisation", "availability"]
    one: Any = shop.utilisation.filter(pl.col("month") == MONTH).head(1)
    one = one.with_columns(
        *(pl.lit(0.0).alias(name) for name in times), *(pl.lit(None, pl.Float64).alias(n) for n in shares)
    )

    text = text_of(month_alone(make(utilisation=one), MONTH))

    assert "1 spindle; no planned time was observed." in text


def test_a_month_that_was_hardly_watched_is_grey_throughout(frozen: SiteData) -> None:
    """M2 in every table, and with it all machines together; the note says whose figures are grey."""
    low = (pl.col("machine") == "M2") & (pl.col("month") == MONTH)
    months = frozen.utilisation.with_columns(
        low_coverage=pl.when(low).then(pl.lit(True)).otherwise(pl.col("low_coverage")),
        observed_planned_s=pl.when(low).then(0.0).otherwise(pl.col("observed_planned_s")),
    )

    page = month_page(Book(replace(frozen, utilisation=months)), MONTH)

    tables = [block for part in (*page.sections, *page.later[:3]) for block in part.blocks if block.part == "table"]
    assert len(tables) == 4
    for table in tables:
        marks = [{cell.mark.removesuffix(" total") for cell in row[1:]} for row in table.rows]
        assert marks == [{""}, {"few"}, {"few"}], table.caption
    (note,) = (block.text for block in page.sections[0].blocks if block.part == "text" and block.kind == "note")
    assert note.startswith("Grey: of M2, and of all machines together, under 80")


def test_a_month_tells_its_own_contradictions(shop: SiteData) -> None:
    """What was contradicted in another month is not told on a page to sign; what is said of the book is."""
    shown = shop.contradictions.with_columns(month=pl.lit("2026-04"), machine=pl.lit("M1"))
    book = Book(replace(shop, contradictions=shown, notes=("No shop.toml.",)))

    assert book.month_notes("2026-05")[0] == "No shop.toml."
    assert not [note for note in book.month_notes("2026-05") if "contradict" in note]
    assert [note for note in book.month_notes("2026-04") if note.startswith("M1: sources contradict each other")]
