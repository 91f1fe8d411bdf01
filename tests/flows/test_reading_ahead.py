"""The next large file is read while the one before is stored: the book is the same as without. About 3 s of CPU."""

from __future__ import annotations

import gzip
import os
import time
from pathlib import Path
from typing import Any

import pytest

from flows import reading_ahead
from flows.ingesting import IngestResult, ingest
from pipeline.progress import Null
from pipeline.store.book import open_book
from pipeline.workspace import Workspace
from schemas.vocabulary import STORED_KINDS

NEVER = 1 << 60
LONG_AGO_S = 3600


def events(machine: str, *seconds: int) -> str:
    rows = [f"{machine},2026-05-04T06:00:{second:02}Z,Execution,ACTIVE" for second in seconds]
    return "\n".join(["machine,occurred_at,item,value", *rows, ""])


def write(folder: Path, contents: dict[str, bytes]) -> None:
    """Write files that nobody has touched lately."""
    folder.mkdir(parents=True)
    for name, data in contents.items():
        (folder / name).write_bytes(data)
        os.utime(folder / name, (time.time() - LONG_AGO_S,) * 2)


CONTENTS = {
    "a.csv": events("M1", 1, 2, 2, 3).encode(),
    "b.csv": events("M2", 1, 2).encode(),
    "c copy of a.csv": events("M1", 1, 2, 2, 3).encode(),
    "d.csv": events("M1", 3, 4).encode(),
    "e cut off.csv.gz": gzip.compress(events("M3", *range(60)).encode() * 50)[:-40],
    "f unknown.csv": b"colour,taste\nred,sweet\n",
    "g no table.csv": b"\x00\x01\x02" * 900,
    "h.csv": b"machine,program,started_at,ended_at\nM1,O1,2026-05-04T06:00:00Z,2026-05-04T05:00:00Z\n",
}


def taken_in(folder: Path, least: int, monkeypatch: pytest.MonkeyPatch) -> tuple[IngestResult, dict[str, Any]]:
    """Ingest a folder twice into a workspace of its own; return the first result and what the book holds then."""
    monkeypatch.setattr(reading_ahead, "LEAST_BYTES", least)
    workspace = Workspace(folder.parent / f"shop {least}")
    workspace.folder.mkdir()
    told = ingest([folder], workspace, Null(), thorough=True)
    again = ingest([folder], workspace, Null(), thorough=True)
    assert all(counts.already_known for counts in again.files if counts.status == "loaded")
    with open_book(workspace.book_path) as book:
        relations = [*(f"core.{kind}" for kind in STORED_KINDS), "raw.reject", "raw.skipped", "raw.source_extent"]
        held = {name: book.rows(f"select * from {name} order by all") for name in relations}
        held["raw.source_file"] = book.rows("select * exclude (ingested_at) from raw.source_file order by file_id")
    return told, held


def test_the_book_is_the_same_whether_files_are_read_ahead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Copies, files that break off, that nobody can read, that ask: each is told as if it had been read in its turn."""
    write(tmp_path / "exports", CONTENTS)
    begun: list[str] = []
    begin = reading_ahead.begin
    monkeypatch.setattr(reading_ahead, "begin", lambda path, *rest: (begun.append(path.name), begin(path, *rest))[1])
    ahead, held_ahead = taken_in(tmp_path / "exports", 1, monkeypatch)
    assert len(begun) > 2
    by_turn, held = taken_in(tmp_path / "exports", NEVER, monkeypatch)
    assert held_ahead == held
    assert ahead.files == by_turn.files
    assert [sum(row[0] == machine for row in held["core.event"]) for machine in ("M1", "M2")] == [5, 2]


def test_a_fault_while_reading_ahead_is_told_of_its_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It costs that file alone, and is told as one that comes in the file's turn."""
    write(tmp_path / "exports", {name: CONTENTS[name] for name in ("a.csv", "b.csv", "d.csv")})
    read = reading_ahead.read_opened
    where: list[str] = []

    def broken(opened: Any, settings: Any) -> Any:
        where.append(opened.source.path.name)
        if opened.source.path.name == "b.csv":
            raise RuntimeError("a fault of ours")
        return read(opened, settings)

    monkeypatch.setattr(reading_ahead, "read_opened", broken)
    monkeypatch.setattr("flows.taking_in.read_opened", broken)
    monkeypatch.setattr(reading_ahead, "LEAST_BYTES", 1)
    (tmp_path / "shop").mkdir()
    told = ingest([tmp_path / "exports"], Workspace(tmp_path / "shop"), Null())
    assert where.count("b.csv") == 2  # ahead, and again in its turn
    assert {counts.name.rpartition("/")[2]: counts.status for counts in told.files} == {
        "a.csv": "loaded",
        "b.csv": "unreadable",
        "d.csv": "loaded",
    }


def test_a_file_that_changes_after_it_was_begun_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of it is stored; the next run reads what it says then."""
    write(tmp_path / "exports", {name: CONTENTS[name] for name in ("a.csv", "b.csv")})
    take = reading_ahead.ReadingAhead.take

    def taken_late(self: Any, path: Path, settings: Any) -> Any:
        begun = take(self, path, settings)
        if path.name == "b.csv":
            assert begun is not None
            path.write_text(events("M2", 1, 2, 3), encoding="utf-8")
        return begun

    monkeypatch.setattr(reading_ahead.ReadingAhead, "take", taken_late)
    monkeypatch.setattr(reading_ahead, "LEAST_BYTES", 1)
    (tmp_path / "shop").mkdir()
    workspace = Workspace(tmp_path / "shop")
    told = ingest([tmp_path / "exports"], workspace, Null())
    assert len(told.files) == 1
    assert "b.csv: still being written" in told.left[0]
    monkeypatch.undo()
    assert sum(counts.rows_loaded for counts in ingest([tmp_path / "exports"], workspace, Null()).files) == 4 + 3
