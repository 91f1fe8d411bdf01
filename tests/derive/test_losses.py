"""Where the time went, on a day that can be worked out by hand: losses, money, the longest stops and their rows."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

SHIFT = {"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "08:00", "end": "16:00", "breaks": ["12:00-12:30"]}
MACHINE = {"id": "M1", "rate_per_hour": 60.0, "tool_change_s": 6.0}

# time, item, value; M1 on Monday 2 March 2026
STORY = (
    ("08:00", "Execution", "READY"),
    ("08:00", "Program", "O1"),
    ("08:00", "ToolNumber", "1"),
    ("08:00", "RotaryVelocity", "0"),
    ("08:10", "Execution", "ACTIVE"),
    ("08:11", "RotaryVelocity", "800"),
    ("09:00", "RotaryVelocity", "0"),
    ("09:00", "ToolNumber", "2"),
    ("09:01", "RotaryVelocity", "800"),
    ("10:00", "Execution", "FEED_HOLD"),
    ("10:15", "Execution", "ACTIVE"),
    ("10:30", "Execution", "OPTIONAL_STOP"),
    ("10:50", "Execution", "ACTIVE"),
    ("11:00", "Execution", "READY"),
    ("11:00", "PartCount", "1"),
    ("14:00", "Execution", "ACTIVE"),
    ("15:00", "EmergencyStop", "TRIGGERED"),
    ("15:30", "EmergencyStop", "ARMED"),
    ("15:40", "Execution", "READY"),
    ("16:00", "PartCount", "2"),
)


@pytest.fixture
def book(book_of: Any, shop_with: Any, when: Any) -> Any:
    """The book of the story; round the clock nothing else is known."""
    events = [
        {"machine": "M1", "occurred_at": when(f"2026-03-02 {time}"), "item": item, "data_item_id": item, "value": value}
        for time, item, value in STORY
    ]
    return book_of({"event": events}, shop_with(machine=[MACHINE], shift=[SHIFT]))


def test_losses_in_hours_and_money(book: Any) -> None:
    """Each loss of the month, with the planned days of which nothing is known; those cost nothing."""
    losses = {loss: (hours, cost) for loss, hours, cost in book.rows("select loss, hours, cost from mart.month_loss")}
    minutes = {loss: round(hours * 60, 6) for loss, (hours, _) in losses.items()}

    assert minutes == pytest.approx(
        {
            "noncutting": 1 + 0.9,  # before the spindle turns; of the minute at 09:00 six seconds are the change
            "tool_change": 0.1,
            "feed_hold": 15,
            "program_stop": 20,
            "fault": 30,
            "setup": 0,
            "idle": 10 + 60 + 90 + 20,  # before, 11:00 to 14:00 less the break, and after
            "unobserved": 21 * 450,  # the other working days of March
        }
    )
    assert losses["feed_hold"][1] == pytest.approx(15.0)
    assert losses["unobserved"][1] is None


def test_longest_stops_go_on_over_breaks_and_cite_their_row(book: Any, when: Any) -> None:
    """The longest stop lasts over the break; each names the run, and the row of the record that it began with."""
    stops = book.frame("from mart.longest_stop order by place").to_dicts()
    told = [(s["loss"], f"{s['started_at']:%H:%M}", f"{s['ended_at']:%H:%M}", round(s["hours"] * 60)) for s in stops]
    rows = [STORY[s["row_number"] - 1] for s in stops]

    assert told == [
        ("idle", "11:00", "14:00", 150),
        ("fault", "15:00", "15:30", 30),
        ("program_stop", "10:30", "10:50", 20),
        ("idle", "15:40", "16:00", 20),
        ("feed_hold", "10:00", "10:15", 15),
        ("idle", "08:00", "08:10", 10),
    ]
    assert [row[:2] for row in rows] == [
        ("11:00", "Execution"),
        ("15:00", "EmergencyStop"),
        ("10:30", "Execution"),
        ("15:40", "Execution"),
        ("10:00", "Execution"),
        ("08:00", "Execution"),
    ]
    assert [stop["interrupted"] for stop in stops] == [False, True, True, False, True, None]
    assert stops[0]["cost"] == pytest.approx(150.0)
    assert stops[-1]["run_id"] is None


def test_stops_are_cut_at_the_month(book_of: Any, shop_with: Any, when: Any) -> None:
    """A stop over the turn of a month counts in both, with the hours that lie there; twenty a month are kept."""
    start = when("2026-03-31 20:00")
    cycles = [
        {"machine": "M1", "program": "O1", "started_at": start, "ended_at": start + timedelta(hours=1)},
        {
            "machine": "M1",
            "program": "O1",
            "started_at": start + timedelta(hours=9),
            "ended_at": start + timedelta(hours=10),
        },
    ]
    at = start + timedelta(hours=10)
    for number in range(30):
        at += timedelta(minutes=10 + number)
        cycles.append({"machine": "M1", "program": "O1", "started_at": at, "ended_at": at + timedelta(minutes=5)})
        at += timedelta(minutes=5)
    book = book_of({"cycle": cycles}, shop_with())
    stops = book.rows("select month, place, hours, run_id is not null, row_number from mart.longest_stop order by all")

    assert stops[0] == ("2026-03", 1, 3.0, True, 1)
    assert stops[1][:4] == ("2026-04", 1, 5.0, False)
    assert [stop[1] for stop in stops[1:]] == list(range(1, 21))
    assert stops[2][2] == pytest.approx(39 / 60)


def test_month_against_month(book_of: Any, shop_with: Any, when: Any) -> None:
    """Half the planned hours and the same shares are no change; what is beyond its share is."""
    cycles = []
    for month, count in (("03", 20), ("04", 10)):
        for day in range(count):
            start = when(f"2026-{month}-{1 + day:02d} 08:00")
            minutes = 240 if month == "03" else 300
            cycles.append(
                {
                    "machine": "M1",
                    "program": f"O{month}",
                    "started_at": start,
                    "ended_at": start + timedelta(minutes=minutes),
                }
            )
    shift = {"days": ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], "start": "08:00", "end": "16:00"}
    book = book_of({"cycle": cycles}, shop_with(shift=[shift]))
    changes = dict(book.rows("select loss, change_hours from mart.month_change where month = '2026-04'"))
    observed = book.rows("select observed_hours from mart.month_change where month = '2026-04' limit 1")[0][0]

    # the time after the last cycle of April is not observed
    assert observed == pytest.approx(9 * 8 + 5)
    before = 20 * 4 / (31 * 8)  # March is observed to its end
    assert changes["cutting"] == pytest.approx(10 * 5 - before * observed)
    assert sum(changes.values()) == pytest.approx(0, abs=1e-9)
    jobs = book.rows("select month, job_key, runs, in_cycle_hours from mart.month_job order by all")
    assert [row[:3] for row in jobs] == [("2026-03", "O03", 20), ("2026-04", "O04", 10)]
