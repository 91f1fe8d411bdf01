"""Recognises what rows take from above them: marks of repetition, and lines of a lone cell that head the rows below.

It finds and describes them as a profile does; filling in is the readers' business (`above.py`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

import polars as pl

from pipeline.read.above import NARROWEST, heading_texts, is_ditto, lone_cells
from pipeline.read.aligned import DAY
from pipeline.read.rawtable import OWN
from pipeline.read.recognition.names import read_name
from pipeline.read.recognition.places import looks_like_id, machine_of_line, numbers_another
from pipeline.read.recognition.said_above import Titles, only_said, said_of
from pipeline.read.recognition.sample import clock_us
from pipeline.read.recognition.time_forms import time_forms
from pipeline.read.skipping import TOTAL_LINE, why_no_row
from schemas.words import WEEKDAYS, languages, plain

_MOST_SHARE: Final = 0.5  # of rows that are headings
_MOST_HEADINGS: Final = 400
_FEWEST_ROWS: Final = 4
_EMPTY_SHARE: Final = 0.5
_FEWEST_GOING_ON: Final = 3
_ROWS_LOOKED_AT: Final = 200
_NAMED: Final = 0.5
_DESIGNATION: Final = re.compile(r"([^\W\d_]{2,8}[ -]?)\d{1,3}")
_FEWEST_BESIDE: Final = 3
_ORDERS: Final = ("job", "operation", "part", "program")
_ELSE: Final = frozenset({"program", "job"})  # what else rows of a machine's log are grouped by
_LABELLED: Final = r"^[^:=]{2,30}[:=]\s*(?P<value>\S.*)$"


def standing_above(cells: pl.DataFrame, machines: Mapping[str, str], titles: Titles = ()) -> dict[str, Any]:
    """Return the part of [file] of a profile that says what rows take from above, {} where they take nothing.

    `titles` are the lines above the head: they say what the rows above the first heading are of.
    """
    found: dict[str, Any] = {}
    names = [name for name in cells.columns if name not in OWN]
    if any(is_ditto(cells[name]).any() for name in names):
        found["ditto"] = True
    # few columns may: what is a total is looked for only where one does
    if may := [name for name in names if _may_stand_once(cells[name])]:
        rows = cells.filter((why_no_row(cells.select(names)) != TOTAL_LINE).fill_null(True))
        carried = [name for name in may if _stands_once(rows, name, names)]
        if carried := [*carried, *_orders_once(rows, [name for name in may if name not in carried], names)]:
            found["carried_down"] = carried
    headings = _headings(cells, names, machines) or _labelled_headings(cells, names, titles)
    if headings is not None:
        found["headings"] = headings
    return found


def _may_stand_once(cells: pl.Series) -> bool:
    """Return whether a column with empty cells is called as one of machines, days, or orders and their like is."""
    if not _has_gaps(cells):  # asked first: to read names takes the words of all languages
        return False
    concepts = read_name(cells.name).concepts
    return max(concepts.get(name, 0.0) for name in ("machine", "instant", *_ORDERS)) >= _NAMED


def _has_gaps(cells: pl.Series) -> bool:
    return cells.null_count() > 0 or bool((cells.str.strip_chars() == "").any())


def _stands_once(cells: pl.DataFrame, name: str, names: list[str]) -> bool:
    """Return whether a column of days or machines is filled in the first row of each group alone, as merged cells are.

    Most of its cells are empty then, or of days those where the time of day beside it goes on; none in the first row,
    and no row is empty beside it. `cells` are without totals.
    """
    text = cells[name].str.strip_chars().replace("", None)
    if cells.height < _FEWEST_ROWS or text[0] is None:
        return False
    if text.null_count() < _EMPTY_SHARE * cells.height and not _goes_on(cells, text, names):
        return False
    concepts = read_name(name).concepts
    if concepts.get("machine", 0.0) < _NAMED and not (concepts.get("instant", 0.0) >= _NAMED and _holds_days(text)):
        return False
    others = [pl.col(other).str.strip_chars() != "" for other in names if other != name]
    beside = cells.filter(text.is_null()).select(pl.sum_horizontal(filled.fill_null(False) for filled in others) >= 2)
    return bool(beside.to_series().mean() == 1.0)


def _orders_once(cells: pl.DataFrame, may: Sequence[str], names: Sequence[str]) -> list[str]:
    """Return the columns of orders, operations, parts that are filled in the first row of each group alone.

    They are filled in the same rows, never twice the same, and another column of that kind, which is filled in all
    rows, is the same in each group and not in all: an empty cell may otherwise be a row that is of no order.
    """
    text = {name: cells[name].str.strip_chars().replace("", None) for name in names}
    once = [name for name in may if _is_of_orders(name) and _is_mostly_empty(text[name])]
    if not once or any(not (text[name].is_null() == text[once[0]].is_null()).all() for name in once):
        return []
    first = text[once[0]].is_not_null()
    beside = cells.filter(~first).select(
        pl.sum_horizontal((pl.col(name).str.strip_chars() != "").fill_null(False) for name in names) >= _FEWEST_BESIDE
    )
    told = pl.DataFrame([text[name] for name in once]).filter(first)
    again = told.select(pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in once)).to_series()
    if again.any() or not beside.to_series().all():
        return []
    group = first.cast(pl.Int64).cum_sum()
    for name in names:
        if name in once or not _is_of_orders(name) or text[name].null_count():
            continue
        rows = pl.DataFrame({"group": group, "said": text[name]})
        if rows["said"].n_unique() > 1 and rows.unique().height == rows["group"].n_unique():
            return once
    return []


def _is_of_orders(name: str) -> bool:
    concepts = read_name(name).concepts
    return max(concepts.get(concept, 0.0) for concept in _ORDERS) >= _NAMED


def _is_mostly_empty(text: pl.Series) -> bool:
    return len(text) >= _FEWEST_ROWS and text[0] is not None and text.null_count() >= _EMPTY_SHARE * len(text)


def _goes_on(cells: pl.DataFrame, days: pl.Series, names: list[str]) -> bool:
    """Return whether a day stands where another begins, and the time of day is later in each row without one."""
    told = days.drop_nulls()
    if days.null_count() < _FEWEST_GOING_ON or (told == told.shift(1)).any():
        return False
    for other in (name for name in names if name != days.name):
        clock = cells[other].str.strip_chars().replace("", None)
        form = next(iter(time_forms(clock.head(_ROWS_LOOKED_AT))), None)
        if form is None or form.holds != "time of day" or form.share < 1.0 or clock.null_count():
            continue
        at_us = clock_us(clock, form.format)
        later = (at_us >= at_us.shift(1)).filter(days.is_null())
        if later.all() and not later.null_count():
            return True
    return False


def _headings(cells: pl.DataFrame, names: list[str], machines: Mapping[str, str]) -> dict[str, str] | None:
    if len(names) < NARROWEST:
        return None
    lone = lone_cells(cells)
    if lone[0] is None:
        return None  # where the first row stands under no heading, the lines are remarks
    totals = (why_no_row(cells.select(names)) == TOTAL_LINE).fill_null(False)
    texts = lone.set(totals, None).drop_nulls()
    if not len(texts) or len(texts) > _MOST_SHARE * cells.height:
        return None
    said = texts.unique().head(_MOST_HEADINGS)
    rows = cells.filter(lone.is_null())
    # what is no date is a remark below one ("closed"), which no digit must make one
    dated = said.filter(said.str.contains(r"\d"))
    if len(dated) and dated.is_in([lone[0]]).any() and _are_dates(dated) and not any(map(_holds_days, rows[names])):
        return {"column": _free("Date", names), "matches": r"\d"}
    if (matches := _named_days(dated, lone[0])) is not None and not any(map(_holds_days, rows[names])):
        return {"column": _free("Date", names), "matches": matches}
    if any(read_name(name).concepts.get("machine", 0.0) >= _NAMED for name in names):
        return None
    if (matches := _machine_headings(said.to_list(), lone[0], machines, names)) is not None:
        return {"column": _free("Machine", names), "matches": matches}
    return None


def _named_days(said: pl.Series, first: str) -> str | None:
    """Return the pattern of lines that say a day with words for it: "Date: 23.02.2026", "-- 23.02.2026 Monday --"."""
    days = said.str.extract(rf"({DAY})")
    if not len(said) or days.null_count() or not said.is_in([first]).any() or not _are_dates(days):
        return None
    around = said.str.replace(DAY, " ").str.extract_all(r"[^\W\d_]+").explode().drop_nulls().unique()
    alone = not said.str.replace(DAY, " ").str.contains(r"\d").any()
    return rf"(?P<value>{DAY})" if alone and all(map(_is_of_days, around)) else None


def _is_of_days(word: str) -> bool:
    """Return whether a word is a day of the week, one for a date, or says nothing."""
    if plain(word) in WEEKDAYS or any(plain(word) in language.stop for language in languages().values()):
        return True
    return read_name(word).concepts.get("instant", 0.0) >= _NAMED


def _labelled_headings(cells: pl.DataFrame, names: list[str], titles: Titles) -> dict[str, Any] | None:
    """Return the rule for lines that all say one field of the rows below them: "Job: 4711", in one cell or in two.

    The rows above the first of them are of what a title says; where none does, somebody must say it.
    """
    if len(names) < NARROWEST:
        return None
    texts = heading_texts(cells)
    distinct = texts.filter(texts.str.contains(r"^\p{L}")).unique().sort().head(_MOST_HEADINGS)
    if not len(distinct) or len(texts.drop_nulls()) > _MOST_SHARE * cells.height:
        return None
    told = [said for text in distinct if (said := only_said(text)) is not None]
    if not told or len({(field, label.casefold()) for field, label, _ in told}) > 1:
        return None
    field, label, _ = told[0]
    if any(read_name(name).concepts.get(field, 0.0) >= _NAMED for name in names):
        return None
    matches = rf"(?i)^{re.escape(label)}\s*[:=]?\s*(?P<value>\S.*)$"
    rule: dict[str, Any] = {"column": _free(label, names), "matches": matches, "cells": 2}
    if texts[0] is None or only_said(texts[0]) is None:
        before = said_of(field, titles)
        if before is None:
            return None
        rule["before"] = before
    return rule


def _machine_headings(said: Sequence[str], first: str, machines: Mapping[str, str], names: Sequence[str]) -> str | None:
    """Return the pattern of lone lines that name machines, the first one among them; None where they do not.

    Designations alone ("CU-1", "CU-3") are of machines where they differ by their number only, nothing in the table
    leaves open what else they can be, and their letters mean nothing else.
    """
    spans = {text: span for text in said if (span := machine_of_line(text, machines)) is not None}
    if first not in spans and _are_designations(said, names):
        spans = {text: (0, len(text)) for text in said}
    if first not in spans or any(looks_like_id(text) for text in said if text not in spans):
        return None
    if all(re.match(_LABELLED, text) for text in spans):
        return _LABELLED
    around = [
        {re.escape(part) for part in parts if part}
        for parts in zip(*((text[:start], text[end:]) for text, (start, end) in spans.items()), strict=True)
    ]
    before, behind = (f"(?:{'|'.join(sorted(parts))})?" if parts else "" for parts in around)
    values = sorted({re.escape(text[start:end]) for text, (start, end) in spans.items()})
    return f"^{before}(?P<value>{'|'.join(values)}){behind}$"


def _are_designations(said: Sequence[str], names: Sequence[str]) -> bool:
    signs = {match[1].strip(" -") for text in said if (match := _DESIGNATION.fullmatch(text)) is not None}
    known = {concept for name in names for concept, share in read_name(name).concepts.items() if share >= _NAMED}
    return (
        len(said) > 1
        and len(signs) == 1
        and all(_DESIGNATION.fullmatch(text) for text in said)
        and known >= _ELSE
        and not numbers_another(next(iter(signs)))
    )


def _are_dates(texts: pl.Series) -> bool:
    forms = time_forms(texts)
    return bool(forms) and forms[0].holds == "date" and forms[0].share == 1.0 and not forms[0].weak


def _holds_days(cells: pl.Series) -> bool:
    forms = time_forms(cells.str.strip_chars().replace("", None).head(_ROWS_LOOKED_AT))
    return any(form.holds != "time of day" and not form.weak for form in forms)


def _free(name: str, names: list[str]) -> str:
    return name if name not in names else f"{name} above"
