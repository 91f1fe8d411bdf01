"""Delimited text (commas, semicolons, tabs), or text with aligned columns -> raw tables, block by block.

It tells lines, cells and lines that are no rows apart; what the cells mean is `mapping.py`'s business.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import polars as pl

from pipeline.read.aligned import RULED, Span, part_lines
from pipeline.read.foot import stand_in_foot
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
from pipeline.read.skipping import REMARK_LINE, TOTAL_LINE, begins_with_total, skip_rows
from pipeline.read.text import TextBlock, lines_of
from schemas.profile import SkipRule

MAX_QUOTED_LINES: Final = 50  # a quoted cell that spans more lines is a quote that nobody closed
_REST: Final = "__rest"
_PIECE_BYTES: Final = 1 << 20
_APART: Final = 2
_GAP: Final = re.compile(r"\s{2}")
_OVER_THE_EDGE: Final = (
    "A text in this line runs over the edge of its column, so that its cells cannot be told apart. Widen the column "
    "where the export comes from, or say where columns stand with columns_at under [file] of a profile."
)
_UNLIKE: Final = (b"\n", "\ufeff".encode())  # beginnings of text that the library's reader passes over or refuses


@dataclass(frozen=True)
class Layout:
    """How the text of one table is laid out."""

    delimiter: str
    header_line: int  # 1-based physical line
    names: list[str]
    skip: Sequence[SkipRule] = ()
    spans: Sequence[Span] = ()  # where columns stand that are aligned by blanks; they have no delimiter then


def read_delimited(blocks: Iterable[TextBlock], layout: Layout, last: int = 0) -> Iterator[RawTable]:
    """Yield the rows of a table, one chunk a block; lines that are no rows come as skipped, broken ones as rejects.

    Rows are numbered on from `last`.
    """
    row = last
    header_raw = None
    titles: list[str] = []
    for block in blocks:
        above, header, body, first_line = _cut_header(block, layout.header_line)
        header_raw = header or header_raw
        cells, empty = _read_body(body, first_line, layout)
        repeated = header_raw is not None and header_raw.strip().encode() in body  # many times as fast as line by line
        titles += above["raw"].drop_nulls().to_list() if above.height and not titles else []
        cells, skipped = skip_rows(
            cells, layout.names, header_raw, layout.header_line, layout.skip, repeated=repeated, titles=titles
        )
        cells = cells.with_row_index(ROW, offset=row + 1).with_columns(pl.col(ROW).cast(pl.Int64))
        cells, rejects, totals = _take_out_broken(cells, layout, block)
        table = RawTable(cells, rejects, concat_skipped(above, empty, skipped, totals))
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


def _cut_header(block: TextBlock, header_line: int) -> tuple[pl.DataFrame, str | None, bytes, int]:
    """Part a block into skipped title lines, the header's text, and the bytes and first line number below it."""
    if block.first_line > header_line:
        return no_skipped(), None, block.data, block.first_line
    end = 0
    for _ in range(block.first_line, header_line + 1):
        end = block.data.find(b"\n", end) + 1 or len(block.data)
    lines = _numbered(block.data[:end], block.first_line)
    above = lines.filter(pl.col(LINE) < header_line)
    why = pl.when(pl.col(RAW).str.strip_chars().str.len_bytes() > 0).then(pl.lit("title line"))
    header = lines.filter(pl.col(LINE) == header_line)[RAW]
    text = header[0] if len(header) else None
    return skipped_rows(above, why.otherwise(pl.lit("blank line"))), text, block.data[end:], header_line + 1


def _numbered(data: bytes, first_line: int) -> pl.DataFrame:
    """Return the lines of some text as LINE and RAW, RAW null where a line is empty."""
    lines = pl.DataFrame({RAW: lines_of(data)}).with_row_index(LINE, offset=first_line)
    return lines.with_columns(pl.col(LINE).cast(pl.Int64))


def _read_body(data: bytes, first_line: int, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows below the header (as `split_cells` does) and the blank lines as skipped.

    Text in which every line has just the header's cells goes to the library's own reader whole. Text with an odd line
    here and there is parted into pieces, so that one such line does not make a whole block slow.
    """
    if layout.spans:
        return _read_aligned(data, first_line, layout)
    if b'"' in data:
        return _read_carefully(data, first_line, layout)
    if (clean := _read_clean(data, first_line, layout)) is not None:
        return clean
    if len(data) <= _PIECE_BYTES:
        return _read_carefully(data, first_line, layout)
    read: list[tuple[pl.DataFrame, pl.DataFrame]] = []
    for piece in _pieces(data):
        read.append(_read_clean(piece, first_line, layout) or _read_carefully(piece, first_line, layout))
        first_line += piece.count(b"\n")
    return pl.concat([cells for cells, _ in read], rechunk=True), concat_skipped(*(empty for _, empty in read))


def _read_aligned(data: bytes, first_line: int, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Read text whose columns are aligned by blanks; a line that runs over their edges is what `__rest` holds."""
    lines = _numbered(data, first_line)
    blank = lines[RAW].is_null() | (lines[RAW].str.strip_chars() == "").fill_null(True)
    ruled = lines[RAW].str.contains(RULED).fill_null(False)
    why = pl.select(pl.when(blank).then(pl.lit("blank line")).when(ruled).then(pl.lit("ruled line"))).to_series()
    skipped = skipped_rows(lines.filter(blank | ruled), pl.lit(why.drop_nulls()))
    rows = lines.filter(~(blank | ruled))
    cells, broken = part_lines(rows[RAW], layout.names, layout.spans)
    found = rows.hstack(cells).with_columns(rows[RAW].set(~broken, None).alias(_REST))
    if not broken.any() or min(start - end for (_, end), (start, _) in pairwise(layout.spans)) < _APART:
        return found, skipped
    remark = pl.Series([bool(odd) and _is_remark(text) for odd, text in zip(broken, rows[RAW], strict=True)])
    return found.filter(~remark), concat_skipped(skipped, skipped_rows(rows.filter(remark), REMARK_LINE))


def _is_remark(text: str) -> bool:
    """Return whether a line is of words, with one blank between, where two part the cells of rows."""
    words = text.split()
    numbers = sum(any(mark.isdigit() for mark in word) for word in words)
    return _GAP.search(text.strip()) is None and 2 * numbers < len(words)


def _pieces(data: bytes) -> Iterator[bytes]:
    """Yield runs of whole lines of about `_PIECE_BYTES`."""
    start = 0
    while start < len(data):
        end = data.find(b"\n", start + _PIECE_BYTES) + 1 or len(data)
        yield data[start:end]
        start = end


def _read_clean(data: bytes, first_line: int, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame] | None:
    """Read unquoted text whose lines all have as many cells as the header; None where they have not.

    As many marks as the lines need, and no line with more than its share, is the same number in each.
    """
    width, mark = len(layout.names), layout.delimiter
    if width < 2 or data.startswith(_UNLIKE) or b"\r" in data:
        return None
    height = data.count(b"\n") + (not data.endswith(b"\n"))
    if data.count(mark.encode()) != height * (width - 1):
        return None
    try:
        cells = pl.read_csv(
            data,
            separator=mark,
            quote_char=None,
            has_header=False,
            empty_string_is_null=False,
            schema=dict.fromkeys(layout.names, pl.String()),
        )
    except pl.exceptions.PolarsError:  # a line with more cells than the header, and another with fewer
        return None
    if cells.height != height:
        return None
    lines = pl.int_range(first_line, first_line + height, dtype=pl.Int64, eager=True)
    raw = lines_of(data)
    cells = pl.DataFrame(
        [lines.alias(LINE), raw.alias(RAW), *cells, pl.Series(_REST, [None], pl.String).new_from_index(0, height)]
    )
    blank = cells[layout.names[0]].str.strip_chars() == ""
    if not blank.any():
        return cells, no_skipped()
    blank &= _is_blank(raw, mark)
    return cells.filter(~blank), skipped_rows(cells.filter(blank), "blank line")


def _read_carefully(data: bytes, first_line: int, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Read text line by line: quoted cells, lines of any number of cells, blank lines."""
    lines = _numbered(data, first_line)
    blank = _is_blank(lines[RAW], layout.delimiter) & ~_inside_a_quoted_cell(lines[RAW], layout.delimiter)
    empty = skipped_rows(lines.filter(blank), "blank line") if blank.any() else no_skipped()
    return split_cells(lines.filter(~blank).with_columns(pl.col(RAW).fill_null("")), layout), empty


def _is_blank(raw: pl.Series, delimiter: str) -> pl.Series:
    return raw.is_null() | (raw.str.strip_chars(f" {delimiter}\t\r") == "").fill_null(True)


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


def _breaks_off(cells: pl.DataFrame, layout: Layout) -> bool:
    """Return whether the last line of a text, which no line end closes, lacks cells that all others have."""
    if not layout.spans:
        return len(split_line(str(cells[RAW][-1]), layout.delimiter)) < len(layout.names)
    others = cells.head(-1).select((pl.col(layout.names).str.len_bytes() > 0).all())
    full = [name for name in layout.names if others.height and others[name][0]]
    return bool(full) and not cells[full[-1]][-1]


def _take_out_broken(
    cells: pl.DataFrame, layout: Layout, block: TextBlock
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Take out rows with more cells than the header, and a last line that was cut off; totals among them as skipped."""
    over, cut_off = (pl.Series([False]).new_from_index(0, cells.height) for _ in range(2))
    if cells[_REST].null_count() < cells.height:
        over = (cells[_REST].str.strip_chars(f" {layout.delimiter}\t") != "").fill_null(False)
    plain = cells.select(*OWN, *layout.names)
    if not block.terminated and cells.height and _breaks_off(cells, layout) and not stand_in_foot(plain)[-1]:
        cut_off = cut_off.scatter(cells.height - 1, True)
    if not over.any() and not cut_off.any():
        return plain, no_rejects(), no_skipped()
    totals = plain.filter(over | cut_off).filter(pl.col(RAW).map_elements(begins_with_total, return_dtype=pl.Boolean))
    is_total = plain[ROW].is_in(totals[ROW].implode())
    over, cut_off, rows = over & ~is_total, cut_off & ~is_total, ~over & ~cut_off
    width = len(layout.names)
    rejects = concat_rejects(
        broken_lines(
            plain.filter(over),
            _OVER_THE_EDGE
            if layout.spans
            else f"The line has more than the {width} cells of the header. Usual causes are a decimal comma or a "
            "delimiter inside a text; put the text in quotes, or export with another delimiter.",
        ),
        broken_lines(
            plain.filter(cut_off & ~over),
            f"The file breaks off in this line, before the last of its {width} cells. "
            "Copy or export the file again when the export is finished.",
        ),
    )
    return plain.filter(rows), rejects, skipped_rows(totals, TOTAL_LINE)
