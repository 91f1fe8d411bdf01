"""Tables with all columns of a kind whose other columns, values or rows belong to other papers of a shop."""

from datetime import UTC, datetime, timedelta
from typing import Final

import polars as pl
import pytest

from pipeline.read.rawtable import LINE, RawTable
from pipeline.read.recognition.elsewhere import belongs_elsewhere
from pipeline.read.recognition.paper_signs import Filled
from pipeline.read.recognition.sample import Sample
from schemas.vocabulary import InputKind

ROWS: Final = 16
FIRST: Final = datetime(2026, 3, 16, 6, 4, 10, tzinfo=UTC)
LENGTHS_S: Final = (412, 655, 1180, 287)


def stamp(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}"


def row(at: int) -> dict[str, object]:
    """What the cells of a row can hold; programs come again with the same length, tools by fives."""
    which = (at * 7 // 3) % 4
    start = FIRST + timedelta(minutes=31 * at, seconds=at * 17 % 60)
    round_start = datetime(2026, 4, 13, 6, tzinfo=UTC) + timedelta(minutes=45 * at)
    day = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(days=at)
    return {
        "n": at + 1,
        "program": f"O104{which}",
        "start": stamp(start),
        "end": stamp(start + timedelta(seconds=LENGTHS_S[which] + at % 3)),
        "any_end": stamp(start + timedelta(seconds=60 + at * at * 377 % 1500)),
        "soon": stamp(start + timedelta(seconds=8 + at % 5)),
        "next_day": f"{start + timedelta(days=180):%Y-%m-%d}",
        "later": stamp(start + timedelta(hours=3 + at % 4)),
        "round": stamp(round_start),
        "round_end": stamp(round_start + timedelta(minutes=30)),
        "round_next": stamp(round_start + timedelta(minutes=45)),
        "tool": f"T{(1, 6, 9, 2, 7)[at % 5]}",
        "tool_size": f"{(63, 8.5, 10, 16, 12)[at % 5]}",
        "next_tool": f"T{at + 1}",
        "job": f"A{4100 + at * at}",
        "part": f"P-{7000 + at * 37 % 911}",
        "serial": 71200 + at,
        "lettered": f"C{310 + at}",
        "id": 88000 + at,
        "few": (1, 2, 1, 4)[at * at % 4],
        "one_or_two": (1, 2, 1)[at % 3],
        "many": 40 + at * at % 97,
        "noughts": (0, 20, 50, 5)[at % 4],
        "decimal": f"{1 + at * at % 83 / 10:.2f}",
        "hot": (860, 920, 180, 540)[which],
        "warm": 58 + at % 7,
        "mild": f"{19 + at % 5}.5",
        "per_program": ("1.2", "0.4", "7.5", "3.3")[which],
        "described": ("flange", "shaft", "plate", "cover")[which],
        "done": ("filter changed", "oil", "door", "oil")[at % 3],
        "name": ("Adler", "Brandt", "Cordes")[at * at % 3],
        "reason": ("worn", "broken", "worn")[at % 3],
        "status": ("done", "open", "done")[at % 3],
        "won": ("won", "lost", "open")[at % 3],
        "verdict": ("uznana", "odrzucona")[at % 2],
        "code": (110, 120)[at * at % 3 % 2],
        "day": f"{day:%Y-%m-%d}",
        "term": f"{day + timedelta(days=30):%Y-%m-%d}",
        "due": f"{day + timedelta(days=20 + at * 7 % 19):%Y-%m-%d}",
    }


def doubts(kind: InputKind, head: str, cells: str, title: str = "", machines: tuple[str, ...] = ()) -> list[str]:
    """Return what says that a table belongs elsewhere; the first columns fill `FILLED`, and "name=field" a field."""
    heads = [name.partition("=") for name in head.split(";")]
    names = [name for name, _, _ in heads]
    rows = [cells.format(**row(at)).split(";") for at in range(ROWS)]
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String()), orient="row").with_row_index(LINE, offset=2)
    sample = Sample(names, RawTable(frame), ((title,),) if title else ())
    given = [*FILLED[kind], *("" for _ in names)]
    fields = {(field or given[at]): sample.columns[at] for at, (_, _, field) in enumerate(heads)}
    fields.pop("", None)
    used = frozenset(column.name for column in fields.values())
    return list(belongs_elsewhere(Filled(kind, fields, used, sample, {name.casefold(): name for name in machines})))


FILLED: Final[dict[InputKind, tuple[str, ...]]] = {
    "cycle": ("machine", "program", "started_at", "ended_at"),
    "tool_change": ("machine", "occurred_at", "tool"),
    "edge_change": ("machine", "occurred_at", "tool", "reason"),
    "job": ("ordered_on", "job", "part", "quantity"),
    "estimate": ("program", "operation", "cycle_s"),
}
CYCLES: Final = ("Machine;Program;Start;End", "M1;{program};{start};{end}")
CHANGES: Final = ("Machine;Time;Tool", "M1;{start};{tool}")
EDGES: Final = ("Machine;Date;Tool;Reason", "M1;{start};{tool};{reason}")
ORDERS: Final = ("Date;Order;Part;Quantity", "{day};{job};{part};{many}")
ESTIMATES: Final = ("Program;Operation;Cycle time (min)", "{program};10;{decimal}")


@pytest.mark.parametrize(
    ("kind", "head", "cells", "asked"),
    [
        ("cycle", "Maschine;Programm;Start;Ende;Haltetemperatur (°C)", CYCLES[1] + ";{hot}", "no machining"),
        ("cycle", "Maskin;Program;Start;Slut;Börvärde (°C)", CYCLES[1] + ";{hot}", "furnace"),
        ("cycle", CYCLES[0] + ";Temp (°C)", CYCLES[1] + ";{warm}", "temperatures of a process"),
        ("cycle", "Macchina;Programma;Inizio;Fine;Pressione (bar)", CYCLES[1] + ";{decimal}", "pressure"),
        ("cycle", "Máquina;Programa;Inicio;Fin;Fuerza (kN)", CYCLES[1] + ";{many}", "Fuerza"),
        ("cycle", "Maszyna;Program;Start;Koniec;Masa (kg)", CYCLES[1] + ";{many}", "weighs each row"),
        ("cycle", "Machine;Programme;Début;Fin;Courant (A);Tension (V)", CYCLES[1] + ";{many};{few}", "currents"),
        ("cycle", "Maskin;Program;Start;Slut;Spänning (V);Ström (A)", CYCLES[1] + ";{few};{many}", "currents"),
        ("cycle", "Machine;Programma;Start;Einde;Laaghoogte", CYCLES[1] + ";0,2", "no machining"),
        ("cycle", "Maschine;Programm;Start;Ende", "Ofen 2;{program};{start};{end}", "no machine tool"),
        ("cycle", "Stroj;Program;Začátek;Konec", "Pračka 1;{program};{start};{end}", "no machine tool"),
        ("cycle", "Machine;Program;Start;Finish", "M1;{program};{round};{round_end}", "planned or booked"),
        ("cycle", CYCLES[0] + ";kWh", "M1;{program};{round};{round_next};{decimal}", "planned or booked"),
        ("cycle", CYCLES[0] + ";Size", "M1;{program};{start};{soon};{many}", "min apart"),
        ("cycle", CYCLES[0] + ";Operator=operator", "M1;{program};{start};{any_end};{name}", "now this long"),
        ("cycle", CYCLES[0] + ";Number;Description", "M1;{program};{start};{any_end};{serial};{done}", "what was done"),
        ("cycle", "Maschine;Programm;Beginn;Ende;Art", CYCLES[1] + ";{code}", "sorts the rows"),
        ("cycle", "Maschine;Programm;Beginn;Ende;Lohnart", CYCLES[1] + ";{code}", "paid"),
        ("cycle", CYCLES[0] + ";Status=outcome", CYCLES[1] + ";{status}", "tasks"),
        ("tool_change", "Maschine;Zeitpunkt;Werkzeug;Zurück", CHANGES[1] + ";{later}", "later time"),
        ("tool_change", "Máquina;Data e hora;Ferramenta;Próxima", CHANGES[1] + ";{next_day}", "later time"),
        ("tool_change", CHANGES[0] + ";Badge;Trans.", CHANGES[1] + ";{code};{lettered}", "counts on"),
        ("tool_change", "Machine;Date heure;Outil;N°", CHANGES[1] + ";{code}", "something else"),
        ("tool_change", CHANGES[0] + ";Place", "M1;{start};{next_tool};{n}", "magazine"),
        ("edge_change", "Máquina;Fecha;Herramienta;Motivo;Cajas", EDGES[1] + ";{few}", "Cajas"),
        ("edge_change", "Maschine;Datum;Werkzeug;Grund;VE", EDGES[1] + ";1", "VE"),
        ("edge_change", "Maskin;Datum;Verktyg;Orsak;Antal;Nr.", EDGES[1] + ";{one_or_two};{serial}", "counts on"),
        ("edge_change", "Macchina;Data;Utensile;Motivo;Rimasti", EDGES[1] + ";{many}", "left"),
        ("edge_change", "Machine;Date;Outil;Motif;VB (mm)", EDGES[1] + ";{decimal}", "measure"),
        ("edge_change", "Maszyna;Data;Narzędzie;Powód;Nr;Kto", EDGES[1] + ";{lettered};{name}", "counts on"),
        ("edge_change", EDGES[0] + ";Stock after", EDGES[1] + ";{many}", "left"),
        ("edge_change", EDGES[0] + ";Scrap parts", EDGES[1] + ";{few}", "scrap of every row"),
        ("job", "Datum;Order;Artikel;Aantal;Bedrag excl. btw;Vervaldatum", ORDERS[1] + ";{decimal};{term}", "30 days"),
        ("job", "Data;Zlecenie;Część;Ilość;VAT %", ORDERS[1] + ";23", "taxes"),
        ("job", ORDERS[0] + ";Result", ORDERS[1] + ";{won}", "won"),
        ("job", "Data;Zlecenie;Część;Ilość;Decyzja", ORDERS[1] + ";{verdict}", "accepted"),
        ("job", "Date;Commande;Pièce;Quantité;Colis", ORDERS[1] + ";{few}", "parcels"),
        ("job", ORDERS[0] + ";No.;Description", ORDERS[1] + ";{serial};{done}", "counts on"),
        ("job", ORDERS[0], "{day};{job};{part};{noughts}", "nought"),
        ("job", "Datum;Zakázka;Díl;Množství;Zpět", ORDERS[1] + ";{due}", "came back"),
        ("job", "Datum;Auftrag;Teil;Stück;Prüfer;Ergebnis", ORDERS[1] + ";{name};{verdict}", "accepted"),
        ("job", ORDERS[0] + ";Inspector;Result", ORDERS[1] + ";{name};{described}", "inspections"),
        ("estimate", ESTIMATES[0] + ";σ", ESTIMATES[1] + ";{few}", "spread"),
        ("estimate", "Program;Operation;Average cycle time (min);Parts", ESTIMATES[1] + ";{many}", "mean"),
        ("estimate", "Programa;Operación;Tiempo de ciclo (min);Resto", ESTIMATES[1] + ";{many}", "left"),
    ],
)
def test_what_is_left_belongs_to_another_paper(kind: InputKind, head: str, cells: str, asked: str) -> None:
    told = doubts(kind, head, cells)

    assert any(asked in doubt for doubt in told), told


@pytest.mark.parametrize(
    ("kind", "head", "cells"),
    [
        ("cycle", CYCLES[0] + ";Spindle temperature (°C)", CYCLES[1] + ";{warm}"),
        ("cycle", "Maschine;Programm;Start;Ende;Temperatur (°C)", CYCLES[1] + ";{mild}"),
        ("cycle", "Maschine;Programm;Start;Ende;Bemerkung", CYCLES[1] + ";Ofen 860 °C, 6 bar"),
        ("cycle", "Macchina;Programma;Inizio;Fine;Pressione refrigerante (bar)", CYCLES[1] + ";{warm}"),
        ("cycle", "Maskin;Program;Start;Slut;Energi (kWh)", CYCLES[1] + ";{decimal}"),
        ("cycle", "Machine;Programma;Start;Einde;Gewicht (kg)", CYCLES[1] + ";{per_program}"),
        ("cycle", "Maschine;Programm;Start;Ende;Härte HRC", CYCLES[1] + ";{per_program}"),
        ("cycle", "Stroj;Program;Začátek;Konec;Popis", CYCLES[1] + ";{described}"),
        ("cycle", CYCLES[0] + ";No.;Operator=operator", CYCLES[1] + ";{id};{name}"),
        ("cycle", CYCLES[0] + ";Part serial", CYCLES[1] + ";{lettered}"),
        ("cycle", "Maschine;Programm;Start;Ende;Kosten (EUR)", CYCLES[1] + ";{decimal}"),
        ("cycle", CYCLES[0], "M1;O1;{start};{any_end}"),  # one main program calls the others
        ("tool_change", CHANGES[0] + ";No.", CHANGES[1] + ";{n}"),
        ("cycle", "Machine;Programma;Start;Einde;Spandruk (bar)", CYCLES[1] + ";{many}"),
        ("cycle", "Maschine;Programm;Start;Ende;Spanndruck (bar)", CYCLES[1] + ";{many}"),
        ("tool_change", CHANGES[0] + ";Diameter;Operator", CHANGES[1] + ";{tool_size};{name}"),
        ("edge_change", EDGES[0] + ";Parts made", EDGES[1] + ";{many}"),
        ("edge_change", "Máquina;Fecha;Herramienta;Motivo;N.º;Operario", EDGES[1] + ";{n};{name}"),
        ("job", "Datum;Order;Artikel;Aantal;Prijs excl. btw;Leverdatum", ORDERS[1] + ";{decimal};{due}"),
        ("job", ORDERS[0] + ";Incoterms;Status", ORDERS[1] + ";EXW;{status}"),
        ("job", ORDERS[0] + ";Blank length (mm);Contact", ORDERS[1] + ";{many};{name}"),
        ("job", "Datum;Auftrag;Teil;Menge;Beschreibung;Preis", ORDERS[1] + ";{described};{decimal}"),
        ("estimate", ESTIMATES[0] + ";Hourly rate (EUR)", ESTIMATES[1] + ";72"),
    ],
)
def test_columns_that_have_nothing_to_do_with_it_are_no_doubt(kind: InputKind, head: str, cells: str) -> None:
    assert doubts(kind, head, cells) == []


def test_what_shop_toml_lists_is_a_machine_of_the_shop() -> None:
    head, cells = CYCLES[0], CYCLES[1].replace("M1", "Laser 1")

    assert doubts("cycle", head, cells)
    assert doubts("cycle", head, cells, machines=("Laser 1",)) == []


def test_a_title_outweighs_a_weak_sign_and_no_sure_one() -> None:
    pressure = (CYCLES[0] + ";Pressure (bar)", CYCLES[1] + ";{decimal}")
    hot = (CYCLES[0] + ";Temperature (°C)", CYCLES[1] + ";{hot}")

    assert doubts("cycle", *pressure)
    assert doubts("cycle", *pressure, title="Cycle list") == []
    assert doubts("cycle", *hot, title="Cycle list")
