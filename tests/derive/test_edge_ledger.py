"""The ledger of edges by hand: what each edge did, sister tools, dated numbers, one tool on two machines, regrinds.

CPU: about 6 s.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from pydantic import ValidationError

MON = "2026-03-02"


def cycle(when: Any, start: str, minutes: float, **fields: Any) -> dict[str, Any]:
    begun = when(start)
    ended = begun + timedelta(minutes=minutes)
    return {"machine": "M1", "program": "O1", "started_at": begun, "ended_at": ended, **fields}


def tool(when: Any, start: str, name: str, machine: str = "M1") -> dict[str, Any]:
    return {"machine": machine, "occurred_at": when(start), "tool": name}


def edge(when: Any, start: str, name: str, reason: str = "worn", **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": when(start), "tool": name, "reason": reason, **fields}


def event(when: Any, at: str, item: str, value: str, **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": when(f"{MON} {at}"), "item": item, "value": value, **fields}


def test_jobs_materials_and_programs_of_an_edge(book_of: Any, shop_with: Any, when: Any) -> None:
    runs = [
        cycle(when, f"{MON} 06:00", 10, parts=2, job="A", revision="1"),
        cycle(when, f"{MON} 07:00", 10, parts=1, job="B", program="O2"),
        cycle(when, f"{MON} 08:00", 5, outcome="aborted", job="A", revision="2"),
        cycle(when, f"{MON} 09:00", 10, job="A", revision="2"),
    ]
    orders = [{"job": job, "part": job, "quantity": 9, "material": of} for job, of in (("A", "6082"), ("B", "C45"))]
    changes = [edge(when, f"{MON} 05:00", "4"), edge(when, f"{MON} 08:30", "4")]
    frames = {"cycle": runs, "job": orders, "edge_change": changes, "tool_change": [tool(when, f"{MON} 06:00", "4")]}
    book = book_of(frames, shop_with())
    columns = "edge_number, cut_min, parts, cycles, jobs, job_list, material_list, program_list, feed_m, override"
    assert book.rows(f"select {columns} from core.edge_life order by edge_number") == [
        (0, 0.0, 0, 0, 0, None, None, None, None, None),
        (1, 25.0, 3, 2, 2, "A, B", "6082, C45", "O1 rev. 1, O1 rev. 2, O2", None, None),
        (2, 10.0, 1, 1, 1, "A", "6082", "O1 rev. 2", None, None),
    ]


def test_an_edge_is_of_the_batch_that_its_change_names(book_of: Any, shop_with: Any, when: Any) -> None:
    """The change that takes an edge out names the batch of the one that it puts in."""
    changes = [
        edge(when, f"{MON} 05:00", "4", insert_batch="K1"),
        edge(when, f"{MON} 08:30", "4"),
        edge(when, f"{MON} 09:30", "4", insert_batch="K2"),
    ]
    book = book_of({"cycle": [cycle(when, f"{MON} 06:00", 10)], "edge_change": changes}, shop_with())
    told = book.rows("select edge_number, insert_batch from core.edge_life order by edge_number")
    assert told == [(0, None), (1, "K1"), (2, None), (3, "K2")]


def test_feed_override_load_and_speed_are_those_while_it_cut(book_of: Any, shop_with: Any, when: Any) -> None:
    """Eight minutes at 600 mm/min and 50 %, ten at 900 and 100 %; the edge is changed in the middle of these."""
    frames = {
        "event": [
            event(when, "05:59", "ToolNumber", "4"),
            event(when, "06:00", "Execution", "ACTIVE"),
            event(when, "06:00", "RotaryVelocity", "2000"),
            event(when, "06:00", "PathFeedrate", "600"),
            event(when, "06:00", "PathFeedrateOverride", "50"),
            event(when, "06:00", "Load", "30", data_item_id="Sload"),
            event(when, "06:00", "Load", "99", data_item_id="Xload"),
            event(when, "06:08", "PathFeedrate", "0"),  # two minutes without cutting
            event(when, "06:10", "PathFeedrate", "900"),
            event(when, "06:10", "PathFeedrateOverride", "100"),
            event(when, "06:10", "Load", "50", data_item_id="Sload"),
            event(when, "06:18", "Load", "UNAVAILABLE", data_item_id="Sload"),
            event(when, "06:20", "Execution", "READY"),
        ],
        "edge_change": [edge(when, f"{MON} 05:00", "4"), edge(when, f"{MON} 06:15", "4")],
    }
    book = book_of(frames, shop_with(tool=[{"tool": 4, "diameter_mm": 40}]))
    columns = "cut_min, feed_m, feed_known_min, override, load_pct, load_known_min, speed_rpm, round(speed_m_min, 2)"
    assert book.rows(f"select {columns} from core.edge_life order by edge_number") == [
        (0.0, None, 0.0, None, None, 0.0, None, None),
        (13.0, 8 * 0.6 + 5 * 0.9, 13.0, (8 * 0.5 + 5) / 13, (8 * 30 + 5 * 50) / 13, 13.0, 2000.0, 251.33),
        (5.0, 4.5, 5.0, 1.0, 50.0, 3.0, 2000.0, 251.33),
    ]


def test_a_number_given_to_another_tool_is_another_tool(book_of: Any, shop_with: Any, when: Any) -> None:
    """Its edge in use ends unseen, the next has an unknown start, and no statistics hold both."""
    frames = {
        "cycle": [cycle(when, f"2026-03-0{day} 06:00", 10, parts=1) for day in (2, 3, 4, 5)],
        "tool_change": [tool(when, f"{MON} 06:00", "4")],
        "edge_change": [
            edge(when, f"{MON} 05:00", "4"),
            edge(when, "2026-03-02 07:00", "4"),
            edge(when, "2026-03-04 07:00", "4", "unknown"),
        ],
    }
    tools = [
        {"tool": 4, "to": date(2026, 3, 3), "name": "face mill", "inserts": 2, "insert_cost": 5.0},
        {"tool": 4, "from": date(2026, 3, 4), "name": "drill", "regrind_cost": 3.0},
    ]
    book = book_of(frames, shop_with(tool=tools))
    columns = "edge_number, life_tool, life_number, in_use_at, removed_at, cut_min, reason, censored, edge_cost"
    assert book.rows(f"select {columns} from core.edge_life order by edge_number") == [
        (0, "4", 0, None, when(f"{MON} 05:00"), 0.0, "worn", False, 10.0),
        (1, "4", 1, when(f"{MON} 05:00"), when("2026-03-02 07:00"), 10.0, "worn", False, 10.0),
        (2, "4", 2, when("2026-03-02 07:00"), when("2026-03-04 00:00"), 10.0, "exchanged", True, 10.0),
        (3, "4 since 2026-03-04", 0, None, when("2026-03-04 07:00"), 10.0, "unknown", True, 3.0),
        (4, "4 since 2026-03-04", 1, when("2026-03-04 07:00"), None, 10.0, None, True, 3.0),
    ]
    assert book.rows("select tool, name, edges from mart.tool_life order by tool") == [
        ("4", "face mill", 2),
        ("4 since 2026-03-04", "drill", 1),
    ]


def test_a_number_exchanged_before_it_was_used_has_no_edge_before(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = {
        "cycle": [cycle(when, f"{MON} 06:00", 10)],
        "tool_change": [tool(when, f"{MON} 06:00", "4")],
        "edge_change": [edge(when, f"{MON} 05:00", "4")],
    }
    book = book_of(frames, shop_with(tool=[{"tool": 4, "from": date(2026, 3, 1)}]))
    assert book.rows("select life_tool, in_use_at, cut_min from core.edge_life order by edge_number") == [
        ("4 since 2026-03-01", when(f"{MON} 05:00"), 10.0)
    ]


def test_sister_tools_are_one_tool_and_each_edge_its_own(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = {
        "cycle": [cycle(when, f"{MON} 06:00", 10), cycle(when, f"{MON} 07:00", 20), cycle(when, f"{MON} 08:00", 5)],
        "tool_change": [
            tool(when, f"{MON} {at}", name) for at, name in (("06:00", "4"), ("07:00", "14"), ("08:00", "4"))
        ],
        "edge_change": [
            edge(when, f"{MON} {at}", name) for at, name in (("05:00", "4"), ("05:30", "14"), ("06:30", "4"))
        ],
    }
    tools = [{"tool": 4, "name": "roughing mill", "inserts": 1, "insert_cost": 8.0}, {"tool": 14, "sister_of": 4}]
    book = book_of(frames, shop_with(tool=tools))
    columns = "tool, edge_number, life_tool, life_number, cut_min"
    assert book.rows(f"select {columns} from core.edge_life where in_use_at is not null order by life_number") == [
        ("4", 1, "4", 2, 10.0),
        ("14", 1, "4", 3, 20.0),
        ("4", 2, "4", 4, 5.0),
    ]
    assert book.rows("select tool, name, edges from mart.tool_life") == [("4", "roughing mill", 3)]


@pytest.mark.parametrize("one_tool", [False, True])
def test_machines_are_apart_unless_it_is_one_tool(book_of: Any, shop_with: Any, when: Any, one_tool: bool) -> None:
    frames = {
        "edge_change": [
            {**edge(when, f"{MON} {at}", "4"), "machine": machine}
            for machine, at in (("M1", "05:00"), ("M2", "05:30"), ("M1", "06:30"))
        ],
    }
    shop = shop_with(
        machine=[{"id": "M1", "rate_per_hour": 40.0}, {"id": "M2", "rate_per_hour": 60.0}],
        tool=[{"tool": 4, "machines": ["M1", "M2"], "one_tool": one_tool}],
    )
    book = book_of(frames, shop)
    lives = book.rows("select machine, edge_number, life_machine, life_number from core.edge_life order by 1, 2")
    if one_tool:
        assert lives == [
            ("M1", 0, "M1 + M2", 0),
            ("M1", 1, "M1 + M2", 2),
            ("M1", 2, "M1 + M2", 4),
            ("M2", 0, "M1 + M2", 1),
            ("M2", 1, "M1 + M2", 3),
        ]
    else:
        assert lives == [
            (m, number, m, number) for m, number in (("M1", 0), ("M1", 1), ("M1", 2), ("M2", 0), ("M2", 1))
        ]
    found = [("M1 + M2", "4")] if one_tool else [("M1", "4"), ("M2", "4")]
    assert book.rows("select machine, tool from mart.tool_life order by 1") == found


def test_regrinds_are_counted_until_a_new_tool_takes_its_place(book_of: Any, shop_with: Any, when: Any) -> None:
    reasons = ["worn", "worn", "worn", "worn", "broken", "worn"]
    changes = [edge(when, f"{MON} {hour:02}:00", "4", reason) for hour, reason in enumerate(reasons)]
    tools = [{"tool": 4, "regrind_cost": 12.0, "tool_cost": 90.0, "regrinds": 2}]
    book = book_of({"edge_change": changes}, shop_with(tool=tools))
    assert book.rows("select regrind_number, reason, edge_cost from core.edge_life order by edge_number") == [
        (0, "worn", 12.0),
        (1, "worn", 12.0),
        (2, "worn", 90.0),  # it cannot be ground again
        (0, "worn", 12.0),
        (1, "broken", 90.0),
        (0, "worn", 12.0),
        (1, None, 12.0),
    ]


@pytest.mark.parametrize(
    ("tools", "told"),
    [
        (
            [{"tool": 4, "from": date(2026, 1, 1)}, {"tool": 4, "from": date(2026, 2, 1)}],
            "tool[2].from: tool[1] is tool 4 of the same machine on some of these days",
        ),
        ([{"tool": 4, "from": date(2026, 2, 1), "to": date(2026, 1, 1)}], "`to` lies before `from`"),
        ([{"tool": 4, "sister_of": 4}], "no sister of itself"),
        ([{"tool": 4, "sister_of": 5}, {"tool": 5, "sister_of": 6}], "tool 5 is a sister itself"),
        ([{"tool": 4, "insert_cost": 3.0, "regrinds": 2}], "has inserts or is ground"),
    ],
)
def test_settings_that_contradict_themselves_are_refused(shop_with: Any, tools: Any, told: str) -> None:
    with pytest.raises(ValidationError) as refused:
        shop_with(tool=tools)
    assert told in str(refused.value)
