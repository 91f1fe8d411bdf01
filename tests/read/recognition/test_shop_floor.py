"""Exports as shops have them: flags of a running cycle, pauses, loaded tools, orders with their operation, objects."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.read.recognition.writing import profile_text

START = datetime(2026, 3, 16, 6, tzinfo=UTC)


def at(seconds: int) -> str:
    return f"{START + timedelta(seconds=seconds):%d.%m.%Y %H:%M:%S}"


@pytest.mark.parametrize(
    ("name", "yes", "no"),
    [("In cycle", "1", "0"), ("running", "true", "false"), ("läuft", "ja", "nein"), ("Cycle en cours", "oui", "non")],
)
def test_a_flag_of_a_running_cycle_is_its_execution(read, name: str, yes: str, no: str) -> None:
    rows = "".join(f"{at(60 * n)};M1;{yes if n % 7 else no};{n}\n" for n in range(40))
    whole = read(f"Time;Machine;{name};Part count\n{rows}")

    assert whole.file.status == "loaded", whole.file.reason
    executions = [row["value"] for row in whole.rows.to_dicts() if row["item"] == "Execution"]
    assert executions[:3] == ["READY", "ACTIVE", "ACTIVE"]


def states(words: list[str], head: str = "Machine;Time;Status") -> str:
    return f"{head}\n" + "".join(f"M1;{at(90 * n)};{words[n % len(words)]}\n" for n in range(40))


@pytest.mark.parametrize(
    "words", [["running", "pause", "running", "ready"], ["läuft", "Pause", "gestoppt"], ["en ciclo", "pausa", "listo"]]
)
def test_a_pause_beside_words_of_a_control_is_a_hold(read, words: list[str]) -> None:
    whole = read(states(words))
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["value"][1] == "FEED_HOLD"


@pytest.mark.parametrize("words", [["Produktion", "Pause", "Stillstand"], ["läuft", "Rüsten", "Pause", "gestoppt"]])
def test_a_pause_among_bookings_may_be_people_who_rest(read, words: list[str]) -> None:
    whole = read(states(words))
    assert whole.file.status == "needs a profile"
    assert '"Pause"' in whole.file.reason
    assert "READY where people rest" in whole.file.reason


def tools(numbers: list[int], name: str) -> str:
    return f"Machine;Time;{name}\n" + "".join(f"M1;{at(70 * n)};T{tool}\n" for n, tool in enumerate(numbers))


@pytest.mark.parametrize("name", ["Tool loaded", "Werkzeug eingewechselt", "Outil chargé", "Herramienta cargada"])
def test_a_log_of_a_tool_changer_and_a_loaded_magazine(read, name: str) -> None:
    """Programs call their tools again; of a magazine that is loaded none comes twice."""
    changes = read(tools([1, 4, 7, 2, 9] * 8, name))
    assert changes.file.status == "loaded", changes.file.reason
    assert set(changes.rows["tool"]) == {"1", "2", "4", "7", "9"}
    assert read(tools(list(range(1, 31)), name)).file.status == "needs a profile"


def test_an_order_with_its_operation_is_parted(read) -> None:
    rows = "".join(f"M1;A-26-{n // 8}/00{n % 3 + 1}0;O1;{at(600 * n)};{at(600 * n + 400)};1\n" for n in range(30))
    whole = read(f"Machine;Order/Op;Program;Start;End;Good\n{rows}")

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["job"][0] == "A-26-0"
    assert whole.rows["operation"].to_list()[:3] == ["0010", "0020", "0030"]


def test_objects_in_objects_are_columns(read) -> None:
    lines = [
        json.dumps({"machine": {"id": "M1"}, "cycle": {"program": f"O{n % 3}001", "start": s, "end": e}, "deep": {}})
        for n in range(30)
        for s, e in [tuple(f"{START + timedelta(seconds=600 * n + more):%Y-%m-%dT%H:%M:%SZ}" for more in (0, 400))]
    ]
    whole = read("\n".join(lines) + "\n", name="log.jsonl")

    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["machine"].unique().to_list() == ["M1"]
    assert whole.rows["program"].to_list()[:2] == ["O0001", "O1001"]


@pytest.mark.parametrize(("name", "codes"), [("RC", "0003000400003000"), ("Kz", "EEEEREEEEEREEEEE")])
def test_codes_under_a_name_that_nobody_knows_are_asked_about(read, name: str, codes: str) -> None:
    rows = "".join(f"M1;O1;{at(600 * n)};{at(600 * n + 400)};{code}\n" for n, code in enumerate(codes))
    whole = read(f"Machine;Program;Start;End;{name}\n{rows}")
    assert whole.file.status == "needs a profile"
    assert f'"{name}"' in whole.file.reason


def grouped(rows: list[tuple[str, str, str, str]]) -> str:
    """Return a sheet in which a machine and a day stand once, in the first row of their group."""
    lines, before = ["Maschine;Datum;Programm;Beginn;Ende;Gut"], ("", "")
    for machine, day, start, end in rows:
        shown = (machine if machine != before[0] else "", day if (machine, day) != before else "")
        lines.append(f"{shown[0]};{shown[1]};O1;{start};{end};1")
        before = (machine, day)
    return "\n".join([*lines, "Summe;;;;;24"]) + "\n"


def test_a_day_and_a_machine_that_stand_once_hold_for_their_group(read) -> None:
    rows = [
        (machine, day, f"{hour:02}:10", f"{hour:02}:50")
        for machine in ("BAZ 1", "BAZ 2")
        for day in ("16.03.2026", "17.03.2026")
        for hour in range(6, 12)
    ]
    whole = read(grouped(rows))

    assert whole.file.status == "loaded", whole.file.reason
    found = [(row["machine"], f"{row['started_at']:%d.%m.%Y %H:%M}") for row in whole.rows.to_dicts()]
    assert found == [(machine, f"{day} {start}") for machine, day, start, _ in rows]
    again = read(grouped(rows), profile=profile_text(whole.file.proposal))
    assert again.rows.equals(whole.rows)


def test_an_empty_machine_here_and_there_is_a_missing_one(read) -> None:
    rows = "".join(f"{'M1' if n % 12 else ''};O1;{at(600 * n)};{at(600 * n + 400)};1\n" for n in range(1, 40))
    whole = read(f"Machine;Program;Start;End;Good\n{rows}")
    assert (whole.rows.height, whole.rejects["row_number"].n_unique()) == (36, 3)


def test_a_line_that_ends_with_a_word_for_a_total_is_one(read) -> None:
    lines = [
        line
        for job in range(5)
        for line in [*(f"J{job};10;T{tool};{30 + tool};6" for tool in range(1, 5)), f"J{job} total;;;{130};24"]
    ]
    whole = read("Job;Op;Tool;Cut (s);Non-cut (s)\n" + "\n".join(lines) + "\n")
    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height, whole.skipped["why"].to_list()) == (20, 0, ["total line"] * 5)


def test_parts_that_count_on_in_a_log_of_signals_are_its_counter(read) -> None:
    rows = "".join(f"{at(30 * n)};M1;{('ACTIVE', 'READY')[n % 5 == 0]};{n // 5}\n" for n in range(60))
    whole = read(f"Time;Machine;Status;Parts\n{rows}")
    assert whole.file.status == "loaded", whole.file.reason
    assert set(whole.rows["item"]) == {"Execution", "PartCount"}


@pytest.mark.parametrize(("name", "words"), [("Prüfung", ["Bruchkontrolle"]), ("Result", ["OK", "OK", "NOK"])])
def test_checks_of_tools_are_no_changes(read, name: str, words: list[str]) -> None:
    tools = [1, 4, 7, 2, 9, 4]
    rows = "".join(f"{at(70 * n)};M1;T{tools[n % 6]};{words[n // 4 % len(words)]}\n" for n in range(40))
    whole = read(f"Time;Machine;Tool;{name}\n{rows}")
    assert whole.file.status == "needs a profile"
    assert f'"{name}" may be of checks' in whole.file.reason


@pytest.mark.parametrize(
    "name", ["Requested date", "Date demandée", "Fecha requerida", "Data richiesta", "Wunschdatum"]
)
def test_the_day_that_a_customer_wants_is_not_that_of_the_order(read, name: str) -> None:
    rows = "".join(f"A{n};P{n};{5 + n};2026-02-{1 + n:02};2026-04-{1 + n:02}\n" for n in range(20))
    whole = read(f"Order;Part;Quantity;Order date;{name}\n{rows}")
    assert whole.file.status == "loaded", whole.file.reason
    assert {day.month for day in whole.rows["ordered_on"].to_list()} == {2}


def test_cancelled_orders_are_asked_about(read) -> None:
    rows = "".join(f"A{n};P{n};{5 + n};2026-02-{1 + n:02};{('open', 'cancelled')[n % 4 == 0]}\n" for n in range(20))
    whole = read(f"Order;Part;Quantity;Order date;Status\n{rows}")
    assert whole.file.status == "needs a profile"
    assert "cancelled" in whole.file.reason
