"""Frozen rows in the place of today's: what is shown, what is flagged, and that nothing frozen ever moves."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.report.stated import ADDED, FROZEN, KEPT, MONTHLY, OPEN, RESTATED, stated
from pipeline.store.frozen import Statement

AT = datetime(2026, 4, 2, 8, tzinfo=UTC)
SCHEMA = {"machine": pl.String, "month": pl.String, "cutting_s": pl.Float64, "coverage": pl.Float64, "cycles": pl.Int64}


def row(machine: str, month: str, cutting_s: float, coverage: float | None = 0.5, cycles: int = 3) -> dict[str, Any]:
    return {"machine": machine, "month": month, "cutting_s": cutting_s, "coverage": coverage, "cycles": cycles}


def frame(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=SCHEMA)


def statement(*rows: dict[str, Any], month: str = "2026-03") -> Statement:
    return Statement(month, AT, "1", {}, {MONTHLY: rows})


def shown(today: pl.DataFrame, *statements: Statement) -> list[tuple[Any, ...]]:
    return stated(today, statements).select("machine", "month", "cutting_s", "standing", "restated").rows()


def test_the_frozen_figure_stands_and_the_others_move() -> None:
    today = frame(row("M1", "2026-03", 20.0), row("M1", "2026-04", 7.0), row("M2", "2026-03", 5.0))

    rows = shown(today, statement(row("M1", "2026-03", 10.0), row("M2", "2026-03", 5.0)))

    assert rows == [
        ("M1", "2026-03", 10.0, RESTATED, True),
        ("M1", "2026-04", 7.0, OPEN, False),
        ("M2", "2026-03", 5.0, FROZEN, False),
    ]


def test_a_machine_that_came_later_and_one_that_went() -> None:
    rows = shown(frame(row("M9", "2026-03", 4.0)), statement(row("M1", "2026-03", 10.0)))

    assert rows == [("M1", "2026-03", 10.0, RESTATED, True), ("M9", "2026-03", 4.0, ADDED, True)]


@pytest.mark.parametrize(
    ("today", "differs"),
    [
        (row("M1", "2026-03", 10.0004), False),  # half a millisecond is rounding
        (row("M1", "2026-03", 10.001), True),
        (row("M1", "2026-03", 10.0, coverage=None), True),
        (row("M1", "2026-03", 10.0, coverage=0.5 + 1e-12), False),
        (row("M1", "2026-03", 10.0, cycles=4), True),
    ],
)
def test_what_counts_as_another_figure(today: dict[str, Any], differs: bool) -> None:
    """A millisecond, a count, a share that is or is not known."""
    assert shown(frame(today), statement(row("M1", "2026-03", 10.0)))[0][4] is differs


def test_a_figure_that_was_not_known_then_is_todays() -> None:
    """A program that knows more columns shows them, and calls nothing restated for it."""
    frozen = {key: value for key, value in row("M1", "2026-03", 10.0).items() if key != "cycles"}

    result = stated(frame(row("M1", "2026-03", 10.0, cycles=9)), [statement(frozen)])

    assert result.select("cycles", "standing").row(0) == (9, FROZEN)


months = st.sampled_from(["2026-02", "2026-03", "2026-04"])
rows_of_any_shop = st.dictionaries(
    st.tuples(st.sampled_from(["M1", "M2", "M3"]), months), st.floats(0, 1e7) | st.integers(0, 9).map(float)
).map(lambda told: [row(machine, month, cutting_s) for (machine, month), cutting_s in sorted(told.items())])


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(rows_of_any_shop, rows_of_any_shop, st.sets(months))
def test_no_later_data_moves_a_frozen_figure(then: list[Any], now: list[Any], frozen: set[str]) -> None:
    """Whatever comes in: frozen rows read as stated, open ones as today's, and no row is lost or doubled."""
    statements = [statement(*(r for r in then if r["month"] == month), month=month) for month in sorted(frozen)]

    result = stated(frame(*now), statements)

    was = {(r["machine"], r["month"]): r for r in then if r["month"] in frozen}
    today = {(r["machine"], r["month"]): r for r in now}
    assert not result.select(KEPT[MONTHLY].keys).is_duplicated().any()
    assert set(result.select(KEPT[MONTHLY].keys).rows()) == was.keys() | today.keys()
    for told in result.to_dicts():
        key = told["machine"], told["month"]
        assert {name: told[name] for name in SCHEMA} == was.get(key, today.get(key))
        same = key in was and key in today and abs(was[key]["cutting_s"] - today[key]["cutting_s"]) <= 0.0005
        expected = ADDED if key not in was else FROZEN if same else RESTATED
        assert told["standing"] == (expected if told["month"] in frozen else OPEN)
        assert told["restated"] == (told["standing"] in (RESTATED, ADDED))
        assert told["frozen_at"] == (AT if told["month"] in frozen else None)
