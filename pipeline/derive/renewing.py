"""Derives what changed into a scratch database: which windows, their relations, and whether their ends still fit.

What is to go into the book lies in the schema `kept` at the end; nothing is written to the book here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from typing import Final

import polars as pl

from pipeline.derive.relations import Relation, Renewed
from pipeline.derive.scratch import Scratch
from pipeline.derive.sweeps.in_order import listed, quoted
from pipeline.derive.windows import BEGINNING, END, Window, together, whole, windows
from pipeline.errors import AuditError

EVENTS_AT_ONCE: Final = 2_500_000
"""How many events are looked at together: what the derivation takes of memory grows with it."""
GROUPS_AT_ONCE: Final = 2
"""What one leaves of the computer's cores while it runs on a single one, the other takes."""
EVIDENCE_SHOWN: Final = 5
TRAITS: Final = ("core.stream_extent", "core.record_extent", "core.edge_trait")
"""What is known of a machine as a whole: where that changes, all of its time is derived anew."""
MOVING: Final = ("first_us", "last_us", "first_cycle_us", "last_cycle_us")
"""What of it grows with the records, and changes nothing before them."""
FROM_OUTSIDE: Final = {
    "batch_carried": "machine varchar, from_at timestamptz, batch_id varchar",
    "sign_carried": "machine varchar, is_active boolean, has_sign boolean",
}
"""What windows take over from the rest of their machines' time; nothing where all of it is derived."""
FIRST_AT: Final = datetime(1800, 1, 1, tzinfo=UTC)
LAST_AT: Final = datetime(2300, 1, 1, tzinfo=UTC)

WINDOW_SCHEMA: Final = {
    "machine": pl.String(),
    "warm_from_at": pl.Datetime("us", "UTC"),
    "read_from_at": pl.Datetime("us", "UTC"),
    "keep_from_at": pl.Datetime("us", "UTC"),
    "keep_until_at": pl.Datetime("us", "UTC"),
    "read_until_at": pl.Datetime("us", "UTC"),
}


def of_kind(relations: Iterable[Relation], *renewed: Renewed) -> list[Relation]:
    """Return the relations that are renewed in one of these ways, in order."""
    return [relation for relation in relations if relation.renewed in renewed]


def audit(frame: pl.DataFrame, relation: Relation) -> None:
    """Raise AuditError where an audit found rows that break a law."""
    if frame.height:
        evidence = str(frame.head(EVIDENCE_SHOWN))
        raise AuditError(
            relation.name, f"{frame.height} rows break a law of the book: {relation.description}", evidence
        )


def make_first(
    scratch: Scratch, relations: Sequence[Relation], shop_tables: Mapping[str, pl.DataFrame], *, is_whole: bool
) -> None:
    """Make what is small: shop.toml, ends of states, what each item said on each day, extents, estimates."""
    for name, frame in shop_tables.items():
        scratch.store(name, frame)
    for relation in of_kind(relations, Renewed.FIRST_BY_MACHINE):
        _make_ends(scratch, relation, is_whole=is_whole)
    scratch.view("core.event", scratch.window_sql("event_and_end"))
    for relation in of_kind(relations, Renewed.BY_UTC_DAY):
        if is_whole:
            scratch.make(relation)
        else:
            _renew_days(scratch, relation)
    for relation in of_kind(relations, Renewed.FIRST):
        scratch.make(relation)


def _make_ends(scratch: Scratch, relation: Relation, *, is_whole: bool) -> None:
    """Make the ends of states, of machines with changed events anew, and note the days on which they moved."""
    if is_whole:
        scratch.make(relation)
        return
    scratch.view("core.event", scratch.window_sql("event_of_touched"))
    kept = scratch.window_sql("state_end_kept")
    scratch.table(relation.full_name, f"from (\n{relation.sql})\nunion all by name\n{kept}")
    scratch.table("core.end_moved", scratch.window_sql("end_moved"))


def _renew_days(scratch: Scratch, relation: Relation) -> None:
    """Derive the touched UTC days anew; the others stand as they are in the book."""
    days = scratch.frame(scratch.window_sql("touched_day"))
    scratch.store("core.touched_day", days)
    # no day has changed where there is none: the first and the last then enclose nothing
    first, last = (days["day_on"].min() or date.max), (days["day_on"].max() or date.min)
    assert isinstance(first, date)
    assert isinstance(last, date)
    scratch.view(
        "core.event", scratch.window_sql("touched_event", first_on=str(first), until_on=str(last + timedelta(days=1)))
    )
    with relation.selected(scratch.cursor) as sql:
        scratch.keep(relation.name, sql)
    scratch.show_kept(relation.name)
    scratch.view(relation.full_name, scratch.window_sql("item_day"))
    scratch.view("core.event", scratch.window_sql("event_and_end"))


def choose(scratch: Scratch, relations: Sequence[Relation], *, is_whole: bool) -> list[Window]:
    """Return the windows that must be derived anew."""
    if is_whole:
        machines = scratch.frame("select machine from core.machine order by machine")
        return [whole(machine) for machine in machines["machine"]]
    touched = scratch.frame(scratch.window_sql("touched"))
    days = pl.concat([touched, _days_placed_otherwise(scratch, relations)]).unique()
    cuts = scratch.frame(scratch.window_sql("cut"))
    changed = _changed_traits(scratch)
    unchanged = days.filter(~pl.col("machine").is_in(changed))
    found = windows(_grouped(unchanged, "day"), _grouped(cuts, "at_us"))
    return sorted([*found, *map(whole, changed)])


def _grouped(frame: pl.DataFrame, column: str) -> dict[str, list[int]]:
    return dict(frame.group_by("machine").agg(pl.col(column).sort()).iter_rows())


def _changed_traits(scratch: Scratch) -> list[str]:
    """Return the machines of which something is known otherwise than when they were derived."""
    changed: set[str] = set()
    for name in TRAITS:
        now, before = (
            scratch.frame(f"from {room}{name}").select(pl.exclude(*MOVING)) for room in ("", f"{scratch.book_name}.")
        )
        changed |= _differing(now, before.select(now.columns))
    return sorted(changed)


def _differing(now: pl.DataFrame, before: pl.DataFrame) -> set[str]:
    """Return the machines of rows that stand in one of two frames of the same columns only."""
    place = now.columns.index("machine")
    return {row[place] for row in set(now.rows()) ^ set(before.rows())}


def _days_placed_otherwise(scratch: Scratch, relations: Sequence[Relation]) -> pl.DataFrame:
    """Return the days of cycles that belong elsewhere since estimates or orders came in."""
    schema = {"machine": pl.String(), "day": pl.Int64()}
    if scratch.frame(scratch.window_sql("estimates_changed")).is_empty():
        return pl.DataFrame(schema=schema)
    scratch.view("core.stream_cycle", f"from {scratch.book_name}.core.stream_cycle")
    seen = next(relation for relation in relations if relation.full_name == "core.cycle_seen")
    scratch.make(seen)
    return scratch.frame(scratch.window_sql("placed_otherwise")).cast({"machine": pl.String, "day": pl.Int64})


def derive_windows(
    scratch: Scratch,
    relations: Sequence[Relation],
    audits: Sequence[Relation],
    wanted: Sequence[Window],
    advance: Callable[[], None],
) -> list[Window]:
    """Derive windows and keep their rows; return what was derived, wider where an end did not fit."""
    if not wanted:
        _derive_together(scratch, relations, audits, [])
    events = _events_by_day(scratch)
    waiting = list(wanted)
    derived: dict[str, list[Window]] = defaultdict(list)
    while waiting := waiting or _of_another_sign(scratch, relations, derived):
        groups = _groups(waiting, lambda window: _weight(events, window))
        at_hand = [window for group in groups for window in group]
        waiting = [window for window in waiting if window not in at_hand]
        wider = _derive_side_by_side(scratch, relations, audits, groups)
        for window in at_hand:
            again = wider.get(window.machine)
            if again is None:
                derived[window.machine].append(window)
                advance()
                continue
            # what else of the machine waits lies later, and so inside
            waiting = [*(other for other in waiting if other.machine != window.machine), again]
            if again.is_whole:
                _forget(scratch, relations, window.machine)
                derived.pop(window.machine, None)
    for relation in of_kind(relations, Renewed.IN_PASSING):  # what is not kept only takes memory from now on
        for each in (scratch, *scratch.others):
            each.forget(relation.full_name)
    scratch.show_kept()
    return sorted(window for found in derived.values() for window in found)


def _forget(scratch: Scratch, relations: Sequence[Relation], machine: str) -> None:
    """Forget what was kept of a machine."""
    for relation in of_kind(relations, Renewed.BY_WINDOW, Renewed.BY_MACHINE):
        scratch.forget_rows(relation.name, machine)


def _of_another_sign(scratch: Scratch, relations: Sequence[Relation], derived: dict[str, list[Window]]) -> list[Window]:
    """Return all time of machines whose samples tell otherwise now whether a pause is a silence; forget the rest."""
    partly = [window for found in derived.values() for window in found if not window.is_whole]
    if not partly:
        return []
    scratch.show_kept("gap_count")
    scratch.store("core.window", _frame(partly))
    scratch.table("core.gap_count", scratch.window_sql("gap_count"))
    scratch.run("delete from core.sign_carried")
    sign = next(relation for relation in relations if relation.full_name == "core.sign_of_life")
    now = scratch.frame(f"from ({sign.sql}) order by all")
    before = scratch.frame(scratch.window_sql("sign_before"))
    machines = sorted(_differing(now, before))
    for machine in machines:
        _forget(scratch, relations, machine)
        derived.pop(machine)
    return [whole(machine) for machine in machines]


def _events_by_day(scratch: Scratch) -> pl.DataFrame:
    return scratch.frame(scratch.window_sql("events_by_day"))


def _weight(events: pl.DataFrame, window: Window) -> int:
    """Return about how many events a window holds."""
    inside = pl.col("at_us").is_between(window.read_from, window.read_until, closed="left")
    return int(events.filter((pl.col("machine") == window.machine) & inside)["events"].sum())


def _groups(waiting: Sequence[Window], weight: Callable[[Window], int]) -> list[list[Window]]:
    """Return the groups of windows to be derived next; a machine is in one of them only."""
    groups: list[list[Window]] = []
    machines: set[str] = set()
    while len(groups) < GROUPS_AT_ONCE and (others := [other for other in waiting if other.machine not in machines]):
        groups.append(together(others, weight, EVENTS_AT_ONCE))
        machines |= {window.machine for window in groups[-1]}
    return groups


def _derive_side_by_side(
    scratch: Scratch, relations: Sequence[Relation], audits: Sequence[Relation], groups: Sequence[Sequence[Window]]
) -> dict[str, Window]:
    """Derive one or two groups, the second in a thread of its own; return wider windows for what does not fit."""
    first, *others = groups
    if not others:
        return _derive_together(scratch, relations, audits, first)
    beside = scratch.another()
    with ThreadPoolExecutor(1) as thread:
        second = thread.submit(_derive_together, beside, relations, audits, others[0])
        try:
            wider = _derive_together(scratch, relations, audits, first)
        except BaseException:
            beside.cursor.interrupt()  # what it is at will be of no use
            raise
    wider |= second.result()
    scratch.take_over(beside)
    return wider


def _derive_together(
    scratch: Scratch, relations: Sequence[Relation], audits: Sequence[Relation], group: Sequence[Window]
) -> dict[str, Window]:
    """Derive a window each of some machines; keep the rows where the ends fit, return wider ones for the others."""
    _show(scratch, group)
    for relation in of_kind(relations, Renewed.IN_PASSING, Renewed.BY_WINDOW, Renewed.BY_MACHINE):
        if relation.renewed is Renewed.BY_WINDOW:
            scratch.make_to_keep(relation)
        else:
            scratch.make(relation)
    wider = _unsettled(scratch, group)
    if wider:
        scratch.store("core.window", _frame([window for window in group if window.machine not in wider]))
    for relation in of_kind(audits, Renewed.BY_WINDOW):
        audit(scratch.frame(relation.sql), relation)
    # nothing lies outside where all time of all machines was looked at
    is_all = all(window.is_whole for window in group) and len(group) == scratch.count("core.machine")
    for relation in of_kind(relations, Renewed.BY_WINDOW) if wider or not is_all else ():
        scratch.forget_outside(relation)
    scratch.store("core.window", _frame([window for window in group if window.is_whole]))
    for relation in of_kind(relations, Renewed.BY_MACHINE):
        scratch.keep(relation.name, scratch.window_sql("of_machines", relation=relation.full_name))
    return wider


def _frame(group: Sequence[Window]) -> pl.DataFrame:
    rows = [
        (w.machine, *map(instant, (w.warm_from, w.read_from, w.keep_from, w.keep_until, w.read_until))) for w in group
    ]
    return pl.DataFrame(rows, schema=WINDOW_SCHEMA, orient="row")


def instant(at_us: int) -> datetime:
    """Return an instant of a window as a time; no record lies before the beginning or after the end."""
    if at_us in (BEGINNING, END):
        return FIRST_AT if at_us == BEGINNING else LAST_AT
    return datetime.fromtimestamp(at_us // 1_000_000, UTC) + timedelta(microseconds=at_us % 1_000_000)


def _show(scratch: Scratch, group: Sequence[Window]) -> None:
    """Show the records of some windows under the names of all records."""
    frame = _frame(group)
    scratch.store("core.window", frame)
    bounds = {
        "from_at": str(min((instant(window.read_from) for window in group), default=FIRST_AT)),
        "until_at": str(max((instant(window.read_until) for window in group), default=LAST_AT)),
    }
    scratch.table("core.standing", scratch.window_sql("standing"))
    if group and all(window.is_whole for window in group):
        names = sorted(window.machine for window in group)
        first, last = quoted(names[0]), quoted(names[-1])
        scratch.view(
            "core.event", scratch.window_sql("event_of_machines", machines=listed(names), first=first, last=last)
        )
    else:
        scratch.view("core.event", scratch.window_sql("event", **bounds))
    scratch.view("core.cycle", scratch.window_sql("cycle"))
    scratch.view("core.tool_change", scratch.window_sql("tool_change"))
    for name, columns in FROM_OUTSIDE.items():
        if all(window.is_whole for window in group):
            scratch.run(f"create or replace table core.{name} ({columns})")
        else:
            scratch.table(f"core.{name}", scratch.window_sql(name))


def _unsettled(scratch: Scratch, group: Sequence[Window]) -> dict[str, Window]:
    """Return wider windows for those whose ends do not fit what was derived around them."""
    seams = [
        (window.machine, side, instant(at))
        for window in group
        for side, at in (("start", window.keep_from), ("end", window.keep_until))
        if at not in (BEGINNING, END)
    ]
    if not seams:
        return {}
    schema = {"machine": pl.String(), "side": pl.String(), "cut_at": pl.Datetime("us", "UTC")}
    scratch.store("core.seam", pl.DataFrame(seams, schema=schema, orient="row"))
    cuts = sorted(at for _, _, at in seams)
    bounds = {"first_at": str(cuts[0]), "last_at": str(cuts[-1])}
    broken: set[tuple[str, str]] = set()
    for name in ("seam_run", "seam_span", "seam_tool", "seam_said"):
        now, before = (scratch.frame(scratch.window_sql(name, room, **bounds)) for room in (None, scratch.book_name))
        broken |= {row[:2] for row in set(now.rows()) ^ set(before.select(now.columns).rows())}
        if name in ("seam_run", "seam_span"):
            broken |= {seam[:2] for seam in seams} - {row[:2] for row in now.rows()}
    for name in ("seam_reached_over", "seam_unsampled"):
        broken |= set(scratch.frame(scratch.window_sql(name)).rows())
    by_machine = {window.machine: window for window in group}
    return {
        machine: by_machine[machine].to_the_end()
        if (machine, "start") not in broken and by_machine[machine].keep_until != END
        else whole(machine)
        for machine in {machine for machine, _ in broken}
    }
