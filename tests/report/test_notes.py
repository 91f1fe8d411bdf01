"""What is said of the book before its figures: machines that nothing can be told of."""

from typing import Any

import polars as pl
import pytest

from pipeline.report.notes import clock_notes, machine_notes
from pipeline.report.queries import query
from pipeline.store.book import open_book


def machines(**told: int) -> pl.DataFrame:
    """One machine of shop.toml with so many rows of each kind."""
    row: dict[str, Any] = {"machine": "M1", "in_shop_file": True, "rows": 0, "executions": 0, "events": 0, "cycles": 0}
    return pl.DataFrame([row | told])


@pytest.mark.parametrize(
    ("told", "begins"),
    [
        ({"rows": 0}, "In shop.toml but in no export"),
        ({"rows": 9, "events": 9}, 'The stream of "M1" tells no Execution'),
        ({"rows": 9}, 'Of "M1" only changes of tools or edges came in'),
        ({"rows": 9, "cycles": 1}, None),
        ({"rows": 9, "events": 9, "executions": 2}, None),
    ],
)
def test_machines_of_which_no_time_is_known_are_named(told: dict[str, int], begins: str | None) -> None:
    """No export, a stream without Execution, tool changes alone: each is said, as no report of time has the machine."""
    notes = machine_notes(machines(**told), has_shop_file=True)

    assert [note[: len(begins or "")] for note in notes] == ([] if begins is None else [begins])


def test_clocks_that_were_off_by_hours_are_told() -> None:
    """A step of seconds is the time server's; the first of the others is named, the rest are counted."""
    notes = {
        "a": "the clock of M1 stepped back by 2 s at line 9; items kept but not computed with: x",
        "b": "the clock of M1 stepped back by 2 h 52 min at line 257",
        "c": "1 of 9 cycles of M2 start before the one before has ended; the clock of M2 was about 26.2 years behind "
        "between line 249 and 458",
    }
    with open_book(None, threads=1) as book:
        assert clock_notes(query(book, "clocks_wrong")) == []
        for name, text in notes.items():
            book.run(
                "insert into raw.source_file by name "
                f"select '{name}' as file_id, '{name}' as sha256, '/x/{name}.csv' as name, 'loaded' as status, "
                f"'{text}' as notes, 0 as bytes, 'table' as shape, '' as reason, 9 as rows_read, 9 as rows_loaded, "
                "0 as rows_duplicate, 0 as rows_rejected, 0 as rows_skipped, now() as ingested_at, "
                "'' as reading_fingerprint, false as stale, '' as rank"
            )
        told = query(book, "clocks_wrong")

    assert told["name"].to_list() == ["/x/b.csv", "/x/c.csv"]
    (note,) = clock_notes(told)
    assert note.startswith("In /x/b.csv the clock of M1 stepped back by 2 h 52 min at line 257 (1 more: ")
