"""Lists and streams that cover the same stretch and disagree: what is reported, and what the time line makes of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

DAY = "2026-03-02"
LIST, STREAM = "b" * 64, "c" * 64


def cycle(start: datetime, minutes: float, **fields: Any) -> dict[str, Any]:
    end = start + timedelta(minutes=minutes)
    return {"machine": "M1", "program": "O1", "started_at": start, "ended_at": end, "file_id": LIST, **fields}


def told(at: datetime, value: str, item: str = "Execution", **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": at, "item": item, "value": value, "file_id": STREAM, **fields}


def stream(*stretches: tuple[datetime, float]) -> list[dict[str, Any]]:
    """A control that is READY but for stretches of some minutes, in which it is ACTIVE."""
    rows = [told(stretches[0][0] - timedelta(minutes=30), "READY")]
    for start, minutes in stretches:
        rows += [told(start, "ACTIVE"), told(start + timedelta(minutes=minutes), "READY")]
    return [*rows, told(stretches[-1][0] + timedelta(hours=2), "READY")]


FILES = (
    "select kind, round(minutes, 6), cycles, file_id, row_number, other_file_id, other_row_number "
    "from mart.contradiction_file order by kind"
)


def test_what_agrees_is_not_reported(book_of: Any, shop_with: Any, when: Any) -> None:
    """A list to the minute beside a stream to the second: nobody contradicts anybody."""
    starts = [when(f"{DAY} {hour:02}:00:40") for hour in range(6, 12)]
    rows = {
        "cycle": [cycle(start.replace(second=0), 10) for start in starts],
        "event": stream(*((start, 9.5) for start in starts)),
    }
    assert book_of(rows, shop_with()).rows("from core.contradiction") == []


def test_a_listed_cycle_while_the_control_is_idle(book_of: Any, shop_with: Any, when: Any) -> None:
    """The time line follows the stream; both rows and the minutes are told."""
    starts = [when(f"{DAY} {hour:02}:00") for hour in (6, 7, 8)]
    rows = {
        "cycle": [cycle(start, 20) for start in starts],
        "event": stream((starts[0], 20), (starts[1], 8), (starts[2], 20)),
    }
    book = book_of(rows, shop_with())
    # READY at 07:08 is the fifth row of the stream, the second listed cycle the list's second row.
    assert book.rows(FILES) == [("listed cycle, control idle", 12.0, 1, LIST, 2, STREAM, 5)]
    assert book.rows("select sum(cutting_s) from mart.utilisation_monthly") == [(48 * 60,)]


def test_a_control_in_cycle_with_none_listed(book_of: Any, shop_with: Any, when: Any) -> None:
    """Between listed cycles only: after its last one the list ends. Manual operation is nobody's cycle."""
    starts = [when(f"{DAY} {hour:02}:00") for hour in (6, 7, 8, 9, 11)]
    manual = [
        told(starts[2] - timedelta(seconds=1), "MANUAL", "ControllerMode"),
        told(starts[2] + timedelta(minutes=15), "AUTOMATIC", "ControllerMode"),
    ]
    rows = {
        "cycle": [cycle(start, 10) for start in (starts[0], starts[3])],
        "event": sorted(
            [*stream(*((start, 10) for start in starts)), *manual], key=lambda row: (row["occurred_at"], row["item"])
        ),
    }
    book = book_of(rows, shop_with())
    assert [row[:3] for row in book.rows(FILES)] == [("control in cycle, none listed", 10.0, 1)]
    trailing = book.rows("select seconds from core.contradiction order by started_at")
    assert trailing == [(600.0,), (600.0,)]  # the second one, at 11:00, is left out of the mart


def test_where_the_stream_was_lost_the_list_contradicts_nothing(book_of: Any, shop_with: Any, when: Any) -> None:
    starts = [when(f"{DAY} {hour:02}:00") for hour in (6, 7, 8)]
    lost = [
        told(starts[1] - timedelta(minutes=5), "UNAVAILABLE", "Availability"),
        told(starts[1] + timedelta(minutes=25), "AVAILABLE", "Availability"),
    ]
    rows = {
        "cycle": [cycle(start, 20) for start in starts],
        "event": [*stream((starts[0], 20), (starts[2], 20)), *lost],
    }
    book = book_of(rows, shop_with())
    assert book.rows("from core.contradiction") == []
    # the list fills in what the stream did not see
    assert book.rows("select sum(cutting_s) from mart.utilisation_monthly") == [(3600.0,)]


def test_cycles_that_overlap(book_of: Any, shop_with: Any, when: Any) -> None:
    """Two pallets whose listed times lap over one another: the time counts once, the overlap is told."""
    rows = [
        cycle(when(f"{DAY} 06:00"), 40, program="A"),
        cycle(when(f"{DAY} 06:30"), 40, program="B"),
        cycle(when(f"{DAY} 07:00"), 40, program="A"),
        cycle(when(f"{DAY} 07:39:30"), 40, program="B"),  # half a minute: within what lists are kept to
    ]
    book = book_of({"cycle": rows}, shop_with())
    assert book.rows(FILES) == [("listed cycles overlap", 20.0, 2, LIST, 2, LIST, 1)]
    assert book.rows("select sum(cutting_s) from mart.utilisation_monthly") == [(139.5 * 60,)]


def test_a_short_cycle_inside_a_long_one(book_of: Any, shop_with: Any, when: Any) -> None:
    """What laps over is measured against the cycle that ends last, not against the row before."""
    rows = [
        cycle(when(f"{DAY} 06:00"), 120, program="A"),
        cycle(when(f"{DAY} 06:10"), 5, program="B"),
        cycle(when(f"{DAY} 07:30"), 60, program="C"),
    ]
    book = book_of({"cycle": rows}, shop_with())
    assert book.rows(
        "select kind, seconds, row_number, other_row_number from core.contradiction order by started_at"
    ) == [
        ("listed cycles overlap", 300.0, 2, 1),
        ("listed cycles overlap", 1800.0, 3, 1),
    ]


def uneven_days(when: Any, days: int) -> list[datetime]:
    """Starts of a few cycles a day with pauses that do not repeat."""
    pauses = [0, 31, 75, 103, 160, 214, 301]
    return [
        when(f"{DAY} 06:00") + timedelta(days=day, minutes=pause + (day * 7) % 11)
        for day in range(days)
        for pause in pauses
    ]


@pytest.mark.parametrize("shift_min", [60, -17, 150])
def test_a_clock_that_was_wrong_for_a_week(book_of: Any, shop_with: Any, when: Any, shift_min: int) -> None:
    """The list's starts keep one distance from the stream's for seven days of three weeks."""
    starts = uneven_days(when, 21)
    wrong = {start for start in starts if 7 <= (start - when(DAY + " 00:00")).days < 14}
    moved = [start + timedelta(minutes=shift_min if start in wrong else 0, seconds=-20) for start in starts]
    rows = {"cycle": [cycle(start, 20) for start in moved], "event": stream(*((start, 20) for start in starts))}
    book = book_of(rows, shop_with())
    clock = book.rows("select day_on, cycles, matched, offset_s from core.clock_offset order by day_on")
    assert [row[0].day for row in clock] == list(range(9, 16))
    assert {row[1:] for row in clock} == {(7, 7, shift_min * 60 - 20.0)}
    kinds = {row[0]: row[2] for row in book.rows(FILES)}
    assert kinds.pop("clock of the list wrong") in (49, 50)  # those of the week, and the one before its first
    assert kinds.keys() <= {"listed cycles overlap"}


def test_days_that_repeat_evenly_tell_no_clock(book_of: Any, shop_with: Any, when: Any) -> None:
    """Where every distance fits as well as the next, none is told: the minutes are, under their own kinds."""
    starts = [when(f"{DAY} 06:00") + timedelta(minutes=30 * number) for number in range(16)]
    moved = [start + timedelta(minutes=15) for start in starts]
    rows = {"cycle": [cycle(start, 20) for start in moved], "event": stream(*((start, 20) for start in starts))}
    book = book_of(rows, shop_with())
    assert book.rows("from core.clock_offset") == []
    assert {row[0] for row in book.rows(FILES)} == {"listed cycle, control idle", "control in cycle, none listed"}
