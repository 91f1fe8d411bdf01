"""A book that is derived after each arrival holds what a book derived at once holds, whatever came in which order."""

from __future__ import annotations

import hashlib
import threading
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from working_days import TOLD, days_of, estimates, orders

from pipeline.derive import deriving, renewing
from pipeline.derive.deriving import derive
from pipeline.derive.relations import Relation
from pipeline.derive.renewing import derive_windows
from pipeline.derive.windows import Window
from pipeline.errors import AuditError
from pipeline.progress import Null
from pipeline.read.rows import FileRead, SourceFile, TableRead, row_columns
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file
from schemas.shop import ShopFile

Row = dict[str, Any]
Kinds = dict[str, list[Row]]

# Both sides of a clock change, and a month's end: zone and first day.
PLACES = [
    ("Europe/Lisbon", datetime(2026, 3, 23, tzinfo=UTC)),
    ("America/Chicago", datetime(2026, 10, 26, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 3, 28, tzinfo=UTC)),
    ("Asia/Kathmandu", datetime(2026, 5, 25, tzinfo=UTC)),
]
SHIFTS = [
    [{"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "06:00", "end": "14:30", "breaks": ["09:30-09:45"]}],
    [{"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "22:00", "end": "06:00"}],
    [],
]
TOOLS: list[list[Row]] = [
    [],
    [{"tool": 1, "to": PLACES[0][1].date() + timedelta(days=4)}],
    [
        {"tool": 1, "regrind_cost": 9.0, "regrinds": 1, "tool_cost": 40.0},
        {"tool": 2, "sister_of": 1},
        {"tool": 3, "one_tool": True, "inserts": 2, "insert_cost": 8.0},
        {"tool": 3, "machines": ["M0"], "from": PLACES[1][1].date() + timedelta(days=5)},
    ],
]


# --- files ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Arrival:
    """What comes in between two derives: files of rows by kind, each at a path."""

    files: tuple[tuple[str, Kinds], ...]


def file_of(path: str, kinds: Kinds) -> FileRead:
    """A file of a table a kind, its rows numbered in order."""
    tables, number = [], 1
    for kind, rows in sorted(kinds.items()):
        numbered = [
            {name: row.get(name) for name in row_columns(kind)} | {"row_number": at, "line": at + 1}
            for at, row in enumerate(rows, start=number)
        ]
        number += len(rows)
        tables.append(TableRead(kind, pl.DataFrame(numbered, schema=row_columns(kind), orient="row"), len(rows)))
    sha256 = hashlib.sha256(repr([path, sorted(kinds.items())]).encode()).hexdigest()
    return FileRead(SourceFile(Path(path), None, sha256, 100), "loaded", "table", tables=tuple(tables))


def moment(kind: str, row: Row) -> datetime:
    return row["started_at"] if kind == "cycle" else row["occurred_at"]


def split(rng: Random, kinds: Kinds, day: datetime) -> list[Kinds]:
    """A machine's rows as files: all in one, by stretches of days, by kind, or at random."""
    how = rng.choice(["one", "days", "days", "kind", "random"])
    every = rng.randint(1, 6)
    parts: dict[Any, Kinds] = defaultdict(lambda: defaultdict(list))
    for kind, rows in kinds.items():
        for row in rows:
            days = (moment(kind, row) - day).days
            key = {"one": 0, "days": days // every, "kind": kind, "random": rng.randrange(3)}[how]
            parts[key][kind].append(row)
    return [dict(part) for _, part in sorted(parts.items(), key=lambda part: str(part[0]))]


def told_otherwise(rng: Random, kind: str, row: Row) -> Row:
    """The same fact with another value: what a first export got wrong."""
    if kind == "cycle":
        return {**row, "outcome": "unknown", "ended_at": row["started_at"] + timedelta(seconds=rng.randrange(5, 900))}
    if kind == "event" and row["item"] == "Execution":
        return {**row, "value": rng.choice(["READY", "ACTIVE", "FEED_HOLD"])}
    if kind == "event" and row["value"] is not None:
        return {**row, "value": "1"}
    if kind == "edge_change":
        return {**row, "reason": "planned"}
    return row


def earlier_version(rng: Random, kinds: Kinds) -> Kinds:
    """Most of a file's rows, some of them told otherwise."""
    first: Kinds = {}
    for kind, rows in kinds.items():
        kept = [row for row in rows if rng.random() < 0.8] or rows[:1]
        first[kind] = [told_otherwise(rng, kind, row) if rng.random() < 0.1 else row for row in kept]
    return first


def arrivals(rng: Random, machines: dict[str, Kinds], others: list[Kinds], day: datetime, most: int) -> list[Arrival]:
    """Files in any order; a replaced one after what it replaces, at the same path."""
    files: list[tuple[float, str, Kinds]] = []
    for machine, kinds in machines.items():
        for number, part in enumerate(split(rng, kinds, day)):
            path, when = f"{machine}/{number}.csv", rng.random()
            files.append((when, path, part))
            if rng.random() < 0.15:  # replaced, or corrected by a file of another name
                first = earlier_version(rng, part)
                files.append((when * rng.random(), rng.choice([path, path + ".old"]), first))
    for number, kinds in enumerate(others):
        when = rng.random()
        files.append((when, f"office/{number}.csv", kinds))
        if rng.random() < 0.4:  # an estimate exported anew over its old file, with other lines
            files.append((when * rng.random(), f"office/{number}.csv", earlier_version(rng, kinds)))
    files.sort(key=lambda file: file[:2])
    cuts = sorted(rng.sample(range(1, len(files)), min(most, len(files)) - 1))
    bounds = zip([0, *cuts], [*cuts, len(files)], strict=True)
    return [Arrival(tuple((path, kinds) for _, path, kinds in files[a:b])) for a, b in bounds]


def by_week(files: Iterable[tuple[str, int, Kinds]]) -> list[tuple[str, Kinds]]:
    """Files of a machine's days as one for each of its weeks: a file costs more to load than its rows."""
    weeks: dict[str, Kinds] = defaultdict(lambda: defaultdict(list))
    for machine, day, kinds in files:
        for kind, rows in kinds.items():
            weeks[f"{machine}/week {day // 7}.csv"][kind] += rows
    return [(path, dict(kinds)) for path, kinds in weeks.items()]


# --- books ----------------------------------------------------------------------------------------------------------


def load(book: Book, files: Iterable[FileRead], known: dict[str, FileRead]) -> None:
    """Load files, then those that a withdrawal made stale, as a run does."""
    due = list(files)
    known.update({file.source.file_id: file for file in due})
    while due:
        due = [known[stale] for file in due for stale in load_file(book, file).stale_files]


def tables(book: Book) -> dict[str, pl.DataFrame]:
    """Everything in core and mart, in an order of its own."""
    names = book.rows(
        "select table_schema || '.' || table_name from information_schema.tables"
        " where table_schema in ('core', 'mart') and table_name <> 'cut' order by all"
    )
    return {name: book.frame(f"select * from {name} order by all") for (name,) in names}


def renewed(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Watch which windows of machines are derived; for each, whether it was all of a machine's time."""
    seen: list[bool] = []

    def watched(*arguments: Any) -> list[Window]:
        windows = derive_windows(*arguments)
        seen.extend(window.is_whole for window in windows)
        return windows

    monkeypatch.setattr(deriving, "derive_windows", watched)
    return seen


def require_equal(grown: dict[str, pl.DataFrame], whole: dict[str, pl.DataFrame], step: str) -> None:
    """Row for row; a failure names the first table in which the books part, and the rows that only one holds."""
    assert sorted(grown) == sorted(whole)
    for name in sorted(whole, key=lambda name: (name.startswith("mart"), name)):
        one, other = grown[name], whole[name].select(grown[name].columns)
        if one.equals(other, null_equal=True):
            continue
        rows, others = set(map(repr, one.rows())), set(map(repr, other.rows()))
        surplus, missing = sorted(rows - others)[:4], sorted(others - rows)[:4]
        said = "\n".join([f"{step}: {name}", "only grown:", *surplus, "only whole:", *missing])
        raise AssertionError(f"{said}\n{one.height} rows grown, {other.height} whole")


def shop_at(rng: Random, zone: str, machines: Sequence[str]) -> ShopFile:
    settings = {
        "rapid_mm_min": 24_000.0,
        "tool_change_s": 4.0,
        "silent_after_s": rng.choice([120.0, 300.0]),
        "no_data_after_h": rng.choice([5.0, 744.0, 744.0]),
        "setup_max_s": 7200.0,
        "rate_per_hour": 60.0,
    }
    return ShopFile.model_validate(
        {
            "shop": {"timezone": zone, "off_shift_hold_max_s": rng.choice([0.0, 1800.0]), "batch_gap_h": 30},
            "machine": [{"id": name, **settings} for name in machines],
            "shift": rng.choice(SHIFTS),
            "tool": rng.choice(TOOLS),
        }
    )


@pytest.mark.parametrize("seed", range(2))
def test_deriving_after_each_arrival_is_deriving_at_once(seed: int) -> None:
    rng = Random(seed)
    zone, first = PLACES[seed % len(PLACES)]
    machines = {
        f"M{number}": days_of(
            rng, f"M{number}", told, first + timedelta(days=rng.choice([0, 0, 6])), rng.randint(8, 14), ZoneInfo(zone)
        ).kinds()
        for number, told in enumerate([*TOLD, rng.choice(TOLD)])
    }
    others = [{"estimate": estimates(rng)}, {"job": orders(rng, first)}]
    steps = arrivals(rng, machines, others, first, most=7)
    shop, settled = (shop_at(rng, zone, list(machines)[:4]) for _ in range(2))
    settled_at = rng.randrange(2 * len(steps))  # from this arrival on shop.toml says something else, if it comes so far
    looked_at = {rng.randrange(len(steps) - 1), len(steps) - 1}
    arrived: list[FileRead] = []
    with open_book(None, threads=1) as book:
        known: dict[str, FileRead] = {}
        for number, step in enumerate(steps):
            files = [file_of(path, kinds) for path, kinds in step.files]
            load(book, files, known)
            arrived += files
            shop = settled if number == settled_at else shop
            derive(book, shop, Null(), whole=number in (0, settled_at))
            if number not in looked_at:
                continue
            with open_book(None, threads=1) as other:
                load(other, arrived, {})
                derive(other, shop, Null(), whole=True)
                require_equal(tables(book), tables(other), f"seed {seed}, arrival {number + 1} of {len(steps)}")


@pytest.mark.parametrize("seed", range(2))
def test_days_that_come_late_are_derived_in_their_place(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A month that stands, then the last days, missing and corrected ones: windows are derived, not whole machines.

    At the second seed one by one, two at a time; the book that they must equal derives all machines together.
    """
    rng = Random(seed)
    zone, first = PLACES[seed % len(PLACES)]
    days = rng.randint(16, 24)
    files: list[tuple[str, int, Kinds]] = []
    for machine, told in [(f"M{number}", told) for number, told in enumerate(TOLD)]:
        by_day: dict[int, Kinds] = defaultdict(lambda: defaultdict(list))
        for kind, rows in days_of(rng, machine, told, first, days, ZoneInfo(zone)).kinds().items():
            for row in rows:
                by_day[(moment(kind, row) - first).days][kind].append(row)
        files += [(machine, day, dict(kinds)) for day, kinds in by_day.items()]
    late = [file for file in files if file[1] >= days - 2 or rng.random() < 0.06]
    office = [("office/1.csv", {"estimate": estimates(rng)}), ("office/2.csv", {"job": orders(rng, first)})]
    later = [[(f"{machine}/{day}.csv", kinds)] for machine, day, kinds in late if day < days - 2]
    later += [[(f"{m}/{d}.csv", kinds) for m, d, kinds in late if d == day] for day in range(days - 2, days + 1)]
    otherwise = rng.sample(files, 3)
    weeks = by_week([file for file in files if file not in late and file not in otherwise])
    arrivals = [[*weeks, *((f"{m}/{d}.csv", kinds) for m, d, kinds in otherwise if (m, d, kinds) not in late), *office]]
    for machine, day, kinds in otherwise:  # the same days told otherwise, in files of another name
        later.append([(f"{machine}/{day}.old", earlier_version(rng, kinds))])
    rng.shuffle(later)
    later = [step for step in later if step]
    later = [[file for step in later[6:] for file in step], *later[:6]]
    shop = shop_at(rng, zone, [f"M{number}" for number in range(len(TOLD))])
    seen = renewed(monkeypatch)
    if seed == 1:
        monkeypatch.setattr(renewing, "EVENTS_AT_ONCE", 1)
    arrived: list[FileRead] = []
    with open_book(None, threads=1) as book:
        known: dict[str, FileRead] = {}
        for number, step in enumerate(arrivals + later):
            read = [file_of(path, kinds) for path, kinds in step]
            load(book, read, known)
            arrived += read
            derive(book, shop, Null(), whole=number == 0)
            if number == 0:
                seen.clear()
        assert seen.count(False) > seen.count(True)
        monkeypatch.undo()
        with open_book(None, threads=1) as other:
            load(other, arrived, {})
            derive(other, shop, Null(), whole=True)
            require_equal(tables(book), tables(other), f"seed {seed}")


def test_what_breaks_in_the_second_of_two_groups_is_told_and_nothing_is_changed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def audited(frame: pl.DataFrame, relation: Relation) -> None:
        if threading.current_thread() is not threading.main_thread():
            raise AuditError(relation.name, "broken", "")

    rows: Kinds = {"event": [event("M0", 1), event("M0", 2), event("M1", 1), event("M1", 2)]}
    shop = shop_at(Random(0), "UTC", ["M0", "M1"])
    monkeypatch.setattr(renewing, "EVENTS_AT_ONCE", 1)
    with open_book(None, threads=1) as book:
        load(book, [file_of("both.csv", rows)], {})
        with monkeypatch.context() as broke:
            broke.setattr(renewing, "audit", audited)
            with pytest.raises(AuditError):
                derive(book, shop, Null())
        assert "core.span" not in tables(book)
        derive(book, shop, Null())
        assert tables(book)["core.span"]["machine"].unique().sort().to_list() == ["M0", "M1"]


def event(machine: str, minute: int) -> Row:
    at = datetime(2026, 3, 2, 8, minute, tzinfo=UTC)
    return {"machine": machine, "occurred_at": at, "item": "Execution", "value": "ACTIVE", "occurrence": 0}
