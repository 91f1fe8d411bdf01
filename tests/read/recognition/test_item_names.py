"""Long logs whose items are named in a shop's words: the standard's names where the words say so, asked elsewhere."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import ReadSettings, read_file
from pipeline.read.rows import FileRead

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
VALUES = (("READY", "O77", "4"), ("ACTIVE", "O78", "9"))


def read(folder: Path, head: str, names: tuple[str, ...], values: tuple[tuple[str, ...], ...] = VALUES) -> FileRead:
    lines = [
        f"M1;{FIRST + timedelta(minutes=17 * row, seconds=place):%d.%m.%Y %H:%M:%S};{name};{value}"
        for row in range(12)
        for place, (name, value) in enumerate(zip(names, values[row % len(values)], strict=True))
    ]
    path = folder / "log.csv"
    path.write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines={"m1": "M1"}))
    return found


def items(found: FileRead) -> dict[str, list[str]]:
    rows = pl.concat([table.rows for table in found.tables])
    return {item: rows.filter(item=item)["value"].to_list()[:2] for item in rows["item"].unique().sort()}


@pytest.mark.parametrize(
    ("head", "names"),
    [
        ("Maschine;Zeitstempel;Merkmal;Wert", ("Ausführung", "Programm", "Werkzeugnummer")),
        ("Machine;Timestamp;Signal;Value", ("Run state", "Program no.", "Tool no.")),
        ("Máquina;Fecha y hora;Señal;Valor", ("Estado de ejecución", "Programa", "Número de herramienta")),
        ("Macchina;Data e ora;Segnale;Valore", ("Stato macchina", "Programma", "Numero utensile")),
    ],
)
def test_items_in_words_of_the_trade(tmp_path: Path, head: str, names: tuple[str, ...]) -> None:
    found = read(tmp_path, head, names)

    assert found.status == "loaded", found.reason
    assert items(found) == {"Execution": ["READY", "ACTIVE"], "Program": ["O77", "O78"], "ToolNumber": ["4", "9"]}


def test_the_values_of_such_an_item_may_be_words_of_the_shop_too(tmp_path: Path) -> None:
    values = (("bereit", "O77"), ("läuft", "O78"))
    found = read(tmp_path, "Maschine;Zeitstempel;Merkmal;Wert", ("Maschinenstatus", "Programm"), values)

    assert found.status == "loaded", found.reason
    assert items(found)["Execution"] == ["READY", "ACTIVE"]

    half_known = read(
        tmp_path,
        "Máquina;Fecha y hora;Señal;Valor",
        ("Ejecución", "Programa"),
        (("Listo", "O77"), ("En ejecución", "O78")),
    )

    assert half_known.status == "loaded", half_known.reason
    assert items(half_known)["Execution"] == ["READY", "ACTIVE"]


def test_an_item_with_the_words_of_execution_and_a_name_that_nobody_knows_is_asked_about(tmp_path: Path) -> None:
    found = read(tmp_path, "Machine;Timestamp;Signal;Value", ("R17", "Program"), (("READY", "O77"), ("ACTIVE", "O78")))

    assert found.status == "needs a profile"
    assert 'item "R17" says ACTIVE, READY: tell whether it is Execution' in (found.reason or "")


def test_two_items_that_can_be_one_are_asked_about(tmp_path: Path) -> None:
    names = ("Maschinenstatus", "Programmstatus")
    found = read(tmp_path, "Maschine;Zeitstempel;Merkmal;Wert", names, (("READY", "READY"), ("ACTIVE", "ACTIVE")))

    assert found.status == "needs a profile"
    assert "several items can be Execution" in (found.reason or "")


def test_numbers_keep_their_names_for_nothing_tells_their_unit(tmp_path: Path) -> None:
    names = ("Execution", "Vorschub")
    found = read(tmp_path, "Maschine;Zeitstempel;Merkmal;Wert", names, (("READY", "0"), ("ACTIVE", "900")))

    assert set(items(found)) == {"Execution", "Vorschub"}


@pytest.mark.parametrize("name", ["Nombre", "Étiquette", "Naam", "Point", "xyz"])
def test_items_of_the_standard_say_themselves_what_their_column_is(tmp_path: Path, name: str) -> None:
    items = ("Execution", "Program", "PartCount")
    words = {"Execution": "ACTIVE", "Program": "O1", "PartCount": "3"}
    lines = [f"M1;2026-03-16 06:{minute:02d}:00;{items[minute % 3]};{words[items[minute % 3]]}" for minute in range(30)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"Machine;Time;{name};Value", *lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC"))
    assert found.status == "loaded", found.reason
    assert {item for table in found.tables for item in table.rows["item"]} == set(items)


def test_availability_and_the_feed_override(tmp_path: Path) -> None:
    names = ("Verfügbarkeit", "Vorschub-Override", "Eilgang-Override", "Programmstatus")
    found = read(
        tmp_path,
        "Maschine;Zeitstempel;Signal;Wert",
        names,
        (("verfügbar", "100", "50", "läuft"), ("nicht verfügbar", "80", "25", "steht")),
    )
    assert items(found) == {
        "Availability": ["AVAILABLE", "UNAVAILABLE"],
        "Eilgang-Override": ["50", "25"],
        "Execution": ["ACTIVE", "STOPPED"],
        "PathFeedrateOverride": ["100", "80"],
    }


def test_short_names_of_adapter_text(tmp_path: Path) -> None:
    path = tmp_path / "M1.txt"
    said = ("avail|AVAILABLE", "M1:mode|AUTOMATIC", "feed_ovr|100", "prog|O77", "exec|ACTIVE", "strange|7")
    path.write_text("".join(f"2026-03-12T06:0{row}:00Z|{text}\n" for row, text in enumerate(said)), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC", machines={"m1": "M1"}))
    assert sorted(items(found)) == [
        "Availability",
        "ControllerMode",
        "Execution",
        "PathFeedrateOverride",
        "Program",
        "strange",
    ]
