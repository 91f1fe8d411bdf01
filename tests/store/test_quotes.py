"""Quotes are kept with their inputs, numbered by day, and set against the runs that came after. CPU: 3 s."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.report.queries import query
from pipeline.report.quoting import QUOTE_COLUMNS
from pipeline.store.book import Book, open_book
from pipeline.store.quotes import keep_quote
from schemas.columns import columns
from schemas.core import accepted
from schemas.mart import MODELS
from schemas.shop import ShopFile

GIVEN = datetime(2026, 3, 2, 9, tzinfo=UTC)


def quoted(**figures: object) -> pl.DataFrame:
    """Two lines of one operation, and what was quoted on the first."""
    line = {"job": "J1", "program": None, "operation": "10", "machine": "M1", "material": "brass", "quantity": 6}
    told = {
        "quoted_quantity": 6, "estimate_s": 100.0, "expected_cycle_s": 110.0, "cycle_s_low": 100.0,
        "cycle_s_high": 121.0, "rests_on": "a few runs", **figures,
    }  # fmt: skip
    schema = {**columns("estimate"), **QUOTE_COLUMNS}
    return pl.DataFrame(
        [{**line, "tool": "1", "cut_s": 60.0, **told}, {**line, "tool": "2", "cut_s": 40.0}], schema=schema
    )


def keep(book: Book, at: datetime = GIVEN) -> str:
    return keep_quote(
        book, quoted(), file_name="new.csv", given_at=at, program_version="0.1.0", factors_version="abc123"
    )


def test_a_quote_is_kept_with_its_inputs() -> None:
    """What went in, what was said, and the version of the factors; numbers count within the day."""
    with open_book(None, threads=1) as book:
        numbers = [keep(book), keep(book), keep(book, GIVEN + timedelta(days=1))]
        row = book.frame("from raw.quote_given order by quote_id").row(0, named=True)

    assert numbers == ["Q20260302-001", "Q20260302-002", "Q20260303-001"]
    assert (row["job"], row["operation"], row["material"], row["quantity"]) == ("J1", "10", "brass", 6)
    assert (row["expected_cycle_s"], row["factors_version"], row["file_name"]) == (110.0, "abc123", "new.csv")
    assert [line["tool"] for line in json.loads(row["inputs"])] == ["1", "2"]
    assert "expected_cycle_s" not in json.loads(row["inputs"])[0]
    assert json.loads(row["quoted"])["rests_on"] == "a few runs"


def test_an_operation_without_figures_is_not_kept() -> None:
    """Nothing was quoted, so there is nothing to keep."""
    with open_book(None, threads=1) as book:
        empty = quoted(expected_cycle_s=None)
        number = keep_quote(
            book, empty, file_name="new.csv", given_at=GIVEN, program_version="0.1.0", factors_version="abc123"
        )
        assert number == ""
        assert book.rows("select count(*) from raw.quote_given") == [(0,)]


def test_a_book_of_before_gets_the_table(tmp_path: Path) -> None:
    """Version 6 had no quotes; the step to 7 makes their table."""
    path = tmp_path / "book.duckdb"
    with open_book(path, threads=1) as book:
        book.run("drop table raw.quote_given")
        book.run("alter table core.edge_change drop column insert_batch")
        book.keep_note("store_version", "6")
    with open_book(path, threads=1) as book:
        assert keep(book) == "Q20260302-001"


def fill(book: Book, lengths: list[float]) -> None:
    """Two cycles before the quote, and then one for each length in seconds."""
    begins = [GIVEN - timedelta(hours=3), GIVEN - timedelta(hours=2)]
    begins += [GIVEN + timedelta(days=1, minutes=10 * number) for number in range(len(lengths))]
    cycles = [
        {
            "machine": "M1", "program": "O1", "started_at": at, "ended_at": at + timedelta(seconds=length),
            "outcome": "complete", "job": "J1", "operation": "10", "parts": 1, "occurrence": 0, "file_id": "f",
            "row_number": number,
        }
        for number, (at, length) in enumerate(zip(begins, [500.0, 500.0, *lengths], strict=True))
    ]  # fmt: skip
    frame = pl.DataFrame(
        [{name: row.get(name) for name in accepted("cycle")} for row in cycles], schema=accepted("cycle"), orient="row"
    )
    book.connection.register("_rows", frame)
    book.run("insert into core.cycle by name select * from _rows")
    book.connection.unregister("_rows")


@pytest.mark.parametrize(("lengths", "held"), [([105.0, 115.0, 120.0], True), ([130.0, 131.0, 140.0], False)])
def test_what_then_happened(lengths: list[float], held: bool) -> None:
    """Runs after the quote alone: their median against it, and whether it lay in the 90 %."""
    shop = ShopFile.model_validate({"shop": {"timezone": "UTC"}, "machine": [{"id": "M1"}]})
    with open_book(None, threads=1) as book:
        keep(book)
        fill(book, lengths)
        derive(book, shop, Null())
        found = query(book, "outcomes")

    MODELS["quote_outcome"].validate(found)
    row = found.row(0, named=True)
    assert (row["runs"], row["batches"], row["parts"]) == (3, 1, 3)
    assert row["actual_cycle_s"] == pytest.approx(sorted(lengths)[1])
    assert row["actual_over_quoted"] == pytest.approx(sorted(lengths)[1] / 110)
    assert row["held"] is held
    assert row["hours_over_quote"] == pytest.approx((sum(lengths) - 330) / 3600)


@pytest.mark.parametrize(("also_for", "runs", "ran_on"), [(None, 3, "M1"), ("M1", 0, None)])
def test_work_that_ran_on_another_machine(also_for: str | None, runs: int, ran_on: str | None) -> None:
    """Quoted for M9 and run on M1: these runs count, unless the same quote has the operation for M1 too."""
    shop = ShopFile.model_validate({"shop": {"timezone": "UTC"}, "machine": [{"id": "M1"}]})
    lines = [quoted().with_columns(pl.lit(name).alias("machine")) for name in ("M9", also_for) if name]
    with open_book(None, threads=1) as book:
        keep_quote(
            book, pl.concat(lines), file_name="new.csv", given_at=GIVEN, program_version="0.1.0", factors_version="a"
        )
        fill(book, [105.0, 115.0, 120.0])
        derive(book, shop, Null())
        found = query(book, "outcomes").filter(pl.col("machine") == "M9").row(0, named=True)
    assert (found["runs"], found["ran_on"]) == (runs, ran_on)


def test_a_quote_that_nothing_followed() -> None:
    """It stands in the outcomes without any."""
    shop = ShopFile.model_validate({"shop": {"timezone": "UTC"}, "machine": [{"id": "M1"}]})
    with open_book(None, threads=1) as book:
        keep(book, GIVEN + timedelta(days=9))
        fill(book, [100.0])
        derive(book, shop, Null())
        row = query(book, "outcomes").row(0, named=True)
    assert (row["runs"], row["actual_cycle_s"], row["held"]) == (0, None, None)
