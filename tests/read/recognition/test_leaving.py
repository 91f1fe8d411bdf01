"""Columns that stay open: those that rows can do without are left out and named, others are asked about."""

from datetime import date, timedelta

import pytest

from pipeline.read.recognition.proposing import LEFT_OUT


def orders(head: str, cells: list[str], title: str = "Works order list") -> str:
    lines = [title, "", f"Works order;Part no.;Qty ordered;Material;{head};Order date"]
    for row, cell in enumerate(cells):
        day = date(2026, 2, 2) + timedelta(days=2 * row)
        lines.append(f"WO-77{row:02};PLATE-{row % 5};{(10, 25, 120)[row % 3]};316L;{cell};{day:%d-%b-%Y}")
    return "\n".join([*lines, ""])


@pytest.mark.parametrize(
    ("head", "cells", "field"),
    [
        ("Stock weight (kg)", [f"1,{200 + row}" for row in range(20)], "stock_kg"),
        ("Weight", [f"{1.2 + row / 10:.2f}" for row in range(20)], "part_kg"),
        ("Quoted blip [s]", [str(100 + 37 * row) for row in range(20)], "quoted_cycle_s"),
    ],
)
def test_what_rows_can_do_without_is_left_out(read, head: str, cells: list[str], field: str) -> None:
    whole = read(orders(head, cells))

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows.height == 20
    assert whole.rows[field].null_count() == 20 if field in whole.rows.columns else True
    assert any(LEFT_OUT in note and head in note for note in whole.notes)


@pytest.mark.parametrize(
    ("head", "cells", "title"),
    [
        ("Quoted cycle", [str(100 + 37 * row) for row in range(20)], "Works order list"),  # which unit a person knows
        ("Quoted blip [s]", [str(100 + 37 * row) for row in range(20)], "Week 12"),  # nothing else says orders surely
    ],
)
def test_what_a_person_can_tell_is_asked(read, head: str, cells: list[str], title: str) -> None:
    whole = read(orders(head, cells, title))

    assert whole.file.status == "needs a profile"
    assert head in whole.file.reason
