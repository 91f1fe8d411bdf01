"""Days that go wrong in a shop, and what the time line and the runs make of them."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

START = "2026-03-02 06:00"
Rows = list[dict[str, Any]]


@pytest.fixture
def minute(when: Any) -> Any:
    """Return a function from minutes after the start to an instant."""
    return lambda minutes: when(START) + timedelta(minutes=minutes)


def event(at: datetime, item: str, value: str, **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": at, "item": item, "value": value, **fields}


def says(minute: Any, *told: tuple[float, str]) -> Rows:
    """Events written as (minutes, "Item=VALUE"); the program is O1 and the control READY five minutes before."""
    rows = [event(minute(-5), "Program", "O1"), event(minute(-5), "Execution", "READY")]
    return rows + [event(minute(at), *text.split("=")) for at, text in told]


def alive(minute: Any, since: float, until: float) -> Rows:
    """A load every ten seconds: the sign of life."""
    count = int((until - since) * 6) + 1
    return [event(minute(since + number / 6), "Load", "20", data_item_id="load") for number in range(count)]


def spans(book: Any, minute: Any) -> list[tuple[str, float, float]]:
    """Spans from the start on: state, and from and to in minutes."""
    told = book.rows("select state, started_at, ended_at from core.span order by started_at")
    start = minute(0)
    minutes = [
        (state, (since - start) / timedelta(minutes=1), (to - start) / timedelta(minutes=1))
        for state, since, to in told
    ]
    return [span for span in minutes if span[2] > 0]


def runs(book: Any, minute: Any) -> list[tuple[Any, ...]]:
    """Runs: program, from and to in minutes, outcome."""
    start = minute(0)
    return [
        (program, (since - start) / timedelta(minutes=1), (to - start) / timedelta(minutes=1), outcome)
        for program, since, to, outcome in book.rows(
            "select program, started_at, ended_at, outcome from core.run order by started_at"
        )
    ]


@pytest.mark.parametrize("items", [["Availability"], ["Execution"], ["Availability", "Execution"]])
def test_a_power_cut_ends_the_cycle_where_it_begins(
    book_of: Any, shop_with: Any, minute: Any, items: list[str]
) -> None:
    """The control is back the next morning: the night is unobserved, and no run is fifteen hours long."""
    cut = [(60.0, f"{item}=UNAVAILABLE") for item in items]
    back = [(900.0, "Availability=AVAILABLE")] * ("Availability" in items)
    rows = says(minute, (0, "Execution=ACTIVE"), *cut, *back, (900.5, "Execution=READY"))
    rows += says(minute, (905, "Execution=ACTIVE"), (925, "Execution=READY"))[2:]
    book = book_of({"event": rows}, shop_with())
    assert runs(book, minute) == [("O1", 0, 60, "unknown"), ("O1", 905, 925, "complete")]
    assert spans(book, minute)[:2] == [("cutting", 0, 60), ("unobserved", 60, 900.5 if "Execution" in items else 900)]
    last = book.rows("select last_row_number from core.run order by started_at")[0][0]
    assert last <= 5  # the row at which it was lost, or the last word before it


def test_a_connection_lost_for_two_minutes_lies_inside_the_cycle(book_of: Any, shop_with: Any, minute: Any) -> None:
    rows = says(
        minute,
        (0, "Execution=ACTIVE"),
        (60, "Availability=UNAVAILABLE"),
        (62, "Availability=AVAILABLE"),
        (80, "Execution=READY"),
    )
    book = book_of({"event": rows}, shop_with())
    assert runs(book, minute) == [("O1", 0, 80, "complete")]
    assert spans(book, minute) == [("cutting", 0, 60), ("unobserved", 60, 62), ("cutting", 62, 80)]
    assert book.rows("select unobserved_s, total_s from core.tool_use") == [(120.0, 4800.0)]


@pytest.mark.parametrize(
    ("word", "after"),
    [("READY", []), ("ACTIVE", [("O1", 900, 925, "complete")])],
)
def test_a_stream_that_ends_in_active_and_begins_again(
    book_of: Any, shop_with: Any, minute: Any, word: str, after: Any
) -> None:
    """The next file begins with what the control executes by then: the cycle before it ended with its stream."""
    rows = [*says(minute, (0, "Execution=ACTIVE")), *alive(minute, 0, 60)]
    rows += [event(minute(900), "Execution", word), *alive(minute, 900, 930), event(minute(925), "Execution", "READY")]
    book = book_of({"event": rows}, shop_with())
    assert runs(book, minute) == [("O1", 0, 60, "unknown"), *after]
    assert ("unobserved", 60, 900) in spans(book, minute)


def test_a_wait_inside_active_that_shows_only_as_silence(book_of: Any, shop_with: Any, minute: Any) -> None:
    """Twenty silent minutes are no cutting; the cycle goes on, and says how much of it nobody saw."""
    rows = [
        *says(minute, (0, "Execution=ACTIVE"), (70, "Execution=READY")),
        *alive(minute, 0, 30),
        *alive(minute, 50, 80),
    ]
    book = book_of({"event": rows}, shop_with())
    assert spans(book, minute)[:3] == [("cutting", 0, 30), ("unobserved", 30, 50), ("cutting", 50, 70)]
    assert runs(book, minute) == [("O1", 0, 70, "complete")]
    assert book.rows("select cut_s, unobserved_s from core.tool_use") == [(3000.0, 1200.0)]


def test_program_changes_inside_a_cycle(book_of: Any, shop_with: Any, minute: Any) -> None:
    """A subprogram comes and goes: one cycle, of the program that has most of its time."""
    rows = says(minute, (0, "Execution=ACTIVE"), (5, "Program=O9001"), (20, "Program=O1"), (40, "Execution=READY"))
    book = book_of({"event": rows}, shop_with())
    assert runs(book, minute) == [("O1", 0, 40, "complete")]
    assert spans(book, minute) == [("cutting", 0, 40)]


def test_an_aborted_cycle(book_of: Any, shop_with: Any, minute: Any) -> None:
    """Stopped in an alarm: its time counts, and no part is made."""
    rows = says(minute, (0, "Execution=ACTIVE"), (10, "Execution=STOPPED"), (40, "Execution=READY"))
    rows += [
        event(minute(9), "SYSTEM", "", level="FAULT", data_item_id="c"),
        event(minute(30), "SYSTEM", "", level="NORMAL", data_item_id="c"),
    ]
    book = book_of({"event": rows}, shop_with())
    assert runs(book, minute) == [("O1", 0, 10, "aborted")]
    assert spans(book, minute) == [("cutting", 0, 9), ("faulted", 9, 30), ("idle", 30, 40)]
    assert book.rows("select parts from core.run") == [(0,)]


def listed(minute: Any, *rows: tuple[str, float, float]) -> Rows:
    return [
        {"machine": "M1", "program": program, "started_at": minute(since), "ended_at": minute(until)}
        for program, since, until in rows
    ]


def test_pallets_whose_loading_laps_over(book_of: Any, shop_with: Any, minute: Any) -> None:
    """Two programs alternate, each listed from its loading on: no time counts twice, each keeps its own length."""
    rows = listed(minute, ("A", 0, 40), ("B", 30, 70), ("A", 60, 100), ("B", 90, 130))
    book = book_of({"cycle": rows}, shop_with())
    assert spans(book, minute) == [("cutting", 0, 130)]
    assert book.rows("select distinct actual_s from core.run") == [(2400.0,)]
    assert book.rows("select kind, minutes, cycles from mart.contradiction_file") == [
        ("listed cycles overlap", 30.0, 3)
    ]
    states = book.rows("select cutting_s + noncutting_s from mart.utilisation_monthly")
    assert states == [(130 * 60.0,)]


def test_a_cycle_of_no_length_takes_no_time(book_of: Any, shop_with: Any, minute: Any) -> None:
    """Started and cancelled in the same second: a run of nought seconds beside the others."""
    rows = listed(minute, ("A", 0, 40), ("A", 50, 50), ("A", 60, 100))
    book = book_of({"cycle": rows}, shop_with())
    assert spans(book, minute) == [("cutting", 0, 40), ("idle", 40, 60), ("cutting", 60, 100)]
    assert [row[1:3] for row in runs(book, minute)] == [(0, 40), (50, 50), (60, 100)]


def test_a_list_fills_in_what_its_stream_did_not_see(book_of: Any, shop_with: Any, minute: Any) -> None:
    """A power cut of the recorder, not of the machine: the list's cycles count there, as derived."""
    stream = says(
        minute,
        (0, "Execution=ACTIVE"),
        (30, "Execution=READY"),
        (35, "Availability=UNAVAILABLE"),
        (115, "Availability=AVAILABLE"),
        (120, "Execution=ACTIVE"),
        (150, "Execution=READY"),
    )
    rows = listed(minute, ("O1", 0, 30), ("O1", 40, 70), ("O1", 80, 110), ("O1", 120, 150))
    book = book_of({"cycle": rows, "event": stream}, shop_with())
    assert [span for span in spans(book, minute) if span[0] == "cutting"] == [
        ("cutting", 0, 30), ("cutting", 40, 70), ("cutting", 80, 110), ("cutting", 120, 150)
    ]  # fmt: skip
    assert book.rows("from mart.contradiction_file") == []


def test_a_log_that_says_nothing_for_over_a_month_is_no_data(book_of: Any, shop_with: Any, minute: Any) -> None:
    """Not idle: forty days without an export, and a clock that once said 2023; the years between are not listed."""
    day = 24 * 60.0
    begun = (0, 30 * day, 70 * day, -800 * day)
    rows = listed(minute, *(("A", at, at + 10) for at in sorted(begun)))
    told = [(at, f"Execution={word}") for at in begun for at, word in ((at, "ACTIVE"), (at + 10, "READY"))]
    events = [{**event(minute(at), *text.split("=")), "machine": "M2"} for at, text in told]
    book = book_of({"cycle": rows, "event": events}, shop_with(machine=[{"id": "M1"}, {"id": "M2"}]))

    spans = book.rows(
        "select machine, state, (epoch(ended_at) - epoch(started_at)) / 60 from core.span order by machine, started_at"
    )
    for machine in ("M1", "M2"):
        assert [(state, round(length)) for of, state, length in spans if of == machine] == [
            *[("cutting", 10), ("unobserved", 800 * day - 10), ("cutting", 10), ("idle", 30 * day - 10)],
            *[("cutting", 10), ("unobserved", 40 * day - 10), ("cutting", 10)],
        ]
    months = book.rows(
        "select month, idle_s + cutting_s from mart.utilisation_monthly where machine = 'M1' order by all"
    )
    assert [month for month, _ in months] == ["2023-12", "2026-03", "2026-04", "2026-05"]
    assert dict(months)["2026-05"] == 600.0
