"""Lists that have all columns of a kind and are of another: they are asked about, never read as what they are not."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
ROWS = 24


def moment(row: int, minutes: int = 17) -> str:
    """The time of a row, each a little later than the one before."""
    return (FIRST + timedelta(minutes=minutes * row, seconds=row * 13 % 50)).strftime("%Y-%m-%d %H:%M:%S")


def table(head: str, cells: str, title: str = "") -> str:
    """A table with `{at}`, `{end}`, `{n}`, `{odd}` and the like filled in row by row."""
    lines = [
        cells.format(
            at=moment(row),
            end=moment(row).replace(moment(row)[-8:], (FIRST + timedelta(minutes=17 * row + 11)).strftime("%H:%M:%S")),
            n=row,
            tool=(1, 6, 9, 2, 7)[row % 5],
            program=f"O104{row * 7 % 4}",
            word=("no operator", "material", "waiting", "setup")[row * row % 4],
            number=f"{100 + row * row % 17 / 10:.3f}",
            day=10 + row,
            flag=("yes", "no", "no")[row % 3],
            counter=4100 + row,
            job=f"A{row // 6}",
            hour=f"2026-03-12 {row % 23:02}:00:00",
            next_hour=f"2026-03-12 {row % 23 + 1:02}:00:00",
            moved=("in", "out")[row % 2],
            quantity=(200, 50, 120, 80)[row // 6 % 4],
            many=8 + row * row % 41,
            load=6 - (row % 9 == 4),
            late=moment(row, 180),
            later=moment(row + 1, 180).replace(" ", "T")[:-3],
        )
        for row in range(ROWS)
    ]
    return "\n".join([*([title] if title else []), head, *lines, ""])


def read(folder: Path, text: str, name: str = "log.csv") -> FileRead:
    """Read a table."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines={"m1": "M1", "m2": "M2"}))
    return found


CYCLES = ("Machine;Program;Start;End", "M1;{program};{at};{end}")
CHANGES = ("Machine;Timestamp;Tool", "M1;{at};{tool}")
EDGES = ("Machine;Timestamp;Tool;Reason", "M1;{at};{tool};worn")


@pytest.mark.parametrize(
    ("head", "cells", "asked"),
    [
        (CYCLES[0] + ";Reason", CYCLES[1] + ";{word}", "Reason"),
        (CYCLES[0] + ";Alarm", CYCLES[1] + ";2041 door", "Alarm"),
        (CYCLES[0] + ";Category", CYCLES[1] + ";{word}", "Category"),
        (CYCLES[0] + ";Good", CYCLES[1] + ";{counter}", "counter"),
        (CYCLES[0] + ";Job;Qty", CYCLES[1] + ";{job};{quantity}", "quantity of the order"),
        (CYCLES[0] + ";Sec", CYCLES[1] + ";{n}", "part of a time"),
        (CYCLES[0] + ";Time zone", CYCLES[1] + ";CET", "time zone"),
        ("Machine;Program;Start (CET);End (CET)", CYCLES[1], "time zone"),
        ("Maschine;Programm;Beginn;Ende;Störung", CYCLES[1] + ";{word}", "Störung"),
        ("Machine;Programme;Début;Fin;Cause", CYCLES[1] + ";{word}", "Cause"),
        (CHANGES[0] + ";Length;Radius", CHANGES[1] + ";{number};5.0", "Length"),
        (CHANGES[0] + ";Alarm text", CHANGES[1] + ";{word}", "Alarm text"),
        (CHANGES[0] + ";Pocket", "M1;2026-03-12 06:03:10;{tool};{n}", "tools as they stand"),
        ("Job;Part;Quantity;Scrap reason", "B{n};P{n};5;{word}", "Scrap reason"),
        ("Order;Part;Quantity", "{job};P1;{n}", "bookings or deliveries"),
        ("Operation;Job;Setup time (min);Run hours", "10;{job};30;{number}", "Run hours"),
        (CYCLES[0] + ";Reserved by", CYCLES[1] + ";AB", "Reserved by"),
        ("Machine;Program;Clock in;Clock out", CYCLES[1], "Clock in"),
        ("Maschine;Programm;Kommen;Gehen", CYCLES[1], "Kommen"),
        ("Machine;Program;Start (UTC);End", CYCLES[1], "universal time"),
        ("Machine;Program;Start;End", "M1;{program};{hour};{next_hour}", "full hours"),
        (CHANGES[0] + ";Measured length", CHANGES[1] + ";120.1", "Measured length"),
        ("Macchina;Data ora;Utensile;Lunghezza", CHANGES[1] + ";120,1", "Lunghezza"),
        (CHANGES[0] + ";Quantity", CHANGES[1] + ";{tool}", "Quantity"),
        (CHANGES[0] + ";Max load %", CHANGES[1] + ";{counter}", "Max load"),
        (CHANGES[0] + ";Remaining", CHANGES[1] + ";{n}", "Remaining"),
        (CHANGES[0] + ";Uses", CHANGES[1] + ";{counter}", "Uses"),
        (CHANGES[0] + ";Action", CHANGES[1] + ";{word}", "Action"),
        (CHANGES[0] + ";Store", CHANGES[1] + ";{moved}", "came in and went out"),
        (CHANGES[0] + ";Nachschliff Nr.", CHANGES[1] + ";{tool}", "Nachschliff"),
        ("Order;Part;Quantity;Delivered", "B{n};P{n};5;2026-03-12", "deliveries"),
        ("Commande;Pièce;Quantité;Livré le", "B{n};P{n};5;12/03/2026", "deliveries"),
        ("Encomenda;Artigo;Quantidade;Fornecedor", "B{n};P{n};5;X", "another list"),
        ("Reklamation;Auftrag;Teil;Menge", "R{n};B{n};P{n};5", "another list"),
        ("Order;Part;Quantity;Type", "B{n};P{n};5;{moved}", "came in and went out"),
        ("Program;Operation;Date;Cutting time (s)", "{program};10;{at};3{n}", "time of day in each row"),
        (CHANGES[0] + ";Loaded by", CHANGES[1] + ";AB", "Loaded by"),
        ("Maschine;Zeit;Werkzeug;beladen von", CHANGES[1] + ";AB", "beladen von"),
        (EDGES[0] + ";Qty issued", EDGES[1] + ";10", "Qty issued"),
        ("Maschine;Datum;Werkzeug;Grund;Menge", EDGES[1] + ";10", "Menge"),
        ("Maschine;Datum;Werkzeug;Grund;Stück", EDGES[1] + ";10", "Stück"),
        ("Máquina;Fecha;Herramienta;Motivo;Plaquitas retiradas", EDGES[1] + ";10", "Plaquitas retiradas"),
        ("Maschine;Datum;Werkzeug;Grund;Kostenstelle", EDGES[1] + ";{n}", "Kostenstelle"),
        (CYCLES[0] + ";Feature;Deviation (mm)", CYCLES[1] + ";Bore {n};{number}", "Feature"),
        ("Maskin;Program;Start;Slut;Avvikelse (mm)", CYCLES[1] + ";{number}", "Avvikelse"),
        (CYCLES[0] + ";Good", "M1;{program};{late};{later};{many}", "a lot of many"),
        (CYCLES[0] + ";Total parts;Scrap", CYCLES[1] + ";3;0", "Total parts"),
        ("Job;Part;Planned qty;Planned start;Planned end", "B{n};P{n};5;{at};{end}", "plan of the machines"),
        ("Auftrag;Teil;Menge;Plan-Beginn;Plan-Ende", "B{n};P{n};5;{at};{end}", "plan of the machines"),
    ],
)
def test_a_column_says_that_it_is_another_list(tmp_path: Path, head: str, cells: str, asked: str) -> None:
    found = read(tmp_path, table(head, cells))

    assert found.status == "needs a profile", found.proposal and found.proposal.data
    assert asked in found.reason


@pytest.mark.parametrize("title", ["Downtime report", "Produktionsplan KW 12", "Arrêts machine", "Zone: Europe/London"])
def test_a_title_says_that_it_is_another_list(tmp_path: Path, title: str) -> None:
    assert read(tmp_path, table(*CYCLES, title)).status == "needs a profile"


@pytest.mark.parametrize(
    ("head", "cells"),
    [
        CYCLES,
        (CYCLES[0] + ";Customer;Comment", CYCLES[1] + ";Mill & Sons;-"),
        (CYCLES[0] + ";Aborted", CYCLES[1] + ";{flag}"),
        (CYCLES[0] + ";Good", "M1;{program};{late};{later};{load}"),  # pallets of six
        EDGES,
        (EDGES[0] + ";Cost centre", EDGES[1] + ";40"),
        (EDGES[0] + ";Pezzi fatti", EDGES[1] + ";1{n}"),
        (EDGES[0] + ";Teile", EDGES[1] + ";2{n}"),
        ("Order;Part;Quantity;Planned end", "B{n};P{n};5;{at}"),
        CHANGES,
        (CHANGES[0] + ";Diameter", CHANGES[1] + ";{tool}.0"),
        (CHANGES[0] + ";Previous tool;Shift", CHANGES[1] + ";{tool};1"),
        ("Order;Part;Quantity;Delivered;Due", "B{n};P{n};5;0;{at}"),
        ("Order;Part;Quantity;Ordered on;Delivered on", "B{n};P{n};5;2026-03-{day};2026-04-{day}"),
        ("Program;Operation;Date;Cutting time (s)", "{program};10;2026-03-{day};3{n}"),
    ],
)
def test_columns_that_describe_are_no_doubt(tmp_path: Path, head: str, cells: str) -> None:
    found = read(tmp_path, table(head, cells))

    assert found.status == "loaded", found.reason


def test_aborted_yes_is_an_aborted_cycle(tmp_path: Path) -> None:
    found = read(tmp_path, table(CYCLES[0] + ";Aborted", CYCLES[1] + ";{flag}"))
    [rows] = [part.rows for part in found.tables if part.rows.height]

    assert rows["outcome"].to_list()[:3] == ["aborted", "complete", "complete"]


@pytest.mark.parametrize(
    ("head", "cells", "title"),
    [
        (*CYCLES, "All times in UTC"),
        ("Machine;Program;Start (UTC);End (UTC)", CYCLES[1], ""),
        (CYCLES[0] + ";Time zone", CYCLES[1] + ";UTC", ""),
    ],
)
def test_universal_time_is_taken_at_its_word(tmp_path: Path, head: str, cells: str, title: str) -> None:
    """Berlin is an hour ahead."""
    found = read(tmp_path, table(head, cells, title))
    [rows] = [part.rows for part in found.tables if part.rows.height]

    assert rows["started_at"][0] == FIRST


def test_rows_below_a_machine_named_among_them_are_its_own(tmp_path: Path) -> None:
    """Under a title of M1, rows below "Machine: M2" are not of M1."""
    head, cells = "Program;Start;End", "{program};{at};{end}"
    whole = table(head, cells, "Machine: M1").splitlines()
    parted = [*whole[:14], "Machine: M2", *whole[14:], ""]

    found = read(tmp_path, "\n".join(parted))

    [cycles] = found.tables
    below = len(whole) - 14
    assert cycles.rows["machine"].to_list() == ["M1"] * 12 + ["M2"] * below


def test_the_night_under_the_date_of_the_shift_is_asked(tmp_path: Path) -> None:
    """20:00 to 03:30 all stand under the day on which the shift began."""
    rows = [
        f"M1;O1;{12 + day}.03.2026;{hour % 24:02}:05:00;{hour % 24:02}:35:00"
        for day in range(3)
        for hour in range(20, 28)
    ]
    found = read(tmp_path, "\n".join(["Machine;Program;Date;Start;End", *rows, ""]))

    assert found.status == "needs a profile"
    assert "within a day" in found.reason


def test_a_second_head_with_other_units_is_asked(tmp_path: Path) -> None:
    head, cells = "Machine;Program;Start;Time ({unit})", "M1;{program};{at};6{n:02}"
    whole = table(head.format(unit="s"), cells).splitlines()
    parted = [*whole[:13], head.format(unit="min"), *whole[13:], ""]

    found = read(tmp_path, "\n".join(parted))

    assert found.status == "needs a profile"
    assert "another head" in found.reason


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_number_that_counts_the_rows_is_no_job(tmp_path: Path, newest_first: bool) -> None:
    head, *rows = table("No.;Machine;Program;Start;End;Parts", "{counter};M1;{program};{at};{end};1").splitlines()
    found = read(tmp_path, "\n".join([head, *(rows[::-1] if newest_first else rows), ""]))

    assert found.status == "loaded", found.reason
    [cycles] = found.tables
    assert cycles.rows["job"].null_count() == ROWS
