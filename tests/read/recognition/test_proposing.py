"""What is proposed for foreign tables: what is sure, what is asked, and that a proposal is a profile like any other."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.reading import read_file
from pipeline.read.recognition.proposing import Proposal
from pipeline.read.recognition.writing import profile_text, source_glob
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile
from schemas.toml_model import parse

GERMAN = """Zyklusliste
Maschine: BAZ 2

Programm;Startdatum;Startzeit;Enddatum;Endzeit;Dauer [min];Gutteile;Ausschuss;Status
O1001;13.03.2026;07:02:10;13.03.2026;07:14:40;12,5;1;0;OK
O1001;13.03.2026;07:16:10;13.03.2026;07:28:40;12,5;1;0;OK
O1002;13.03.2026;23:50:00;14.03.2026;00:20:00;30,0;1;0;abgebrochen
Summe;;;;;55,0;3;0;
"""
AMERICAN = """Machine,Job,Program,Start,End,Good Parts
VMC-1,4711,O1234,{0}/2026 7:02:11 AM,{0}/2026 7:14:41 AM,1
VMC-1,4711,O1234,{0}/2026 7:16:11 AM,{0}/2026 7:28:41 AM,1
VMC-1,4711,O1234,{0}/2026 1:16:11 PM,{0}/2026 1:28:41 PM,1
"""


def put(folder: Path, text: str, name: str = "export.csv") -> Path:
    """Write a file."""
    path = folder / name
    path.write_bytes(text.encode())
    return path


def read(path: Path, **settings: Any) -> tuple[FileRead, pl.DataFrame]:
    """Read a file, and its rows where it is read."""
    [found] = read_file(path, ReadSettings(zone="Europe/Lisbon", **settings))
    tables = list(found.tables)
    return found, pl.concat([table.rows for table in tables]) if tables else pl.DataFrame()


def proposal_of(found: FileRead) -> Proposal:
    """Return what was proposed."""
    assert found.proposal is not None
    return found.proposal


def test_a_foreign_table_is_read_as_a_person_would(tmp_path: Path) -> None:
    found, rows = read(put(tmp_path, GERMAN))

    assert found.status == "loaded"
    assert rows["machine"].to_list() == ["BAZ 2"] * 3
    assert rows["outcome"].to_list() == ["complete", "complete", "aborted"]
    assert (rows["ended_at"] - rows["started_at"]).dt.total_seconds().to_list() == [750, 750, 1800]


def test_a_proposal_reads_like_the_profile_that_it_writes(tmp_path: Path) -> None:
    """What is kept with --save reads the same rows as recognition did."""
    path = put(tmp_path, GERMAN)
    found, rows = read(path)
    profile = parse(profile_text(proposal_of(found)), Profile, "saved")

    _, again = read(path, sources=[SourceRule("*.csv", profile)])

    assert profile == proposal_of(found).profile
    assert again.equals(rows)


def test_dates_that_fit_both_ways_are_asked(tmp_path: Path) -> None:
    """The 3rd of April or the 4th of March: both ways stand in the proposal."""
    found, _ = read(put(tmp_path, AMERICAN.format("3/4")))
    text = profile_text(proposal_of(found))

    assert found.status == "needs a profile"
    assert "%d/%m/%Y" in found.reason
    assert "%m/%d/%Y" in found.reason
    assert "to_check = [" in text


def test_a_day_above_twelve_decides_for_the_whole_file(tmp_path: Path) -> None:
    found, rows = read(put(tmp_path, AMERICAN.format("3/14")))

    assert found.status == "loaded"
    assert rows["started_at"].dt.date().unique().to_list() == [pl.date(2026, 3, 14).pipe(pl.select).item()]


def test_a_day_far_down_in_a_long_file_decides_too(tmp_path: Path) -> None:
    """The rows that are weighed are the first ones; which of day and month comes first is asked of all."""
    clock = [f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}" for s in range(0, 86_400, 2)]
    early = [f"M1,O1,03/04/2026 {clock[at]},03/04/2026 {clock[at + 1]}" for at in range(0, 42_000, 2)]
    late = f"M1,O1,03/14/2026 {clock[0]},03/14/2026 {clock[1]}"
    found, rows = read(put(tmp_path, "\n".join(["Machine,Program,Start,End", *early, late, ""])))

    assert found.status == "loaded"
    assert rows["started_at"][0].month == 3


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        (("Maschine: BAZ 2", "Werk Nord"), "which machine"),
        (("abgebrochen", "spezial"), "spezial"),
    ],
)
def test_what_the_file_does_not_say_is_asked(tmp_path: Path, change: tuple[str, str], asked: str) -> None:
    found, _ = read(put(tmp_path, GERMAN.replace(*change)))

    assert found.status == "needs a profile"
    assert asked in found.reason


def test_a_duration_without_a_unit_is_asked_unless_start_and_end_tell_it(tmp_path: Path) -> None:
    without_unit = GERMAN.replace("Dauer [min]", "Dauer")
    told, _ = read(put(tmp_path, without_unit))
    alone = "\n".join(
        ";".join(cell for place, cell in enumerate(line.split(";")) if place not in (3, 4))
        for line in without_unit.splitlines()
    )
    asked, _ = read(put(tmp_path, alone, "alone.csv"))

    assert told.status == "loaded"
    assert asked.status == "needs a profile"
    assert "does not say its unit" in asked.reason


def test_the_machine_of_a_path_is_one_of_the_shop(tmp_path: Path) -> None:
    """Only names that shop.toml knows, or that say that they are of a machine: a file is called many things."""
    text = GERMAN.replace("Maschine: BAZ 2", "")
    known, rows = read(put(tmp_path, text, "Nordlicht_2026.csv"), machines={"nordlicht": "Nordlicht"})
    unknown, _ = read(put(tmp_path, text, "Nordlicht_2026.csv"))
    designated, told = read(put(tmp_path, text, "Fraese-2_2026.csv"))

    assert known.status == "loaded"
    assert rows["machine"].unique().to_list() == ["Nordlicht"]
    assert unknown.status == "needs a profile"
    assert designated.status == "loaded"
    assert told["machine"].unique().to_list() == ["Fraese-2"]


def test_machines_are_called_by_their_ids(tmp_path: Path) -> None:
    found, rows = read(put(tmp_path, AMERICAN.format("3/14")), machines={"vmc-1": "M1", "m1": "M1", "small mill": "M1"})

    assert found.status == "loaded"
    assert rows["machine"].unique().to_list() == ["M1"]


def test_states_of_a_machine_are_no_cycles(tmp_path: Path) -> None:
    """Idle time must never come in as a cycle: rows of states are events, or are asked about."""
    lines = [
        "Machine,Program,State,Start,End",
        *(
            f"M1,O1,{state},2026-03-{day:02} 06:{minute:02}:00,2026-03-{day:02} 06:{minute + 10:02}:00"
            for day in range(14, 18)
            for minute, state in ((0, "Running"), (10, "Stopped"), (20, "Running"), (30, "Interrupted"))
        ),
    ]
    found, rows = read(put(tmp_path, "\n".join(lines) + "\n"))

    assert found.status == "needs a profile" or set(rows["item"]) == {"Execution"}


def test_what_the_book_knows_makes_sure_what_was_not(tmp_path: Path) -> None:
    """A column that nothing names is told by the jobs in it, and only where the file alone left a doubt."""
    text = AMERICAN.format("3/14").replace("Program", "Nummer")
    alone, _ = read(put(tmp_path, text))
    knowing, rows = read(put(tmp_path, text), programs=frozenset({"O1234"}))

    assert alone.status == "needs a profile"
    assert knowing.status == "loaded"
    assert rows["program"].unique().to_list() == ["O1234"]


@given(
    st.text(min_size=1, max_size=30),
    st.dictionaries(st.text(max_size=10), st.text(max_size=10), max_size=3),
    st.lists(st.text(max_size=20), max_size=3),
)
def test_any_names_are_written_so_that_they_read_back(name: str, lookup: dict[str, str], doubts: list[str]) -> None:
    """Names of columns come from files: quotes, line ends, control characters and signs of TOML in them."""
    rule = {"from": name, "lookup": lookup}
    data = {"version": 1, "name": name, "kind": "cycle", "columns": {"program": rule}}
    proposal = Proposal("cycle", data, None, {}, {"program": [name]}, ("started_at",), tuple(doubts), (name,))

    written = tomllib.loads(profile_text(proposal))
    assert len(written.pop("to_check")) == 1 + len(doubts)  # the missing start, and each doubt
    assert written == data


@pytest.mark.parametrize(
    ("path", "glob"),
    [
        ("/x/lathe/cycles_2026-03.csv", "lathe/cycles_*.csv"),
        ("/x/lathe/export.csv", "lathe/export.csv"),
        ("/x/lathe 2/log 14.03.2026.txt", "lathe 2/log *.txt"),
    ],
)
def test_a_kept_profile_is_for_files_named_alike(path: str, glob: str) -> None:
    data: dict[str, Any] = {"columns": {"machine": {"from": "Machine"}}}
    shared = Proposal("cycle", data, None, {}, {}, (), ())
    own = Proposal("cycle", {"columns": {"machine": {"constant": "L2"}}}, None, {}, {}, (), ())

    assert source_glob(path, shared) == glob
    assert source_glob(path, own) == "/".join(path.split("/")[-2:])
