"""core.span against the naive time line: streams, lists and both, clock changes, setups, off-shift holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.derive.relations import Relation, in_order, load_relations
from pipeline.derive.shop_tables import shop_tables
from pipeline.store.book import Book, open_book
from schemas.shop import ShopFile

MACHINES = ("M1", "M2", "M3", "M4")
# An example costs a third of a second whatever its size, so each holds four machines and failures are not shrunk.
PROPERTY = settings(
    max_examples=30,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)

# Weekends with a clock change, check-values section 8.1 (IANA tz database): zone and a local Friday before it.
CLOCK_CHANGES = [
    ("Europe/Madrid", datetime(2025, 3, 28, 15, tzinfo=UTC)),
    ("Europe/Madrid", datetime(2025, 10, 24, 15, tzinfo=UTC)),
    ("America/Chicago", datetime(2025, 3, 7, 21, tzinfo=UTC)),
    ("America/Chicago", datetime(2025, 10, 31, 21, tzinfo=UTC)),
    ("America/Chicago", datetime(2026, 1, 30, 21, tzinfo=UTC)),  # no change, but a month's end
]
GAPS_MS = [0, 0, 1, 500, 5_000, 20_000, 60_000, 90_000, 301_000, 1_200_000, 7_200_000, 32_400_000]
LENGTHS_MS = [1, 1_000, 60_000, 604_000, 1_800_000, 14_400_000]


# --- what happens in the shop ---------------------------------------------------------------------------------------

HELD_OR_NOT = ["READY", "STOPPED", "PROGRAM_COMPLETED", "FEED_HOLD", "INTERRUPTED", "WAIT", "UNAVAILABLE"]
STOPS = ["OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP"]


def _event(item: str, values: list[str], **fields: Any) -> st.SearchStrategy[dict[str, Any]]:
    drawn = {
        name: st.sampled_from(value) if isinstance(value, list) else st.just(value) for name, value in fields.items()
    }
    return st.fixed_dictionaries({"item": st.just(item), "value": st.sampled_from(values), **drawn})


EXECUTION = _event("Execution", ["ACTIVE"] * 6 + HELD_OR_NOT + STOPS, data_item_id="exec")
PATHS = _event("Execution", ["ACTIVE"] * 4 + HELD_OR_NOT + STOPS, path=["p1", "p2"], data_item_id="exec")
SPEED = _event("RotaryVelocity", ["0", "0", "1200", "-800", "UNAVAILABLE"], data_item_id="S1", sub_type="ACTUAL")
FEED = _event("PathFeedrate", ["0", "250", "13499", "13500", "27000", "UNAVAILABLE"], data_item_id="F")
SPINDLES = st.one_of(
    _event("RotaryVelocity", ["0", "900"], path=["m1", "m2"], data_item_id="m", sub_type="ACTUAL").map(
        lambda e: {**e, "data_item_id": "speed " + e["path"]}
    ),
    _event("RotaryMode", ["SPINDLE", "INDEX", "CONTOUR"], path=["m1", "m2"]),
)
COMMANDED = _event("RotaryVelocity", ["0", "3000"], data_item_id="Scmd", sub_type="COMMANDED")
ONE_MODE = _event("RotaryMode", ["SPINDLE", "INDEX", "CONTOUR"], data_item_id="Cmode")
RAPID = _event("PathFeedrateOverride", ["0", "50", "100", "UNAVAILABLE"], data_item_id="R", sub_type="RAPID")
FEED_OVERRIDE = _event("PathFeedrateOverride", ["0", "80", "120"], data_item_id="O", sub_type="PROGRAMMED")
MODE = _event("ControllerMode", ["AUTOMATIC", "MANUAL", "MANUAL_DATA_INPUT", "UNAVAILABLE"], data_item_id="mode")
ESTOP = _event("EmergencyStop", ["ARMED", "TRIGGERED", "UNAVAILABLE"], data_item_id="estop")
AVAILABILITY = _event("Availability", ["AVAILABLE", "AVAILABLE", "UNAVAILABLE"], data_item_id="avail")
LEVELS = ["NORMAL", "WARNING", "FAULT", "UNAVAILABLE"]
CONDITION = _event("SYSTEM", [None], data_item_id=["c1", "c2"], level=LEVELS, native_code=[None, "A", "B"])
LOAD = _event("Load", ["12.5", "UNAVAILABLE"], data_item_id="load")
PROGRAM = _event("Program", ["O1", "O2", "UNAVAILABLE"], data_item_id="prog")
PARTS = _event("PartCount", ["1", "2", "3"], data_item_id="parts")
TOOL = _event("ToolNumber", ["0", "1", "2", "2", "UNAVAILABLE"], data_item_id="tool")

CONTROLS = [
    [EXECUTION, SPEED, FEED, RAPID, FEED_OVERRIDE, MODE, ESTOP, AVAILABILITY, CONDITION, PROGRAM, PARTS],
    [EXECUTION, SPEED, FEED, LOAD, LOAD, LOAD],
    [EXECUTION, FEED, RAPID, MODE, TOOL, LOAD],
    [EXECUTION, TOOL, TOOL, CONDITION, CONDITION, MODE],
    [PATHS, PATHS, SPINDLES, SPINDLES, FEED, LOAD, AVAILABILITY],
    [EXECUTION, COMMANDED, FEED, ONE_MODE],
    [EXECUTION, PROGRAM, MODE, PARTS],
    [EXECUTION, CONDITION, CONDITION, CONDITION, CONDITION],
    [EXECUTION, SPEED, TOOL, TOOL],
    [TOOL],
    [PATHS, LOAD],
    [EXECUTION, LOAD],
    [AVAILABILITY, LOAD],
]


FIRST_TOLD = [
    {"item": "Execution", "value": "ACTIVE", "data_item_id": "exec"},
    {"item": "Execution", "value": "ACTIVE", "data_item_id": "exec", "path": "p1"},
    {"item": "RotaryVelocity", "value": "-1200", "data_item_id": "S1", "sub_type": "ACTUAL"},
    {"item": "PathFeedrate", "value": "250", "data_item_id": "F"},
    {"item": "ToolNumber", "value": "1", "data_item_id": "tool"},
]


@st.composite
def streams(draw: st.DrawFn, start: datetime) -> list[dict[str, Any]]:
    """The events of one control: most are cutting when they are first heard of, some show a sign of life."""
    items = draw(st.sampled_from(CONTROLS))
    steps = draw(st.lists(st.tuples(st.sampled_from(GAPS_MS), st.one_of(items)), min_size=8, max_size=30))
    rows = [{**told, "occurred_at": start} for told in FIRST_TOLD if draw(st.integers(0, 3))]
    rows = [row for row in rows if row["item"] in [event["item"] for _, event in steps]]
    at = start
    if LOAD in items:  # one long gap among more than a hundred short ones is not usual: it is a silence
        every_s = draw(st.sampled_from([None, 10, 20, 25, 100]))
        for number in range(120 if every_s else 0):
            at = start + timedelta(seconds=every_s * number)
            rows.append({"item": "Load", "data_item_id": "load", "value": "20", "occurred_at": at})
    for gap_ms, event in steps:
        at += timedelta(milliseconds=gap_ms)
        rows.append({**event, "occurred_at": at})
    return rows


@st.composite
def lists(draw: st.DrawFn, start: datetime) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Cycles that do not overlap, some of them touching, and tool changes in and between them."""
    steps = draw(
        st.lists(
            st.tuples(
                st.sampled_from(GAPS_MS),
                st.sampled_from(LENGTHS_MS),
                st.sampled_from(["O1", "O1", "O2", "O3"]),
                st.sampled_from(["J1", "J1", "J2", None]),
                st.sampled_from(["10", "10", "20"]),
                st.sampled_from(["complete", "complete", "aborted", "unknown"]),
                st.lists(
                    st.tuples(st.sampled_from([0, 0, 1, 3_000, 59_000, 300_000]), st.sampled_from("123")), max_size=3
                ),
            ),
            min_size=3,
            max_size=8,
        )
    )
    at, cycles, changes = start, [], []
    for gap_ms, length_ms, program, job, operation, outcome, tools in steps:
        at += timedelta(milliseconds=gap_ms)
        changes += [{"occurred_at": at + timedelta(milliseconds=late), "tool": tool} for late, tool in tools]
        end = at + timedelta(milliseconds=length_ms)
        cycles.append(
            {
                "program": program,
                "started_at": at,
                "ended_at": end,
                "job": job,
                "operation": operation,
                "outcome": outcome,
            }
        )
        at = end
    return cycles, changes


ESTIMATE = [
    {"program": "O1", "operation": "10", "tool": "1", "cut_s": 30.0, "noncut_s": 10.0},
    {"program": "O1", "operation": "10", "tool": "2", "cut_s": 20.0, "noncut_s": 20.0},
    {"program": "O1", "operation": "10", "noncut_s": 20.0},
    {"program": "O2", "operation": "10", "cycle_s": 60.0},
]
SHARES = {("O1", "10", "1"): 0.25, ("O1", "10", "2"): 0.5, ("O1", "10", None): 0.5}

SHIFTS = st.sampled_from(
    [
        [],
        [
            {
                "days": ["Fri", "Sat", "Sun", "Mon"],
                "start": "22:00",
                "end": "06:00",
                "breaks": ["01:30-02:30", "04:00-04:15"],
            }
        ],
        [
            {"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "06:00", "end": "14:30", "breaks": ["09:30-09:45"]},
            {"days": ["Fri", "Sat"], "start": "14:00", "end": "22:10"},
            {"days": ["Sun"], "start": "02:30", "end": "02:30", "machines": ["M1"]},
        ],
        [{"days": ["Sat", "Sun"], "start": "00:00", "end": "00:00", "breaks": ["23:50-00:10"]}],
        [{"days": ["Fri", "Sat", "Sun"], "start": "18:30", "end": "02:30"}],
    ]
)


@st.composite
def shops(draw: st.DrawFn, zone: str, start: datetime) -> ShopFile:
    day = start.date() + timedelta(days=draw(st.integers(0, 2)))
    machine = {
        "rapid_mm_min": draw(st.sampled_from([None, 30_000.0, {"X": 40_000.0, "Z": 30_000.0}])),
        "tool_change_s": draw(st.sampled_from([None, 4.0, 5.5])),
        "silent_after_s": draw(st.sampled_from([60.0, 300.0])),
        "setup_max_s": draw(st.sampled_from([0.0, 900.0, 14_400.0])),
    }
    return ShopFile.model_validate(
        {
            "shop": {"timezone": zone, "off_shift_hold_max_s": draw(st.sampled_from([0.0, 1800.0, 3600.0]))},
            "machine": [{"id": name, **machine} for name in MACHINES],
            "shift": draw(SHIFTS),
            "closed": draw(st.sampled_from([[], [{"from": day, "to": day, "machines": ["M2"]}]])),
        }
    )


# --- the book -------------------------------------------------------------------------------------------------------


def upstream_of(*names: str) -> list[Relation]:
    """The relations that these rest on, in order."""
    every = {relation.full_name: relation for relation in load_relations("core")}
    wanted, todo = set(), list(names)
    while todo:
        name = todo.pop()
        if name in every and name not in wanted:
            wanted.add(name)
            todo += every[name].upstream
    return in_order([every[name] for name in sorted(wanted)])


SPAN_RELATIONS = upstream_of("core.span")


@pytest.fixture(scope="module")
def open_books() -> Iterator[Book]:
    with open_book(None, threads=1) as book:
        yield book


def _spans(book: Book, fill: Any, frames: dict[str, list[dict[str, Any]]], shop: ShopFile) -> None:
    """Rebuild core.span alone, which is what these properties are about."""
    for kind in ("cycle", "tool_change", "event", "estimate"):
        book.run(f"delete from core.{kind}")
    fill(book, frames)
    moments = [row[name] for rows in frames.values() for row in rows for name in row if name.endswith("_at")]
    zone = shop.shop.zone
    first, last = (moment.astimezone(zone).date() for moment in (min(moments), max(moments)))
    for name, frame in shop_tables(shop, first, last).items():
        book.connection.register("_frame", frame)
        book.run(f"create or replace table {name} as from _frame")
        book.connection.unregister("_frame")
    for relation in SPAN_RELATIONS:
        book.run(f"create or replace table {relation.full_name} as\n{relation.sql}")


def _hold(book: Book, fill: Any, canonical: Any, oracle: Any, shop: ShopFile, machines: dict[str, Any]) -> None:
    """Compare core.span of each machine with the oracle, to the microsecond."""
    frames: dict[str, list[dict[str, Any]]] = {"estimate": ESTIMATE}
    for machine, (events, cycles, changes) in machines.items():
        for kind, rows in (("event", events), ("cycle", cycles), ("tool_change", changes)):
            frames.setdefault(kind, []).extend({"machine": machine, **row} for row in rows)
    _spans(book, fill, frames, shop)
    for machine in machines:
        mine = {
            kind: [r for r in canonical(kind, rows).to_dicts() if r["machine"] == machine]
            for kind, rows in frames.items()
            if kind != "estimate"
        }
        facts = oracle.Facts(mine["event"], mine["cycle"], mine["tool_change"], SHARES)
        runs = None
        if not mine["cycle"]:
            runs = [
                (oracle.us(start), oracle.us(end), outcome, key)
                for start, end, outcome, *key in book.rows(
                    "select started_at, ended_at, outcome, job_key, operation from core.cycle_seen"
                    " where machine = $machine order by started_at, run_id",
                    {"machine": machine},
                )
            ]
        expected = oracle.time_line(machine, facts, shop, runs)
        rows = book.rows(
            "select epoch_us(started_at), epoch_us(ended_at), state, planned, basis, detail from core.span"
            " where machine = $machine order by started_at",
            {"machine": machine},
        )
        found = oracle.merged(oracle.Span(*row) for row in rows)
        assert found == expected
        for one, other in pairwise(rows):
            assert one[1] == other[0]


@given(data=st.data())
@PROPERTY
def test_spans_of_streams_are_the_oracles(data: st.DataObject, open_books: Book, book_tools: Any, oracle: Any) -> None:
    zone, start = data.draw(st.sampled_from(CLOCK_CHANGES))
    machines = {name: (data.draw(streams(start)), [], []) for name in MACHINES}
    _hold(open_books, *book_tools, oracle, data.draw(shops(zone, start)), machines)


@given(data=st.data())
@PROPERTY
def test_spans_of_lists_are_the_oracles(data: st.DataObject, open_books: Book, book_tools: Any, oracle: Any) -> None:
    zone, start = data.draw(st.sampled_from(CLOCK_CHANGES))
    machines = {name: ([], *data.draw(lists(start))) for name in MACHINES}
    _hold(open_books, *book_tools, oracle, data.draw(shops(zone, start)), machines)


@given(data=st.data())
@PROPERTY
def test_spans_of_machines_with_both_are_the_oracles(
    data: st.DataObject, open_books: Book, book_tools: Any, oracle: Any
) -> None:
    zone, start = data.draw(st.sampled_from(CLOCK_CHANGES))
    later = start + timedelta(milliseconds=data.draw(st.sampled_from([0, 500, 600_000, 40_000_000])))
    machines = {name: (data.draw(streams(later)), *data.draw(lists(start))) for name in MACHINES}
    _hold(open_books, *book_tools, oracle, data.draw(shops(zone, start)), machines)


@pytest.mark.parametrize(("every_s", "state"), [(99, "unobserved"), (100, "noncutting")])
def test_a_sign_of_life_is_under_a_third_of_the_silence(
    book_of: Any, shop_with: Any, when: Any, every_s: int, state: str
) -> None:
    start = when("2026-03-02 06:00")
    times = [start + timedelta(seconds=every_s * number) for number in range(120)]
    last = times[-1] + timedelta(seconds=301)
    loads = [{"machine": "M1", "occurred_at": at, "item": "Load", "value": "20"} for at in (*times, last)]
    told = [
        {"machine": "M1", "occurred_at": start, "item": item, "value": value, "path": path}
        for item, value, path in (
            ("Execution", "ACTIVE", "p1"),
            ("Execution", "READY", "p2"),
            ("PathFeedrate", "0", None),
        )
    ]
    book = book_of({"event": [*told, *loads]}, shop_with())
    spans = book.rows("select started_at, ended_at, state from core.span order by started_at")
    assert spans[-1] == (times[-1] if state == "unobserved" else start, last, state)


def test_99_of_100_short_gaps_are_a_99th_percentile_that_is_short() -> None:
    """core.silence adds up counts where DESIGN names a percentile: the two agree, whatever the numbers of gaps."""
    with open_book(None, threads=1) as book:
        rows = book.rows(
            """
            select
                gaps.n, long_gaps.n,
                quantile_disc(if(number.i < long_gaps.n, 100, 99), 0.99) < 100,
                (gaps.n - long_gaps.n) * 100 >= gaps.n * 99,
            from (select unnest(range(1, 320) || [999, 1000, 1001, 4999, 5000, 5001]) as n) as gaps
            cross join lateral (select unnest(range(gaps.n // 100 + 3)) as n) as long_gaps
            cross join lateral (select unnest(range(gaps.n)) as i) as number
            where long_gaps.n <= gaps.n
            group by gaps.n, long_gaps.n
            """
        )
    assert {by_count for *_, by_count in rows} == {True, False}
    assert [row for row in rows if row[2] != row[3]] == []
