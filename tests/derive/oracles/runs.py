"""Cycles of a machine, what its tools did in them and its batches, worked out one by one from the design.

It rests on the time line of oracles/time_line.py; no SQL, no frames.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import median
from typing import Any

from oracles.time_line import (
    HOLDS,
    SECOND,
    STOPS,
    Change,
    Control,
    Facts,
    Run,
    Setup,
    Span,
    Stream,
    Stretch,
    inside,
    number,
    union,
    us,
)

from schemas.shop import MachineSettings

IN_CYCLE = ("active", "held")
LEAST_REST_US = 10 * SECOND
NEVER = 2**62

# --- cycles ---------------------------------------------------------------------------------------------------------


def listed_runs(
    facts: Facts, key_of: Callable[[dict[str, Any]], Any], parts_per_cycle: Callable[[dict[str, Any]], int]
) -> list[Run]:
    """The rows of a cycle list."""
    found = []
    for row in facts.cycles:
        outcome = row["outcome"] or ("unknown" if row["parts"] == 0 else "complete")
        made = row["parts"]
        if made is None:
            made = parts_per_cycle(row) if (row["outcome"] or "complete") == "complete" else 0
        begun, ended = us(row["started_at"]), us(row["ended_at"])
        found.append(Run(begun, ended, outcome, key_of(row), made, row["scrap"] or 0))
    return found


@dataclass
class Piece:
    """A cycle of a stream as it is found: how it ended is a word of Execution, or that a part was counted."""

    started_us: int
    ended_us: int
    ended_by: str | None


def doing(control: Control) -> str:
    """What the machine as a whole does: the busiest of its paths counts."""
    said = control.executions
    if "ACTIVE" in said:
        return "active"
    if any(value in (*HOLDS, *STOPS) for value in said):
        return "held"
    named = {"STOPPED": "stopped", "PROGRAM_COMPLETED": "completed", "READY": "ready"}
    return next((word for value, word in named.items() if value in said), "unknown")


def losses(stream: Stream) -> list[Stretch]:
    """Connections that were lost for long, until the control says again what it executes.

    Availability tells of them and Execution may follow it late, or not at all; or the stream is silent and begins again
    with an Execution: after a silence that ends with anything else, what the control executed went on.
    """
    silent_us = round(stream.settings.silent_after_s * SECOND)
    executions = [event["at_us"] for event in stream.events if event["item"] == "Execution"]
    said = [(at, control.is_away) for at, control in stream.said(stream.times)]
    away = union((at, until) for (at, is_away), (until, _) in pairwise(said) if is_away)
    found = []
    for begun, ended in [stretch for stretch in away if stretch[1] - stretch[0] > silent_us]:
        again = next((at for at in executions if ended <= at <= ended + silent_us), ended)
        found.append((begun, again))
    for begun, ended in stream.silences:
        found += [(begun, at) for at in executions if ended <= at <= ended + SECOND][:1]
    return found


def in_cycle(stream: Stream) -> list[Piece]:
    """From the first ACTIVE to what is no longer in cycle; a short loss of the connection lies inside."""
    changes: list[tuple[int, str]] = []
    lost = losses(stream)
    for at, control in stream.said(stream.times):
        word = "unknown" if inside(at, lost) else doing(control)
        if not changes or changes[-1][1] != word:
            changes.append((at, word))
    last = stream.times[-1]
    silent_us = round(stream.settings.silent_after_s * SECOND)
    found: list[Piece] = []
    is_open = False
    for place, (at, word) in enumerate(changes):
        until = changes[place + 1][0] if place + 1 < len(changes) else last
        before = changes[place - 1][1] if place else None
        after = changes[place + 1][1] if place + 1 < len(changes) else None
        is_short = word == "unknown" and before in IN_CYCLE and after in IN_CYCLE and until - at <= silent_us
        if word not in IN_CYCLE and not is_short:
            is_open = False
            continue
        if word == "active" and not is_open:
            found.append(Piece(at, until, after))
            is_open = True
        elif is_open:
            found[-1].ended_us, found[-1].ended_by = until, after
    return [piece for piece in found if piece.ended_us > piece.started_us]


def stream_runs(
    facts: Facts, settings: MachineSettings, key_of: Callable[[str], Any], parts_per_cycle: Callable[[str], int]
) -> list[Run]:
    """The cycles that a stream tells of."""
    stream = Stream(facts, settings)
    if not stream.executes:
        return []
    counter = [
        (e["at_us"], told) for e in stream.events if e["item"] == "PartCount" and (told := number(e)) is not None
    ]
    made = [(at, int(now - before)) for (_, before), (at, now) in pairwise(counter) if now > before]
    counts_parts = len({value for _, value in counter}) > 1
    # whether it ever says so, be it that it says something else at the same instant
    completes = any(e["item"] == "Execution" and e["value"] == "PROGRAM_COMPLETED" for e in stream.events)
    pieces = [cut for piece in in_cycle(stream) for cut in cut_at_parts(piece, sorted({at for at, _ in made}))]
    by_hand = {at for at, control in stream.said([piece.started_us for piece in pieces]) if control.is_manual}
    pieces = [piece for piece in pieces if piece.started_us not in by_hand]
    found = []
    for place, piece in enumerate(pieces):
        # a part counted between the end of a cycle and the start of the next belongs to the cycle
        until = pieces[place + 1].started_us if place + 1 < len(pieces) else NEVER
        counted = [parts for at, parts in made if piece.started_us < at <= until]
        is_told = bool(counted) or (counts_parts and counter[0][0] <= piece.started_us)
        parts = sum(counted) if is_told else None
        outcome = outcome_of(piece.ended_by, parts, completes)
        program = main_program(stream, piece)
        if parts is None:
            parts = parts_per_cycle(program) if outcome == "complete" else 0
        found.append(Run(piece.started_us, piece.ended_us, outcome, key_of(program), parts))
    return found


def cut_at_parts(piece: Piece, counted: Sequence[int]) -> list[Piece]:
    """A part counted well inside a stretch ends one cycle and starts the next: the rest is at least half as long."""
    bounds = [piece.started_us, *(at for at in counted if piece.started_us < at < piece.ended_us), piece.ended_us]
    kept = [
        at
        for before, at, after in zip(bounds, bounds[1:], bounds[2:], strict=False)
        if after - at >= LEAST_REST_US and 2 * (after - at) >= at - before
    ]
    starts, ends = [piece.started_us, *kept], [*kept, piece.ended_us]
    reasons = [*("counted" for _ in kept), piece.ended_by]
    return [Piece(*cut) for cut in zip(starts, ends, reasons, strict=True)]


def outcome_of(ended_by: str | None, parts: int | None, completes: bool) -> str:
    if ended_by in ("counted", "completed"):
        return "complete"
    if ended_by == "stopped" and completes:
        return "aborted"
    if parts:
        return "complete"
    if ended_by == "ready":
        return "aborted" if parts == 0 else "complete"
    return "aborted" if ended_by == "stopped" else "unknown"


def main_program(stream: Stream, piece: Piece) -> str:
    """The program that ran for most of a cycle; of equals the first by name."""
    lengths: dict[str, int] = defaultdict(int)
    inner = [at for at in stream.times if piece.started_us < at < piece.ended_us]
    bounds = [piece.started_us, *inner, piece.ended_us]
    for (at, control), until in zip(stream.said(bounds), bounds[1:], strict=False):
        for program in control.said["Program"].values():
            if program not in (None, "UNAVAILABLE"):
                lengths[program] += until - at
    return min(lengths, key=lambda program: (-lengths[program], program)) if lengths else "not told"


# --- what tools did in them -----------------------------------------------------------------------------------------


@dataclass
class Use:
    """Microseconds of a run and a tool, by what the machine did."""

    parts: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    override_us: float = 0.0


def tool_use(run: Run, stream: Stream, changes: Sequence[Change], spans: Sequence[Span]) -> dict[str | None, Use]:
    """What each tool did in a run; an empty tool is one that is not known."""
    inner = {at for span in spans for at in (span.started_us, span.ended_us)} | set(stream.times)
    inner |= {at for change in changes for at in (change.at_us, change.until_us)}
    bounds = sorted({run.started_us, run.ended_us} | {at for at in inner if run.started_us < at < run.ended_us})
    found: dict[str | None, Use] = defaultdict(Use)
    for (a, control), b in zip(stream.said(bounds), bounds[1:], strict=False):
        span = next(span for span in spans if span.started_us <= a < span.ended_us)
        begun = [change for change in changes if change.at_us <= a]
        use = found[begun[-1].tool if begun else None]
        is_changing = bool(begun) and a < begun[-1].until_us
        is_blocked = stream.executes and stream.covers(a) and control.is_blocked
        use.parts[_did(span, is_changing)] += b - a
        if span.state == "noncutting" and is_blocked and not is_changing:
            use.parts["blocked"] += b - a
        elif span.state == "noncutting" and not is_changing and stream.executes and stream.covers(a):
            use.parts["dwell"] += (b - a) if control.is_still else 0
        if span.state == "cutting" and span.feed_override is not None:
            use.override_us += (b - a) * (1 - span.feed_override / 100)
    return dict(found)


def _did(span: Span, is_changing: bool) -> str:
    if span.state == "noncutting":
        return "tool_change" if is_changing else "noncut"
    if span.state == "held":
        return span.detail or "hold"
    names = {"cutting": "cut", "faulted": "fault", "off_shift": "off_shift"}
    return names.get(span.state, "unobserved")  # the better source says that the machine was not in cycle


# --- batches --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Batch:
    """One batch; times are microseconds, of which a median may be half of one."""

    started_us: int
    ended_us: int
    runs: int
    aborted: int
    parts: int
    scrap: int
    stops: int
    setup_us: int | None
    first_part_us: int | None
    repeat_us: float | None
    between_cycles_us: float | None


def batches(
    runs: Iterable[Run], spans: Sequence[Span], setups: Sequence[Setup], shifts: Sequence[Stretch], gap_us: int
) -> list[Batch]:
    """Consecutive cycles of one part and operation, with gaps of at most `gap_us`."""
    groups: list[list[Run]] = []
    for run in sorted(runs, key=lambda run: run.started_us):
        last = groups[-1][-1] if groups else None
        if last is None or last.key != run.key or run.started_us - last.ended_us > gap_us:
            groups.append([])
        groups[-1].append(run)
    found = [_batch(group, spans, setups, shifts) for group in groups]
    # what was set up for the first batch lies before the first record
    return [
        replace(batch, setup_us=batch.setup_us or None) if not place else batch for place, batch in enumerate(found)
    ]


def _batch(group: Sequence[Run], spans: Sequence[Span], setups: Sequence[Setup], shifts: Sequence[Stretch]) -> Batch:
    in_setup = [(span.started_us, span.ended_us) for span in spans if span.state == "setup"]
    off_shift = [(span.started_us, span.ended_us) for span in spans if span.state == "off_shift"]
    took = [
        run.ended_us - run.started_us - shared([(run.started_us, run.ended_us)], off_shift)
        for run in group
        if run.outcome == "complete"
    ]
    gaps = [
        shared([(one.ended_us, other.started_us)], shifts) for one, other in pairwise(group) if one.outcome != "aborted"
    ]
    gaps = [gap for gap in gaps if gap > 0]
    own = [(setup.started_us, setup.ended_us) for setup in setups if setup.run in group]
    return Batch(
        group[0].started_us,
        max(run.ended_us for run in group),
        len(took),
        sum(run.outcome == "aborted" for run in group),
        sum(run.parts for run in group),
        sum(run.scrap for run in group),
        sum(stops(run, spans) for run in group),
        shared(own, in_setup),
        took[0] if took else None,
        median(took[1:]) if took[1:] else None,
        median(gaps) if gaps else None,
    )


def stops(run: Run, spans: Sequence[Span]) -> int:
    """How often a run was held: what follows at once for the same reason is still the same stop."""
    held = [
        span
        for span in spans
        if span.state == "held" and span.started_us < run.ended_us and span.ended_us > run.started_us
    ]
    same = [a.ended_us == b.started_us and a.detail == b.detail for a, b in pairwise(held)]
    return len(held) - sum(same)


def shared(some: Iterable[Stretch], others: Sequence[Stretch]) -> int:
    """How long both hold; neither overlaps itself."""
    return sum(max(0, min(b, d) - max(a, c)) for a, b in some for c, d in others)
