"""Codes that a legend explains: in lines above or below a table; without one they are asked about."""

import pytest

from pipeline.read.recognition.legends import legend


def rows(codes: str) -> str:
    return "".join(
        f"M1;O1;{day:02}.03.2026 06:10:00;{day:02}.03.2026 06:1{day % 9}:30;{code}\n"
        for day, code in enumerate(codes, start=5)
    )


HEAD = "Machine;Program;Start;End;{}\n"


@pytest.mark.parametrize(
    ("texts", "codes"),
    [
        ([("F = fertig, A = abgebrochen",)], {"F": "fertig", "A": "abgebrochen"}),
        ([("Result codes: C = complete; X = stopped early (by hand)",)], {"C": "complete", "X": "stopped early"}),
        ([("1: ended normally",), ("2 - aborted",)], {"1": "ended normally", "2": "aborted"}),
        ([("K", "completed"), ("B", "broken off")], {"K": "completed", "B": "broken off"}),
        ([("A = worn",), ("A = chipped",)], {}),
        ([("kody: 0=OK 1=przerwany",)], {"0": "OK", "1": "przerwany"}),
        ([("Stav: K - konec cyklu, P - přerušeno",)], {"K": "konec cyklu", "P": "přerušeno"}),
        ([("Codes : 1 = fin normale / 2 = interrompu",)], {"1": "fin normale", "2": "interrompu"}),
        ([("(1) fertig (2) abgebrochen",)], {"1": "fertig", "2": "abgebrochen"}),
        ([("Stato: 1 finito, 2 interrotto",)], {"1": "finito", "2": "interrotto"}),
        ([("“F” significa finalizado, “A” significa abortado",)], {"F": "finalizado", "A": "abortado"}),
        ([("F", "ciclo finito", "-"), ("I", "=", "ciclo interrotto")], {"F": "ciclo finito", "I": "ciclo interrotto"}),
        ([("Charge 4 gestartet, Teile vermessen",)], {}),
        ([("Cycle log of the week",), ("Machine", "M4 lathe")], {"Machine": "M4 lathe"}),
    ],
)
def test_pairs_of_a_code_and_its_meaning(texts: list[tuple[str, ...]], codes: dict[str, str]) -> None:
    assert legend(texts) == codes


@pytest.mark.parametrize("name", ["Result", "Code", "Erg", "Qq"])
def test_a_legend_below_the_table_explains_its_codes(read, name: str) -> None:
    text = HEAD.format(name) + rows("FFFFAFFFFFAFFFFF") + "\nF = fertig\nA = abgebrochen\n"
    whole = read(text)

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["outcome"].to_list() == [{"F": "complete", "A": "aborted"}[code] for code in "FFFFAFFFFFAFFFFF"]


@pytest.mark.parametrize("name", ["Result", "Qq"])
def test_codes_that_nothing_explains_are_asked_about(read, name: str) -> None:
    """Left out, broken-off cycles would count as complete."""
    whole = read(HEAD.format(name) + rows("FFFFAFFFFFAFFFFF"))
    assert whole.file.status == "needs a profile"
    assert name in whole.file.reason


def test_labels_above_their_values_name_the_machine(read) -> None:
    """The cell beside a label is no value where it is a label too."""
    lines = rows("1" * 12).replace("M1;", "")
    whole = read(f"Machine;Operator;Week\nHMC 2;-;10\n\nProgram;Start;End;Good\n{lines}")
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["machine"].unique().to_list() == ["HMC 2"]
