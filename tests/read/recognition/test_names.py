"""Names of columns, cells of units rows, words of closed lists and titles are read as the trade means them."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.plan import TABLE_KINDS
from pipeline.read.recognition.names import NameReading, kind_titles, known_word, read_name, unit_of
from schemas.columns import STATE_FIELDS, columns
from schemas.concepts import CONCEPTS, FIELDS
from schemas.profile import FIELD_WORDS, UNITS, unit_dimension
from schemas.vocabulary import EXECUTION
from schemas.words import (
    CLOSED_LISTS,
    LANGUAGES,
    MONTHS,
    WEEKDAYS,
    closed_lists,
    languages,
    phrases,
    plain,
    titles,
    units,
)

SURE = 0.8
LIKELY = 0.5
UNSURE = 0.7
LEAST_HEADS = 300


def _heads() -> Iterator[tuple[str, str]]:
    for line in (Path(__file__).parent / "heads.txt").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            head, _, meaning = line.rpartition(" = ")
            yield head.strip('"'), meaning


HEADS = list(_heads())


def _top(reading: NameReading) -> str | None:
    return max(reading.concepts, key=lambda concept: reading.concepts[concept], default=None)


@pytest.mark.parametrize(("head", "meaning"), HEADS, ids=[f"{head} = {meaning}" for head, meaning in HEADS])
def test_heads_mean_what_the_trade_means(head: str, meaning: str) -> None:
    reading = read_name(head)
    said = re.fullmatch(r"(?P<concepts>[^\[(]*?)(?: \[(?P<unit>.+)\])?(?: \((?P<part>.+)\))?", meaning)
    assert said is not None
    concepts = said["concepts"]

    if concepts == "-":
        assert max(reading.concepts.values(), default=0.0) < LIKELY
    elif concepts.startswith("not "):
        assert reading.concepts.get(concepts.removeprefix("not "), 0.0) < LIKELY
    elif " | " in concepts:
        either = set(concepts.split(" | "))
        assert either <= set(reading.concepts)
        assert max(reading.concepts.values()) < UNSURE
    elif concepts.endswith(" ?"):
        assert _top(reading) == concepts.removesuffix(" ?")
    else:
        assert _top(reading) == concepts
        assert reading.concepts[concepts] >= SURE
    if concepts not in ("-", "due_on"):
        assert reading.part == said["part"]
        assert concepts.startswith("not ") or reading.unit == said["unit"]


def test_there_are_enough_heads_in_every_language() -> None:
    assert len(HEADS) >= LEAST_HEADS
    for code in LANGUAGES:
        assert sum(code in read_name(head).languages for head, _ in HEADS) >= 30, code


@pytest.mark.parametrize("kind", TABLE_KINDS)
def test_our_own_field_names_are_certain(kind: str) -> None:
    fields = [*columns(kind), *(["duration_s"] if kind == "cycle" else [])]  # type: ignore[arg-type]
    # what ends a state is a column of a log of states, which is told by its rows
    fields = [name for name in fields if kind != "event" or name not in STATE_FIELDS]
    by_field: dict[str, set[str]] = {}
    for concept, field in FIELDS[kind].items():  # type: ignore[index]
        by_field.setdefault(field, set()).add(concept)
    for field in fields:
        for spelling in (field, field.upper(), f" {field} "):
            reading = read_name(spelling)
            certain = {concept for concept, share in reading.concepts.items() if share == 1.0}
            assert len(certain) == 1
            assert certain <= by_field[field]
            assert reading.unit == {"time": "s", "mass": "kg", None: None}[unit_dimension(field)]


MARKS = st.sampled_from(["{}", "  {} ", "{}:", "*{}*", "{} .", "\n{}\n", "{}\t", "<b>{}</b>"])
# Case parts the words of camelCase and tells one markup entity from another.
ONE_CASE = [head for head, _ in HEADS if not re.search(r"[a-z][A-Z]|&", head)]


@given(st.sampled_from(ONE_CASE), MARKS)
def test_padding_and_case_do_not_matter(head: str, marks: str) -> None:
    reading = read_name(head)

    assert read_name(marks.format(head)) == reading
    assert read_name(head.upper()) == read_name(head.lower()) == reading


@given(st.sampled_from([head for head, _ in HEADS]))
def test_diacritics_do_not_matter(head: str) -> None:
    assert read_name(plain_letters(head)).concepts == read_name(head).concepts


def plain_letters(text: str) -> str:
    """Return a text as an export in plain ASCII letters would have it."""
    return "".join(plain(mark) if mark.isalpha() and plain(mark) else mark for mark in text)


@given(st.text(max_size=200) | st.text("aeinrstuzk/[]()%#_. ", max_size=40))
def test_any_name_reads_as_shares_of_known_concepts(name: str) -> None:
    reading = read_name(name)

    assert set(reading.concepts) <= set(CONCEPTS)
    assert all(0.0 < share <= 1.0 for share in reading.concepts.values())
    assert reading.unit is None or reading.unit in UNITS
    assert reading.languages <= set(LANGUAGES)
    unit_of(name), known_word("outcome", name), known_word("reason", name), kind_titles(name)


@given(
    st.lists(
        st.sampled_from(["start", "tool", "zeit", "masch.", "pièces", "no", "/", "[min]", "(old)", "soll", "op"]),
        max_size=9,
    )
)
def test_any_order_of_words_reads_without_a_fault(words: list[str]) -> None:
    assert set(read_name(" ".join(words)).concepts) <= set(CONCEPTS)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("[min]", "min"),
        ("min.", "min"),
        ("Sek.", "s"),
        ("(s)", "s"),
        ("sec", "s"),
        ("ms", "ms"),
        ("Std", "h"),
        ("Std.", "h"),
        ("h", "h"),
        ("godz.", "h"),
        ("uur", "h"),
        ("hod", "h"),
        ("timmar", "h"),
        ("heures", "h"),
        ("hh:mm:ss", "h:mm:ss"),
        ("[h:mm:ss]", "h:mm:ss"),
        ("HH:MM", "h:mm:ss"),
        ("mm:ss", "mm:ss"),
        ("kg", "kg"),
        ("(kg)", "kg"),
        ("g", "g"),
        ("lbs", "lb"),
        ("%", "percent"),
        ("mm", "mm"),
        ("mm/min", "mm/min"),
        ("1/min", "rev/min"),
        ("U/min", "rev/min"),
        ("rpm", "rev/min"),
        ("in Sekunden", "s"),
        ("in min", "min"),
        ("", None),
        ("-", None),
        ("Stk", None),
        ("1/100 min", None),
        ("days", None),
        ("Machine", None),
        ("12", None),
        ("dd.mm.yyyy", None),
        ("kW", None),
    ],
)
def test_units_are_read_as_written(text: str, unit: str | None) -> None:
    assert unit_of(text) == unit


@pytest.mark.parametrize(
    ("list_name", "text", "word"),
    [
        ("outcome", "OK", "complete"),
        ("outcome", "fertig", "complete"),
        ("outcome", "Abgebrochen", "aborted"),
        ("outcome", "ABORTED", "aborted"),
        ("outcome", "Scrap", "complete"),  # a bad part is a whole cycle
        ("outcome", "n.i.O.", "complete"),
        ("outcome", "NOK", "complete"),
        ("outcome", "interrompu", "aborted"),
        ("outcome", "terminé", "complete"),
        ("outcome", "Interrotto", "aborted"),
        ("outcome", "przerwany", "aborted"),
        ("outcome", "dokončeno", "complete"),
        ("outcome", "avbruten", "aborted"),
        ("outcome", "afgebroken", "aborted"),
        ("outcome", "concluído", "complete"),
        ("outcome", "desconocido", "unknown"),
        ("outcome", "blue", None),
        ("outcome", "", None),
        ("reason", "Verschleiß", "worn"),
        ("reason", "VERSCHLEISS", "worn"),
        ("reason", "Bruch", "broken"),
        ("reason", "Ausbruch", "chipped"),
        ("reason", "Standzeit erreicht", "planned"),
        ("reason", "rota", "broken"),
        ("reason", "desgaste", "worn"),
        ("reason", "usure", "worn"),
        ("reason", "écaillée", "chipped"),
        ("reason", "scheggiato", "chipped"),
        ("reason", "wykruszenie", "chipped"),
        ("reason", "zużycie", "worn"),
        ("reason", "opotřebení", "worn"),
        ("reason", "vylomený", "chipped"),
        ("reason", "slitage", "worn"),
        ("reason", "breuk", "broken"),
        ("reason", "scheduled", "planned"),
        ("reason", "worn out", "worn"),
        ("reason", "insert broken in roughing", "broken"),
        ("reason", "not worn", None),
        ("reason", "kein Bruch", None),
        ("reason", "worn, then broken", None),  # two reasons are none
        ("level", "Warnung", "WARNING"),
        ("level", "critical", "FAULT"),
        ("level", "normal", "NORMAL"),
        ("execution", "running", "ACTIVE"),
        ("execution", "läuft", "ACTIVE"),
        ("execution", "in lavorazione", "ACTIVE"),
        ("execution", "Feed hold", "FEED_HOLD"),
        ("execution", "M00", "PROGRAM_STOPPED"),
        ("execution", "FEED_HOLD", "FEED_HOLD"),
        ("mode", "Automatik", "AUTOMATIC"),
        ("mode", "MDI", "MANUAL_DATA_INPUT"),
        ("mode", "jog", "MANUAL"),
        ("total", "Summe", "total"),
        ("total", "Razem", "total"),
        ("total", "Celkem:", "total"),
        ("total", "O1234", None),
    ],
)
def test_words_of_closed_lists(list_name: str, text: str, word: str | None) -> None:
    assert known_word(list_name, text) == word


def test_closed_lists_hold_our_words_only() -> None:
    for name, words in FIELD_WORDS.items():
        assert set(closed_lists()[name].values()) <= set(words)
    assert set(closed_lists()["execution"].values()) <= set(EXECUTION)


@pytest.mark.parametrize(
    ("title", "kind"),
    [
        ("Cycle history", "cycle"),
        ("cycles-2026-q1.csv", "cycle"),
        ("ciclos-2026-01.csv", "cycle"),
        ("Registo de ciclos - centro de maquinagem 1", "cycle"),
        ("Zyklusprotokoll Maschine 3", "cycle"),
        ("Historique des cycles", "cycle"),
        ("toolChanges_M1", "tool_change"),
        ("Werkzeugwechsel", "tool_change"),
        ("WZ-Wechsel KW 12", "tool_change"),
        ("Registo de trocas de ferramenta", "tool_change"),
        ("Cambi utensile 2026", "tool_change"),
        ("Výměny nástrojů", "tool_change"),
        ("Verktygsbyten", "tool_change"),
        ("Insert changes", "edge_change"),
        ("Plattenwechsel", "edge_change"),
        ("Changements de plaquettes", "edge_change"),
        ("edge-changes-2026.csv", "edge_change"),
        ("Alarm history", "event"),
        ("Störungen", "event"),
        ("estimates.csv", "estimate"),
        ("Arbeitsplan", "estimate"),
        ("Kalkulace zakázky 12", "estimate"),
        ("orders.csv", "job"),
        ("Auftragsliste", "job"),
        ("Lista de ordens", "job"),
        ("Lista zleceń", "job"),
        ("Orderlijst", "job"),
        ("holiday plan", None),
        ("", None),
    ],
)
def test_titles_tell_the_kind_of_a_table(title: str, kind: str | None) -> None:
    found = kind_titles(title)

    assert max(found, key=lambda name: found[name], default=None) == kind  # type: ignore[call-overload]


def test_word_lists_are_whole() -> None:
    """Every language has words for every concept that fills a field, and every list; rules use tags that exist."""
    tags = {tag for language in languages().values() for meanings in language.words.values() for tag in meanings}
    added = {"slash", *units().marks.values()}
    for phrase in phrases():
        assert phrase.concept in CONCEPTS
        assert phrase.allowed.union(*phrase.needed) <= tags | added
    common = set.intersection(
        *(
            {tag for meanings in language.words.values() for tag in meanings if tag[0] != "="}
            for language in languages().values()
        )
    )
    assert {"machine", "program", "tool", "start", "end", "pieces", "bad", "job", "cycle", "cut", "setup"} <= common
    assert set(CLOSED_LISTS) <= set(closed_lists())
    assert {kind for kinds in titles().values() for kind, _ in kinds} == set(TABLE_KINDS)
    assert set(MONTHS.values()) == set(range(1, 13))
    assert {"montag", "pondeli", "fredag"} <= WEEKDAYS
