"""Properties: the store does not depend on the order, splitting or repetition of files, and every row is accounted for.

An independent oracle says what the book must hold: per fact, the version of the file that ranks highest.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.read.rows import FileRead
from pipeline.store.accounting import audit_store, fingerprint, require
from pipeline.store.accounts import known_files
from pipeline.store.book import Book, open_book
from pipeline.store.extents import know_extents
from pipeline.store.loading import load_file
from schemas.columns import columns

checked = settings(
    derandomize=True, deadline=None, max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@dataclass(frozen=True)
class Told:
    """One row of a file: a cycle, an observation or an estimate line, by number, in one of its versions."""

    kind: str
    fact: int
    version: int


told = st.builds(Told, st.sampled_from(["cycle", "cycle", "event", "estimate"]), st.integers(0, 4), st.integers(0, 2))
files_told = st.lists(st.lists(told, min_size=1, max_size=8), min_size=2, max_size=5)


def row_of(making: Any, row: Told) -> dict[str, Any]:
    if row.kind == "cycle":
        return making.cycle(10 * row.fact, parts=row.version)
    if row.kind == "event":
        return making.event(600 * row.fact, item="Load", value=str(row.version), native_code="7")
    return {"job": "J", "operation": str(row.fact), "cut_s": 0.1 + row.version}


def file_of(making: Any, name: str, rows: list[Told], content: object = None) -> FileRead:
    """A file whose rows come kind by kind, in chunks of two."""
    tables, first_row = [], 1
    for kind in ("cycle", "event", "estimate"):
        of_kind = [row_of(making, row) for row in rows if row.kind == kind]
        for start in range(0, len(of_kind), 2):
            chunk = of_kind[start : start + 2]
            tables.append(making.table(kind, chunk, first_row=first_row))
            first_row += len(chunk)
    return making.file(name, *tables, content=content)


def load_all(book: Book, files: list[FileRead], reading: str = "") -> None:
    """Load files, then those that a withdrawal made stale, as a run does; know now and then what they hold."""
    by_id = {file.source.file_id: file for file in files}
    due = list(by_id)
    while due:
        due = [stale for file_id in due for stale in load_file(book, by_id[file_id], reading).stale_files]
        know_extents(book)
    require(audit_store(book, thorough=True))
    assert not any(known.stale for known in known_files(book).values())


def dump_of(making: Any, files: list[FileRead], reading: str = "") -> dict[str, list[Any]]:
    with open_book(None, threads=1) as book:
        load_all(book, files, reading)
        return making.dump(book)


def oracle(files: list[FileRead]) -> tuple[dict[Any, Any], dict[Any, Any]]:
    """Return the accepted row (file, number) of each fact, and the winning row of each superseded one."""
    given_by: dict[Any, dict[Any, tuple[Any, str, int]]] = defaultdict(dict)
    for file in files:
        tables = list(file.tables)
        times = [
            time
            for table in tables
            for name in ("ended_at", "occurred_at")
            if name in table.rows.columns
            for time in table.rows[name].drop_nulls()
        ]
        cells = sum(
            table.rows.height - table.rows[name].null_count() for table in tables for name in columns(table.kind)
        )
        rank = (max(times).timestamp() if times else float("-inf"), cells, file.source.sha256)
        seen: dict[Any, int] = defaultdict(int)
        for table in tables:
            for row in table.rows.iter_rows(named=True):
                fact = {
                    "cycle": lambda row: (row["machine"], row["program"], row["started_at"].replace(microsecond=0)),
                    "event": lambda row: (row["machine"], row["item"], row["occurred_at"], row["native_code"]),
                    "estimate": lambda row: (row["job"], row["operation"]),
                }[table.kind](row)
                key = (table.kind, fact, seen[table.kind, fact])
                seen[table.kind, fact] += 1
                version = row.get("parts"), row.get("value"), row.get("cut_s")
                citation = (rank, file.source.file_id, row["row_number"])
                given_by[key][version] = max(given_by[key].get(version, citation), citation)
    accepted, others = {}, {}
    for key, versions in given_by.items():
        best = max(versions, key=lambda version: versions[version])
        accepted[key] = versions[best][1:]
        for version, citation in versions.items():
            if version != best:
                others[citation[1:]] = versions[best][1:]
    return accepted, others


@checked
@given(rows_of_files=files_told, order=st.randoms(use_true_random=False))
def test_any_order_gives_the_same_store_row_for_row(making: Any, rows_of_files: list[list[Told]], order: Any) -> None:
    """Each fact is held by the file that ranks highest, each other version stands once, whatever came first."""
    files = [file_of(making, f"file {number}", rows) for number, rows in enumerate(rows_of_files)]
    shuffled = files.copy()
    order.shuffle(shuffled)
    first, second = dump_of(making, files), dump_of(making, shuffled)
    assert first == second

    accepted, others = oracle(files)
    held = [(row[-3], row[-2]) for kind in ("cycle", "event", "estimate") for row in first[f"core.{kind}"]]
    assert sorted(held) == sorted(accepted.values())
    links = {(file_id, number): winner for _, file_id, number, _, _, _, _, *winner, _, _ in first["raw.superseded"]}
    assert {cited: tuple(winner) for cited, winner in links.items()} == others
    assert len(first["raw.superseded"]) == len(others)


@checked
@given(rows_of_files=files_told)
def test_twice_is_once(making: Any, rows_of_files: list[list[Told]]) -> None:
    """The same files again change nothing, neither under the same settings nor under others that read them alike."""
    files = [file_of(making, f"file {number}", rows) for number, rows in enumerate(rows_of_files)]
    with open_book(None, threads=1) as book:
        load_all(book, files)
        before, mark = making.dump(book), fingerprint(book)
        load_all(book, files)
        assert making.dump(book) == before
        assert fingerprint(book) == mark
        load_all(book, files, "settings 2")
        load_all(book, files, "")
        assert making.dump(book) == before


@checked
@given(
    facts=st.lists(st.integers(0, 40), min_size=1, max_size=24, unique=True),
    cuts=st.lists(st.tuples(st.integers(0, 23), st.integers(1, 24)), max_size=4),
    order=st.randoms(use_true_random=False),
)
def test_any_split_into_overlapping_files_gives_the_same_facts(
    making: Any, facts: list[int], cuts: list[tuple[int, int]], order: Any
) -> None:
    """One export, or overlapping pieces of it that together cover it, in any order: the same facts."""
    rows = [Told(kind, fact, 0) for fact in sorted(facts) for kind in ("cycle", "event")]
    pieces = [rows[start : start + length] for start, length in cuts] + [rows[: len(rows) // 2], rows[len(rows) // 2 :]]
    files = [file_of(making, f"piece {number}", piece) for number, piece in enumerate(pieces) if piece]
    order.shuffle(files)
    with open_book(None, threads=1) as whole, open_book(None, threads=1) as split:
        load_all(whole, [file_of(making, "whole", rows)])
        load_all(split, files)
        assert making.facts(split) == making.facts(whole)
        assert split.frame("select count(*) from raw.superseded").item() == 0
        known = known_files(split).values()
        assert sum(file.rows_loaded for file in known) == len(rows)
        assert sum(file.rows_read for file in known) == sum(len(piece) for piece in pieces)


@checked
@given(
    rows_of_files=st.lists(st.tuples(st.lists(told, max_size=6), st.lists(told, max_size=6)), min_size=2, max_size=4),
    order=st.randoms(use_true_random=False),
)
def test_new_readings_end_where_a_fresh_book_would(
    making: Any, rows_of_files: list[tuple[list[Told], list[Told]]], order: Any
) -> None:
    """Files read again under a mended profile leave nothing behind of what they gave before."""
    old = [file_of(making, f"f{n}", before, content=n) for n, (before, _) in enumerate(rows_of_files)]
    new = [file_of(making, f"f{n}", after, content=n) for n, (_, after) in enumerate(rows_of_files)]
    shuffled = new.copy()
    order.shuffle(shuffled)
    with open_book(None, threads=1) as book:
        load_all(book, old, "settings 1")
        load_all(book, shuffled, "settings 2")
        assert making.dump(book) == dump_of(making, new, "settings 2")


@checked
@given(
    rows_of_files=st.lists(st.lists(told, min_size=1, max_size=6), min_size=2, max_size=4),
    mended=st.lists(told, max_size=6),
)
def test_one_new_reading_among_others_ends_where_a_fresh_book_would(
    making: Any, rows_of_files: list[list[Told]], mended: list[Told]
) -> None:
    """A single file read otherwise sends the files that it had overruled through the reader again, and only then."""
    files = [file_of(making, f"f{n}", rows, content=n) for n, rows in enumerate(rows_of_files)]
    again = [file_of(making, "f0", mended, content=0), *files[1:]]
    with open_book(None, threads=1) as book:
        load_all(book, files)
        sources = {file.source.file_id: file for file in again}
        due = list(load_file(book, again[0], "settings 2").stale_files)
        know_extents(book)
        while due:
            due = [stale for file_id in due for stale in load_file(book, sources[file_id]).stale_files]
        require(audit_store(book, thorough=True))
        ended = making.dump(book)
    with open_book(None, threads=1) as fresh:
        load_file(fresh, again[0], "settings 2")
        load_all(fresh, again[1:])
        assert ended == making.dump(fresh)


@pytest.mark.parametrize("name", ["accounting", "provenance", "superseded_links", "cycle_stored_once", "source_extent"])
def test_each_audit_finds_a_broken_law(making: Any, name: str) -> None:
    """Audits are no ornaments: a book broken by hand fails the audit of that law."""
    breaks = {
        "accounting": "update raw.source_file set rows_loaded = rows_loaded + 1, rows_read = rows_read + 1",
        "provenance": "update core.cycle set file_id = 'nobody'",
        "superseded_links": "update raw.superseded set winner_row_number = 99",
        "source_extent": "delete from core.cycle where parts = 2",
        "cycle_stored_once": "insert into core.cycle select * from core.cycle",
    }
    with open_book(None, threads=1) as book:
        load_all(book, [file_of(making, str(n), [Told("cycle", 0, n), Told("cycle", n, 0)]) for n in (1, 2)])
        book.run(breaks[name])
        failed = {finding.name for finding in audit_store(book, thorough=True) if not finding.passed}
        assert name in failed
