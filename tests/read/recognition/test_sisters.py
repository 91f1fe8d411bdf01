"""Files of one folder with one head: what a file leaves open is read as those beside it that are sure.

Costs about two seconds of CPU.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows.checking import check
from flows.ingesting import ingest
from pipeline.progress import Null
from pipeline.read.reading import read_file
from pipeline.read.recognition.sisters import Sisters, agreed, key_of, told_by
from pipeline.read.settings import ReadSettings
from pipeline.workspace import Workspace

HEAD = ("Machine", "Program", "Start", "End", "Status")


def day(first: datetime, *, clock: str = "%d/%m/%Y %H:%M") -> str:
    """Runs of one day: in the first twelve of a month nothing tells day and month apart."""
    starts = [first + timedelta(minutes=31 * row) for row in range(14)]
    rows = [f"M1,O1040,{at:{clock}},{at + timedelta(minutes=26):{clock}},ok" for at in starts]
    return "\n".join([",".join(HEAD), *rows, ""])


SURE = day(datetime(2026, 3, 19, 6, 2, tzinfo=UTC))
OPEN = day(datetime(2026, 3, 4, 6, 2, tzinfo=UTC))
OTHER_ORDER = day(datetime(2026, 3, 19, 6, 2, tzinfo=UTC), clock="%m/%d/%Y %H:%M")


def lay(folder: Path, **files: str) -> Path:
    """Write files, `__` in a name parting folder and file."""
    for name, text in files.items():
        path = folder / "exports" / f"{name.replace('__', '/')}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder / "exports"


def test_the_order_of_day_and_month_is_told_by_the_file_beside_it(tmp_path: Path) -> None:
    """Though that comes after it: the book keeps what it tells (tests/store/test_rules.py)."""
    folder = lay(tmp_path, a=OPEN, b=SURE)
    result = ingest([folder], Workspace(tmp_path / "w"), Null())
    assert [counts.status for counts in result.files] == ["loaded", "loaded"]
    assert result.rows_loaded == 28


@pytest.mark.parametrize(
    "files",
    [
        {"a": OPEN},
        {"a": OPEN, "other__b": SURE},  # of another folder
        {"a": OPEN, "b": SURE, "c": OTHER_ORDER},  # two that differ
        {"a": OPEN, "b": SURE.replace("Status", "State")},  # of another head
    ],
)
def test_what_is_not_told_is_asked(tmp_path: Path, files: dict[str, str]) -> None:
    result = check([lay(tmp_path, **files)], Workspace(tmp_path / "w"), Null())
    asked = [file for file in result.files if file.status != "loaded"]
    assert [Path(file.name).name for file in asked] == ["a.csv"]
    assert "can be read as" in asked[0].reason


def test_a_dry_run_tells_what_a_run_would_do(tmp_path: Path) -> None:
    result = check([lay(tmp_path, a=OPEN, b=SURE)], Workspace(tmp_path / "w"), Null())
    assert [file.accepted for file in result.files] == [14, 14]


RULE = {"from": "Start", "format": "%d/%m/%Y %H:%M"}


def told(place: str = "x/exports/a.csv", kind: str = "cycle", marks: str = "", **columns: dict[str, str]) -> str:
    file = {"decimal": marks} if marks else {}
    said = told_by(place, HEAD, kind, {"columns": {"started_at": RULE, **columns}, "file": file})
    assert said is not None
    return said


def test_what_files_of_a_head_say_together() -> None:
    """The kind must be one; fields and marks that they say differently are left out, those that one lacks are not."""
    key = key_of("y/exports/b.csv", HEAD)
    one = {"from": "Run time", "unit": "min"}
    assert agreed([told(duration_s=one), told(marks=",")])[key] == Sisters(
        "cycle", {"started_at": {"from": "Start", "order": ["d", "m", "Y"]}, "duration_s": one}, {"decimal": ","}
    )
    assert "duration_s" not in agreed([told(duration_s=one), told(duration_s={**one, "unit": "s"})])[key].columns
    assert agreed([told(), told(kind="event")]) == {}
    assert agreed([told(), told("x/others/a.csv")]).keys() == {key, ("others", HEAD)}
    assert told_by("a.csv", ("column 1", "column 2"), "cycle", {"columns": {}}) is None


LENGTHS_HEAD = ("Machine", "Program", "Start", "Run time", "Good")


@pytest.mark.parametrize(
    ("unit", "told"),
    [
        ("min", ""),
        ("s", "in one sixty times as long it would fill it"),  # what the rows say holds
        (None, "does not say its unit"),
    ],
)
def test_the_unit_of_a_length_is_told_and_held_against_the_rows(tmp_path: Path, unit: str | None, told: str) -> None:
    starts = [datetime(2026, 3, 16, 6, tzinfo=UTC) + timedelta(minutes=29 * row) for row in range(14)]
    rows = [f"M1;O1040;{at:%F %T};{24 + row % 3}.{row % 7 + 3};1" for row, at in enumerate(starts)]
    path = lay(tmp_path, a="\n".join([";".join(LENGTHS_HEAD), *rows, ""])) / "a.csv"
    sisters = Sisters("cycle", {"duration_s": {"from": "Run time", "unit": unit}} if unit else {})
    [found] = read_file(path, ReadSettings(heads={key_of(path.as_posix(), LENGTHS_HEAD): sisters}))
    assert told in found.reason
    assert (found.status == "loaded") == (told == "")
    if not told:
        [table] = found.tables
        assert (table.rows["ended_at"] - table.rows["started_at"]).dt.total_seconds()[0] == 24.3 * 60
