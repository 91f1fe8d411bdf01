"""Where a machine's days, weeks and months went, added up span by span from the design.

It rests on the time line of oracles/time_line.py; no SQL, no frames.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from oracles.time_line import REACH_DAYS, SECOND, Run, TimeLine, wall_to_us

IN_CYCLE = ("cutting", "noncutting")


@dataclass
class Period:
    """Microseconds of one day, week or month."""

    calendar_us: int = 0
    planned_us: int = 0
    states: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    planned_states: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    overtime_us: int = 0
    lights_out_us: int = 0
    cycles: int = 0
    parts: int = 0
    scrap: int = 0


def name_of(day: date, kind: str) -> str:
    return day.strftime({"day": "%Y-%m-%d", "week": "%G-W%V", "month": "%Y-%m"}[kind])


def periods(kind: str, line: TimeLine, runs: Sequence[Run], zone: ZoneInfo) -> dict[str, Period]:
    """Every period from the first to the last observed moment, whole; what no span covers of it is unobserved.

    Time in cycle outside shifts is overtime where people worked overtime, else the lights were out.
    """
    spans = line.spans
    seen = [at for span in spans if span.state != "unobserved" for at in (span.started_us, span.ended_us - 1)]
    seen += [run.started_us for run in runs]  # a cycle counts in its period even where nothing of it was observed
    seen = seen or [spans[0].started_us, spans[-1].ended_us - 1]
    first, last = (datetime.fromtimestamp(at // SECOND, zone).date() for at in (min(seen), max(seen)))
    wanted = {name_of(first + timedelta(days=number), kind) for number in range((last - first).days + 1)}
    found: dict[str, Period] = defaultdict(Period)
    for number in range(-REACH_DAYS, (last - first).days + REACH_DAYS):
        day = first + timedelta(days=number)
        if name_of(day, kind) not in wanted:
            continue
        start, end = wall_to_us(day, 0, zone), wall_to_us(day + timedelta(days=1), 0, zone)
        period = found[name_of(day, kind)]
        period.calendar_us += end - start
        period.planned_us += sum(max(0, min(b, end) - max(a, start)) for a, b in line.shifts)
        for span in spans:
            length = min(span.ended_us, end) - max(span.started_us, start)
            if length > 0 and span.state != "unobserved":
                period.states[span.state] += length
                if span.planned:
                    period.planned_states[span.state] += length
                elif span.state in IN_CYCLE:
                    begun, ended = max(span.started_us, start), min(span.ended_us, end)
                    attended = sum(max(0, min(b, ended) - max(a, begun)) for a, b in line.overtime)
                    period.overtime_us += attended
                    period.lights_out_us += length - attended
        for run in runs:
            if start <= run.started_us < end:
                period.cycles += 1
                period.parts += run.parts
                period.scrap += run.scrap
    for period in found.values():
        period.states["unobserved"] = period.calendar_us - sum(period.states.values())
        period.planned_states["unobserved"] = period.planned_us - sum(period.planned_states.values())
    return dict(found)
