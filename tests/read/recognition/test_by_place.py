"""What the place of a column, its unit in front and the way its cells come again tell, where a name leaves it open.

Costs about three seconds of CPU.
"""

import polars as pl
import pytest

from pipeline.read.aligned import part_lines
from pipeline.read.rawtable import LINE, RAW, ROW, RawTable
from pipeline.read.recognition.assigning import SURE, assign, name_share
from pipeline.read.recognition.fitting import fit
from pipeline.read.recognition.names import read_name
from pipeline.read.recognition.sample import Column, Knowledge, Sample
from pipeline.read.recognition.standing_above import standing_above
from schemas.vocabulary import InputKind
from schemas.words import LANGUAGES

NOBODY = Knowledge()


@pytest.mark.parametrize(
    ("name", "concept", "unit"),
    [
        ("seg_cambio", None, "s"),
        ("Stunden Rüsten", "setup_time", "h"),
        ("segundos_ciclo", "cycle_time", "s"),
        ("kg_rohteil", "stock_mass", "kg"),
    ],
)
def test_a_unit_may_stand_in_front(name: str, concept: str | None, unit: str) -> None:
    reading = read_name(name)

    assert reading.unit == unit
    assert concept is None or reading.concepts[concept] >= 0.85


@pytest.mark.parametrize("name", ["min ciclo", "Min. Zyklus", "min_cycle", "Std setup", "s1", "Hours booked"])
def test_what_stands_in_front_may_be_the_least_or_the_standard(name: str) -> None:
    assert read_name(name).unit is None


TO_AND_FROM = {
    "en": ("tool_to", "tool_from"),
    "de": ("Werkzeug nach", "Werkzeug vor"),
    "fr": ("outil après", "outil avant"),
    "es": ("herramienta después", "herramienta antes"),
    "pt": ("ferramenta depois", "ferramenta antes"),
    "it": ("utensile dopo", "utensile prima"),
    "pl": ("narzędzie po", "narzędzie przed"),
    "nl": ("naar gereedschap", "gereedschap van"),
    "cs": ("nástroj po", "nástroj před"),
    "sv": ("verktyg_till", "verktyg_från"),
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_change_goes_from_a_tool_to_another(language: str) -> None:
    to, from_ = (read_name(name).concepts for name in TO_AND_FROM[language])

    assert to["tool"] >= SURE > to.get("previous_tool", 0.0)
    assert from_["previous_tool"] >= SURE > from_.get("tool", 0.0)


@pytest.mark.parametrize(
    ("cells", "lots"),
    [
        ([20, 10, 10, 20, 100, 10, 50, 10, 300, 20], True),
        ([1, 5, 1, 2, 5, 1, 10, 2, 1, 5], True),
        ([4711, 4712, 4713, 4714, 4715, 4716, 4717, 4718, 4719, 4720], False),  # numbers of lots
        ([2314, 2317, 2314, 2322, 2317, 2314, 2322, 2317, 2314, 2322], False),
        ([10, 20, 30, 40, 50, 60, 70, 80, 90, 100], False),  # operations
    ],
)
def test_sizes_of_lots_are_round_and_come_again(cells: list[int], lots: bool) -> None:
    column = Column("Lotto", pl.Series(map(str, cells)), None)
    found = fit("estimate", "quantity", column, NOBODY).share

    assert found is not None
    assert (found > 0.8) is lots


PROCESSES = {
    "en": ("Turning", "Milling", "Rough milling"),
    "de": ("Drehen", "Fräsen", "Schlichten"),
    "fr": ("Tournage", "Fraisage", "Perçage"),
    "es": ("Torneado", "Fresado", "Taladrado"),
    "pt": ("Torneamento", "Fresagem", "Furação"),
    "it": ("Tornitura", "Fresatura", "Foratura"),
    "pl": ("Toczenie", "Frezowanie", "Wiercenie"),
    "nl": ("Draaien", "Frezen", "Boren"),
    "cs": ("Soustružení", "Frézování", "Vrtání"),
    "sv": ("Svarvning", "Fräsning", "Borrning"),
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_kinds_of_machining_are_told_by_their_words(language: str) -> None:
    column = Column("?", pl.Series([*PROCESSES[language]] * 3), None)
    other = Column("?", pl.Series([*PROCESSES[language], "M4"] * 3), None)

    assert (fit("estimate", "operation_kind", column, NOBODY).share or 0.0) >= SURE
    assert (fit("estimate", "operation_kind", other, NOBODY).share or 0.0) < SURE


def carried(head: list[str], rows: list[list[str]]) -> list[str]:
    return list(standing_above(pl.DataFrame(rows, schema=head, orient="row"), {}).get("carried_down", []))


HEAD = ["Commessa", "Fase", "Programma", "Inizio", "Pezzi"]
TWO_ORDERS = [
    ["A1", "10", "P1", "06:00", "1"],
    ["", "", "P1", "06:10", "1"],
    ["", "", "P1", "06:20", "1"],
    ["A2", "20", "P2", "06:30", "1"],
    ["", "", "P2", "06:40", "1"],
    ["", "", "P2", "06:50", "1"],
]


def test_an_order_that_stands_once_is_of_the_rows_below_it() -> None:
    assert carried(HEAD, TWO_ORDERS) == ["Commessa", "Fase"]


@pytest.mark.parametrize(
    "change",
    [
        {2: ["", "", "P9", "06:20", "1"]},  # a row of another program is perhaps of no order
        {3: ["A1", "10", "P2", "06:30", "1"]},  # the same order again: the rows between were of none
        {0: ["", "", "P1", "06:00", "1"]},
        {4: ["A2", "", "P2", "06:40", "1"]},
    ],
)
def test_an_order_that_some_rows_lack_is_not_carried_down(change: dict[int, list[str]]) -> None:
    assert carried(HEAD, [change.get(at, row) for at, row in enumerate(TWO_ORDERS)]) == []


@pytest.mark.parametrize(
    "line",
    [
        "Montag, 23.02.2026",
        "Datum: 23.02.2026",
        "--- 23.02.2026 ---",
        "23.02.2026 Montag",
        "lundi 23 février 2026",
        "måndag den 23 februari 2026",
        "Dzień: 23.02.2026",
        "2026-02-23 (Mon)",
    ],
)
def test_a_day_heads_the_rows_below_it_in_aligned_text_too(line: str) -> None:
    names = ["Uhrzeit", "Wkz", "Platz", "Programm"]
    texts = [line, *(f"06:1{row}:04  T{row}       2{row}   %115" for row in range(4))]
    cells, broken = part_lines(pl.Series(texts), names, [(0, 8), (10, 13), (16, 21), (24, 32)])

    assert not broken.any()
    assert cells.row(0) == (line, "", "", "")
    assert cells.row(2) == ("06:11:04", "T1", "21", "%115")
    assert standing_above(cells, {})["headings"]["column"] == "Date"


@pytest.mark.parametrize("line", ["Serviced 23.02.2026 by Smith", "Fräser 23.02.2026", "Nr. 4711 23.02.2026"])
def test_a_day_beside_other_words_heads_nothing(line: str) -> None:
    lines = [[line, "", "", ""], *([f"06:1{row}:04", f"T{row}", "2", "%115"] for row in range(4))]
    cells = pl.DataFrame(lines, schema=["Uhrzeit", "Wkz", "Platz", "Programm"], orient="row")

    assert "headings" not in standing_above(cells, {})


def pocket_of(name: str, places: list[int]) -> float:
    """Return how surely a column beside tools 1, 4, 7 is of pockets."""
    rows = [
        [f"2026-03-02 06:{row * 2:02}:00", "M1", "O1", f"T{(1, 4, 7)[row % 3]}", str(places[row])] for row in range(12)
    ]
    names = ["Time", "Machine", "Program", "Tool", name]
    cells = pl.DataFrame(rows, schema=names, orient="row").with_columns(
        pl.int_range(1, 13).alias(ROW), pl.int_range(2, 14).alias(LINE), pl.lit("").alias(RAW)
    )
    found = assign("tool_change", Sample(names, RawTable(cells)), NOBODY).guesses
    return found["pocket"].confidence if "pocket" in found else 0.0


@pytest.mark.parametrize("name", ["Place", "Pozice", "Posición", "Miejsce", "Position", "Pos"])
def test_places_of_which_each_tool_has_its_own_are_pockets(name: str) -> None:
    assert pocket_of(name, [12, 3, 8] * 4) >= SURE


@pytest.mark.parametrize("places", [[12, 3, 8, 5] * 3, [5, 5, 8] * 4])  # two tools cannot stand in one place
def test_numbers_that_tools_share_or_change_are_no_pockets(places: list[int]) -> None:
    assert pocket_of("Miejsce", places) < SURE


@pytest.mark.parametrize(("place", "sure"), [("behind", True), ("apart", False)])
def test_a_number_just_behind_the_order_is_of_its_operation(place: str, sure: bool) -> None:
    names = ["order", "op", "prog"] if place == "behind" else ["order", "prog", "op"]
    row = {"order": "A-4711", "op": "2", "prog": "O1214"}
    cells = pl.DataFrame([[row[name] for name in names]] * 8, schema=names, orient="row").with_columns(
        pl.int_range(1, 9).alias(ROW), pl.int_range(2, 10).alias(LINE), pl.lit("").alias(RAW)
    )
    sample = Sample(names, RawTable(cells))
    column = next(column for column in sample.columns if column.name == "op")

    assert (name_share("cycle", "operation", column, sample) >= 0.8) is sure


@pytest.mark.parametrize(
    ("cells", "material"),
    [
        (["C45", "EN AW-6082", "1.4301"], True),
        (["42CrMo4", "11SMn30", "S355J2"], True),
        (["39NiCrMo3", "AISI 304", "C40"], True),
        (["CuZn39Pb3", "POM-C", "Ti6Al4V"], True),
        (["2017", "2024", "2025"], False),
        (["303", "304", "316"], False),
        (["A-300", "C45", "W-200"], False),
        (["T303", "T404", "T505"], False),
        (["C45", "C45", "C45"], False),
    ],
)
def test_materials_are_told_by_their_designations(cells: list[str], material: bool) -> None:
    share = fit("job", "material", Column("Calidad", pl.Series(cells * 3), None), NOBODY).share or 0.0

    assert (share >= SURE) is material


@pytest.mark.parametrize(
    ("cells", "sure"), [(["10", "20", "30"] * 4, True), ([f"{10 * row}" for row in range(1, 13)], False)]
)
def test_a_sequence_of_tens_that_come_again_is_of_operations(cells: list[str], sure: bool) -> None:
    frame = pl.DataFrame({"Seq": cells}).with_columns(
        pl.int_range(1, 13).alias(ROW), pl.int_range(2, 14).alias(LINE), pl.lit("").alias(RAW)
    )
    sample = Sample(["Seq"], RawTable(frame))

    assert (name_share("estimate", "operation", sample.columns[0], sample) >= 0.8) is sure


@pytest.mark.parametrize(
    ("name", "field", "beside", "alone", "paired"),
    [
        ("Produced", "parts", "Scrap", 0.5, 0.8),
        ("Producidas", "parts", "Rechazos", 0.5, 0.8),
        ("Good parts", "parts", "Scrap", 0.95, 0.95),
        ("Bruttogewicht (kg)", "stock_kg", "Nettogewicht (kg)", 0.7, 0.8),
    ],
)
def test_a_weak_name_is_surer_beside_its_counterpart(
    name: str, field: str, beside: str, alone: float, paired: float
) -> None:
    kind: InputKind = "cycle" if field == "parts" else "job"
    for names, expected in (([name], alone), ([name, beside], paired)):
        rows = [[str(row % 3 + 1)] * len(names) for row in range(12)]
        cells = pl.DataFrame(rows, schema=names, orient="row").with_columns(
            pl.int_range(1, 13).alias(ROW), pl.int_range(2, 14).alias(LINE), pl.lit("").alias(RAW)
        )
        sample = Sample(names, RawTable(cells))
        assert name_share(kind, field, sample.columns[0], sample) == pytest.approx(expected, abs=0.06)
