"""What is said of the book before its figures: machines that nothing can be told of."""

from typing import Any

import polars as pl
import pytest

from pipeline.report.notes import machine_notes


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
