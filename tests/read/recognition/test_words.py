"""Words of ten languages, phrase by phrase: a head means its concept first, a cell its word of the closed list."""

from pathlib import Path

import pytest

from pipeline.read.recognition.names import asked_end, known_word, read_name
from schemas.words import LANGUAGES

HEADER, *LINES = [
    line.split(" | ")
    for line in (Path(__file__).parent / "words.txt").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
]
SURE = 0.75
FEWEST = 800


def words(cells: list[str]) -> list[str]:
    return [word for cell in cells for word in cell.strip().split("/") if word]


def test_every_language_is_there() -> None:
    assert tuple(HEADER[1:]) == LANGUAGES
    assert all(len(line) == len(HEADER) for line in LINES)
    assert len(words([cell for line in LINES for cell in line[1:]])) >= FEWEST


@pytest.mark.parametrize("line", LINES, ids=[line[0] for line in LINES])
def test_words_mean_what_the_trade_means(line: list[str]) -> None:
    what, said = line[0].split(" ", 1)
    meant = said.split(" or ")
    for word in words(line[1:]):
        if what == "head":
            concepts = read_name(word).concepts
            share = max(concepts.get(concept, 0.0) for concept in meant)
            assert share >= SURE, word
            assert share == max(concepts.values()), word
        else:
            assert (asked_end(word) if what == "asked" else known_word(what, word)) in meant, word
