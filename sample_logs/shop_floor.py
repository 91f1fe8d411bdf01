"""What happens at one machine: edges that wear, programs that run segment by segment, and the traces they leave.
It plans no orders and writes no files; all times are integer milliseconds UTC.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from sample_logs.plan import STREAM_MACHINE, EdgeEnds, Operation, Plan, ToolPlan
from sample_logs.shifts import Windows

Kind = Literal["lead", "change", "rapid", "cut", "hold", "stop", "fault"]
Incident = Literal["none", "hold", "dip", "stop", "fault", "operator abort"]

SECOND = 1000
MINUTE = 60 * SECOND
FIRST_CUT_SHARE = 0.55
DIP_OVERRIDE = 60


def draw_normal(rng: np.random.Generator, shape: tuple[int, ...]) -> npt.NDArray[np.float64]:
    """Draw standard normal values by Box and Muller's transform of uniform ones.

    numpy promises the stream of its bit generator, not that of `Generator.normal`; the committed logs must not change
    with its version.
    """
    first = 1.0 - rng.random(shape)
    second = rng.random(shape)
    return np.asarray(np.sqrt(-2.0 * np.log(first)) * np.cos(2.0 * np.pi * second))


@dataclass
class Edge:
    """The edge in use of one tool; age and limit in ms of cutting."""

    number: int
    limit_ms: float
    reason: str
    in_use_at: int | None
    age_ms: int = 0


@dataclass
class Spares:
    """The stream of fresh edges of one tool: each has a life and an end that are drawn when it is put in."""

    plan: ToolPlan
    ends: EdgeEnds
    uniforms: Iterator[list[float]]
    drawn: int = 0

    def next_edge(self, at: int | None) -> Edge:
        """Put in a fresh edge at `at` (None: before the record begins, when part of its life is gone)."""
        life_u, reason_u, planned_u, planned_at_u, used_u = next(self.uniforms)
        scale_ms = self.plan.scale_min * MINUTE * (1 + self.plan.trend) ** self.drawn
        life_ms = scale_ms * (-math.log(1.0 - life_u)) ** (1 / self.plan.shape)
        reason = self._reason(reason_u)
        if planned_u < self.ends.planned:
            planned_ms = scale_ms * (0.4 + 0.6 * planned_at_u)
            if planned_ms < life_ms:
                life_ms, reason = planned_ms, "planned"
        if at is None:
            life_ms *= 0.2 + 0.7 * used_u
        edge = Edge(self.drawn, life_ms, reason, at)
        self.drawn += 1
        return edge

    def _reason(self, u: float) -> str:
        if u < self.ends.worn:
            return "worn"
        if u < self.ends.worn + self.ends.broken:
            return "broken"
        if u < self.ends.worn + self.ends.broken + self.ends.chipped:
            return "chipped"
        return "unknown"


@dataclass
class Trace:
    """What one machine left behind, row by row; times in ms, cycles numbered from 0."""

    cycles: list[tuple[int, int, int, int, str, int, int]] = field(default_factory=list)
    pieces: list[tuple[int, str, str, int, int, int]] = field(default_factory=list)
    changes: list[tuple[int, str, int]] = field(default_factory=list)
    edges: list[tuple[str, int, int | None, int, str, int]] = field(default_factory=list)
    setups: list[tuple[int, int, int]] = field(default_factory=list)


CYCLE_COLUMNS = ("cycle", "task", "start", "end", "outcome", "parts", "scrap")
PIECE_COLUMNS = ("cycle", "tool", "kind", "start", "end", "override")
CHANGE_COLUMNS = ("cycle", "tool", "at")
EDGE_COLUMNS = ("tool", "number", "in_use_at", "at", "reason", "cut_ms")
SETUP_COLUMNS = ("task", "start", "end")


@dataclass(frozen=True)
class Batch:
    """One order's run of one operation, with all its chances already drawn; times in ms, lists by cycle (and step)."""

    task: int
    operation: Operation
    quantity: int
    setup_ms: int
    override: int
    cut_ms: list[list[int]]
    noncut_ms: list[list[int]]
    load_ms: list[int]
    incidents: list[Incident]
    incident_step: list[int]
    incident_ms: list[int]
    reaction_ms: list[int]
    alarm: list[bool]


@dataclass
class MachineRun:
    """One machine with its edges, its calendar and its trace; runs batches one after the other."""

    machine: str
    plan: Plan
    windows: Windows
    spares: dict[str, Spares]
    horizon: int
    free_at: int
    trace: Trace = field(default_factory=Trace)
    in_spindle: str = "11"
    edges: dict[str, Edge] = field(init=False)
    worn_out: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start with part-worn edges in every pocket."""
        self.edges = {tool: spares.next_edge(None) for tool, spares in self.spares.items()}
        self.unit = 1 if self.machine == STREAM_MACHINE else SECOND
        self.change_ms = round(self.plan.tool_change_s[self.machine] * SECOND)

    def run_batch(self, batch: Batch, not_before: int) -> int:
        """Set up and run a batch from `not_before` on; returns when its last cycle ended (or the horizon)."""
        start = self._whole(self.windows.next_open(max(self.free_at, not_before)))
        at = self._whole(self.windows.after_work(start, batch.setup_ms))
        if start >= self.horizon:
            return self.horizon
        self.trace.setups.append((batch.task, start, at))
        at += 20 * SECOND
        for i in range(batch.quantity):
            at = self._whole(self.windows.next_open(at))
            if at >= self.horizon:
                break
            at = self.run_cycle(batch, i, at)
            ended = at
            at = self._change_edges(at) + batch.load_ms[i]
        else:
            self.free_at = at
            return ended
        self.free_at = at
        return self.horizon

    def run_cycle(self, batch: Batch, i: int, start: int) -> int:
        """Run cycle `i` of a batch from `start`; returns its end."""
        cycle = len(self.trace.cycles)
        at = self._lay(cycle, self.in_spindle, "lead", start, SECOND, batch.override)
        complete = True
        for k, step in enumerate(batch.operation.steps):
            if self.in_spindle != step.tool:
                self.in_spindle = step.tool
                self.trace.changes.append((cycle, step.tool, at))
                at = self._lay(cycle, step.tool, "change", at, self.change_ms, batch.override)
            at, complete = self._run_step(batch, i, k, cycle, at)
            if not complete:
                break
        outcome = "complete" if complete else "aborted"
        self.trace.cycles.append((cycle, batch.task, start, at, outcome, int(complete), int(not complete)))
        return at

    def _run_step(self, batch: Batch, i: int, k: int, cycle: int, at: int) -> tuple[int, bool]:
        tool = batch.operation.steps[k].tool
        cut_ms, noncut_ms = batch.cut_ms[i][k], batch.noncut_ms[i][k]
        incident = batch.incidents[i] if batch.incident_step[i] == k else "none"
        edge = self.edges[tool]
        left = edge.limit_ms - edge.age_ms
        broken_at = None
        if edge.reason == "broken" and left < cut_ms:
            broken_at = max(self.unit, round(left / self.unit) * self.unit)
        elif incident == "operator abort":
            broken_at = self._whole(cut_ms // 2)
        for kind, length, override in self._segment(
            batch, cut_ms, noncut_ms, incident, batch.incident_ms[i], broken_at
        ):
            at = self._lay(cycle, tool, kind, at, length, override)
            if kind == "cut":
                edge.age_ms += length
        if edge.age_ms >= edge.limit_ms or (edge.reason == "broken" and broken_at is not None and left < cut_ms):
            self.worn_out.append(tool)
        if broken_at is None:
            return at, True
        alarm: Kind = "fault" if batch.alarm[i] else "hold"
        return self._lay(cycle, tool, alarm, at, batch.reaction_ms[i], batch.override), False

    def _segment(
        self, batch: Batch, cut_ms: int, noncut_ms: int, incident: Incident, incident_ms: int, broken_at: int | None
    ) -> list[tuple[Kind, int, int]]:
        """Lay out one tool's work: rapid and cut, twice, with what disturbs it; broken off at `broken_at` ms of cut."""
        base = batch.override
        first_cut = self._whole(int(cut_ms * FIRST_CUT_SHARE))
        first_rapid = self._whole(int(noncut_ms * 0.6))
        if broken_at is not None:
            early: list[tuple[Kind, int, int]] = [
                ("rapid", first_rapid, base),
                ("cut", min(first_cut, broken_at), base),
            ]
            if broken_at > first_cut:
                early += [("rapid", noncut_ms - first_rapid, base), ("cut", broken_at - first_cut, base)]
            return early
        last_cut = cut_ms - first_cut
        tail: list[tuple[Kind, int, int]] = [("cut", last_cut, base)]
        if incident == "dip":
            # what the slow stretch cuts is taken out of the rest of the cut
            progress = incident_ms * DIP_OVERRIDE // base
            if progress < last_cut - 20 * SECOND:
                half = (last_cut - progress) // 2
                tail = [
                    ("cut", half, base),
                    ("cut", incident_ms, DIP_OVERRIDE),
                    ("cut", last_cut - progress - half, base),
                ]
        elif incident != "none":
            half = self._whole(last_cut // 2)
            tail = [("cut", half, base), (_held_kind(incident), incident_ms, base), ("cut", last_cut - half, base)]
        return [("rapid", first_rapid, base), ("cut", first_cut, base), ("rapid", noncut_ms - first_rapid, base), *tail]

    def _change_edges(self, ended: int) -> int:
        if not self.worn_out:
            return ended
        at = self.windows.next_open(ended + 40 * SECOND)
        for tool in dict.fromkeys(self.worn_out):
            occurred = (at + MINUTE) // SECOND * SECOND
            edge = self.edges[tool]
            if occurred < self.horizon:
                self.trace.edges.append((tool, edge.number, edge.in_use_at, occurred, edge.reason, edge.age_ms))
                self.edges[tool] = self.spares[tool].next_edge(occurred)
            at += round(self.plan.tools[self.machine, tool].change_min * MINUTE)
        self.worn_out.clear()
        return at

    def _lay(self, cycle: int, tool: str, kind: Kind, at: int, length: int, override: int) -> int:
        end = at + length
        self.trace.pieces.append((cycle, tool, kind, at, end, override))
        return end

    def _whole(self, ms: int) -> int:
        return -(-ms // self.unit) * self.unit


def _held_kind(incident: Incident) -> Kind:
    if incident == "stop":
        return "stop"
    return "fault" if incident == "fault" else "hold"
