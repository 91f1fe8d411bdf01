"""Exports as shops have them: flags of a running cycle, pauses, loaded tools, orders with their operation, objects."""

import json
from datetime import UTC, datetime, timedelta

import pytest

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
