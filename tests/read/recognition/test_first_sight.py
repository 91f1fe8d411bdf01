"""Exports that a person reads at first sight: what the words, the order of rows and the lines between them tell.

Costs about three seconds of CPU.
"""

import random
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.read.delimited import Layout, read_delimited
from pipeline.read.rawtable import LINE, RAW, ROW, RawTable
from pipeline.read.recognition.assigning import unsure
from pipeline.read.recognition.event_logs import has_states
from pipeline.read.recognition.names import known_word, read_name
from pipeline.read.recognition.sample import Sample
from pipeline.read.skipping import REMARK_LINE, TOTAL_LINE, why_no_row
from pipeline.read.text import TextBlock
from schemas.words import LANGUAGES

START = datetime(2026, 3, 16, 6, 2, 13, tzinfo=UTC)


def changes(head: str, cells: str, *, every_s: float = 200, rows: int = 20) -> str:
    drawn = random.Random(3)
    at, lines = START, [head]
    for row in range(rows):
        at += timedelta(seconds=int(every_s * drawn.uniform(0.4, 1.6)))
        values = {
            "at": f"{at:%d.%m.%Y %H:%M:%S}",
            "tool": (1, 4, 7, 12, 3)[row % 5],
            "lasts": f"{drawn.uniform(4.2, 8.9):.1f}",
            "program": f"O104{row // 10 % 3}",
            "size": f"{drawn.uniform(80, 140):.3f}",
            "many": f"{drawn.uniform(4000, 9000):.0f}",
        }
        lines.append(cells.format(**values))
    return "\n".join([*lines, ""])


@pytest.mark.parametrize("name", ["Change time", "Czas wymiany (s)", "Zzumpf (s)"])
def test_how_long_a_change_took_says_nothing_against_a_list_of_changes(read, name: str) -> None:
    whole = read(changes(f"Machine;Time;Program;Tool;{name}", "M1;{at};{program};T{tool};{lasts}"))
    assert whole.file.status == "loaded", whole.file.reason
    assert set(whole.rows["tool"]) == {"1", "3", "4", "7", "12"}


@pytest.mark.parametrize(("name", "cell"), [("Zzumpf (mm)", "{size}"), ("Zzumpf (s)", "{many}"), ("Zzumpf", "{lasts}")])
def test_what_is_no_length_of_a_change_still_speaks_against_it(read, name: str, cell: str) -> None:
    """Lengths of tools, and times that would run over the next rows."""
    whole = read(changes(f"Machine;Time;Program;Tool;{name}", f"M1;{{at}};{{program}};T{{tool}};{cell}"))
    assert whole.file.status == "needs a profile"


TOOL_CHANGED = {
    "en": "Tool change",
    "de": "Werkzeugwechsel",
    "fr": "Changement d'outil",
    "es": "Cambio de herramienta",
    "pt": "Troca de ferramenta",
    "it": "Cambio utensile",
    "pl": "Wymiana narzędzia",
    "nl": "Gereedschapswissel",
    "cs": "Výměna nástroje",
    "sv": "Verktygsbyte",
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_change_of_a_tool_may_be_the_tool(language: str) -> None:
    assert read_name(TOOL_CHANGED[language]).concepts["tool_changed"] >= 0.75


@pytest.mark.parametrize("cell", ["T{tool}", "{tool}"])
def test_tools_that_come_again_and_again_stand_under_the_change(read, cell: str) -> None:
    whole = read(changes("Data e ora;Macchina;Programma;Cambio utensile", f"{{at}};M1;{{program}};{cell}"))
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["tool"][:3].to_list() == ["1", "4", "7"]


def test_a_count_of_tool_changes_is_no_tool(read) -> None:
    rows = "".join(f"{START + timedelta(hours=n):%d.%m.%Y %H:%M:%S};M1;{5 + n // 7 % 3}\n" for n in range(40))
    whole = read(f"Data e ora;Macchina;Cambi utensile\n{rows}")
    assert whole.file.status == "needs a profile"


STATE_BEGAN = {
    "en": "State start",
    "de": "Beginn Zustand",
    "fr": "Début état",
    "es": "Inicio estado",
    "pt": "Início estado",
    "it": "Inizio stato",
    "pl": "Początek stanu",
    "nl": "Begin status",
    "cs": "Začátek stavu",
    "sv": "Start tillstånd",
}
HOURS = {
    "en": "Start (h)",
    "de": "Beginn (Std.)",
    "fr": "Début (h)",
    "es": "Inicio (h)",
    "pt": "Início (h)",
    "it": "Inizio (ore)",
    "pl": "Początek (godz.)",
    "nl": "Begin (uur)",
    "cs": "Začátek (hod.)",
    "sv": "Start (tim)",
}
DONE = {
    "en": ("Done", "completed"),
    "de": ("Fertig", "beendet"),
    "fr": ("Terminé", "terminée"),
    "es": ("Terminado", "finalizado"),
    "pt": ("Concluído", "terminado"),
    "it": ("Finito", "completato"),
    "pl": ("Zakończono", "zakończony"),
    "nl": ("Voltooid", "beëindigd"),
    "cs": ("Dokončeno", "dokončen"),
    "sv": ("Avslutad", "färdig"),
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_when_a_state_began_and_at_which_hour(language: str) -> None:
    assert read_name(STATE_BEGAN[language]).concepts["started"] >= 0.9
    hour = read_name(HOURS[language])
    assert hour.concepts["started"] >= 0.9
    assert (hour.part, hour.unit) == ("time of day", None)
    assert all(known_word("done", word) for word in DONE[language])


@pytest.mark.parametrize(("minutes", "status"), [((2, 17, 41), "loaded"), ((0, 25, 50), "needs a profile")])
def test_hours_with_a_point_are_a_clock_unless_they_are_quarters(read, minutes: tuple[int, ...], status: str) -> None:
    lines = [
        f"{16 + hour // 9}.03.2026;M1;O104{hour % 3};{6 + hour % 9}.{minutes[hour % 3]:02d};{6 + hour % 9}.{last};1"
        for hour in range(27)
        for last in (["50", "50", "75"] if status != "loaded" else ["13", "37", "55"])[hour % 3 : hour % 3 + 1]
    ]
    whole = read("\n".join(["Data;Maszyna;Program;Początek (godz.);Koniec (godz.);Sztuki", *lines, ""]))
    assert whole.file.status == status, whole.file.reason
    assert whole.file.reason == "" or whole.file.reason.endswith(".")
    if status == "loaded":
        assert str(whole.rows["started_at"][1].time()) == "07:17:00"


def states(words: list[str]) -> Sample:
    cells = pl.DataFrame({ROW: range(len(words)), LINE: range(len(words)), RAW: words, "Status": words})
    return Sample(["Status"], RawTable(cells))


@pytest.mark.parametrize("language", LANGUAGES)
def test_done_behind_each_run_is_a_state_and_in_a_list_of_runs_an_outcome(language: str) -> None:
    done = DONE[language][0]
    assert has_states(states(["Running", done, "Ready"] * 8))
    assert has_states(states((["Running", done, "Ready"] * 8)[::-1]))
    assert not has_states(states(["Aborted", *[done] * 4, "Aborted", *[done] * 9, "Running"]))
    assert not has_states(states(["Running", *[done] * 9] * 3))


def test_remarks_and_totals_are_no_rows_and_broken_rows_are() -> None:
    columns = ["Machine", "Program", "Start", "Parts"]
    full = ["Mill", "O1040", "06:02", "1"]
    lines = {
        "taller cerrado": REMARK_LINE,
        "holiday": REMARK_LINE,
        "Urlaub!": REMARK_LINE,
        "Summa 1410 st": TOTAL_LINE,
        "Mill": None,  # a row that lacks all but its machine
        "M4": None,
        "O1040": None,
        "ok": None,
    }
    rows = [full, *([text, None, None, None] for text in lines)]
    cells = pl.DataFrame(dict(zip(columns, zip(*rows, strict=True), strict=True)))
    assert why_no_row(cells)[1:].to_list() == list(lines.values())


@pytest.mark.parametrize(
    ("last", "why", "rejects"),
    [
        (b"Summa 1410 st", [TOTAL_LINE], 0),  # no line end behind it
        (b"Summa;1410;st;3;runs;7\n", [TOTAL_LINE], 0),  # more cells than the head
        (b"M1;O104", [], 1),
        (b"M1;O1040;06:02;1;2;3\n", [], 1),
    ],
)
def test_a_total_that_is_no_whole_row_is_skipped_and_a_broken_row_is_not(last: bytes, why: list[str], rejects: int):
    data = b"M1;O1040;06:02;1\nM1;O1041;06:20;1\n" + last
    block = TextBlock(data, 2, terminated=data.endswith(b"\n"))
    [table] = read_delimited([block], Layout(";", 1, ["Machine", "Program", "Start", "Parts"]))
    assert table.cells.height == 2
    assert table.skipped["why"].to_list() == why
    assert table.rejects.height == rejects


def test_remarks_among_rows_do_not_hide_days_without_a_year(read) -> None:
    rows = [f"{16 + n // 9}/3;O104{n % 3};{6 + n % 9:02d}:02:11;{6 + n % 9:02d}:41:52;1" for n in range(27)]
    lines = [*rows[:5], "machine cleaned;;;;", *rows[5:12], "holiday;;;;", *rows[12:]]
    whole = read("\n".join(["Cycle list March 2026 - Machine F2", "", "Date;Program;Start;End;Parts", *lines, ""]))
    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height) == (27, 0)
    assert whole.skipped["why"].to_list().count(REMARK_LINE) == 2


@pytest.mark.parametrize("word", ["klar", "M30"])
def test_a_status_that_is_the_same_good_end_in_every_row_is_an_outcome(read, word: str) -> None:
    """Some of these words are states of a program too, and a state that never changes tells nothing."""
    starts = [START + timedelta(minutes=17 * n) for n in range(20)]
    rows = "".join(f"M1;O1040;{at:%F %T};{at + timedelta(minutes=15):%F %T};{word}\n" for at in starts)
    whole = read(f"Machine;Program;Start;End;Status\n{rows}")
    assert whole.file.status == "loaded", whole.file.reason
    assert set(whole.rows["outcome"]) == {"complete"}


@pytest.mark.parametrize(("share", "told"), [(0.8999, "0.89"), (0.896, "0.89"), (0.8, "0.80"), (0.304, "0.30")])
def test_a_figure_that_was_not_enough_is_rounded_down(share: float, told: str) -> None:
    assert unsure(share) == told


LENGTHS_S = {"O1040": 320, "O1041": 610, "O1042": 180, "O1043": 900}


def unnamed(cells: str, *, alike: bool = True, stops: bool = False) -> str:
    """Rows of two machines under no head; `alike` runs take as long as others of their program."""
    drawn = random.Random(5)
    lines = []
    for machine in ("M1", "M2"):
        at = START
        for row in range(24):
            program = f"O104{row // 3 % 4}"
            usual = LENGTHS_S[program] if alike else drawn.randint(200, 900)
            end = at + timedelta(seconds=int(usual * drawn.uniform(0.95, 1.08)))
            after = end + timedelta(seconds=drawn.randint(20, 60))
            first, last = (end, after) if stops else (at, end)
            lines.append(cells.format(machine=machine, program=program, at=f"{first:%F %T}", end=f"{last:%F %T}"))
            at = after
    return "\n".join([*lines, ""])


KNOWN = {"programs": frozenset(LENGTHS_S), "machines_seen": frozenset({"m1", "m2"})}


@pytest.mark.parametrize("cells", ["{machine};{program};{at};{end};1", "{at};{end};{machine};{program}"])
def test_rows_under_no_head_are_told_by_machines_programs_and_lengths_that_are_known(read, cells: str) -> None:
    assert read(unnamed(cells)).file.status == "needs a profile"
    whole = read(unnamed(cells), **KNOWN)
    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, set(whole.rows["machine"])) == (48, {"M1", "M2"})


@pytest.mark.parametrize("odd", [{"alike": False}, {"stops": True}])
def test_rows_under_no_head_may_be_stops_or_bookings(read, odd: dict[str, bool]) -> None:
    whole = read(unnamed("{machine};{program};{at};{end}", **odd), **KNOWN)
    assert whole.file.status == "needs a profile"
