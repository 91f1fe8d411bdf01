"""Columns beside those of the fields: a hall beside the machine, the spindle's temperature, the only date of orders."""

import pytest

from pipeline.read.recognition.names import known_word
from pipeline.read.recognition.settling import _is_other_money


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("despostillado", "chipped"),
        ("se quebró", "broken"),
        ("lascamento", "chipped"),
        ("écorné", "chipped"),
        ("bris de plaquette", "broken"),
        ("abgenützt", "worn"),
        ("Schneidecke ausgebrochen", "chipped"),
        ("voorzien", "planned"),
        ("afgeschilferd", "chipped"),
        ("vyštíplé", "chipped"),
        ("scheggiate", "chipped"),
        ("złamał się", "broken"),
        ("kantskada", "chipped"),
        ("precautionary", "planned"),
    ],
)
def test_reasons_in_the_words_of_regions(text: str, meant: str) -> None:
    assert known_word("reason", text) == meant


@pytest.mark.parametrize(
    ("name", "currency", "other"),
    [
        ("Coût arête (DT)", "", False),
        ("Coût arête (DT)", "EUR", True),
        ("Custo aresta (R$)", "BRL", False),
        ("Costo filo (USD)", "MXN", True),
        ("Coût arête ($ HT)", "CAD", False),
        ("Kosten/Schneide (Fr.)", "CHF", False),
        ("Kosten (je Schneide)", "EUR", False),
        ("Kosten (Wendeplatte)", "EUR", True),
        ("Costo tagliente (min)", "", True),
    ],
)
def test_what_stands_in_brackets_behind_a_cost(name: str, currency: str, other: bool) -> None:
    assert _is_other_money(name, currency) is other


def cycles(head: str, before: list[str]) -> str:
    rows = (
        f"{before[n % len(before)]};16.03.2026 {6 + n // 5:02}:{n % 5 * 12:02}:00;"
        f"16.03.2026 {6 + n // 5:02}:{n % 5 * 12 + 9:02}:30;O12;1\n"
        for n in range(40)
    )
    return f"{head};Beginn;Ende;Programm;Gutteile\n{''.join(rows)}"


@pytest.mark.parametrize(
    ("before", "machines"),
    [
        (["Halle 2;M-0417"], {"M-0417"}),
        (["Linie A;M-1", "Linie A;M-2"], {"M-1", "M-2"}),
        (["BAZ 5;M-0417"], None),
        (["M-7;M-0417", "M-8;M-0418", "M-7;M-0418"], None),
    ],
)
def test_a_hall_is_no_machine_where_another_column_has_them(read, before: list[str], machines: set[str] | None) -> None:
    whole = read(cycles("Anlage;Maschine", before))
    if machines is None:
        assert whole.file.status == "needs a profile"
    else:
        assert whole.file.status == "loaded", whole.file.reason
        assert set(whole.rows["machine"]) == machines


@pytest.mark.parametrize(
    ("title", "machine"),
    [
        ("Cahier de la CN-16 (Machine : CN-16)", "CN-16"),
        ("Protokoll [Maschine: BAZ 5]", "BAZ 5"),
        ("Machine: M4 (hall 2)", "M4"),
    ],
)
def test_a_machine_beside_brackets_of_a_title(read, title: str, machine: str) -> None:
    whole = read(title + "\n\n" + cycles("Nr", ["x"]).replace("Nr;", "").replace("x;", ""))
    assert whole.file.status == "loaded", whole.file.reason
    assert set(whole.rows["machine"]) == {machine}


def changes(head: str, last: str) -> str:
    rows = "".join(
        f"16.03.2026 06:{n:02}:10;M1;T{n * 7 % 5};{n * 7 % 5 + 3};O12;{last.format(n * 37 % 11)}\n" for n in range(40)
    )
    return f"Time;Machine;Tool;Pocket;Program;{head}\n{rows}"


@pytest.mark.parametrize("head", ["temp_broche", "Spindellast %", "Coolant pressure (bar)"])
def test_a_measure_of_the_machine_beside_changes_of_tools(read, head: str) -> None:
    assert read(changes(head, "3{}.2")).file.status == "loaded"


@pytest.mark.parametrize("head", ["Length (mm)", "Tool temperature", "Diameter"])
def test_a_measure_of_the_tool_is_none_of_its_changes(read, head: str) -> None:
    assert read(changes(head, "3{}.2")).file.status == "needs a profile"


@pytest.mark.parametrize(
    ("title", "status"), [("RELACAO DE ORDENS DE PRODUCAO", "loaded"), ("RELACAO", "needs a profile")]
)
def test_the_only_date_of_what_a_title_calls_orders_is_theirs(read, title: str, status: str) -> None:
    rows = "".join(f"OP77{n:02};208-{n % 4:03};INOX304;{n % 7 + 5};{n + 1:02}/03/2026\n" for n in range(24))
    whole = read(f"{title}\n\nORDEM;PECA;MATERIAL;QTDE;EMISSAO\n{rows}")
    assert whole.file.status == status
    assert status != "loaded" or whole.rows["ordered_on"].null_count() == 0


@pytest.mark.parametrize("head", ["Retirado por", "Entnommen von", "Taken by", "Prélevé par", "Pobrał", "Hämtad av"])
def test_tools_that_somebody_took_from_a_store_are_no_changes(read, head: str) -> None:
    rows = "".join(
        f"{n // 3 + 1:02}.03.2026 {7 + n % 3 * 3:02}:10;F-{n % 2};{(5, 8, 6, 12)[n * 7 % 4]};{'ABC'[n * 5 % 3]}. T.\n"
        for n in range(26)
    )
    assert read(f"Time;Machine;Tool;{head}\n{rows}").file.status == "needs a profile"
