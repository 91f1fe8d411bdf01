"""A month as a workbook for the person who prices work: machines, losses, what was restated, how to read it, all data.

Sums are formulas, so that a row can be taken out or a rate tried; it fetches nothing.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.printable import one_line
from pipeline.report.month_total import in_statement, month_total
from pipeline.report.month_words import HOW_TO_READ, NO_STATEMENT, formulas
from pipeline.report.output import harmless
from pipeline.report.restating import figure_name
from schemas.vocabulary import LOSSES

OPTIONS: Final = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "in_memory": True,
}
FIRST_ROW: Final = 5
"""The first row of machines, counted from 0: above it stand title, shop, standing and heads."""


@dataclass(frozen=True)
class MonthFrames:
    """All that a month's workbook is made of; frozen figures stand as they were stated."""

    month: str
    shop_name: str
    currency: str
    least_coverage: float
    standing: str
    machines: pl.DataFrame
    losses: pl.DataFrame
    restatements: pl.DataFrame


@dataclass(frozen=True)
class _Column:
    """A column of the sheet of machines: a figure in hours, a count, a share, or text."""

    head: str
    figure: str
    form: str = "hours"
    share_of: tuple[str, str] | None = None
    """The two figures of whose sums the total is the quotient."""


_COLUMNS: Final = (
    _Column("Machine", "machine", "text"),
    _Column("Planned (h)", "planned_s"),
    _Column("Observed (h)", "observed_planned_s"),
    _Column("Coverage (%)", "coverage", "share", ("observed_planned_s", "planned_s")),
    _Column("Cutting (h)", "cutting_planned_s"),
    _Column("In cycle, not cutting (h)", "noncutting_planned_s"),
    _Column("Held (h)", "held_planned_s"),
    _Column("Faulted (h)", "faulted_planned_s"),
    _Column("Setup (h)", "setup_planned_s"),
    _Column("Idle (h)", "idle_planned_s"),
    _Column("No data (h)", "unobserved_planned_s"),
    _Column("Spindle utilisation (%)", "spindle_utilisation", "share", ("cutting_planned_s", "observed_planned_s")),
    _Column("Availability (%)", "availability", "share"),
    _Column("Utilization efficiency (%)", "utilization_efficiency", "share"),
    _Column("Technical efficiency (%)", "technical_efficiency", "share"),
    _Column("Setup rate (%)", "setup_rate", "share"),
    _Column("OEE index (%)", "oee_index", "share"),
    _Column("Cutting, all hours (h)", "cutting_s"),
    _Column("Overtime, in cycle (h)", "overtime_s"),
    _Column("Lights-out, in cycle (h)", "lights_out_s"),
    _Column("Cycles", "cycles", "count"),
    _Column("Parts", "parts", "count"),
    _Column("Scrap", "scrap", "count"),
    _Column("Basis", "basis", "text"),
    _Column("Standing", "standing", "text"),
)


def write_month_workbook(frames: MonthFrames, path: Path) -> None:
    """Write the workbook of a month."""
    import xlsxwriter

    frames = replace(
        frames,
        shop_name=harmless(pl.DataFrame({"name": [frames.shop_name]}))["name"][0],
        machines=harmless(frames.machines),
        losses=harmless(frames.losses),
        restatements=harmless(frames.restatements),
    )
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, OPTIONS) as workbook:
        forms = _forms(workbook)
        _machines(workbook.add_worksheet("Machines"), forms, frames)
        _losses(workbook.add_worksheet("Losses"), forms, frames)
        if not frames.restatements.is_empty():
            _restated(workbook.add_worksheet("Restated"), forms, frames)
        _how_to_read(workbook.add_worksheet("How to read it"), forms, frames)
        times = pl.selectors.datetime()
        data = frames.machines.with_columns(times.dt.replace_time_zone(None))
        data.write_excel(workbook, worksheet="Data", autofit=True, freeze_panes=(1, 0))
    path.write_bytes(buffer.getvalue())


def _forms(workbook: Any) -> dict[str, Any]:
    numbers = {"hours": "#,##0.0", "share": "0.0%", "count": "#,##0", "money": "#,##0.00", "text": "@"}
    forms = {name: workbook.add_format({"num_format": number}) for name, number in numbers.items()}
    sums = {"bold": True, "top": 1}
    forms |= {f"{name} sum": workbook.add_format({"num_format": n, **sums}) for name, n in numbers.items()}
    grey = {"font_color": "#6b737b", "italic": True}
    forms |= {f"{name} grey": workbook.add_format({"num_format": n, **grey}) for name, n in numbers.items()}
    forms |= {f"{name} sum grey": workbook.add_format({"num_format": n, **sums, **grey}) for name, n in numbers.items()}
    forms["title"] = workbook.add_format({"bold": True, "font_size": 14})
    forms["head"] = workbook.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    forms["wrap"] = workbook.add_format({"text_wrap": True, "valign": "top"})
    forms["bold"] = workbook.add_format({"bold": True, "valign": "top"})
    return forms


def _top(sheet: Any, forms: dict[str, Any], frames: MonthFrames, title: str, heads: Sequence[str]) -> None:
    """Write title, shop, standing and heads, and set the sheet up for A4."""
    sheet.write_string(0, 0, f"{title}, {frames.month}", forms["title"])
    sheet.write_string(1, 0, one_line(frames.shop_name))
    sheet.write_string(2, 0, frames.standing)
    for place, head in enumerate(heads):
        sheet.write_string(FIRST_ROW - 1, place, head, forms["head"])
    sheet.freeze_panes(FIRST_ROW, 1)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(FIRST_ROW - 1)


def _machines(sheet: Any, forms: dict[str, Any], frames: MonthFrames) -> None:
    from xlsxwriter.utility import xl_col_to_name

    rows = in_statement(frames.machines)
    columns = [column for column in _COLUMNS if column.figure in rows.columns]
    _top(sheet, forms, frames, "Machine time", [column.head for column in columns])
    sheet.set_row(FIRST_ROW - 1, 45)
    letters = {column.figure: xl_col_to_name(place) for place, column in enumerate(columns)}
    for number, row in enumerate(rows.to_dicts()):
        grey = " grey" if row["low_coverage"] else ""
        for place, column in enumerate(columns):
            _write(sheet, FIRST_ROW + number, place, column, row[column.figure], forms[column.form + grey])
    end = FIRST_ROW + rows.height
    total = month_total(rows, frames.least_coverage)
    grey = " grey" if total["low_coverage"] else ""
    sheet.write_string(end, 0, "All machines", forms["text sum"])
    for place, column in enumerate(columns[1:], start=1):
        form, value = forms[f"{column.form} sum{grey}"], total.get(column.figure)
        letter = xl_col_to_name(place)
        if column.form in ("hours", "count"):
            shown = value / 3600 if column.form == "hours" and value is not None else value
            sheet.write_formula(end, place, f"=SUM({letter}{FIRST_ROW + 1}:{letter}{end})", form, shown)
        elif column.share_of:
            part, whole = (f"{letters[figure]}{end + 1}" for figure in column.share_of)
            sheet.write_formula(end, place, f'=IF({whole}=0,"",{part}/{whole})', form, "" if value is None else value)
        else:
            _write(sheet, end, place, column, value, form)
    if rows["low_coverage"].any() or total["low_coverage"]:
        sheet.write_string(end + 2, 0, "Grey: too little of the planned time was observed for the figures to compare.")
    sheet.set_column(0, 0, 16)
    sheet.set_column(1, len(columns) - 1, 11)


def _write(sheet: Any, line: int, place: int, column: _Column, value: Any, form: Any) -> None:
    if value is None:
        sheet.write_blank(line, place, None, form)
    elif column.form == "text":
        sheet.write_string(line, place, one_line(str(value)), form)
    else:
        sheet.write_number(line, place, value / 3600 if column.form == "hours" else value, form)


def _losses(sheet: Any, forms: dict[str, Any], frames: MonthFrames) -> None:
    money = f"Cost ({frames.currency})" if frames.currency else "Cost"
    _top(
        sheet,
        forms,
        frames,
        "What kept machines from cutting",
        ["Machine", "Loss", "Hours (h)", "Of planned (%)", money],
    )
    rows = in_statement(frames.losses)
    for number, row in enumerate(rows.to_dicts(), start=FIRST_ROW):
        grey = " grey" if row["low_coverage"] else ""
        sheet.write_string(number, 0, one_line(row["machine"]), forms[f"text{grey}"])
        sheet.write_string(number, 1, LOSSES[row["loss"]], forms[f"text{grey}"])
        for place, (name, form) in enumerate((("hours", "hours"), ("share_of_planned", "share"), ("cost", "money")), 2):
            if row[name] is not None:
                sheet.write_number(number, place, row[name], forms[form + grey])
    end = FIRST_ROW + rows.height
    sheet.write_string(end, 0, "All machines", forms["text sum"])
    sheet.write_blank(end, 1, None, forms["text sum"])
    sheet.write_blank(end, 3, None, forms["text sum"])
    for letter, place, name, form in (("C", 2, "hours", "hours sum"), ("E", 4, "cost", "money sum")):
        sheet.write_formula(end, place, f"=SUM({letter}{FIRST_ROW + 1}:{letter}{end})", forms[form], rows[name].sum())
    sheet.autofilter(FIRST_ROW - 1, 0, end - 1, 4)
    sheet.set_column(0, 0, 16)
    sheet.set_column(1, 1, 24)
    sheet.set_column(2, 4, 14)


def _restated(sheet: Any, forms: dict[str, Any], frames: MonthFrames) -> None:
    heads = ("Machine", "Figure", "Frozen -> today", "Cause")
    _top(sheet, forms, frames, "Restated since the month was frozen", heads)
    for number, row in enumerate(frames.restatements.to_dicts(), start=FIRST_ROW):
        figure = " ".join(filter(None, (LOSSES.get(row["item"], row["item"]), figure_name(row["figure"]))))
        for place, text in enumerate((row["machine"], figure, row["told"], row["cause"])):
            sheet.write_string(number, place, one_line(text), forms["wrap"] if place == 3 else None)
    for place, width in enumerate((16, 36, 40, 80)):
        sheet.set_column(place, place, width)


def _how_to_read(sheet: Any, forms: dict[str, Any], frames: MonthFrames) -> None:
    sheet.write_string(0, 0, f"How to read it, {frames.month}", forms["title"])
    lines = [("This month", frames.standing), ("What this is", NO_STATEMENT), *HOW_TO_READ, *formulas()]
    for number, (name, text) in enumerate(lines, start=2):
        sheet.write_string(number, 0, name, forms["bold"])
        sheet.write_string(number, 1, text, forms["wrap"])
    sheet.set_column(0, 0, 44)
    sheet.set_column(1, 1, 100)
    sheet.set_paper(9)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
