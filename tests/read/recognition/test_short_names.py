"""Short and shortened names of columns that a person has no doubt about."""

import pytest

from pipeline.read.recognition.names import read_name


@pytest.mark.parametrize(
    ("name", "concept"),
    [
        ("Rej", "scrap"),
        ("NC-Prg.", "program"),
        ("Änd.-Stand", "revision"),
        ("davon Ausschuss", "scrap"),
        ("of which scrap", "scrap"),
        ("dont rebuts", "scrap"),
        ("di cui scarti", "scrap"),
        ("de los cuales rechazos", "scrap"),
        ("das quais refugo", "scrap"),
        ("w tym braki", "scrap"),
        ("waarvan afkeur", "scrap"),
        ("z toho zmetky", "scrap"),
        ("varav kasserade", "scrap"),
    ],
)
def test_a_short_name_is_understood(name: str, concept: str) -> None:
    concepts = read_name(name).concepts

    assert max(concepts, key=lambda meant: concepts[meant]) == concept
    assert concepts[concept] >= 0.85


def test_nc_may_be_a_program_or_what_does_not_conform() -> None:
    assert read_name("NC").concepts.keys() == {"program", "scrap"}
