"""Finds the header of a table in its first lines: which line, which delimiter, what it is a table of.

It looks at the first lines only and reads no rows.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.read.plan import NoPlan, TablePlan
from pipeline.read.rawtable import unique_names

DELIMITERS: Final = (";", "\t", ",", "|")
SEARCHED_LINES: Final = 60
Planner = Callable[[Sequence[str], str], "TablePlan | NoPlan"]
"""Takes a header's names and the delimiter ("" for sheets), returns the plan."""


@dataclass(frozen=True)
class Header:
    """The header found: `line` is its 1-based line among those searched."""

    line: int
    delimiter: str
    names: list[str]
    plan: TablePlan


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def find_header(lines: Sequence[str], planner: Planner, delimiter: str | None, line: int | None) -> Header | NoPlan:
    """Return the header among the first lines of a text: the line whose cells fit best, the first of equals."""
    candidates = [delimiter] if delimiter else list(DELIMITERS)
    rows = [
        (number, mark, split_line(text, mark))
        for number, text in enumerate(lines[: max(SEARCHED_LINES, line or 0)], start=1)
        if text.strip() and (line is None or number == line)
        for mark in candidates
    ]
    return pick_header(rows, planner)


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
