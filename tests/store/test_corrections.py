"""Corrections: columns that an export lacks, re-exports with more columns, fewer rows or other values, ties, and paths.

An independent oracle, row by row in plain Python, says what the book must hold.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.read.rows import FileRead, TableRead
from pipeline.store.accounting import audit_store, require
from pipeline.store.accounts import known_files
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file
from pipeline.store.standing import note_gone, paths_standing
from schemas.columns import required

checked = settings(
    derandomize=True, deadline=None, max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
OPTIONAL = ("parts", "scrap", "job")


@pytest.fixture
def book() -> Iterator[Book]:
    with open_book(None, threads=1) as opened:
        yield opened
        require(audit_store(opened, thorough=True))


@dataclass(frozen=True)
class Export:
    """One content of a path: which columns it has, and per fact (a cycle) the values of these."""

    has: frozenset[str]
    rows: dict[int, tuple[int | None, ...]]

    def said(self) -> dict[int, dict[str, Any]]:
        """Return what the export says of each fact."""
        return {
            fact: {name: value for name, value in zip(OPTIONAL, values, strict=True) if name in self.has}
            for fact, values in self.rows.items()
        }


exports = st.builds(
    Export,
    st.frozensets(st.sampled_from(OPTIONAL)),
    st.dictionaries(
        st.integers(0, 3), st.tuples(*[st.sampled_from([None, 1, 2])] * len(OPTIONAL)), min_size=1, max_size=4
    ),
)
histories = st.lists(st.lists(exports, min_size=1, max_size=3), min_size=1, max_size=3)


def with_columns(table: TableRead, *names: str) -> TableRead:
    """Return a table of which only these of the optional columns exist."""
    return replace(table, fields=frozenset({*required(table.kind), *names}))


def file_of(making: Any, path: str, turn: int, export: Export) -> FileRead:
    rows = [
        making.cycle(
            10 * fact, **{name: str(value) if name == "job" and value else value for name, value in said.items()}
        )
        for fact, said in sorted(export.said().items())
    ]
    table = with_columns(making.table("cycle", rows), *export.has)
    file: FileRead = making.file(path, table, content=(turn, sorted(export.has), sorted(export.rows.items())))
    return file


def load_all(book: Book, files: list[FileRead]) -> None:
    for file in files:
        assert load_file(book, file).stale_files == ()
    require(audit_store(book, thorough=True))


@checked
@given(history=histories, order=st.randoms(use_true_random=False))
def test_any_order_of_overlapping_exports_gives_the_same_store(
    making: Any, history: list[list[Export]], order: Any
) -> None:
    """Whatever the order of paths, each with its contents in order, a field is the highest file's that has it."""
    paths = {
        f"p{place}": [file_of(making, f"p{place}", turn, export) for turn, export in enumerate(contents)]
        for place, contents in enumerate(history)
    }
    queues = {path: list(files) for path, files in paths.items()}
    mixed = []
    while queues:
        path = order.choice(sorted(queues))
        mixed.append(queues[path].pop(0))
        queues = {path: files for path, files in queues.items() if files}
    with open_book(None, threads=1) as one, open_book(None, threads=1) as other:
        load_all(one, [file for files in paths.values() for file in files])
        load_all(other, mixed)
        held = making.dump(one)
        assert held == making.dump(other)
        found = one.frame("select * from core.cycle").to_dicts()
        superseded = one.frame("select * from raw.superseded").to_dicts()

    ranks = ranks_of(history, paths)
    told = {
        file.source.file_id: export.said()
        for place, contents in enumerate(history)
        for file, export in zip(paths[f"p{place}"], contents, strict=True)
    }
    facts: dict[int, dict[str, dict[str, Any]]] = defaultdict(dict)
    for file_id, said in told.items():
        for fact, fields in said.items():
            facts[fact][file_id] = fields
    assert len(found) == len(facts)
    kept_elsewhere = {}
    for row in found:
        fact = round((row["started_at"] - making.start).total_seconds() / 600)
        falling = sorted(facts[fact], key=lambda file_id: ranks[file_id], reverse=True)
        assert row["file_id"] == falling[0]
        holds = {}
        for file_id in reversed(falling):
            holds.update(facts[fact][file_id])
        assert {name: row[name] for name in OPTIONAL} == {
            name: str(holds[name]) if name == "job" and holds.get(name) else holds.get(name) for name in OPTIONAL
        }
        for at, file_id in enumerate(falling[1:], start=1):
            version = facts[fact][file_id]
            if any(version.items() <= facts[fact][higher].items() for higher in falling[:at]):
                continue
            above = {name for higher in falling[:at] for name in facts[fact][higher]}
            kept_elsewhere[fact, file_id] = (
                sorted(name for name, value in version.items() if value != holds[name]),
                sorted(name for name, value in version.items() if value is not None and name not in above),
            )
    assert kept_elsewhere == {
        (
            round((float(json.loads(row["row_json"])["started_at"][14:16]) % 60) / 10),
            row["file_id"],
        ): (sorted(json.loads(row["changed"])), sorted(json.loads(row["filled"])))
        for row in superseded
    }


def ranks_of(history: list[list[Export]], paths: dict[str, list[FileRead]]) -> dict[str, tuple[Any, ...]]:
    """Return what each file ranks by: last record, filled cells, hash; or just above what it replaced at its path."""
    ranks: dict[str, tuple[Any, ...]] = {}
    for place, contents in enumerate(history):
        floor: tuple[Any, ...] = ()
        for file, export in zip(paths[f"p{place}"], contents, strict=True):
            cells = sum(value is not None for said in export.said().values() for value in said.values())
            sha256 = file.source.sha256
            own = (max(export.rows), cells + len(export.rows) * len(required("cycle")), sha256)
            ranks[file.source.file_id] = own if own > floor else (*floor, sha256[:12])
            floor = max(floor, ranks[file.source.file_id])
    return ranks


def cycles(book: Book, *names: str) -> list[tuple[Any, ...]]:
    return book.frame(f"select {', '.join(names)} from core.cycle order by started_at").rows()


def test_a_re_export_with_more_columns_fills_in(book: Book, making: Any) -> None:
    """The same cycles with a job column: the job comes in, from whichever of the two files comes first."""
    plain = making.file("plain", with_columns(making.table("cycle", [making.cycle(0, parts=1)]), "parts"))
    fuller = making.file("fuller", making.table("cycle", [making.cycle(0, parts=1, job="J7")]))
    load_file(book, plain)
    load_file(book, fuller)
    assert cycles(book, "parts", "job", "file_id") == [(1, "J7", fuller.source.file_id)]
    assert book.frame("select count(*) from raw.superseded").item() == 0


def test_a_later_export_with_fewer_columns_erases_nothing(book: Book, making: Any) -> None:
    """A later export without the job column wins where both give a value, and leaves the job as it was, with a link."""
    fuller = making.file("fuller", making.table("cycle", [making.cycle(0, parts=1, job="J7")]))
    later = making.file(
        "later", with_columns(making.table("cycle", [making.cycle(0, parts=2), making.cycle(10)]), "parts")
    )
    load_file(book, later)
    load_file(book, fuller)
    assert cycles(book, "parts", "job", "file_id") == [
        (2, "J7", later.source.file_id),
        (None, None, later.source.file_id),
    ]
    (version,) = book.frame("select file_id, winner_file_id, changed, filled from raw.superseded").rows()
    assert version == (fuller.source.file_id, later.source.file_id, '{"parts":[1,2]}', '["job"]')


def test_an_empty_cell_is_a_value_where_the_column_exists(book: Book, making: Any) -> None:
    """A later export that has the column and leaves it empty takes a wrong job out."""
    load_file(book, making.file("old", making.table("cycle", [making.cycle(0, job="J7")])))
    load_file(book, making.file("new", making.table("cycle", [making.cycle(0), making.cycle(10)])))
    assert cycles(book, "job") == [(None,), (None,)]
    assert book.frame("select changed from raw.superseded").rows() == [('{"job":["J7",null]}',)]


def test_an_estimate_by_one_time_leaves_none_of_the_others(book: Book, making: Any) -> None:
    """cut_s + noncut_s and cycle_s say one thing in two ways: the higher file's way holds alone."""
    line = {"job": "J", "operation": "10"}
    by_tool = with_columns(making.table("estimate", [{**line, "cut_s": 40.0, "noncut_s": 8.0}]), "cut_s", "noncut_s")
    whole = with_columns(
        making.table("estimate", [{**line, "cycle_s": 55.0, "quantity": 5, "source": "quote"}]),
        "cycle_s", "quantity", "source",
    )  # fmt: skip
    for table, name in ((by_tool, "a"), (whole, "b")):
        load_file(book, making.file(name, table))
    assert book.frame("select cut_s, noncut_s, cycle_s, quantity from core.estimate").rows() == [(None, None, 55.0, 5)]


@pytest.mark.parametrize("swapped", [False, True])
def test_equal_last_records_go_to_the_export_that_says_more(book: Book, making: Any, swapped: bool) -> None:
    """Of two exports that end alike, the one with more rows or more filled cells holds, whatever their hashes."""
    for seed in range(4):
        last = making.cycle(1000 * seed + 10)
        less = making.table("cycle", [making.cycle(1000 * seed, parts=1), last])
        more = making.table("cycle", [making.cycle(1000 * seed, parts=2), making.cycle(1000 * seed + 5), last])
        files = [making.file(f"less {seed}", less), making.file(f"more {seed}", more)]
        for file in reversed(files) if swapped else files:
            load_file(book, file)
    assert [parts for (parts,) in cycles(book, "parts") if parts] == [2, 2, 2, 2]


@pytest.mark.parametrize("seed", range(4))
def test_what_is_exported_over_an_old_file_holds(book: Book, making: Any, seed: int) -> None:
    """A shorter, corrected file under the old path outranks what stood there, not only where it ends later."""
    old = making.file("c.csv", making.table("cycle", [making.cycle(0, parts=9), making.cycle(10), making.cycle(20)]))
    new = making.file("c.csv", making.table("cycle", [making.cycle(0, parts=1)]), content=seed)
    load_file(book, old)
    load_file(book, new)
    assert [parts for (parts,) in cycles(book, "parts")] == [1, None, None]
    assert [known.rows_loaded for known in (known_files(book)[file.source.sha256] for file in (old, new))] == [2, 1]


def test_an_old_content_that_is_put_back_holds_again(book: Book, making: Any) -> None:
    """Restoring the first file under its path is a correction too."""
    first = making.file("c.csv", making.table("cycle", [making.cycle(0, parts=1)]))
    second = making.file("c.csv", making.table("cycle", [making.cycle(0, parts=2), making.cycle(10)]))
    for file, parts in ((first, 1), (second, 2), (first, 1)):
        load_file(book, file)
        assert cycles(book, "parts")[0] == (parts,)
    assert load_file(book, first).already_known


def test_a_content_that_stands_elsewhere_is_not_replaced(book: Book, making: Any) -> None:
    """A file that was moved, and whose old path holds another one, keeps its own rank."""
    old = making.file("log.csv", making.table("cycle", [making.cycle(0, parts=1), making.cycle(50)]))
    load_file(book, old)
    moved = replace(old, source=replace(old.source, path=Path("log.1.csv")))
    assert load_file(book, moved).already_known
    load_file(book, making.file("log.csv", making.table("cycle", [making.cycle(0, parts=2)])))
    assert cycles(book, "parts")[0] == (1,)
    assert len(paths_standing(book)) == 2


def test_a_path_where_nothing_stands_any_more_is_noted(book: Book, making: Any) -> None:
    """The rows of a file that was deleted stay."""
    load_file(book, making.file("a.csv", making.table("cycle", [making.cycle(0)])))
    note_gone(book, paths_standing(book))
    assert paths_standing(book) == []
    assert len(cycles(book, "parts")) == 1


def test_a_file_without_a_column_for_a_field_in_one_sheet_has_it_in_another(book: Book, making: Any) -> None:
    """Which columns exist is a matter of each table of a file, not of the file."""
    jobs = making.table("cycle", [making.cycle(0), making.cycle(5, job="J2")])
    bare = with_columns(making.table("cycle", [making.cycle(60)], first_row=3))
    load_file(book, making.file("old", making.table("cycle", [making.cycle(0, job="J1"), making.cycle(60, job="J3")])))
    load_file(book, making.file("workbook", jobs, bare, content=2))
    assert cycles(book, "job") == [(None,), ("J2",), ("J3",)]
