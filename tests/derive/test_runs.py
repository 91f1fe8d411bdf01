"""Runs, batches and setups worked out by hand: what DESIGN 4 and 5 say of cycles, jobs, parts and estimates."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest

MON = "2026-03-02"  # a Monday


def cycles(when: Any, *texts: str, **fields: Any) -> list[dict[str, Any]]:
    """Cycles written as "2026-03-02 06:00 10" (start and minutes)."""
    rows = []
    for text in texts:
        start = when(text.rpartition(" ")[0])
        end = start + timedelta(minutes=float(text.rpartition(" ")[2]))
        rows.append({"machine": "M1", "program": "O1", "started_at": start, "ended_at": end, **fields})
    return rows


def execution(when: Any, *texts: str, **fields: Any) -> list[dict[str, Any]]:
    """Events written as "2026-03-02 06:00 Item=VALUE"."""
    rows = []
    for text in texts:
        at, _, told = text.rpartition(" ")
        item, value = told.split("=")
        rows.append({"machine": "M1", "occurred_at": when(at), "item": item, "value": value, **fields})
    return rows


# --- batches and setups ---------------------------------------------------------------------------------------------


def test_gaps_over_72_hours_and_other_jobs_part_batches(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = [
        *cycles(when, f"{MON} 06:00 10", f"{MON} 07:00 10", job="A", operation="10"),
        *cycles(when, "2026-03-05 07:10 10", job="A", operation="10"),  # 72 h after the end before: the same batch
        *cycles(when, "2026-03-08 07:21 10", job="A", operation="10"),  # 72 h 1 min: another one
        *cycles(when, "2026-03-08 08:00 10", job="B", operation="10"),
        *cycles(when, "2026-03-08 09:00 10", job="A", operation="10"),
        *cycles(when, "2026-03-08 10:00 10", job="A", operation="20"),
    ]
    book = book_of({"cycle": rows}, shop_with())
    assert book.rows("select job, operation, runs from core.batch order by started_at") == [
        ("A", "10", 3), ("A", "10", 1), ("B", "10", 1), ("A", "10", 1), ("A", "20", 1),
    ]  # fmt: skip


def test_orders_of_one_part_are_one_batch(book_of: Any, shop_with: Any, when: Any) -> None:
    jobs = [{"job": name, "part": "P", "quantity": 5, "ordered_on": date(2026, 2, 1)} for name in ("A", "B")]
    rows = [*cycles(when, f"{MON} 06:00 10", job="A"), *cycles(when, f"{MON} 06:20 10", job="B")]
    book = book_of({"cycle": rows, "job": jobs}, shop_with())
    assert book.rows("select job, part, job_key, runs from core.batch") == [("B", "P", "P", 2)]
    assert book.rows("select job_key, job, runs, batches from mart.job_drift") == [("P", "B", 2, 1)]


SHIFT = {"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "06:00", "end": "14:30", "breaks": ["09:30-09:45"]}


def test_setup_is_the_last_four_hours_in_shift_before_the_first_complete_cycle(
    book_of: Any, shop_with: Any, when: Any
) -> None:
    rows = [
        *cycles(when, "2026-03-06 09:00 60", job="A", operation="10"),  # Friday
        *cycles(when, "2026-03-09 06:30 15", job="B", operation="10", outcome="aborted"),  # Monday, proving
        *cycles(when, "2026-03-09 07:00 10", "2026-03-09 07:20 10", job="B", operation="10"),
    ]
    book = book_of({"cycle": rows}, shop_with(shift=[SHIFT]))
    # From 10:00 on Friday there are 4.5 h in shift, on Monday 1 h before the first complete cycle: the last 4 h begin
    # at 11:30 on Friday. The quarter of an hour of the proving run is in cycle, not setup.
    spans = book.rows("select started_at, ended_at from core.span where state = 'setup' order by started_at")
    assert spans == [
        (when("2026-03-06 11:30"), when("2026-03-06 14:30")),
        (when("2026-03-09 06:00"), when("2026-03-09 06:30")),
        (when("2026-03-09 06:45"), when("2026-03-09 07:00")),
    ]
    idle = book.rows("select started_at, ended_at from core.span where state = 'idle' order by started_at")
    assert idle == [
        (when("2026-03-06 10:00"), when("2026-03-06 11:30")),
        (when("2026-03-09 07:10"), when("2026-03-09 07:20")),
    ]
    assert book.rows("select setup_s, between_cycles_s, aborted from core.batch where job = 'B'") == [
        (3.75 * 3600, 600.0, 1)
    ]


def test_a_break_is_no_setup_and_no_time_between_cycles(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = [
        *cycles(when, f"{MON} 09:00 20", f"{MON} 09:50 10", job="A"),
        *cycles(when, f"{MON} 10:30 10", f"{MON} 10:45 10", job="B"),
    ]
    book = book_of({"cycle": rows}, shop_with(shift=[SHIFT]))
    assert book.rows("select job, setup_s, between_cycles_s from core.batch order by job") == [
        # 30 min between cycles less the break of 15; its setup lies before the machine's first record
        ("A", None, 15 * 60.0),
        ("B", 30 * 60.0, 5 * 60.0),
    ]


def test_first_part_and_repeats(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = [
        *cycles(when, f"{MON} 06:00 5", job="A", outcome="aborted"),
        *cycles(when, f"{MON} 06:10 30", f"{MON} 06:50 10", f"{MON} 07:10 11", f"{MON} 07:30 20", job="A", scrap=1),
    ]
    book = book_of({"cycle": rows}, shop_with())
    assert book.rows("select first_part_s, repeat_s, runs, aborted, parts, scrap from core.batch") == [
        (1800.0, 660.0, 4, 1, 4, 4)
    ]


# --- jobs, parts, orders --------------------------------------------------------------------------------------------


def test_orders_that_repeat_never_multiply_rows(book_of: Any, shop_with: Any, when: Any) -> None:
    jobs = [
        {"job": "A", "part": "P", "quantity": 5, "quoted_cycle_s": quoted, "ordered_on": day, "material": stuff}
        for quoted, day, stuff in [
            (500.0, date(2026, 1, 5), "brass"),
            (600.0, date(2026, 2, 5), "steel"),
            (700.0, date(2026, 4, 5), "bronze"),
        ]
    ]
    book = book_of({"cycle": cycles(when, f"{MON} 06:00 10", f"{MON} 07:00 10", job="A"), "job": jobs}, shop_with())
    found = book.rows("select job, part, material, estimate_s, estimate_from, parts from core.run order by started_at")
    assert found == [("A", "P", "steel", 600.0, "quote", 1)] * 2
    assert book.rows("select sum(cycles), sum(parts) from mart.utilisation_monthly") == [(2, 2)]


def test_an_order_counts_from_its_local_day(book_of: Any, shop_with: Any, when: Any) -> None:
    jobs = [
        {"job": "A", "part": "P", "quantity": 5, "quoted_cycle_s": 500.0, "ordered_on": date(2026, 1, 5)},
        {"job": "A", "part": "P", "quantity": 5, "quoted_cycle_s": 600.0, "ordered_on": date(2026, 7, 2)},
    ]
    # 22:30 UTC on 1 July is half past midnight on 2 July in Madrid
    rows = cycles(when, "2026-07-01 21:30 10", "2026-07-01 22:30 10", job="A")
    book = book_of({"cycle": rows, "job": jobs}, shop_with(shop={"timezone": "Europe/Madrid"}))
    assert book.rows("select estimate_s from core.run order by started_at") == [(500.0,), (600.0,)]


def test_a_named_job_keeps_its_quote_though_its_order_was_written_later(
    book_of: Any, shop_with: Any, when: Any
) -> None:
    jobs = [{"job": "A", "part": "P", "quantity": 5, "quoted_cycle_s": 500.0, "ordered_on": date(2026, 3, 9)}]
    book = book_of({"cycle": cycles(when, f"{MON} 06:00 10", job="A"), "job": jobs}, shop_with())
    assert book.rows("select estimate_s, estimate_from from core.run") == [(500.0, "quote")]


def test_a_cycle_without_a_job_belongs_to_the_latest_order_of_its_part(book_of: Any, shop_with: Any, when: Any) -> None:
    jobs = [
        {"job": "A", "part": "P", "quantity": 5, "ordered_on": date(2026, 1, 5)},
        {"job": "B", "part": "P", "quantity": 5, "ordered_on": date(2026, 3, 3)},
    ]
    estimate = [{"job": "A", "program": "O1", "operation": "10", "cycle_s": 500.0}]
    rows = cycles(when, f"{MON} 06:00 10", "2026-03-04 06:00 10")
    book = book_of({"cycle": rows, "job": jobs, "estimate": estimate}, shop_with())
    assert book.rows("select job, part, operation, job_key from core.run order by started_at") == [
        ("A", "P", "10", "P"),
        ("B", "P", "10", "P"),
    ]


def test_without_job_and_part_the_program_is_the_key(book_of: Any, shop_with: Any, when: Any) -> None:
    book = book_of({"cycle": cycles(when, f"{MON} 06:00 10")}, shop_with())
    assert book.rows("select job, part, job_key, estimate_s, estimate_from from core.run") == [
        (None, None, "O1", None, None)
    ]


# --- estimates ------------------------------------------------------------------------------------------------------

LINES = {"operation": "10"}
MATCHES = [
    pytest.param(
        [{"job": "A", "cycle_s": 100.0}, {"program": "O1", "cycle_s": 200.0}], {"job": "A"}, 200.0, id="program first"
    ),
    pytest.param([{"job": "A", "cycle_s": 100.0}], {"job": "A"}, 100.0, id="job where no program is told"),
    pytest.param([{"job": "A", "program": "O9", "cycle_s": 100.0}], {"job": "A"}, None, id="another program"),
    pytest.param(
        [
            {"program": "O1", "revision": "A", "cycle_s": 100.0},
            {"program": "O1", "revision": "B", "cycle_s": 200.0},
            {"program": "O1", "cycle_s": 300.0},
        ],
        {"revision": "B"},
        200.0,
        id="its revision",
    ),
    pytest.param(
        [{"program": "O1", "revision": "A", "cycle_s": 100.0}, {"program": "O1", "cycle_s": 300.0}],
        {"revision": "B"},
        300.0,
        id="no revision fits every revision",
    ),
    pytest.param(
        [{"program": "O1", "machine": "M1", "cycle_s": 100.0}, {"program": "O1", "cycle_s": 300.0}],
        {},
        100.0,
        id="its machine",
    ),
    pytest.param([{"program": "O1", "machine": "M2", "cycle_s": 100.0}], {}, None, id="another machine"),
    pytest.param([{"program": "O1", "cycle_s": 100.0}], {"operation": "20"}, None, id="another operation"),
    pytest.param(
        [
            {"program": "O1", "tool": "1", "cut_s": 60.0, "noncut_s": 20.0},
            {"program": "O1", "tool": "2", "cut_s": 30.0},
            {"program": "O1", "noncut_s": 15.0},
        ],
        {},
        125.0,
        id="the lines add up",
    ),
    pytest.param(
        [{"program": "O1", "tool": "1", "cut_s": 60.0}, {"program": "O1", "cycle_s": 90.0}],
        {},
        90.0,
        id="cycle_s replaces the others",
    ),
]


@pytest.mark.parametrize(("estimate", "cycle", "expected"), MATCHES)
def test_estimates_find_their_cycles(
    book_of: Any, shop_with: Any, when: Any, estimate: list[dict[str, Any]], cycle: dict[str, Any], expected: Any
) -> None:
    rows = cycles(when, f"{MON} 06:00 10", **cycle)
    book = book_of({"cycle": rows, "estimate": [{**LINES, **line} for line in estimate]}, shop_with())
    assert book.rows("select estimate_s from core.run") == [(expected,)]


def test_a_quote_serves_only_where_no_estimate_does(book_of: Any, shop_with: Any, when: Any) -> None:
    jobs = [
        {"job": name, "part": f"P{name}", "quantity": 5, "quoted_cycle_s": 480.0, "ordered_on": date(2026, 1, 5)}
        for name in ("A", "B")
    ]
    estimate = [{"job": "A", "operation": "10", "cycle_s": 540.0}]
    rows = [*cycles(when, f"{MON} 06:00 10", job="A"), *cycles(when, f"{MON} 07:00 10", program="O2", job="B")]
    book = book_of({"cycle": rows, "job": jobs, "estimate": estimate}, shop_with())
    assert book.rows("select job, estimate_s, estimate_from, overrun_hours from mart.job_drift order by job") == [
        ("A", 540.0, "lines", pytest.approx(60 / 3600)),
        ("B", 480.0, "quote", pytest.approx(120 / 3600)),
    ]


# --- cycles from streams --------------------------------------------------------------------------------------------

STREAMS = [
    pytest.param(
        ["06:00 Execution=ACTIVE", "06:10 Execution=READY", "06:12 Execution=ACTIVE", "06:20 Execution=STOPPED",
         "06:30 Execution=READY"],
        [("06:00", "06:10", "complete", None), ("06:12", "06:20", "aborted", None)],
        id="reset to READY, STOPPED is aborted",
    ),
    pytest.param(
        ["06:00 Execution=ACTIVE", "06:10 Execution=PROGRAM_COMPLETED", "06:12 Execution=ACTIVE",
         "06:20 Execution=STOPPED", "06:30 Execution=READY"],
        [("06:00", "06:10", "complete", None), ("06:12", "06:20", "aborted", None)],
        id="completed",
    ),
    pytest.param(
        ["06:00 Execution=ACTIVE", "06:05 Execution=FEED_HOLD", "06:06 Execution=ACTIVE",
         "06:08 Execution=OPTIONAL_STOP", "06:09 Execution=ACTIVE", "06:10 Execution=PROGRAM_COMPLETED",
         "06:30 Execution=READY"],
        [("06:00", "06:10", "complete", None)],
        id="holds and stops lie inside",
    ),
    pytest.param(
        ["06:00 Execution=ACTIVE", "06:04 Execution=UNAVAILABLE", "06:05 Execution=ACTIVE", "06:10 Execution=READY",
         "06:12 Execution=ACTIVE", "06:13 Execution=UNAVAILABLE", "06:20 Execution=ACTIVE", "06:25 Execution=READY"],
        [("06:00", "06:10", "complete", None), ("06:12", "06:13", "unknown", None),
         ("06:20", "06:25", "complete", None)],
        id="a connection lost for a minute does not end a cycle, one lost for seven does",
    ),
    pytest.param(
        ["05:59 ControllerMode=MANUAL_DATA_INPUT", "06:00 Execution=ACTIVE", "06:01 Execution=READY",
         "06:02 ControllerMode=AUTOMATIC", "06:03 Execution=ACTIVE", "06:09 Execution=READY",
         "06:10 ControllerMode=MANUAL", "06:11 Execution=ACTIVE", "06:12 Execution=READY"],
        [("06:03", "06:09", "complete", None)],
        id="running by hand is no cycle",
    ),
    pytest.param(
        ["05:59 PartCount=0", "06:00 Execution=ACTIVE", "06:05 PartCount=1", "06:10 PartCount=2", "06:15 PartCount=3",
         "06:15:04 Execution=READY", "06:20 Execution=READY"],
        [("06:00", "06:05", "complete", 1), ("06:05", "06:10", "complete", 1), ("06:10", "06:15:04", "complete", 1)],
        id="parts counted inside one long ACTIVE end cycles, the last one a little before the end does not",
    ),
    pytest.param(
        ["05:59 PartCount=7", "06:00 Execution=ACTIVE", "06:05 Execution=READY", "06:06 PartCount=8",
         "06:10 Execution=ACTIVE", "06:12 Execution=READY", "06:20 Execution=READY"],
        [("06:00", "06:05", "complete", 1), ("06:10", "06:12", "aborted", 0)],
        id="where parts are counted a reset without one is aborted",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("events", "expected"), STREAMS)
def test_cycles_of_streams(
    book_of: Any, shop_with: Any, when: Callable[[str], datetime], events: list[str], expected: list[Any]
) -> None:
    rows = execution(when, f"{MON} 05:58 Program=O7", *(f"{MON} {event}" for event in events))
    book = book_of({"event": rows}, shop_with())
    found = book.rows("select started_at, ended_at, outcome, parts, program from core.stream_cycle order by started_at")
    assert found == [
        (when(f"{MON} {start}"), when(f"{MON} {end}"), outcome, parts, "O7") for start, end, outcome, parts in expected
    ]


def test_a_counter_of_good_parts_does_not_disturb_that_of_all(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = [
        *execution(when, f"{MON} 05:59 PartCount=10", f"{MON} 06:10 PartCount=11", sub_type="ALL", data_item_id="all"),
        *execution(when, f"{MON} 05:59 PartCount=4", f"{MON} 06:10 PartCount=5", sub_type="GOOD", data_item_id="good"),
        *execution(
            when, f"{MON} 06:00 Execution=ACTIVE", f"{MON} 06:10 Execution=READY", f"{MON} 06:20 Execution=READY"
        ),
    ]
    book = book_of({"event": rows}, shop_with())
    assert book.rows("select parts, outcome from core.stream_cycle") == [(1, "complete")]


def test_stream_cycles_cite_their_first_and_last_event(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = execution(
        when, f"{MON} 06:00 Program=O1", f"{MON} 06:00 Execution=ACTIVE", f"{MON} 06:05 Execution=FEED_HOLD",
        f"{MON} 06:06 Execution=ACTIVE", f"{MON} 06:10 Execution=READY",
    )  # fmt: skip
    book = book_of({"event": rows}, shop_with())
    assert book.rows("select row_number, last_row_number, program, basis from core.run") == [(2, 5, "O1", "measured")]


def test_cycles_of_one_second_are_cycles_of_their_own(book_of: Any, shop_with: Any, when: Any) -> None:
    rows = execution(
        when, f"{MON} 05:59 Program=O1", f"{MON} 06:00:00.100 Execution=ACTIVE", f"{MON} 06:00:00.300 Execution=READY",
        f"{MON} 06:00:00.500 Execution=ACTIVE", f"{MON} 06:10 Execution=READY",
    )  # fmt: skip
    estimate = [{"program": "O1", "operation": "10", "cycle_s": 500.0}]
    book = book_of({"event": rows, "estimate": estimate}, shop_with())
    assert book.rows("select count(distinct run_id), min(actual_s), max(actual_s) from core.run") == [(2, 0.2, 599.5)]


def test_a_path_that_is_still_active_when_the_stream_ends_has_not_stopped(
    book_of: Any, shop_with: Any, when: Any
) -> None:
    rows = [
        *execution(when, f"{MON} 06:00 Execution=ACTIVE", path="p1"),
        *execution(when, f"{MON} 06:01 Execution=ACTIVE", f"{MON} 06:10 Execution=STOPPED", path="p2"),
    ]
    book = book_of({"event": rows}, shop_with())
    assert book.rows("select outcome from core.stream_cycle") == [("unknown",)]


def test_a_machine_with_a_list_takes_no_cycles_from_its_stream(book_of: Any, shop_with: Any, when: Any) -> None:
    events = execution(
        when, f"{MON} 06:00 Execution=ACTIVE", f"{MON} 06:10 Execution=READY", f"{MON} 07:00 Execution=READY"
    )
    book = book_of({"event": events, "cycle": cycles(when, f"{MON} 06:01 8", job="A")}, shop_with())
    assert book.rows("select basis, job from core.run") == [("derived", "A")]
    spans = book.rows("select state, basis from core.span order by started_at")
    assert spans[0] == ("cutting", "estimated")  # the stream tells neither speed nor feed
    assert spans[1] == ("idle", "measured")


def test_a_hold_left_standing_overnight_is_no_overrun(book_of: Any, shop_with: Any, when: Any) -> None:
    events = execution(
        when, f"{MON} 14:00 Program=O1", f"{MON} 14:00 Execution=ACTIVE", f"{MON} 14:20 Execution=FEED_HOLD",
        "2026-03-03 06:05 Execution=ACTIVE", "2026-03-03 06:10 Execution=READY", "2026-03-03 06:30 Execution=READY",
    )  # fmt: skip
    book = book_of({"event": events}, shop_with(shift=[SHIFT]))
    # 20 min cut, 10 min held in shift, 1 h held outside, 5 min held in the morning, 5 min cut
    assert book.rows("select actual_s from core.run") == [((20 + 10 + 60 + 5 + 5) * 60.0,)]
    assert book.rows("select hold_s, off_shift_s from core.tool_use") == [(75 * 60.0, 14.5 * 3600)]
