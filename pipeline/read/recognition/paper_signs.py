"""What papers of a shop are told by: a sign and its weight, and what several kinds look for in columns and rows.

The shares and ratios here, and in the modules that look for signs, are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import polars as pl

from pipeline.read.recognition.sample import Column, Sample
from schemas.profile import UNITS
from schemas.vocabulary import InputKind
from schemas.words import plain, telling_columns, unit_spelling, units

SURE: Final = 0.001
"""The ratio of what no list of a kind has."""
STRONG: Final = 0.02
ASKED: Final = 0.08
"""The ratio of what is enough by itself, where nothing speaks for the kind."""
FEWEST_ROWS: Final = 8
MEANT: Final = 0.5
MOSTLY: Final = 0.9
EACH_ITS_OWN: Final = 0.8  # share of rows with a value of their own
HANDED_OUT: Final = 12
"""The most things that are handed out, or codes that rows are sorted by."""
DAY_US: Final = 86_400_000_000
BRACKETS: Final = re.compile(r"[(\[]\s*([^()\[\]]+?)\s*[)\]]")
_PERHAPS: Final = 0.3
_REPEATED: Final = 3
_VARIED: Final = 0.5  # share of programs, or tools, whose rows differ
_ROWS_COUNTED: Final = 20  # numbers up to here may count the rows of a table
_IDS: Final = ("program", "tool", "job", "part")
_NAMING: Final = re.compile(r" (?:no|nr|num|numero|numer|nummer|number|n|c|cislo)(?= )")
_SHORT_WORD: Final = 3  # letters


class Sign(NamedTuple):
    """Something about a table: how many times as often lists of a kind have it as others, and what it is."""

    ratio: float
    told: str


@dataclass(frozen=True)
class Filled:
    """A table with the columns that fill the fields of a kind; a date and a time of day are joined in one."""

    kind: InputKind
    fields: Mapping[str, Column]
    used: frozenset[str]  # names of columns
    sample: Sample
    machines: Mapping[str, str]  # that the shop has, id or name folded in case -> id

    @property
    def unused(self) -> Iterator[Column]:
        """The columns that fill no field."""
        return (column for column in self.sample.columns if column.name not in self.used)


def measured(column: Column) -> str:
    """Return what a name or its unit says is measured, in so far as machining has no use for it."""
    units_said = [unit_spelling(text) for text in BRACKETS.findall(column.name)]
    last = column.name.split()[-1] if column.name.split() else ""
    said = {*units_said, *([unit_spelling(last)] if len(last) > 1 else [])}
    if said & {unit_spelling(text) for text in telling_columns()["process_units"]}:
        return "foreign"
    if said & {unit_spelling(text) for text in telling_columns()["hardness"]}:
        return "hardness"
    if any(units().foreign.get(unit) == "mass" for unit in units_said):
        return "foreign"
    concepts = column.reading.concepts
    if concepts.get("temperature", 0.0) >= MEANT or any(stem in plain(column.name) for stem in ("temperat", "teplot")):
        return "temperature"
    if "temperature" in {units().marks.get(unit) for unit in units_said} and said & {"°c", "°f", "celsius"}:
        return "temperature"
    if concepts.get("pressure", 0.0) >= MEANT or "pressure" in {units().marks.get(unit) for unit in said}:
        return "pressure"
    if said & {"a", "v"} and set(units_said) & {"a", "v"}:
        return "electricity"
    unit = column.unit
    return "mass" if unit is not None and UNITS[unit][0] == "mass" else ""


def answers_yes_or_no(column: Column) -> bool:
    """Return whether a column says yes in some rows and no in others."""
    answers = telling_columns()["yes"] | telling_columns()["no"]
    return len(column.distinct) > 1 and all(plain(word) in answers for word in column.few_values or ["-"])


def is_serial(column: Column) -> bool:
    """Return whether each cell has one more than the one before, or each one less, and they do not count the rows."""
    if not counts_on(column):
        return False
    lettered = bool(column.text.str.contains(r"^\s*\p{L}").all())
    return lettered or bool((_numbers(column) > _ROWS_COUNTED).all())


def counts_on(column: Column) -> bool:
    """Return whether each cell has one more than the one before, or each one less."""
    if column.filled < len(column.text) or len(column.text) < FEWEST_ROWS:
        return False
    steps = _numbers(column).diff().drop_nulls()
    return len(steps) == len(column.text) - 1 and (bool((steps == 1).all()) or bool((steps == -1).all()))


def _numbers(column: Column) -> pl.Series:
    return column.text.str.extract(r"^\D*(\d{1,12})").cast(pl.Int64, strict=False)


def varies(column: Column, filled: Filled) -> bool:
    """Return whether a column differs among the rows of one program, job, part and tool, where they come again."""
    for name in _IDS:
        of = filled.fields.get(name)
        if of is None:
            continue
        rows = pl.DataFrame({"of": of.text, "told": column.text}).drop_nulls()
        told = rows.filter(pl.len().over("of") > 1).group_by("of").agg(pl.col("told").n_unique())["told"]
        if not len(told) or float((told > 1).mean() or 0.0) < _VARIED:  # type: ignore[arg-type]
            return False
    return len(column.distinct) > 1


def recurs(column: Column, filled: Filled) -> bool:
    """Return whether a column says a few things of parts that are all different."""
    part = filled.fields.get("part")
    many = part is not None and len(part.distinct) >= EACH_ITS_OWN * part.filled
    return many and 1 < len(column.distinct) <= column.filled / _REPEATED


def is_description(column: Column) -> bool:
    """Return whether a name says description or text, and not remark."""
    concepts = column.reading.concepts
    text = max(concepts.get("text", 0.0), concepts.get("native_code", 0.0))
    return text >= _PERHAPS and concepts.get("note", 0.0) <= MEANT and not column.numbers and not column.times


def begins(name: str, stems: str) -> bool:
    """Return whether words of a name, in plain form, begin with some telling stems."""
    said = f" {plain(name)}"
    return any(f" {stem}" in said for stem in telling_columns()[stems])


def has(name: str, words: str) -> bool:
    """Return whether a name, in plain form, has a telling word or phrase, whole; short ones are all of the name.

    "VE" counts boxes, "nástroj ve vřetenu" is a tool.
    """
    said, bare = f" {plain(name)} ", _NAMING.sub(" ", f" {plain(name)} ").strip()
    return any(word == bare or (len(word) > _SHORT_WORD and f" {word} " in said) for word in telling_columns()[words])
