"""XLSX workbooks -> raw tables, one for each sheet that is a known table.

Cells come as text in ISO form, whatever their format in the sheet; what they mean is `mapping.py`'s business.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from pipeline.printable import one_line
from pipeline.read.header import SEARCHED_LINES, Header, Planner, pick_header, under_groups
from pipeline.read.merged import MergedDown, filled_down, merged_down
from pipeline.read.plan import NoPlan
from pipeline.read.rawtable import LINE, OWN, RAW, RAW_JOINT, ROW, RawTable, concat_skipped, skipped_rows
from pipeline.read.recognition.parts import Titles, parts, sides, stretches_of
from pipeline.read.rows import no_rejects
from pipeline.read.skipping import skip_rows
from pipeline.read.workbook_guard import DAMAGED, TooLargeError, require_modest
from schemas.profile import SkipRule
from schemas.shop import LimitSettings

_PLACE: Final = "__place"
_PAIRED: Final = 3  # columns of a sheet of codes and meanings, at most


class WorkbookError(Exception):
    """A workbook cannot be read; `str()` is a sentence for the user."""


@dataclass(frozen=True)
class Sheet:
    """One sheet as text: a row for each row of the sheet, counted from its first."""

    name: str
    cells: pl.DataFrame  # LINE and one column per column of the sheet
    titles: Titles = ()  # that stand above another table of the sheet, and are said of this one too
    beside: bool = False  # one of several tables side by side

    def line(self, number: int) -> list[str | None]:
        """Return the cells of a row of the sheet."""
        return list(self.cells.row(number - int(self.cells[LINE][0])))[1:]


def read_sheets(data: bytes, only: str | None = None, limits: LimitSettings | None = None) -> list[Sheet]:
    """Return the sheets that have cells (one of them with `only`), hidden ones too.

    Raises
    ------
    WorkbookError
        The workbook is damaged, has a password, is larger than the limits allow, or has no such sheet.
    """
    import fastexcel

    try:
        require_modest(data, limits or LimitSettings())
        book = fastexcel.read_excel(data)
        names = book.sheet_names
        if only is not None and only not in names:
            sheets = ", ".join(f'"{name}"' for name in names)
            raise WorkbookError(f'The workbook has no sheet "{only}"; it has {sheets}. Correct `sheet` in the profile.')
        wanted = names if only is None else [only]
        merged = merged_down(data)
        return [sheet for name in wanted if (sheet := _read_sheet(book, name, merged.get(name, ()))) is not None]
    except TooLargeError as error:
        raise WorkbookError(str(error)) from None
    except (WorkbookError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        if not isinstance(error, (fastexcel.FastExcelError, *DAMAGED)) and type(error).__name__ != "PanicException":
            raise
        what = one_line((str(error) or type(error).__name__).splitlines()[0])
        raise WorkbookError(
            f"The workbook cannot be read ({what}). Save it again as XLSX, without a password."
        ) from None


def _read_sheet(book: object, name: str, merged: Sequence[MergedDown]) -> Sheet | None:
    sheet = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")  # type: ignore[attr-defined]
    if not sheet.width or not sheet.total_height:
        return None
    frame: pl.DataFrame = sheet.to_polars()
    frame.columns = [f"c{position}" for position in range(frame.width)]
    frame = frame.cast(pl.String).with_row_index(LINE, offset=1).with_columns(pl.col(LINE).cast(pl.Int64))
    return Sheet(name, filled_down(frame, merged, LINE))


def tables_below(sheet: Sheet, machines: Mapping[str, str]) -> list[Sheet]:
    """Return the tables of a sheet that stand under one another, [] where there is one."""
    found = parts(stretches_of(_filled_rows(sheet), int(sheet.cells[LINE][0])), sheet.line, machines)
    return [
        replace(sheet, cells=sheet.cells.filter(pl.col(LINE).is_between(part.first, part.last)), titles=part.titles)
        for part in found
    ]


def tables_beside(sheet: Sheet) -> list[Sheet]:
    """Return the tables of a sheet that stand side by side, [] where there is one."""
    cells = sheet.cells.drop(LINE)
    is_filled = [bool((cells[name].str.strip_chars() != "").any()) for name in cells.columns]
    found = sides([cells for _, cells in sheet_top(sheet)], is_filled)
    tables = []
    for first, behind in found:
        names = cells.columns[first:behind]
        part = sheet.cells.select(LINE, *names)
        part.columns = [LINE, *(f"c{position}" for position in range(len(names)))]
        tables.append(replace(sheet, cells=part, beside=True))
    return tables


def _filled_rows(sheet: Sheet) -> list[bool]:
    filled = [(pl.col(name).str.strip_chars() != "").fill_null(False) for name in sheet.cells.columns if name != LINE]
    return sheet.cells.select(pl.any_horizontal(filled)).to_series().to_list()


def sheet_top(sheet: Sheet) -> list[tuple[int, Sequence[str | None]]]:
    """Return the first rows of a sheet as (row, cells), rows counted from 1."""
    return [(number, cells) for number, *cells in sheet.cells.head(SEARCHED_LINES).iter_rows()]


def sheet_pairs(sheet: Sheet) -> list[tuple[str, ...]]:
    """Return the lines of a small sheet of two columns, as one that says what codes mean has; [] for all others."""
    names = [name for name in sheet.cells.columns if name != LINE and (sheet.cells[name].str.strip_chars() != "").any()]
    if sheet.cells.height > SEARCHED_LINES or not 0 < len(names) <= _PAIRED:
        return []
    rows = sheet.cells.select(names).iter_rows()
    return [cells for row in rows if (cells := tuple(text for cell in row if (text := (cell or "").strip())))]


def find_sheet_header(sheet: Sheet, planner: Planner, line: int | None, rows: int = 1) -> Header | NoPlan:
    """Return the header of a sheet; its line counts the rows of the sheet from 1."""
    top = sheet.cells.head(max(SEARCHED_LINES, line or 0))
    above: Sequence[str | None] = ()
    found: list[tuple[int, str, Sequence[str | None]]] = []
    for number, *cells in top.iter_rows():
        if line is None or number == line:
            found.append((number, "", under_groups(above, cells) if rows > 1 else cells))
        above = cells
    return pick_header(found, planner)


def sheet_table(sheet: Sheet, header: Header, skip: Sequence[SkipRule], last_row: int) -> RawTable:
    """Return the rows below the header, numbered on from `last_row`."""
    places = [name for name in sheet.cells.columns if name != LINE][: len(header.names)]
    raw = pl.concat_str([pl.col(name).fill_null("") for name in places], separator=RAW_JOINT)
    cells = sheet.cells.select(LINE, raw.alias(RAW), *places)
    filled = pl.any_horizontal((pl.col(name).str.strip_chars() != "").fill_null(False) for name in places)
    above = cells.filter((pl.col(LINE) < header.line) & filled)
    heads = cells.filter(pl.col(LINE) == header.line)[RAW]
    head = heads[0] if len(heads) else None  # a sheet may begin with its rows
    below = cells.filter((pl.col(LINE) > header.line) & filled)
    below.columns = [LINE, RAW, *header.names]
    below, skipped = skip_rows(below, header.names, head, header.line, skip)
    numbered = below.with_row_index(ROW, offset=last_row + 1).with_columns(pl.col(ROW).cast(pl.Int64))
    skipped = concat_skipped(skipped_rows(above, "title line"), skipped)
    return RawTable(numbered.select(*OWN, *header.names), no_rejects(), skipped)
