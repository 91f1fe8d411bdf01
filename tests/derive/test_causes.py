"""Causes of one run worked out by hand: moves, dwell, probing, override, holds, stops and faults. CPU: 3 s."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

ESTIMATE = [
    {"program": "O1", "operation": "10", "tool": "1", "tool_type": "end mill", "cut_s": 90.0, "noncut_s": 20.0},
    {"program": "O1", "operation": "10", "tool": "2", "noncut_s": 35.0},
    {"program": "O1", "operation": "10", "noncut_s": 10.0},
]
TOLD = [
    (0, "Program=O1 ToolNumber=1 RotaryVelocity=3000 PathFeedrateOverride=100 PathFeedrate=500 Execution=ACTIVE"),
    (100, "PathFeedrateOverride=50 PathFeedrate=250"),  # 40 s of cutting, 20 of them for the override
    (140, "PathFeedrateOverride=100 PathFeedrate=29000"),  # 10 s at rapid
    (150, "PathFeedrate=0"),  # 15 s of standing still
    (165, "PathFeedrateOverride=0"),  # 10 s in which an override lets nothing move
    (175, "PathFeedrateOverride=100 ToolNumber=2 RotaryVelocity=0"),  # 6 s of tool change
    (181, "PathFeedrate=300"),  # 40 s and 10 s of standing still at the part: probing
    (221, "PathFeedrate=0"),
    (231, "Execution=FEED_HOLD"),
    (251, "Execution=OPTIONAL_STOP"),
    (281, "SYSTEM=FAULT"),
    (321, "SYSTEM=NORMAL Execution=ACTIVE"),
    (331, "Execution=PROGRAM_COMPLETED"),
    (400, "Execution=READY"),
]
EXPECTED = {
    ("1", "cutting"): 30.0,
    ("1", "feed_override"): 30.0,
    ("1", "dwell"): 5.0,  # 25 s of moves and standing still against 20: the rapid moves had room
    (None, "tool_change"): -4.0,
    ("2", "probing"): 25.0,
    ("2", "hold"): 20.0,
    ("2", "stop"): 30.0,
    ("2", "fault"): 40.0,
}


def events(when: Any, told: list[tuple[int, str]]) -> list[dict[str, Any]]:
    """Return canonical events; SYSTEM is a condition."""
    rows = []
    for second, texts in told:
        for text in texts.split():
            item, value = text.split("=")
            row = {"machine": "M1", "occurred_at": when("2026-03-02 06:00") + timedelta(seconds=second), "item": item}
            level = {"level": value, "data_item_id": "system"} if item == "SYSTEM" else {"value": value}
            rows.append({**row, **level})
    return rows


@pytest.mark.parametrize("as_setting", [False, True])
def test_each_second_has_its_cause(book_of: Any, shop_with: Any, when: Any, as_setting: bool) -> None:
    """331 s against 155: every cause has its own seconds; the probe is one by its estimate line or by shop.toml."""
    probe = [] if as_setting else [{**ESTIMATE[1], "tool_type": "touch probe"}]
    tools = [{"machines": ["M1"], "tool": 2, "name": "3D-Taster"}] if as_setting else []
    machine = {"id": "M1", "rapid_mm_min": 30000, "tool_change_s": 6}
    shop = shop_with(machine=[machine], tool=tools)
    book = book_of(
        {"event": events(when, TOLD), "estimate": [ESTIMATE[0], *(probe or [ESTIMATE[1]]), ESTIMATE[2]]}, shop
    )

    assert book.rows("select actual_s, estimate_s from core.run") == [(331.0, 155.0)]
    found = {
        (tool, cause): seconds for tool, cause, seconds in book.rows("select tool, cause, seconds from core.run_cause")
    }
    assert found == pytest.approx(EXPECTED)
    assert sum(found.values()) == pytest.approx(176.0)
    assert book.rows("select cause, seconds_per_run from mart.drift_cause where cause = 'dwell'") == [("dwell", 5.0)]


def test_two_paths_stand_still_when_none_moves(book_of: Any, shop_with: Any, when: Any) -> None:
    """Path 2 moves on for half of the time in which path 1 stands still: only the rest is dwell."""
    told = [row for row in events(when, TOLD[:1]) if row["item"] != "PathFeedrate"]

    def feed(second: int, path: str, value: str) -> dict[str, Any]:
        at = when("2026-03-02 06:00") + timedelta(seconds=second)
        return {
            "machine": "M1",
            "occurred_at": at,
            "item": "PathFeedrate",
            "value": value,
            "path": path,
            "data_item_id": path,
        }

    told += [
        feed(0, "a", "500"),
        feed(0, "b", "29000"),
        feed(100, "a", "0"),
        feed(130, "b", "0"),
        feed(160, "a", "500"),
    ]
    told += events(when, [(200, "Execution=PROGRAM_COMPLETED"), (300, "Execution=READY")])
    shop = shop_with(machine=[{"id": "M1", "rapid_mm_min": 30000}])
    book = book_of({"event": told, "estimate": [{**ESTIMATE[0], "cut_s": 100.0, "noncut_s": 5.0}]}, shop)

    assert book.rows("select cut_s, noncut_s, dwell_s from core.tool_use") == [(140.0, 60.0, 30.0)]
