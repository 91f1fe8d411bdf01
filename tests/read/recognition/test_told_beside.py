"""What stands beside tells: labels above, days that stand once, sums on other sheets. 5 s of CPU.

The lists are made up.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.read.reading import read_file
from pipeline.read.recognition.event_logs import _state
from pipeline.read.recognition.names import counts_scrap, read_name
from pipeline.read.recognition.places import machine_listed, machine_of_name
from pipeline.read.recognition.said_above import fields_named, said_above
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
Sheets = dict[str, list[str]]
Read = Callable[[Sheets], tuple[FileRead, pl.DataFrame]]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Read a list, a text of one sheet or a workbook of several."""

    def of(sheets: Sheets) -> tuple[FileRead, pl.DataFrame]:
        if len(sheets) == 1:
            (name, lines), *_ = sheets.items()
            path = tmp_path / f"{name}.csv"
            path.write_text("\n".join([*lines, ""]), encoding="utf-8")
        else:
            path = tmp_path / "list.xlsx"
            with xlsxwriter.Workbook(str(path)) as book:
                for name, lines in sheets.items():
                    sheet = book.add_worksheet(name)
                    for row, line in enumerate(lines):
                        sheet.write_row(row, 0, line.split(";"))
        [found] = read_file(path, ReadSettings(zone="Europe/Lisbon"))
        tables = [table.rows for table in found.tables]
        return found, pl.concat(tables) if tables else pl.DataFrame()

    return of


def moment(minutes: float) -> str:
    return (FIRST + timedelta(minutes=minutes)).strftime("%d.%m.%Y %H:%M:%S")


BLOCK_HEAD = "AG;Maschine;Programm;Wkz.;Hauptzeit [min];Nebenzeit [min]"


def block(labels: list[str], step: int) -> list[str]:
    lines = [f"{step};M1;LT-{step};{tool};{tool + 0.5};1.1" for tool in (3, 11, 24)]
    return [*labels, "", BLOCK_HEAD, *lines, ""]


@pytest.mark.parametrize(
    ("second", "material"),
    [
        ("Werkstoff:;AlZn5,5MgCu", "AlZn5,5MgCu"),  # a comma between digits is one of decimals
        ("Werkstoff:;C45", "C45"),
    ],
)
def test_a_block_of_labels_is_of_the_table_below_it(read: Read, second: str, material: str) -> None:
    first, other = ["Auftrag:;FA311", "Werkstoff:;TiAl6V4"], ["Auftrag:;FA298", second]
    found, rows = read({"Kalkulation": [*block(first, 10), *block(other, 30)]})

    assert found.status == "loaded", found.reason
    assert rows.select("job", "material").unique(maintain_order=True).rows() == [
        ("FA311", "TiAl6V4"),
        ("FA298", material),
    ]


def test_two_materials_are_not_that_of_the_block_above(read: Read) -> None:
    first, other = ["Auftrag:;FA311", "Werkstoff:;TiAl6V4"], ["Auftrag:;FA298", "Werkstoff:;C45, Messing"]
    found, _ = read({"Kalkulation": [*block(first, 10), *block(other, 30)]})

    assert found.status == "needs a profile"


def test_a_label_counts_where_its_value_says_nothing() -> None:
    lines = [("Werkstoff:", "C45, Messing")]

    assert fields_named(lines) >= {"material"}
    assert not said_above("estimate", lines)


DAYS = ["Tag;Zeit;Maschine;T-Nr.;Wechselgrund"]


def days(clocks: list[tuple[str, str]]) -> list[str]:
    reasons = ("planmäßig", "gebrochen", "verschlissen")
    return [f"{day};{clock};M{at % 2 + 1};{at % 3 + 4};{reasons[at % 3]}" for at, (day, clock) in enumerate(clocks)]


GOING_ON = [
    ("13.01.2026", "14:15"), ("", "16:38"), ("15.01.2026", "15:56"), ("22.01.2026", "06:30"), ("", "11:12"),
    ("", "18:18"), ("27.01.2026", "07:04"), ("30.01.2026", "08:29"),
]  # fmt: skip


def test_a_day_that_stands_once_goes_on_where_the_clock_does(read: Read) -> None:
    found, rows = read({"Schneidenwechsel": [*DAYS, *days(GOING_ON)]})

    assert found.status == "loaded", found.reason
    assert [at.day for at in rows["occurred_at"]] == [13, 13, 15, 22, 22, 22, 27, 30]


def test_a_day_that_may_be_forgotten_is_not_filled_in(read: Read) -> None:
    """Where the clock goes back without a day, another one began."""
    back = [("", "05:10") if clock == "11:12" else (day, clock) for day, clock in GOING_ON]
    found, rows = read({"Schneidenwechsel": [*DAYS, *days(back)]})

    assert found.status != "loaded" or rows.height <= len(back) - 3


SHEET = "Início;Fim;Programa CNC;Ordem de fabrico;Peças boas;Rejeitadas"


def cycles(order: str) -> list[str]:
    return [f"{moment(17 * row)};{moment(17 * row + 11)};CAV_{row % 2};{order};1;0" for row in range(9)]


def test_sheets_are_of_the_machines_that_another_sheet_sums_up(read: Read) -> None:
    sums = ["Máquina;Peças boas;Rejeitadas", "CM-1;9;0", "Fresa 3;9;0"]
    found, rows = read({"CM-1": [SHEET, *cycles("OF-1")], "Fresa 3": [SHEET, *cycles("OF-2")], "Resumo": sums})

    assert found.status == "loaded", found.reason
    assert rows["machine"].unique().sort().to_list() == ["CM-1", "Fresa 3"]


def test_a_sheet_that_is_not_summed_up_is_of_nobody_knows_which_machine() -> None:
    sums = (("Máquina", "Peças boas"), ("CM-1", "9"), ("CM-2", "9"))

    assert machine_listed([("CM-1",)], sums) == ("CM-1", '"Máquina" on another sheet')
    assert machine_listed([("CM-3",)], sums) is None
    assert machine_listed([("9",)], sums) is None
    assert machine_listed([("CM-1",)], (("Operador", "Peças boas"), *sums[1:])) is None


def test_weeks_in_names_of_files_are_no_machines() -> None:
    assert machine_of_name("svarvar_v47.xlsx") is None
    assert machine_of_name("Maschine_KW12.csv") is None
    assert machine_of_name("svarv_v4.csv") == "v4"


@pytest.mark.parametrize(
    "name",
    ["Qty made (incl. scrap)", "Stück (inkl. Ausschuss)", "Pièces (y compris rebuts)", "Piezas (incluidas rechazadas)",
     "Peças (incluindo refugo)", "Pezzi (compresi scarti)", "Sztuki (łącznie z brakami)", "Stuks (incl. afkeur)",
     "Kusy (včetně zmetků)", "Antal (inkl. kassation)"],
)  # fmt: skip
def test_counts_say_in_brackets_that_scrap_is_among_them(name: str) -> None:
    assert counts_scrap(name)
    assert not counts_scrap(name.partition(" (")[0] + " (kg)")


@pytest.mark.parametrize("name", ["Piezas (con defecto)", "Peças (com defeito)", "Antal (med fel)", "Stuks (met fout)"])
def test_parts_with_a_fault_are_no_count_of_all(name: str) -> None:
    assert not counts_scrap(name)


@pytest.mark.parametrize("name", ["Los", "Los-Nr.", "Losgröße"])
def test_a_lot_is_no_start(name: str) -> None:
    assert "started" not in read_name(name).concepts


def test_scrap_in_brackets_is_taken_off(read: Read) -> None:
    lines = [f"M1;O{row % 2};{moment(17 * row)};{moment(17 * row + 11)};4;{row % 2};complete" for row in range(9)]
    found, rows = read({"log": ["Machine;Program;Start;End;Made (incl. scrap);Scrap;Result", *lines]})

    assert found.status == "loaded", found.reason
    assert rows["parts"].to_list() == [4 - row % 2 for row in range(9)]


@pytest.mark.parametrize(
    ("said", "means"),
    [
        ("Program přerušen", "INTERRUPTED"), ("Programm unterbrochen", "INTERRUPTED"), ("Maschine läuft", "ACTIVE"),
        ("programme interrompu", "INTERRUPTED"), ("programma onderbroken", "INTERRUPTED"),
        ("programa en marcha", "ACTIVE"), ("programmet avbrutet", "INTERRUPTED"),
    ],
)  # fmt: skip
def test_states_of_a_program_or_a_machine(said: str, means: str) -> None:
    assert _state(said) == {"Execution": means}


@pytest.mark.parametrize("column", ["Run Status", "Status", "Ended", "How it ended"])
def test_a_status_whose_cells_say_how_runs_ended_is_the_outcome(read: Read, column: str) -> None:
    lines = [
        f"M1;O{row % 2};{moment(17 * row)};{moment(17 * row + 11)};1;{'Aborted' if row == 5 else 'Complete'}"
        for row in range(12)
    ]
    found, rows = read({"run history": [f"Machine;Program;Start;End;Good;{column}", *lines]})

    assert found.status == "loaded", found.reason
    assert rows["outcome"].to_list() == ["aborted" if row == 5 else "complete" for row in range(12)]


@pytest.mark.parametrize("extra", ["Belastung %", "Drehmoment %"])
@pytest.mark.parametrize(("title", "loaded"), [("Werkzeugwechsel", True), ("Werkzeugüberwachung", False)])
def test_what_the_machine_was_like_stands_beside_changes(read: Read, extra: str, title: str, loaded: bool) -> None:
    lines = [f"M1;{moment(7 * row)};O104;T{row * 5 % 12 + 1};{row * 13 % 70 + 10}" for row in range(20)]
    found, _ = read({"liste": [title, f"Maschine;Zeitpunkt;Programm;Werkzeug;{extra}", *lines]})

    assert (found.status == "loaded") is loaded


def test_the_number_of_a_part_goes_before_its_name(read: Read) -> None:
    lines = [f"VP-{2590 + row};DR-{row % 4 + 110};{('příruba', 'pouzdro')[row % 2]};C45;{10 * row + 10};38.6;20"
             for row in range(9)]  # fmt: skip
    head = "Číslo zakázky;Číslo výkresu;Název dílu;Materiál;Množství;Plánovaný čas cyklu (min);Plánované seřízení (min)"
    found, rows = read({"Seznam zakázek": [head, *lines]})

    assert found.status == "loaded", found.reason
    assert rows["part"].to_list() == [f"DR-{row % 4 + 110}" for row in range(9)]


def test_numbers_under_a_weak_name_are_no_machine_where_a_title_says_it(read: Read) -> None:
    lines = [f"{moment(7 * row)};P511;T{row * 5 % 12 + 1:02d};{row * 5 % 12 + 7}" for row in range(20)]
    found, rows = read({"outils": ["CHANGEMENTS D'OUTIL", "Machine : CU-7", "Date;Programme;Outil;Poste", *lines]})

    assert found.status == "loaded", found.reason
    assert rows["machine"].unique().to_list() == ["CU-7"]


def test_a_head_of_two_lines_above_a_line_of_units(read: Read) -> None:
    lines = [
        f"AXE-220;C-{row // 4};{(FIRST + timedelta(minutes=17 * row)):%d.%m.%Y;%H:%M:%S};"
        f"{(FIRST + timedelta(minutes=17 * row + 11)):%d.%m.%Y;%H:%M:%S};1;0"
        for row in range(12)
    ]
    head = ["Programme;Commande;Début;;Fin;;Quantité;", ";;Date;Heure;Date;Heure;bonnes;rebut", ";;;;;;pcs;pcs"]
    found, rows = read({"relevé": ["Relevé de production", "Machine : Tour 6", "", *head, *lines]})

    assert found.status == "loaded", found.reason
    assert rows["ended_at"].to_list() == [FIRST + timedelta(minutes=17 * row + 11) for row in range(12)]


def test_a_comma_in_a_title_parts_no_columns(read: Read) -> None:
    """Columns stand below, aligned by blanks, and jobs head the rows."""
    lines = ["Kalkulace časů, časy na kus", "", "Operace   Nástroj     Řezný čas (s)     Vedlejší čas (s)", ""]
    for job in (40, 41):
        lines += [f"Zakázka: Z26-{job}", *(f"10        {n + 2:<12}{n * 6 + 96:<18}{n + 9}" for n in range(6)), ""]
    found, rows = read({"kalkulace": lines})

    assert found.status == "loaded", found.reason
    assert rows["job"].to_list() == ["Z26-40"] * 6 + ["Z26-41"] * 6


def test_decimals_beside_tell_that_a_point_parts_no_seconds(read: Read) -> None:
    lines = [f"N{n // 3};10;{n % 3 + 1};{n},{n % 9 + 1};0,{(5 * n + 10) % 50:02d}" for n in range(20)]
    found, rows = read(
        {"szacowanie": ["Program;Operacja;Narzędzie;Czas skrawania [min];Czas pomocniczy [min]", *lines]}
    )

    assert found.status == "loaded", found.reason
    assert rows["noncut_s"].to_list() == pytest.approx([((5 * n + 10) % 50) * 0.6 for n in range(20)])


@pytest.mark.parametrize(
    ("column", "value"),
    [("Op", "OP{0}0"), ("Op", "{0}0"), ("wc", "HMC_0{0}"), ("Arb.order", "T-88{0}")],
)
def test_cells_tell_what_short_names_leave_open(read: Read, column: str, value: str) -> None:
    has_machine = column != "wc"
    lines = [
        f"{'M1;' if has_machine else ''}O{row % 2};{moment(17 * row)};{moment(17 * row + 11)};1;"
        + value.format(row % 3 + 1)
        for row in range(12)
    ]
    head = f"{'Machine;' if has_machine else ''}Program;Start;End;Good;{column}"
    found, _ = read({"run history": [head, *lines]})

    assert found.status == "loaded", found.reason


@pytest.mark.parametrize(("second", "loaded"), [("Centro 2", True), ("Centro 1", False)])
def test_changes_without_a_head_are_told_by_the_name_of_the_file(read: Read, second: str, loaded: bool) -> None:
    lines = [
        f"{('Centro 2', second)[row % 2]};{moment(7 * row + 12 * 1440)};T{row * 5 % 12 + 1:02d}" for row in range(20)
    ]
    found, rows = read({"Centro 2 - cambios de herramienta": lines})

    assert (found.status == "loaded") is loaded
    if loaded:
        assert rows["machine"].unique().to_list() == ["Centro 2"]


def test_words_for_pieces_stand_in_a_row_of_units(read: Read) -> None:
    lines = [f"FR-{row % 2};O52;{moment(17 * row)};4;1;0" for row in range(12)]
    units = ";;;min;pç;pç"
    found, rows = read(
        {"registo": ["Máquina;Programa NC;Início do ciclo;Tempo de ciclo;Boas;Rejeitadas", units, *lines]}
    )

    assert found.status == "loaded", found.reason
    assert rows.height == 12
