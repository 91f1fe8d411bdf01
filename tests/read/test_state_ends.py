"""Rows of a log of states that give ends: a state ends there, and nothing is known until the next one begins."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import ReadSettings, read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import SourceRule
from schemas.profile import Profile

LOG = """Maschine;Zustand;von;bis
M4;läuft;16.03.2026 06:00:00;16.03.2026 06:20:00
M4;steht;16.03.2026 06:20:01;16.03.2026 06:30:00
M5;läuft;16.03.2026 06:30:00;16.03.2026 07:00:00
M4;läuft;16.03.2026 06:30:00;16.03.2026 07:00:00
M5;steht;16.03.2026 07:00:00;16.03.2026 07:10:00
M4;steht;17.03.2026 06:00:00;17.03.2026 06:10:00
"""


def read(folder: Path, text: str, profile: Profile | None = None) -> FileRead:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC", sources=[SourceRule("*", profile)]))
    return found


def rows(found: FileRead, machine: str = "M4") -> list[tuple[str, str]]:
    assert found.status == "loaded", found.reason
    [table] = found.tables
    assert table.rows["row_number"].to_list() == list(range(1, table.rows.height + 1))
    assert table.rows_read == table.rows.height
    said = table.rows.filter(pl.col("machine") == machine, pl.col("item") == "Execution").sort("occurred_at")
    return [(f"{at:%d %H:%M:%S}", value) for at, value in said.select("occurred_at", "value").iter_rows()]


def test_a_state_ends_where_its_row_says_so(tmp_path: Path) -> None:
    found = read(tmp_path, LOG)
    assert rows(found) == [
        ("16 06:00:00", "ACTIVE"),
        ("16 06:20:01", "STOPPED"),
        ("16 06:30:00", "ACTIVE"),
        ("16 07:00:00", "UNAVAILABLE"),
        ("17 06:00:00", "STOPPED"),
        ("17 06:10:00", "UNAVAILABLE"),
    ]


def test_machines_end_their_states_each_for_itself(tmp_path: Path) -> None:
    assert rows(read(tmp_path, LOG), "M5")[-1] == ("16 07:10:00", "UNAVAILABLE")


@pytest.mark.parametrize("backwards", [False, True])
def test_the_order_of_rows_is_no_matter(tmp_path: Path, backwards: bool) -> None:
    head, *lines = LOG.splitlines()
    turned = "\n".join([head, *(reversed(lines) if backwards else lines), ""])
    assert rows(read(tmp_path, turned))[-3:] == rows(read(tmp_path, LOG))[-3:]


def test_an_end_past_midnight_shares_the_date_of_its_start(tmp_path: Path) -> None:
    text = (
        "Machine;State;Date;From;To\nM4;running;16.03.2026;06:00:00;21:00:00\nM4;stopped;16.03.2026;21:00:00;22:00:00\n"
    )
    text += "M4;running;16.03.2026;22:00:00;23:30:00\nM4;stopped;16.03.2026;23:30:00;02:00:00\n"
    assert rows(read(tmp_path, text))[-1] == ("17 02:00:00", "UNAVAILABLE")


def test_durations_end_states_and_alarms(tmp_path: Path) -> None:
    text = "Machine;State;Start;Duration (min)\n" + "".join(
        f"M4;{word};2026-03-16 06:{minute:02d}:00;10\n"
        for word, minute in zip(("running", "alarm", "running", "setup"), (0, 10, 20, 30), strict=True)
    )
    found = read(tmp_path, text)
    [table] = found.tables
    last = table.rows.filter(pl.col("occurred_at") == datetime(2026, 3, 16, 6, 40, tzinfo=UTC))
    assert dict(last.select("item", pl.coalesce("value", "level")).iter_rows()) == {
        "Execution": "UNAVAILABLE",
        "ControllerMode": "UNAVAILABLE",
        "Condition": "UNAVAILABLE",
    }


def test_a_log_of_stops_alone_is_asked_about(tmp_path: Path) -> None:
    """What lies between stops is the machine at work, and no list says so."""
    text = "Machine;State;Start;End\n" + "".join(
        f"M4;{word};2026-03-16 {hour:02d}:00:00;2026-03-16 {hour:02d}:10:00\n"
        for word, hour in zip(("stopped", "alarm", "idle", "stopped", "idle"), range(6, 11), strict=True)
    )
    assert read(tmp_path, text).status == "needs a profile"


def test_a_profile_says_when_states_end_and_rejects_keep_their_place(tmp_path: Path) -> None:
    profile = Profile.model_validate(
        {
            "version": 1,
            "name": "states",
            "kind": "event",
            "columns": {
                "machine": {"constant": "M4"},
                "occurred_at": {"from": "t"},
                "item": {"constant": "Execution"},
                "value": {"from": "s", "lookup": {"R": "ACTIVE", "S": "STOPPED"}},
                "duration_s": {"from": "d", "unit": "min"},
            },
        }
    )
    text = "t,s,d\n2026-03-16 06:00:00,R,10\nnever,S,5\n2026-03-16 07:00:00,S,5\n"
    [table] = read(tmp_path, text, profile).tables
    assert table.rows["value"].to_list() == ["ACTIVE", "UNAVAILABLE", "STOPPED", "UNAVAILABLE"]
    assert table.rows["row_number"].to_list() == [1, 2, 4, 5]
    assert table.rejects["row_number"].to_list() == [3]
    assert table.rows["occurred_at"].dt.strftime("%H:%M").to_list() == ["06:00", "06:10", "07:00", "07:05"]
