"""Files that did not change are known without being opened, and the book is what it would be if each were hashed."""

from __future__ import annotations

import gzip
import os
import shutil
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.ingesting import IngestResult, ingest
from pipeline.progress import Null, Step
from pipeline.read import unfinished
from pipeline.store.book import open_book
from pipeline.workspace import Workspace

HEAD = "machine,program,started_at,ended_at,parts"
DEVICES = """<?xml version="1.0"?><MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:1.3"><Devices>
<Device id="d" name="M1" uuid="u"><DataItems><DataItem id="e" name="exec" type="EXECUTION" category="EVENT"/>
<DataItem id="f" name="feed" type="{0}" category="SAMPLE"/></DataItems></Device></Devices></MTConnectDevices>"""


def cycles(*hours: int, parts: int = 1, machine: str = "M1") -> str:
    rows = [f"{machine},O1,2026-05-04T{hour:02}:00:00Z,2026-05-04T{hour:02}:20:00Z,{parts}" for hour in hours]
    return "\n".join([HEAD, *rows, ""])


class Shop:
    """A workspace and a folder of exports beside it."""

    def __init__(self, folder: Path) -> None:
        self.exports, self.workspace = folder / "exports", folder / "shop"
        self.exports.mkdir(parents=True)
        self.workspace.mkdir()

    def write(self, name: str, text: str) -> Path:
        path = self.exports / name
        path.parent.mkdir(exist_ok=True, parents=True)
        path.write_text(text, encoding="utf-8")
        return path

    def ingest(self, *sources: Path) -> IngestResult:
        return ingest(list(sources or (self.exports,)), Workspace(self.workspace), Null(), thorough=True)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        with open_book(Workspace(self.workspace).book_path) as book:
            return book.rows(sql)


@pytest.fixture
def shop(tmp_path: Path, settled: None) -> Shop:
    return Shop(tmp_path)


@pytest.fixture
def settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stamps are trusted at once: the tests write between runs, each time in another tick of the clock."""
    monkeypatch.setattr(unfinished, "SETTLED_NS", -1)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files that are opened from now on."""
    return watch_opening(monkeypatch)


def watch_opening(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every way to a file's bytes that the readers take goes through one of these."""
    names: list[str] = []

    def noting(real: Callable[..., Any]) -> Callable[..., Any]:
        def noted(path: Any, *args: Any, **named: Any) -> Any:
            if isinstance(path, str | os.PathLike):
                names.append(Path(path).name)
            return real(path, *args, **named)

        return noted

    monkeypatch.setattr(os, "open", noting(os.open))
    monkeypatch.setattr("builtins.open", noting(open))
    monkeypatch.setattr("io.open", noting(open))
    monkeypatch.setattr(Path, "open", noting(Path.open))
    monkeypatch.setattr(gzip, "open", noting(gzip.open))
    return names


def test_no_known_file_is_opened(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables, streams with their devices document, packed files, files that wait for a profile: none; the result is
    what it was."""
    shop.write("a.csv", cycles(6, 7))
    shop.write("deep/er/b.csv", cycles(8))
    shop.write("waits.csv", "when,what\n1.2.2026,x\n2.3.2026,y\n")
    shop.write("devices.xml", DEVICES.format("PATH_FEEDRATE"))
    shop.write("log.txt", "2026-05-04T09:00:00Z|exec|ACTIVE\n2026-05-04T09:10:00Z|exec|READY\n")
    (shop.exports / "c.csv.gz").write_bytes(gzip.compress(cycles(9).encode()))
    with zipfile.ZipFile(shop.exports / "d.zip", "w") as packed:
        packed.writestr("one.csv", cycles(10))
        packed.writestr("in/devices.xml", DEVICES.format("AXIS_FEEDRATE"))
    first = shop.ingest()
    before = shop.rows("select * from raw.source_path order by all")
    opened = watch_opening(monkeypatch)
    second = shop.ingest()
    there = {path.name for path in shop.exports.rglob("*")}
    assert there & set(opened) == set()
    assert all(counts.already_known for counts in second.files)
    assert {(c.file_id, c.name, c.status, c.rows_read, c.rows_loaded, c.notes) for c in second.files} == {
        (c.file_id, c.name, c.status, c.rows_read, c.rows_loaded, c.notes) for c in first.files
    }
    assert second.summary() == "0 files read, 8 known already: 0 rows = 0 loaded + 0 duplicate + 0 rejected"
    assert shop.rows("select * from raw.source_path order by all") == before


def test_a_content_of_the_same_size_is_read(shop: Shop) -> None:
    """Also where a tool put the time of modification back, as copying and unpacking do."""
    path = shop.write("a.csv", cycles(6, parts=1))
    shop.ingest()
    was = path.stat()
    shop.write("a.csv", cycles(6, parts=2))
    assert path.stat().st_size == was.st_size
    assert shop.ingest().rows_loaded == 1
    shop.write("a.csv", cycles(6, parts=3))
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
    assert shop.ingest().rows_loaded == 1
    assert shop.rows("select parts from core.cycle") == [(3,)]


def test_a_touched_file_costs_one_hash(shop: Shop, opened: list[str]) -> None:
    """Its content is known, and so is it itself from then on."""
    path = shop.write("a.csv", cycles(6))
    shop.ingest()
    os.utime(path, (time.time() - 60, time.time() - 60))
    for times in (1, 0):
        opened.clear()
        assert [counts.already_known for counts in shop.ingest().files] == [True]
        assert opened.count("a.csv") == times


def test_a_file_of_just_now_is_not_trusted(tmp_path: Path, opened: list[str]) -> None:
    """It could be written again within the same tick of the clock: it is hashed until its times are old enough."""
    shop = Shop(tmp_path)
    shop.write("a.csv", cycles(6))
    shop.ingest()
    opened.clear()
    shop.ingest()
    assert "a.csv" in opened


@pytest.mark.parametrize(
    ("modified_s", "changed_s", "trusted"),
    [(-10, -10, True), (-10, -1, False), (-1, -10, False), (60, -10, False), (90_000, -10, True), (-10, 2, False)],
)
def test_a_stamp_is_settled_when_both_times_are_past(modified_s: float, changed_s: float, trusted: bool) -> None:
    """The clock of a share may be ahead of ours a little; a date a day ahead is a control's wrong clock."""
    seen_ns = 1_780_000_000 * 10**9
    stamp = unfinished.Stamp(1, seen_ns + int(modified_s * 1e9), seen_ns + int(changed_s * 1e9), 7)
    assert stamp.is_settled(seen_ns) is trusted


def test_what_decides_is_asked_of_unopened_files_too(shop: Shop, opened: list[str]) -> None:
    """A rule of shop.toml and a devices document: the files that they concern are read anew, the others are not."""
    shop.write("a.csv", cycles(6))
    shop.write("b.csv", cycles(7))
    shop.write("log.txt", "2026-05-04T09:00:00Z|exec|ACTIVE\n2026-05-04T09:10:00Z|exec|READY\n")
    shop.write("devices.xml", DEVICES.format("PATH_FEEDRATE"))
    shop.ingest()
    toml = shop.workspace / "shop.toml"
    zone = Workspace(shop.workspace).shop.shop.timezone
    toml.write_text(f'[shop]\ntimezone = "{zone}"\n[[source]]\nfiles = "b.csv"\nmachine = "M1"\n', encoding="utf-8")
    opened.clear()
    assert [counts.name.rpartition("/")[2] for counts in shop.ingest().files if not counts.already_known] == ["b.csv"]
    assert "a.csv" not in opened
    shop.write("devices.xml", DEVICES.format("AXIS_FEEDRATE"))
    opened.clear()
    read = {counts.name.rpartition("/")[2] for counts in shop.ingest().files if not counts.already_known}
    assert read == {"log.txt", "devices.xml"}
    assert not {"a.csv", "b.csv"} & set(opened)


def test_an_unreadable_file_is_looked_at_every_time(shop: Shop, opened: list[str]) -> None:
    """What kept it from being read (a right, a lock, a bad cable) may leave no trace in what the disk says of it."""
    shop.write("a.csv", cycles(6))
    (shop.exports / "bad.zip").write_bytes(b"PK\x03\x04 and no more")
    shop.ingest()
    opened.clear()
    shop.ingest()
    assert "bad.zip" in opened
    assert "a.csv" not in opened


def test_files_queued_again_are_counted(shop: Shop) -> None:
    """As many are to do as are done in the end."""
    total, done = 0, 0

    class Counting(Null):
        def step(self, label: str, total: int | None = None) -> Any:
            return Running(total or 0)

    class Running:
        def __init__(self, to_do: int) -> None:
            nonlocal total
            total += to_do

        def __enter__(self) -> Step:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def advance(self, count: int = 1, note: str = "") -> None:
            nonlocal done
            done += count

        def extend(self, count: int) -> None:
            nonlocal total
            total += count

    shop.write("orders.csv", "Item;Count\nO1;3\nO2;4\n")
    shop.write("known.csv", cycles(6, 7))
    ingest([shop.exports], Workspace(shop.workspace), Counting())
    shop.write("known.csv", cycles(6, parts=2))
    shop.write("more.csv", cycles(7, 8, parts=3))
    ingest([shop.exports], Workspace(shop.workspace), Counting())
    assert total == done > 0


NAMES = ("a.csv", "b.csv", "sub/c.csv")
CONTENTS = [cycles(6, 7), cycles(6, 7, parts=2), cycles(7, 8, parts=3), cycles(6, parts=4), cycles(9)]
step_of_work = st.one_of(
    st.tuples(st.just("write"), st.sampled_from(NAMES), st.integers(0, len(CONTENTS) - 1)),
    st.tuples(st.just("remove"), st.sampled_from(NAMES), st.just(0)),
    st.tuples(st.just("move"), st.sampled_from(NAMES), st.integers(0, len(NAMES) - 1)),
    st.tuples(st.just("touch"), st.sampled_from(NAMES), st.just(0)),
)


def work(exports: Path, step: tuple[str, str, int]) -> None:
    """Do one thing that people and controls do to exports."""
    what, name, number = step
    path = exports / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if what == "write":
        path.write_text(CONTENTS[number], encoding="utf-8")
    elif what == "remove":
        path.unlink(missing_ok=True)
    elif what == "move" and path.exists():
        target = exports / NAMES[number]
        target.parent.mkdir(parents=True, exist_ok=True)
        path.replace(target)
    elif what == "touch" and path.exists():
        os.utime(path)


@settings(derandomize=True, deadline=None, max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=st.lists(st.lists(step_of_work, min_size=1, max_size=3), min_size=2, max_size=4))
def test_the_fast_way_gives_the_book_of_the_slow(
    tmp_path: Path, settled: None, dump_of: Callable[..., Any], runs: list[list[tuple[str, str, int]]]
) -> None:
    """After any changes between any runs the books are the same, row for row, and another run changes nothing."""
    folder = tmp_path / "case"
    shutil.rmtree(folder, ignore_errors=True)
    shop = Shop(folder)
    slow = Workspace(folder / "slow")
    for changes in runs:
        for change in changes:
            work(shop.exports, change)
        shop.ingest()
        ingest([shop.exports], slow, Null(), thorough=True)
        with open_book(slow.book_path) as book:
            book.run("delete from raw.path_stamp")
        assert dump_of(Workspace(shop.workspace).book_path) == dump_of(slow.book_path)
        again = shop.ingest()
        assert all(counts.already_known for counts in again.files)


@pytest.fixture
def dump_of() -> Callable[[Path], dict[str, list[Any]]]:
    """All of a book that does not tell the time of a run."""
    tables = ("core.cycle", "raw.superseded", "raw.source_row", "raw.reject", "raw.source_table")
    asked = {name: f"select * from {name} order by all" for name in tables} | {
        "raw.source_file": "select * exclude (ingested_at) from raw.source_file order by all",
        "raw.source_path": "select * exclude (seen_at) from raw.source_path order by all",
    }

    def dump(path: Path) -> dict[str, list[Any]]:
        with open_book(path) as book:
            return {name: book.rows(sql) for name, sql in asked.items()}

    return dump
