"""What lines above a table say of all of its rows: the job, the program, the material of a sheet for one job."""

import polars as pl
import pytest

from pipeline.read.recognition.said_above import said_above, says_fields
from pipeline.read.recognition.sums import are_sums


def said(kind: str, *lines: tuple[str, ...]) -> dict[str, list[str]]:
    return {name: [one.value for one in told] for name, told in said_above(kind, lines).items()}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ([("Kalkulation", "Auftrag", "26-0417"), ("Programm", "O4170")], {"job": ["26-0417"], "program": ["O4170"]}),
        ([("OF", "OF-5110", "Matière", "42CrMo4")], {"job": ["OF-5110"], "material": ["42CrMo4"]}),
        ([("Auftrag: 26-0417  Werkstoff: 1.4301",)], {"job": ["26-0417"], "material": ["1.4301"]}),
        ([("Arbeitsplan Fertigungsauftrag 500119",)], {"job": ["500119"]}),
        ([("Ordre de fabrication n° 5110 - Programme P51110",)], {"job": ["5110"], "program": ["P51110"]}),
        ([("Orden de trabajo:", "OT-889", "Material:", "AISI 1045")], {"job": ["OT-889"], "material": ["AISI 1045"]}),
        ([("Ordem de produção: OP7700",), ("Máquina: CU-3",)], {"job": ["OP7700"], "machine": ["CU-3"]}),
        ([("Ciclo di lavoro commessa 24/118",)], {"job": ["24/118"]}),
        ([("Zlecenie: ZL-204", "Materiał: S355")], {"job": ["ZL-204"], "material": ["S355"]}),
        ([("Order", "24-118"), ("Programma", "P118.NC")], {"job": ["24-118"], "program": ["P118.NC"]}),
        ([("Kalkulace zakázka 24-118 (deska)",)], {}),
        ([("Kalkulace", "Zakázka: 24-118 (deska)")], {"job": ["24-118"]}),
        ([("Arbetsorder 24118 - Program O118",)], {"job": ["24118"], "program": ["O118"]}),
        (
            [("Job", "Program", "Qty"), ("WO-5110", "O5110", "25")],
            {"job": ["WO-5110"], "program": ["O5110"], "quantity": ["25"]},
        ),
        ([("Gammes (OF : 5110)",), ("OF : 5111",)], {"job": ["5110", "5111"]}),
        ([("AFO: 20",), ("Losgröße: 25 Stk",)], {"operation": ["20"], "quantity": ["25"]}),
    ],
)
def test_labels_and_values_of_an_estimate(lines: list[tuple[str, ...]], told: dict[str, list[str]]) -> None:
    assert said("estimate", *lines) == told


@pytest.mark.parametrize(
    "line",
    [
        ("Auftrag: alle",),
        ("Aufträge 2026",),
        ("Auftrag 4711 bis 4720",),
        ("Auftrag: 4711, 4712",),
        ("Auftrag", "4711", "4712"),
        ("Auftrag 1/3",),
        ("Auftrag vom 12.03.2026",),
        ("Auftrag: KW 12",),
        ("Auftragsdatum: 12.03.2026",),
        ("Programm: Kalkulator 2.1",),
        ("Programmierer: M. Huber",),
        ("Kunde: 4711",),
        ("Order by: date",),
        ("Rev. 3",),
    ],
)
def test_a_line_that_says_no_single_value_says_nothing(line: tuple[str, ...]) -> None:
    assert said("estimate", line) == {}


def test_a_line_of_labels_and_values_is_no_head() -> None:
    assert says_fields(("OF : OF-5111", "Matière : 316L", "Quantité : 4"))
    assert says_fields(("OF", "OF-5110", "Matière", "42CrMo4"))
    assert not says_fields(("Phase", "Programme", "Machine", "Outil"))


HEAD = "AFO;T-Nr.;Hauptzeit [min];Nebenzeit [min];Rüstzeit [min]\n"
ROWS = "10;11;1,13;0,62;20\n10;19;3,93;0,52;\n20;7;3,23;0,5;25\n20;12;0,83;0,43;\n30;5;0,98;0,22;10\n"


def test_blocks_of_an_estimate_are_each_of_their_own_job(read) -> None:
    whole = read(f"Kalkulation\nAuftrag;26-0417\n{HEAD}{ROWS}\nAuftrag;26-0418\n{HEAD}{ROWS}")
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["job"].to_list() == ["26-0417"] * 5 + ["26-0418"] * 5
    assert "job = 26-0418 (a line above)" in whole.notes[-1]


@pytest.mark.parametrize("line", ["Auftrag: 26-0418", "Auftrag;26-0418", f"Auftrag;26-0418\n{HEAD.strip()}"])
def test_a_line_among_the_rows_says_the_job_of_those_below_it(read, line: str) -> None:
    whole = read(f"Kalkulation\nAuftrag: 26-0417\n\n{HEAD}{ROWS}{line}\n{ROWS}")
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["job"].to_list() == ["26-0417"] * 5 + ["26-0418"] * 5
    assert (whole.rejects.height, whole.rows_read) == (0, 10)


@pytest.mark.parametrize("line", ["Auftrag: 26-0418  Werkstoff: C45", "Programm: O12"])
def test_a_line_among_the_rows_that_says_more_is_asked_about(read, line: str) -> None:
    whole = read(f"Kalkulation\nAuftrag: 26-0417\n\n{HEAD}{ROWS}{line}\n{ROWS}")
    assert whole.file.status == "needs a profile"
    assert "the rows below it may be of that" in whole.file.reason


def test_a_total_in_a_column_of_names_is_skipped_where_it_is_the_sum(read) -> None:
    title = "Kalkulation;Auftrag: 26-0417\n\n"
    whole = read(f"{title}{HEAD}{ROWS}Summe;;10,1;2,3;\n")
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows.height == 5
    assert read(f"{title}{HEAD}{ROWS}Summe;;7,1;1,1;\n").file.status == "needs a profile"


@pytest.mark.parametrize(
    ("value", "shown"), [(6.0, True), (2.0, True), (5.0, False), (None, False)], ids=["sum", "mean", "other", "none"]
)
def test_a_sum_is_that_of_the_rows_above(value: float | None, shown: bool) -> None:
    called = pl.Series([False, False, False, True])
    assert are_sums(called, [pl.Series([1.0, 2.0, 3.0, value])]) is shown


def test_runs_of_one_program_are_cycles_where_the_title_or_counts_say_so(read) -> None:
    rows = "".join(f"16.03.2026 {6 + n}:1{n % 9}:00;16.03.2026 {6 + n}:52:30;1\n" for n in range(14))
    above = "Maschine: M4\nProgramm: O1234\nAuftrag: 4711\n\n"
    cycles = read(f"{above}Beginn;Ende;Gutteile\n{rows}")
    assert cycles.file.status == "loaded", cycles.file.reason
    assert cycles.rows.select("program", "job").unique().rows() == [("O1234", "4711")]
    assert read(f"{above}Beginn;Ende;Bemerkung\n{rows}").file.status == "needs a profile"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("OP: 4711", {"job": ["4711"]}),
        ("OP: 20", {"operation": ["20"]}),
        ("OP: 123", {}),
        ("O.T.: 4455", {"job": ["4455"]}),
        ("OS: 4410", {"job": ["4410"]}),
        ("Arbeitsgang: 3", {"operation": ["3"]}),
    ],
)
def test_signs_of_an_order_here_and_of_an_operation_there_are_told_by_the_value(
    line: str, told: dict[str, list[str]]
) -> None:
    assert said("estimate", (line,)) == told
