"""Marks of repetition, headings among the rows, dates without a year, words for zones behind times: read, or asked."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.above import filled_from_above, is_ditto
from pipeline.read.rawtable import LINE, RAW, ROW, RawTable
from pipeline.read.reading import ReadSettings, read_file
from pipeline.read.rows import FileRead
from schemas.profile import FileShape

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
HEAD = "Maschine;Programm;Beginn;Ende"
STARTS = [FIRST + timedelta(minutes=97 * row) for row in range(20)]


def rows(layout: str = "%d.%m.%Y %H:%M:%S", behind: str = "") -> list[str]:
    return [
        f"M1;O104{row % 3};{at:{layout}}{behind};{at + timedelta(minutes=11):{layout}}{behind}"
        for row, at in enumerate(STARTS)
    ]


def read(
    folder: Path, lines: list[str], zone: str = "Europe/Berlin", name: str = "log.csv"
) -> tuple[FileRead, pl.DataFrame]:
    path = folder / name
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone=zone, machines={"m1": "M1", "m2": "M2"}))
    tables = [table.rows for table in found.tables]
    return found, pl.concat(tables) if tables else pl.DataFrame()


def test_the_rows_as_they_stand(tmp_path: Path) -> None:
    """What all others are held against: an hour is between the clock in Berlin and universal time."""
    _, table = read(tmp_path, [HEAD, *rows()])

    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


@pytest.mark.parametrize("mark", ['-"-', "''", "〃", "idem", "dito", "„", "d:o", "jw."])
def test_marks_of_repetition_mean_the_cell_above(tmp_path: Path, mark: str) -> None:
    lines = [line.replace("M1", mark) if row % 5 else line for row, line in enumerate(rows())]
    found, table = read(tmp_path, [HEAD, *lines])

    assert found.status == "loaded", found.reason
    assert set(table["machine"]) == {"M1"}


@pytest.mark.parametrize("cell", ["-", "–", "0", "", "M1", '3/8"', "ideal", "."])
def test_what_is_no_mark_of_repetition(cell: str) -> None:
    assert not is_ditto(pl.Series([cell, None])).any()


def _raw(cells: list[str]) -> RawTable:
    numbers = list(range(1, len(cells) + 1))
    frame = {ROW: numbers, LINE: numbers, RAW: cells, "a": cells, "b": ["x"] * len(cells)}
    return RawTable(
        pl.DataFrame(frame, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String, "a": pl.String, "b": pl.String})
    )


@given(st.lists(st.sampled_from(["M1", "M2", "", '"', "idem"]), min_size=1, max_size=12), st.integers(0, 12))
def test_marks_are_filled_across_chunks(cells: list[str], cut: int) -> None:
    """In whatever chunks a table comes, each mark takes the nearest cell above that is none."""
    wanted: list[str | None] = []
    for cell in cells:
        wanted.append((wanted[-1] if wanted else None) if cell in ('"', "idem") else cell)

    chunks = filled_from_above([_raw(cells[:cut]), _raw(cells[cut:])], FileShape(ditto=True))

    assert pl.concat([chunk.cells["a"] for chunk in chunks]).to_list() == wanted


@pytest.mark.parametrize("heading", ["{at:%d.%m.%Y}", "Donnerstag, {at:%d.%m.%Y}", "{at:%Y-%m-%d}"])
def test_days_as_headings(tmp_path: Path, heading: str) -> None:
    lines: list[str] = []
    for at, line in zip(STARTS, rows("%H:%M:%S"), strict=True):
        day = heading.format(at=at)
        lines += [day, line] if day not in lines else [line]
    found, table = read(tmp_path, [HEAD, *lines])

    assert found.status == "loaded", found.reason
    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


@pytest.mark.parametrize("heading", ["Maschine: {}", "{}"])
def test_machines_as_headings(tmp_path: Path, heading: str) -> None:
    """With a sum below each."""
    lines = [line.removeprefix("M1;") for line in rows()]
    parted = [heading.format("M1"), *lines[:8], "Summe;;8", heading.format("M2"), *lines[8:], "Summe;;12"]
    found, table = read(tmp_path, ["Programm;Beginn;Ende", *parted])

    assert found.status == "loaded", found.reason
    assert table["machine"].to_list() == ["M1"] * 8 + ["M2"] * 12


def test_remarks_are_no_headings(tmp_path: Path) -> None:
    lines = rows()
    _, table = read(tmp_path, [HEAD, *lines[:7], "Pause wegen Kran um 12.03.", *lines[7:]])

    assert set(table["machine"]) == {"M1"}
    assert table.height == 20


def test_headings_of_unknown_meaning_are_asked(tmp_path: Path) -> None:
    lines = [line.removeprefix("M1;") for line in rows()]
    found, _ = read(tmp_path, ["Programm;Beginn;Ende", "Halle Nord", *lines[:8], "Halle Süd", *lines[8:]])

    assert found.status == "needs a profile"


@pytest.mark.parametrize(
    ("layout", "title", "name"),
    [
        ("%d.%m. %H:%M:%S", "Laufzeiten März 2026", "log.csv"),
        ("%d.%m. %H:%M:%S", "", "laufzeiten_2026.csv"),
        ("%d.%m. %H:%M:%S", "", "20260331_log.csv"),
        ("%d/%m %H:%M:%S", "Cycles 2026", "log.csv"),
    ],
)
def test_the_year_is_said_outside_the_table(tmp_path: Path, layout: str, title: str, name: str) -> None:
    found, table = read(tmp_path, [*([title] if title else []), HEAD, *rows(layout)], name=name)

    assert found.status == "loaded", found.reason
    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


@pytest.mark.parametrize(
    ("title", "asked"),
    [
        ("", "without a year"),
        ("2025/2026", "without a year"),
        ("Drawing 2026", "without a year"),
        ("Export of 03.02.2026", "two of them"),
        ("Export of 12.05.2026 O2031", ""),
    ],
)
def test_a_year_that_nothing_says_is_asked(tmp_path: Path, title: str, asked: str) -> None:
    """Nor is a number of a program a year."""
    found, _ = read(tmp_path, [*([title] if title else []), HEAD, *rows("%d.%m. %H:%M:%S")])

    assert found.status == ("needs a profile" if asked else "loaded")
    assert asked in found.reason


def test_a_log_across_new_year_is_asked(tmp_path: Path) -> None:
    lines = [f"M1;O1;{day} 0{row}:05;{day} 0{row}:31" for day in ("30.12.", "31.12.", "02.01.") for row in range(6, 10)]
    found, _ = read(tmp_path, ["Laufzeiten 2025", HEAD, *lines])

    assert found.status == "needs a profile"
    assert "two of them" in found.reason


@pytest.mark.parametrize(
    ("word", "zone", "agrees"),
    [
        ("CET", "Europe/Berlin", True),
        ("MEZ", "Europe/Berlin", True),
        ("CEST", "Europe/Berlin", False),
        ("CET", "Europe/Lisbon", False),
        ("EST", "Europe/Berlin", False),
        ("EDT", "America/New_York", True),
    ],
)
def test_a_zone_behind_times_must_be_the_shops(tmp_path: Path, word: str, zone: str, agrees: bool) -> None:
    found, table = read(tmp_path, [HEAD, *rows(behind=f" {word}")], zone)

    assert found.status == ("loaded" if agrees else "needs a profile"), found.reason
    if agrees and zone == "Europe/Berlin":
        assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


@pytest.mark.parametrize("layout", ["%Y.%m.%d. %H:%M:%S", "%Y. %m. %d. %H:%M:%S", "%Y.%-m.%-d. %H:%M:%S"])
def test_the_year_first_with_points(tmp_path: Path, layout: str) -> None:
    found, table = read(tmp_path, [HEAD, *rows(layout)])

    assert found.status == "loaded", found.reason
    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


@pytest.mark.parametrize(
    ("title", "first"), [("All times in UTC", FIRST), ("Export of a mill", FIRST - timedelta(hours=1))]
)
def test_a_title_above_our_own_names(tmp_path: Path, title: str, first: datetime) -> None:
    head = "machine;program;started_at;ended_at"
    found, table = read(tmp_path, [title, head, *rows("%Y-%m-%d %H:%M:%S")])

    assert found.status == "loaded", found.reason
    assert table["started_at"][0] == first


def test_another_zone_above_our_own_names_is_asked(tmp_path: Path) -> None:
    found, _ = read(tmp_path, ["Times in CET", "machine;program;started_at;ended_at", *rows("%Y-%m-%d %H:%M:%S")])

    assert found.status == "needs a profile"


@pytest.mark.parametrize("remark", ["cleaned the coolant tank;;;", "cleaned the coolant tank"])
def test_a_mark_does_not_mean_a_remark_between_the_rows(tmp_path: Path, remark: str) -> None:
    lines = [";".join([cells[0], cells[1] if row % 5 == 0 else "idem", *cells[2:]]) for row, cells in _cells()]
    found, table = read(tmp_path, [HEAD, *lines[:7], remark, *lines[7:]])

    assert found.status == "loaded", found.reason
    assert table["program"].to_list() == [_cells()[row - row % 5][1][1] for row in range(20)]


def _cells() -> list[tuple[int, list[str]]]:
    return list(enumerate(line.split(";") for line in rows()))


def test_a_day_without_a_row_has_a_remark(tmp_path: Path) -> None:
    lines: list[str] = []
    for at, line in zip(STARTS, rows("%H:%M:%S"), strict=True):
        lines += [f"{at:%d.%m.%Y}", line] if f"{at:%d.%m.%Y}" not in lines else [line]
    found, table = read(tmp_path, [HEAD, *lines, "15.03.2026", ";;;closed"])

    assert found.status == "loaded", found.reason
    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]


def test_a_title_may_say_id_and_name(tmp_path: Path) -> None:
    """Both are those of shop.toml; of another machine's name the file stays open."""
    lines = ["Programm;Beginn;Ende", *(line.removeprefix("M1;") for line in rows())]
    _, table = read(tmp_path, ["Maschine: M1 large mill hall 1", "", *lines])
    other, _ = read(tmp_path, ["Maschine: M1 large mill with M2", "", *lines], name="two.csv")

    assert set(table["machine"]) == {"M1"}
    assert other.status == "needs a profile"


def test_who_ended_a_cycle_is_no_outcome_of_its_own(tmp_path: Path) -> None:
    ends = ["Completed", "Aborted by operator", "Aborted because of a broken tool", "Completed"] * 5
    lines = [f"{line};{end}" for line, end in zip(rows(), ends, strict=True)]
    found, table = read(tmp_path, [f"{HEAD};Result", *lines])

    assert found.status == "loaded", found.reason
    assert table["outcome"].to_list() == ["complete", "aborted", "aborted", "complete"] * 5


def test_cells_merged_downwards_are_said_of_all_rows(tmp_path: Path) -> None:
    """The sheet begins in its third column; the head is merged, too; a number over several rows is of them all."""
    workbook = xlsxwriter.Workbook(tmp_path / "log.xlsx")
    sheet = workbook.add_worksheet("Cycles & more")
    sheet.merge_range("C2:C3", "Machine")
    sheet.write_row(2, 3, ["Program", "Start", "End"])
    sheet.write(2, 6, "Parts")
    for row, cells in _cells():
        sheet.write_row(3 + row, 3, cells[1:])
        sheet.write(3 + row, 6, 1 if row > 2 else None)
    sheet.merge_range(3, 2, 10, 2, "M1")
    sheet.merge_range(11, 2, 22, 2, "M2")
    sheet.merge_range(3, 6, 5, 6, 3)
    workbook.close()

    [found] = read_file(tmp_path / "log.xlsx", ReadSettings(zone="UTC", machines={"m1": "M1", "m2": "M2"}))

    assert found.status == "loaded", found.reason
    table = pl.concat([each.rows for each in found.tables])
    assert table["machine"].to_list() == ["M1"] * 8 + ["M2"] * 12
    assert table["parts"].to_list()[:4] == [3, None, None, 1]


@pytest.mark.parametrize(
    ("headings", "machines"),
    [
        (("Machine CU-1;;;;", "Machine CU-3;;;;"), ("CU-1", "CU-3")),
        (("Maschine - CU-1", "Maschine - CU-3"), ("CU-1", "CU-3")),
        (("--- Stroj FR-3 ---", "--- Stroj FR-4 ---"), ("FR-3", "FR-4")),
        (("Tornio TN 5", "Tornio TN 6"), ("TN 5", "TN 6")),
        (("Máquina nº 4", "Máquina nº 5"), ("4", "5")),
        (("Obrabiarka: F4", "Obrabiarka: F5"), ("F4", "F5")),
        (("Maskin FLEROP-2", "Maskin FLEROP-3"), ("FLEROP-2", "FLEROP-3")),
        (("CU-1", "CU-3"), ("CU-1", "CU-3")),
        (("Centre M1 / hall", "M2"), ("M1", "M2")),  # of shop.toml
        (("Shift 1", "Shift 2"), None),
        (("OP10", "OP20"), None),
        (("Auftrag A-1", "Auftrag A-2"), None),
        (("Schicht S1", "Schicht S2"), None),
    ],
)
def test_lines_that_name_machines_in_any_way_head_their_rows(
    tmp_path: Path, headings: tuple[str, str], machines: tuple[str, str] | None
) -> None:
    lines = [f"{line.removeprefix('M1;')};A-{at // 7}" for at, line in enumerate(rows())]
    table = ["Programm;Beginn;Ende;Auftrag", headings[0], *lines[:8], headings[1], *lines[8:]]
    found, read_rows = read(tmp_path, table)

    assert found.status == ("loaded" if machines else "needs a profile"), found.reason
    if machines:
        assert read_rows["machine"].to_list() == [machines[0]] * 8 + [machines[1]] * 12


@pytest.mark.parametrize(
    ("title", "name", "machine"),
    [
        ("Registro cicli - Tornio TN 5", "log.csv", "TN 5"),
        ("Historique des cycles tour TR 2", "log.csv", "TR 2"),
        ("Cykellogg svarv SV-4", "log.csv", "SV-4"),
        ("Laufzeiten M1 im März", "log.csv", "M1"),  # of shop.toml
        ("Laufzeiten", "laufzeiten_m-01.csv", "M1"),
        ("Laufzeiten M1 und M2", "log.csv", None),
        ("Laufzeiten Halle 3", "log.csv", None),
    ],
)
def test_a_machine_within_a_title(tmp_path: Path, title: str, name: str, machine: str | None) -> None:
    lines = [line.removeprefix("M1;") for line in rows()]
    found, read_rows = read(tmp_path, [title, "", "Programm;Beginn;Ende", *lines], name=name)

    assert found.status == ("loaded" if machine else "needs a profile"), found.reason
    if machine is not None:
        assert set(read_rows["machine"]) == {machine}


@pytest.mark.parametrize("titles", [("Maschine M1", "Maschine M2"), ("Laufliste M1", "Laufliste M2")])
def test_a_title_within_which_another_machine_stands_begins_a_table(tmp_path: Path, titles: tuple[str, str]) -> None:
    lines = [line.removeprefix("M1;") for line in rows()]
    head = "Programm;Beginn;Ende"
    found, read_rows = read(tmp_path, [titles[0], head, *lines[:8], "", titles[1], head, *lines[8:]])

    assert found.status == "loaded", found.reason
    assert read_rows["machine"].to_list() == ["M1"] * 8 + ["M2"] * 12


@pytest.mark.parametrize(
    ("head", "starts", "ends"),
    [
        ("Maschine;Programm;Beginn;Ende", "%d.%m.%Y %H:%M:%S", "%H:%M:%S"),
        ("Machine;Program;Start;End", "%m/%d/%Y %I:%M:%S %p", "%I:%M:%S %p"),
        ("Maszyna;Program;Od;Do", "%Y-%m-%d %H:%M:%S", "%H:%M:%S"),
        ("Máquina;Programa;Inicio;Hora fin", "%d-%m-%Y %H:%M:%S", "%H:%M:%S"),
        ("Macchina;Programma;Inizio;Fine", "%Y-%m-%dT%H:%M:%S+01:00", "%H:%M:%S"),
    ],
)
def test_ends_in_times_of_day_share_the_date_of_their_start(tmp_path: Path, head: str, starts: str, ends: str) -> None:
    """Those that would be before it are of the next day."""
    lines = [f"M1;O104{at % 3};{s:{starts}};{s + timedelta(minutes=95):{ends}}" for at, s in enumerate(STARTS)]
    found, table = read(tmp_path, [head, *lines])

    assert found.status == "loaded", found.reason
    assert table["started_at"].to_list() == [at - timedelta(hours=1) for at in STARTS]
    assert set((table["ended_at"] - table["started_at"]).to_list()) == {timedelta(minutes=95)}


def test_an_end_in_minutes_is_of_the_minute_of_its_start(tmp_path: Path) -> None:
    ends = [at + timedelta(minutes=9 * (row % 2)) for row, at in enumerate(STARTS)]
    lines = [f"M1;O1;{at:%d.%m.%Y %H:%M:%S};{end:%H:%M}" for at, end in zip(STARTS, ends, strict=True)]
    found, table = read(tmp_path, [HEAD, *lines])

    assert found.status == "needs a profile" or table["ended_at"].max() < STARTS[-1] + timedelta(minutes=20)


def test_ends_of_states_in_times_of_day_share_the_date_of_their_start(tmp_path: Path) -> None:
    states = ("läuft", "Stillstand", "Rüsten")
    lines = [
        f"M1;{states[at % 3]};{s:%d.%m.%Y %H:%M:%S};{s + timedelta(minutes=97):%H:%M:%S}" for at, s in enumerate(STARTS)
    ]
    found, table = read(tmp_path, ["Maschine;Zustand;Von;Bis", *lines])

    assert found.status == "loaded", found.reason
    ends = table["ended_at"].drop_nulls().unique().sort().to_list()
    assert ends == [at + timedelta(minutes=97) - timedelta(hours=1) for at in STARTS]
