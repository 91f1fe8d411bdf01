"""Several tables in one sheet or text: each is a table of its own, and nothing of another is read under its head."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.reading import read_file
from pipeline.read.recognition.parts import parts, stretches_of
from pipeline.read.rows import FileRead, TableRead
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile

MACHINES = {"m1": "M1", "m2": "M2"}
FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)


def moment(minutes: float) -> str:
    return (FIRST + timedelta(minutes=minutes)).strftime("%d.%m.%Y %H:%M:%S")


CYCLES = "Maschine;Programm;Beginn;Ende"
CYCLE_ROWS = [f"M1;O104{row % 3};{moment(17 * row)};{moment(17 * row + 11)}" for row in range(12)]
CHANGES = "Maschine;Zeitpunkt;Werkzeug"
CHANGE_ROWS = [f"M1;{moment(7 * row)};T{row * 5 % 12 + 1}" for row in range(15)]
NAMELESS = [row.removeprefix("M1;") for row in CYCLE_ROWS]


def read(folder: Path, lines: list[str], profile: Profile | None = None) -> tuple[FileRead, list[TableRead]]:
    path = folder / "log.csv"
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    return _read(path, profile)


def read_sheet(folder: Path, lines: list[str]) -> tuple[FileRead, list[TableRead]]:
    path = folder / "log.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        for row, line in enumerate(lines):
            for column, cell in enumerate(line.split(";")):
                if cell:
                    sheet.write(row, column, cell)
    return _read(path, None)


def _read(path: Path, profile: Profile | None) -> tuple[FileRead, list[TableRead]]:
    sources = (SourceRule("log.*", profile),) if profile else ()
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines=MACHINES, sources=sources))
    return found, list(found.tables)


def counts(tables: list[TableRead]) -> dict[str, int]:
    return {table.kind: table.rows.height for table in tables}


def numbers(tables: list[TableRead]) -> list[int]:
    return pl.concat([table.rows["row_number"] for table in tables]).to_list()


@pytest.mark.parametrize("reader", [read, read_sheet])
@pytest.mark.parametrize("between", [[""], ["", "Werkzeugwechsel"], ["", "", "Werkzeugwechsel", ""]])
def test_two_tables_under_one_another(tmp_path: Path, reader, between) -> None:
    found, tables = reader(tmp_path, [CYCLES, *CYCLE_ROWS, *between, CHANGES, *CHANGE_ROWS])

    assert counts(tables) == {"cycle": 12, "tool_change": 15}, found.reason
    assert numbers(tables) == list(range(1, 28))
    assert all(not table.rejects.height for table in tables)


def test_lines_say_where_rows_stand(tmp_path: Path) -> None:
    _, tables = read(tmp_path, [CYCLES, *CYCLE_ROWS, "", CHANGES, *CHANGE_ROWS])

    assert tables[1].rows["line"].to_list() == list(range(16, 31))


def test_two_tables_side_by_side(tmp_path: Path) -> None:
    left = [CYCLES, *CYCLE_ROWS, *[";;;"] * 3]
    lines = [f"{one};;{other}" for one, other in zip(left, [CHANGES, *CHANGE_ROWS], strict=True)]

    found, tables = read_sheet(tmp_path, lines)

    assert counts(tables) == {"cycle": 12, "tool_change": 15}, found.reason


def test_an_empty_column_within_a_table_parts_nothing(tmp_path: Path) -> None:
    lines = [";".join([*line.split(";")[:2], "", *line.split(";")[2:]]) for line in (CYCLES, *CYCLE_ROWS)]

    assert counts(read_sheet(tmp_path, lines)[1]) == {"cycle": 12}


@pytest.mark.parametrize("reader", [read, read_sheet])
def test_a_head_for_each_machine(tmp_path: Path, reader) -> None:
    head = CYCLES.removeprefix("Maschine;")
    found, tables = reader(tmp_path, ["Maschine: M1", head, *NAMELESS, "", "Maschine: M2", head, *NAMELESS])

    assert [set(table.rows["machine"]) for table in tables] == [{"M1"}, {"M2"}], found.reason


def test_a_sum_below_is_another_table(tmp_path: Path) -> None:
    """It is skipped line by line, and a note says so."""
    _, tables = read(tmp_path, [CYCLES, *CYCLE_ROWS, "", "Maschine;Zyklen;Stunden", "M1;12;5,3", "M2;0;0"])

    assert counts(tables) == {"cycle": 12}
    assert tables[0].skipped["why"].to_list().count("another table") == 3
    assert "lines 15 to 17" in tables[0].notes[0]


def test_a_table_that_is_left_open_makes_the_file_wait(tmp_path: Path) -> None:
    """Days and months of the second table can be exchanged."""
    open_rows = [f"M1;O1;0{row}/03/2026 06:00;0{row}/03/2026 07:00" for row in (4, 5)]
    found, _ = read(tmp_path, [CHANGES, *CHANGE_ROWS, "", "Maschine;Programm;Start;Ende", *open_rows])

    assert found.status == "needs a profile"
    assert "Several tables stand in the file; of that in lines 18 to 20" in found.reason


@pytest.mark.parametrize("title", ["Produktionsplan", "Stillstände", "Plan nächste Woche"])
@pytest.mark.parametrize("reader", [read, read_sheet])
def test_a_plan_below_a_log_under_the_same_head_is_no_part_of_the_log(tmp_path: Path, reader, title: str) -> None:
    found, _ = reader(tmp_path, [CYCLES, *CYCLE_ROWS, "", title, CYCLES, *CYCLE_ROWS])

    assert found.status == "needs a profile"
    assert title in found.reason


def test_a_profile_with_its_head_reads_one_of_them(tmp_path: Path) -> None:
    lines = [CYCLES, *CYCLE_ROWS, "", CHANGES, *CHANGE_ROWS]
    rule = {
        "machine": {"from": "Maschine"},
        "occurred_at": {"from": "Zeitpunkt", "format": "%d.%m.%Y %H:%M:%S"},
        "tool": {"from": "Werkzeug"},
    }
    file = {"header_row": 15, "delimiter": ";"}
    profile = Profile.model_validate({"version": 1, "name": "x", "kind": "tool_change", "file": file, "columns": rule})

    _, tables = read(tmp_path, lines, profile)

    assert counts(tables) == {"tool_change": 15}
    assert tables[0].skipped["why"].to_list().count("another table") == 13


def test_pages_of_one_table_are_one_table(tmp_path: Path) -> None:
    """A head that comes again behind a blank line is that of the same table; so are labels above the first."""
    lines = ["Machine;Operator", "M1;Huber", "", CYCLES, *CYCLE_ROWS[:6], "", CYCLES, *CYCLE_ROWS[6:]]

    assert counts(read(tmp_path, lines)[1]) == {"cycle": 12}


CELLS = st.sampled_from(["", "Machine", "Start", "Tool", "M1", "7", "2026-03-12"])


@given(st.lists(st.lists(CELLS, min_size=1, max_size=4), max_size=20))
def test_parts_are_lines_of_the_file_in_order(lines: list[list[str]]) -> None:
    stretches = stretches_of([any(line) for line in lines])

    found = parts(stretches, lambda number: lines[number - 1], MACHINES)

    places = [number for part in found for number in range(part.first, part.last + 1)]
    assert places == sorted(set(places))
    filled = {number for number, line in enumerate(lines, start=1) if any(line)}
    assert not found or filled <= set(places)


def test_parts_need_a_head_each() -> None:
    table = [["Machine", "Start"], ["M1", "1"], ["M1", "2"], ["M1", "3"]]
    lines = [*table, [""], ["M2", "4"], ["M2", "5"]]

    assert parts(stretches_of([any(line) for line in lines]), lambda number: lines[number - 1], MACHINES) == []
