"""Edges in use against the batch at hand, the edges that coming batches take, and the trade's example.

CPU: about 8 s.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from pipeline.report.queries import query


def working(
    when: Any, lives: list[int], part_min: float, job: str = "BILLET", tool: str = "4", reason: str = "worn"
) -> dict[str, list[dict[str, Any]]]:
    """A machine that makes part after part with one tool; its edge is changed after so many parts, but for the last."""
    at = when("2026-03-02 06:00")
    frames: dict[str, list[dict[str, Any]]] = {
        "cycle": [],
        "edge_change": [],
        "tool_change": [{"machine": "M1", "occurred_at": at, "tool": tool}],
    }
    for number, life in enumerate(lives):
        frames["edge_change"].append({"machine": "M1", "occurred_at": at, "tool": tool, "reason": reason})
        for _ in range(life):
            ended = at + timedelta(minutes=part_min)
            frames["cycle"].append(
                {"machine": "M1", "program": "O1", "started_at": at, "ended_at": ended, "parts": 1, "job": job}
                | {"operation": "10"}
            )
            at = ended + timedelta(seconds=30)
        at += timedelta(minutes=2 if number < len(lives) - 1 else 0)
    return frames


# common practice, no source: on a large billet job in 6000-series aluminium one set of edges of an indexable square
# shoulder mill, run near 6,000 rev/min, lasts about 20 parts, so 15 parts in, about 5 are left; an insert costs 6 to 12
# in the shop's currency, so 0.30 to 0.60 per insert and part
TRADE_LIFE, TRADE_AGE, TRADE_LEFT = 20, 15, 5
TRADE_COSTS = {6.0: 0.30, 12.0: 0.60}


@pytest.mark.parametrize("insert_cost", TRADE_COSTS)
def test_the_trades_example_of_a_shoulder_mill(book_of: Any, shop_with: Any, when: Any, insert_cost: float) -> None:
    rng = np.random.default_rng(1)
    lives = [int(life) for life in np.rint(rng.normal(TRADE_LIFE, 2.5, 30))]
    frames = working(when, [*lives, TRADE_AGE], 6.0)
    frames["event"] = [
        {"machine": "M1", "occurred_at": when("2026-03-02 05:00"), "item": "RotaryVelocity", "value": "6000"}
    ]
    made = sum(lives) + TRADE_AGE
    frames["job"] = [
        {"job": "BILLET", "part": "BILLET", "quantity": made + TRADE_LEFT, "material": "EN AW-6082"}
        | {"ordered_on": date(2026, 3, 1)}
    ]
    mill = {"tool": 4, "name": "square shoulder mill", "inserts": 1, "edges_per_insert": 1, "insert_cost": insert_cost}
    book = book_of(frames, shop_with(tool=[mill | {"diameter_mm": 40}], shop={"currency": "EUR"}))

    (edge,) = query(book, "in_use").to_dicts()
    assert edge["age_parts"] == TRADE_AGE
    assert edge["batch_parts"] == TRADE_LEFT
    assert abs(edge["parts_left_median"] - TRADE_LEFT) <= 1
    # between what nine of ten make and what one of ten makes lie the five of the trade
    assert edge["parts_left_90"] < TRADE_LEFT
    assert 0.1 < edge["survive_batch"] < 0.9
    (life,) = query(book, "tools").to_dicts()
    per_part = life["min_per_part"] if life["unit"] == "min" else 1.0
    assert life["life_low"] / per_part < TRADE_LIFE < life["life_high"] / per_part
    assert (
        insert_cost / (life["mean_high"] / per_part)
        < TRADE_COSTS[insert_cost]
        < insert_cost / (life["mean_low"] / per_part)
    )
    assert life["cost_per_part"] == pytest.approx(TRADE_COSTS[insert_cost], rel=0.05)
    (speed, material), *_ = book.rows("select distinct speed_rpm, material_list from core.edge_life where parts > 0")
    assert (speed, material) == (6000.0, "EN AW-6082")


def test_the_shelf_follows_one_batch_after_the_other(book_of: Any, shop_with: Any, when: Any) -> None:
    """Edges that live 9 to 11 parts: 4 left of the batch at hand, then an order of 40, from an edge of 7 parts."""
    lives = [10, 9, 11, 10, 10, 9, 11, 10, 11, 9, 10, 10]
    frames = working(when, [*lives, 7], 5.0, job="A")
    frames["job"] = [
        {"job": "A", "part": "A", "quantity": sum(lives) + 7 + 4, "ordered_on": date(2026, 3, 1)},
        {"job": "B", "part": "A", "quantity": 40, "ordered_on": date(2026, 3, 2)},
    ]
    tool = {"tool": 4, "inserts": 3, "edges_per_insert": 2, "insert_cost": 8.0}
    book = book_of(frames, shop_with(tool=[tool]))
    coming = book.rows("select place, job, quantity, parts_left, basis from mart.coming_batch order by place")
    assert coming == [(1, "A", sum(lives) + 11, 4, "order"), (2, "B", 40, 40, "order")]
    first, second = query(book, "shelf").to_dicts()
    assert (first["edges_median"], first["edges_90"]) == (1, 1)
    # 44 parts less the three or so that the edge in use still makes, at ten an edge
    assert second["edges_median"] in (4, 5)
    assert second["edges_90"] in (5, 6)
    assert second["inserts_90"] == np.ceil(second["edges_90"] * 3 / 2)
    assert second["cost_90"] == pytest.approx(second["edges_90"] * 12.0)


def test_without_orders_the_last_batch_is_made_once_more(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = working(when, [10, 9, 11, 10, 3], 5.0)
    book = book_of(frames, shop_with())
    assert book.rows("select place, parts_left, basis from mart.coming_batch") == [(1, 43, "once more")]


def test_an_order_that_is_nearly_made_is_not_the_next_one(book_of: Any, shop_with: Any, when: Any) -> None:
    """It was closed short; of the batch at hand what is left counts to the last part."""
    frames = working(when, [10], 5.0, job="OLD")
    later = working(when, [10], 5.0, job="NEW")
    for row in later["cycle"]:
        shifted = {name: row[name] + timedelta(days=1) for name in ("started_at", "ended_at")}
        frames["cycle"].append(row | shifted | {"program": "O2"})
    frames["job"] = [
        {"job": job, "part": job, "quantity": 11, "ordered_on": date(2026, 3, 1)} for job in ("OLD", "NEW")
    ]
    book = book_of(frames, shop_with())
    assert book.rows("select place, job, parts_left, basis from mart.coming_batch order by place") == [
        (1, "NEW", 1, "order"),
        (2, "NEW", 10, "once more"),
    ]


def test_an_edge_of_unknown_start_or_with_a_suspicion_gets_no_chance(book_of: Any, shop_with: Any, when: Any) -> None:
    frames = working(when, [10, 9, 11, 10, 10, 9, 11, 10, 30], 5.0)
    book = book_of(frames, shop_with())
    (edge,) = query(book, "in_use").to_dicts()
    assert (edge["due"], edge["survive_next_part"], edge["parts_left_90"]) == ("suspect", None, None)
    assert edge["suspect_why"] == "its life is far past those before it"
    assert book.rows("select edges, suspects, failures from mart.tool_life") == [(8, 1, 8)]


def test_an_edge_in_use_is_judged_by_the_level_that_lives_have_come_to(book_of: Any, shop_with: Any, when: Any) -> None:
    """Lives fell from 40 parts to 12: an edge of 8 parts has few left, in every report alike."""
    lives = [round(40 * 0.95**number) + (number * 7 % 5 - 2) for number in range(24)]
    book = book_of(working(when, [*lives, 8], 5.0), shop_with())
    (edge,), (life,) = query(book, "in_use").to_dicts(), query(book, "tools").to_dicts()
    assert life["verdict"] == "falling"
    assert edge["parts_left_90"] == life["parts_left_90"] <= 4
    assert edge["parts_left_median"] == life["parts_left_median"] <= 5
    assert edge["survive_next_part"] == pytest.approx(life["survive_next_part"])


def test_sister_tools_share_a_batch_on_the_shelf(book_of: Any, shop_with: Any, when: Any) -> None:
    """Two sisters that made half of the parts each take half of the coming ones each, at one price."""
    lives = [10, 9, 11, 10, 9, 10, 4]
    frames, later = (working(when, lives, 5.0, tool=tool) for tool in ("4", "14"))
    for kind, times in (("cycle", ("started_at", "ended_at")), ("edge_change", ("occurred_at",))):
        frames[kind] += [row | {name: row[name] + timedelta(hours=7) for name in times} for row in later[kind]]
    frames["tool_change"].append(later["tool_change"][0] | {"occurred_at": when("2026-03-02 12:59")})
    frames["job"] = [{"job": "BILLET", "part": "BILLET", "quantity": 160, "ordered_on": date(2026, 3, 1)}]
    tools = [{"tool": 4, "inserts": 1, "edges_per_insert": 1, "insert_cost": 8.0}, {"tool": 14, "sister_of": 4}]
    book = book_of(frames, shop_with(tool=tools))
    batch = [row for row in query(book, "shelf").to_dicts() if row["place"] == 1]
    assert [(row["tool"], row["parts_left"]) for row in batch] == [("4", 34), ("14", 34)]
    # 17 parts each, of which the edges in use still make five or six
    assert all(row["edges_90"] in (1, 2) for row in batch)
    assert book.rows("select distinct edge_cost from core.edge_life") == [(8.0,)]


def test_what_changed_with_a_step_is_named(book_of: Any, shop_with: Any, when: Any) -> None:
    """Lives fall by more than half at a new batch of inserts, with another material, revision and price."""
    rng = np.random.default_rng(3)
    lives = [int(life) for life in np.rint(np.repeat([30, 12], 16) * rng.weibull(8.0, 32) / 0.94)]
    frames = working(when, [*lives, 3], 5.0)
    for number, row in enumerate(frames["edge_change"]):
        row |= {"insert_batch": "K1" if number < 16 else "K2", "edge_cost": 9.0 if number <= 16 else 6.0}
    begun = frames["edge_change"][16]["occurred_at"]
    for row in frames["cycle"]:
        is_later = row["started_at"] >= begun
        row |= {"job": "HARD" if is_later else "SOFT", "revision": "B" if is_later else "A"}
    frames["job"] = [
        {"job": job, "part": job, "quantity": 500, "material": material, "ordered_on": date(2026, 3, 1)}
        for job, material in (("SOFT", "EN AW-6082"), ("HARD", "42CrMo4"))
    ]
    book = book_of(frames, shop_with(shop={"currency": "EUR"}))
    (life,) = query(book, "tools").to_dicts()
    assert (life["verdict"], life["trend_kind"]) == ("falling", "step")
    assert life["step_edge_low"] <= 17 <= life["step_edge_high"]
    told = {(row["what"], row["which"]) for row in query(book, "tool_differences").to_dicts()}
    assert told >= {
        ("insert batch", "K2"),
        ("material", "42CrMo4"),
        ("program", "O1 rev. B"),
        ("cost of an edge", None),
        ("job", "HARD"),
    }
