"""Logs of a machine's states in a shop's words: Execution, setting up as a mode, alarms as a condition; or asked."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import ReadSettings, read_file
from pipeline.read.recognition.event_logs import _state
from pipeline.read.recognition.writing import profile_text
from pipeline.read.rows import FileRead
from schemas.words import LANGUAGES

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
WORDS = {  # running, stopped, setting up, an alarm, switched off
    "en": ("Machine;Time;Machine state", ("running", "stopped", "setup", "alarm", "off")),
    "de": ("Maschine;Zeit;Maschinenzustand", ("läuft", "steht", "Rüsten", "Störung", "aus")),
    "fr": ("Machine;Heure;État machine", ("en marche", "arrêt", "réglage", "panne", "éteinte")),
    "es": ("Máquina;Hora;Estado de la máquina", ("en marcha", "paro", "preparación", "avería", "apagada")),
    "pt": ("Máquina;Hora;Estado da máquina", ("em trabalho", "paragem", "afinação", "avaria", "desligada")),
    "it": ("Macchina;Ora;Stato macchina", ("in marcia", "fermo", "attrezzaggio", "allarme", "spenta")),
    "pl": ("Maszyna;Czas;Stan maszyny", ("praca", "postój", "przezbrajanie", "awaria", "wyłączona")),
    "nl": ("Machine;Tijd;Machinestatus", ("productie", "stilstand", "omstellen", "storing", "uit")),
    "cs": ("Stroj;Čas;Stav stroje", ("výroba", "prostoj", "seřizování", "porucha", "vypnuto")),
    "sv": ("Maskin;Tid;Maskinstatus", ("drift", "stopp", "omställning", "larm", "avstängd")),
}


def read(folder: Path, head: str, words: tuple[str, ...], cells: str = "M1;{at};{word}") -> FileRead:
    lines = [
        cells.format(at=f"{FIRST + timedelta(minutes=17 * row):%d.%m.%Y %H:%M:%S}", word=words[row % len(words)])
        for row in range(20)
    ]
    path = folder / "log.csv"
    path.write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    [found] = read_file(path, ReadSettings(zone="Europe/Berlin", machines={"m1": "M1"}))
    return found


def said(found: FileRead) -> dict[str, list[str | None]]:
    rows = pl.concat([table.rows for table in found.tables])
    told = rows.with_columns(said=pl.coalesce("level", "value")).group_by("item", maintain_order=True).agg("said")
    return {item: values[:5] for item, values in told.iter_rows()}


@pytest.mark.parametrize("language", LANGUAGES)
def test_states_in_ten_languages(tmp_path: Path, language: str) -> None:
    found = read(tmp_path, *WORDS[language])

    assert found.status == "loaded", found.reason
    assert said(found) == {
        "Execution": ["ACTIVE", "STOPPED", "READY", "STOPPED", "UNAVAILABLE"],
        "ControllerMode": ["UNAVAILABLE", "UNAVAILABLE", "MANUAL", "UNAVAILABLE", "UNAVAILABLE"],
        "Condition": ["NORMAL", "NORMAL", "NORMAL", "FAULT", "NORMAL"],
    }


def test_running_and_stopped_alone_say_nothing_of_mode_and_alarms(tmp_path: Path) -> None:
    assert said(read(tmp_path, WORDS["de"][0], ("läuft", "steht"))) == {
        "Execution": ["ACTIVE", "STOPPED"] * 2 + ["ACTIVE"]
    }


def test_a_word_of_the_shop_alone_is_asked(tmp_path: Path) -> None:
    """The proposal knows the others, and says in how many rows the unknown one stands."""
    found = read(tmp_path, WORDS["de"][0], ("läuft", "steht", "Kaffee", "Rüsten"))

    assert found.status == "needs a profile"
    assert 'says "Kaffee" (5 rows): tell which word' in found.reason
    assert found.proposal is not None
    text = profile_text(found.proposal)
    assert '"steht" = "STOPPED"' in text
    assert '"Rüsten" = "MANUAL"' in text
    assert '"Kaffee" =' not in text


@pytest.mark.parametrize(
    ("head", "cells", "words"),
    [
        ("Component;Time;State", "Coolant pump;{at};{word}", ("running", "stopped", "off")),
        ("Mitarbeiter;Zeit;Status", "Huber;{at};{word}", ("Produktion", "Rüsten")),
        ("Maschine;Zeit;Tätigkeit", "M1;{at};{word}", ("Bohren", "Pause", "Fräsen")),
        ("Machine;Time;Door", "M1;{at};{word}", ("open", "closed")),
        ("Machine;Component;Time;State", "M1;Pump {at};{at};{word}", ("running", "stopped")),
    ],
)
def test_states_of_something_else_are_not_those_of_a_machine(tmp_path: Path, head: str, cells: str, words) -> None:
    assert read(tmp_path, head, words, cells).status == "needs a profile"


@pytest.mark.parametrize(
    ("language", "word"),
    [
        ("en", "paused"),
        ("de", "pausiert"),
        ("fr", "Suspendu"),
        ("es", "en pausa"),
        ("pt", "suspenso"),
        ("it", "sospeso"),
        ("pl", "Wstrzymana"),
        ("nl", "gepauzeerd"),
        ("cs", "pozastaveno"),
        ("sv", "pausad"),
    ],
)
def test_a_run_that_is_held(tmp_path: Path, language: str, word: str) -> None:
    head, (running, stopped, *_) = WORDS[language]
    found = read(tmp_path, head, (running, word, stopped))

    assert said(found)["Execution"][:3] == ["ACTIVE", "FEED_HOLD", "STOPPED"]


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("Data/hora;Máquina;Estado;Programa;Contador de peças", ("Pronta", "Em execução", "Interrompida")),
        ("Horodatage;Machine;État programme;Programme;Compteur pièces", ("prêt", "en cours", "interrompu")),
    ],
)
def test_a_state_beside_other_signals_is_one_of_them(tmp_path: Path, head: str, words: tuple[str, ...]) -> None:
    found = read(tmp_path, head, words, "{at};M1;{word};O450;3")

    assert found.status == "loaded", found.reason
    told = said(found)
    assert told["Execution"][:3] == ["READY", "ACTIVE", "INTERRUPTED"]
    assert told.keys() == {"Execution", "Program", "PartCount"}


def test_a_state_beside_other_signals_is_never_left_out_in_silence(tmp_path: Path) -> None:
    head, cells = "Data/hora;Máquina;Estado;Programa;Contador de peças", "{at};M1;{word};O450;3"
    found = read(tmp_path, head, ("Pronta", "zzumpf", "wuppdich"), cells)

    assert found.status == "needs a profile"
    assert '"Estado"' in (found.reason or "")


SAID_OTHERWISE = {
    "ACTIVE": "cycle running | Zyklus läuft | cycle en cours | ciclo en marcha | a maquinar | ciclo in corso"
    " | cykl w toku | cyclus loopt | cyklus běží | cykel pågår",
    "READY": "idle | Grundstellung | au repos | preparada | ociosa | a riposo | czuwanie | in rust | v klidu | vila",
    "FEED_HOLD": "feed hold | Vorschub angehalten | arrêt avance | avance retenido | avanço retido"
    " | avanzamento fermo | wstrzymanie posuwu | aanzetstop | posuv zastaven | matningshåll",
    "UNAVAILABLE": "machine off | stromlos | non connectée | fuera de línea | sem ligação | non collegata | odłączona"
    " | niet verbonden | odpojeno | frånkopplad",
    "FAULT": "e-stop | Not-Aus | arrêt d'urgence | emergencia | avariada | in allarme | zatrzymanie awaryjne | noodstop"
    " | nouzové zastavení | nödstopp",
}


@pytest.mark.parametrize(("state", "words"), SAID_OTHERWISE.items())
def test_words_for_states_in_ten_languages(state: str, words: str) -> None:
    for word in words.split(" | "):
        said = _state(word)
        assert said["Condition" if state == "FAULT" else "Execution"] == state, word


@pytest.mark.parametrize(
    "word", ["program stopped by light", "Zyklus steht", "cycle", "pump running", "not in cycle", "frei"]
)
def test_what_stands_may_be_the_program_or_the_machine(word: str) -> None:
    assert _state(word) == {}
