"""Opening the book: its tables, its version, its lock, and what is left when a program is killed."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import pipeline
from pipeline.errors import Exit, InputError, StoreBusyError
from pipeline.read.rows import FileRead, TableRead, row_columns
from pipeline.store.accounting import audit_store, require
from pipeline.store.accounts import known_files
from pipeline.store.book import Book, open_book
from pipeline.store.extents import know_extents
from pipeline.store.frozen import Statement, keep, standing
from pipeline.store.loading import load_file
from pipeline.store.migrating import VERSION_KEY, bring_up_to_date, migrations, newest_version, stored_version
from pipeline.store.statements import FACTS, sql_type
from schemas.columns import required
from schemas.core import PROVENANCE, accepted
from schemas.vocabulary import STORED_KINDS, InputKind

ROOT = Path(pipeline.__file__).parents[1]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "book.duckdb"


@contextmanager
def other_program(script: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """Run a script in a process of its own, which talks by lines, and see to it that it ends."""
    child = subprocess.Popen(
        [sys.executable, "-c", script, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    try:
        yield child
    finally:
        child.kill()
        child.communicate()


def line_of(child: subprocess.Popen[str]) -> str:
    assert child.stdout is not None
    return child.stdout.readline().strip()


@pytest.mark.parametrize("kind", STORED_KINDS)
def test_core_tables_are_as_the_schemas_say(kind: InputKind) -> None:
    """Columns, order, types and what may be empty come from schemas.core.accepted and the input models."""
    with open_book(None) as book:
        found = book.frame(
            "select column_name, data_type, is_nullable from information_schema.columns "
            "where table_schema = 'core' and table_name = $kind order by ordinal_position",
            {"kind": kind},
        ).rows()
    filled = {*required(kind), *PROVENANCE} - {"line"}
    assert found == [
        (name, sql_type(dtype), "NO" if name in filled else "YES") for name, dtype in accepted(kind).items()
    ]


def test_every_stored_kind_has_an_identity() -> None:
    """A kind that is stored says what makes its rows one fact."""
    assert set(FACTS) == set(STORED_KINDS)


def test_frames_come_back_with_the_types_of_the_schemas(making: Any) -> None:
    """What was accepted reads back as it went in: microseconds, UTC, dates, whole numbers."""
    at = datetime(2026, 3, 29, 0, 59, 59, 123456, tzinfo=UTC)
    with open_book(None) as book:
        load_file(book, making.file("a", making.table("event", [{"machine": "M", "occurred_at": at, "item": "Load"}])))
        frame = book.frame("select * from core.event")
        assert dict(frame.schema) == accepted("event")
        assert frame["occurred_at"].to_list() == [at]
        for kind in STORED_KINDS:
            assert dict(book.frame(f"select * from core.{kind}").schema) == accepted(kind)
            assert [dict(rows.schema) for rows in book.parts(f"from core.{kind} where false")] == [accepted(kind)]
        assert pl.concat(book.parts("from core.event")).equals(frame)


def test_a_book_needs_no_network_and_keeps_one_clock() -> None:
    """No extension is ever fetched, and times are in UTC whatever the computer's zone."""
    with open_book(None) as book:
        settings = dict(
            book.rows(
                "select name, value from duckdb_settings() where name in "
                "('TimeZone', 'autoinstall_known_extensions', 'autoload_known_extensions')"
            )
        )
    assert settings == {
        "TimeZone": "UTC",
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
    }


def test_a_new_book_has_todays_version_and_opening_again_writes_nothing(path: Path) -> None:
    """The folder is made, the version noted, and the second opening leaves the file as it is."""
    with open_book(path) as book:
        assert book.note(VERSION_KEY) == str(newest_version())
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    with open_book(path) as book:
        assert bring_up_to_date(book.connection) == []
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before


def test_steps_run_once_in_order_and_only_those_that_lack(path: Path) -> None:
    """An older book is stepped through what it lacks; a step that fails leaves the book as it was."""
    last = newest_version()
    steps = [
        *migrations(),
        (last + 2, "insert into raw.book values ('second', (select value from raw.book where key = 'first') || '!');"),
        (last + 1, "insert into raw.book values ('first', 'done');"),
    ]
    with open_book(path) as book:
        broken = [*migrations(), (last + 1, "insert into raw.book values ('first', 'x'); select no_such_function();")]
        with pytest.raises(Exception, match="no_such_function"):
            bring_up_to_date(book.connection, broken)
        assert (stored_version(book.connection), book.note("first")) == (last, None)
        assert bring_up_to_date(book.connection, steps) == [last + 1, last + 2]
        assert (book.note("second"), stored_version(book.connection)) == ("done!", last + 2)
        assert bring_up_to_date(book.connection, steps) == []


def test_marts_that_nothing_makes_any_more_leave_an_older_book(path: Path) -> None:
    """Two marts of former versions are gone once the book is stepped up."""
    with open_book(path) as book:
        for name in ("edge_outlook", "quote_effect"):
            book.run(f"create table mart.{name} as select 1 as one")
        book.run("create table mart.quote_spread as select 'setup' as time_kind")
        book.keep_note(VERSION_KEY, "8")
    with open_book(path) as book:
        left = book.rows("select table_name from duckdb_tables() where schema_name = 'mart'")
        assert not {("edge_outlook",), ("quote_effect",)} & set(left)
        assert book.rows("select freedom from mart.quote_spread") == [(0,)]
        assert book.note(VERSION_KEY) == str(newest_version())


def test_a_book_of_version_1_keeps_its_rows_and_is_read_once_more(path: Path, making: Any) -> None:
    """Ranks are made from what is known; which columns the tables of files have, these tell when they are read anew."""
    files = [
        making.file(name, making.table("cycle", [making.cycle(0, parts=parts), making.cycle(10 * parts)]))
        for name, parts in (("a", 1), ("b", 2))
    ]
    with open_book(path) as book:
        for file in files:
            load_file(book, file)
        before = making.facts(book)
        for table, column in (("source_file", "rank"), ("superseded", "filled"), ("reject", "taken_up_by")):
            book.run(f"alter table raw.{table} drop column {column}")
        book.run("alter table raw.source_file drop column is_extent_known")
        for table in ("source_table", "source_path"):
            book.run(f"drop table raw.{table}")
        book.run("alter table core.edge_change drop column insert_batch")
        book.keep_note(VERSION_KEY, "1")
    with open_book(path) as book:
        assert stored_version(book.connection) == newest_version()
        assert all(known.stale for known in known_files(book).values())
        assert making.facts(book) == before
        for file in files * 2:
            load_file(book, file)
        require(audit_store(book, thorough=True))
        assert not any(known.stale for known in known_files(book).values())
        assert making.facts(book) == before


def test_a_book_of_version_5_learns_what_its_files_hold(path: Path, making: Any) -> None:
    """The next run says it in short; nothing is read anew."""
    with open_book(path) as book:
        load_file(book, making.file("a", making.table("cycle", [making.cycle(0, job="J"), making.cycle(10)])))
        book.run("alter table raw.source_file drop column is_extent_known")
        book.run("drop table raw.source_extent")
        book.run("alter table core.edge_change drop column insert_batch")
        book.keep_note(VERSION_KEY, "5")
    with open_book(path) as book:
        assert not any(known.stale for known in known_files(book).values())
        know_extents(book)
        assert book.rows("select kind, machine, rows, programs, jobs from raw.source_extent") == [
            ("cycle", "M1", 2, ["O1"], ["J"])
        ]
        require(audit_store(book, thorough=True))


def test_documents_in_a_book_of_version_4_are_read_once_more(path: Path, making: Any) -> None:
    """The numbers that their agents gave are not in the book yet; other files are left as they are."""
    log, document = (making.file(name, making.table("event", [making.event(0, machine=name)])) for name in "ab")
    with open_book(path) as book:
        load_file(book, log)
        load_file(book, replace(document, shape="streams xml"))
        book.run("drop table raw.sequence")
        book.run("alter table raw.source_file drop column is_extent_known")
        book.run("alter table core.edge_change drop column insert_batch")
        book.keep_note(VERSION_KEY, "4")
    with open_book(path) as book:
        assert [known.file_id for known in known_files(book).values() if known.stale] == [document.source.file_id]


def test_logs_of_states_in_a_book_of_version_9_are_read_once_more(path: Path, making: Any) -> None:
    """Ends of states were rows of their own there; logs without such rows, and streams, are left as they are."""
    log, stream, plain = (
        making.file(name, making.table("event", [making.event(0, machine=name, value=value)]))
        for name, value in (("a", "UNAVAILABLE"), ("b", "UNAVAILABLE"), ("c", "ACTIVE"))
    )
    with open_book(path) as book:
        for file in (log, replace(stream, shape="adapter text"), plain):
            load_file(book, file)
        for column in ("ended_at", "end_within_s"):
            book.run(f"alter table core.event drop column {column}")
        book.keep_note(VERSION_KEY, "9")
    with open_book(path) as book:
        assert [known.file_id for known in known_files(book).values() if known.stale] == [log.source.file_id]
        assert book.rows("select distinct ended_at, end_within_s from core.event") == [(None, None)]


def test_a_book_of_version_2_gets_the_tables_of_frozen_months(path: Path, making: Any) -> None:
    """What the book holds stays as it is, and months can be frozen in it."""
    with open_book(path) as book:
        load_file(book, making.file("a", making.table("cycle", [making.cycle(0), making.cycle(10)])))
        before = making.dump(book)
        for table in ("frozen_month", "frozen_figure", "frozen_source"):
            book.run(f"drop table raw.{table}")
        book.run("alter table raw.source_file drop column is_extent_known")
        book.run("alter table core.edge_change drop column insert_batch")
        book.keep_note(VERSION_KEY, "2")
    with open_book(path) as book:
        assert stored_version(book.connection) == newest_version()
        assert making.dump(book) == before
        assert standing(book) == []
        stated = Statement("2026-03", making.start, "1", {"shop": {"name": "A"}}, {"a_report": [{"machine": "M1"}]}, 1)
        sources = {"machine": ["M1"], "file_id": ["f"], "kind": ["cycle"], "rows": [2], "reading_fingerprint": ["r"]}
        keep(book, stated, pl.DataFrame(sources))
    with open_book(path, read_only=True) as book:
        assert standing(book) == [stated]


def test_a_newer_book_is_left_alone(path: Path) -> None:
    """A book of a later version is a matter of updating the program (exit code 5), and nothing is changed."""
    with open_book(path) as book:
        book.keep_note(VERSION_KEY, str(newest_version() + 1))
    for read_only in (False, True):
        with pytest.raises(StoreBusyError, match=r"update spindlebook.*Nothing was changed") as raised:
            open_book(path, read_only=read_only).__enter__()
        assert raised.value.exit_code == Exit.BUSY


def test_an_older_book_is_not_only_read(path: Path) -> None:
    """Reading does not migrate; the message says what does."""
    with open_book(path) as book:
        book.keep_note(VERSION_KEY, str(newest_version() - 1))
    with pytest.raises(StoreBusyError, match="run `spindlebook run` once"):
        open_book(path, read_only=True).__enter__()


def test_no_book_to_read(path: Path) -> None:
    """Reading where nothing was loaded yet is missing input (exit code 3), not a new empty book."""
    with pytest.raises(InputError, match="there is no book here yet"):
        open_book(path, read_only=True).__enter__()
    assert not path.exists()


def test_a_file_that_is_no_book(path: Path) -> None:
    """A foreign file under the book's name is named, and left as it is."""
    path.parent.mkdir()
    path.write_text("Cycle report\n" * 1000)
    with pytest.raises(InputError, match=r"this file is not a book.*rebuilt"):
        open_book(path).__enter__()
    assert path.read_text().startswith("Cycle report")


def test_read_only_books_refuse_to_be_written(path: Path, making: Any) -> None:
    """A report cannot change the book."""
    with open_book(path) as book:
        load_file(book, making.file("a", making.table("cycle", [making.cycle(0)])))
    with open_book(path, read_only=True) as book:
        assert book.frame("select count(*) from core.cycle").item() == 1
        with pytest.raises(Exception, match="read-only"):
            book.run("delete from core.cycle")


def test_notes_and_the_operator_key_stay(path: Path) -> None:
    """What the book keeps about itself survives closing; the key is made once, at random."""
    with open_book(path) as book:
        book.keep_note("derived", "one")
        book.keep_note("derived", "two")
        key = book.operator_key()
        assert book.note("nothing") is None
    with open_book(path) as book:
        assert (book.note("derived"), book.operator_key()) == ("two", key)
    assert len(key) == 32
    with open_book(None) as other:
        assert other.operator_key() != key


HOLD = """
import sys
from pathlib import Path
from pipeline.store.book import open_book
with open_book(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.parametrize("read_only", [False, True])
def test_a_held_book_says_what_to_do(path: Path, read_only: bool) -> None:
    """While another program has the book, opening it is worth trying again (exit code 5); afterwards it opens."""
    with other_program(HOLD, str(path)) as child:
        assert line_of(child) == "held"
        with pytest.raises(StoreBusyError, match=r"in use by another program.*try again") as raised:
            open_book(path, read_only=read_only).__enter__()
        assert raised.value.exit_code == Exit.BUSY
        child.communicate("done\n")
        assert child.returncode == 0
    with open_book(path, read_only=read_only) as book:
        assert book.frame("select count(*) from core.cycle").item() == 0


def test_the_same_program_cannot_open_it_twice_differently(path: Path) -> None:
    """A second opening in one program, read-only beside a writer, is refused in words too."""
    with open_book(path), pytest.raises(StoreBusyError, match="in use"):
        open_book(path, read_only=True).__enter__()


LOAD = """
import sys
from datetime import UTC, datetime
from pathlib import Path
import polars as pl
from pipeline.read.rows import FileRead, SourceFile, TableRead, row_columns
from pipeline.store.book import open_book
from pipeline.store.loading import load_file

def chunks(start, stop_at):
    for number in range(4):
        if number == stop_at:
            print("waiting", flush=True)
            sys.stdin.readline()
        rows = pl.select(second=pl.int_range(start + number * 5000, start + (number + 1) * 5000)).select(
            machine=pl.lit("M1"),
            occurred_at=pl.lit(datetime(2026, 3, 2, tzinfo=UTC)) + pl.duration(seconds="second"),
            item=pl.lit("Load"), value=pl.col("second").cast(pl.String), data_item_id=None, sub_type=None, path=None,
            level=None, native_code=None, text=None, ended_at=None, end_within_s=None,
            row_number=pl.col("second") - start + 1,
            line=pl.col("second") - start + 1, raw=None,
        ).cast(row_columns("event"))
        yield TableRead("event", rows, rows.height)

def file(name, start, stop_at=None):
    return FileRead(SourceFile(Path(name), None, name * 64, 1), "loaded", "table", tables=chunks(start, stop_at))

with open_book(Path(sys.argv[1])) as book:
    stop_at = int(sys.argv[2]) if len(sys.argv) > 2 else None
    load_file(book, file("a", 0))
    load_file(book, file("b", 10000, stop_at))
    if stop_at == 4:
        print("waiting", flush=True)
        sys.stdin.readline()
print("done", flush=True)
"""


def held_by(book: Book, making: Any) -> dict[str, Any]:
    require(audit_store(book, thorough=True))
    return {name: rows for name, rows in making.dump(book).items() if name in ("core.event", "raw.source_file")}


@pytest.mark.parametrize("stop_at", [0, 1, 3, 4])
def test_a_killed_load_leaves_nothing_and_the_next_run_completes(
    path: Path, tmp_path: Path, making: Any, stop_at: int
) -> None:
    """Killed before, between or after the chunks of a file, the book opens as before it, and ends up the same."""
    with other_program(LOAD, str(path), str(stop_at)) as child:
        assert line_of(child) == "waiting"
    assert child.returncode < 0
    with open_book(path) as book:
        expected = {"a": 10_000, "b": 20_000} if stop_at == 4 else {"a": 20_000}
        assert {file.name: file.rows_loaded for file in known_files(book).values()} == expected
        require(audit_store(book, thorough=True))
    other = tmp_path / "other.duckdb"
    for place in (path, other):
        with other_program(LOAD, str(place)) as child:
            assert line_of(child) == "done"
    with open_book(path) as book, open_book(other) as clean:
        assert held_by(book, making) == held_by(clean, making)


def test_a_killed_book_can_be_read_at_once(path: Path) -> None:
    """A report after a crash needs no writer to mend the book first."""
    with other_program(LOAD, str(path), "3") as child:
        assert line_of(child) == "waiting"
    with open_book(path, read_only=True) as book:
        assert book.frame("select count(*) from core.event").item() == 20_000


def test_large_files_are_loaded_by_sets(making: Any) -> None:
    """Two hundred thousand observations, half of them said twice and a tenth corrected, settle without a row's loop."""
    count = 200_000

    def export(first: int, changed_every: int) -> FileRead:
        number = pl.int_range(first, first + count, eager=True)
        rows = pl.DataFrame(
            {
                "machine": pl.repeat("M1", count, eager=True),
                "occurred_at": (number * 1_000_003).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
                "item": pl.repeat("Load", count, eager=True),
                "value": (number + (number % changed_every == 0).cast(pl.Int64)).cast(pl.String),
                "row_number": number - first + 1,
            }
        )
        whole = pl.concat([pl.DataFrame(schema=row_columns("event")), rows], how="diagonal")
        return making.file(str(first), TableRead("event", whole, count), content=first)

    with open_book(None) as book:
        load_file(book, export(0, count * 10))
        loaded = load_file(book, export(count // 2, 10))
        assert (loaded.rows_loaded, loaded.rows_duplicate) == (count, 0)
        assert book.frame("select count(*) from core.event").item() == count * 3 // 2
        assert book.frame("select count(*) from raw.superseded").item() == count // 20
        require(audit_store(book, thorough=True))
