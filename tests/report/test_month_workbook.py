"""The workbook of a month: sums that are formulas and true, shares of sums, grey rows, harmless names."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from pipeline.report.month_total import month_total
from pipeline.report.month_workbook import FIRST_ROW, MonthFrames, write_month_workbook
from pipeline.report.restating import COLUMNS
from schemas import mart
from schemas.vocabulary import LOSSES, STATES

AT = datetime(2026, 4, 2, tzinfo=UTC)


def month_row(machine: str, planned_h: float, cutting_h: float, observed: float = 1.0, **more: Any) -> dict[str, Any]:
    """Make a month that cuts in planned time alone and is idle for the rest of what was observed."""
    planned_s, cutting_s = planned_h * 3600, cutting_h * 3600
    observed_s = planned_s * observed
    states = dict.fromkeys(STATES, 0.0)
    inside = {**states, "cutting": cutting_s, "idle": observed_s - cutting_s, "unobserved": planned_s - observed_s}
    whole = {**inside, "off_shift": 744 * 3600 - planned_s}
    row = {name: 0.0 if dtype.is_float() else 0 for name, dtype in mart.columns("utilisation_monthly").items()}
    return {
        **row,
        **{"machine": machine, "month": "2026-03", "basis": "measured", "low_coverage": observed < 0.8},
        **{"calendar_s": 744 * 3600.0, "planned_s": planned_s, "observed_planned_s": observed_s, "coverage": observed},
        **{f"{state}_s": seconds for state, seconds in whole.items()},
        **{f"{state}_planned_s": seconds for state, seconds in inside.items()},
        **{"spindle_utilisation": cutting_s / observed_s, "cycles": 10, "parts": 9, "scrap": 1},
        **{"frozen_at": AT, "restated": False, "standing": "frozen", **more},
    }


MACHINES = pl.DataFrame(
    [
        month_row("=M1", 160.0, 80.0),
        month_row("M2", 320.0, 40.0, observed=0.5, basis="estimated"),
        month_row("M9", 160.0, 160.0, standing="added later", restated=True),
    ]
)


def frames(restatements: pl.DataFrame) -> MonthFrames:
    losses = pl.DataFrame(
        [
            {
                **{"machine": machine, "loss": loss, "hours": 10.0, "share_of_planned": 0.1, "low_coverage": False},
                **{"cost": 580.0 if machine == "=M1" else None, "standing": standing},
            }
            for machine, standing in (("=M1", "frozen"), ("M2", "frozen"), ("M9", "added later"))
            for loss in LOSSES
        ]
    )
    return MonthFrames("2026-03", "=A shop", "EUR", 0.8, "Frozen on 2026-04-02.", MACHINES, losses, restatements)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "march.xlsx"


def test_totals_are_true_and_formulas(path: Path) -> None:
    """Sums of what was stated; shares are of the sums: 120 of 320 hours that were observed, no mean of shares."""
    write_month_workbook(frames(pl.DataFrame(schema=COLUMNS)), path)
    values, formulas = (openpyxl.load_workbook(path, data_only=only)["Machines"] for only in (True, False))

    heads = [cell.value for cell in values[FIRST_ROW]]
    line = {head: values[FIRST_ROW + 3][place].value for place, head in enumerate(heads)}
    sums = {head: formulas[FIRST_ROW + 3][place].value for place, head in enumerate(heads)}
    assert line["Machine"] == "All machines"
    assert line["Planned (h)"] == pytest.approx(480.0)
    assert line["Observed (h)"] == pytest.approx(320.0)
    assert line["Coverage (%)"] == pytest.approx(320 / 480)
    assert line["Spindle utilisation (%)"] == pytest.approx(120 / 320)
    assert (line["Cycles"], line["Parts"], line["Scrap"], line["Basis"]) == (20, 18, 2, "estimated")
    assert sums["Planned (h)"] == "=SUM(B6:B7)"
    assert sums["Spindle utilisation (%)"] == '=IF(C8=0,"",E8/C8)'
    assert [values.cell(row, 1).value for row in (6, 7)] == ["'=M1", "M2"]
    assert values.cell(9, 1).value is None


def test_rows_with_little_data_are_grey_and_say_so(path: Path) -> None:
    write_month_workbook(frames(pl.DataFrame(schema=COLUMNS)), path)
    sheet = openpyxl.load_workbook(path)["Machines"]

    colours = [sheet.cell(row, 2).font.color for row in (FIRST_ROW + 1, FIRST_ROW + 2)]
    assert colours[0] is None or colours[0].rgb != "FF6B737B"
    assert colours[1].rgb == "FF6B737B"
    assert "too little of the planned time was observed" in str(sheet.cell(FIRST_ROW + 5, 1).value)


def test_sheets(path: Path) -> None:
    """Losses add up, restatements have a sheet where there are any, and it says how to read it."""
    write_month_workbook(frames(pl.DataFrame(schema=COLUMNS)), path)
    assert openpyxl.load_workbook(path).sheetnames == ["Machines", "Losses", "How to read it", "Data"]

    told = {
        "month": "2026-03",
        "machine": "=M1",
        "figure": "cycles",
        "told": "10 -> 12 (+2)",
        "cause": "late.csv came in",
    }
    write_month_workbook(frames(pl.DataFrame([told], schema=COLUMNS)), path)
    book = openpyxl.load_workbook(path, data_only=True)

    assert [cell.value for cell in book["Restated"][FIRST_ROW + 1]] == [
        "'=M1",
        "cycles",
        "10 -> 12 (+2)",
        "late.csv came in",
    ]
    losses = book["Losses"]
    last = [cell.value for cell in losses[FIRST_ROW + 2 * len(LOSSES) + 1]]
    assert last == [
        "All machines",
        None,
        pytest.approx(10.0 * 2 * len(LOSSES)),
        None,
        pytest.approx(580.0 * len(LOSSES)),
    ]
    read = {row[0]: row[1] for row in book["How to read it"].iter_rows(values_only=True) if row[0]}
    assert read["This month"] == "Frozen on 2026-04-02."
    assert read["Availability, ISO 22400-2"] == "APT / PBT"
    assert book["Data"].max_row == 4
    assert book["Machines"]["A2"].value == "'=A shop"


def test_a_month_of_nothing() -> None:
    """No machine: no sum, no basis, nothing divided by nothing."""
    total = month_total(MACHINES.clear(), 0.8)

    assert (total["planned_s"], total["spindle_utilisation"], total["basis"]) == (0.0, None, None)
