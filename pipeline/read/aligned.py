"""Lines of text whose columns are aligned by blanks: where each column stands, and a line parted by it.

A text that runs over the edge between two columns is never cut: its line cannot be parted.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import polars as pl

Span = tuple[int, int]
"""Where a column stands in a line: its first character, counted from 0, and the one behind its last."""

RULED: Final = r"^[\s\x0c]*[-=_~*+|—─═┼]{2,}[-=_~*+|—─═┼\s]*$"
"""A line that is drawn, below a head or above a total."""
_GROWN: Final = re.compile(
    r"(\S*) +(\S*)"
)  # what stands between two columns: the end of one, the beginning of the next
_WIDE_GAP: Final = re.compile(r"\s{2,}")
DAY: Final = (
    r"\d{1,4}(?:\. ?|[/-])\d{1,2}(?:\. ?|[/-])\d{2,4}"
    r"|\d{1,2}\.? (?:de |of )?[^\W\d_]{3,}\.?,? (?:de )?\d{4}|[^\W\d_]{3,} \d{1,2},? \d{4}"
)
"""A date as people write it, in figures or with a word for the month."""
_FEW: Final = 2  # cells of a line that heads rows
_DAY_LINE: Final = rf"^\s*[^\w\s]*\s?(?:[^\W\d_]+[.,:]* ){{0,3}}(?:{DAY})(?:[ ,(]{{1,2}}[^\W\d_]+[.)]*)?\s?[^\w\s]*\s*$"
_LABEL_LINE: Final = r"^\s*[^\W\d_][^:\d]{1,29}: ?\S+(?: \S+){0,3}\s*$"  # "Job: 4711", which heads rows as a day does


def part_line(line: str, spans: Sequence[Span]) -> list[str] | None:
    """Return the cells of a line, None where a text runs over the edge of a column.

    A cell may be longer than those that the columns were told by, as long as a blank is left before the next. Where a
    long one pushes all that follow to the right, the line has a cell for each column, two blanks apart.
    """
    cells = _cut(line, spans)
    if cells is not None:
        return cells
    pushed = cells_of_title(line)
    return pushed if len(pushed) == len(spans) else None


def _cut(line: str, spans: Sequence[Span]) -> list[str] | None:
    text = line.rstrip()
    if text[: spans[0][0]].strip():
        return None
    starts, ends = [spans[0][0]], []
    for (_, end), (start, _) in pairwise(spans):
        between = text[end:start].ljust(start - end)
        if start == end or not between.strip():
            ends.append(end)
            starts.append(start)
            continue
        grown = _GROWN.fullmatch(between)
        joins = grown is not None and not (
            (grown[1] and text[end - 1 : end].isspace()) or (grown[2] and text[start : start + 1].strip() == "")
        )
        if grown is None or not joins:
            return None
        ends.append(end + len(grown[1]))
        starts.append(start - len(grown[2]))
    ends.append(len(text))
    return [text[start:end].strip() for start, end in zip(starts, ends, strict=True)]


def cells_of_title(line: str) -> list[str]:
    """Return what stands in a line outside the table, parted where two blanks or more are."""
    return [cell for cell in _WIDE_GAP.split(line.strip()) if cell]


def cells_of(line: str, spans: Sequence[Span]) -> list[str]:
    """Return the cells of a line; one that the columns do not part is a title."""
    return part_line(line, spans) or cells_of_title(line)


def part_lines(raw: pl.Series, names: Sequence[str], spans: Sequence[Span]) -> tuple[pl.DataFrame, pl.Series]:
    """Return the cells of many lines by name, and which lines cannot be parted; their cells are null."""
    lines = raw.fill_null("").str.replace_all("\x0c", "")
    between = [(0, spans[0][0]), *((end, start) for (_, end), (start, _) in pairwise(spans))]
    odd = pl.DataFrame({"raw": lines}).select(
        pl.any_horizontal(
            pl.lit(False),
            *(pl.col("raw").str.slice(first, end - first).str.strip_chars() != "" for first, end in between),
        ).alias("odd")
    )["odd"]
    ends = [*(end for _, end in spans[:-1]), None]
    cells = pl.DataFrame(
        [
            lines.str.slice(start, None if end is None else end - start).str.strip_chars().alias(name)
            for name, (start, _), end in zip(names, spans, ends, strict=True)
        ]
    )
    few = cells.select(pl.sum_horizontal(pl.col(names) != "") <= min(_FEW, len(names) - 2)).to_series()
    days = (odd | few) & (lines.str.contains(_DAY_LINE) | lines.str.contains(_LABEL_LINE))
    if days.any():  # a day, or a job, that heads the rows below it, longer than the first column is wide
        alone = [lines.str.strip_chars(), *[pl.Series([""]).new_from_index(0, len(lines))] * (len(names) - 1)]
        cells = pl.DataFrame(
            [text.zip_with(days, cells[name]).alias(name) for name, text in zip(names, alone, strict=True)]
        )
        odd = odd & ~days
    if not odd.any():
        return cells, odd
    places = odd.arg_true()
    parted = [part_line(line, spans) for line in lines.gather(places).to_list()]
    broken = pl.Series([cells is None for cells in parted])
    texts: list[Sequence[str | None]] = [each or [None] * len(spans) for each in parted]
    columns = [
        cells[name].scatter(places, pl.Series([each[at] for each in texts], dtype=pl.String))
        for at, name in enumerate(names)
    ]
    return pl.DataFrame(columns), odd.scatter(places, broken)


def spans_said(said: Sequence[str]) -> list[Span]:
    """Return columns that a profile gives by their first and last character, counted from 1: "1-7"."""
    return [(int(first) - 1, int(last)) for first, last in (each.split("-") for each in said)]


def said_spans(spans: Sequence[Span]) -> list[str]:
    """Return columns as a profile gives them."""
    return [f"{first + 1}-{behind}" for first, behind in spans]
