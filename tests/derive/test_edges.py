"""Edges worked out by hand: when one begins and ends, what it cut, when its life is censored, and control counters."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

MON = "2026-03-02"


def cycle(when: Any, start: str, minutes: float, **fields: Any) -> dict[str, Any]:
    begun = when(start)
    return {
        "machine": "M1",
        "program": "O1",
        "started_at": begun,
        "ended_at": begun + timedelta(minutes=minutes),
        **fields,
    }


def tool(when: Any, start: str, name: str) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": when(start), "tool": name}


def edge(when: Any, start: str, name: str, reason: str, **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": when(start), "tool": name, "reason": reason, **fields}


@pytest.fixture
def worn_tool(when: Any) -> dict[str, list[dict[str, Any]]]:
    """Tool 4 cuts 06:00-06:10, 07:00-07:20, 08:00-08:30 and 09:00-09:05; tool 5 the rest."""
    return {
        "cycle": [
            cycle(when, f"{MON} 06:00", 15),
            cycle(when, f"{MON} 07:00", 25, parts=2),
            cycle(when, f"{MON} 08:00", 30, outcome="aborted"),
            cycle(when, f"{MON} 09:00", 5),
        ],
        "tool_change": [
            tool(when, f"{MON} 06:00", "4"),
            tool(when, f"{MON} 06:10", "5"),
            tool(when, f"{MON} 07:00", "4"),
            tool(when, f"{MON} 07:20", "5"),
            tool(when, f"{MON} 08:00", "4"),
        ],
        "edge_change": [
            edge(when, f"{MON} 06:30", "4", "worn", edge_cost=9.0),
            edge(when, f"{MON} 07:50", "4", "unknown"),
            edge(when, f"{MON} 08:40", "4", "broken"),
        ],
    }


def test_first_edge_has_no_start_and_the_edge_in_use_is_censored(
    book_of: Any, shop_with: Any, when: Any, worn_tool: Any
) -> None:
    tools = [{"tool": 4, "inserts": 4, "insert_cost": 8.5, "edges_per_insert": 2}]
    book = book_of(worn_tool, shop_with(tool=tools))
    columns = "edge_number, in_use_at, removed_at, cut_min, parts, reason, censored, edge_cost"
    assert book.rows(f"select {columns} from core.edge_life where tool = '4' order by edge_number") == [
        (0, None, when(f"{MON} 06:30"), 10.0, 1, "worn", False, 9.0),
        (1, when(f"{MON} 06:30"), when(f"{MON} 07:50"), 20.0, 2, "unknown", True, 17.0),
        (2, when(f"{MON} 07:50"), when(f"{MON} 08:40"), 30.0, 0, "broken", False, 17.0),
        (3, when(f"{MON} 08:40"), None, 5.0, 1, None, True, 17.0),
    ]
    # three edges have a known start; the one in use and the unknown one are censored
    assert book.rows("select edges, failures, censored, current_age from mart.tool_life") == [(3, 1, 2, 5.0)]


def test_unknown_reason_is_the_shops_setting(book_of: Any, shop_with: Any, worn_tool: Any) -> None:
    book = book_of(worn_tool, shop_with(shop={"unknown_reason": "failure"}))
    assert book.rows("select censored from core.edge_life where edge_number = 1") == [(False,)]
    assert book.rows("select edges, failures, censored from mart.tool_life") == [(3, 2, 1)]


@pytest.mark.parametrize(
    ("reason", "censored"),
    [("worn", False), ("broken", False), ("chipped", False), ("planned", True), ("unknown", True)],
)
def test_only_wear_breaks_and_chips_are_failures(
    book_of: Any, shop_with: Any, when: Any, reason: str, censored: bool
) -> None:
    book = book_of({"edge_change": [edge(when, f"{MON} 06:30", "4", reason)]}, shop_with())
    assert book.rows("select censored from core.edge_life where edge_number = 0") == [(censored,)]


def test_a_change_in_the_middle_of_a_cut_parts_it(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = {
        "cycle": [cycle(when, f"{MON} 06:00", 60)],
        "tool_change": [tool(when, f"{MON} 06:00", "4")],
        "edge_change": [edge(when, f"{MON} 06:15", "4", "worn"), edge(when, f"{MON} 06:45", "4", "worn")],
    }
    book = book_of(frames, shop_with())
    assert book.rows("select cut_min from core.edge_life order by edge_number") == [(15.0,), (30.0,), (15.0,)]


def test_minutes_are_unknown_where_nobody_records_tool_changes(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = {
        "cycle": [cycle(when, f"{MON} 06:00", 60, parts=3)],
        "estimate": [{"program": "O1", "operation": "10", "tool": "4", "cut_s": 60.0}],
        "edge_change": [edge(when, f"{MON} 05:00", "4", "worn"), edge(when, f"{MON} 07:00", "4", "worn")],
    }
    book = book_of(frames, shop_with())
    assert book.rows("select cut_min, parts from core.edge_life order by edge_number") == [
        (None, 0),
        (None, 3),
        (None, 0),
    ]


def counter(when: Any, *texts: str, sub_type: str | None = "MINUTES") -> list[dict[str, Any]]:
    """Readings of tool 7's counter and its status, written as "06:00 12.5" or "06:00 EXPIRED"."""
    rows = []
    for text in texts:
        at, told = text.split(" ")
        is_status = told.isalpha()
        rows.append(
            {
                "machine": "M1",
                "occurred_at": when(f"{MON} {at}"),
                "item": "CutterStatus" if is_status else "ToolLife",
                "data_item_id": "7",
                "sub_type": None if is_status else sub_type,
                "value": told,
            }
        )
    return rows


def test_counters_of_the_control_tell_edges(book_of: Any, shop_with: Any, when: Any) -> None:
    events = counter(
        when, "06:00 20", "06:30 50", "06:31 EXPIRED", "06:40 0", "07:00 15", "07:10 BROKEN", "07:20 0", "07:30 5",
        "07:40 1",
    )  # fmt: skip
    book = book_of({"event": events}, shop_with())
    columns = "edge_number, in_use_at, removed_at, cut_min, reason, censored"
    assert book.rows(f"select {columns} from core.edge_life order by edge_number") == [
        (0, None, when(f"{MON} 06:40"), 50.0, "worn", False),  # it was under way when the counter was first seen
        (1, when(f"{MON} 06:40"), when(f"{MON} 07:20"), 15.0, "broken", False),
        (2, when(f"{MON} 07:20"), when(f"{MON} 07:40"), 5.0, "unknown", True),
        (3, when(f"{MON} 07:40"), None, 1.0, None, True),
    ]


def test_a_counter_first_seen_at_zero_is_an_edge_from_its_start(book_of: Any, shop_with: Any, when: Any) -> None:
    book = book_of({"event": counter(when, "06:00 0", "06:30 50")}, shop_with())
    assert book.rows("select in_use_at, cut_min from core.edge_life") == [(when(f"{MON} 06:00"), 50.0)]


def test_minutes_and_parts_of_one_counter_are_one_edge(book_of: Any, shop_with: Any, when: Any) -> None:
    events = [
        *counter(when, "06:00 20", "06:30 50", "06:40 0"),
        *counter(when, "06:00 4", "06:30 9", "06:40 0", sub_type="PART_COUNT"),
        *counter(when, "06:00 1", "06:30 2", sub_type="WEAR"),
    ]
    book = book_of({"event": events}, shop_with())
    assert book.rows("select edge_number, cut_min from core.edge_life order by 1") == [(0, 50.0), (1, 0.0)]


def test_counters_of_parts_alone_tell_parts(book_of: Any, shop_with: Any, when: Any) -> None:
    events = counter(when, "06:00 4", "06:30 9", "06:40 0", "07:00 3", sub_type="PART_COUNT")
    book = book_of({"event": events}, shop_with())
    assert book.rows("select edge_number, cut_min, parts from core.edge_life order by 1") == [
        (0, None, 9),
        (1, None, 3),
    ]
