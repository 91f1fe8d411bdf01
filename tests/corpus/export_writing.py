"""How exports are written: times, lengths and numbers as shops write them, and tables as bytes of every shape.

It knows nothing of what a column means; what stands in a cell is the caller's.
"""

from __future__ import annotations

import gzip
import io
import json
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import xlsxwriter

Row = Mapping[str, Any]
Cell = Callable[[Row], object]
Columns = Mapping[str, "str | Cell"]


# --- cells ----------------------------------------------------------------------------------------------------------


def clock(field: str, form: str, zone: str) -> Cell:
    """Return the cell of an instant as a clock of the zone shows it, in a form of strftime."""
    return lambda row: local(row[field], zone).strftime(form)


def local(at: datetime, zone: str) -> datetime:
    """Return an instant as a local time."""
    return at.astimezone(ZoneInfo(zone))


def on(field: str, form: str) -> Cell:
    """Return the cell of a date."""
    return lambda row: row[field].strftime(form)


def number(value: float, places: int, decimal: str = ".", thousands: str = "") -> str:
    """Return a number with a fixed count of places."""
    return f"{value:,.{places}f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)


def times(field: str, factor: float, places: int, decimal: str = ".", thousands: str = "") -> Cell:
    """Return the cell of a number that is multiplied, as minutes from seconds are by 1 / 60."""
    return lambda row: "" if row[field] is None else number(row[field] * factor, places, decimal, thousands)


def h_mm_ss(seconds: float) -> str:
    """Return 1:04:09."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def mm_ss(seconds: float) -> str:
    """Return 64:09."""
    whole = round(seconds)
    return f"{whole // 60:02}:{whole % 60:02}"


def words(seconds: float, hour: str = "h", minute: str = "min", second: str = "s") -> str:
    """Return 1 h 4 min 9 s, parts that are zero left out."""
    whole = round(seconds)
    parts = ((whole // 3600, hour), (whole // 60 % 60, minute), (whole % 60, second))
    return " ".join(f"{count} {unit}" for count, unit in parts if count) or f"0 {second}"


def lasting(field: str, form: Callable[[float], str]) -> Cell:
    """Return the cell of a duration."""
    return lambda row: form(row[field])


def said(field: str, names: Mapping[str, str]) -> Cell:
    """Return the cell of a word, as this shop says it."""
    return lambda row: names[row[field]]


# --- text -----------------------------------------------------------------------------------------------------------


def cells_of(columns: Columns, rows: Sequence[Row]) -> list[list[Any]]:
    """Return the cells of all rows."""
    return [[cell(row) if callable(cell) else row[cell] for cell in columns.values()] for row in rows]


def quoted(cell: object, delimiter: str, quoting: str) -> str:
    """Return a cell as text; `quoting` is "needed", "all" or "text"."""
    text = "" if cell is None else str(cell)
    need = any(mark in text for mark in (delimiter, '"', "\n", "\r"))
    if need or quoting == "all" or (quoting == "text" and isinstance(cell, str)):
        return '"' + text.replace('"', '""') + '"'
    return text


def line_of(cells: Sequence[object], delimiter: str = ";", quoting: str = "needed") -> str:
    """Return one line without its end."""
    return delimiter.join(quoted(cell, delimiter, quoting) for cell in cells)


def lines_of(
    columns: Columns, rows: Sequence[Row], delimiter: str = ";", quoting: str = "needed", head: bool = True
) -> list[str]:
    """Return the header's line and those of the rows."""
    first = [line_of(list(columns), delimiter, quoting)] if head else []
    return first + [line_of(cells, delimiter, quoting) for cells in cells_of(columns, rows)]


def text_file(lines: Sequence[str], encoding: str = "utf-8", newline: str = "\r\n") -> bytes:
    """Return lines as a file; utf-16-le and utf-16-be get their mark, utf-8-sig its own."""
    mark = "\ufeff" if encoding in ("utf-16-le", "utf-16-be") else ""
    return (mark + "".join(line + newline for line in lines)).encode(encoding)


def json_lines(columns: Columns, rows: Sequence[Row]) -> bytes:
    """Return one object a line."""
    names = list(columns)
    objects = [dict(zip(names, cells, strict=True)) for cells in cells_of(columns, rows)]
    return "".join(json.dumps(item, ensure_ascii=False) + "\n" for item in objects).encode()


def gzipped(data: bytes) -> bytes:
    """Return data as gzip, the same bytes each time."""
    return gzip.compress(data, mtime=0)


def zipped(members: Mapping[str, bytes]) -> bytes:
    """Return a zip, the same bytes each time."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name, (2026, 3, 20, 8, 0, 0)), data)
    return packed.getvalue()


# --- workbooks ------------------------------------------------------------------------------------------------------

SHEET_FORMS = {"instant": "dd/mm/yyyy hh:mm:ss", "date": "dd/mm/yyyy", "time": "hh:mm:ss", "length": "[h]:mm:ss"}


def workbook(sheets: Mapping[str, Sequence[Sequence[object]]], forms: Mapping[str, str] = SHEET_FORMS) -> bytes:
    """Return an XLSX file: datetimes, dates, times and lengths are real ones, numbers are numbers, the rest is text."""
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"in_memory": True}) as book:
        book.set_properties({"created": datetime(2026, 3, 20, 8)})  # noqa: DTZ001  a workbook knows no zone
        shown = {name: book.add_format({"num_format": form}) for name, form in forms.items()}
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for place, cells in enumerate(rows):
                for column, cell in enumerate(cells):
                    match cell:
                        case None | "":
                            continue
                        case datetime():
                            sheet.write_datetime(place, column, cell.replace(tzinfo=None), shown["instant"])
                        case date():
                            sheet.write_datetime(place, column, cell, shown["date"])
                        case time():
                            sheet.write_datetime(place, column, cell, shown["time"])
                        case timedelta():
                            sheet.write_number(place, column, cell.total_seconds() / 86_400, shown["length"])
                        case int() | float():
                            sheet.write_number(place, column, cell)
                        case _:
                            sheet.write_string(place, column, str(cell))
    return data.getvalue()
