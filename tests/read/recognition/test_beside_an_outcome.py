"""Columns beside one that says how cycles ended, and what holds parts: they hold up no file, unless they disagree."""

from datetime import UTC, datetime, timedelta

import pytest

FIRST = datetime(2026, 3, 12, 6, 3, 10, tzinfo=UTC)
BROKEN_OFF = (7, 15, 23)


def table(head: str, cells: list[str], *, outcomes: bool = True) -> str:
    lines = [f"Maschine;Programm;Beginn;Ende;{'Status;' if outcomes else ''}{head}"]
    for row, cell in enumerate(cells):
        at = FIRST + timedelta(minutes=97 * row)
        status = ("abgebrochen" if row in BROKEN_OFF else "fertig") + ";" if outcomes else ""
        times = f"{at:%d.%m.%Y %H:%M:%S};{at + timedelta(minutes=11):%d.%m.%Y %H:%M:%S}"
        lines.append(f"M1;O104{row % 3};{times};{status}{cell}")
    return "\n".join([*lines, ""])


def beside_broken(word: str, otherwise: str = "") -> list[str]:
    return [word if row in BROKEN_OFF else otherwise for row in range(24)]


@pytest.mark.parametrize(
    ("head", "cells"),
    [
        ("Palette", ["A", "B"] * 12),
        ("Qx", ["A", "B"] * 12),
        ("Erstteil", ["ja", "nein"] * 12),
        ("Alarm-Nr.", beside_broken("700123")),
        ("Alarm-Nr.", beside_broken("700123", "0")),
        ("Störung", beside_broken("Spindel")),
        ("Ursache", beside_broken("Bruch", "-")),
    ],
)
def test_what_is_told_already_is_not_asked(read, head: str, cells: list[str]) -> None:
    whole = read(table(head, cells))

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["outcome"].to_list() == beside_broken("aborted", "complete")


@pytest.mark.parametrize(
    ("head", "cells"),
    [
        ("Abgebrochen", ["ja", "nein", "nein", "nein"] * 6),
        ("Qx", ["reset", "m30"] * 12),
        ("Alarm-Nr.", ["700123", "", "", ""] * 6),
        ("Ursache", ["Bruch", "", "Material", ""] * 6),
    ],
)
def test_what_disagrees_is_asked(read, head: str, cells: list[str]) -> None:
    whole = read(table(head, cells))

    assert whole.file.status == "needs a profile"
    assert head in whole.file.reason


@pytest.mark.parametrize(
    ("head", "cells", "status"),
    [
        ("Palette", ["A", "B"] * 12, "loaded"),
        ("Spannseite", ["L", "R"] * 12, "loaded"),
        ("Côté palette", ["A", "B"] * 12, "loaded"),
        ("Uchwyt", ["A", "B", "C"] * 8, "loaded"),
        ("Qx", ["A", "B"] * 12, "needs a profile"),
    ],
)
def test_what_holds_parts_says_nothing_of_their_end(read, head: str, cells: list[str], status: str) -> None:
    assert read(table(head, cells, outcomes=False)).file.status == status


@pytest.mark.parametrize(
    ("head", "word", "outcome"),
    [
        ("Lauf", "vollständig", "complete"),
        ("Run", "completed", "complete"),
        ("Ciclo", "completo", "complete"),
        ("Körning", "klar", "complete"),
        ("Lauf", "geprüft", None),
        ("Cycle", "A", None),
    ],
)
def test_a_run_that_has_a_word_for_an_end_is_an_outcome(read, head: str, word: str, outcome: str | None) -> None:
    whole = read(table(head, [word] * 24, outcomes=False))

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["outcome"].unique().to_list() == [outcome]
