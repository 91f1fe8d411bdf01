"""Stretches find every place where a fact may stand twice; rows put straight into the book stand as staged ones do."""

from collections import Counter
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.read.rows import row_columns
from pipeline.store import direct, staging, stretches
from pipeline.store.book import open_book
from pipeline.store.loading import load_file
from pipeline.store.stretches import Stretches

START = datetime(2026, 3, 2, 23, 59, 50, tzinfo=UTC)
STEPS_MS = st.sampled_from([0, 0, 400, 999, 1000, 1000, 5000, 86_400_000, -400, -3000])
ROW = st.tuples(st.sampled_from(["M1", "M1", "M2"]), STEPS_MS, st.sampled_from(["A", "A", "B"]))
CHUNKS = st.lists(st.lists(ROW, min_size=1, max_size=8), min_size=1, max_size=3)


def cycles(rows, at):
    """Cycles that start `step` after one another, each ten seconds long."""
    made = []
    for machine, step_ms, program in rows:
        at += timedelta(milliseconds=step_ms)
        made.append({"machine": machine, "program": program, "started_at": at, "ended_at": at + timedelta(seconds=10)})
    return made, at


def events(rows, at):
    """Observations `step` after one another."""
    made = []
    for machine, step_ms, item in rows:
        at += timedelta(milliseconds=step_ms)
        code = {"1000": "7"}.get(str(step_ms))  # some that differ by it alone
        made.append({"machine": machine, "occurred_at": at, "item": item, "value": "1", "native_code": code})
    return made, at


MAKERS = {"cycle": cycles, "event": events}


def made(kind, chunks, at=START):
    """The rows of each chunk, times running on from chunk to chunk."""
    found = []
    for chunk in chunks:
        rows, at = MAKERS[kind](chunk, at)
        found.append(rows)
    return found


def fact(kind, row):
    """What makes a row one fact, in plain words."""
    if kind == "event":
        return row["machine"], row["item"], row["occurred_at"], row.get("native_code") or ""
    return row["machine"], row["program"], row["started_at"].replace(microsecond=0), ""


def nths(kind, rows):
    """How often the fact of each row stood in the rows before it."""
    before = Counter()
    found = []
    for row in rows:
        found.append(before[fact(kind, row)])
        before[fact(kind, row)] += 1
    return found


@pytest.mark.parametrize("kind", ["cycle", "event"])
@pytest.mark.parametrize("few", [1, 1000])
@settings(max_examples=60, derandomize=True, deadline=None)
@given(chunks=CHUNKS, backwards=st.booleans())
def test_every_repeated_fact_is_counted_or_lies_in_a_range_and_every_day_is_marked(kind, few, chunks, backwards):
    """Whatever the order of rows, and whether the program has to sort them to see it."""
    rows = [chunk[::-1] if backwards else chunk for chunk in made(kind, chunks)]
    seen = Stretches(kind)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stretches, "MAX_STRETCHES", few)
        patch.setattr(stretches, "MAX_RANGES", few)
        counted = []
        for chunk in rows:
            occurrence = seen.add(pl.DataFrame(chunk, schema=row_columns(kind))).occurrence
            counted += [0] * len(chunk) if occurrence is None else occurrence.to_list()
        ranges = seen.repeats().rows()
    flat = [row for chunk in rows for row in chunk]

    first, last = ("occurred_at", "occurred_at") if kind == "event" else ("started_at", "ended_at")
    for row, occurrence, number in zip(flat, nths(kind, flat), counted, strict=True):
        at_us = round(row[first].timestamp() * 1e6)
        in_range = any(machine == row["machine"] and low <= at_us <= high for machine, low, high in ranges)
        assert occurrence == number or in_range
    days = {(row["machine"], row[first].date(), row[last].date()) for row in flat}
    assert {(row["machine"], row[first].date(), row[last].date()) for row in seen.days().iter_rows(named=True)} == days
    assert seen.reach.first_us == min(round(row[first].timestamp() * 1e6) for row in flat)
    assert seen.reach.last_us == max(round(row[last].timestamp() * 1e6) for row in flat)


def test_an_export_in_order_repeats_nothing():
    """Machines one after another, or taking turns, in rising or falling time: there is nothing to number."""
    seconds = range(3000)
    blocks = [(f"M{machine}", second) for machine in range(3) for second in seconds]
    turns = sorted(blocks, key=lambda row: row[1])
    for order in (blocks, turns, blocks[::-1], turns[::-1]):
        seen = Stretches("event")
        for at in range(0, len(order), 2500):
            chunk = [
                {"machine": m, "occurred_at": START + timedelta(seconds=s), "item": "A"}
                for m, s in order[at : at + 2500]
            ]
            seen.add(pl.DataFrame(chunk, schema=row_columns("event")))
        assert seen.repeats().is_empty()


def test_steps_back_within_a_chunk_leave_nothing_to_number():
    """What stands twice in one chunk is counted there, so a log with small steps back needs no pass over the book."""
    seconds = [at - 3 * (at % 7 == 0) for at in range(300)]
    rows = [{"machine": "M1", "occurred_at": START + timedelta(seconds=at), "item": "A"} for at in seconds]
    seen = Stretches("event")
    occurrence = seen.add(pl.DataFrame(rows, schema=row_columns("event"))).occurrence
    assert occurrence is not None
    assert occurrence.to_list() == nths("event", rows)
    assert seen.repeats().is_empty()


FACTS_STORED = """
select 'event', machine, item, occurred_at, coalesce(native_code, ''), occurrence from core.event
union all
select 'cycle', machine, program, date_trunc('second', started_at), '', occurrence from core.cycle
"""
FILES = st.lists(st.tuples(st.sampled_from(["cycle", "event"]), CHUNKS, st.integers(0, 30)), min_size=1, max_size=3)


@settings(max_examples=15, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
@given(files=FILES)
def test_rows_put_straight_into_the_book_stand_as_staged_ones(making, files):
    """Files near one another and apart, chunk by chunk: the book is the same as if every row had been settled."""
    dumps, touched, told = [], [], set()
    for free in (direct.is_free, lambda *_: False):
        with pytest.MonkeyPatch.context() as patch, open_book(None) as book:
            patch.setattr(staging, "is_free", free)
            for number, (kind, chunks, later_s) in enumerate(files):
                tables, row = [], 1
                blocks = made(kind, chunks, START + timedelta(seconds=later_s))
                flat = [row for rows in blocks for row in rows]
                told |= {(kind, *fact(kind, row), nth) for row, nth in zip(flat, nths(kind, flat), strict=True)}
                for rows in blocks:
                    tables.append(making.table(kind, rows, row))
                    row += len(rows)
                load_file(book, making.file(f"{number}.csv", *tables, content=number))
            stored = book.rows(FACTS_STORED)
            assert set(stored) == told
            assert len(stored) == len(told)
            dumps.append(making.dump(book))
            touched.append(book.rows("select * from raw.touched order by all"))

    assert dumps[0] == dumps[1]
    assert touched[0] == touched[1]


def test_rows_go_the_short_way_only_where_no_other_file_is_near(making, monkeypatch):
    """A chunk that comes near another file's rows takes all rows of its kind back to be settled."""
    ways: list[str] = []

    def noted(name: str) -> None:
        way = getattr(staging, name)
        monkeypatch.setattr(staging, name, lambda *args: (ways.append(name), way(*args)))

    noted("put_rows")
    noted("take_back")
    with open_book(None) as book:
        load_file(book, making.file("a", making.table("event", [making.event(100), making.event(101)])))
        assert ways == ["put_rows"]
        other = making.table("event", [making.event(100, machine="M2"), making.event(5000)])
        load_file(book, making.file("b", other))
        assert ways == ["put_rows"] * 2
        first, second = [making.event(90, value="1")], [making.event(101, value="2")]
        counts = load_file(book, making.file("c", making.table("event", first), making.table("event", second, 2)))
        assert ways == ["put_rows"] * 3 + ["take_back"]
        assert (counts.rows_read, counts.rows_loaded + counts.rows_duplicate) == (2, 2)
        assert book.rows("select count(*) from core.event") == [(5,)]
