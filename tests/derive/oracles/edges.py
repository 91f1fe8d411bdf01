"""What every edge did, worked out instant by instant from runs, spans and records.

It rests on the time line of oracles/time_line.py and on spans and runs that its own test holds; no SQL, no frames.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from oracles.time_line import Change, Facts, Span, Stream, number, us

NEVER = -(2**62)


@dataclass(frozen=True)
class Cycle:
    """One run as the book has it."""

    started_us: int
    ended_us: int
    parts: int
    is_complete: bool
    job_key: str
    programmed: str
    material: str | None


@dataclass
class Edge:
    """One edge of a tool: instants of beginning (None: not known) and removal, and what lies between them."""

    begun_us: int | None
    removed_us: int | None
    cut_us: int = 0
    parts: int = 0
    cycles: int = 0
    jobs: set[str] = field(default_factory=set)
    override: float = 0.0
    override_us: int = 0
    measured: dict[tuple[int, str, Any], list[float]] = field(default_factory=lambda: defaultdict(lambda: [0.0, 0]))
    """Sum of value x microseconds, and the microseconds in which it was known, by run, measure and source."""

    def mean(self, measure: str) -> float | None:
        """The mean of what adds up over sources, in the time of the one that was known for longest in each run."""
        area = sum(a for (_, of, _), (a, _) in self.measured.items() if of == measure)
        known = self.known_us(measure)
        return area / known if known else None

    def known_us(self, measure: str) -> int:
        longest: dict[int, int] = defaultdict(int)
        for (run, of, _), (_, known) in self.measured.items():
            if of == measure:
                longest[run] = max(longest[run], int(known))
        return sum(longest.values())


def edges_of(
    tool: str,
    changed_us: Sequence[int],
    cycles: Sequence[Cycle],
    spans: Sequence[Span],
    stream: Stream,
    facts: Facts,
    changes: Sequence[Change],
) -> list[Edge]:
    """Every edge of one tool, the first one of unknown beginning."""
    bounds = [None, *sorted(changed_us), None]
    edges = [Edge(begun, removed) for begun, removed in pairwise(bounds)]

    def in_use(at: int) -> Edge:
        return max(
            (edge for edge in edges if (NEVER if edge.begun_us is None else edge.begun_us) <= at),
            key=lambda edge: (NEVER if edge.begun_us is None else edge.begun_us, edges.index(edge)),
        )

    inner = {at for span in spans for at in (span.started_us, span.ended_us)} | set(changed_us)
    inner |= {event["at_us"] for event in stream.events}
    inner |= {at for change in changes for at in (change.at_us, change.until_us)}
    for place, cycle in enumerate(cycles):
        bounds_of_run = sorted(
            {cycle.started_us, cycle.ended_us} | {at for at in inner if cycle.started_us < at < cycle.ended_us}
        )
        is_used = False
        for a, b in pairwise(bounds_of_run):
            begun = [change for change in changes if change.at_us <= a]
            if not begun or begun[-1].tool != tool:
                continue
            is_used = True
            edge = in_use(a)
            span = next(span for span in spans if span.started_us <= a < span.ended_us)
            if span.state != "cutting":
                continue
            edge.jobs.add(cycle.job_key)
            edge.cut_us += b - a
            if span.feed_override is not None:
                edge.override += (b - a) * span.feed_override / 100
                edge.override_us += b - a
            for measure, source, value in told(stream, facts, a):
                sums = edge.measured[place, measure, source]
                sums[0] += value * (b - a)
                sums[1] += b - a
        if is_used and cycle.is_complete:
            edge = in_use(cycle.ended_us - 1)
            edge.jobs.add(cycle.job_key)
            edge.parts += cycle.parts
            edge.cycles += 1
    return edges


def told(stream: Stream, facts: Facts, at_us: int) -> list[tuple[str, Any, float]]:
    """What each source of feed, spindle load and speed had said last; nothing where that was no number."""
    last: dict[tuple[str, Any], float | None] = {}
    named = any("spindle" in str(event["data_item_id"]) for event in facts.events if event["item"] == "Load")
    for event in stream.events:
        if event["at_us"] > at_us:
            break
        value = number(event)
        if event["item"] == "PathFeedrate":
            last["feed", event["path"]] = value
        elif event["item"] == "Load" and (not named or "spindle" in str(event["data_item_id"])):
            last["load", event["data_item_id"]] = value
        elif event["item"] == "RotaryVelocity" and stream.tells_speed(event):
            last["speed", event["data_item_id"]] = None if value is None else abs(value)
    return [(measure, source, value) for (measure, source), value in last.items() if value is not None]


def instants(rows: Sequence[dict[str, Any]]) -> list[int]:
    """When edges were changed."""
    return [us(row["occurred_at"]) for row in rows]
