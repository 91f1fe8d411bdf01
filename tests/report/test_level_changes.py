"""What was different since a job changed its level: on tables made by hand, nothing but what changed is named."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import duckdb
import polars as pl
import pytest

from pipeline import resources

FIRST = datetime(2026, 1, 5, 8, tzinfo=UTC)
SHIFT = FIRST + timedelta(days=10)


def changes(edit: str = "", *, by_stream: bool = False) -> list[tuple[object, ...]]:
    """Return what, before and after for twenty runs of one job, a day apart, the later ten after a shift.

    Each run changes tools twice, as a list says it or a stream; `edit` is SQL that changes the tables.
    """
    book = duckdb.connect()
    days = [FIRST + timedelta(days=day) for day in range(20)]
    job = {"job_key": "P", "operation": "10", "machine": "M1", "program": "O1", "revision": None}
    runs = pl.DataFrame(
        [
            {"run_id": str(day), **job, "started_at": at, "ended_at": at + timedelta(minutes=10), "estimate_s": 600.0,
             "material": "brass", "outcome": "complete"}
            for day, at in enumerate(days)
        ],
        schema_overrides={"revision": pl.String},
    )  # fmt: skip
    told = pl.DataFrame(
        [
            {"machine": "M1", "occurred_at": at + timedelta(minutes=minute), "tool": tool}
            for at in days
            for minute, tool in ((1, "1"), (5, "2"))
        ]
    )
    shifted = pl.DataFrame(
        [{**job, "shifted_at": SHIFT, "shifted_until_at": SHIFT, "estimate_s": 600.0}],
        schema_overrides={"revision": pl.String},
    )
    book.execute("create schema core; create schema mart")
    book.register("runs", runs)
    book.register("told", told)
    book.register("shifted", shifted)
    book.execute("create table core.run as from runs; create table mart.job_drift as from shifted")
    book.execute(f"create table core.tool_change as from told where not {by_stream}")
    book.execute(
        "create table core.event as select machine, occurred_at, 'tool' as data_item_id, 'ToolNumber' as item, "
        f"tool as value from told where {by_stream}"
    )
    book.execute("create table core.shop_setting as select 'UTC' as timezone")
    book.execute(
        "create table core.run_cause as select run_id, 'cutting' as cause, '1' as tool, 0.0 as seconds from runs"
    )
    book.execute("create table core.tool_use as select run_id, '1' as tool from runs")
    book.execute("create table core.edge_life (machine text, tool text, in_use_at timestamptz)")
    book.execute(edit)
    found = book.execute(resources.read_text("pipeline.report", "sql", "level_changes.sql")).fetchall()
    return [(row[5], *row[8:10]) for row in found]


AFTER = f"'{SHIFT.isoformat()}'::timestamptz"


@pytest.mark.parametrize("by_stream", [False, True])
def test_nothing_but_what_changed(by_stream: bool) -> None:
    assert changes(by_stream=by_stream) == []


@pytest.mark.parametrize(
    ("edit", "found"),
    [
        (f"update core.run set estimate_s = 500 where started_at >= {AFTER}", ("estimate", 600.0, 500.0)),
        (f"delete from core.tool_change where tool = '2' and occurred_at < {AFTER}", ("tool changes", 1.0, 2.0)),
        (
            "insert into core.run select * replace ('M2' as machine, run_id || 'b' as run_id) from core.run "
            f"where started_at >= {AFTER}",
            ("machine", 1.0, 0.5),
        ),
        (
            "insert into core.run select * replace ('B' as revision, run_id || 'b' as run_id) from core.run "
            f"where started_at < {AFTER}",
            ("program", 0.5, 1.0),
        ),
        (f"update core.run set material = 'steel' where started_at >= {AFTER}", ("material", 0.0, 1.0)),
    ],
)
def test_what_changed_is_named(edit: str, found: tuple[object, ...]) -> None:
    """An estimate, tool changes a run, another machine, another revision, a material."""
    assert found in changes(edit)
    assert {row[0] for row in changes(edit)} == {found[0]}


def test_tool_changes_of_a_stream() -> None:
    """A change by way of no tool (0) is one change."""
    by_zero = "insert into core.event select * replace (occurred_at - interval 5 seconds as occurred_at, '0' as value)"
    assert changes(f"{by_zero} from core.event where occurred_at < {AFTER}", by_stream=True) == []
    fewer = f"delete from core.event where value = '2' and occurred_at >= {AFTER}"
    assert changes(fewer, by_stream=True) == [("tool changes", pytest.approx(1.9), pytest.approx(0.1, abs=0.11))]
