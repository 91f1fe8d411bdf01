"""The corpus: small exports as shops of all kinds write them, and the rows that a careful person reads out of them.

Each function below is one shop's export; its name is the export's. The truth comes from `shop_truth.py` or stands
beside the text. `python make_corpus.py FOLDER` lays all of them out to be looked at. Nothing here knows how exports
are read.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final

import polars as pl
from export_writing import (
    Row,
    clock,
    gzipped,
    h_mm_ss,
    json_lines,
    lasting,
    lines_of,
    local,
    mm_ss,
    number,
    on,
    said,
    text_file,
    times,
    words,
    workbook,
    zipped,
)
from shop_truth import WORKS, cycles, edge_changes, estimates, jobs, operations, signals, tool_changes

BERLIN, PARIS, MADRID, LISBON, ROME = "Europe/Berlin", "Europe/Paris", "Europe/Madrid", "Europe/Lisbon", "Europe/Rome"
WARSAW, AMSTERDAM, PRAGUE, STOCKHOLM = "Europe/Warsaw", "Europe/Amsterdam", "Europe/Prague", "Europe/Stockholm"
DUBLIN, CHICAGO, TORONTO = "Europe/Dublin", "America/Chicago", "America/Toronto"


@dataclass(frozen=True)
class Either:
    """A value that two careful readers may write down differently, both rightly."""

    values: tuple[object, ...]

    def __init__(self, *values: object) -> None:
        object.__setattr__(self, "values", values)


@dataclass(frozen=True)
class Export:
    """One export: its files, and what a person reads in them."""

    zone: str
    files: dict[str, bytes]
    kind: str = ""
    rows: Sequence[Row] = ()  # the fields that the export shows; a field that is not in them must stay empty
    machines: tuple[str, ...] = ()  # those that the shop has named
    rejected: int = 0
    skipped: int | None = None  # None: not said
    within: float = 0.0  # how finely the export's own figures tell a number or an instant, in our units
    untold: frozenset[str] = frozenset()  # fields that two careful readers may fill or not
    refused: str = ""  # what has to be asked, where nobody can read it


CORPUS: Final[dict[str, Callable[[], Export]]] = {}


def export(make: Callable[[], Export]) -> Callable[[], Export]:
    """Take an export into the corpus."""
    CORPUS[make.__name__.replace("_", "-")] = make
    return make


def shown(rows: Sequence[Row], fields: str, **made: Callable[[Row], object]) -> list[dict[str, Any]]:
    """Return the rows with the fields that an export shows, some of them as it shows them."""
    return [{name: made[name](row) if name in made else row[name] for name in fields.split()} for row in rows]


def blank(_: Row) -> str:
    """An empty cell."""
    return ""


CYCLE = "machine program started_at ended_at"
COMMENTS = ("", "", "coolant topped up", "checked bore, on size", "Spannung geprüft", "waited for crane")


def comment(row: Row) -> str:
    """A remark that somebody typed."""
    return COMMENTS[row["number"] % len(COMMENTS)]


# --- cycles ---------------------------------------------------------------------------------------------------------


@export
def de_cycles_titles_and_total() -> Export:
    rows = cycles(26, seed=1, zone=BERLIN, machines=("BAZ 1", "BAZ 2"))
    lines = lines_of(
        {
            "Masch.": "machine",
            "Programm": "program",
            "Auftrag": "job",
            "AG": "operation",
            "Start": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Ende": clock("ended_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Gutteile": "parts",
            "Ausschuss": "scrap",
            "Status": said("outcome", {"complete": "fertig", "aborted": "abgebrochen"}),
        },
        rows,
    )
    good = sum(row["parts"] for row in rows)
    text = ["Laufzeitprotokoll Halle 2", "Zeitraum: 11.03.2026 - 17.03.2026", "", *lines, f"Summe;;;;;;{good};;"]
    return Export(
        BERLIN,
        {"laufzeiten.csv": text_file(text, "cp1252")},
        "cycle",
        shown(rows, f"{CYCLE} job operation parts scrap outcome"),
        skipped=4,
    )


@export
def us_cycles_twelve_hour_clock() -> Export:
    rows = cycles(24, seed=2, zone=CHICAGO, machines=("VMC-1", "VMC-2"), first="2026-03-12 10:40:00")
    form = "%m/%d/%Y %I:%M:%S %p"
    lines = lines_of(
        {
            "Machine": "machine",
            "Part Program": "program",
            "Cycle Start": clock("started_at", form, CHICAGO),
            "Cycle End": clock("ended_at", form, CHICAGO),
            "Cycle Time": lasting("length_s", h_mm_ss),
            "Good Parts": "parts",
            "Scrap": "scrap",
            "Result": said("outcome", {"complete": "Completed", "aborted": "Aborted"}),
            "Operator": lambda row: ("RS", "PH")[row["number"] % 2],
        },
        rows,
        ",",
        "all",
    )
    return Export(
        CHICAGO,
        {"CycleHistory.csv": text_file(lines, "utf-8-sig")},
        "cycle",
        shown(rows, f"{CYCLE} parts scrap outcome"),
        skipped=0,
    )


@export
def fr_cycles_machine_in_title() -> Export:
    rows = cycles(20, seed=3, zone=PARIS, machines=("TOUR-2",))
    lines = lines_of(
        {
            "Date": clock("started_at", "%d/%m/%Y", PARIS),
            "Heure début": clock("started_at", "%H:%M:%S", PARIS),
            "Durée (mm:ss)": lasting("length_s", mm_ss),
            "Programme": "program",
            "OF": "job",
            "Pièces bonnes": "parts",
            "Rebuts": "scrap",
        },
        rows,
        "\t",
    )
    text = ["Machine :\tTOUR-2", "Période :\tmars 2026", "", *lines]
    return Export(
        PARIS,
        {"historique.txt": text_file(text, "latin-1", "\n")},
        "cycle",
        shown(rows, f"{CYCLE} job parts scrap"),
        skipped=3,
    )


@export
def es_cycles_minutes_with_comma() -> Export:
    rows = cycles(22, seed=4, zone=MADRID, machines=("CM-4", "CM-5"), length_step_s=6)
    lines = lines_of(
        {
            "Máquina": "machine",
            "Programa": "program",
            "Inicio": clock("started_at", "%d/%m/%Y %H:%M:%S", MADRID),
            "Duración (min)": times("length_s", 1 / 60, 1, ","),
            "Piezas buenas": "parts",
            "Rechazos": "scrap",
            "Nº OF": "job",
            "Cliente": lambda row: ("Bombas Norte", "Talleres Luz")[row["number"] % 2],
        },
        rows,
    )
    return Export(
        MADRID, {"ciclos.csv": text_file(lines, "utf-8")}, "cycle", shown(rows, f"{CYCLE} job parts scrap"), skipped=0
    )


@export
def pt_cycles_utf16_date_and_two_times() -> Export:
    rows = cycles(21, seed=5, zone=LISBON, machines=("CNC-1", "CNC-3"))
    lines = lines_of(
        {
            "Máquina": "machine",
            "Data": clock("started_at", "%d-%m-%Y", LISBON),
            "Hora de início": clock("started_at", "%H:%M:%S", LISBON),
            "Hora de fim": clock("ended_at", "%H:%M:%S", LISBON),
            "Programa": "program",
            "Peças boas": "parts",
            "Refugo": "scrap",
            "Ordem": "job",
            "Operador": lambda row: ("JL", "AM")[row["number"] % 2],
        },
        rows,
        "\t",
    )
    return Export(
        LISBON,
        {"ciclos.txt": text_file(lines, "utf-16-le")},
        "cycle",
        shown(rows, f"{CYCLE} job parts scrap"),
        skipped=0,
    )


@export
def it_cycles_pipes() -> Export:
    rows = cycles(18, seed=6, zone=ROME, machines=("CENTRO1",))
    lines = lines_of(
        {
            "macchina": "machine",
            "programma": "program",
            "inizio ciclo": clock("started_at", "%d/%m/%Y %H:%M:%S", ROME),
            "fine ciclo": clock("ended_at", "%d/%m/%Y %H:%M:%S", ROME),
            "pezzi": "parts",
            "esito": said("outcome", {"complete": "completato", "aborted": "interrotto"}),
            "commessa": "job",
        },
        rows,
        "|",
    )
    return Export(ROME, {"cicli.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts outcome job"), skipped=0)


@export
def pl_cycles_cp1250() -> Export:
    rows = cycles(19, seed=7, zone=WARSAW, machines=("Frezarka 1", "Tokarka 2"))
    lines = lines_of(
        {
            "Maszyna": "machine",
            "Program": "program",
            "Początek": clock("started_at", "%Y.%m.%d %H:%M:%S", WARSAW),
            "Koniec": clock("ended_at", "%Y.%m.%d %H:%M:%S", WARSAW),
            "Sztuki dobre": "parts",
            "Braki": "scrap",
            "Nr zlecenia": "job",
            "Zmiana": lambda row: "1",
        },
        rows,
    )
    return Export(
        WARSAW, {"cykle.csv": text_file(lines, "cp1250")}, "cycle", shown(rows, f"{CYCLE} job parts scrap"), skipped=0
    )


@export
def nl_cycles_newest_first() -> Export:
    rows = cycles(20, seed=8, zone=AMSTERDAM, machines=("Freesbank A", "Freesbank B"))[::-1]
    form = "%d-%m-%Y %H:%M:%S"
    lines = lines_of(
        {
            "Machine": "machine",
            "Programma": "program",
            "Starttijd": clock("started_at", form, AMSTERDAM),
            "Eindtijd": clock("ended_at", form, AMSTERDAM),
            "Aantal goed": "parts",
            "Afkeur": "scrap",
            "Ordernummer": "job",
            "Bewerking": "operation",
        },
        rows,
    )
    return Export(
        AMSTERDAM,
        {"cycli.csv": text_file(lines)},
        "cycle",
        shown(rows, f"{CYCLE} job operation parts scrap"),
        skipped=0,
    )


@export
def cs_cycles_blanks_in_dates() -> Export:
    rows = cycles(20, seed=9, zone=PRAGUE, machines=("Stroj 3", "Stroj 4"))

    def czech(name: str, row: Row) -> str:
        at = local(row[name], PRAGUE)
        return f"{at.day}. {at.month}. {at.year} {at.hour}:{at.minute:02}:{at.second:02}"

    lines = lines_of(
        {
            "Poř. č.": "number",
            "Stroj": "machine",
            "Program": "program",
            "Začátek": partial(czech, "started_at"),
            "Konec": partial(czech, "ended_at"),
            "Dobré kusy": "parts",
            "Zmetky": "scrap",
            "Zakázka": "job",
        },
        rows,
    )
    return Export(
        PRAGUE, {"cykly.csv": text_file(lines, "cp1250")}, "cycle", shown(rows, f"{CYCLE} job parts scrap"), skipped=0
    )


@export
def sv_cycles_iso_with_blank() -> Export:
    rows = cycles(17, seed=10, zone=STOCKHOLM, machines=("Fräs 1",))
    form = "%Y-%m-%d %H:%M:%S"
    lines = lines_of(
        {
            "Maskin": "machine",
            "Program": "program",
            "Starttid": clock("started_at", form, STOCKHOLM),
            "Stopptid": clock("ended_at", form, STOCKHOLM),
            "Antal godkända": "parts",
            "Kasserade": "scrap",
            "Ordernr": "job",
            "Anmärkning": comment,
        },
        rows,
    )
    return Export(
        STOCKHOLM, {"cykler.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} job parts scrap"), skipped=0
    )


@export
def en_cycles_json_epoch_ms() -> Export:
    rows = cycles(25, seed=11, zone=DUBLIN, machines=("M3", "M4"))
    data = json_lines(
        {
            "machine": "machine",
            "programName": "program",
            "startTime": lambda row: int(row["started_at"].timestamp() * 1000),
            "endTime": lambda row: int(row["ended_at"].timestamp() * 1000),
            "partsMade": "parts",
            "spindleLoadAvg": lambda row: 20 + row["number"] % 40,
            "result": said("outcome", {"complete": "completed", "aborted": "aborted"}),
        },
        rows,
    )
    return Export(DUBLIN, {"cycles.jsonl": data}, "cycle", shown(rows, f"{CYCLE} parts outcome"))


@export
def en_cycles_epoch_seconds_and_milliseconds() -> Export:
    rows = cycles(22, seed=12, zone=DUBLIN, machines=("HMC2",), length_step_s=0.25)
    lines = lines_of(
        {
            "device": "machine",
            "program": "program",
            "start_epoch": lambda row: int(row["started_at"].timestamp()),
            "duration_ms": lambda row: int(row["length_s"] * 1000),
            "good_count": "parts",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"cycles.csv": text_file(lines, newline="\n")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def de_cycles_workbook_notes_first() -> Export:
    rows = cycles(23, seed=13, zone=BERLIN, machines=("Drehmaschine 1", "Drehmaschine 2"))
    head = ["Maschine", "Programm-Nr.", "Auftrags-Nr.", "Beginn", "Dauer", "Stück gut", "Bemerkung"]
    cells = [
        [
            row["machine"],
            row["program"],
            row["job"],
            local(row["started_at"], BERLIN),
            timedelta(seconds=row["length_s"]),
            row["parts"],
            comment(row),
        ]
        for row in rows
    ]
    total = [
        "Gesamt",
        "",
        "",
        "",
        timedelta(seconds=sum(row["length_s"] for row in rows)),
        sum(r["parts"] for r in rows),
    ]
    sheets = {
        "Hinweise": [["Bitte Störungen über 30 min eintragen."], ["Blatt 2 wird jede Woche neu begonnen."]],
        "Laufzeiten": [["Laufzeiten Drehen"], ["Stand:", date(2026, 3, 18)], [], head, *cells, total],
    }
    return Export(
        BERLIN, {"Laufzeiten.xlsx": workbook(sheets)}, "cycle", shown(rows, f"{CYCLE} job parts"), within=0.01
    )


@export
def en_cycles_workbook_sheet_per_machine() -> Export:
    rows = cycles(26, seed=14, zone=DUBLIN, machines=("M1", "M2"))
    head = ["Date", "Program", "Start", "Finish", "Parts", "Shift"]

    def sheet(machine: str) -> list[list[object]]:
        return [head] + [
            [
                local(row["started_at"], DUBLIN).date(),
                row["program"],
                local(row["started_at"], DUBLIN).time(),
                local(row["ended_at"], DUBLIN).time(),
                row["parts"],
                "early",
            ]
            for row in rows
            if row["machine"] == machine
        ]

    book = workbook({"M1": sheet("M1"), "M2": sheet("M2")})
    return Export(
        DUBLIN, {"run times.xlsx": book}, "cycle", shown(rows, f"{CYCLE} parts"), machines=("M1", "M2"), within=0.01
    )


@export
def de_cycles_machine_in_file_name() -> Export:
    rows = cycles(16, seed=15, zone=BERLIN, machines=("M7",))
    lines = lines_of(
        {
            "Programm": "program",
            "Startzeit": clock("started_at", "%d.%m.%y %H:%M:%S", BERLIN),
            "Endzeit": clock("ended_at", "%d.%m.%y %H:%M:%S", BERLIN),
            "Stückzahl": "parts",
        },
        rows,
    )
    return Export(
        BERLIN,
        {"M7_2026-03.csv": text_file(lines, "cp1252")},
        "cycle",
        shown(rows, f"{CYCLE} parts"),
        machines=("M7", "M8"),
    )


@export
def fr_cycles_machine_in_folder_of_zip() -> Export:
    both = {name: cycles(12, seed=16 + at, zone=PARIS, machines=(name,)) for at, name in enumerate(("CU-3", "CU-4"))}
    columns = {
        "Programme": "program",
        "Début": clock("started_at", "%d/%m/%Y %H:%M:%S", PARIS),
        "Fin": clock("ended_at", "%d/%m/%Y %H:%M:%S", PARIS),
        "Quantité bonne": "parts",
    }
    members = {f"export/{name}/2026/cycles.csv": text_file(lines_of(columns, rows)) for name, rows in both.items()}
    rows = [row for machine in both.values() for row in machine]
    return Export(
        PARIS, {"mars.zip": zipped(members)}, "cycle", shown(rows, f"{CYCLE} parts"), machines=("CU-3", "CU-4")
    )


@export
def en_cycles_pages_and_subtotals() -> Export:
    rows = cycles(30, seed=18, zone=DUBLIN, machines=("Mill 1",))
    columns = {
        "Machine": "machine",
        "Program No.": "program",
        "Started": clock("started_at", "%d/%m/%Y %H:%M:%S", DUBLIN),
        "Ended": clock("ended_at", "%d/%m/%Y %H:%M:%S", DUBLIN),
        "Qty Good": "parts",
    }
    text = ["Cycle report", ""]
    for page in range(3):
        part = rows[page * 10 : page * 10 + 10]
        text += [*lines_of(columns, part, ","), f"Sub-total,,,,{sum(row['parts'] for row in part)}"]
    text += [f"Grand total,,,,{sum(row['parts'] for row in rows)}"]
    return Export(
        DUBLIN, {"report.csv": text_file(text)}, "cycle", shown(rows, f"{CYCLE} parts"), skipped=2 + 3 + 2 + 1
    )


@export
def de_cycles_units_row() -> Export:
    rows = cycles(18, seed=19, zone=BERLIN, machines=("BZ01", "BZ02"), length_step_s=15)
    lines = lines_of(
        {
            "Maschine": "machine",
            "NC-Programm": "program",
            "Beginn": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Laufzeit": times("length_s", 1 / 60, 2, ","),
            "Gutmenge": "parts",
            "Spindellast": lambda row: 15 + row["number"],
        },
        rows,
    )
    return Export(
        BERLIN,
        {"bde.csv": text_file([lines[0], ";;;min;Stk;%", *lines[1:]], "cp1252")},
        "cycle",
        shown(rows, f"{CYCLE} parts"),
        skipped=1,
    )


@export
def pt_cycles_header_in_two_rows() -> Export:
    rows = cycles(15, seed=20, zone=LISBON, machines=("Torno 1", "Torno 2"))
    lines = lines_of(
        {
            "Máquina": "machine",
            "Programa": "program",
            "Início": clock("started_at", "%d/%m/%Y %H:%M:%S", LISBON),
            "Fim": clock("ended_at", "%d/%m/%Y %H:%M:%S", LISBON),
            "Boas": "parts",
            "Refugo": "scrap",
        },
        rows,
    )
    return Export(
        LISBON,
        {"ciclos.csv": text_file([";;Ciclo;;Peças;", *lines])},
        "cycle",
        shown(rows, f"{CYCLE} parts scrap"),
    )


@export
def en_cycles_durations_in_words() -> Export:
    works = (*WORKS[:3], ("O7000", "A-2290", "10", "A", 4390))
    rows = cycles(16, seed=21, zone=DUBLIN, machines=("Lathe 2",), works=works)
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%d %b %Y %H:%M:%S", DUBLIN),
            "Run time": lasting("length_s", words),
            "Parts": "parts",
            "Remarks": comment,
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"lathe.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def de_cycles_hundredths_of_an_hour() -> Export:
    rows = cycles(18, seed=922, zone=BERLIN, machines=("F3",), step_s=60, length_step_s=36)
    for row in rows:
        row["length_s"] = round(row["length_s"] / 36) * 36
        row["ended_at"] = row["started_at"] + timedelta(seconds=row["length_s"])
    lines = lines_of(
        {
            "Masch.-Nr.": "machine",
            "Prg.": "program",
            "Startdatum": clock("started_at", "%d.%m.%Y", BERLIN),
            "Startzeit": clock("started_at", "%H:%M", BERLIN),
            "Dauer [h]": times("length_s", 1 / 3600, 2, ","),
            "Stk.": "parts",
        },
        rows,
    )
    return Export(BERLIN, {"zeiten.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_offsets_gzip() -> Export:
    rows = cycles(24, seed=23, zone=BERLIN, machines=("A1", "A2", "A3"))

    def iso(name: str, row: Row) -> str:
        return local(row[name], BERLIN).isoformat()

    lines = lines_of(
        {
            "asset": "machine",
            "nc_program": "program",
            "begin": partial(iso, "started_at"),
            "end": partial(iso, "ended_at"),
            "good": "parts",
            "rejects": "scrap",
        },
        rows,
        ",",
    )
    # the shop lies elsewhere: the offsets of the rows count
    return Export(CHICAGO, {"cycles.csv.gz": gzipped(text_file(lines))}, "cycle", shown(rows, f"{CYCLE} parts scrap"))


@export
def it_cycles_through_the_autumn_change() -> Export:
    rows = []
    now = datetime(2026, 10, 24, 22, 10, 0, tzinfo=UTC)  # 00:10 in Rome; clocks go back at 01:00 UTC
    for place in range(18):
        length_s = 1180 + 7 * place
        ended = now + timedelta(seconds=length_s)
        rows.append({"machine": "TR1", "program": "O5500", "started_at": now, "ended_at": ended, "parts": 1})
        now = ended + timedelta(seconds=75)
    lines = lines_of(
        {
            "Macchina": "machine",
            "Programma": "program",
            "Inizio": clock("started_at", "%d/%m/%Y %H:%M:%S", ROME),
            "Fine": clock("ended_at", "%d/%m/%Y %H:%M:%S", ROME),
            "Pezzi buoni": "parts",
        },
        rows,
    )
    return Export(ROME, {"notte.csv": text_file(lines)}, "cycle", rows)


@export
def de_cycles_through_the_spring_change() -> Export:
    rows = []
    now = datetime(2026, 3, 28, 22, 5, 0, tzinfo=UTC)  # 23:05 in Berlin; clocks go forward at 01:00 UTC
    for place in range(14):
        ended = now + timedelta(seconds=1260 + place)
        rows.append({"machine": "F9", "program": "O5501", "started_at": now, "ended_at": ended, "parts": 1})
        now = ended + timedelta(seconds=90)
    lines = lines_of(
        {
            "Maschine": "machine",
            "Programm": "program",
            "Anfang": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Ende": clock("ended_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Gutteile": "parts",
        },
        rows,
    )
    lines.append("F9;O5501;29.03.2026 02:30:00;29.03.2026 03:50:00;1")  # typed by hand: no clock showed 02:30
    return Export(BERLIN, {"nacht.csv": text_file(lines)}, "cycle", rows, rejected=1)


@export
def en_cycles_planned_beside_actual() -> Export:
    rows = cycles(20, seed=24, zone=DUBLIN, machines=("MC-11", "MC-12"))
    form = "%d/%m/%Y %H:%M:%S"
    lines = lines_of(
        {
            "Works order": "job",
            "Customer": lambda row: "Harbour Pumps",
            "Machine": "machine",
            "Program": "program",
            "Planned start": lambda row: local(row["started_at"] - timedelta(minutes=9), DUBLIN).strftime(form),
            "Planned end": lambda row: local(row["ended_at"] - timedelta(minutes=7), DUBLIN).strftime(form),
            "Actual start": clock("started_at", form, DUBLIN),
            "Actual end": clock("ended_at", form, DUBLIN),
            "Good qty": "parts",
            "Scrap qty": "scrap",
            "OEE %": lambda row: 55 + row["number"],
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"orders.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} job parts scrap"))


@export
def es_cycles_counters_and_weekdays() -> Export:
    rows = cycles(20, seed=25, zone=MADRID, machines=("TORNO-A",))
    days = ("lun", "mar", "mié", "jue", "vie", "sáb", "dom")
    totals, total = {}, 18_250
    for row in rows:
        total += row["parts"]
        totals[row["number"]] = total
    lines = lines_of(
        {
            "Nº": "number",
            "Día": lambda row: days[local(row["started_at"], MADRID).weekday()],
            "Fecha": clock("started_at", "%d/%m/%y", MADRID),
            "Hora inicio": clock("started_at", "%H:%M:%S", MADRID),
            "Hora fin": clock("ended_at", "%H:%M:%S", MADRID),
            "Máquina": "machine",
            "Programa": "program",
            "Piezas": "parts",
            "Contador total": lambda row: totals[row["number"]],
            "Turno": lambda row: "M",
        },
        rows,
    )
    return Export(MADRID, {"torno.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_month_names() -> Export:
    rows = cycles(17, seed=26, zone=DUBLIN, machines=("Borer",), step_s=60)
    form = "%d-%b-%Y %H:%M"
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Time on": clock("started_at", form, DUBLIN),
            "Time off": clock("ended_at", form, DUBLIN),
            "Pieces": "parts",
        },
        rows,
        ",",
        "text",
    )
    return Export(DUBLIN, {"borer.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def fr_cycles_month_names() -> Export:
    rows = cycles(14, seed=27, zone=PARIS, machines=("CU-1", "CU-2"), first="2026-02-25 07:00:00", per_day=3)
    months = {2: "févr.", 3: "mars"}

    def french(name: str, row: Row) -> str:
        at = local(row[name], PARIS)
        return f"{at.day} {months[at.month]} {at.year} {at:%H:%M:%S}"

    lines = lines_of(
        {
            "Machine": "machine",
            "Programme": "program",
            "Début cycle": partial(french, "started_at"),
            "Fin cycle": partial(french, "ended_at"),
            "Nb pièces": "parts",
        },
        rows,
    )
    return Export(PARIS, {"cycles.csv": text_file(lines, "latin-1")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def cs_cycles_spreadsheet_serials() -> Export:
    rows = cycles(16, seed=28, zone=PRAGUE, machines=("Frézka",))

    def serial(name: str, row: Row) -> str:
        days = (local(row[name], PRAGUE).replace(tzinfo=None) - datetime(1899, 12, 30)) / timedelta(days=1)  # noqa: DTZ001
        return number(days, 9, ",")

    lines = lines_of(
        {
            "Stroj": "machine",
            "Program": "program",
            "Začátek": partial(serial, "started_at"),
            "Konec": partial(serial, "ended_at"),
            "Počet kusů": "parts",
        },
        rows,
    )
    return Export(PRAGUE, {"sesit.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"), within=0.01)


@export
def nl_cycles_compact_dates() -> Export:
    rows = cycles(18, seed=29, zone=AMSTERDAM, machines=("DB1", "DB2"))
    lines = lines_of(
        {
            "Mach": "machine",
            "Prog": "program",
            "Startdatum": clock("started_at", "%Y%m%d", AMSTERDAM),
            "Starttijd": clock("started_at", "%H%M%S", AMSTERDAM),
            "Einddatum": clock("ended_at", "%Y%m%d", AMSTERDAM),
            "Eindtijd": clock("ended_at", "%H%M%S", AMSTERDAM),
            "Aantal": "parts",
        },
        rows,
    )
    return Export(AMSTERDAM, {"draaien.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def sv_cycles_parquet() -> Export:
    rows = cycles(24, seed=30, zone=STOCKHOLM, machines=("F-11", "F-12"))
    frame = pl.DataFrame(
        {
            "maskin": [row["machine"] for row in rows],
            "program": [row["program"] for row in rows],
            "start": [row["started_at"] for row in rows],
            "slut": [row["ended_at"] for row in rows],
            "antal": [row["parts"] for row in rows],
            "arbetsorder": [row["job"] for row in rows],
        }
    )
    data = io.BytesIO()
    frame.write_parquet(data)
    return Export(STOCKHOLM, {"cykler.parquet": data.getvalue()}, "cycle", shown(rows, f"{CYCLE} parts job"))


@export
def en_cycles_quoted_newlines_mixed_ends() -> Export:
    rows = cycles(18, seed=31, zone=DUBLIN, machines=("VM1", "VM2"))
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%Y-%m-%dT%H:%M:%S", DUBLIN),
            "End": clock("ended_at", "%Y-%m-%dT%H:%M:%S", DUBLIN),
            "Comment": lambda row: 'stopped,\nthen "restarted"' if row["number"] % 4 == 1 else comment(row),
            "Good": "parts",
        },
        rows,
        ",",
    )
    text = "".join(line + ("\r\n" if place % 3 else "\n") for place, line in enumerate(lines))
    return Export(DUBLIN, {"cycles.csv": text.encode()}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def pl_cycles_program_paths() -> Export:
    rows = cycles(18, seed=32, zone=WARSAW, machines=("M-01",))
    lines = lines_of(
        {
            "Obrabiarka": "machine",
            "Program NC": lambda row: rf"D:\NC\2026\{row['program'][1:]}.NC",
            "Data rozpoczęcia": clock("started_at", "%d.%m.%Y", WARSAW),
            "Godzina rozpoczęcia": clock("started_at", "%H:%M:%S", WARSAW),
            "Czas cyklu [s]": lambda row: int(row["length_s"]),
            "Ilość dobrych": "parts",
            "Status": said("outcome", {"complete": "zakończony", "aborted": "przerwany"}),
        },
        rows,
    )
    expected = shown(
        rows,
        f"{CYCLE} parts outcome",
        program=lambda row: Either(
            rf"D:\NC\2026\{row['program'][1:]}.NC", f"{row['program'][1:]}.NC", row["program"][1:], row["program"]
        ),
    )
    return Export(WARSAW, {"cykle.csv": text_file(lines)}, "cycle", expected)


@export
def en_cycles_op_and_operator() -> Export:
    rows = cycles(20, seed=33, zone=DUBLIN, machines=("L1", "L2"))
    lines = lines_of(
        {
            "M/C": "machine",
            "Prog": lambda row: row["program"][1:],
            "Job": "job",
            "Op": "operation",
            "Operator": lambda row: ("JB", "MK")[row["number"] % 2],
            "Rev": "revision",
            "Start": clock("started_at", "%d/%m/%Y %H:%M:%S", DUBLIN),
            "Stop": clock("ended_at", "%d/%m/%Y %H:%M:%S", DUBLIN),
            "Qty": "parts",
            "Scrap": "scrap",
        },
        rows,
        "\t",
    )
    expected = shown(rows, f"{CYCLE} job operation revision parts scrap", program=lambda row: row["program"][1:])
    return Export(DUBLIN, {"lathes.tsv": text_file(lines)}, "cycle", expected)


@export
def en_cycles_own_field_names() -> Export:
    rows = cycles(5, seed=34, zone=DUBLIN, machines=("M1",))
    lines = lines_of(
        {
            "machine": "machine",
            "program": "program",
            "started_at": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "duration_s": "length_s",
            "parts": "parts",
            "who": lambda row: "night crew",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"own.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"), skipped=0)


@export
def fr_cycles_blank_lines_and_dashes() -> Export:
    rows = cycles(16, seed=35, zone=PARIS, machines=("Fraiseuse 5 axes",))
    for row in rows:
        row["scrap"] = row["scrap"] or None
    lines = lines_of(
        {
            "Poste": "machine",
            "N° programme": "program",
            "Début": clock("started_at", "%d/%m/%Y %H:%M:%S", PARIS),
            "Fin": clock("ended_at", "%d/%m/%Y %H:%M:%S", PARIS),
            "Bonnes": "parts",
            "Rebut": lambda row: row["scrap"] or "-",
        },
        rows,
    )
    spaced = [text for at, line in enumerate(lines) for text in ((line, "") if at % 5 == 4 else (line,))]
    return Export(
        PARIS, {"fraisage.csv": text_file([*spaced, "", ""], "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts scrap")
    )


@export
def us_cycles_short_dates_utf16_be() -> Export:
    rows = cycles(20, seed=36, zone=CHICAGO, machines=("Mill-1", "Mill-2"), step_s=60, first="2026-03-12 11:05:00")

    def short(name: str, row: Row) -> str:
        at = local(row[name], CHICAGO)
        return f"{at.month}/{at.day}/{at.year} {at.hour % 12 or 12}:{at.minute:02} {'PM' if at.hour >= 12 else 'AM'}"

    lines = lines_of(
        {
            "Mach": "machine",
            "Program": "program",
            "Start Time": partial(short, "started_at"),
            "End Time": partial(short, "ended_at"),
            "Part Count": "parts",
        },
        rows,
        "\t",
    )
    return Export(CHICAGO, {"log.txt": text_file(lines, "utf-16-be")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def de_cycles_cut_off_last_line() -> Export:
    rows = cycles(15, seed=37, zone=BERLIN, machines=("F1", "F2"))
    lines = lines_of(
        {
            "Maschine": "machine",
            "Programm": "program",
            "Beginn": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Ende": clock("ended_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Gut": "parts",
        },
        rows,
    )
    data = text_file(lines, "cp1252") + b"F2;O1041;18.03.2026 09:1"
    return Export(BERLIN, {"halb.csv": data}, "cycle", shown(rows, f"{CYCLE} parts"), rejected=1)


@export
def pt_cycles_stops_beside_cycle_time() -> Export:
    rows = cycles(18, seed=38, zone=LISBON, machines=("CM1", "CM2"))
    lines = lines_of(
        {
            "Máquina": "machine",
            "Programa": "program",
            "Início do ciclo": clock("started_at", "%d/%m/%Y %H:%M:%S", LISBON),
            "Tempo de paragem (s)": lambda row: 11 + row["number"],
            "Tempo de ciclo (s)": lambda row: int(row["length_s"]),
            "Peças": "parts",
            "Preço unitário (€)": lambda row: "12,40",
        },
        rows,
    )
    return Export(LISBON, {"tempos.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def de_cycles_target_beside_actual() -> Export:
    rows = cycles(20, seed=46, zone=BERLIN, machines=("BZ01", "BZ02"), length_step_s=6)
    lines = lines_of(
        {
            "Arbeitsplatz": "machine",
            "Programm": "program",
            "Auftrag": "job",
            "Ist-Beginn": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Sollzeit (min)": lambda row: "12,0",
            "Istzeit (min)": times("length_s", 1 / 60, 1, ","),
            "Sollmenge": lambda row: 25,
            "Gutmenge": "parts",
            "Ausschussmenge": "scrap",
        },
        rows,
    )
    return Export(
        BERLIN, {"soll-ist.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} job parts scrap")
    )


@export
def en_cycles_end_and_duration() -> Export:
    rows = cycles(16, seed=47, zone=DUBLIN, machines=("VM1",))
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Finished at": clock("ended_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Cycle time (s)": lambda row: int(row["length_s"]),
            "Good": "parts",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"finished.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_bare_minutes_and_seconds() -> Export:
    rows = cycles(18, seed=48, zone=DUBLIN, machines=("VM1",), per_day=9)
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Cycle time": lasting("length_s", mm_ss),  # as hours and minutes the cycles would run into each other
            "Good": "parts",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"times.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def it_cycles_hours_and_minutes() -> Export:
    rows = cycles(16, seed=49, zone=ROME, machines=("TR1", "TR2"), step_s=60, length_step_s=60)

    def h_mm(seconds: float) -> str:
        return f"{int(seconds) // 3600}:{int(seconds) // 60 % 60:02}"

    lines = lines_of(
        {
            "Macchina": "machine",
            "Programma": "program",
            "Data inizio": clock("started_at", "%d/%m/%Y", ROME),
            "Ora inizio": clock("started_at", "%H:%M", ROME),
            "Durata (h:mm)": lasting("length_s", h_mm),
            "Pezzi buoni": "parts",
        },
        rows,
    )
    return Export(ROME, {"torni.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_status_codes() -> Export:
    rows = cycles(18, seed=50, zone=DUBLIN, machines=("VM1", "VM2"))
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "End": clock("ended_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Status": lambda row: 3 if row["outcome"] == "complete" else 7,  # what 3 and 7 mean is not said
            "Good": "parts",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"codes.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_everything_is_a_number() -> Export:
    rows = cycles(20, seed=62, zone=DUBLIN, machines=("3", "4"))
    lines = lines_of(
        {
            "Line": "number",
            "Machine No": "machine",
            "Program No": lambda row: row["program"][1:],
            "Op No": "operation",
            "Start": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "End": clock("ended_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Good": "parts",
            "Scrap": "scrap",
            "Spindle load %": lambda row: 20 + row["number"] * 3,
        },
        rows,
        ",",
    )
    expected = shown(rows, f"{CYCLE} operation parts scrap", program=lambda row: row["program"][1:])
    return Export(DUBLIN, {"numbers.csv": text_file(lines)}, "cycle", expected)


@export
def de_cycles_parquet_local_times() -> Export:
    rows = cycles(20, seed=63, zone=BERLIN, machines=("F1", "F2"))
    frame = pl.DataFrame(
        {
            "Maschine": [row["machine"] for row in rows],
            "Programm": [row["program"] for row in rows],
            "Startzeit": [local(row["started_at"], BERLIN).replace(tzinfo=None) for row in rows],
            "Dauer_s": [float(row["length_s"]) for row in rows],
            "Gutteile": [row["parts"] for row in rows],
            "Temperatur": [21.5 + row["number"] / 10 for row in rows],
        }
    )
    data = io.BytesIO()
    frame.write_parquet(data)
    return Export(BERLIN, {"laeufe.parquet": data.getvalue()}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def fr_cycles_three_bad_rows() -> Export:
    rows = cycles(20, seed=64, zone=PARIS, machines=("CU-1", "CU-2"))
    lines = lines_of(
        {
            "Machine": "machine",
            "Programme": "program",
            "Début": clock("started_at", "%d/%m/%Y %H:%M:%S", PARIS),
            "Fin": clock("ended_at", "%d/%m/%Y %H:%M:%S", PARIS),
            "Pièces bonnes": "parts",
        },
        rows,
    )
    lines.insert(5, "CU-1;O1041;12/03/2026 11:00:00;12/03/2026 10:40:00;1")  # ends before it starts
    lines.insert(9, "CU-2;O1041;12/03/2026 11:0?;12/03/2026 11:40:00;1")
    lines.insert(14, "CU-2;;13/03/2026 11:00:00;13/03/2026 11:40:00;1")  # no program
    return Export(PARIS, {"cycles.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts"), rejected=3)


@export
def de_cycles_seconds_with_thousands_mark() -> Export:
    rows = cycles(20, seed=121, zone=BERLIN, machines=("F1", "F2"), aborted=0)
    lines = lines_of(
        {
            "Maschine": "machine",
            "Programm": "program",
            "Beginn": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Zykluszeit (s)": times("length_s", 1, 0, ",", "."),  # 1.180 is twenty minutes
            "Gutteile": "parts",
        },
        rows,
    )
    return Export(BERLIN, {"zyklen.csv": text_file(lines, "cp1252")}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def sv_cycles_year_of_two_digits_first() -> Export:
    rows = cycles(18, seed=122, zone=STOCKHOLM, machines=("Fräs 1", "Svarv 2"))
    form = "%y-%m-%d %H:%M:%S"
    lines = lines_of(
        {
            "Maskin": "machine",
            "Program": "program",
            "Starttid": clock("started_at", form, STOCKHOLM),
            "Sluttid": clock("ended_at", form, STOCKHOLM),
            "Antal godkända": "parts",
        },
        rows,
    )
    return Export(STOCKHOLM, {"korningar.csv": text_file(lines)}, "cycle", shown(rows, f"{CYCLE} parts"))


@export
def en_cycles_running_counter_alone() -> Export:
    rows = cycles(18, seed=123, zone=DUBLIN, machines=("VM1",))
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "End": clock("ended_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Total parts counter": lambda row: 20_400 + row["number"],  # not the parts of a cycle
            "Spindle hours": lambda row: 6_120 + row["number"] // 3,
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"counter.csv": text_file(lines)}, "cycle", shown(rows, CYCLE))


# --- cycles that nobody can read without asking ---------------------------------------------------------------------


@export
def refused_plan_of_cycles() -> Export:
    rows = cycles(16, seed=124, zone=DUBLIN, machines=("VM1", "VM2"))
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Planned start": clock("started_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Planned end": clock("ended_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Planned quantity": "parts",
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"plan.csv": text_file(lines)}, refused="whether any of it ran: it is a plan")


@export
def refused_cycles_two_parts_of_a_duration() -> Export:
    lines = ["Machine,Program,Start,Cycle time,Good"]
    lines += [
        f"M1,O1041,2026-03-{day} {hour:02}:10:00,0:{21 + (day + hour) % 9},1" for day in (16, 17) for hour in (7, 9, 11)
    ]
    return Export(
        DUBLIN, {"runs.csv": text_file(lines)}, refused="whether 0:21 is minutes and seconds or hours and minutes"
    )


@export
def refused_cycles_stamp_of_start_or_end() -> Export:
    lines = ["Timestamp;Machine;Program;Cycle time (s);Good"]
    lines += [
        f"2026-03-{day} {hour:02}:{minute:02}:00;VM1;O1041;{300 + 2 * hour};1"
        for day in (16, 17)
        for hour in range(7, 14)
        for minute in (5, 35)
    ]
    return Export(DUBLIN, {"stamps.csv": text_file(lines)}, refused="whether a cycle starts or ends at its time stamp")


@export
def refused_cycles_day_or_month_first() -> Export:
    rows = cycles(7, seed=41, zone=TORONTO, machines=("M1",), first="2026-06-05 08:00:00", per_day=9)
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%d/%m/%Y %H:%M:%S", TORONTO),
            "End": clock("ended_at", "%d/%m/%Y %H:%M:%S", TORONTO),
        },
        rows,
        ",",
    )
    return Export(TORONTO, {"one day.csv": text_file(lines)}, refused="whether 05/06/2026 is the 5 June or 6 May")


@export
def refused_cycles_duration_without_unit() -> Export:
    lines = ["Machine,Program,Start,Duration,Parts"]
    lines += [
        f"M1,O1041,2026-03-{day} {hour:02}:10:00,{8 + (day + hour) % 9},1" for day in (16, 17) for hour in range(7, 14)
    ]
    return Export(DUBLIN, {"runs.csv": text_file(lines)}, refused="whether a duration of 12 is seconds or minutes")


@export
def refused_cycles_no_machine() -> Export:
    rows = cycles(14, seed=42, zone=BERLIN, machines=("F1",))
    lines = lines_of(
        {
            "Programm": "program",
            "Start": clock("started_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Ende": clock("ended_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Gutteile": "parts",
        },
        rows,
    )
    return Export(BERLIN, {"export.csv": text_file(lines)}, machines=("F1", "F2"), refused="which machine this is of")


@export
def refused_cycles_no_program() -> Export:
    rows = cycles(14, seed=43, zone=MADRID, machines=("CM-4",))
    lines = lines_of(
        {
            "Máquina": "machine",
            "Inicio": clock("started_at", "%d/%m/%Y %H:%M:%S", MADRID),
            "Fin": clock("ended_at", "%d/%m/%Y %H:%M:%S", MADRID),
            "Piezas": "parts",
        },
        rows,
    )
    return Export(MADRID, {"piezas.csv": text_file(lines)}, refused="which program ran")


@export
def refused_cycles_half_days_not_told() -> Export:
    rows = cycles(16, seed=44, zone=CHICAGO, machines=("VMC-1",), first="2026-03-13 11:30:00", per_day=20)
    lines = lines_of(
        {
            "Machine": "machine",
            "Program": "program",
            "Start": clock("started_at", "%m/%d/%Y %I:%M:%S", CHICAGO),
            "End": clock("ended_at", "%m/%d/%Y %I:%M:%S", CHICAGO),
        },
        rows,
        ",",
    )
    return Export(
        CHICAGO, {"runs.csv": text_file(lines)}, refused="which times are before noon: the clock shows 12 hours"
    )


@export
def refused_cycles_dates_without_clock() -> Export:
    rows = cycles(14, seed=45, zone=PARIS, machines=("CU-1",))
    lines = lines_of(
        {
            "Date": clock("started_at", "%d/%m/%Y", PARIS),
            "Machine": "machine",
            "Programme": "program",
            "Temps de cycle (s)": "length_s",
            "Pièces bonnes": "parts",
        },
        rows,
    )
    return Export(PARIS, {"suivi.csv": text_file(lines)}, refused="at what time of the day each cycle began")


@export
def refused_hours_of_people() -> Export:
    lines = ["Employee,Date,Clock in,Clock out,Hours,Department"]
    lines += [f"E{10 + day % 3},2026-03-{day},06:0{day % 9},14:3{day % 9},8.5,Turning" for day in range(10, 28)]
    return Export(DUBLIN, {"hours.csv": text_file(lines)}, refused="nothing of a machine's run is in it")


# --- tool changes ---------------------------------------------------------------------------------------------------

CHANGE = "machine occurred_at tool"


@export
def de_tool_changes_old_beside_new() -> Export:
    rows = tool_changes(40, seed=51, zone=BERLIN, machines=("BAZ 1", "BAZ 2"))
    lines = lines_of(
        {
            "Zeitstempel": clock("occurred_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Maschine": "machine",
            "WZ alt": lambda row: f"T{int(row['previous']):02}",
            "WZ neu": lambda row: f"T{int(row['tool']):02}",
            "Platz": "pocket",
            "Programm": "program",
        },
        rows,
    )
    text = ["Werkzeugwechsel", *lines]
    return Export(
        BERLIN,
        {"wzw.csv": text_file(text, "cp1252")},
        "tool_change",
        shown(rows, f"{CHANGE} pocket program"),
        skipped=1,
    )


@export
def us_tool_changes_date_and_time() -> Export:
    rows = tool_changes(36, seed=52, zone=CHICAGO, machines=("VMC-1",), first="2026-03-12 09:15:00")
    lines = lines_of(
        {
            "Date": clock("occurred_at", "%m/%d/%Y", CHICAGO),
            "Time": clock("occurred_at", "%I:%M:%S %p", CHICAGO),
            "Machine": "machine",
            "Tool Out": "previous",
            "Tool In": "tool",
            "Program": "program",
        },
        rows,
        ",",
    )
    return Export(
        CHICAGO, {"tool_changes.csv": text_file(lines)}, "tool_change", shown(rows, f"{CHANGE} program"), skipped=0
    )


@export
def fr_tool_changes_machine_in_title() -> Export:
    rows = tool_changes(30, seed=53, zone=PARIS, machines=("CU-7",))
    lines = lines_of(
        {
            "Horodatage": clock("occurred_at", "%d/%m/%Y %H:%M:%S", PARIS),
            "Outil précédent": "previous",
            "Nouvel outil": "tool",
            "Emplacement": "pocket",
        },
        rows,
    )
    text = ["Changements d'outils", "Machine: CU-7", "", *lines]
    return Export(
        PARIS, {"outils.csv": text_file(text, "latin-1")}, "tool_change", shown(rows, f"{CHANGE} pocket"), skipped=3
    )


@export
def es_tool_changes_workbook() -> Export:
    rows = tool_changes(28, seed=54, zone=MADRID, machines=("CM-4", "CM-5"))
    head = ["Fecha", "Hora", "Máquina", "Herramienta", "Programa", "Diámetro"]
    cells = [
        [
            local(row["occurred_at"], MADRID).date(),
            local(row["occurred_at"], MADRID).time(),
            row["machine"],
            f"T{int(row['tool']):02}",
            row["program"],
            6 + int(row["tool"]),
        ]
        for row in rows
    ]
    book = workbook({"Cambios": [["Cambios de herramienta"], [], head, *cells]})
    return Export(MADRID, {"cambios.xlsx": book}, "tool_change", shown(rows, f"{CHANGE} program"), within=0.01)


@export
def pt_tool_changes_zip_nested() -> Export:
    rows = tool_changes(24, seed=55, zone=LISBON, machines=("CNC-1", "CNC-3"), first="2026-03-16 06:10:00")
    columns = {
        "Máquina": "machine",
        "Data/Hora": clock("occurred_at", "%d-%m-%Y %H:%M:%S", LISBON),
        "Ferramenta": "tool",
        "Posição no magazine": "pocket",
    }
    half = len(rows) // 2
    members = {
        "exportação/semana 11/trocas.csv": text_file(lines_of(columns, rows[:half])),
        "exportação/semana 12/trocas.csv": text_file(lines_of(columns, rows[half:])),
    }
    return Export(LISBON, {"trocas.zip": zipped(members)}, "tool_change", shown(rows, f"{CHANGE} pocket"))


@export
def it_tool_changes_number_and_name() -> Export:
    rows = tool_changes(26, seed=56, zone=ROME, machines=("CENTRO1", "CENTRO2"))
    names = {
        "1": "1 - fresa a spianare",
        "2": "2 - punta",
        "4": "4 - fresa",
        "7": "7 - maschio",
        "11": "11 - svasatore",
        "12": "12 - alesatore",
    }
    lines = lines_of(
        {
            "Data e ora": clock("occurred_at", "%d/%m/%Y %H:%M:%S", ROME),
            "Macchina": "machine",
            "Utensile": said("tool", names),
            "Programma": "program",
        },
        rows,
    )
    expected = shown(rows, f"{CHANGE} program", tool=lambda row: Either(row["tool"], names[row["tool"]]))
    return Export(ROME, {"cambi utensile.csv": text_file(lines, "cp1252")}, "tool_change", expected)


@export
def pl_tool_changes_epoch_seconds() -> Export:
    rows = tool_changes(30, seed=57, zone=WARSAW, machines=("Frezarka 1",))
    lines = lines_of(
        {
            "Znacznik czasu": lambda row: int(row["occurred_at"].timestamp()),
            "Maszyna": "machine",
            "Nr narzędzia": "tool",
            "Gniazdo": "pocket",
        },
        rows,
        "\t",
    )
    return Export(WARSAW, {"wymiany.txt": text_file(lines)}, "tool_change", shown(rows, f"{CHANGE} pocket"))


@export
def nl_tool_changes_json() -> Export:
    rows = tool_changes(24, seed=58, zone=AMSTERDAM, machines=("Freesbank A",))
    data = json_lines(
        {
            "tijdstip": lambda row: local(row["occurred_at"], AMSTERDAM).isoformat(),
            "machine": "machine",
            "gereedschap": lambda row: int(row["tool"]),
            "programma": "program",
            "vorig_gereedschap": lambda row: int(row["previous"]),
        },
        rows,
    )
    return Export(AMSTERDAM, {"wissels.ndjson": data}, "tool_change", shown(rows, f"{CHANGE} program"))


@export
def sv_tool_changes() -> Export:
    rows = tool_changes(22, seed=59, zone=STOCKHOLM, machines=("Fräs 1", "Fräs 2"))
    lines = lines_of(
        {
            "Tidpunkt": clock("occurred_at", "%Y-%m-%d %H:%M:%S", STOCKHOLM),
            "Maskin": "machine",
            "Verktyg": lambda row: f"T{row['tool']}",
            "Ficka": "pocket",
            "Spindelvarvtal": lambda row: 2000 + 100 * int(row["tool"]),
        },
        rows,
        "\t",
    )
    return Export(STOCKHOLM, {"verktygsbyten.txt": text_file(lines)}, "tool_change", shown(rows, f"{CHANGE} pocket"))


@export
def cs_tool_changes_times_of_one_day() -> Export:
    rows = tool_changes(10, seed=60, zone=PRAGUE, machines=("Stroj 3",), first="2026-03-17 06:10:00")
    lines = lines_of(
        {
            "Datum": clock("occurred_at", "%d.%m.%Y", PRAGUE),
            "Čas": clock("occurred_at", "%H:%M:%S", PRAGUE),
            "Stroj": "machine",
            "Nástroj": "tool",
        },
        rows,
    )
    return Export(PRAGUE, {"nastroje.csv": text_file(lines, "cp1250")}, "tool_change", shown(rows, CHANGE))


@export
def refused_tool_changes_without_a_date() -> Export:
    rows = tool_changes(20, seed=61, zone=BERLIN, machines=("F1",))
    lines = lines_of(
        {"Uhrzeit": clock("occurred_at", "%H:%M:%S", BERLIN), "Maschine": "machine", "Werkzeug": "tool"}, rows
    )
    return Export(BERLIN, {"wechsel.csv": text_file(lines)}, refused="on which days these changes were")


@export
def refused_list_of_tools_in_stock() -> Export:
    lines = ["Tool;Diameter;Length;Flutes;In stock;Price"]
    lines += [f"T{at:02};{4 + at};{50 + 5 * at};{2 + at % 3};{at % 7};{20 + 3 * at},50" for at in range(1, 25)]
    return Export(DUBLIN, {"tools.csv": text_file(lines)}, refused="nothing happened in it: it is a list of tools")


# --- edge changes ---------------------------------------------------------------------------------------------------

EDGE = "machine occurred_at tool reason"


@export
def de_edge_changes() -> Export:
    rows = edge_changes(24, seed=71, zone=BERLIN)
    lines = lines_of(
        {
            "Datum": clock("occurred_at", "%d.%m.%Y", BERLIN),
            "Uhrzeit": clock("occurred_at", "%H:%M", BERLIN),
            "Maschine": "machine",
            "Werkzeug": "tool",
            "Grund": said(
                "reason", {"worn": "Verschleiß", "broken": "Bruch", "chipped": "Ausbruch", "planned": "geplant"}
            ),
            "Kosten/Schneide (EUR)": times("edge_cost", 1, 2, ","),
            "Bemerkung": "note",
        },
        rows,
    )
    return Export(
        BERLIN,
        {"schneidenwechsel.csv": text_file(lines, "cp1252")},
        "edge_change",
        shown(rows, f"{EDGE} edge_cost note"),
    )


@export
def en_edge_changes() -> Export:
    rows = edge_changes(20, seed=72, zone=DUBLIN, machines=("VM1", "VM2"))
    lines = lines_of(
        {
            "Changed at": clock("occurred_at", "%d/%m/%Y %H:%M", DUBLIN),
            "Machine": "machine",
            "Tool no": "tool",
            "Reason for change": said(
                "reason", {"worn": "Worn", "broken": "Broken", "chipped": "Chipped", "planned": "Planned"}
            ),
            "Insert cost": times("edge_cost", 1, 2),
            "Changed by": lambda row: "setter",
        },
        rows,
        ",",
    )
    return Export(
        DUBLIN,
        {"insert log.csv": text_file(lines)},
        "edge_change",
        shown(rows, f"{EDGE} edge_cost"),
    )


@export
def fr_edge_changes_workbook() -> Export:
    rows = edge_changes(18, seed=73, zone=PARIS, machines=("CU-1", "CU-2"))
    reasons = {"worn": "usure", "broken": "cassé", "chipped": "ébréché", "planned": "planifié"}
    head = ["Date et heure", "Machine", "Outil", "Motif", "Remarque"]
    cells = [
        [local(row["occurred_at"], PARIS), row["machine"], int(row["tool"]), reasons[row["reason"]], row["note"]]
        for row in rows
    ]
    book = workbook({"Arêtes": [["Changements d'arête / plaquettes"], [], head, *cells]})
    return Export(PARIS, {"plaquettes.xlsx": book}, "edge_change", shown(rows, f"{EDGE} note"), within=0.01)


@export
def es_edge_changes() -> Export:
    rows = edge_changes(18, seed=74, zone=MADRID, machines=("CM-4", "CM-5"))
    lines = lines_of(
        {
            "Fecha y hora": clock("occurred_at", "%d/%m/%Y %H:%M", MADRID),
            "Máquina": "machine",
            "Herramienta": lambda row: f"T{row['tool']}",
            "Motivo": said(
                "reason", {"worn": "desgaste", "broken": "rotura", "chipped": "astillado", "planned": "programado"}
            ),
            "Coste filo (€)": times("edge_cost", 1, 2, ","),
        },
        rows,
    )
    return Export(MADRID, {"filos.csv": text_file(lines)}, "edge_change", shown(rows, f"{EDGE} edge_cost"))


@export
def it_edge_changes() -> Export:
    rows = edge_changes(16, seed=75, zone=ROME, machines=("CENTRO1", "CENTRO2"))
    lines = lines_of(
        {
            "Data": clock("occurred_at", "%d/%m/%Y", ROME),
            "Ora": clock("occurred_at", "%H:%M", ROME),
            "Macchina": "machine",
            "Utensile": "tool",
            "Motivo cambio tagliente": said(
                "reason", {"worn": "usurato", "broken": "rotto", "chipped": "scheggiato", "planned": "programmato"}
            ),
            "Note": "note",
        },
        rows,
    )
    return Export(ROME, {"taglienti.csv": text_file(lines, "cp1252")}, "edge_change", shown(rows, f"{EDGE} note"))


@export
def pl_edge_changes() -> Export:
    rows = edge_changes(16, seed=76, zone=WARSAW, machines=("Frezarka 1", "Tokarka 2"))
    lines = lines_of(
        {
            "Data i godzina": clock("occurred_at", "%Y-%m-%d %H:%M", WARSAW),
            "Maszyna": "machine",
            "Narzędzie": "tool",
            "Powód wymiany": said(
                "reason", {"worn": "zużycie", "broken": "złamanie", "chipped": "wykruszenie", "planned": "planowa"}
            ),
        },
        rows,
    )
    return Export(WARSAW, {"ostrza.csv": text_file(lines, "cp1250")}, "edge_change", shown(rows, EDGE))


@export
def nl_edge_changes() -> Export:
    rows = edge_changes(16, seed=77, zone=AMSTERDAM, machines=("DB1", "DB2"))
    lines = lines_of(
        {
            "Datum/tijd": clock("occurred_at", "%d-%m-%Y %H:%M", AMSTERDAM),
            "Machine": "machine",
            "Gereedschapsnr": "tool",
            "Reden wissel": said(
                "reason", {"worn": "versleten", "broken": "gebroken", "chipped": "uitgebrokkeld", "planned": "gepland"}
            ),
            "Opmerking": "note",
        },
        rows,
        "\t",
    )
    return Export(AMSTERDAM, {"snijkanten.txt": text_file(lines)}, "edge_change", shown(rows, f"{EDGE} note"))


@export
def pt_edge_changes_six_rows() -> Export:
    rows = edge_changes(6, seed=78, zone=LISBON, machines=("CNC-1",), first="2026-03-19 07:40:00")
    lines = lines_of(
        {
            "Data e hora": clock("occurred_at", "%d/%m/%Y %H:%M", LISBON),
            "Máquina": "machine",
            "Ferramenta": "tool",
            "Motivo": said(
                "reason", {"worn": "desgaste", "broken": "partida", "chipped": "lascada", "planned": "planeada"}
            ),
        },
        rows,
    )
    return Export(LISBON, {"arestas.csv": text_file(lines, "latin-1")}, "edge_change", shown(rows, EDGE))


@export
def refused_list_of_tool_lives() -> Export:
    lines = ["Machine;Tool;Changed on;Used (min);Remaining (min)"]
    lines += [
        f"F{at % 2 + 1};T{at % 9 + 1};{12 + at // 2}.03.2026 07:{10 + at};{20 + at};{60 - 2 * at}" for at in range(14)
    ]
    return Export(BERLIN, {"standzeiten.csv": text_file(lines)}, refused="why an edge was changed, and whether one was")


@export
def refused_edge_changes_no_machine() -> Export:
    rows = edge_changes(14, seed=79, zone=BERLIN)
    lines = lines_of(
        {
            "Zeitpunkt": clock("occurred_at", "%d.%m.%Y %H:%M", BERLIN),
            "Werkzeug": "tool",
            "Grund": said(
                "reason", {"worn": "Verschleiß", "broken": "Bruch", "chipped": "Ausbruch", "planned": "geplant"}
            ),
        },
        rows,
    )
    return Export(BERLIN, {"liste.csv": text_file(lines)}, machines=("F1", "F2"), refused="on which machine")


# --- estimates ------------------------------------------------------------------------------------------------------

PER_TOOL = "job program operation tool cut_s noncut_s"


@export
def de_estimates_per_tool() -> Export:
    rows = estimates(6, seed=81, step_s=3)
    lines = lines_of(
        {
            "Auftrag": "job",
            "Programm": "program",
            "Arbeitsgang": "operation",
            "Werkzeug": lambda row: f"T{int(row['tool']):02}",
            "Schnittzeit [min]": times("cut_s", 1 / 60, 2, ","),
            "Nebenzeit [min]": times("noncut_s", 1 / 60, 2, ","),
            "Werkstoff": "material",
            "Losgröße": "quantity",
        },
        rows,
    )
    return Export(
        BERLIN,
        {"vorgabezeiten.csv": text_file(lines, "cp1252")},
        "estimate",
        shown(rows, f"{PER_TOOL} material quantity"),
        within=0.001,
    )


@export
def en_estimates_per_tool() -> Export:
    rows = estimates(6, seed=82)
    lines = lines_of(
        {
            "Job": "job",
            "Program": "program",
            "Op": "operation",
            "Tool": "tool",
            "Tool type": "tool_type",
            "Est. cutting time": lasting("cut_s", h_mm_ss),
            "Est. non-cutting time": lasting("noncut_s", h_mm_ss),
            "Material": "material",
            "Feed (mm/min)": lambda row: 600,
            "Speed (rpm)": lambda row: 4500,
        },
        rows,
        ",",
    )
    return Export(
        DUBLIN, {"estimates.csv": text_file(lines)}, "estimate", shown(rows, f"{PER_TOOL} tool_type material")
    )


@export
def fr_estimates_of_operations() -> Export:
    rows = operations(6, seed=83)
    lines = lines_of(
        {
            "N° OF": "job",
            "Programme": "program",
            "Opération": "operation",
            "Machine": "machine",
            "Matière": "material",
            "Temps de cycle (s)": "cycle_s",
            "Temps de réglage (min)": times("setup_s", 1 / 60, 0),
            "Quantité": "quantity",
        },
        rows,
    )
    return Export(
        PARIS,
        {"gammes.csv": text_file(lines, "latin-1")},
        "estimate",
        shown(rows, "job program operation machine material cycle_s setup_s quantity"),
    )


@export
def es_estimates_workbook() -> Export:
    rows = operations(7, seed=84)
    head = [
        "Orden",
        "Programa",
        "Operación",
        "Tipo de operación",
        "Máquina",
        "Tiempo de ciclo",
        "Tiempo de preparación",
    ]
    kinds = {"milling": "fresado", "turning": "torneado", "drilling": "taladrado"}
    cells = [
        [
            row["job"],
            row["program"],
            int(row["operation"]),
            kinds[row["operation_kind"]],
            row["machine"],
            timedelta(seconds=row["cycle_s"]),
            timedelta(seconds=row["setup_s"]),
        ]
        for row in rows
    ]
    expected = shown(
        rows,
        "job program operation operation_kind machine cycle_s setup_s",
        operation_kind=lambda row: Either(kinds[row["operation_kind"]], row["operation_kind"]),
    )
    book = workbook({"Tiempos estimados": [head, *cells]})
    return Export(MADRID, {"tiempos.xlsx": book}, "estimate", expected, within=0.01)


@export
def pt_estimates_units_row() -> Export:
    rows = estimates(5, seed=85, step_s=6)
    lines = lines_of(
        {
            "Ordem": "job",
            "Programa": "program",
            "Operação": "operation",
            "Ferramenta": "tool",
            "Tempo de corte": times("cut_s", 1 / 60, 1, ","),
            "Tempo improdutivo": times("noncut_s", 1 / 60, 1, ","),
        },
        rows,
    )
    return Export(
        LISBON,
        {"orcamento.csv": text_file([lines[0], ";;;;min;min", *lines[1:]])},
        "estimate",
        shown(rows, PER_TOOL),
        skipped=1,
        within=0.001,
    )


@export
def it_estimates_seconds() -> Export:
    rows = operations(6, seed=86)
    lines = lines_of(
        {
            "Commessa": "job",
            "Fase": "operation",
            "Macchina": "machine",
            "Materiale": "material",
            "Tempo ciclo stimato (s)": "cycle_s",
            "Tempo attrezzaggio (min)": times("setup_s", 1 / 60, 0),
            "Carico/scarico (s)": lambda row: int(row["load_s"]),
        },
        rows,
        "|",
    )
    return Export(
        ROME,
        {"preventivi.txt": text_file(lines)},
        "estimate",
        shown(rows, "job operation machine material cycle_s setup_s load_s"),
    )


@export
def nl_estimates_hours_of_setup() -> Export:
    rows = operations(6, seed=87, setup_step_s=900, step_s=6)
    lines = lines_of(
        {
            "Order": "job",
            "Programma": "program",
            "Bewerking": "operation",
            "Insteltijd (uur)": times("setup_s", 1 / 3600, 2, ","),
            "Cyclustijd (min)": times("cycle_s", 1 / 60, 1, ","),
            "Materiaal": "material",
        },
        rows,
    )
    return Export(
        AMSTERDAM,
        {"calculatie.csv": text_file(lines)},
        "estimate",
        shown(rows, "job program operation setup_s cycle_s material"),
        within=0.001,
    )


@export
def sv_estimates_parquet() -> Export:
    rows = estimates(6, seed=88)
    frame = pl.DataFrame(
        {
            "order": [row["job"] for row in rows],
            "program": [row["program"] for row in rows],
            "operation": [int(row["operation"]) for row in rows],
            "verktyg": [int(row["tool"]) for row in rows],
            "skärtid_s": [float(row["cut_s"]) for row in rows],
            "bitid_s": [float(row["noncut_s"]) for row in rows],
        }
    )
    data = io.BytesIO()
    frame.write_parquet(data)
    return Export(STOCKHOLM, {"kalkyl.parquet": data.getvalue()}, "estimate", shown(rows, PER_TOOL))


@export
def refused_estimates_bare_times() -> Export:
    lines = ["Job;Op;Program;Time"]
    lines += [f"A-{2261 + at // 2};{10 * (at % 2 + 1)};O{1041 + at};{2 + at % 9},{at % 10}" for at in range(16)]
    return Export(
        DUBLIN, {"times.csv": text_file(lines)}, refused="whether a time of 4,3 is minutes or hours, and of what"
    )


# --- jobs -----------------------------------------------------------------------------------------------------------

ORDER = "job part material quantity ordered_on"


@export
def de_jobs_with_delivery_dates() -> Export:
    rows = jobs(26, seed=91, step_s=6)
    lines = lines_of(
        {
            "Auftragsnr.": "job",
            "Teilenummer": "part",
            "Werkstoff": "material",
            "Menge": "quantity",
            "Stückzeit (min)": times("quoted_cycle_s", 1 / 60, 1, ","),
            "Rüstzeit (min)": times("quoted_setup_s", 1 / 60, 0, ","),
            "Rohgewicht (kg)": times("stock_kg", 1, 3, ","),
            "Fertiggewicht (kg)": times("part_kg", 1, 3, ","),
            "Auftragsdatum": on("ordered_on", "%d.%m.%Y"),
            "Liefertermin": on("due_on", "%d.%m.%Y"),
            "Kunde": lambda row: "Pumpenbau West",
            "Preis (EUR)": times("price", 1, 2, ",", "."),
        },
        rows,
    )
    return Export(
        BERLIN,
        {"auftragsliste.csv": text_file(lines, "cp1252")},
        "job",
        shown(rows, f"{ORDER} quoted_cycle_s quoted_setup_s stock_kg part_kg"),
        within=0.001,
    )


@export
def us_jobs_pounds() -> Export:
    rows = jobs(24, seed=92)
    pound = 0.45359237
    for row in rows:
        row["stock_kg"] = round(row["stock_kg"] / pound, 2) * pound
        row["part_kg"] = round(row["part_kg"] / pound, 2) * pound
    lines = lines_of(
        {
            "Job #": "job",
            "Part Number": "part",
            "Material": "material",
            "Order Qty": "quantity",
            "Stock weight (lb)": times("stock_kg", 1 / pound, 2),
            "Finished weight (lb)": times("part_kg", 1 / pound, 2),
            "Order Date": on("ordered_on", "%m/%d/%Y"),
            "Due Date": on("due_on", "%m/%d/%Y"),
            "Customer": lambda row: "Lakeside Pumps",
        },
        rows,
        ",",
    )
    return Export(
        CHICAGO, {"orders.csv": text_file(lines)}, "job", shown(rows, f"{ORDER} stock_kg part_kg"), within=0.001
    )


@export
def fr_jobs_grams() -> Export:
    rows = jobs(22, seed=93)
    lines = lines_of(
        {
            "N° commande": "job",
            "Référence pièce": "part",
            "Matière": "material",
            "Quantité commandée": "quantity",
            "Masse brute (g)": times("stock_kg", 1000, 0),
            "Masse finie (g)": times("part_kg", 1000, 0),
            "Date de commande": on("ordered_on", "%d/%m/%Y"),
            "Date de livraison": on("due_on", "%d/%m/%Y"),
        },
        rows,
    )
    return Export(
        PARIS,
        {"commandes.csv": text_file(lines, "cp1252")},
        "job",
        shown(rows, f"{ORDER} stock_kg part_kg"),
        within=1e-6,
    )


@export
def es_jobs_workbook() -> Export:
    rows = jobs(20, seed=94)
    head = ["Nº pedido", "Pieza", "Material", "Cantidad", "Fecha de pedido", "Fecha de entrega", "Precio"]
    cells = [
        [int(r["job"]), r["part"], r["material"], r["quantity"], r["ordered_on"], r["due_on"], r["price"]] for r in rows
    ]
    total = ["Total", "", "", sum(row["quantity"] for row in rows), "", "", sum(row["price"] for row in rows)]
    book = workbook({"Pedidos": [["Lista de pedidos 2026"], [], head, *cells, total]})
    return Export(MADRID, {"pedidos.xlsx": book}, "job", shown(rows, ORDER), skipped=2)


@export
def it_jobs() -> Export:
    rows = jobs(18, seed=95, step_s=1)
    lines = lines_of(
        {
            "Commessa": "job",
            "Codice articolo": "part",
            "Materiale": "material",
            "Quantità": "quantity",
            "Tempo ciclo preventivato (s)": lambda row: int(row["quoted_cycle_s"]),
            "Data ordine": on("ordered_on", "%d/%m/%Y"),
            "Data consegna": on("due_on", "%d/%m/%Y"),
            "Cliente": lambda row: "Officine Riva",
        },
        rows,
    )
    return Export(ROME, {"commesse.csv": text_file(lines)}, "job", shown(rows, f"{ORDER} quoted_cycle_s"))


@export
def pl_jobs() -> Export:
    rows = jobs(18, seed=96)
    lines = lines_of(
        {
            "Nr zlecenia": "job",
            "Nr części": "part",
            "Materiał": "material",
            "Ilość": "quantity",
            "Data zamówienia": on("ordered_on", "%d.%m.%Y"),
            "Termin dostawy": on("due_on", "%d.%m.%Y"),
            "Klient": lambda row: "Zakład Wschód",
        },
        rows,
    )
    return Export(WARSAW, {"zlecenia.csv": text_file(lines, "cp1250")}, "job", shown(rows, ORDER))


@export
def nl_jobs_thousands() -> Export:
    rows = jobs(18, seed=97)
    lines = lines_of(
        {
            "Ordernr": "job",
            "Artikelnummer": "part",
            "Materiaal": "material",
            "Aantal": lambda row: number(row["quantity"], 0, ",", "."),
            "Besteldatum": on("ordered_on", "%d-%m-%Y"),
            "Leverdatum": on("due_on", "%d-%m-%Y"),
            "Orderwaarde": times("price", 1, 2, ",", "."),
        },
        rows,
    )
    return Export(AMSTERDAM, {"orders.csv": text_file(lines)}, "job", shown(rows, ORDER))


@export
def pt_jobs_ambiguous_only_in_part() -> Export:
    rows = jobs(14, seed=98, first="2026-02-03")
    lines = lines_of(
        {
            "Encomenda": "job",
            "Peça": "part",
            "Material": "material",
            "Quantidade": "quantity",
            "Data da encomenda": on("ordered_on", "%d/%m/%y"),
            "Data de entrega": on("due_on", "%d/%m/%y"),
        },
        rows,
    )
    return Export(LISBON, {"encomendas.csv": text_file(lines, "latin-1")}, "job", shown(rows, ORDER))


@export
def cs_jobs() -> Export:
    rows = jobs(16, seed=99, setup_step_s=60)
    lines = lines_of(
        {
            "Číslo zakázky": "job",
            "Číslo dílu": "part",
            "Materiál": "material",
            "Množství": "quantity",
            "Seřizovací čas (min)": times("quoted_setup_s", 1 / 60, 0),
            "Datum objednávky": on("ordered_on", "%d.%m.%Y"),
            "Termín dodání": on("due_on", "%d.%m.%Y"),
        },
        rows,
    )
    return Export(PRAGUE, {"zakazky.csv": text_file(lines, "cp1250")}, "job", shown(rows, f"{ORDER} quoted_setup_s"))


@export
def en_jobs_quoted_beside_actual() -> Export:
    rows = jobs(18, seed=111, step_s=6)
    lines = lines_of(
        {
            "Works order": "job",
            "Part no": "part",
            "Material": "material",
            "Qty ordered": "quantity",
            "Qty delivered": lambda row: row["quantity"] // 2,
            "Quoted cycle time (min)": times("quoted_cycle_s", 1 / 60, 1),
            "Actual cycle time (min)": times("quoted_cycle_s", 1.1 / 60, 1),
            "Order date": on("ordered_on", "%d/%m/%Y"),
            "Due date": on("due_on", "%d/%m/%Y"),
        },
        rows,
        ",",
    )
    return Export(
        DUBLIN,
        {"order book.csv": text_file(lines)},
        "job",
        shown(rows, f"{ORDER} quoted_cycle_s"),
        within=0.001,
    )


@export
def sv_jobs_one_bad_row() -> Export:
    rows = jobs(16, seed=112)
    lines = lines_of(
        {
            "Ordernummer": "job",
            "Artikelnummer": "part",
            "Material": "material",
            "Antal": "quantity",
            "Orderdatum": on("ordered_on", "%Y-%m-%d"),
            "Leveransdatum": on("due_on", "%Y-%m-%d"),
            "Kund": lambda row: "Verkstad Söder",
        },
        rows,
    )
    lines.insert(6, "261099;111-11A;POM;fyra;2026-01-20;2026-02-20;Verkstad Söder")
    return Export(STOCKHOLM, {"order.csv": text_file(lines)}, "job", shown(rows, ORDER), rejected=1)


@export
def de_jobs_delivery_date_alone() -> Export:
    rows = jobs(18, seed=125)
    lines = lines_of(
        {
            "Auftrag": "job",
            "Teilenummer": "part",
            "Werkstoff": "material",
            "Bestellmenge": "quantity",
            "Liefertermin": on("due_on", "%d.%m.%Y"),
            "Ist-Stückzeit (min)": times("quoted_cycle_s", 1 / 60, 1, ","),  # what it took, not what was quoted
        },
        rows,
    )
    return Export(
        BERLIN, {"auftraege.csv": text_file(lines, "cp1252")}, "job", shown(rows, "job part material quantity")
    )


@export
def us_jobs_weights_without_unit() -> Export:
    rows = jobs(18, seed=126)
    lines = lines_of(
        {
            "Job Number": "job",
            "Part Number": "part",
            "Order Qty": "quantity",
            "Order Date": on("ordered_on", "%m/%d/%Y"),
            "Raw weight": times("stock_kg", 1, 2),  # pounds or kilograms
            "Part weight": times("part_kg", 1, 2),
        },
        rows,
        ",",
    )
    return Export(CHICAGO, {"jobs.csv": text_file(lines)}, "job", shown(rows, "job part quantity ordered_on"))


@export
def refused_jobs_without_quantity() -> Export:
    rows = jobs(14, seed=100)
    lines = lines_of(
        {
            "Order": "job",
            "Part number": "part",
            "Material": "material",
            "Order date": on("ordered_on", "%Y-%m-%d"),
            "Due date": on("due_on", "%Y-%m-%d"),
            "Price": times("price", 1, 2),
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"orders.csv": text_file(lines)}, refused="how many parts were ordered")


@export
def refused_maintenance_log() -> Export:
    work = ("way lube refilled", "chip conveyor freed", "door switch replaced", "coolant changed")
    lines = ["Machine;Date;Work done;Hours;Done by"]
    lines += [f"F{at % 3 + 1};{10 + at}.03.2026;{work[at % 4]};{1 + at % 3},5;service" for at in range(14)]
    return Export(BERLIN, {"maintenance.csv": text_file(lines)}, refused="nothing of a program's run is in it")


# --- events ---------------------------------------------------------------------------------------------------------

LONG_ITEMS = ("Execution", "Program", "ToolNumber", "PathFeedrate", "RotaryVelocity", "PartCount")
UNITLESS_ITEMS = ("Execution", "ControllerMode", "Program", "ToolNumber", "PartCount")


def long_rows(rows: Sequence[Row], items: Sequence[str]) -> list[dict[str, Any]]:
    """Return one row per item and snapshot."""
    return [
        {"machine": row["machine"], "occurred_at": row["occurred_at"], "item": item, "value": str(row[item])}
        for row in rows
        for item in items
    ]


UNTOLD_IN_EVENTS = frozenset({"data_item_id", "sub_type", "path", "text", "level", "native_code"})


@export
def en_events_long() -> Export:
    rows = long_rows(signals(12, seed=101, zone=DUBLIN), LONG_ITEMS)
    lines = lines_of(
        {
            "Timestamp": clock("occurred_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Machine": "machine",
            "Signal": "item",
            "Value": "value",
            "Unit": lambda row: {"PathFeedrate": "mm/min", "RotaryVelocity": "rev/min"}.get(row["item"], ""),
        },
        rows,
        ",",
    )
    return Export(DUBLIN, {"signals.csv": text_file(lines)}, "event", rows, untold=UNTOLD_IN_EVENTS)


@export
def es_events_long() -> Export:
    rows = long_rows(signals(10, seed=102, zone=MADRID, machine="CM-4"), UNITLESS_ITEMS)
    lines = lines_of(
        {
            "Fecha y hora": clock("occurred_at", "%d/%m/%Y %H:%M:%S", MADRID),
            "Máquina": "machine",
            "Señal": "item",
            "Valor": "value",
        },
        rows,
    )
    text = ["Registro de señales", *lines]
    return Export(MADRID, {"senales.csv": text_file(text, "cp1252")}, "event", rows, untold=UNTOLD_IN_EVENTS)


@export
def en_events_json_lines_microseconds() -> Export:
    rows = long_rows(signals(8, seed=103, zone=DUBLIN, machine="A1"), UNITLESS_ITEMS)
    data = json_lines(
        {
            "ts_us": lambda row: int(row["occurred_at"].timestamp()) * 1_000_000,
            "machine": "machine",
            "item": "item",
            "value": "value",
        },
        rows,
    )
    return Export(DUBLIN, {"events.jsonl.gz": gzipped(data)}, "event", rows, untold=UNTOLD_IN_EVENTS)


WIDE_ITEMS = ("Execution", "Program", "ToolNumber", "PathFeedrate", "RotaryVelocity", "PartCount")


@export
def en_events_wide() -> Export:
    rows = signals(24, seed=104, zone=DUBLIN, machine="VM1")
    lines = lines_of(
        {
            "Time": clock("occurred_at", "%Y-%m-%d %H:%M:%S", DUBLIN),
            "Machine": "machine",
            "Execution": "Execution",
            "Program": "Program",
            "Tool number": "ToolNumber",
            "Feed rate (mm/min)": "PathFeedrate",
            "Spindle speed (rpm)": "RotaryVelocity",
            "Part count": "PartCount",
        },
        rows,
        ",",
    )
    return Export(
        DUBLIN, {"snapshot.csv": text_file(lines)}, "event", long_rows(rows, WIDE_ITEMS), untold=UNTOLD_IN_EVENTS
    )


@export
def de_events_wide_words_of_states() -> Export:
    rows = signals(24, seed=105, zone=BERLIN, machine="F4")
    states = {"READY": "bereit", "ACTIVE": "läuft", "FEED_HOLD": "Vorschub Halt", "PROGRAM_COMPLETED": "Programmende"}
    lines = lines_of(
        {
            "Zeit": clock("occurred_at", "%d.%m.%Y %H:%M:%S", BERLIN),
            "Maschine": "machine",
            "Betriebszustand": said("Execution", states),
            "Programm": "Program",
            "Werkzeug-Nr.": "ToolNumber",
            "Vorschub [mm/min]": times("PathFeedrate", 1, 1, ","),
            "Drehzahl [1/min]": times("RotaryVelocity", 1, 1, ","),
        },
        rows,
    )
    items = ("Execution", "Program", "ToolNumber", "PathFeedrate", "RotaryVelocity")
    return Export(
        BERLIN, {"signale.csv": text_file(lines, "cp1252")}, "event", long_rows(rows, items), untold=UNTOLD_IN_EVENTS
    )


@export
def pt_events_wide_feed_per_second() -> Export:
    rows = signals(20, seed=106, zone=LISBON, machine="CNC-1")
    lines = lines_of(
        {
            "Data": clock("occurred_at", "%d/%m/%Y", LISBON),
            "Hora": clock("occurred_at", "%H:%M:%S", LISBON),
            "Máquina": "machine",
            "Execution": "Execution",
            "Avanço (mm/s)": times("PathFeedrate", 1 / 60, 6, ","),
            "Rotação (rpm)": "RotaryVelocity",
        },
        rows,
    )
    items = ("Execution", "PathFeedrate", "RotaryVelocity")
    return Export(
        LISBON,
        {"sinais.csv": text_file(lines)},
        "event",
        long_rows(rows, items),
        untold=UNTOLD_IN_EVENTS,
        within=0.001,
    )


@export
def refused_events_without_machine() -> Export:
    rows = long_rows(signals(8, seed=107, zone=DUBLIN), LONG_ITEMS)
    lines = lines_of(
        {"Timestamp": clock("occurred_at", "%Y-%m-%d %H:%M:%S", DUBLIN), "Signal": "item", "Value": "value"}, rows, ","
    )
    return Export(DUBLIN, {"signals.csv": text_file(lines)}, machines=("F1", "F2"), refused="which machine this is of")


def lay_out(folder: Path) -> None:
    """Write every export into a folder of its own, with what a person reads in it beside it as JSON."""
    for name, make in CORPUS.items():
        made = make()
        for path, data in made.files.items():
            (folder / name / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / name / path).write_bytes(data)
        told = {
            "zone": made.zone,
            "refused": made.refused or None,
            "kind": made.kind or None,
            "rows_rejected": made.rejected,
            "rows_skipped": made.skipped,
            "rows": made.rows,
        }
        text = json.dumps(
            told, indent=1, default=lambda value: list(value.values) if isinstance(value, Either) else str(value)
        )
        (folder / name / "expected.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    lay_out(Path(sys.argv[1]))
