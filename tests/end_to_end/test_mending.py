"""Rejected rows that people mend, files exported again, and files that are still being written."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import ingesting, steps, taking_in
from flows.ingesting import IngestResult, ingest
from pipeline.progress import choose
from pipeline.read import unfinished
from pipeline.report.quarantine import reject_lines
from pipeline.report.queries import query
from pipeline.store.book import open_book
from pipeline.workspace import Workspace

Command = Callable[..., "subprocess.CompletedProcess[str]"]

HEAD = "machine,program,started_at,ended_at,parts,outcome"
ROWS = [f"L1,O1,2026-05-04T{hour:02}:00:00Z,2026-05-04T{hour:02}:20:00Z,1,complete" for hour in range(6, 12)]
PROFILE = """
version = 1
name = "Lathe"
kind = "cycle"
[columns.machine]
from = "machine"
[columns.program]
from = "program"
[columns.started_at]
from = "started_at"
[columns.ended_at]
from = "ended_at"
[columns.parts]
from = "parts"
[columns.outcome]
from = "outcome"
lookup = { "complete" = "complete" }
"""


class Shop:
    """A workspace with a folder of exports, worked on in this process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.exports = folder / "exports"
        self.exports.mkdir()
        (folder / "shop.toml").write_text(
            '[shop]\ntimezone = "UTC"\n[[source]]\nfiles = "lathe.csv"\nprofile = "lathe.toml"\n', encoding="utf-8"
        )
        self.profile = folder / "lathe.toml"
        self.profile.write_text(PROFILE, encoding="utf-8")

    def write(self, name: str, *lines: str) -> Path:
        path = self.exports / name
        path.write_text("\n".join([*lines, ""]), encoding="utf-8")
        return path

    def ingest(self, *sources: Path) -> IngestResult:
        return ingest(list(sources or (self.exports,)), Workspace(self.folder), choose(quiet=True))

    def frame(self, sql: str) -> pl.DataFrame:
        with open_book(Workspace(self.folder).book_path, read_only=True) as book:
            return book.frame(sql)

    def rejects(self) -> list[str]:
        with open_book(Workspace(self.folder).book_path, read_only=True) as book:
            away = query(book, "files_out_of_reach")
            return reject_lines(query(book, "rejects"), query(book, "files_to_mend"), "W", away)


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def with_cell(row: str, place: int, text: str) -> str:
    cells = row.split(",")
    cells[place] = text
    return ",".join(cells)


def test_a_mended_and_re_exported_file_closes_its_rejects(shop: Shop) -> None:
    """Rows that pass now are taken up and linked, what is still wrong is open once, and both are said."""
    bad = [with_cell(ROWS[1], 2, "yesterday"), with_cell(ROWS[2], 4, "many"), with_cell(ROWS[3], 4, "few")]
    shop.write("lathe.csv", HEAD, ROWS[0], *bad)
    assert shop.ingest().rows_rejected == 3

    shop.write("lathe.csv", HEAD, ROWS[0], *ROWS[1:3], bad[2], ROWS[4])
    told = shop.ingest().summary()

    assert "2 of 3 rejected rows of" in told
    assert "came in with the new export; 1 rejected now" in told
    assert shop.frame("select count(*) from core.cycle").item() == 4
    states = shop.frame("select row_number, taken_up_by is not null as taken from raw.reject order by all")
    assert states.rows() == [(2, True), (3, True), (4, False), (4, False)]
    lines = shop.rejects()
    assert lines[0].startswith('1 row in 1 file: not a number, column "parts", since ')
    assert any(",few," in line or "| few |" in line for line in lines)
    assert "1 row rejected earlier: their file was exported again or is gone." in lines
    assert "2 rows rejected earlier: mended in a later export." in lines


def test_a_mended_profile_takes_rejected_rows_up(shop: Shop) -> None:
    """The file is read again under the mended profile, and the run says how many rows came in."""
    words = ("complete", "stopp", "stopp", "halb", "complete", "stopp")
    shop.write("lathe.csv", HEAD, *(with_cell(row, 5, word) for row, word in zip(ROWS, words, strict=True)))
    assert shop.ingest().rows_rejected == 4
    lines = shop.rejects()
    assert '  words: "stopp" (3), "halb" (1)' in lines
    assert '  To do: Add the word to the lookup of this column in the profile "Lathe", then run again.' in lines

    shop.profile.write_text(PROFILE.replace('"complete" }', '"complete", "stopp" = "aborted" }'), encoding="utf-8")
    told = shop.ingest().summary()

    assert "3 of 4 rejected rows of" in told
    assert "came in after its profile or shop.toml changed; 1 still rejected" in told
    assert "came in" not in shop.ingest().summary()


def test_a_profile_that_is_mended_too_late_is_said_to_be(shop: Shop) -> None:
    """What stood at the path when rows were rejected is not there any more: the run says so once, with what to do."""
    old = [HEAD, *(with_cell(row, 5, "stopp") for row in ROWS[:2])]
    shop.write("lathe.csv", *old)
    shop.ingest()
    shop.write("lathe.csv", HEAD, *ROWS[3:])
    assert "Out of reach" not in shop.ingest().summary()

    shop.profile.write_text(PROFILE.replace('"complete" }', '"complete", "stopp" = "aborted" }'), encoding="utf-8")
    told = shop.ingest().summary()

    assert "lathe.csv (2 rejected rows, replaced by another content)" in told
    assert "Out of reach" not in shop.ingest().summary()
    (shop.exports / "old").mkdir()
    shop.write("old/lathe.csv", *old)
    shop.ingest()
    assert shop.frame("select count(*) from core.cycle").item() == 5


def test_rejects_of_a_file_that_is_gone_do_not_nag(shop: Shop) -> None:
    """Its rows stay, its rejects are kept and closed, a line says how to have them; put back, they are open again."""
    path = shop.write("lathe.csv", HEAD, ROWS[0], with_cell(ROWS[1], 4, "many"))
    shop.write("odd.csv", "a;b;c", "1;2;3", "4;5;6")
    shop.ingest()
    lines = shop.rejects()
    assert any(
        line.startswith("  To do: spindlebook profile ") and line.endswith(" --workspace W --save") for line in lines
    )

    text = path.read_text()
    path.unlink()
    (shop.exports / "odd.csv").unlink()
    shop.ingest()
    *lines, away = shop.rejects()
    assert lines == [
        "Nothing is left to mend.",
        "1 row rejected earlier: their file was exported again or is gone.",
    ]
    assert away.startswith("Out of reach of a mended profile")
    assert "lathe.csv (1 rejected row, gone)" in away
    assert "odd.csv (never read, gone)" in away
    assert shop.frame("select count(*) from core.cycle").item() == 1

    path.write_text(text)
    shop.ingest()
    assert shop.rejects()[0].startswith("1 row in 1 file")


def test_every_rejected_row_comes_out_of_every_format(shop: Shop, spindlebook: Command, tmp_path: Path) -> None:
    """CSV and JSON carry every row with its state; the text table goes by cause."""
    shop.write("lathe.csv", HEAD, *(with_cell(row, 4, "many") for row in ROWS))
    shop.ingest()
    done = {form: spindlebook("rejects", "-w", shop.folder, "--format", form).stdout for form in ("csv", "json")}
    rows = list(csv.DictReader(io.StringIO(done["csv"])))
    assert [row["state"] for row in rows] == ["open"] * 6
    assert [row["raw"] for row in json.loads(done["json"])] == [row["raw"] for row in rows]
    table = spindlebook("rejects", "-w", shop.folder).stdout
    assert table.startswith('6 rows in 1 file: not a number, column "parts", since 20')


def test_corrections_are_said_and_listed(shop: Shop, spindlebook: Command) -> None:
    """File, row, column, old and new value: in the run's account, and all of them as a report."""
    bare = [",".join(row.split(",")[:5]) for row in ROWS[:2]]
    shop.write("first.csv", HEAD.removesuffix(",outcome"), *bare)
    shop.write("second.csv", HEAD.replace("parts", "job"), *(with_cell(row, 4, "J7") for row in ROWS[:2]), ROWS[5])
    shop.write("late.csv", HEAD.removesuffix(",outcome"), with_cell(bare[0], 4, "3"), bare[1].replace("T07", "T12"))
    told = shop.ingest().summary()

    assert "overruled by another export; `spindlebook report corrections` lists what changed:" in told
    assert "parts: 1 -> 3 (" in told
    assert shop.frame("select parts, job, outcome from core.cycle order by started_at").rows()[:2] == [
        (3, "J7", "complete"),
        (1, "J7", "complete"),
    ]
    steps.derive_marts(Workspace(shop.folder), choose(quiet=True))
    listed = json.loads(spindlebook("report", "corrections", "-w", shop.folder, "--format", "json").stdout)
    corrected = [row for row in listed if row["what"] == "corrected"]
    assert [(row["column"], row["old"], row["new"], row["row_number"]) for row in corrected] == [("parts", "1", "3", 1)]
    assert {row["column"] for row in listed if row["what"] == "filled in"} >= {"job", "outcome"}


def test_a_corrected_file_under_the_old_path_holds(shop: Shop) -> None:
    """A shorter file with a corrected count replaces what stood under its path, run by run."""
    shop.write("cycles.csv", HEAD, *ROWS)
    shop.ingest()
    shop.write("cycles.csv", HEAD, with_cell(ROWS[0], 4, "7"))
    shop.ingest()
    assert shop.frame("select parts from core.cycle order by started_at").to_series().to_list() == [7, 1, 1, 1, 1, 1]


class TestStillBeingWritten:
    """A file that grows or vanishes while it is read is left for the next run; any other is read at once."""

    def test_a_fresh_export_is_read_at_once(self, shop: Shop) -> None:
        """Written in this instant and then left alone."""
        shop.write("fresh.csv", HEAD, *ROWS)
        begun = time.monotonic()
        result = shop.ingest()
        assert (result.rows_loaded, result.left) == (6, ())
        assert time.monotonic() - begun < 30

    def test_a_file_that_grows_while_it_is_read_is_left(self, shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
        """Nothing of it is stored, the others are, and the next run reads all of it."""
        path = shop.write("growing.csv", HEAD, *ROWS[:2])
        shop.write("other.csv", HEAD, ROWS[5])
        watched = unfinished.watched

        def growing(tables: Any, of: Path, stamp: unfinished.Stamp) -> Iterator[Any]:
            if Path(of) == path:
                with path.open("a") as writer:
                    writer.write("\n".join([*ROWS[2:4], ""]))
            yield from watched(tables, of, stamp)

        monkeypatch.setattr(taking_in, "watched", growing)
        result = shop.ingest()
        assert result.rows_loaded == 1
        assert result.left == (
            f"{path.as_posix()}: still being written; nothing of it was stored. The next run reads it.",
        )
        assert result.left[0] in result.summary()
        monkeypatch.undo()
        assert shop.ingest().rows_loaded == 4

    def test_a_file_that_has_been_growing_since_the_run_began_is_left(self, shop: Shop) -> None:
        """Size or time differ from those at the start, and the change is of just now."""
        path = shop.write("growing.csv", HEAD, ROWS[0])
        at_start = unfinished.stamp_of(path)
        with path.open("a") as writer:
            writer.write(f"{ROWS[1]}\n")
        with pytest.raises(unfinished.UnfinishedError, match="still being written"):
            unfinished.before_reading(path, at_start)
        os.utime(path, (time.time() - 60, time.time() - 60))
        assert unfinished.before_reading(path, at_start) == unfinished.stamp_of(path)

    def test_files_of_just_now_come_last(self, shop: Shop) -> None:
        """What writes them has the time that the others take; a date that lies ahead is no reason to wait."""
        paths = [shop.write(f"{name}.csv", HEAD) for name in ("a", "b", "c")]
        for path, ago_s in zip(paths, (0, 60, -3600), strict=True):
            os.utime(path, (time.time() - ago_s, time.time() - ago_s))
        stamps = {path: unfinished.stamp_of(path) for path in paths}
        assert unfinished.fresh_last(stamps) == [paths[1], paths[2], paths[0]]

    def test_a_file_that_vanishes_is_said(self, shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
        """Between the look into the folder and its turn."""
        path = shop.write("gone.csv", HEAD, *ROWS)
        shop.write("other.csv", HEAD, ROWS[5])
        found = unfinished.stamp_of

        def vanish(of: str | Path) -> unfinished.Stamp | None:
            stamp = found(of)
            if Path(of) == path:
                path.unlink(missing_ok=True)
            return stamp

        monkeypatch.setattr(ingesting, "stamp_of", vanish)
        result = shop.ingest()
        assert result.rows_loaded == 1
        assert result.left == (
            f"{path.as_posix()}: it was there when the run began and is gone; nothing of it was stored.",
        )


def test_a_line_left_out_of_a_re_exported_estimate_holds_no_longer(shop: Shop) -> None:
    """Of an operation that the new file gives, only its lines count; operations that it leaves out stay."""
    head = "program,operation,tool,cut_s,noncut_s"
    old = ["O1,10,1,100,10", "O1,10,2,200,20", "O2,10,1,50,5"]
    shop.write("cycles.csv", HEAD, *ROWS)
    shop.write("estimate.csv", head, *old)
    shop.write("setup.csv", "program,operation,setup_s", "O1,10,900")
    shop.ingest()
    steps.derive_marts(Workspace(shop.folder), choose(quiet=True))
    sums = "select program, estimate_s, setup_s from core.estimate_operation order by program"
    assert shop.frame(sums).rows() == [("O1", 330.0, 900.0), ("O2", 55.0, None)]

    shop.write("estimate.csv", head, "O1,10,1,120,10")
    shop.ingest()
    steps.derive_marts(Workspace(shop.folder), choose(quiet=True))
    assert shop.frame(sums).rows() == [("O1", 130.0, 900.0), ("O2", 55.0, None)]
    assert shop.frame("select count(*) from core.estimate").item() == 4


def test_an_object_without_a_key_says_nothing_of_it(shop: Shop) -> None:
    """JSON Lines: keys that come and go are no contradiction; values are."""

    def line(hour: int, **more: object) -> str:
        times = {"started_at": f"2026-05-04T{hour:02}:00:00Z", "ended_at": f"2026-05-04T{hour:02}:20:00Z"}
        return json.dumps({"machine": "L1", "program": "O1", **times, **more})

    shop.write("first.jsonl", line(6, parts=1, job="J1"), line(7, parts=1, job="J1"))
    shop.write("second.jsonl", line(6, parts=2), line(7, job="J2"), line(8, parts=1, job="J3"))
    shop.ingest()
    assert shop.frame("select parts, job from core.cycle order by started_at").rows() == [
        (2, "J1"), (1, "J2"), (1, "J3"),
    ]  # fmt: skip
