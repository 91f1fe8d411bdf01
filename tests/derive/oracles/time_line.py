"""A machine's time line worked out instant by instant from DESIGN section 5, to hold the SQL against.

Slow on purpose: every stretch between two neighbouring instants asks every record anew. No SQL, no frames; times are
whole microseconds since 1970.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from schemas.shop import DAYS, MachineSettings, ShiftSettings, ShopFile

SECOND = 1_000_000
STOPS = ("OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP")
HOLDS = ("FEED_HOLD", "INTERRUPTED", "WAIT")
NOT_SAMPLES = ("Program", "ToolNumber", "PartCount", "PathFeedrateOverride", "RotaryVelocityOverride", "LineNumber")

Stretch = tuple[int, int]


@dataclass(frozen=True)
class Span:
    """One stretch of the time line; basis is empty where nothing was observed."""

    started_us: int
    ended_us: int
    state: str
    planned: bool
    basis: str | None
    detail: str | None = None


@dataclass(frozen=True)
class Facts:
    """The accepted rows of one machine, as dicts of the input kinds."""

    events: Sequence[dict[str, Any]] = ()
    cycles: Sequence[dict[str, Any]] = ()
    tool_changes: Sequence[dict[str, Any]] = ()
    shares: dict[tuple[str, str | None, str | None], float] = field(default_factory=dict)
    """Non-cutting share that the estimate gives, by program, operation and tool (none: the whole operation)."""


def us(moment: datetime) -> int:
    """Whole microseconds since 1970, exactly."""
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * SECOND + since.microseconds


# --- planned time -------------------------------------------------------------------------------------------------


def wall_to_us(day: date, minutes: int, zone: ZoneInfo) -> int:
    """First instant at which the clock on the wall shows at least this time of this day."""
    wall = datetime.combine(day, time()) + timedelta(minutes=minutes)
    early = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if early.astimezone(zone).replace(tzinfo=None) == wall:
        return us(early)
    after = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)  # before the jump, by PEP 495
    while after.astimezone(zone).replace(tzinfo=None) < wall:
        after += timedelta(minutes=1)
    return us(after)


def shift_stretches(shop: ShopFile, machine: str, first: date, last: date) -> list[Stretch]:
    """Planned stretches of a machine on local days `first` to `last`, unioned and in order."""
    zone, found = shop.shop.zone, []
    rules = shop.shift or [ShiftSettings(days=list(DAYS), start=time(0), end=time(0))]
    day = first
    while day <= last:
        closed = any(
            row.from_ <= day <= row.to and ("*" in row.machines or machine in row.machines) for row in shop.closed
        )
        for rule in rules:
            named = "*" in rule.machines or machine in rule.machines
            if named and not closed and DAYS[day.weekday()] in rule.days and _in_force(rule, day):
                found += [(wall_to_us(day, a, zone), wall_to_us(day, b, zone)) for a, b in _working_minutes(rule)]
        day += timedelta(days=1)
    return union(found)


def _in_force(rule: ShiftSettings, day: date) -> bool:
    return (rule.from_ is None or rule.from_ <= day) and (rule.to is None or day <= rule.to)


def _working_minutes(rule: ShiftSettings) -> list[Stretch]:
    """Minute by minute: which minutes after midnight of the shift's day are worked."""
    start = rule.start.hour * 60 + rule.start.minute
    end = rule.end.hour * 60 + rule.end.minute
    if end <= start:
        end += 1440
    off: set[int] = set()
    for stretch in rule.breaks:
        (h1, m1), (h2, m2) = ((int(x) for x in clock.split(":")) for clock in stretch.split("-"))
        first, last = h1 * 60 + m1, h2 * 60 + m2
        if last <= first:
            last += 1440
        if first < start:
            first, last = first + 1440, last + 1440
        off |= set(range(first, last))
    worked = [minute for minute in range(start, end) if minute not in off]
    return union((minute, minute + 1) for minute in worked)


def union(stretches: Iterable[Stretch]) -> list[Stretch]:
    """Overlapping and touching stretches as one."""
    merged: list[Stretch] = []
    for start, end in sorted(s for s in stretches if s[1] > s[0]):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def inside(at: int, stretches: Iterable[Stretch]) -> bool:
    return any(start <= at < end for start, end in stretches)


# --- tools ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Change:
    """A tool comes into the spindle (none: not known, or on its way); the change itself lasts until `until_us`."""

    at_us: int
    tool: str | None
    until_us: int


def changes_of(facts: Facts, settings: MachineSettings) -> list[Change]:
    """Listed tool changes, or where there is no list what ToolNumber tells: 0 is a change under way."""
    own_us = round((settings.tool_change_s or 0) * SECOND)
    in_order = sorted(facts.tool_changes, key=lambda c: (us(c["occurred_at"]), c["row_number"]))
    if in_order:
        stood = {us(c["occurred_at"]): c["tool"] for c in in_order}  # the last of one instant
        return [Change(at, tool, at + own_us) for at, tool in stood.items()]
    numbers = [e for e in facts.events if e["item"] == "ToolNumber"]
    numbers.sort(key=lambda e: (us(e["occurred_at"]), e["row_number"]))
    found: list[Change] = []
    before = None
    told = list({us(e["occurred_at"]): e["value"] for e in numbers}.items())
    for place, (at, number) in enumerate(told):
        until = at
        if number == "0":
            until = told[place + 1][0] if place + 1 < len(told) else 2**62
        elif number != "UNAVAILABLE" and before not in (None, "0", "UNAVAILABLE", number):
            until = at + own_us
        found.append(Change(at, None if number in ("0", "UNAVAILABLE") else number, until))
        before = number
    return found


# --- what the stream says -----------------------------------------------------------------------------------------


class Stream:
    """The events of one machine and what they say at an instant."""

    def __init__(self, facts: Facts, settings: MachineSettings) -> None:
        self.changes = changes_of(facts, settings)
        timed = [{**event, "at_us": us(event["occurred_at"])} for event in facts.events]
        self.events = sorted(timed, key=lambda e: (e["at_us"], e["row_number"]))
        self.settings = settings
        self.times = sorted({e["at_us"] for e in self.events})
        self.executes = any(e["item"] == "Execution" for e in self.events)
        seen = [e["at_us"] for e in self.events if e["item"] == "Availability"]
        if not self.executes:  # such a stream tells of nothing but when the machine was seen
            self.times = [at for at in self.times if seen and at >= seen[0]]
            self.times = self.times if len(self.times) > 1 else []
        speeds = [e for e in self.events if e["item"] == "RotaryVelocity" and _number(e) is not None]
        feeds = [e for e in self.events if e["item"] == "PathFeedrate" and _number(e) is not None]
        self.has_speed, self.has_feed = bool(speeds), bool(feeds)
        self.actual_speed = any(_is_actual(e) for e in speeds)
        self.actual_feed = any(_is_actual(e) for e in feeds)
        self.silences = self._silences()

    def _latest(self, at: int, wanted: Callable[[dict[str, Any]], bool], key: Callable[[dict[str, Any]], Any]) -> dict:
        """The last wanted event of each key up to and with an instant."""
        found: dict[Any, dict[str, Any]] = {}
        for event in self.events:
            if event["at_us"] <= at and wanted(event):
                found[key(event)] = event
        return found

    def executions(self, at: int) -> list[str]:
        """What each path executes; paths of which nothing is known are left out."""
        latest = self._latest(at, lambda e: e["item"] == "Execution", lambda e: e["path"])
        return [e["value"] for e in latest.values() if e["value"] != "UNAVAILABLE"]

    def is_active(self, at: int) -> bool:
        return "ACTIVE" in self.executions(at)

    def is_away(self, at: int) -> bool:
        latest = self._latest(at, lambda e: e["item"] == "Availability", lambda e: e["path"])
        return self.covers(at) and any(e["value"] == "UNAVAILABLE" for e in latest.values())

    def covers(self, at: int) -> bool:
        return bool(self.times) and self.times[0] <= at < self.times[-1]

    def is_observed(self, at: int) -> bool:
        if not self.covers(at) or self.is_away(at):
            return False
        if self.executes and not self.executions(at):
            return False
        return not inside(at, self.silences)

    def is_manual(self, at: int) -> bool:
        latest = self._latest(at, lambda e: e["item"] == "ControllerMode", lambda e: e["path"])
        return any(e["value"] in ("MANUAL", "MANUAL_DATA_INPUT") for e in latest.values())

    def is_faulted(self, at: int) -> bool:
        stops = self._latest(at, lambda e: e["item"] == "EmergencyStop", lambda e: e["path"])
        if any(e["value"] == "TRIGGERED" for e in stops.values()):
            return True
        standing: set[tuple[str, str]] = set()
        for event in self.events:
            if event["level"] is None or event["at_us"] > at:
                continue
            condition, code = event["data_item_id"] or event["item"], event["native_code"] or ""
            if event["level"] == "FAULT":
                standing.add((condition, code))
            elif event["level"] == "UNAVAILABLE" or (event["level"] == "NORMAL" and not code):
                standing = {fault for fault in standing if fault[0] != condition}
            else:
                standing.discard((condition, code))
        return bool(standing)

    def is_turning(self, at: int) -> bool:
        if not self.has_speed:
            return True
        speeds = self._latest(
            at,
            lambda e: e["item"] == "RotaryVelocity" and self._tells_speed(e),
            lambda e: e["data_item_id"],
        )
        modes = [e for e in self.events if e["item"] == "RotaryMode" and e["at_us"] <= at]
        return any(abs(_number(e) or 0) > 0 and not self._is_axis(e, modes) for e in speeds.values())

    def _is_axis(self, speed: dict[str, Any], modes: list[dict[str, Any]]) -> bool:
        """Whether the spindle's mode, that of its path or the only one of the only spindle, makes it an axis."""
        ids = {e["data_item_id"] for e in self.events if e["item"] == "RotaryVelocity" and self._tells_speed(e)}
        all_modes = {(e["path"], e["data_item_id"]) for e in self.events if e["item"] == "RotaryMode"}
        only = len(ids) == 1 and len(all_modes) == 1
        mine = [m for m in modes if only or (m["path"] is not None and m["path"] == speed["path"])]
        return bool(mine) and mine[-1]["value"] in ("INDEX", "CONTOUR")

    def _tells_speed(self, event: dict[str, Any]) -> bool:
        return _is_actual(event) or not self.actual_speed

    def is_feeding(self, at: int) -> bool:
        if not self.has_feed:
            return True
        feeds = self._latest(
            at,
            lambda e: e["item"] == "PathFeedrate" and (_is_actual(e) or not self.actual_feed),
            lambda e: e["path"],
        )
        overrides = self._latest(
            at,
            lambda e: e["item"] == "PathFeedrateOverride" and e["sub_type"] == "RAPID" and _number(e) is not None,
            lambda e: e["path"],
        )
        for path, event in feeds.items():
            feed = _number(event) or 0.0
            override = _number(overrides[path]) if path in overrides else 100.0
            rapid = self.settings.slowest_rapid_mm_min
            if feed > 0 and (rapid is None or not override or feed < 0.9 * rapid * override / 100):
                return True
        return False

    def is_changing(self, at: int) -> bool:
        """A tool change, asked for only where no spindle speed tells it from a cut."""
        if self.has_speed:
            return False
        begun = [change for change in self.changes if change.at_us <= at]
        return bool(begun) and at < begun[-1].until_us

    def state(self, at: int) -> tuple[str | None, str | None]:
        """(state, detail) by precedence; none where only the calendar can tell."""
        executions = self.executions(at)
        if self.is_faulted(at):
            return "faulted", None
        if "ACTIVE" in executions:
            cuts = self.is_turning(at) and self.is_feeding(at) and not self.is_changing(at)
            return ("cutting" if cuts else "noncutting"), None
        if any(value in STOPS for value in executions):
            return "held", "stop"
        if any(value in HOLDS for value in executions):
            return "held", "hold"
        return None, None

    def _silences(self) -> list[Stretch]:
        if not self.executes:
            return []
        limit = round(self.settings.silent_after_s * SECOND)
        samples = sorted({e["at_us"] for e in self.events if _is_sample(e)})
        found = []
        for active in (True, False):
            gaps = sorted(b - a for a, b in pairwise(samples) if self.is_active(a) == active)
            if not gaps or not gaps[math.ceil(0.99 * len(gaps)) - 1] < limit / 3:
                continue
            found += [(a, b) for a, b in pairwise(self.times) if b - a > limit and self.is_active(a) == active]
        return found


def _number(event: dict[str, Any]) -> float | None:
    try:
        return float(event["value"])
    except (TypeError, ValueError):
        return None


def _is_actual(event: dict[str, Any]) -> bool:
    return event["sub_type"] in (None, "ACTUAL")


def _is_sample(event: dict[str, Any]) -> bool:
    return event["level"] is None and event["item"] not in NOT_SAMPLES and _number(event) is not None


# --- what the lists say -------------------------------------------------------------------------------------------


class Lists:
    """Cycle records and tool changes of one machine and what they say at an instant."""

    def __init__(self, facts: Facts, settings: MachineSettings) -> None:
        self.cycles = sorted(facts.cycles, key=lambda c: us(c["started_at"]))
        self.changes = changes_of(facts, settings)
        self.shares = facts.shares

    @property
    def times(self) -> list[int]:
        return [us(c[side]) for c in self.cycles for side in ("started_at", "ended_at")]

    def is_covered(self, at: int) -> bool:
        return bool(self.cycles) and min(self.times) <= at < max(self.times)

    def segments(self) -> list[tuple[int, int, int, str | None, dict[str, Any]]]:
        """Each cycle cut at its tool changes: start, end, the change's own time, tool, cycle."""
        found = []
        for cycle in self.cycles:
            start, end = us(cycle["started_at"]), us(cycle["ended_at"])
            before = [c for c in self.changes if c.at_us < start]
            pieces = [(start, *((before[-1].tool, before[-1].until_us) if before else (None, start)))]
            pieces += [(c.at_us, c.tool, c.until_us) for c in self.changes if start <= c.at_us < end]
            for (begun, tool, until), (ended, _, _) in zip(pieces, [*pieces[1:], (end, None, end)], strict=True):
                if ended > begun:
                    found.append((begun, ended, max(min(until, ended) - begun, 0), tool, cycle))
        return found

    def instants(self) -> list[int]:
        inner = []
        for begun, ended, own, tool, cycle in self.segments():
            inner += [begun, begun + own, begun + own + self._noncut(begun, ended, own, tool, cycle), ended]
        return [*self.times, *inner]

    def _share(self, tool: str | None, cycle: dict[str, Any]) -> float | None:
        return self.shares.get((cycle["program"], cycle["operation"], tool))

    def _noncut(self, begun: int, ended: int, own: int, tool: str | None, cycle: dict[str, Any]) -> int:
        return round((self._share(tool, cycle) or 0.0) * (ended - begun - own))

    def state(self, at: int) -> tuple[str | None, str]:
        """(state, basis) of an instant that the lists cover."""
        for begun, ended, own, tool, cycle in self.segments():
            if begun <= at < ended:
                still = at < begun + own + self._noncut(begun, ended, own, tool, cycle)
                told = self._share(tool, cycle) is not None or at < begun + own
                return ("noncutting" if still else "cutting"), ("derived" if told else "estimated")
        return None, "derived"


# --- the time line ------------------------------------------------------------------------------------------------


def setup_stretches(
    runs: Sequence[tuple[int, int, str, Any]], shifts: Sequence[Stretch], setup_max_us: int
) -> list[Stretch]:
    """In-shift time before the first complete cycle of each new job, the last `setup_max_us` of it.

    `runs` are (start, end, outcome, job and operation) in order of start.
    """
    found: list[Stretch] = []
    last_end: int | None = None
    for number, (start, _, outcome, key) in enumerate(runs):
        group = number
        while group > 0 and runs[group - 1][3] == key:
            group -= 1
        earlier = [r for r in runs[group:number] if r[2] == "complete"]
        if group == 0 or outcome != "complete" or earlier:
            continue
        last_end = runs[group - 1][1]
        left = setup_max_us
        for a, b in reversed(shifts):
            a, b = max(a, last_end), min(b, start)
            if b > a and left > 0:
                found.append((max(a, b - left), b))
                left -= b - max(a, b - left)
    return found


def time_line(
    machine: str, facts: Facts, shop: ShopFile, runs: Sequence[tuple[int, int, str, Any]] | None = None
) -> list[Span]:
    """Spans of one machine from its first to its last record.

    `runs` are the cycles that decide on setup; without them the listed cycles do, by job (else program) and operation.
    """
    settings = next((m for m in shop.machine if m.id == machine), MachineSettings(id=machine))
    stream, lists = Stream(facts, settings), Lists(facts, settings)
    records = [*stream.times, *lists.times]
    if not records:
        return []
    first, last = min(records), max(records)
    zone = shop.shop.zone
    days = [datetime.fromtimestamp(at / SECOND, zone).date() for at in (first, last)]
    shifts = shift_stretches(shop, machine, days[0] - timedelta(days=2), days[1] + timedelta(days=2))
    if runs is None:
        runs = [
            (us(c["started_at"]), us(c["ended_at"]), c["outcome"], (c["job"] or c["program"], c["operation"]))
            for c in lists.cycles
        ]
    setups = setup_stretches(sorted(runs), shifts, round(settings.setup_max_s * SECOND))
    instants = {*records, *lists.instants()}
    instants |= {at for stretch in (*shifts, *setups) for at in stretch}
    instants |= {at for change in lists.changes for at in (change.at_us, change.until_us)}
    ordered = sorted(at for at in instants if first <= at <= last)
    spans: list[Span] = []
    hold_left = round(shop.shop.off_shift_hold_max_s * SECOND)
    for a, b in pairwise(ordered):
        span = _one_stretch(a, b, stream, lists, shifts, setups)
        if span.planned or span.state not in ("held", "faulted"):
            hold_left = round(shop.shop.off_shift_hold_max_s * SECOND)
            spans.append(span)
            continue
        until = min(b, a + hold_left)
        hold_left -= until - a
        if until > a:
            spans.append(Span(a, until, span.state, False, span.basis, span.detail))
        if b > until:
            spans.append(Span(until, b, "off_shift", False, span.basis))
    return merged(spans)


def _one_stretch(
    a: int, b: int, stream: Stream, lists: Lists, shifts: Sequence[Stretch], setups: Sequence[Stretch]
) -> Span:
    planned = inside(a, shifts)
    state: str | None = None
    detail: str | None = None
    basis: str | None = None
    manual = False
    if stream.executes and stream.is_observed(a):
        (state, detail), manual = stream.state(a), stream.is_manual(a)
        guessed = state in ("cutting", "noncutting") and not (stream.has_speed or stream.has_feed)
        basis = "estimated" if guessed else "measured"
    elif lists.is_covered(a):
        state, basis = lists.state(a)
        if state is None and not stream.executes and stream.is_away(a):
            state, basis = "unobserved", None
    elif stream.executes or not stream.is_observed(a):
        state = "unobserved"
    else:
        basis = "measured"
    if state is None:
        setup = planned and (manual or inside(a, setups))
        state = "setup" if setup else "idle" if planned else "off_shift"
    return Span(a, b, state, planned, basis, detail)


def merged(spans: Iterable[Span]) -> list[Span]:
    """Neighbours that say the same as one; the basis of unobserved time is none."""
    result: list[Span] = []
    for span in spans:
        basis = None if span.state == "unobserved" else span.basis
        span = Span(span.started_us, span.ended_us, span.state, span.planned, basis, span.detail)
        if result and result[-1].ended_us == span.started_us and _says(result[-1]) == _says(span):
            result[-1] = Span(result[-1].started_us, span.ended_us, *_says(span))
        else:
            result.append(span)
    return result


def _says(span: Span) -> tuple[str, bool, str | None, str | None]:
    return span.state, span.planned, span.basis, span.detail
