"""Random working days of a machine, dense enough for clean cycles each day: what its control and its lists tell.

Rows of the input kinds as dicts; it knows no book and draws from the generator that it is given.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

Row = dict[str, Any]
JOBS = ("J1", "J2", "J3", "J4")
ENDS = ("PROGRAM_COMPLETED", "PROGRAM_COMPLETED", "PROGRAM_COMPLETED", "READY", "STOPPED")
TOLD = ("stream", "list", "both", "paths", "seen")


@dataclass
class Days:
    """Rows by kind, of one machine."""

    event: list[Row] = field(default_factory=list)
    cycle: list[Row] = field(default_factory=list)
    tool_change: list[Row] = field(default_factory=list)
    edge_change: list[Row] = field(default_factory=list)

    def kinds(self) -> dict[str, list[Row]]:
        return {kind: rows for kind, rows in vars(self).items() if rows}


class Machine:
    """One machine at work: each method tells what happens next and moves the clock."""

    def __init__(self, rng: Random, name: str, told: str, job: str) -> None:
        self.rng, self.name, self.told, self.job = rng, name, told, job
        self.days = Days()
        self.at = datetime(2026, 1, 1, tzinfo=UTC)
        self.parts = rng.randrange(90)
        self.tool = "1"
        self.completes = rng.random() < 0.7  # whether the control says PROGRAM_COMPLETED
        self.lives = rng.random() < 0.5  # whether it samples its load
        self.path = "p1" if told == "paths" else None

    def later(self, least_s: float, most_s: float) -> datetime:
        self.at += timedelta(milliseconds=round(1000 * self.rng.uniform(least_s, most_s)))
        return self.at

    def tell(self, item: str, value: str | None, **fields: Any) -> None:
        if self.told != "list" and (self.told != "seen" or item == "Availability"):
            row = {"machine": self.name, "occurred_at": self.at, "item": item, "value": value, "data_item_id": item}
            self.days.event.append({**row, **fields})

    def execute(self, value: str) -> None:
        self.tell("Execution", value, path=self.path)

    def day(self, begin: datetime, until: datetime) -> None:
        """Cycles from `begin` until the day is over; the last may run on into the night."""
        self.at = begin
        self.tell("Availability", "AVAILABLE")
        self.execute("READY")
        if self.rng.random() < 0.4:
            self.tell("ControllerMode", "MANUAL")
            self.later(30, 2400)
            self.tell("ControllerMode", "AUTOMATIC")
        while self.at < until:
            self.later(1, 1200)
            if self.rng.random() < 0.2:
                self.job = self.rng.choice(JOBS)
                self.later(0, 3600)
            self.cycle()
        self.later(1, 600)
        if self.rng.random() < 0.5:
            self.tell("Availability", "UNAVAILABLE")
            if self.rng.random() < 0.5:
                self.execute("UNAVAILABLE")

    def cycle(self) -> None:
        """One run of the job's program, with what may go wrong in it."""
        begun = self.at
        self.tell("Program", "O" + self.job)
        self.execute("ACTIVE")
        if self.told == "paths" and self.rng.random() < 0.5:
            self.tell("Execution", self.rng.choice(["ACTIVE", "READY", "WAIT"]), path="p2")
        for _ in range(self.rng.randint(1, 3)):
            self.operation()
        long_hold = self.rng.random() < 0.03
        if self.rng.random() < 0.15 or long_hold:
            self.execute(self.rng.choice(["FEED_HOLD", "PROGRAM_STOPPED", "INTERRUPTED"]))
            self.later(1, 50_000 if long_hold else 900)
            self.execute("ACTIVE")
            self.later(1, 60)
        fault = self.rng.random() < 0.06
        if fault:
            self.fault()
        is_aborted = fault or self.rng.random() < 0.08
        if not is_aborted:
            self.parts += 1
            self.tell("PartCount", str(self.parts))
        self.execute("STOPPED" if is_aborted else "PROGRAM_COMPLETED" if self.completes else "READY")
        if self.told == "paths":
            self.tell("Execution", "READY", path="p2")
        self.listed(begun, is_aborted)

    def operation(self) -> None:
        """A tool comes in and cuts."""
        self.tool = self.rng.choice("123")
        if self.told != "stream" and self.rng.random() < 0.8:
            row = {"machine": self.name, "occurred_at": self.at, "tool": self.tool, "program": "O" + self.job}
            self.days.tool_change.append(row)
            if self.rng.random() < 0.1:
                reason = self.rng.choice(["worn", "broken", "planned", "unknown"])
                self.days.edge_change.append({**row, "reason": reason, "program": None})
        self.tell("ToolNumber", self.tool)
        self.tell("PathFeedrate", "20000", path=self.path)
        self.later(1, 20)
        self.tell("RotaryVelocity", "3000", path=self.path, sub_type="ACTUAL")
        for _ in range(self.rng.randint(1, 3)):
            self.tell("PathFeedrate", self.rng.choice(["0", "250", "900.5", "30000"]), path=self.path)
            if self.lives:
                self.tell("Load", str(self.rng.randrange(100)))
            if self.rng.random() < 0.08:
                self.tell("PathFeedrateOverride", self.rng.choice(["0", "80", "100", "110"]), sub_type="PROGRAMMED")
            self.later(1, 300)
        self.tell("RotaryVelocity", "0", path=self.path, sub_type="ACTUAL")

    def fault(self) -> None:
        if self.rng.random() < 0.5:
            self.tell("EmergencyStop", "TRIGGERED")
            self.later(1, 1800)
            self.tell("EmergencyStop", "ARMED")
        else:
            self.tell("SYSTEM", None, level="FAULT", native_code=self.rng.choice([None, "A"]))
            self.later(1, 40_000 if self.rng.random() < 0.1 else 1800)
            self.tell("SYSTEM", None, level="NORMAL")

    def listed(self, begun: datetime, is_aborted: bool) -> None:
        """The cycle as a list has it; a list of a machine with a stream is off by a little and has holes."""
        if self.told in ("stream", "paths") or self.at <= begun:
            return
        shift = timedelta(seconds=self.rng.choice([0, 0, 2, -1]) if self.told == "both" else 0)
        if self.told == "both" and self.rng.random() < 0.1:
            return
        self.days.cycle.append(
            {
                "machine": self.name,
                "program": "O" + self.job,
                "started_at": begun + shift,
                "ended_at": self.at,
                "outcome": "aborted" if is_aborted else "complete",
                "job": self.job if self.rng.random() < 0.9 else None,
                "operation": "10",
            }
        )


def days_of(rng: Random, name: str, told: str, first: datetime, days: int, zone: ZoneInfo) -> Days:
    """What is told of a machine over some local days, of which it rests on a few."""
    machine = Machine(rng, name, told, rng.choice(JOBS))
    for number in range(days):
        if rng.random() < 0.15:
            continue
        midnight = datetime.combine(first.date() + timedelta(days=number), time(), tzinfo=zone)
        begin = (midnight + timedelta(hours=5, seconds=rng.randrange(9000))).astimezone(UTC)
        if begin > machine.at:
            machine.day(begin, begin + timedelta(hours=rng.uniform(1, 18)))
    return machine.days


def estimates(rng: Random) -> list[Row]:
    """Lines for most jobs' programs: by tool, or one time for the cycle."""
    rows: list[Row] = []
    for job in JOBS[:3]:
        named = {"program": "O" + job, "operation": "10", "job": job, "setup_s": 1800.0}
        if rng.random() < 0.3:
            rows.append({**named, "cycle_s": 600.0})
            continue
        for tool in "123":
            times = {"cut_s": float(rng.randrange(50, 400)), "noncut_s": float(rng.randrange(50))}
            rows.append({**named, "tool": tool, **times})
    return rows


def orders(rng: Random, first: datetime) -> list[Row]:
    """Orders of the jobs, some for the same part, some repeated."""
    return [
        {
            "job": job,
            "part": rng.choice(["P1", "P2", job]),
            "quantity": 10,
            "quoted_cycle_s": float(rng.randrange(200, 900)),
            "quoted_setup_s": 1200.0,
            "material": "42CrMo4",
            "ordered_on": first.date() + timedelta(days=rng.randrange(-5, 8)),
        }
        for job in (*JOBS, JOBS[0])
    ]
