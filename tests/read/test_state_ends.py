"""Rows of a log of states that say when they end, read one by one; what stands at an end is asked of the book."""

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile

LOG = """Maschine;Zustand;von;bis
M4;läuft;16.03.2026 06:00:00;16.03.2026 06:20:00
M4;steht;16.03.2026 06:20:01;16.03.2026 06:30:00
M5;läuft;16.03.2026 06:30:00;16.03.2026 07:00:00
M4;läuft;16.03.2026 06:30:00;16.03.2026 07:00:00
M5;steht;16.03.2026 07:00:00;16.03.2026 07:10:00
M4;steht;17.03.2026 06:00:00;17.03.2026 06:10:00
"""
STATES = {
    "version": 1,
    "name": "states",
    "kind": "event",
    "columns": {
        "machine": {"constant": "M4"},
        "occurred_at": {"from": "t"},
        "item": {"constant": "Execution"},
        "value": {"from": "s", "lookup": {"R": "ACTIVE", "S": "STOPPED"}},
    },
}


def read(folder: Path, text: str, profile: Profile | None = None, zone: str = "UTC") -> FileRead:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone=zone, sources=[SourceRule("*", profile)]))
    return found


def with_end(**rule: object) -> Profile:
    return Profile.model_validate({**STATES, "columns": {**STATES["columns"], **rule}})  # type: ignore[dict-item]


def rows(found: FileRead, machine: str = "M4", clock: str = "%d %H:%M:%S") -> list[tuple[str, str, str | None]]:
    assert found.status == "loaded", found.reason
    tables = [table for table in found.tables if table.rows.height]
    said = pl.concat([table.rows for table in tables])
    assert said["row_number"].to_list() == list(range(1, said.height + 1))
    said = said.filter(pl.col("machine") == machine, pl.col("item") == "Execution").sort("occurred_at")
    return said.select(pl.col("occurred_at").dt.strftime(clock), "value", pl.col("ended_at").dt.strftime(clock)).rows()


def test_each_row_bears_its_own_end_and_no_row_is_added(tmp_path: Path) -> None:
    assert rows(read(tmp_path, LOG)) == [
        ("16 06:00:00", "ACTIVE", "16 06:20:00"),
        ("16 06:20:01", "STOPPED", "16 06:30:00"),
        ("16 06:30:00", "ACTIVE", "16 07:00:00"),
        ("17 06:00:00", "STOPPED", "17 06:10:00"),
    ]


def test_an_end_past_midnight_shares_the_date_of_its_start(tmp_path: Path) -> None:
    text = (
        "Machine;State;Date;From;To\nM4;running;16.03.2026;06:00:00;21:00:00\nM4;stopped;16.03.2026;21:00:00;22:00:00\n"
    )
    text += "M4;running;16.03.2026;22:00:00;23:30:00\nM4;stopped;16.03.2026;23:30:00;02:00:00\n"
    assert rows(read(tmp_path, text))[-1] == ("16 23:30:00", "STOPPED", "17 02:00:00")


def test_durations_end_states_and_alarms(tmp_path: Path) -> None:
    text = "Machine;State;Start;Duration (min)\n" + "".join(
        f"M4;{word};2026-03-16 06:{minute:02d}:00;10\n"
        for word, minute in zip(("running", "alarm", "running", "setup"), (0, 10, 20, 30), strict=True)
    )
    found = read(tmp_path, text)
    [table] = found.tables
    last = table.rows.filter(pl.col("ended_at") == datetime(2026, 3, 16, 6, 40, tzinfo=UTC))
    assert dict(last.select("item", pl.coalesce("value", "level")).iter_rows()) == {
        "Execution": "READY",
        "ControllerMode": "MANUAL",
        "Condition": "NORMAL",
    }
    assert last["end_within_s"].to_list() == [30.0] * 3  # whole minutes


def test_a_log_of_stops_alone_is_asked_about(tmp_path: Path) -> None:
    """What lies between stops is the machine at work, and no list says so."""
    text = "Machine;State;Start;End\n" + "".join(
        f"M4;{word};2026-03-16 {hour:02d}:00:00;2026-03-16 {hour:02d}:10:00\n"
        for word, hour in zip(("stopped", "alarm", "idle", "stopped", "idle"), range(6, 11), strict=True)
    )
    assert read(tmp_path, text).status == "needs a profile"


def test_a_profile_says_when_states_end_and_rejects_keep_their_place(tmp_path: Path) -> None:
    text = "t,s,d\n2026-03-16 06:00:00,R,10\nnever,S,5\n2026-03-16 07:00:00,S,5\n"
    [table] = read(tmp_path, text, with_end(duration_s={"from": "d", "unit": "min"})).tables
    assert table.rows["value"].to_list() == ["ACTIVE", "STOPPED"]
    assert table.rows["row_number"].to_list() == [1, 3]
    assert table.rejects["row_number"].to_list() == [2]
    assert table.rows["ended_at"].dt.strftime("%H:%M").to_list() == ["06:10", "07:05"]


@pytest.mark.parametrize(
    ("end", "ended", "told"),
    [
        ("2026-03-16 07:00:00", "16 07:00:00", False),
        ("", None, False),
        ("läuft noch", None, True),
        ("9999-12-31 00:00:00", None, True),
        ("2026-03-16 05:00:00", "16 05:00:00", False),
    ],
)
def test_an_end_that_says_nothing_is_none_and_the_state_is_kept(
    tmp_path: Path, end: str, ended: str | None, told: bool
) -> None:
    found = read(tmp_path, f"t,s,e\n2026-03-16 06:00:00,R,{end}\n", with_end(ended_at={"from": "e"}))
    [table] = found.tables
    assert table.rows["ended_at"].dt.strftime("%d %H:%M:%S").to_list() == [ended]
    assert any("says no end" in note for note in table.notes) == told


def test_rounded_lengths_end_on_the_second_row_by_row(tmp_path: Path) -> None:
    """How far an end may be off is of the row alone, so that no other row of the file decides it."""
    text = "t,s,d\n2026-03-16 06:00:00,R,0.21\n2026-03-16 07:00:00.5,S,0.2\n2026-03-16 08:00:00,R,2\n"
    [table] = read(tmp_path, text, with_end(duration_s={"from": "d", "unit": "h"})).tables
    assert table.rows["end_within_s"].to_list() == pytest.approx([18.0, 180.0, 1800.0])
    assert table.rows["ended_at"].dt.strftime("%H:%M:%S%.f").to_list() == ["06:12:36", "07:12:00.500", "10:00:00"]


@pytest.mark.parametrize("ends", ["e", "d"])
def test_ends_in_a_doubled_hour_follow_their_states(tmp_path: Path, ends: str) -> None:
    """The clock shows 02:00 to 03:00 twice on 25 October 2026; the order of states tells which hour is meant."""
    starts = ["01:30", "02:20", "02:50", "02:10", "02:40", "03:10"]
    rules = {"e": {"ended_at": {"from": "e"}}, "d": {"duration_s": {"from": "d", "unit": "min"}}}
    lengths = [50, 30, 20, 30, 30, 10]
    lines = [
        f"2026-10-25 {start}:00,{'RS'[at % 2]},2026-10-25 {end}:00,{length}"
        for at, (start, end, length) in enumerate(zip(starts, [*starts[1:], "03:20"], lengths, strict=True))
    ]
    found = read(tmp_path, "\n".join(["t,s,e,d", *lines, ""]), with_end(**rules[ends]), "Europe/Berlin")
    utc = ["23:30", "00:20", "00:50", "01:10", "01:40", "02:10", "02:20"]
    assert [(begun, ended) for begun, _, ended in rows(found, clock="%H:%M")] == list(pairwise(utc))
