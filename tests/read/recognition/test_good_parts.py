"""A count of parts beside one of scrap is read as good parts, whichever of the two a list counts. 2 s of CPU."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead
from pipeline.read.settings import ReadSettings
from schemas.profile import Profile
from schemas.toml_model import parse

# Machine, program, start and end; good parts; all parts; scrap.
HEADS = {
    "en": ("Machine;Program;Start;End", "Good parts", "Pieces", "Scrap"),
    "de": ("Maschine;Programm;Beginn;Ende", "Gutteile", "Stück", "Ausschuss"),
    "fr": ("Machine;Programme;Début;Fin", "Pièces bonnes", "Pièces", "Rebuts"),
    "es": ("Máquina;Programa;Inicio;Fin", "Piezas buenas", "Piezas", "Rechazos"),
    "pt": ("Máquina;Programa;Início;Fim", "Peças boas", "Peças", "Refugo"),
    "it": ("Macchina;Programma;Inizio;Fine", "Pezzi buoni", "Pezzi", "Scarti"),
    "pl": ("Maszyna;Program;Początek;Koniec", "Dobre", "Sztuki", "Braki"),
    "nl": ("Machine;Programma;Begin;Einde", "Goed", "Stuks", "Afkeur"),
    "cs": ("Stroj;Program;Začátek;Konec", "Dobré kusy", "Kusy", "Zmetky"),
    "sv": ("Maskin;Program;Start;Slut", "Godkända", "Detaljer", "Kassation"),
}
USUAL = 6
SPOILT = (0, 1, 0, 0, 2, 0, 0, 0, 1, 0)
GOOD = [USUAL - spoilt for spoilt in SPOILT]


def read_counts(folder: Path, head: str, parts: str, scrap: str, counts: list[int]) -> FileRead:
    at = datetime(2026, 3, 16, 6, tzinfo=UTC)
    lines = [f"{head};{parts};{scrap}"]
    for count, spoilt in zip(counts, SPOILT, strict=True):
        lines.append(f"M1;O1001;{at:%d.%m.%Y %H:%M:%S};{at + timedelta(minutes=9):%d.%m.%Y %H:%M:%S};{count};{spoilt}")
        at += timedelta(minutes=14)
    path = folder / "list.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (read,) = read_file(path, ReadSettings(zone="Europe/Lisbon"))
    return read


def good_and_scrap(read: FileRead) -> list[tuple[int, int]]:
    assert read.status == "loaded", read.reason
    return [row for table in read.tables for row in table.rows.select("parts", "scrap").iter_rows()]


@pytest.mark.parametrize("language", HEADS)
def test_good_parts_and_all_parts_come_out_alike(tmp_path: Path, language: str) -> None:
    head, good, made, scrap = HEADS[language]
    wanted = list(zip(GOOD, SPOILT, strict=True))
    assert good_and_scrap(read_counts(tmp_path, head, good, scrap, GOOD)) == wanted
    assert good_and_scrap(read_counts(tmp_path, head, made, scrap, [USUAL] * len(SPOILT))) == wanted


def test_rows_overrule_a_name_that_says_pieces(tmp_path: Path) -> None:
    head, _, made, scrap = HEADS["de"]
    assert good_and_scrap(read_counts(tmp_path, head, made, scrap, GOOD)) == list(zip(GOOD, SPOILT, strict=True))


def test_a_name_that_says_neither_is_asked_about_where_there_is_scrap(tmp_path: Path) -> None:
    head, _, _, scrap = HEADS["de"]
    odd = [6, 4, 5, 6, 4, 7, 6, 5, 3, 6]
    read = read_counts(tmp_path, head, "Menge", scrap, odd)
    assert read.status == "needs a profile"
    assert "with_scrap" in read.reason


def test_scrap_among_the_parts_is_for_parts_alone() -> None:
    text = (
        'version = 1\nname = "x"\nkind = "cycle"\n[columns.program]\nfrom = "P"\n[columns.started_at]\nfrom = "S"\n'
        '[columns.ended_at]\nfrom = "E"\n[columns.parts]\nfrom = "N"\nwith_scrap = true\n'
    )
    with pytest.raises(Exception, match="with_scrap"):
        parse(text, Profile, "x.toml")
    assert parse(text + '[columns.scrap]\nfrom = "A"\n', Profile, "x.toml").columns["parts"].with_scrap


@pytest.mark.parametrize(
    ("total", "scrap"),
    [("Teile gesamt", "davon Ausschuss"), ("Totaal stuks", "waarvan afkeur"), ("Total parts", "of which scrap")],
)
def test_scrap_that_is_a_part_of_a_total(tmp_path: Path, total: str, scrap: str) -> None:
    of_rows = [USUAL + row % 2 for row in range(len(SPOILT))]  # not of all rows so far
    wanted = [(made - spoilt, spoilt) for made, spoilt in zip(of_rows, SPOILT, strict=True)]
    assert good_and_scrap(read_counts(tmp_path, HEADS["de"][0], total, scrap, of_rows)) == wanted


def test_a_count_of_the_rows_is_left_out_and_said(tmp_path: Path) -> None:
    read = read_counts(tmp_path, HEADS["en"][0], "Count", "Scrap", list(range(1, len(SPOILT) + 1)))
    assert read.status == "loaded", read.reason
    [table] = read.tables
    assert table.rows["parts"].null_count() == len(SPOILT)
    assert 'left out, as not sure: parts ("Count")' in table.notes
