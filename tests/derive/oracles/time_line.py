"""A machine's time line worked out event by event from the design, to hold the SQL against.

No SQL, no frames; times are whole microseconds since 1970. What a control says is kept as it says it, and every stretch
between two neighbouring instants is judged by what stands then.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache, cached_property
from itertools import groupby, pairwise
from typing import Any
from zoneinfo import ZoneInfo

from schemas.shop import DAYS, DateRange, MachineSettings, OvertimeSettings, ShiftSettings, ShopFile, WorkingHours

SECOND = 1_000_000
STOPS = ("OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP")
HOLDS = ("FEED_HOLD", "INTERRUPTED", "WAIT")
NOT_SAMPLES = ("Program", "ToolNumber", "PartCount", "PathFeedrateOverride", "RotaryVelocityOverride", "LineNumber")

REACH_DAYS = 32  # the rest of the months that the first and the last record are in

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
    feed_override: float | None = None


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


@cache
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
    rules = shop.shift or [ShiftSettings(days=list(DAYS), start=time(0), end=time(0))]
    return hours_of(rules, shop, machine, first, last)


def overtime_stretches(shop: ShopFile, machine: str, first: date, last: date) -> list[Stretch]:
    """The same of hours that people work beyond the shifts; what of them lies in a shift is no overtime."""
    return hours_of(shop.overtime, shop, machine, first, last)


def hours_of(rules: Sequence[WorkingHours], shop: ShopFile, machine: str, first: date, last: date) -> list[Stretch]:
    """Working hours that begin on days that are not closed; overtime on set dates is worked all the same."""
    found = []
    zone = shop.shop.zone
    for rule in rules:
        if not _names(rule, machine):
            continue
        worked = _working_minutes(rule.start, rule.end, tuple(rule.breaks))
        is_set = isinstance(rule, OvertimeSettings) and None not in (rule.from_, rule.to) and rule.days == list(DAYS)
        for number in range((last - first).days + 1):
            day = first + timedelta(days=number)
            is_in_force = (rule.from_ is None or rule.from_ <= day) and (rule.to is None or day <= rule.to)
            if is_in_force and DAYS[day.weekday()] in rule.days and (is_set or not is_closed(shop, machine, day)):
                found += [(wall_to_us(day, a, zone), wall_to_us(day, b, zone)) for a, b in worked]
    return union(found)


def is_closed(shop: ShopFile, machine: str, day: date) -> bool:
    """Whether the shop closed on a day and did not open all the same."""
    closed, opened = (
        any(row.from_ <= day <= row.to and _names(row, machine) for row in rows) for rows in (shop.closed, shop.open)
    )
    return closed and not opened


def _names(rule: WorkingHours | DateRange, machine: str) -> bool:
    return "*" in rule.machines or machine in rule.machines


@cache
def _working_minutes(begin: time, finish: time, breaks: tuple[str, ...]) -> list[Stretch]:
    """Minute by minute: which minutes after midnight of the day are worked."""
    start, end = begin.hour * 60 + begin.minute, finish.hour * 60 + finish.minute
    if end <= start:
        end += 1440
    off: set[int] = set()
    for stretch in breaks:
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

Event = dict[str, Any]


class Stream:
    """The events of one machine, in order, and what the whole of them shows that the control can tell."""

    def __init__(self, facts: Facts, settings: MachineSettings) -> None:
        timed = [{**event, "at_us": us(event["occurred_at"])} for event in facts.events]
        self.events = sorted(timed, key=lambda e: (e["at_us"], e["row_number"]))
        self.settings = settings
        self.times = sorted({e["at_us"] for e in self.events})
        self.executes = any(e["item"] == "Execution" for e in self.events)
        if not self.executes:  # such a stream tells of nothing but when the machine was seen
            seen = [e["at_us"] for e in self.events if e["item"] == "Availability"]
            self.times = [at for at in self.times if seen and at >= seen[0]]
            self.times = self.times if len(self.times) > 1 else []
        speeds = [e for e in self.events if e["item"] == "RotaryVelocity" and number(e) is not None]
        feeds = [e for e in self.events if e["item"] == "PathFeedrate" and number(e) is not None]
        self.has_speed, self.has_feed = bool(speeds), bool(feeds)
        self.actual_speed = any(is_actual(e) for e in speeds)
        self.actual_feed = any(is_actual(e) for e in feeds)
        spindles = {e["data_item_id"] for e in self.events if e["item"] == "RotaryVelocity" and self.tells_speed(e)}
        modes = {(e["path"], e["data_item_id"]) for e in self.events if e["item"] == "RotaryMode"}
        self.one_spindle = len(spindles) == len(modes) == 1
        self.silences = self._silences()

    def tells_speed(self, event: Event) -> bool:
        return is_actual(event) or not self.actual_speed

    def covers(self, at: int) -> bool:
        return bool(self.times) and self.times[0] <= at < self.times[-1]

    def said(self, instants: Iterable[int]) -> Iterator[tuple[int, Control]]:
        """Walk through instants in order with what the control has said up to and with each."""
        control, place = Control(self), 0
        for at in instants:
            while place < len(self.events) and self.events[place]["at_us"] <= at:
                control.hear(self.events[place])
                place += 1
            yield at, control

    def _silences(self) -> list[Stretch]:
        """Stretches without any record; the sign of life is asked for apart while ACTIVE and while not."""
        if not self.executes:
            return []
        limit = round(self.settings.silent_after_s * SECOND)
        longest = max(limit, round(self.settings.no_data_after_h * 3600 * SECOND))
        was_active = {at: control.is_active for at, control in self.said(self.times)}
        samples = sorted({e["at_us"] for e in self.events if is_sample(e)})
        found = {(a, b) for a, b in pairwise(self.times) if b - a > longest}
        for active in (True, False):
            gaps = sorted(b - a for a, b in pairwise(samples) if was_active[a] == active)
            if not gaps or not gaps[math.ceil(0.99 * len(gaps)) - 1] < limit / 3:
                continue
            found |= {(a, b) for a, b in pairwise(self.times) if b - a > limit and was_active[a] == active}
        return sorted(found)


class Control:
    """What a control has said so far."""

    def __init__(self, stream: Stream) -> None:
        self.stream = stream
        self.said: dict[str, dict[Any, str | None]] = defaultdict(dict)  # item -> path -> latest value
        self.speeds: dict[Any, tuple[Any, float]] = {}  # spindle -> path, speed
        self.feeds: dict[Any, float] = {}  # path -> feed
        self.rapids: dict[Any, float] = {}  # path -> rapid override
        self.programmed: dict[Any, float] = {}  # path -> feed override
        self.feed_override: float | None = None  # the last one told of any path
        self.faults: set[tuple[str, str]] = set()
        self.last_mode: str | None = None  # of the only spindle
        self.modes_of_spindles: dict[str, str | None] = {}  # by what the items of a spindle begin with

    def hear(self, event: Event) -> None:
        item, path, value = event["item"], event["path"], event["value"]
        if event["level"] is not None:
            self._condition(event)
            return
        if item == "RotaryVelocity" and self.stream.tells_speed(event):
            self.speeds[event["data_item_id"]] = path, abs(number(event) or 0)
        elif item == "PathFeedrate" and (is_actual(event) or not self.stream.actual_feed):
            told = number(event)
            self.feeds[path] = -1.0 if told is None else told
        elif item == "PathFeedrateOverride" and number(event) is not None:
            if event["sub_type"] == "RAPID":
                self.rapids[path] = number(event) or 0.0
            else:
                self.programmed[path] = self.feed_override = number(event) or 0.0
        elif item == "RotaryMode":
            self.last_mode = value
            if (named := str(event["data_item_id"])).endswith("mode") and named != "Cmode":
                self.modes_of_spindles[named.removesuffix("mode")] = value
        self.said[item][path] = value

    def _condition(self, event: Event) -> None:
        condition, code = event["data_item_id"] or event["item"], event["native_code"] or ""
        if event["level"] == "FAULT":
            self.faults.add((condition, code))
        elif event["level"] == "UNAVAILABLE" or (event["level"] == "NORMAL" and not code):
            self.faults = {fault for fault in self.faults if fault[0] != condition}
        else:
            self.faults.discard((condition, code))

    @property
    def executions(self) -> list[str | None]:
        """What each path executes; paths of which nothing is known are left out."""
        return [value for value in self.said["Execution"].values() if value != "UNAVAILABLE"]

    @property
    def is_active(self) -> bool:
        return "ACTIVE" in self.executions

    @property
    def is_away(self) -> bool:
        return "UNAVAILABLE" in self.said["Availability"].values()

    @property
    def is_manual(self) -> bool:
        return any(value in ("MANUAL", "MANUAL_DATA_INPUT") for value in self.said["ControllerMode"].values())

    @property
    def is_faulted(self) -> bool:
        return bool(self.faults) or "TRIGGERED" in self.said["EmergencyStop"].values()

    @property
    def is_turning(self) -> bool:
        """Whether any spindle turns that its mode does not make an axis."""

        def is_axis(spindle: Any, path: Any) -> bool:
            mode = self.said["RotaryMode"].get(path) if path is not None else None
            if str(spindle).endswith("speed"):  # several on its path, each with a mode that is called as it is
                mode = self.modes_of_spindles.get(spindle.removesuffix("speed"))
            return (self.last_mode if self.stream.one_spindle else mode) in ("INDEX", "CONTOUR")

        return any(speed > 0 and not is_axis(spindle, path) for spindle, (path, speed) in self.speeds.items())

    @property
    def is_feeding(self) -> bool:
        """Whether any path feeds slower than 90 % of its rapids; at a rapid override of zero no feed is a rapid."""
        rapid = self.stream.settings.slowest_rapid_mm_min
        for path, feed in self.feeds.items():
            override = self.rapids.get(path, 100.0)
            if feed > 0 and (rapid is None or not override or feed < 0.9 * rapid * override / 100):
                return True
        return False

    @property
    def is_blocked(self) -> bool:
        """Whether a path stands still with an override of its own at zero."""
        overrides = (self.rapids, self.programmed)
        return any(feed == 0 and any(said.get(path) == 0 for said in overrides) for path, feed in self.feeds.items())

    @property
    def is_still(self) -> bool:
        """Whether no path moves."""
        return bool(self.feeds) and all(feed == 0 for feed in self.feeds.values())

    def state(self, is_changing: bool) -> tuple[str | None, str | None]:
        """(state, detail) by precedence; none where only the calendar can tell."""
        if self.is_faulted:
            return "faulted", None
        if self.is_active:
            turns = self.is_turning or not self.stream.has_speed
            feeds = self.is_feeding or not self.stream.has_feed
            # a tool change is asked for only where no spindle speed tells it from a cut
            changes = is_changing and not self.stream.has_speed
            return ("cutting" if turns and feeds and not changes else "noncutting"), None
        for detail, values in (("stop", STOPS), ("hold", HOLDS)):
            if any(value in values for value in self.executions):
                return "held", detail
        return None, None


def number(event: Event) -> float | None:
    try:
        return float(event["value"])
    except (TypeError, ValueError):
        return None


def is_actual(event: Event) -> bool:
    return event["sub_type"] in (None, "ACTUAL")


def is_sample(event: Event) -> bool:
    return event["level"] is None and event["item"] not in NOT_SAMPLES and number(event) is not None


# --- what the lists say -------------------------------------------------------------------------------------------


class Lists:
    """Cycle records and tool changes of one machine and what they say at an instant."""

    def __init__(self, facts: Facts, settings: MachineSettings) -> None:
        self.cycles = sorted(facts.cycles, key=lambda c: us(c["started_at"]))
        self.changes = changes_of(facts, settings)
        self.shares = facts.shares
        self.longest_us = round(settings.no_data_after_h * 3600 * SECOND)
        self.times = [us(c[side]) for c in self.cycles for side in ("started_at", "ended_at")]

    def is_covered(self, at: int) -> bool:
        """Whether the list tells of an instant: no cycle for too long is no data."""
        ended = [us(c["ended_at"]) for c in self.cycles if us(c["started_at"]) <= at]
        begun = [us(c["started_at"]) for c in self.cycles if us(c["started_at"]) > at]
        if not ended or (not begun and at >= max(ended)):
            return False
        return not begun or at < max(ended) or min(begun) - max(ended) <= self.longest_us

    @cached_property
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
        for begun, ended, own, tool, cycle in self.segments:
            inner += [begun, begun + own, begun + own + self._noncut(begun, ended, own, tool, cycle), ended]
        return [*self.times, *inner]

    def _share(self, tool: str | None, cycle: dict[str, Any]) -> float | None:
        return self.shares.get((cycle["program"], cycle["operation"], tool))

    def _noncut(self, begun: int, ended: int, own: int, tool: str | None, cycle: dict[str, Any]) -> int:
        return round((self._share(tool, cycle) or 0.0) * (ended - begun - own))

    def state(self, at: int) -> tuple[str | None, str]:
        """(state, basis) of a covered instant; where cycles overlap, one that is told not to cut counts."""
        is_in, still, told = False, False, False
        for begun, ended, own, tool, cycle in self.segments:
            if begun <= at < ended:
                is_in = True
                still = still or at < begun + own + self._noncut(begun, ended, own, tool, cycle)
                told = told or self._share(tool, cycle) is not None or at < begun + own
        if not is_in:
            return None, "derived"
        return ("noncutting" if still else "cutting"), ("derived" if told else "estimated")


# --- the time line ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Run:
    """One cycle: a row of a list, or what a stream tells of one."""

    started_us: int
    ended_us: int
    outcome: str
    key: tuple[str | None, str | None]
    """Part, else job, else program; and operation."""
    parts: int = 0
    scrap: int = 0


@dataclass(frozen=True)
class Setup:
    """In-shift time that counts as setting up for a run."""

    started_us: int
    ended_us: int
    run: Run


def setups_of(runs: Sequence[Run], shifts: Sequence[Stretch], setup_max_us: int) -> list[Setup]:
    """In-shift time before the first complete cycle of each new job, the last `setup_max_us` of it."""
    found: list[Setup] = []
    groups = [list(group) for _, group in groupby(sorted(runs, key=lambda r: r.started_us), key=lambda r: r.key)]
    for before, group in pairwise(groups):
        complete = [run for run in group if run.outcome == "complete"]
        if not complete:
            continue
        begun, left = max(run.ended_us for run in before), setup_max_us
        for a, b in reversed(shifts):
            a, b = max(a, begun), min(b, complete[0].started_us)
            if b > a and left > 0:
                a = max(a, b - left)
                found.append(Setup(a, b, complete[0]))
                left -= b - a
    return found


@dataclass(frozen=True)
class TimeLine:
    """All that is known of a machine's time."""

    spans: list[Span]
    setups: list[Setup]
    shifts: list[Stretch]
    overtime: list[Stretch]


def time_line(machine: str, facts: Facts, shop: ShopFile, runs: Sequence[Run]) -> TimeLine:
    """Spans of one machine from its first to its last record; `runs` decide on setup."""
    settings = next((m for m in shop.machine if m.id == machine), MachineSettings(id=machine))
    stream, lists = Stream(facts, settings), Lists(facts, settings)
    records = [*stream.times, *lists.times]
    if not records:
        return TimeLine([], [], [], [])
    first, last = min(records), max(records)
    days = [datetime.fromtimestamp(at / SECOND, shop.shop.zone).date() for at in (first, last)]
    about = days[0] - timedelta(days=REACH_DAYS), days[1] + timedelta(days=REACH_DAYS)
    shifts, overtime = shift_stretches(shop, machine, *about), overtime_stretches(shop, machine, *about)
    setups = setups_of(runs, shifts, round(settings.setup_max_s * SECOND))
    instants = {*records, *lists.instants()}
    instants |= {at for stretch in shifts for at in stretch}
    instants |= {at for setup in setups for at in (setup.started_us, setup.ended_us)}
    instants |= {at for change in lists.changes for at in (change.at_us, change.until_us)}
    ordered = sorted(at for at in instants if first <= at <= last)
    spans: list[Span] = []
    hold_left = most_held = round(shop.shop.off_shift_hold_max_s * SECOND)
    setting_up = [(setup.started_us, setup.ended_us) for setup in setups]
    for (a, control), b in zip(stream.said(ordered), ordered[1:], strict=False):
        span = _one_stretch(a, b, stream, control, lists, shifts, setting_up)
        if span.planned or span.state not in ("held", "faulted"):
            hold_left = most_held
            spans.append(span)
            continue
        until = min(b, a + hold_left)
        hold_left -= until - a
        if until > a:
            spans.append(replace(span, ended_us=until))
        if b > until:
            spans.append(replace(span, started_us=until, state="off_shift", detail=None))
    return TimeLine(merged(spans), setups, shifts, overtime)


def _one_stretch(
    a: int,
    b: int,
    stream: Stream,
    control: Control,
    lists: Lists,
    shifts: Sequence[Stretch],
    setting_up: Sequence[Stretch],
) -> Span:
    planned = inside(a, shifts)
    state: str | None = None
    detail: str | None = None
    basis: str | None = None
    override: float | None = None
    is_manual = False
    is_seen = stream.covers(a) and not control.is_away
    if stream.executes and is_seen and control.executions and not inside(a, stream.silences):
        begun = [change for change in lists.changes if change.at_us <= a]
        state, detail = control.state(is_changing=bool(begun) and a < begun[-1].until_us)
        is_manual = control.is_manual
        override = control.feed_override if control.is_active else None
        guessed = state in ("cutting", "noncutting") and not (stream.has_speed or stream.has_feed)
        basis = "estimated" if guessed else "measured"
    elif lists.is_covered(a):
        state, basis = lists.state(a)
        if state is None and not stream.executes and stream.covers(a) and control.is_away:
            state, basis = "unobserved", None
    elif stream.executes or not is_seen:
        state = "unobserved"
    else:
        basis = "measured"
    if state is None:
        setup = planned and (is_manual or inside(a, setting_up))
        state = "setup" if setup else "idle" if planned else "off_shift"
    return Span(a, b, state, planned, basis, detail, override)


def merged(spans: Iterable[Span]) -> list[Span]:
    """Neighbours that say the same as one; the basis of unobserved time is none."""
    result: list[Span] = []
    for span in spans:
        span = replace(span, basis=None if span.state == "unobserved" else span.basis)
        if result and result[-1].ended_us == span.started_us and _says(result[-1]) == _says(span):
            result[-1] = replace(result[-1], ended_us=span.ended_us)
        else:
            result.append(span)
    return result


def _says(span: Span) -> tuple[Any, ...]:
    return span.state, span.planned, span.basis, span.detail, span.feed_override
