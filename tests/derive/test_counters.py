"""The control's own counters as a witness: against a naive walk over the readings, and cases worked out by hand."""

from __future__ import annotations

import random
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipeline.derive.deriving import derive_in_passing

DAY = "2026-03-02"
LOADED = {"item": "EquipmentTimer", "sub_type": "LOADED"}
AUTO = {"item": "AccumulatedTime", "sub_type": "x:AUTO"}
CHECK = (
    "select counter, counter_s, spans_s, verdict, unseen_s, implausible_s, resets from mart.counter_check order by all"
)


def event(at: datetime, item: str, value: Any, **fields: Any) -> dict[str, Any]:
    return {"machine": "M1", "occurred_at": at, "item": item, "value": str(value), **fields}


def reading(at: datetime, value: Any, timer: dict[str, str] = AUTO, **fields: Any) -> dict[str, Any]:
    return event(at, value=value, **timer, data_item_id=f"id {timer['item']}", **fields)


def running(start: datetime, *minutes: float) -> list[dict[str, Any]]:
    """Execution that is ACTIVE for the first stretch of minutes, READY for the next, and so on."""
    rows, at = [event(start - timedelta(minutes=1), "Execution", "READY")], start
    for number, length in enumerate(minutes):
        rows.append(event(at, "Execution", "READY" if number % 2 else "ACTIVE"))
        at += timedelta(minutes=length)
    return [*rows, event(at, "Execution", "READY")]


def test_a_counter_that_agrees_and_one_that_does_not(book_of: Any, shop_with: Any, when: Any) -> None:
    """Two hours in cycle with a pause: the one counter has 119 min of it, the other only 90."""
    start = when(f"{DAY} 06:00")
    rows = running(start, 60, 60, 60)
    for minute, automatic, cutting in ((0, 0, 0), (60, 3600, 2700), (120, 3600, 2700), (180, 7140, 5400)):
        rows.append(reading(start + timedelta(minutes=minute), 900_000 + automatic))
        rows.append(reading(start + timedelta(minutes=minute), cutting, LOADED))
    assert book_of({"event": rows}, shop_with()).rows(CHECK) == [
        ("automatic", 7140.0, 7200.0, "agrees", 0.0, 0.0, 0),
        ("cutting", 5400.0, 7200.0, "differs", 0.0, 0.0, 0),
    ]


def test_the_rows_cited_are_where_most_of_the_difference_lies(book_of: Any, shop_with: Any, when: Any) -> None:
    """In the pause between two runs the counter ran for forty minutes in which nobody saw the control in cycle."""
    start = when(f"{DAY} 06:00")
    rows = running(start, 60, 60, 60)
    counted = [(10, 600), (59, 3540), (130, 6600), (179, 9540)]
    rows += [reading(start + timedelta(minutes=minute), value) for minute, value in counted]
    book = book_of({"event": rows}, shop_with())
    # Of the 71 minutes between the second and third reading the time line has 1 + 10 in cycle, the counter 51.
    assert book.rows("select difference_s, largest_s, row_number, last_row_number from mart.counter_check") == [
        (-2400.0, -2400.0, 7, 9)
    ]


def test_what_cannot_be_compared_is_set_aside(book_of: Any, shop_with: Any, when: Any) -> None:
    """A counter that fell back, one that ran faster than the clock, one that nobody watched."""
    start = when(f"{DAY} 06:00")
    rows = running(start, 300)
    rows += [
        event(start + timedelta(minutes=200), "Availability", "UNAVAILABLE"),
        event(start + timedelta(minutes=210), "Availability", "AVAILABLE"),
    ]
    counted = [
        (0, 100_000),
        (60, 103_600),
        (90, 200),  # back to nought: how much it had counted before is not known
        (150, 3_800),
        (151, 93_801),  # 25 hours in a minute
        (190, 96_141),
        (220, 97_941),  # the connection was lost in between
        (300, 102_741),
    ]
    rows += [reading(start + timedelta(minutes=minute), value) for minute, value in counted]
    assert book_of({"event": rows}, shop_with()).rows(CHECK) == [
        ("automatic", 14_340.0, 14_340.0, "agrees", 1_800.0, 90_001.0, 1),
    ]


def test_a_counter_of_whole_hours_is_not_blamed_for_its_step(book_of: Any, shop_with: Any, when: Any) -> None:
    """Read every 20 minutes, it jumps by an hour at a time; up to two of its steps are no disagreement."""
    start = when(f"{DAY} 06:00")
    rows = running(start, 600)
    rows += [reading(start + timedelta(minutes=20 * n), 3600 * (1000 + (20 * n + 50) // 60)) for n in range(31)]
    ((counter, counter_s, spans_s, verdict, *aside),) = book_of({"event": rows}, shop_with()).rows(CHECK)
    assert (counter, counter_s, spans_s, verdict, aside) == ("automatic", 36_000.0, 36_000.0, "agrees", [0.0, 0.0, 0])


@pytest.mark.parametrize(("late_min", "verdict"), [(50, "too little"), (70, "differs")])
def test_under_an_hour_is_too_little_to_say(
    book_of: Any, shop_with: Any, when: Any, late_min: float, verdict: str
) -> None:
    start = when(f"{DAY} 06:00")
    rows = running(start, late_min)
    rows += [reading(start, 0), reading(start + timedelta(minutes=late_min), late_min * 30)]
    assert book_of({"event": rows}, shop_with()).rows(CHECK)[0][3] == verdict


def test_two_items_that_count_one_thing(book_of: Any, shop_with: Any, when: Any) -> None:
    """The spindle hours of two paths: neither is the machine's cutting time."""
    start = when(f"{DAY} 06:00")
    rows = running(start, 120)
    for path in ("1", "2"):
        for minute in (0, 120):
            at = start + timedelta(minutes=minute)
            rows.append({**reading(at, minute * 20, LOADED), "data_item_id": f"t{path}", "path": path})
    checked = book_of({"event": rows}, shop_with()).rows("select timer, verdict from mart.counter_check order by 1")
    assert checked == [("t1", "several counters"), ("t2", "several counters")]


def test_an_alarm_in_a_cycle_and_a_hold_after_the_shift_are_in_cycle_for_the_control(
    book_of: Any, shop_with: Any, when: Any
) -> None:
    """The states say faulted and off_shift; the counter goes on, and that is no disagreement."""
    start = when(f"{DAY} 12:00")
    rows = [
        event(start, "Execution", "ACTIVE"),
        event(start + timedelta(hours=1), "SYSTEM", "", level="FAULT", data_item_id="c1"),
        event(start + timedelta(hours=2), "SYSTEM", "", level="NORMAL", data_item_id="c1"),
        event(start + timedelta(hours=3), "Execution", "FEED_HOLD"),
        event(start + timedelta(hours=8), "Execution", "READY"),
    ]
    rows += [reading(start + timedelta(hours=hour), hour * 3600) for hour in range(9)]
    shop = shop_with(shift=[{"days": ["Mon"], "start": "06:00", "end": "16:00"}])
    book = book_of({"event": rows}, shop)
    assert book.rows(CHECK)[0][1:4] == (28_800.0, 28_800.0, "agrees")
    states = {row[0] for row in book.rows("select distinct state from core.span")}
    assert states == {"noncutting", "cutting", "faulted", "held", "off_shift"} - {"noncutting"}


def test_counters_beside_a_cycle_list(book_of: Any, shop_with: Any, when: Any) -> None:
    """A machine without a stream, read once a day: the list is what the counter witnesses."""
    start = when(f"{DAY} 06:00")
    cycles = [
        {
            "machine": "M1",
            "program": "O1",
            "started_at": start + timedelta(days=day, hours=hour),
            "ended_at": start + timedelta(days=day, hours=hour, minutes=45),
        }
        for day in range(5)
        for hour in range(8)
    ]
    daily = [reading(start + timedelta(days=day, hours=9), 10**6 + 20_000 * day) for day in range(-1, 5)]
    book = book_of({"cycle": cycles, "event": daily}, shop_with())
    # The first reading was taken before the list begins, the last after it ends: what lies there nobody saw.
    assert book.rows(CHECK) == [("automatic", 3 * 20_000.0, 3 * 8 * 45 * 60.0, "differs", 40_000.0, 0.0, 0)]


# --- against a naive walk -------------------------------------------------------------------------------------------

MACHINES = [f"M{number}" for number in range(60)]
ZONE = ZoneInfo("Europe/Lisbon")


def random_machine(rng: random.Random, machine: str) -> list[dict[str, Any]]:
    """A control that runs, holds, alarms and gets lost over the end of a month, with readings now and then."""
    at = datetime(2026, 3, 31, 12, tzinfo=UTC)
    rows, value = [], rng.randrange(0, 10_000)
    for _ in range(rng.randrange(20, 60)):
        at += timedelta(seconds=rng.choice([1, 7, 61, 600, 1800, 5400]), milliseconds=rng.choice([0, 0, 250]))
        which = rng.random()
        if which < 0.4:
            word = rng.choice(["ACTIVE", "ACTIVE", "ACTIVE", "READY", "FEED_HOLD", "STOPPED", "UNAVAILABLE"])
            rows.append(event(at, "Execution", word))
        elif which < 0.45:
            rows.append(event(at, "Availability", rng.choice(["AVAILABLE", "UNAVAILABLE"])))
        elif which < 0.5:
            rows.append(event(at, "EmergencyStop", rng.choice(["ARMED", "TRIGGERED"])))
        else:
            value = rng.choice([value, value + 1, value + 60, value + 500, value + 3600, value // 2, value + 90_000])
            rows.append(reading(at, rng.choice([value, value, "UNAVAILABLE"]), rng.choice([AUTO, LOADED])))
    return [{**row, "machine": machine} for row in rows]


def step_s(value: float) -> int:
    return next((step for step in (3600, 360, 60, 36) if value % step == 0), 2)


def inside(stretches: list[tuple[datetime, datetime]], since: datetime, until: datetime) -> float:
    """Seconds of the union of stretches between two instants."""
    total, reached = 0.0, since
    for start, end in sorted(stretches):
        first, last = max(start, reached), min(end, until)
        if last > first:
            total += (last - first).total_seconds()
            reached = last
    return total


def test_every_stretch_between_two_readings_is_judged_once(book_of: Any, shop_with: Any) -> None:
    """Reading after reading in plain Python over the spans and Executions of sixty random machines."""
    rng = random.Random(20260331)
    events = {machine: random_machine(rng, machine) for machine in MACHINES}
    shop = shop_with(
        shop={"timezone": "Europe/Lisbon"},
        machine=[{"id": machine} for machine in MACHINES],
        shift=[{"days": ["Mon", "Tue", "Wed"], "start": "06:00", "end": "22:00"}],
    )
    book = book_of({"event": [row for rows in events.values() for row in rows]}, shop)
    derive_in_passing(book)
    states: dict[str, dict[str, list[tuple[datetime, datetime]]]] = defaultdict(lambda: defaultdict(list))
    for machine, state, start, end in book.rows("select machine, state, started_at, ended_at from core.span"):
        states[machine][state].append((start, end))
    for machine, execution, start, end in book.rows(
        "select machine, execution, make_timestamptz(started_us), make_timestamptz(ended_us) from core.execution"
    ):
        states[machine][execution].append((start, end))

    expected: dict[tuple[str, str, str], list[float]] = defaultdict(lambda: [0.0] * 5)
    for machine, rows in events.items():
        of = states[machine]
        known = [span for state, spans in of.items() if state.islower() and state != "unobserved" for span in spans]
        if not any(state.islower() for state in of):
            continue
        for timer, counter in ((AUTO, "automatic"), (LOADED, "cutting")):
            shown = of["cutting"] if counter == "cutting" else []
            if counter == "automatic":
                shown = [s for name in ("cutting", "noncutting", "held", "ACTIVE", "FEED_HOLD") for s in of[name]]
            last = None
            for row in rows:
                if row["item"] != timer["item"] or row["value"] == "UNAVAILABLE":
                    continue
                at, value = row["occurred_at"], float(row["value"])
                month = at.astimezone(ZONE).strftime("%Y-%m")
                told = expected[machine, counter, month]
                if last is not None:
                    length, grown = (at - last[0]).total_seconds(), value - last[1]
                    seen = inside(known, last[0], at)
                    if grown < 0:
                        told[4] += 1
                    elif grown > length * 1.02 + min(step_s(value), step_s(last[1])):
                        told[3] += grown
                    elif seen < length - 0.0005:
                        told[2] += grown
                    else:
                        told[0] += grown
                        told[1] += inside(shown, last[0], at)
                last = (at, value)
    ours = {
        (machine, counter, month): list(figures)
        for machine, counter, month, *figures in book.rows(
            "select machine, counter, month, counter_s, spans_s, unseen_s, implausible_s, resets "
            "from mart.counter_check"
        )
    }
    assert ours.keys() == expected.keys()
    for key, figures in expected.items():
        assert ours[key] == pytest.approx(figures, abs=1e-3), key
    assert sum(figures[0] > 0 for figures in expected.values()) > 40
    assert sum(figures[1] > 0 for figures in expected.values()) > 40
