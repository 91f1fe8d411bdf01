"""Random records of machines that anything may befall (streams, cycle lists, tool changes) and the shops they are in.

Nothing here is likely; all of it must be accounted for. Rows are dicts of the input kinds, drawn as a given generator
says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

from schemas.shop import DAYS, ShopFile

Row = dict[str, Any]

# Weekends with a clock change, by the IANA tz database (those of Madrid and Chicago also in check-values 8.1): the zone
# and the Friday before it. Lord Howe's clocks change by half an hour; in Santiago midnight is skipped or doubled.
WEEKENDS = [
    ("Europe/Madrid", datetime(2025, 3, 28, 15, tzinfo=UTC)),
    ("Europe/Lisbon", datetime(2025, 10, 24, 15, tzinfo=UTC)),
    ("America/Chicago", datetime(2025, 3, 7, 21, tzinfo=UTC)),
    ("America/Chicago", datetime(2025, 10, 31, 21, tzinfo=UTC)),
    ("America/Santiago", datetime(2026, 4, 3, 19, tzinfo=UTC)),
    ("America/Santiago", datetime(2026, 9, 4, 19, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 4, 3, 2, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 10, 2, 2, tzinfo=UTC)),
    ("Asia/Kathmandu", datetime(2026, 1, 30, 3, tzinfo=UTC)),  # no change, but a month's end
]
GAPS_MS = [0, 0, 1, 500, 5_000, 20_000, 60_000, 90_000, 301_000, 1_200_000, 7_200_000, 32_400_000]
LENGTHS_MS = [1, 1_000, 60_000, 604_000, 1_800_000, 14_400_000]

Draw = Callable[[Random], Row]
STOPPED = ["READY", "STOPPED", "PROGRAM_COMPLETED", "FEED_HOLD", "INTERRUPTED", "WAIT", "UNAVAILABLE"]
EXECUTIONS = [*["ACTIVE"] * 6, *STOPPED, "OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP"]
ENDS = [*["PROGRAM_COMPLETED"] * 4, *["READY"] * 4, "STOPPED", "STOPPED"]


def _event(item: str, values: Sequence[str | None], **fields: Any) -> Draw:
    def draw(rng: Random) -> Row:
        drawn = {name: rng.choice(told) if isinstance(told, list) else told for name, told in fields.items()}
        return {"item": item, "value": rng.choice(values), **drawn}

    return draw


def _spindles(rng: Random) -> Row:
    path = rng.choice(["m1", "m2"])
    if rng.random() < 0.5:
        return {"item": "RotaryMode", "value": rng.choice(["SPINDLE", "INDEX", "CONTOUR"]), "path": path}
    speed = {"item": "RotaryVelocity", "value": rng.choice(["0", "900"]), "sub_type": "ACTUAL"}
    return {**speed, "path": path, "data_item_id": "speed " + path}


def _two_on_a_path(rng: Random) -> Row:
    """Two spindles on one path, each with a mode of its own."""
    spindle = rng.choice(["S1", "S2"])
    if rng.random() < 0.5:
        mode = {"item": "RotaryMode", "value": rng.choice(["SPINDLE", "INDEX", "CONTOUR"])}
        return {**mode, "path": "p", "data_item_id": f"{spindle}mode"}
    speed = {"item": "RotaryVelocity", "value": rng.choice(["0", "900"]), "sub_type": "ACTUAL"}
    return {**speed, "path": "p", "data_item_id": f"{spindle}speed"}


EXECUTION = _event("Execution", EXECUTIONS, data_item_id="exec")
PATHS = _event("Execution", EXECUTIONS, path=["p1", "p2"], data_item_id="exec")
SPEED = _event("RotaryVelocity", ["0", "0", "1200", "-800", "UNAVAILABLE"], data_item_id="S1", sub_type="ACTUAL")
FEED = _event("PathFeedrate", ["0", "250", "13499", "13500", "27000", "UNAVAILABLE"], data_item_id="F")
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
PROGRAM = _event("Program", ["O1", "O2", "O3", "UNAVAILABLE"], data_item_id="prog")
PARTS = _event("PartCount", ["1", "2", "3", "5", "UNAVAILABLE"], data_item_id="parts")
TOOL = _event("ToolNumber", ["0", "1", "2", "2", "UNAVAILABLE"], data_item_id="tool")

CONTROLS = [
    [*[EXECUTION] * 6, SPEED, SPEED, FEED, FEED, RAPID, FEED_OVERRIDE, MODE, ESTOP, AVAILABILITY, CONDITION, PROGRAM],
    [*[EXECUTION] * 3, PROGRAM, PARTS, TOOL],
    [EXECUTION, EXECUTION, PROGRAM, PARTS, PARTS],
    [EXECUTION, SPEED, FEED, LOAD, LOAD, LOAD],
    [EXECUTION, FEED, FEED, RAPID, FEED_OVERRIDE, FEED_OVERRIDE, TOOL],
    [EXECUTION, EXECUTION, FEED, RAPID, MODE, TOOL, LOAD],
    [EXECUTION, EXECUTION, TOOL, TOOL, CONDITION, CONDITION, MODE],
    [*[PATHS] * 4, _spindles, _spindles, FEED, LOAD, AVAILABILITY],
    [EXECUTION, COMMANDED, FEED, ONE_MODE],
    [EXECUTION, FEED, *[_two_on_a_path] * 4],
    [EXECUTION, EXECUTION, PROGRAM, MODE, PARTS],
    [EXECUTION, CONDITION, CONDITION],
    [EXECUTION, SPEED, TOOL, TOOL],
    [*[PATHS] * 3, PROGRAM, PARTS, LOAD],
    [EXECUTION, LOAD],
    [AVAILABILITY, LOAD],
    [TOOL],
]
FIRST_TOLD: list[Row] = [
    {"item": "Execution", "value": "ACTIVE", "data_item_id": "exec"},
    {"item": "Execution", "value": "ACTIVE", "data_item_id": "exec", "path": "p1"},
    {"item": "RotaryVelocity", "value": "-1200", "data_item_id": "S1", "sub_type": "ACTUAL"},
    {"item": "PathFeedrate", "value": "250", "data_item_id": "F"},
    {"item": "ToolNumber", "value": "1", "data_item_id": "tool"},
    {"item": "Program", "value": "O1", "data_item_id": "prog"},
]


def in_turn(rng: Random, executions: list[Row]) -> None:
    """Make cycles of what a control executes: ACTIVE, then what stops it, then ACTIVE again."""
    was_active: dict[str | None, bool] = {}
    for event in executions:
        path = event.get("path")
        is_stop = was_active.get(path, False) or rng.random() < 0.1
        event["value"] = rng.choice([*ENDS, *EXECUTIONS]) if is_stop else "ACTIVE"
        was_active[path] = event["value"] == "ACTIVE"


def stream(rng: Random, start: datetime) -> list[Row]:
    """The events of one control: most are cutting when they are first heard of, some show a sign of life."""
    control = rng.choice(CONTROLS)
    steps = [(rng.choice(GAPS_MS), rng.choice(control)(rng)) for _ in range(rng.randint(8, 40))]
    if rng.random() < 0.7:
        in_turn(rng, [event for _, event in steps if event["item"] == "Execution"])
    told = {(event["item"], event.get("path")) for _, event in steps}
    known = [first for first in FIRST_TOLD if (first["item"], first.get("path")) in told]
    rows = [{**first, "occurred_at": start} for first in known if rng.random() < 0.75]
    at = start
    if LOAD in control:  # one long gap among more than a hundred short ones is not usual: it is a silence
        every_s = rng.choice([None, 10, 20, 25, 100])
        for number in range(120 if every_s else 0):
            at = start + timedelta(seconds=(every_s or 0) * number)
            rows.append({"item": "Load", "data_item_id": "load", "value": "20", "occurred_at": at})
    for gap_ms, event in steps:
        at += timedelta(milliseconds=gap_ms)
        rows.append({**event, "occurred_at": at})
    return rows


def lists(rng: Random, start: datetime, may_overlap: bool = False) -> tuple[list[Row], list[Row]]:
    """Cycles, some of them touching, and tool changes in and between them."""
    at, cycles, changes, begun = start, [], [], set()
    work = [
        {
            "program": rng.choice(["O1", "O1", "O2", "O3"]),
            "job": rng.choice(["J1", "J1", "J2", "J3", None]),
            "operation": rng.choice(["10", "10", "20", None]),
        }
        for _ in range(rng.randint(1, 3))
    ]
    for _ in range(rng.randint(3, 9)):
        at += timedelta(milliseconds=rng.choice(GAPS_MS))
        if may_overlap and rng.random() < 0.4:
            at -= timedelta(milliseconds=rng.choice(LENGTHS_MS) // 2)
        while at in begun:
            at += timedelta(seconds=1)
        begun.add(at)
        for _ in range(rng.randint(0, 3)):
            late = timedelta(milliseconds=rng.choice([0, 0, 1, 3_000, 59_000, 300_000]))
            changes.append({"occurred_at": at + late, "tool": rng.choice("123")})
        end = at + timedelta(milliseconds=rng.choice([*LENGTHS_MS, 0]))
        cycles.append(
            {
                **rng.choice(work),
                "started_at": at,
                "ended_at": end,
                "outcome": rng.choice(["complete", "complete", "complete", "aborted", "unknown", None]),
                "parts": rng.choice([None, None, 0, 1, 3]),
                "scrap": rng.choice([None, 0, 1]),
            }
        )
        at = end
    return cycles, changes


ESTIMATE: list[Row] = [
    {"program": "O1", "operation": "10", "tool": "1", "cut_s": 30.0, "noncut_s": 10.0, "parts_per_cycle": 2},
    {"program": "O1", "operation": "10", "tool": "2", "cut_s": 20.0, "noncut_s": 20.0},
    {"program": "O1", "operation": "10", "noncut_s": 20.0},
    {"program": "O2", "operation": "10", "cycle_s": 60.0},
]
SHARES = {
    ("O1", operation, tool): share
    for operation in ("10", None)
    for tool, share in [("1", 0.25), ("2", 0.5), (None, 0.5)]
}
PARTS_PER_CYCLE = {("O1", "10"): 2, ("O1", None): 2}
OPERATIONS = {"O1": "10", "O2": "10"}  # of a program whose cycles name none
ORDERS: list[Row] = [{"job": "J1", "part": "P", "quantity": 1}, {"job": "J3", "part": "P", "quantity": 1}]
PART_OF = {"J1": "P", "J3": "P"}


def records(rng: Random, told: str, start: datetime) -> dict[str, list[Row]]:
    """Rows by kind of one machine of which `told` is known: a stream, lists, lists that overlap, or both."""
    later = start + timedelta(milliseconds=rng.choice([0, 500, 600_000, 40_000_000]))
    cycles, changes = lists(rng, start, told == "overlap") if told != "stream" else ([], [])
    events = stream(rng, later if told == "both" else start) if told in ("stream", "both") else []
    return {"event": events, "cycle": cycles, "tool_change": changes}


def _hours(rng: Random, machines: Sequence[str]) -> Row:
    """Hours on some days, with breaks, on some machines; an end before its start runs past midnight."""
    start = 15 * rng.randrange(96)
    length = rng.choice([60, 480, 510, 720, 1440])
    breaks = []
    for _ in range(rng.choice([0, 0, 1, 2])):
        first = start + 5 * rng.randrange(length // 5)
        breaks.append(f"{_clock(first)}-{_clock(first + rng.choice([10, 15, 60]))}")
    days = rng.sample(DAYS, rng.randint(1, 7))
    named = ["*"] if rng.random() < 0.3 else rng.sample(machines, rng.randint(1, len(machines)))
    return {"days": days, "start": _clock(start), "end": _clock(start + length), "breaks": breaks, "machines": named}


def _day(rng: Random, start: datetime) -> date:
    return start.date() + timedelta(days=rng.randint(0, 3))


def _clock(minutes: int) -> str:
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"


def shop(rng: Random, zone: str, start: datetime, machines: Sequence[str]) -> ShopFile:
    """Settings that differ from machine to machine, shifts of all kinds, overtime, days off."""
    shifts = [_hours(rng, machines) for _ in range(rng.choice([0, 2, 5, 8]))]
    for rule in shifts:
        if rng.random() < 0.2:
            rule["from"] = start.date() + timedelta(days=rng.randint(-1, 2))
    overtime = [_hours(rng, machines) for _ in range(rng.choice([0, 3, 8]))]
    if rng.random() < 0.5:  # on set dates, which closed days do not call off
        dated = _hours(rng, machines)
        overtime.append({**dated, "from": _day(rng, start), "to": start.date() + timedelta(days=3)})
        del overtime[-1]["days"]
    closed = [
        {"from": day, "to": day, "machines": rng.sample(machines, len(machines) // 3)}
        for day in (_day(rng, start) for _ in range(rng.randint(0, 2)))
    ]
    opened = [{"from": row["from"], "to": row["to"], "machines": machines[::2]} for row in closed if rng.random() < 0.5]
    return ShopFile.model_validate(
        {
            "shop": {
                "timezone": zone,
                "off_shift_hold_max_s": rng.choice([0.0, 1800.0, 3600.0]),
                "batch_gap_h": rng.choice([0.5, 4.0, 72.0]),
            },
            "machine": [
                {
                    "id": name,
                    "rapid_mm_min": rng.choice([None, 30_000.0, {"X": 40_000.0, "Z": 30_000.0}]),
                    "tool_change_s": rng.choice([None, 4.0, 5.5]),
                    "silent_after_s": rng.choice([60.0, 300.0]),
                    "no_data_after_h": rng.choice([0.5, 6.0, 744.0, 744.0]),
                    "setup_max_s": rng.choice([0.0, 900.0, 14_400.0]),
                }
                for name in machines
            ],
            "shift": shifts,
            "closed": closed,
            "overtime": overtime,
            "open": opened,
        }
    )
