"""A log of states in any split and order, cut short or not, is one log: ends are of its rows, what follows of all."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import polars as pl
import pytest

from pipeline.derive.deriving import derive
from pipeline.derive.relations import load_relations
from pipeline.progress import Null
from pipeline.read.rows import FileRead, SourceFile, TableRead, row_columns
from pipeline.store.accounting import audit_store, require
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
FACTS = "select * exclude (file_id, row_number, line) from core.event order by all"
[STATE_END] = [relation for relation in load_relations("core") if relation.name == "state_end"]


class State(NamedTuple):
    """A row of a log: seconds after the start, `end` none where the row says none."""

    start: int
    end: int | None
    value: str
    within_s: float | None = None
    machine: str = "M1"
    fields: tuple[tuple[str, Any], ...] = ()


def file_of(name: str, states: Sequence[State]) -> FileRead:
    """A file of a table with a column for ends."""
    rows = [
        {
            "machine": state.machine,
            "occurred_at": START + timedelta(seconds=state.start),
            "item": "Execution",
            "value": state.value,
            "ended_at": None if state.end is None else START + timedelta(seconds=state.end),
            "end_within_s": state.within_s,
            **dict(state.fields),
        }
        for state in states
    ]
    told = [
        {**dict.fromkeys(row_columns("event")), **row, "row_number": number, "line": number + 1}
        for number, row in enumerate(rows, start=1)
    ]
    fields = frozenset({"machine", "occurred_at", "item", "value", "ended_at", "end_within_s"})
    table = TableRead("event", pl.DataFrame(told, schema=row_columns("event")), len(rows), fields=fields)
    sha256 = hashlib.sha256(repr((name, states)).encode()).hexdigest()
    return FileRead(SourceFile(Path(name), None, sha256, 100), "loaded", "table", tables=(table,))


def load(book: Book, *logs: Sequence[State]) -> None:
    for number, states in enumerate(logs):
        load_file(book, file_of(f"{number}.csv", states))


def ends(book: Book) -> list[tuple[str, int]]:
    """Machine and second of each end after which nothing is known."""
    found = book.frame(f"select machine, occurred_at, value from ({STATE_END.sql}) order by all")
    assert set(found["value"]) <= {"UNAVAILABLE"}
    return [(machine, int((at - START).total_seconds())) for machine, at, _ in found.rows()]


def oracle(states: Sequence[State]) -> list[tuple[str, int]]:
    """Instant by instant: an end counts unless a state begins by then that began later than the one before it."""
    found = set()
    for machine in {state.machine for state in states}:
        log = [state for state in states if state.machine == machine]
        for begun in {state.start for state in log}:
            so_far = [state for state in log if state.start <= begun]
            if any(state.end is None for state in so_far if state.start == begun):
                continue
            end, within_s = max((state.end, state.within_s or 0) for state in so_far if state.end is not None)
            if end > begun and not any(begun < state.start <= end + 2 + within_s for state in log):
                found.add((machine, end))
    return sorted(found)


def a_log(rng: Random) -> list[State]:
    """States that mostly tile time: some apart by the tick of a clock or by hours, some in one another, a few open."""
    states = []
    for machine in ("M1", "M2")[: rng.randint(1, 2)]:
        at = 0
        for number in range(rng.randint(3, 12)):
            length = rng.choice([0, 1, 60, 600, 4000, 90_000])
            within_s = rng.choice([None, None, 30.0])
            end = None if rng.random() < 0.05 else at + length
            states.append(State(at, end, "ACTIVE" if number % 2 else "STOPPED", within_s, machine))
            at = max(at + length + rng.choice([0, 0, 0, 1, 2, 3, 20, 32, 33, 5000, -30]), at + 1)
    return states


def cut_short(states: Sequence[State], at: int, *, is_told: bool) -> list[State]:
    """What an export says at an instant: the state that runs ends with the export, or has no end yet."""
    return [
        state if state.end is None or state.end <= at else state._replace(end=at if is_told else None)
        for state in states
        if state.start < at
    ]


def pieces(rng: Random, states: list[State]) -> Iterator[list[State]]:
    """Files that together hold every row as it is, and others that were made before the log had gone so far."""
    by_time = sorted(states, key=lambda state: state.start)
    cuts = sorted(rng.sample(range(len(states) + 1), min(len(states), rng.randint(0, 3))))
    yield from (by_time[a:b] for a, b in zip([0, *cuts], [*cuts, len(states)], strict=True))
    yield [state for state in by_time if rng.random() < 0.5]
    for _ in range(rng.randint(1, 3)):
        at = rng.choice([*(state.end or 1 for state in states), rng.randrange(1, 100_000)])
        first = rng.randrange(len(states))
        yield cut_short(by_time[first:], at, is_told=rng.random() < 0.7)


@pytest.mark.parametrize("seed", range(4))
def test_any_split_order_and_cut_of_a_log_gives_the_same_events_and_ends(seed: int) -> None:
    rng = Random(seed)
    states = a_log(rng)
    files = [part for part in pieces(rng, states) if part]
    rng.shuffle(files)
    for part in files:
        rng.shuffle(part)
    with open_book(None, threads=1) as whole, open_book(None, threads=1) as split:
        load(whole, states)
        load(split, *files)
        require(audit_store(split, thorough=True))
        assert split.frame(FACTS).rows() == whole.frame(FACTS).rows()
        assert ends(split) == ends(whole) == oracle(states)


SHORT = [State(0, 600, "ACTIVE"), State(600, 900, "STOPPED")]
LONG = [State(0, 600, "ACTIVE"), State(600, 3000, "STOPPED"), State(3000, 4000, "ACTIVE")]


@pytest.mark.parametrize("files", [(SHORT, LONG), (LONG, SHORT)], ids=["short first", "long first"])
def test_the_end_of_an_export_that_was_cut_short_is_kept_as_another_version(files: tuple[list[State], ...]) -> None:
    with open_book(None, threads=1) as book:
        load(book, *files)
        assert ends(book) == [("M1", 4000)]
        other = book.rows(
            "select lost.changed ->> '$.ended_at[0]', won.occurred_at from raw.superseded as lost"
            " inner join core.event as won on won.file_id = winner_file_id and won.row_number = winner_row_number"
        )
        assert [(said[:19], at) for said, at in other] == [("2026-03-02 06:15:00", START + timedelta(seconds=600))]


def test_a_series_ends_for_itself() -> None:
    """An alarm with a code is over where its row says so; what stands on a path ends whatever its column is called."""

    def alarm(start: int, end: int, code: str | None) -> State:
        said = {"item": "Condition", "value": None, "level": "FAULT", "native_code": code, "data_item_id": "c"}
        return State(start, end, "", fields=tuple(said.items()))

    named = [State(0, 60, "ACTIVE", fields=(("data_item_id", "State"),))]
    other = [State(60, 90, "READY", fields=(("data_item_id", "Zustand"),))]
    with open_book(None, threads=1) as book:
        load(book, named, other, [alarm(0, 50, "A"), alarm(10, 20, "B"), alarm(30, 40, None)])
        found = book.frame(f"select item, native_code, level, value, occurred_at from ({STATE_END.sql}) order by all")
        assert [(*row, int((at - START).total_seconds())) for *row, at in found.rows()] == [
            ("Condition", "A", "NORMAL", None, 50),
            ("Condition", "B", "NORMAL", None, 20),
            ("Condition", None, "UNAVAILABLE", None, 40),
            ("Execution", None, None, "UNAVAILABLE", 90),
        ]


def test_an_end_that_moves_is_derived_anew_on_both_of_its_days(shop_with: Any) -> None:
    """The state of the first export went on for two days: the day on which it had ended, and that on which it does."""
    day = 86_400
    states = [
        State(0, 3 * day, "ACTIVE"),
        State(3 * day + 60, 4 * day, "STOPPED"),
        State(6 * day, 6 * day + 60, "ACTIVE"),
    ]
    tables = ("core.state_end", "core.item_day", "core.span", "mart.utilisation_daily")
    with open_book(None, threads=1) as book:
        load(book, cut_short(states, day, is_told=True), [State(0, 60, "ACTIVE", machine="M2")])
        derive(book, shop_with(), Null())
        load_file(book, file_of("all.csv", states))
        derive(book, shop_with(), Null(), whole=False)
        grown = [book.frame(f"from {name} order by all") for name in tables]
        derive(book, shop_with(), Null())
        for name, frame in zip(tables, grown, strict=True):
            assert frame.equals(book.frame(f"from {name} order by all")), name
        unobserved = (
            "select epoch_us(started_at) from core.span where machine = 'M1' and state = 'unobserved' order by all"
        )
        since = [at_us / 1e6 - START.timestamp() for (at_us,) in book.rows(unobserved)]
        assert since == [3 * day, 4 * day]
