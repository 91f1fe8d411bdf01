"""Western and central European text are told by the language of their words, in ten languages. No CPU to speak of."""

from __future__ import annotations

import pytest

from pipeline.read.recognition.encodings import central_encoding

WESTERN = {
    "it": "Macchina;Programma;Inizio;Fine;Pezzi;Note\nM1;P1;1;2;3;metà è già fatta perché più dura, lunedì\n",
    "it-name": "Macchina;Programma;Inizio;Fine;Pezzi;Operatore\nM1;P1;1;2;3;Nicolò\n",
    "fr": "Machine;Programme;Début;Fin;Pièces;Opérateur\nM1;1;2;3;4;François\n",
    "es": "Máquina;Programa;Inicio;Fin;Piezas;Avería\nM1;1;2;3;4;señal mañana\n",
    "pt": "Máquina;Programa;Início;Fim;Peças;Operação\nM1;1;2;3;4;João, não sei\n",
    "sv": "Maskin;Program;Start;Slut;Antal;Anmärkning\nM1;1;2;3;4;går på övertid\n",
    "nl": "Machine;Programma;Begin;Einde;Stuks;Opmerking\nM1;1;2;3;4;één coördinaat\n",
    "de": "Maschine;Programm;Beginn;Ende;Stück;Prüfer\nM1;1;2;3;4;Größe ß\n",
    "en": "Machine;Program;Start;End;Parts;Note\nM1;1;2;3;4;café Ø12 ±0.1 µm\n",
}
CENTRAL = {
    "pl": "Maszyna;Program;Początek;Koniec;Ilość;Uwagi\nM1;1;2;3;4;płytka\n",
    "pl-name": "Maszyna;Program;Start;Koniec;Szt.;Operator\nM1;1;2;3;4;Michał\n",
    "cs": "Stroj;Program;Začátek;Konec;Kusů;Poznámka\nM1;1;2;3;4;příště\n",
    "cs-words": "Stroj;Program;Start;Konec;Ks;Poznamka\nM1;1;2;3;4;břit vyštípnutý\n",
}


@pytest.mark.parametrize("name", WESTERN)
@pytest.mark.parametrize("encoding", ["cp1252", "latin-1"])
def test_western_text_stays_western(name: str, encoding: str) -> None:
    assert central_encoding(WESTERN[name].encode(encoding)) is None


@pytest.mark.parametrize("name", CENTRAL)
def test_central_text_is_found(name: str) -> None:
    assert central_encoding(CENTRAL[name].encode("cp1250")) == "cp1250"


@pytest.mark.parametrize("text", [*WESTERN.values(), *CENTRAL.values()])
def test_utf8_is_neither(text: str) -> None:
    assert central_encoding(text.encode()) is None
