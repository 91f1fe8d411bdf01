"""Dates of which no cell says whether day or month stands first: what else the table says decides, or it asks."""

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.read.reading import ReadSettings, read_file

Row = Callable[[datetime, datetime], str]
HEAD = "Machine;Program;Start;End"
DAY_FIRST, MONTH_FIRST = "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"


def rows(days: list[str], form: str, cells: Callable[[datetime], str] = lambda at: "") -> list[str]:
    runs = [datetime.fromisoformat(day) + timedelta(minutes=20 * run) for day in days for run in range(8)]
    return [f"M1;O1;{at:{form}};{at + timedelta(minutes=15):{form}}{cells(at)}" for at in runs]


def read(
    folder: Path, lines: list[str], title: str = "", name: str = "log.csv", zone: str = "Europe/Paris"
) -> str | None:
    """Return the day of the first cycle, None where the file asks."""
    path = folder / name
    path.write_text("\n".join([*([title] if title else []), *lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone=zone))
    if found.status != "loaded":
        assert "day and month fit both ways" in found.reason
        return None
    return str(next(iter(found.tables)).rows["started_at"][0].date())


@pytest.mark.parametrize(
    ("title", "name", "day"),
    [
        ("Suivi de production - mars 2026", "log.csv", "2026-03-02"),
        ("", "journal_février.csv", "2026-02-03"),
        ("", "runs_2026-03.csv", "2026-03-02"),
        ("Printed 02/03/2026", "log.csv", None),  # can be read both ways too
        ("", "runs_2026-04.csv", None),  # the month of neither
        ("", "mar.csv", None),  # a month beside a year only
    ],
)
def test_the_month_that_a_title_or_a_file_says(tmp_path: Path, title: str, name: str, day: str | None) -> None:
    assert read(tmp_path, [HEAD, *rows(["2026-03-02T06:10"], DAY_FIRST)], title, name) == day


@pytest.mark.parametrize("form", [DAY_FIRST, MONTH_FIRST])
def test_a_run_past_midnight_lasts_no_month(tmp_path: Path, form: str) -> None:
    assert read(tmp_path, [HEAD, *rows(["2026-05-11T22:10"], form)]) == "2026-05-11"


def test_days_of_the_week_beside_dates(tmp_path: Path) -> None:
    named = rows(["2026-03-02T06:10"], DAY_FIRST, lambda at: ";lun")
    assert read(tmp_path, [HEAD + ";Jour", *named]) == "2026-03-02"


@pytest.mark.parametrize(
    ("head", "days", "form", "zone", "day"),
    [
        (HEAD, 3, DAY_FIRST, "Europe/Paris", "2026-03-02"),
        (HEAD, 2, DAY_FIRST, "Europe/Paris", None),  # two days may lie a month apart ...
        (HEAD, 2, MONTH_FIRST, "America/Chicago", "2026-03-02"),
        ("Machine;Programme;Début;Fin", 2, DAY_FIRST, "Europe/Paris", "2026-03-02"),  # ... but not against the custom
        ("Machine;Programme;Début;Fin", 1, DAY_FIRST, "Europe/Paris", None),
    ],
)
def test_days_that_follow_one_another(
    tmp_path: Path, head: str, days: int, form: str, zone: str, day: str | None
) -> None:
    lines = rows([f"2026-03-0{2 + more}T06:10" for more in range(days)], form)
    assert read(tmp_path, [head, *lines], zone=zone) == day


ONE_DAY = "Machine,Program,Start,End\n" + "".join(
    f"M1,O1,02/03/2026 06:{minute:02}:00,02/03/2026 06:{minute + 4:02}:30\n" for minute in range(0, 55, 5)
)


@pytest.mark.parametrize(
    ("name", "above", "month"),
    [
        ("cycles_2026-03-02.csv", "", 3),
        ("cycles_20260203.csv", "", 2),
        ("cycles.csv", "Printed 03.03.2026\n", 3),
        ("cycles.csv", "Log of 2 March 2026\n", 3),
        ("cycles.csv", "Log of February 3, 2026\n", 2),
        ("cycles_02032026.csv", "", None),
        ("cycles_2026-07-09.csv", "", None),
    ],
)
def test_a_day_said_outside_the_table_tells_the_order(read, name, above, month) -> None:
    whole = read(above + ONE_DAY, name=name)
    assert (whole.file.status == "loaded") == (month is not None), whole.file.reason
    if month is not None:
        assert whole.rows["started_at"].dt.month().unique().to_list() == [month]


@pytest.mark.parametrize(("today", "status"), [("2026-04-10", "loaded"), ("2026-12-24", "needs a profile")])
def test_no_log_tells_of_the_future(read, monkeypatch, today, status) -> None:
    """Exported on 10 April, the 4th of May is the 5th of April."""
    monkeypatch.setenv("SPINDLEBOOK_NOW", f"{today}T12:00:00+00:00")
    whole = read(ONE_DAY.replace("02/03/2026", "05/04/2026"))
    assert whole.file.status == status, whole.file.reason
    if status == "loaded":
        assert whole.rows["started_at"].dt.month().unique().to_list() == [4]


def test_a_day_a_month_after_is_not_taken_for_the_order_against_the_custom(read) -> None:
    """In French the 3rd of February is written 03/02: a print of 5 March does not make it the 2nd of March."""
    french = ONE_DAY.replace("Machine,Program,Start,End", "Machine,Programme,Début,Fin").replace("02/03/", "03/02/")
    assert read("Imprimé 05.03.2026\n" + french).file.status == "needs a profile"
