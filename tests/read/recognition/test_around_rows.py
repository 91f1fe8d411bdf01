"""Lines among and below the rows that are none: weeks that part them, signatures, legends."""

import polars as pl
import pytest

from pipeline.read.recognition.legends import legend
from pipeline.read.skipping import is_period, why_no_row


@pytest.mark.parametrize(
    "text",
    [
        "Week 12",
        "KW 12/2026",
        "KW7",
        "Kalenderwoche 12",
        "Semaine 12",
        "Sem. 12",
        "Semana nº 12",
        "Semana 12 de 2026",
        "Settimana 12",
        "Tydzień 12",
        "12. týden",
        "Vecka 12, 2026",
        "v. 12",
        "März 2026",
        "kwiecień",
        "maandag",
        "Montag, 16. März",
    ],
)
def test_a_line_that_says_a_time_of_the_calendar(text: str) -> None:
    assert is_period(text)


@pytest.mark.parametrize(
    "text", ["M2", "W12", "V12", "S2", "Mill 2", "Tour 2", "Lis 2", "Set 5", "Mai-2", "BAZ 5", "Seg 2"]
)
def test_what_may_be_a_machine_is_no_time_of_the_calendar(text: str) -> None:
    assert not is_period(text)


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("Esito: 0 = ciclo completato   3 = ciclo interrotto", {"0": "ciclo completato", "3": "ciclo interrotto"}),
        ("U=usure/C=casse/P = préventif", {"U": "usure", "C": "casse", "P": "préventif"}),
        ("1 = Verschleiß 2 = Bruch", {"1": "Verschleiß", "2": "Bruch"}),
        ("Kod: 1 = zużycie • 2 = złamanie", {"1": "zużycie", "2": "złamanie"}),
    ],
)
def test_codes_of_one_line_are_parted_by_blanks_or_marks(text: str, codes: dict[str, str]) -> None:
    assert legend([(text,)]) == codes


@pytest.mark.parametrize(
    "foot",
    ["Visa du chef d'atelier :;;;;", "Unterschrift:;JM;;;", "Week 12;;;;", "Result: 0 = done, 3 = broken off;;;;"],
)
def test_lines_at_the_foot_of_a_table_are_no_rows(read, foot: str) -> None:
    lines = "".join(f"{5 + n // 8:02}.03.2026;O1;{6 + n % 8}:10;{6 + n % 8}:52;{n % 2 * 3}\n" for n in range(24))
    head = "Tag;Programm;Beginn;Ende;Result\n"
    whole = read(f"Maschine: M4\n\n{head}{lines}\n{foot}\nResult: 0 = done, 3 = broken off\n")

    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height) == (24, 0)


FEET = ["Signed:", "Checked by:;JT;17.03.2026", "Reason: A = worn, B = chipped", "A;worn\nB;chipped"]


@pytest.mark.parametrize("foot", FEET)
@pytest.mark.parametrize("end", ["", "\n"])
def test_a_foot_is_none_of_the_rows_whether_its_line_ends_or_not(read, foot: str, end: str) -> None:
    codes = "AB" if "chipped" in foot else ["worn", "chipped"]
    rows = "".join(
        f"{n + 1:02}.03.2026;07:{n * 7 % 60:02};M{n % 2 + 1};T{n % 4};{codes[n % 3 % 2]};x\n" for n in range(24)
    )
    whole = read(f"Date;Time;Machine;Tool;Reason;Remarks\n{rows}\n{foot}{end}")

    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height) == (24, 0)
    assert set(whole.rows["reason"]) == {"worn", "chipped"}


def test_a_last_row_that_breaks_off_is_no_foot(read) -> None:
    rows = "".join(f"{n + 1:02}.03.2026;07:10;M1;T{n % 4};worn;x\n" for n in range(24))
    whole = read(f"Date;Time;Machine;Tool;Reason;Remarks\n{rows}25.03.2026;07:1")
    assert (whole.rows.height, whole.rejects.height) == (24, 1)


def test_a_row_without_its_date_is_rejected_whatever_its_note_says() -> None:
    rows = pl.DataFrame({"a": ["M1", None], "b": ["6:10:05", "F"], "c": ["offset = old", "= fertig"], "d": ["1", None]})
    assert why_no_row(rows).to_list() == [None, "remark line"]
