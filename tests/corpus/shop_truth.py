"""What really happened in shops of our own invention: true rows of every input kind, made from a seed.

It writes no file and knows no dialect. Logs go beyond the twelfth of a month, so that the day tells itself. Times are
UTC, durations seconds; `step_s` is how coarse a log's clock is.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

Row = dict[str, Any]

# program, job, operation, revision, usual length of a cycle in seconds
Work = tuple[str, str, str, str, int]
WORKS: tuple[Work, ...] = (
    ("O1041", "A-2261", "10", "B", 412),
    ("O1042", "A-2261", "20", "B", 655),
    ("O2210", "A-2270", "10", "A", 1180),
    ("O0815", "A-2274", "30", "C", 287),
)
MATERIALS = ("42CrMo4", "1.4301", "AlMg4,5Mn", "S355", "CuZn39Pb3", "POM")
REASONS = ("worn", "worn", "worn", "broken", "chipped", "planned")


def steps(value: float, step: float) -> float:
    """Return a length rounded to whole steps, at least one."""
    return max(round(value / step), 1) * step


def local_start(first: str, zone: str) -> datetime:
    """Return a local clock time as an instant."""
    return datetime.fromisoformat(first).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)


def cycles(
    count: int,
    *,
    seed: int,
    zone: str,
    machines: Sequence[str] = ("F1",),
    works: Sequence[Work] = WORKS,
    first: str = "2026-03-12 06:10:00",
    step_s: int = 1,
    length_step_s: float = 1,
    per_day: int = 4,
    aborted: float = 0.1,
) -> list[Row]:
    """Return cycles in the order of their starts: batches of a few runs, a pause, `per_day` runs of a machine a day."""
    chance = random.Random(seed)
    rows: list[Row] = []
    share = -(-count // len(machines))
    for place, machine in enumerate(machines):
        begun = local_start(first, zone)
        now = begun + timedelta(seconds=max(step_s, 40) * (place + 1))
        work, left = works[0], 0
        for number in range(share):
            if number and number % per_day == 0:
                day = begun.astimezone(ZoneInfo(zone)) + timedelta(days=number // per_day)
                jitter = timedelta(seconds=steps(chance.randint(1, 900), max(step_s, 1)))
                now = day.astimezone(UTC) + jitter
            if not left:
                work, left = chance.choice(works), chance.randint(2, 6)
            left -= 1
            program, job, operation, revision, usual_s = work
            ended_early = chance.random() < aborted
            made = 2 if works.index(work) % 4 == 3 else 1
            spoilt = int(chance.random() < 0.12)
            length = usual_s * chance.uniform(0.97, 1.06) * (chance.uniform(0.1, 0.8) if ended_early else 1)
            length = steps(length, max(length_step_s, step_s))
            rows.append(
                {
                    "machine": machine,
                    "program": program,
                    "started_at": now,
                    "ended_at": now + timedelta(seconds=length),
                    "length_s": length,
                    "parts": 0 if ended_early else made - spoilt,  # good ones
                    "scrap": spoilt,
                    "outcome": "aborted" if ended_early else "complete",
                    "job": job,
                    "operation": operation,
                    "revision": revision,
                    "number": number + 1,
                }
            )
            pause_s = steps(length + chance.randint(45, 260), step_s)
            pause_s += step_s if pause_s < length else 0
            now += timedelta(seconds=pause_s)
    return sorted(rows, key=lambda row: (row["started_at"], row["machine"]))[:count]


def tool_changes(
    count: int,
    *,
    seed: int,
    zone: str,
    machines: Sequence[str] = ("F1",),
    tools: Sequence[str] = ("1", "2", "4", "7", "11", "12"),
    first: str = "2026-03-12 06:10:00",
    step_s: int = 1,
    per_day: int = 10,
) -> list[Row]:
    """Return tool changes in the order of time; `previous` is the tool that goes back into the magazine."""
    chance = random.Random(seed)
    rows: list[Row] = []
    share = -(-count // len(machines))
    for place, machine in enumerate(machines):
        now = local_start(first, zone) + timedelta(seconds=step_s * place)
        begun, tool = now, tools[-1]
        for number in range(share):
            if number and number % per_day == 0:
                day = begun.astimezone(ZoneInfo(zone)) + timedelta(days=number // per_day)
                now = day.astimezone(UTC)
            previous, tool = tool, chance.choice([name for name in tools if name != tool])
            rows.append(
                {
                    "machine": machine,
                    "occurred_at": now,
                    "tool": tool,
                    "previous": previous,
                    "program": WORKS[(number // 7) % len(WORKS)][0],
                    "pocket": str(100 + tools.index(tool)),
                }
            )
            now += timedelta(seconds=steps(chance.randint(31, 420), step_s))
    return sorted(rows, key=lambda row: (row["occurred_at"], row["machine"]))[:count]


def edge_changes(
    count: int,
    *,
    seed: int,
    zone: str,
    machines: Sequence[str] = ("F1", "F2"),
    tools: Sequence[str] = ("1", "4", "7", "11"),
    first: str = "2026-02-24 07:20:00",
    step_s: int = 60,
    notes: Sequence[str] = ("", "", "built-up edge", "new grade on trial"),
) -> list[Row]:
    """Return edge changes in the order of time, hours apart."""
    chance = random.Random(seed)
    now, rows = local_start(first, zone), []
    for _ in range(count):
        rows.append(
            {
                "machine": chance.choice(machines),
                "occurred_at": now,
                "tool": chance.choice(tools),
                "reason": chance.choice(REASONS),
                "edge_cost": chance.choice((3.25, 4.5, 8.75, 12.9)),
                "note": chance.choice(notes) or None,
            }
        )
        now += timedelta(seconds=steps(chance.randint(7_000, 61_000), step_s))
    return rows


def estimates(
    jobs: int,
    *,
    seed: int,
    step_s: float = 1,
    setup_step_s: float = 60,
    tools: Sequence[str] = ("1", "4", "7", "11", "12"),
    works: Sequence[Work] = WORKS,
) -> list[Row]:
    """Return estimate lines, one a tool: cutting and other time of one cycle."""
    chance = random.Random(seed)
    types = {tool: ("face mill", "drill", "end mill", "tap", "chamfer mill")[at % 5] for at, tool in enumerate(tools)}
    rows = []
    for number in range(jobs):
        program, job, operation, revision, usual_s = works[number % len(works)]
        if number >= len(works):
            program, job = f"O{3000 + number}", f"A-{2300 + number}"
        material, quantity = chance.choice(MATERIALS), chance.choice((5, 20, 60, 150))
        rows += [
            {
                "job": job,
                "program": program,
                "operation": operation,
                "revision": revision,
                "material": material,
                "quantity": quantity,
                "tool": tool,
                "tool_type": types[tool],
                "cut_s": steps(usual_s * chance.uniform(0.15, 0.4), step_s),
                "noncut_s": steps(usual_s * chance.uniform(0.03, 0.12), step_s),
                "cycle_s": steps(usual_s * chance.uniform(0.9, 1.1), step_s),
                "setup_s": steps(chance.randint(900, 5400), setup_step_s),
            }
            for tool in chance.sample(list(tools), 3)
        ]
    return rows


def operations(jobs: int, *, seed: int, step_s: float = 1, setup_step_s: float = 60) -> list[Row]:
    """Return estimates of whole operations, two or three to a job."""
    chance = random.Random(seed)
    rows = []
    for number in range(jobs):
        material, quantity = chance.choice(MATERIALS), chance.choice((4, 10, 25, 120))
        rows += [
            {
                "job": f"B{5100 + number}",
                "program": f"O{4000 + 10 * number + place}",
                "operation": str(10 * (place + 1)),
                "operation_kind": chance.choice(("milling", "turning", "drilling")),
                "machine": chance.choice(("F1", "F2", "L1")),
                "material": material,
                "quantity": quantity,
                "cycle_s": steps(chance.randint(95, 2400), step_s),
                "setup_s": steps(chance.randint(600, 7200), setup_step_s),
                "load_s": steps(chance.randint(20, 150), 6),
            }
            for place in range(chance.choice((2, 3)))
        ]
    return rows


def jobs(
    count: int,
    *,
    seed: int,
    first: str = "2026-01-08",
    step_s: float = 1,
    setup_step_s: float = 60,
    mass_step: float = 0.001,
) -> list[Row]:
    """Return orders in the order of their dates."""
    chance = random.Random(seed)
    day = datetime.fromisoformat(first).date()
    rows = []
    for number in range(count):
        stock = steps(chance.uniform(0.2, 14), mass_step)
        rows.append(
            {
                "job": f"{26}{1040 + number}",
                "part": f"{chance.randint(100, 999)}-{chance.randint(10, 99)}{chance.choice('ABC')}",
                "material": chance.choice(MATERIALS),
                "quantity": chance.choice((1, 4, 12, 50, 240, 1200)),
                "quoted_cycle_s": steps(chance.randint(80, 2600), step_s),
                "quoted_setup_s": steps(chance.randint(600, 7200), setup_step_s),
                "stock_kg": round(stock, 6),
                "part_kg": round(steps(stock * chance.uniform(0.3, 0.8), mass_step), 6),
                "ordered_on": day,
                "due_on": day + timedelta(days=chance.randint(14, 60)),
                "price": chance.randint(80, 9000) + 0.5,
            }
        )
        day += timedelta(days=chance.randint(0, 4))
    return rows


def signals(count: int, *, seed: int, zone: str, machine: str = "F1", first: str = "2026-03-17 06:10:00") -> list[Row]:
    """Return snapshots of a control every few seconds: one row holds the value of each item."""
    chance = random.Random(seed)
    now, part_count, rows = local_start(first, zone), 118, []
    for number in range(count):
        state = ("READY", "ACTIVE", "ACTIVE", "ACTIVE", "FEED_HOLD", "ACTIVE", "ACTIVE", "PROGRAM_COMPLETED")[
            number % 8
        ]
        active = state == "ACTIVE"
        part_count += state == "PROGRAM_COMPLETED"
        rows.append(
            {
                "machine": machine,
                "occurred_at": now,
                "Execution": state,
                "ControllerMode": "AUTOMATIC",
                "Program": WORKS[(number // 16) % len(WORKS)][0],
                "ToolNumber": str((1, 4, 7)[(number // 3) % 3]),
                "PathFeedrate": chance.choice((480, 850, 1200, 2400)) if active else 0,
                "RotaryVelocity": chance.choice((3200, 4500, 8000)) if active else 0,
                "PartCount": part_count,
                "load_percent": chance.randint(12, 80) if active else 2,
            }
        )
        now += timedelta(seconds=chance.choice((20, 20, 25, 40)))
    return rows
