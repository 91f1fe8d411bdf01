"""Edges in whose life a change may have gone without a note: marked, said why, in no statistics, and nothing invented.

CPU: about 6 s.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.derive.relations import load_relations
from pipeline.derive.suspects import with_suspects
from pipeline.store.book import open_book


def ledger(lives: list[float], failed: list[bool] | None = None) -> pl.DataFrame:
    """A tool's edges in order, the last one still in use."""
    n = len(lives)
    return pl.DataFrame(
        {
            "machine": ["M1"] * n,
            "tool": ["4"] * n,
            "edge_number": range(1, n + 1),
            "life_machine": ["M1"] * n,
            "life_tool": ["4"] * n,
            "life_number": range(1, n + 1),
            "in_use_at": pl.datetime_range(pl.datetime(2026, 1, 1), pl.datetime(2026, 1, n), eager=True),
            "cut_min": lives,
            "parts": [1] * n,
            "censored": [*(not told for told in (failed or [True] * (n - 1))), True],
            "step_measure": pl.Series([None] * n, dtype=pl.String),
            "step_part": pl.Series([None] * n, dtype=pl.Int64),
        }
    )


def marked(frame: pl.DataFrame) -> list[int]:
    return with_suspects(frame).filter("is_suspect")["edge_number"].to_list()


STEADY = [20.0, 23.0, 18.0, 21.0, 19.5, 22.0, 20.5]


def test_a_life_far_past_those_before_is_marked() -> None:
    assert marked(ledger([*STEADY, 41.0, 20.0, 8.0])) == [8]


def test_the_edge_in_use_is_marked_too() -> None:
    found = with_suspects(ledger([*STEADY, 55.0])).filter("is_suspect")
    assert found["suspect_why"].to_list() == ["its life is far past those before it"]


def test_edges_that_live_longer_from_then_on_are_not_marked() -> None:
    """A better insert is a step, and no note was forgotten."""
    assert marked(ledger([*STEADY, 41.0, 39.0, 42.0, 40.0, 8.0])) == []


def test_few_failures_mark_nothing() -> None:
    failed = [True, True, True, True, False, False, False, False]
    assert marked(ledger([*STEADY, 60.0, 8.0], failed)) == []


def test_a_suspect_is_in_no_figure_of_its_tool(book_of: Any, shop_with: Any, when: Any) -> None:
    begin = when("2026-03-02 00:00")
    at, changes, cycles = begin, [], []
    for minutes in [10.0, *STEADY, 60.0, 20.0]:
        changes.append({"machine": "M1", "occurred_at": at, "tool": "4", "reason": "worn"})
        at += timedelta(minutes=1)
        cycles.append({"machine": "M1", "program": "O1", "started_at": at, "ended_at": at + timedelta(minutes=minutes)})
        at += timedelta(minutes=minutes + 1)
    tool = {"machine": "M1", "occurred_at": begin, "tool": "4"}
    book = book_of({"cycle": cycles, "edge_change": changes, "tool_change": [tool]}, shop_with())
    assert book.rows("select edge_number, cut_min from core.edge_life where is_suspect") == [(9, 60.0)]


# --- a step back within a life ----------------------------------------------------------------------------------------


def steps(series: np.ndarray, measure: str = "load") -> pl.DataFrame:
    """core.edge_step of edges whose parts measured so, one row an edge."""
    edges, parts = series.shape
    rows = pl.DataFrame(
        {
            "edge_number": np.repeat(np.arange(edges), parts),
            "place": np.tile(np.arange(parts), edges),
            "value": series.ravel(),
        }
    )
    with open_book(None, threads=1) as book:
        book.run("create schema if not exists core")
        book.connection.register("_rows", rows)
        is_load = str(measure == "load").lower()
        book.run(
            f"""
            create table core.edge_part as
            select 'M1' as machine, '4' as tool, edge_number, place::varchar as run_id, place as from_us,
            place as age_parts, 1 as cycles, 1 as parts, 'A' as job_key, '10' as operation, 'O1' as program,
            null::varchar as revision, 0 as override_us, 0 as override_known_us,
            if({is_load}, 60000000, (value * 1e6)::bigint) as cut_us,
            if({is_load}, (value * 60000)::bigint, 0) as load_area, if({is_load}, 60000000, 0) as load_known_us,
            from _rows
            """
        )
        book.run("create table core.edge_stale as select 'M1' as machine, '4' as tool, 0 as from_number, 0 as from_us")
        sql = next(relation.sql for relation in load_relations("core") if relation.name == "edge_step")
        return book.frame(f"from ({sql}) order by edge_number")


@pytest.mark.parametrize("rise", [0.0, 0.5])
def test_under_one_edge_in_a_thousand_falls_back_by_chance(rise: float) -> None:
    """20,000 edges of 20 to 60 parts, flat and wearing, with 2 % of scatter."""
    rng = np.random.default_rng(1)
    found = edges = 0
    for parts in (20, 60):
        level = 40 * (1 + rise * np.linspace(0, 1, parts) ** 2)
        found += steps(level * (1 + 0.02 * rng.standard_normal((10_000, parts)))).height
        edges += 10_000
    assert found <= 0.001 * edges + 3 * np.sqrt(0.001 * edges)


@pytest.mark.parametrize(("measure", "told"), [("load", "spindle load"), ("cut_s", "cutting time")])
def test_a_rise_that_begins_anew_is_found_where_it_did(measure: str, told: str) -> None:
    rng = np.random.default_rng(2)
    level = 40 * (1 + 0.5 * np.r_[np.linspace(0, 1, 20), np.linspace(0, 1, 20)] ** 2)
    found = steps(level * (1 + 0.02 * rng.standard_normal((200, 40))), measure)
    assert found.height >= 190
    assert set(found["step_measure"]) == {told}
    assert (found["step_part"] - 20).abs().mean() < 1
