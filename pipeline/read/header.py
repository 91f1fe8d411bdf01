"""Finds the header of a table in its first lines: which line, which delimiter, what it is a table of.

It looks at the first lines only and reads no rows.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.read.aligned import Span, cells_of
from pipeline.read.plan import NoPlan, TablePlan
from pipeline.read.rawtable import unique_names

DELIMITERS: Final = (";", "\t", ",", "|")
SEARCHED_LINES: Final = 60
_SHORTEST_CUT: Final = 3  # a word of more letters before a hyphen is cut there; fewer are an abbreviation ("NC-")
Planner = Callable[[Sequence[str], str], "TablePlan | NoPlan"]
"""Takes a header's names and the delimiter ("" for sheets), returns the plan."""


@dataclass(frozen=True)
class Header:
    """The header found: `line` is its 1-based line among those searched."""

    line: int
    delimiter: str
    names: list[str]
    plan: TablePlan


def split_line(line: str, delimiter: str, spans: Sequence[Span] = ()) -> list[str]:
    """Return the cells of one line; `spans` say where they stand if no delimiter parts them."""
    if spans:
        return cells_of(line, spans)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def widest(lines: Sequence[str]) -> int:
    """Return how many cells the widest of the first lines has at any delimiter, at most."""
    return max((line.count(mark) + 1 for line in lines[:SEARCHED_LINES] for mark in DELIMITERS), default=0)


def find_header(
    lines: Sequence[str],
    planner: Planner,
    delimiter: str | None,
    line: int | None,
    rows: int = 1,
    spans: Sequence[Span] = (),
) -> Header | NoPlan:
    """Return the header among the first lines of a text: the line whose cells fit best, the first of equals.

    `rows` lines make up a header, the last of them the names; `line` is that of the names where it is known. Where
    columns are aligned, `spans` say where they stand.
    """
    candidates = [""] if spans else [delimiter] if delimiter else list(DELIMITERS)
    searched = lines[: max(SEARCHED_LINES, line or 0)]
    found = [
        (number, mark, _names_at(searched, number, mark, rows, spans))
        for number, text in enumerate(searched, start=1)
        if text.strip() and (line is None or number == line)
        for mark in candidates
    ]
    return pick_header(found, planner)


def _names_at(lines: Sequence[str], number: int, mark: str, rows: int, spans: Sequence[Span]) -> Sequence[str | None]:
    cells = split_line(lines[number - 1], mark, spans)
    return under_groups(split_line(lines[number - 2], mark, spans), cells) if rows > 1 and number > 1 else cells


def pick_header(rows: Sequence[tuple[int, str, Sequence[str | None]]], planner: Planner) -> Header | NoPlan:
    """Return the best header among rows of cells given as (line, delimiter, cells)."""
    best: Header | None = None
    widest: tuple[int, NoPlan] | None = None
    for number, mark, cells in rows:
        while cells and not (cells[-1] or "").strip():
            cells = cells[:-1]
        if not cells:
            continue
        names = unique_names(cells)
        plan = planner(names, mark)
        if isinstance(plan, NoPlan):
            if widest is None or len(cells) > widest[0]:
                widest = (len(cells), plan)
        elif best is None or plan.score > best.plan.score:
            best = Header(number, mark, names, plan)
    if best:
        return best
    return widest[1] if widest else NoPlan("The file has no line with cells in it. Export it again.")


def under_groups(above: Sequence[str | None], cells: Sequence[str | None]) -> list[str | None]:
    """Return the names of a head of two lines: each with the group that stands above it, or above one to its left."""
    joined: list[str | None] = []
    group = ""
    for position, cell in enumerate(cells):
        over = (above[position] or "").strip() if position < len(above) else ""
        group = over or group
        joined.append(_joined(group, (cell or "").strip()))
    return joined


def _joined(above: str, below: str) -> str:
    """Return two cells as one name; a word that is cut by a hyphen at the end of the line is put together again."""
    if above.endswith("-") and below:
        return (above[:-1] if below[0].islower() and len(above) > _SHORTEST_CUT else above) + below
    return " ".join(part for part in (above, below) if part)
