"""Delimited text (commas, semicolons, tabs) -> raw tables, block by block.

It tells lines, cells and lines that are no rows apart; what the cells mean is `mapping.py`'s business.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.read.header import split_line
from pipeline.read.rawtable import (
    LINE,
    OWN,
    RAW,
    ROW,
    RawTable,
    broken_line,
    broken_lines,
    concat_rejects,
    concat_skipped,
    skipped_rows,
)
from pipeline.read.rows import no_rejects, no_skipped
from pipeline.read.skipping import skip_rows
from pipeline.read.text import TextBlock, lines_of
from schemas.profile import SkipRule

MAX_QUOTED_LINES: Final = 50  # a quoted cell that spans more lines is a quote that nobody closed
_REST: Final = "__rest"


@dataclass(frozen=True)
class Layout:
    """How the text of one table is laid out."""

    delimiter: str
    header_line: int  # 1-based physical line
    names: list[str]
    skip: Sequence[SkipRule] = ()


def read_delimited(blocks: Iterable[TextBlock], layout: Layout) -> Iterator[RawTable]:
    """Yield the rows of a table, one chunk a block; lines that are no rows come as skipped, broken ones as rejects."""
    row = 0
    header_raw = None
    for block in blocks:
        lines = pl.DataFrame({RAW: lines_of(block.data)}).with_row_index(LINE, offset=block.first_line)
        lines = lines.with_columns(pl.col(LINE).cast(pl.Int64))
        above, header, lines = _cut_header(lines, layout.header_line)
        header_raw = header or header_raw
        blank = lines[RAW].is_null() | (lines[RAW].str.strip_chars(f" {layout.delimiter}\t\r") == "").fill_null(True)
        blank &= ~_inside_a_quoted_cell(lines[RAW], layout.delimiter)
        empty = skipped_rows(lines.filter(blank), "blank line") if blank.any() else no_skipped()
        kept = lines.filter(~blank).with_columns(pl.col(RAW).fill_null(""))
        cells = split_cells(kept, layout)
        cells, skipped = skip_rows(cells, layout.names, header_raw, layout.header_line, layout.skip)
        cells = cells.with_row_index(ROW, offset=row + 1).with_columns(pl.col(ROW).cast(pl.Int64))
        cells, rejects = _take_out_broken(cells, layout, block)
        table = RawTable(cells, rejects, concat_skipped(above, empty, skipped))
        row = max(row, table.last_row)
        if block.broken_off:
            row += 1
            rejects = concat_rejects(rejects, broken_line(row, None, None, broken_off_message(block.broken_off)))
            table = RawTable(table.cells, rejects, table.skipped)
        yield table


def broken_off_message(why: str) -> str:
    """Return the sentence for a file that could not be read to its end."""
    return f"The file breaks off here ({why}); the rows before were read. Copy or export it again."


def _inside_a_quoted_cell(raw: pl.Series, delimiter: str) -> pl.Series:
    """Return for each line whether it starts inside a quoted cell that an earlier line opened.

    A lone inch mark opens none: only a quote at the head of a cell does.
    """
    odd = raw.str.count_matches('"', literal=True).fill_null(0) % 2 == 1
    opens = raw.str.contains(rf'(?:^|{re.escape(delimiter)})"(?:[^"]|"")*$')
    last = pl.DataFrame({"odd": odd, "opens": opens}).select(
        pl.when("odd").then("opens").forward_fill().shift(1).fill_null(False)
    )
    return last.to_series()


def _cut_header(lines: pl.DataFrame, header_line: int) -> tuple[pl.DataFrame, str | None, pl.DataFrame]:
    """Part a block into skipped title lines, the header's text and the lines below it."""
    first = lines[LINE][0] if lines.height else header_line + 1
    if first > header_line:
        return no_skipped(), None, lines
    above = lines.filter(pl.col(LINE) < header_line)
    why = pl.when(pl.col(RAW).str.strip_chars().str.len_bytes() > 0).then(pl.lit("title line"))
    header = lines.filter(pl.col(LINE) == header_line)[RAW]
    text = header[0] if len(header) else None
    return skipped_rows(above, why.otherwise(pl.lit("blank line"))), text, lines.filter(pl.col(LINE) > header_line)


def split_cells(lines: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Return LINE, RAW, the header's columns and what stands beyond them (`__rest`, null if nothing)."""
    if not lines[RAW].str.contains('"', literal=True).any():
        return _split_plain(lines, layout)
    mark = re.escape(layout.delimiter)
    cell = f'(?:"(?:[^"]|"")*"|[^"{mark}]*)'
    if lines[RAW].str.contains(f"^{cell}(?:{mark}{cell})*$").all():
        return _split_quoted(lines, layout)
    return _split_by_csv(lines, layout)


def _split_plain(lines: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    width = len(layout.names)
    parts = lines[RAW].str.splitn(layout.delimiter, width + 1).struct.unnest()
    parts.columns = [*layout.names, _REST]
    return lines.hstack(parts)


def _split_quoted(lines: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Split lines whose quotes are all in order, with the library's own reader."""
    places = [f"c{position}" for position in range(len(layout.names) + 1)]
    text = "\n".join([layout.delimiter.join(places), *lines[RAW].to_list(), ""])
    parts = pl.read_csv(
        text.encode(),
        separator=layout.delimiter,
        schema=dict.fromkeys(places, pl.String()),
        truncate_ragged_lines=True,
        missing_columns="insert",
    )
    if parts.height != lines.height:
        return _split_by_csv(lines, layout)
    parts.columns = [*layout.names, _REST]
    return lines.hstack(parts)


class _UnclosedQuoteError(Exception):
    pass


def _split_by_csv(lines: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Split lines with quoted line ends, or with quotes where none belong (inch marks), line by line."""
    texts: list[str] = lines[RAW].to_list()
    records: list[tuple[int, int, list[str]]] = []
    at = 0
    while at < len(texts):
        at = _read_records(texts, at, layout.delimiter, records)
    width = len(layout.names)
    numbers = lines[LINE]
    columns: dict[str, list[object]] = {
        LINE: [numbers[first] for first, _, _ in records],
        RAW: ["\n".join(texts[first : first + count]) for first, count, _ in records],
    }
    for position, name in enumerate(layout.names):
        columns[name] = [cells[position] if position < len(cells) else None for _, _, cells in records]
    columns[_REST] = [layout.delimiter.join(cells[width:]) or None for _, _, cells in records]
    schema = {name: pl.Int64() if name == LINE else pl.String() for name in columns}
    return pl.DataFrame(columns, schema=schema)


def _read_records(texts: list[str], at: int, delimiter: str, records: list[tuple[int, int, list[str]]]) -> int:
    """Append records from line `at` on until a quote is left open; return the next line to read."""
    start = at

    def feed() -> Iterator[str]:
        for number in range(at, len(texts)):
            if number - start >= MAX_QUOTED_LINES:
                raise _UnclosedQuoteError
            yield texts[number] + "\n"

    reader = csv.reader(feed(), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            count = at + reader.line_num - start
            records.append((start, count, cells))
            start += count
    except (_UnclosedQuoteError, csv.Error):
        records.append((start, 1, texts[start].split(delimiter)))
        start += 1
    return start


def _take_out_broken(cells: pl.DataFrame, layout: Layout, block: TextBlock) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Take out rows with more cells than the header, and a last line that was cut off."""
    over = (cells[_REST].str.strip_chars(f" {layout.delimiter}\t") != "").fill_null(False)
    cut_off = pl.Series([False]).new_from_index(0, cells.height)
    if not block.terminated and cells.height:
        last = split_line(str(cells[RAW][-1]), layout.delimiter)
        if len(last) < len(layout.names):
            cut_off = cut_off.scatter(cells.height - 1, True)
    plain = cells.select(*OWN, *layout.names)
    if not over.any() and not cut_off.any():
        return plain, no_rejects()
    width = len(layout.names)
    rejects = concat_rejects(
        broken_lines(
            plain.filter(over),
            f"The line has more than the {width} cells of the header. Usual causes are a decimal comma or a delimiter "
            "inside a text; put the text in quotes, or export with another delimiter.",
        ),
        broken_lines(
            plain.filter(cut_off & ~over),
            f"The file breaks off in this line, before the last of its {width} cells. "
            "Copy or export the file again when the export is finished.",
        ),
    )
    return plain.filter(~over & ~cut_off), rejects
