"""Durations as minutes and seconds with a point between: read where start and end prove it, else asked about."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings

FIRST = datetime(2026, 3, 12, 5, 3, 10, tzinfo=UTC)
LENGTHS_S = [754 + 37 * row % 311 for row in range(20)]


def dotted(seconds: int, mark: str = ".") -> str:
    return f"{seconds // 60}{mark}{seconds % 60:02}"


def table(head: str, cells: str, *, decimal: bool = False, mark: str = ".") -> str:
    lines, at = [], FIRST
    for row, length_s in enumerate(LENGTHS_S):
        told = f"{length_s / 60:.2f}".replace(".", mark) if decimal else dotted(length_s, mark)
        lines.append(
            cells.format(start=f"{at:%F %T}", end=f"{at + timedelta(seconds=length_s):%F %T}", time=told, row=row)
        )
        at += timedelta(seconds=length_s + 95)
    return "\n".join([head, *lines, ""])


def read(folder: Path, text: str) -> FileRead:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines={"m1": "M1"}))
    return found


BOTH = ("Machine;Program;Start;End;Cycle time (min)", "M1;O1;{start};{end};{time}")
ALONE = ("Machine;Program;Start;Cycle time (min)", "M1;O1;{start};{time}")


@pytest.mark.parametrize("head", ["Cycle time", "Cycle time (min)", "Cycle time (mm.ss)"])
@pytest.mark.parametrize("mark", [".", ","])
def test_start_and_end_prove_it(tmp_path: Path, head: str, mark: str) -> None:
    found = read(tmp_path, table(BOTH[0].replace("Cycle time (min)", head), BOTH[1], mark=mark))

    assert found.status == "loaded", found.reason
    assert found.proposal is not None
    assert found.proposal.data["columns"]["duration_s"]["unit"] == "mm.ss"


def test_decimal_minutes_are_proven_too(tmp_path: Path) -> None:
    found = read(tmp_path, table(*BOTH, decimal=True))

    assert found.status == "loaded", found.reason
    assert found.proposal is not None
    assert found.proposal.data["columns"]["duration_s"]["unit"] == "min"


def test_without_an_end_it_is_asked(tmp_path: Path) -> None:
    found = read(tmp_path, table(*ALONE))

    assert found.status == "needs a profile"
    assert "minutes and seconds with a point between" in found.reason


def test_without_an_end_decimal_minutes_are_read(tmp_path: Path) -> None:
    found = read(tmp_path, table(*ALONE, decimal=True))

    assert found.status == "loaded", found.reason


def test_a_head_that_says_so_is_believed(tmp_path: Path) -> None:
    found = read(tmp_path, table(ALONE[0].replace("min)", "mm.ss)"), ALONE[1]))
    [rows] = [part.rows for part in found.tables if part.rows.height]

    assert [round(value) for value in (rows["ended_at"] - rows["started_at"]).dt.total_seconds()] == LENGTHS_S


def test_hours_and_minutes_with_a_point_are_asked(tmp_path: Path) -> None:
    text = table(ALONE[0].replace("min)", "h.mm)"), ALONE[1])

    assert read(tmp_path, text).status == "needs a profile"


def test_halves_and_quarters_are_decimals(tmp_path: Path) -> None:
    """So are counts of few fractions: nobody's seconds are all 0, 25 or 50."""
    lines = [f"Job{row};10;{(2.25, 3.5, 4.0)[row % 3]:.2f}" for row in range(20)]
    found = read(tmp_path, "\n".join(["Job;Operation;Cycle time (min)", *lines, ""]))

    assert found.status == "loaded", found.reason


def test_start_and_end_prove_a_point_between_thousands(tmp_path: Path) -> None:
    begun = [datetime(2026, 4, 13, 6, tzinfo=UTC) + timedelta(minutes=40 * run) for run in range(12)]
    lengths_s = [845 + 97 * run for run in range(12)]
    lines = [
        f"M1;O1;{at:%d/%m/%Y %H:%M:%S};{at + timedelta(seconds=length):%d/%m/%Y %H:%M:%S};{length:,}".replace(",", ".")
        for at, length in zip(begun, lengths_s, strict=True)
    ]
    path = tmp_path / "list.csv"
    path.write_text("\n".join(["Máquina;Programa;Inicio;Fin;Tiempo (s)", *lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC"))
    assert found.status == "loaded", found.reason
    assert sum(table.rows.height for table in found.tables) == len(lines)
