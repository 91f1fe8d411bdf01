"""Reports as table, CSV, JSON and workbook: values, units in headings, and text that a spreadsheet must not run."""

import csv
import io
import json
import re
from datetime import UTC, date, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.report.output import as_csv, as_json, as_table, write_workbook

FRAME = pl.DataFrame(
    {
        "machine": ["M1", "=1+1"],
        "month": ["2026-03", "2026-04"],
        "planned_s": [7200.0, 3600.0],
        "coverage": [0.5, None],
        "shifted_at": [datetime(2026, 3, 29, 1, 0, tzinfo=UTC), None],
        "ordered_on": [date(2026, 1, 2), None],
    },
    schema_overrides={"shifted_at": pl.Datetime("us", "UTC")},
)


def test_table_names_units_and_aligns() -> None:
    """Long times are shown in hours and say so; shares are per cent; nothing known is empty."""
    lines = as_table(FRAME, "utilisation", "UTC").splitlines()

    assert lines[0].split() == ["machine", "month", "planned_h", "coverage"]
    assert lines[2].split() == ["M1", "2026-03", "2.0", "50.0%"]
    assert lines[3].split() == ["=1+1", "2026-04", "1.0"]


def test_table_shows_times_by_the_shops_clock() -> None:
    """Madrid's clock goes from 02:00 to 03:00 at that instant; the other formats keep UTC."""
    shown = as_table(FRAME.select("machine", "shifted_at"), "no report", "Europe/Madrid").splitlines()

    assert shown[2].split() == ["M1", "2026-03-29", "03:00"]
    assert as_csv(FRAME.select("shifted_at")).splitlines()[1].startswith("2026-03-29T01:00:00")


def test_table_of_nothing_is_a_header() -> None:
    """No rows: the header stands."""
    assert as_table(FRAME.head(0), "utilisation", "UTC").splitlines()[0].startswith("machine")


def test_json_is_plain() -> None:
    """Objects with column names; times in ISO 8601 UTC, nothing as null."""
    first, second = json.loads(as_json(FRAME))

    assert first["shifted_at"] == "2026-03-29T01:00:00Z"
    assert first["ordered_on"] == "2026-01-02"
    assert second["coverage"] is None


def test_csv_makes_formulas_harmless() -> None:
    """Text that starts like a formula gets an apostrophe; numbers stay numbers."""
    rows = list(csv.DictReader(io.StringIO(as_csv(FRAME))))

    assert rows[1]["machine"] == "'=1+1"
    assert rows[0]["planned_s"] == "7200.0"


@settings(max_examples=100, derandomize=True)
@given(st.text(max_size=20))
def test_no_text_cell_of_a_csv_starts_like_a_formula(text: str) -> None:
    """Whatever a job is called, a spreadsheet does not run it."""
    cells = next(csv.reader(io.StringIO(as_csv(pl.DataFrame({"a": [text]}))), strict=True), None)
    body = as_csv(pl.DataFrame({"a": [text]})).split("\n", 1)[1].lstrip('"')

    assert cells == ["a"]
    assert not body.startswith(("=", "+", "-", "@", "\t", "\r")) or re.fullmatch(r"[+-]\d[\d.,]*\n", body)
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", body)


def test_what_only_looks_like_a_formula_stays() -> None:
    """Numbers with a sign stay numbers, as numbers and as text; what a spreadsheet runs gets an apostrophe."""
    numbers = ["-12.5", "+4", "-1,234.5", "-1e3"]
    formulas = ["-2+3", "=1", " =1", "@sum(a1)", "\t=1", "+49 171", "\uff1d1"]
    text = [*numbers, *formulas, "\x1b[31m"]
    frame = pl.DataFrame({"value": text, "number": [-float(at) for at in range(len(text))]})

    rows = list(csv.DictReader(io.StringIO(as_csv(frame))))

    assert [row["value"] for row in rows] == [*numbers, *(f"'{cell}" for cell in formulas), "\ufffd[31m"]
    assert [float(row["number"]) for row in rows] == frame["number"].to_list()


def test_the_table_on_a_terminal_obeys_no_cell() -> None:
    """Escape sequences, marks that turn writing round and line ends in a name are shown, not carried out."""
    shown = as_table(pl.DataFrame({"machine": ["\x1b[2JM1", "M\u202e1", "M1\nM2 100 %"]}), "no report", "UTC")

    assert shown.splitlines()[2:] == ["\\u001b[2JM1", "M\\u202e1", "M1\\u000aM2 100 %"]


def test_json_has_no_numbers_that_json_does_not_know() -> None:
    """What is no number is nothing."""
    assert json.loads(as_json(pl.DataFrame({"a": [float("nan"), float("inf"), 1.5]})), parse_constant=pytest.fail) == [
        {"a": None},
        {"a": None},
        {"a": 1.5},
    ]


def test_workbook_keeps_text_as_text(tmp_path: Path) -> None:
    """A formula in a name is a string cell, and harmless once saved as CSV; times are dates of a spreadsheet."""
    path = tmp_path / "report.xlsx"
    write_workbook(FRAME, path, "utilisation")

    sheet = openpyxl.load_workbook(path).active
    header, first, second = list(sheet.iter_rows())
    columns = {cell.value: number for number, cell in enumerate(header)}
    assert second[columns["machine"]].value == "'=1+1"
    assert second[columns["machine"]].data_type == "s"
    assert first[columns["shifted_at"]].value == datetime(2026, 3, 29, 1, 0)  # noqa: DTZ001 (a spreadsheet knows no zones)
    assert first[columns["planned_s"]].value == pytest.approx(7200.0)
