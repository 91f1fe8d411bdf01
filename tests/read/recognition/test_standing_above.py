"""Marks of repetition, headings among the rows, dates without a year, words for zones behind times: read, or asked."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
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
