"""Sheets of one head are decided by all their rows, and none that looks like ours is dropped. 1 s of CPU."""

from __future__ import annotations

import random
from io import BytesIO
from pathlib import Path
from typing import Any

import xlsxwriter

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings

HEAD = ["Datum", "Programm", "Maschine", "Beginn", "Dauer (min)"]


def cycles(day: int, most: int, seed: int) -> list[list[Any]]:
    """A day of cycles whose minutes have hundredths below `most`."""
    chance = random.Random(seed)
    at, rows = 360, []
    for number in range(16):
        length = chance.randint(7, 25)
        minutes = float(f"{length}.{chance.randrange(most):02d}")
        rows.append([f"{day:02d}.03.2026", f"O10{number % 3}", "M1", f"{at // 60:02d}:{at % 60:02d}", minutes])
        at += length + chance.randint(2, 9)
    return [HEAD, *rows]


def read_book(folder: Path, sheets: dict[str, list[list[Any]]]) -> FileRead:
    data = BytesIO()
    book = xlsxwriter.Workbook(data, {"in_memory": True})
    for name, lines in sheets.items():
        sheet = book.add_worksheet(name)
        for place, line in enumerate(lines):
            sheet.write_row(place, 0, line)
    book.close()
    path = folder / "list.xlsx"
    path.write_bytes(data.getvalue())
    (read,) = read_file(path, ReadSettings(zone="Europe/Berlin"))
    return read


def lengths_s(read: FileRead) -> list[float]:
    return [
        (ended - started).total_seconds()
        for table in read.tables
        for started, ended in table.rows.select("started_at", "ended_at").iter_rows()
    ]


def test_a_sheet_that_alone_leaves_its_unit_open_is_read_as_its_sibling_is(tmp_path: Path) -> None:
    march, april = cycles(3, 60, 5), cycles(4, 100, 6)
    assert read_book(tmp_path, {"März": march}).status == "needs a profile"

    read = read_book(tmp_path, {"März": march, "April": april})
    assert read.status == "loaded", read.reason
    assert [round(seconds, 3) for seconds in lengths_s(read)] == [
        round(row[4] * 60, 3) for row in (*march[1:], *april[1:])
    ]


def test_where_all_sheets_together_leave_it_open_the_workbook_waits(tmp_path: Path) -> None:
    read = read_book(tmp_path, {"März": cycles(3, 60, 5), "April": cycles(4, 60, 7)})
    assert read.status == "needs a profile"
    assert "minutes and seconds" in read.reason


def test_a_sheet_of_ours_with_an_open_point_is_not_dropped(tmp_path: Path) -> None:
    changes = [["Maschine", "Datum", "Werkzeug", "Grund"]]
    changes += [["M1", f"{day}.03.2026 10:00", day % 4 + 1, "zzz" if day % 2 else "Bruch"] for day in range(13, 25)]
    read = read_book(tmp_path, {"März": cycles(3, 100, 6), "Schneiden": changes})
    assert read.status == "needs a profile"
    assert "Schneiden" in read.reason


def test_a_sheet_of_none_of_our_kinds_holds_nothing_up(tmp_path: Path) -> None:
    tools = [["Werkzeug", "Bezeichnung", "Länge", "Radius"], *[[tool, "Fräser", 100 + tool, 5] for tool in range(1, 9)]]
    read = read_book(tmp_path, {"März": cycles(3, 100, 6), "Werkzeuge": tools})
    assert read.status == "loaded", read.reason
    assert any("Werkzeuge" in note for table in read.tables for note in table.notes)
