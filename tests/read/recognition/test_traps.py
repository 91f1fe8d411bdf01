"""Tables that tempt: what one sign says and another denies is asked about, never decided in silence."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from openpyxl import Workbook

from pipeline.read.reading import ReadSettings, read_file
from pipeline.read.rows import FileRead

FIRST = datetime(2026, 3, 16, 6, 3, 12, tzinfo=UTC)
RUNS = [(FIRST + timedelta(seconds=431 * run), 402 + run % 7) for run in range(20)]
MACHINES = {"m1": "M1", "m2": "M2"}


def read(folder: Path, head: str, rows: Sequence[str], titles: str = "", name: str = "export.csv") -> FileRead:
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_text("\n".join([*titles.splitlines(), head, *rows, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC", machines=MACHINES))
    return found


def stamps(cells: str) -> list[str]:
    return [
        cells.format(at=at, end=at + timedelta(seconds=length), early=at - timedelta(seconds=9), length=length, run=run)
        for run, (at, length) in enumerate(RUNS)
    ]


def test_minutes_under_a_head_that_says_seconds(tmp_path: Path) -> None:
    rows = [
        row.replace(",", ".") for row in stamps("M1;O1;{at:%Y-%m-%d %H:%M:%S};") for row in [row + f"{402 / 60:.2f}"]
    ]
    found = read(tmp_path, "Machine;Program;Start;Cycle time (s)", rows)
    assert "sixty times" in found.reason


def test_two_columns_that_are_both_a_start(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "Machine;Program;Started;Cycle start;End",
        stamps("M1;O1;{at:%Y-%m-%d %H:%M:%S};{early:%Y-%m-%d %H:%M:%S};{end:%Y-%m-%d %H:%M:%S}"),
    )
    assert found.status == "needs a profile"
    assert "fits as well" in found.reason


@pytest.mark.parametrize(
    ("titles", "name", "cells", "asked"),
    [
        ("Machine: M2\n", "export.csv", "M1", True),
        ("Machine: M1\n", "export.csv", "M1", False),
        ("", "cycles_M2.csv", "M1", True),
        ("", "M2/cycles.csv", "M1", True),
        ("Machine: M2\n", "cycles_M1.csv", "", True),
        ("Machine: M1\n", "cycles_M1.csv", "", False),
        ("Machine: 1\nMachine no.: 4\n", "export.csv", "", True),
        ("Machine name: Small mill\n", "export.csv", "M1", False),  # a name and an id may be of one
    ],
)
def test_two_labels_of_machines_that_disagree(tmp_path: Path, titles: str, name: str, cells: str, asked: bool) -> None:
    head, of = ("Machine;", f"{cells};") if cells else ("", "")
    found = read(
        tmp_path,
        f"{head}Program;Start;End",
        stamps(of + "O1;{at:%Y-%m-%d %H:%M:%S};{end:%Y-%m-%d %H:%M:%S}"),
        titles,
        name,
    )
    assert (found.status == "needs a profile") == asked, found.reason
    assert not asked or " says " in found.reason


@pytest.mark.parametrize(
    ("head", "cell", "outcomes"),
    [
        ("Ran to end?", {"yes": "complete", "no": "aborted"}, True),
        ("¿Acabó?", {"sí": "complete", "no": "aborted"}, True),
        ("Achevé ?", {"O": "complete", "N": "aborted"}, True),
        ("Chegou ao fim?", {"S": "complete", "N": "aborted"}, True),
        ("Abgebrochen (j/n)", {"n": "complete", "j": "aborted"}, True),
        ("Aborted", {"0": "complete", "1": "aborted"}, True),
        ("Scrap", {"no": "", "yes": ""}, False),  # another question
        ("Not finished?", {"no": "complete", "yes": "aborted"}, True),
        ("Abbruch", {"": "complete", "x": "aborted"}, True),  # few are marked
        ("Fertig", {"x": "", "": ""}, False),  # a mark may have been forgotten
        ("Zxcvb", {"s": "", "n": ""}, False),
    ],
)
def test_yes_and_no(tmp_path: Path, head: str, cell: dict[str, str], outcomes: bool) -> None:
    words = list(cell)
    rows = [
        row + words[run % 5 == 4]
        for run, row in enumerate(stamps("M1;O1;{at:%Y-%m-%d %H:%M:%S};{end:%Y-%m-%d %H:%M:%S};"))
    ]
    found = read(tmp_path, f"Machine;Program;Start;End;{head}", rows)
    assert (found.status == "loaded") == outcomes, found.reason
    if outcomes:
        [table] = found.tables
        assert table.rows["outcome"].to_list()[:5] == [cell[words[0]]] * 4 + [cell[words[1]]]


def test_a_sheet_whose_head_names_nothing_is_asked_about(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    sheet.append(["Equipamento", "Momento", "T1", "T2"])
    for run, (at, _) in enumerate(RUNS):
        sheet.append(["M1", f"{at:%d.%m.%Y %H:%M:%S}", f"T{run % 5}", f"T{(run + 1) % 5}"])
    path = tmp_path / "book.xlsx"
    book.save(path)
    [found] = read_file(path, ReadSettings(zone="UTC"))
    assert found.status == "needs a profile"


def test_tools_that_were_lent_are_no_tool_changes(tmp_path: Path) -> None:
    rows = [f"M1;{FIRST + timedelta(hours=3 * row):%Y-%m-%d %H:%M};T{row % 7};AB" for row in range(16)]
    assert "hours apart" in read(tmp_path, "Machine;Time;Tool;Operator", rows).reason


@pytest.mark.parametrize(("head", "counted"), [("Cycles", "{run}"), ("Zyklen", "{run}"), ("Cycles", "1")])
def test_rows_that_are_of_several_cycles_are_asked_about(tmp_path: Path, head: str, counted: str) -> None:
    """A day of a program has a start, an end and a count of cycles; where each row counts one, it is a cycle."""
    counts = ["16", "18", "7", "12", "21", "9"]
    rows = [
        row.replace("{n}", counts[at % len(counts)] if counted != "1" else "1")
        for at, row in enumerate(stamps("M1;O1;{at:%Y-%m-%d %H:%M:%S};{end:%Y-%m-%d %H:%M:%S};{{n}}"))
    ]
    found = read(tmp_path, f"Machine;Program;Start;End;{head}", rows)
    assert (found.status == "needs a profile") is (counted != "1"), found.reason
    assert counted == "1" or "several in a row" in found.reason
