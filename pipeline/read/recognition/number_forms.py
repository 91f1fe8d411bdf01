"""The ways in which a column of text can be read as numbers: marks, a unit behind the number, range.

Durations written as clocks or words are `duration_forms.py`'s business; what the numbers count is the assigner's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import polars as pl

from pipeline.read.numbers import NUMBER_AND_WORD, read_numbers, without_empty_words
from schemas.unit_words import unit_behind

ENOUGH: Final = 0.9  # share of the filled cells that a form must read
_SAMPLE: Final = 400
_HOPELESS: Final = 0.8  # share of the sample below which the column is no column of numbers
_NUMBER: Final = r"^[+\-−]?\s?(?:\d[\d.,'’\s]*|[.,]\d+)(?:[eE][+-]?\d{1,3})?\s?[-−]?$"
_UNGROUPED: Final = r"^[+\-−]?\d{4}"  # four digits in front with no mark between: nobody groups by threes here
_THREE_BEHIND: Final = r"[.,]\d{3}[-−]?$"
_MANY_MARKED: Final = 60  # decimals cut of their zeros would by now have shown one or two digits: 0.9^60 = 0.2 %
_LONGEST_SUFFIX: Final = 12
_SURE_AFTER: Final = 50  # cells that one form alone reads for each that only the other reads

_MONEY: Final = "€$£"
_MONEY_IN_FRONT: Final = r"^([€$£])\s?\d"

Mark = Literal[".", ","]
Thousands = Literal[".", ",", " ", "'"]


@dataclass(frozen=True)
class NumberForm:
    """One way in which a column can be read as numbers."""

    decimal: Mark | None  # None: no cell has a decimal mark, any fits
    thousands: Thousands | None  # as [file] of a profile says it; None: no cell has one, any fits
    share: float  # of the filled cells that it reads
    whole: bool  # every number is whole
    suffix: str | None  # the word behind the number (a sign of money: in front too), the same wherever there is one
    unit: str | None  # what `suffix` is as a unit of a profile (a key of UNITS), None where it is none
    low: float
    median: float
    high: float
    rises: float  # share of steps between consecutive filled cells that rise, steps of nothing left out
    undecided: bool  # another form of the list reads other numbers, and nothing in the column tells which is right
    evidence: str  # a short phrase for a person

    @property
    def split(self) -> str | None:
        """The `split` of a profile that takes off a suffix that is no unit; a cell without it stays as it is."""
        if self.suffix is None or self.unit is not None:
            return None
        word = re.escape(self.suffix).replace("\\ ", " ")
        return rf"(?i)^(?:{word})?\s*(?P<value>.*?)\s*(?:{word}\.?)?$"


@dataclass(frozen=True)
class _Reading:
    decimal: Mark | None
    thousands: Thousands | None
    numbers: pl.Series


def number_forms(text: pl.Series) -> list[NumberForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for a column of no numbers.

    `1,234` alone fits two ways: both are returned, both `undecided`; other columns of the file may tell.
    """
    filled = without_empty_words(text).drop_nulls()
    filled = filled.filter(filled != "")
    sample = filled.gather_every(max(1, len(filled) // _SAMPLE)).head(_SAMPLE)
    if not len(sample):
        return []
    suffix = _suffix(sample)
    bare = _without_suffix(sample, suffix)
    if bare.str.contains(_NUMBER).sum() < _HOPELESS * len(sample):
        return []
    if suffix is not None:
        filled = _without_suffix(filled, suffix)
    filled = filled.set(~filled.str.contains(_NUMBER), None)
    readings = [reading for reading in _readings(filled) if _share(reading) >= ENOUGH]
    kept, why = _not_beaten(readings, filled)
    return [_form(reading, suffix, why, undecided=len(kept) > 1) for reading in kept]


def _suffix(sample: pl.Series) -> str | None:
    """Return the word that stands behind the numbers, None where there is none or more than one."""
    money = sample.str.extract(_MONEY_IN_FRONT, 1).drop_nulls()
    if len(money) >= _HOPELESS * len(sample) and money.n_unique() == 1:
        return str(money[0])
    words = sample.str.extract(NUMBER_AND_WORD, 2).drop_nulls()
    if len(words) < (1 - _HOPELESS) * len(sample):
        return None
    spellings = words.unique().to_list()
    units = {unit_behind(word) for word in spellings}
    if len(units) == 1 and None not in units:
        return str(words.mode().sort()[0]).rstrip(".")
    # A word that is no unit stands off its number: 1234.NC and 12A are names.
    apart = sample.str.contains(r"\d\s+[^\d\s]+(?:\s[^\d\s]+)?$").sum() >= len(words)
    same = {_same(word) for word in spellings}
    word = min(spellings).rstrip(".")
    return word if apart and len(same) == 1 and len(word) <= _LONGEST_SUFFIX else None


def _same(word: str) -> str:
    return word.rstrip(".").casefold()


def _without_suffix(cells: pl.Series, suffix: str | None) -> pl.Series:
    if suffix is None:
        return cells
    if suffix in _MONEY:
        cells = cells.str.strip_prefix(suffix).str.strip_chars_start()
    parts = cells.str.extract_groups(NUMBER_AND_WORD).struct.unnest()
    number, word = parts.to_series(0), parts.to_series(1)
    unit, bare = unit_behind(suffix), _same(suffix)
    own = [
        found
        for found in word.drop_nulls().unique().to_list()
        if (unit_behind(found) == unit if unit else _same(found) == bare)
    ]
    return number.str.strip_chars().zip_with(word.is_in(own).fill_null(False), cells)


def _readings(cells: pl.Series) -> Iterator[_Reading]:
    """Yield the readings that the marks in the cells allow."""
    # What stands for one of two marks is settled by what else is there: a blank or an apostrophe only groups.
    points, commas = (bool(cells.str.contains(mark, literal=True).any()) for mark in ".,")
    blanks, quotes = (bool(cells.str.contains(mark).any()) for mark in (r"\d\s+\d", "['’]"))
    if blanks and quotes:
        return
    grouped: Thousands | None = " " if blanks else "'" if quotes else None
    if not points and not commas:
        yield _Reading(None, grouped, read_numbers(cells, ".", grouped))
        return
    decimals: tuple[tuple[Mark, bool, Thousands, bool], ...] = ((".", points, ",", commas), (",", commas, ".", points))
    for decimal, has_decimal, thousands, has_thousands in decimals:
        if grouped is None and has_thousands:
            whole = cells.set(cells.str.contains(_UNGROUPED).fill_null(False), None)
            yield _Reading(decimal if has_decimal else None, thousands, read_numbers(whole, decimal, thousands))
        if has_decimal and (grouped is not None or not has_thousands):
            yield _Reading(decimal, grouped, read_numbers(cells, decimal, grouped))
        elif has_decimal:
            yield _Reading(decimal, None, read_numbers(cells, decimal))


def _share(reading: _Reading) -> float:
    return 1 - reading.numbers.null_count() / len(reading.numbers)


def _not_beaten(readings: list[_Reading], cells: pl.Series) -> tuple[list[_Reading], str]:
    """Return the readings that no other beats, and what told."""
    kept: list[_Reading] = []
    why = ""
    for reading in sorted(readings, key=lambda each: each.numbers.null_count()):
        beaten = False
        for other in kept:
            only_other = int((other.numbers.is_not_null() & reading.numbers.is_null()).sum())
            only_this = int((other.numbers.is_null() & reading.numbers.is_not_null()).sum())
            beaten |= only_other > _SURE_AFTER * only_this or bool((other.numbers == reading.numbers).all())
        if not beaten:
            kept.append(reading)
    if len(kept) == 2 and {reading.thousands is None for reading in kept} == {True, False}:
        marked = cells.filter(cells.str.contains(r"[.,]").fill_null(False)).unique()
        if len(marked) >= _MANY_MARKED and len(marked) < cells.n_unique() and marked.str.contains(_THREE_BEHIND).all():
            kept = [reading for reading in kept if reading.thousands is not None]
            why = "three digits behind every mark, and numbers below 1000 have none"
    return kept, why


def _form(reading: _Reading, suffix: str | None, why: str, *, undecided: bool) -> NumberForm:
    numbers = reading.numbers.drop_nulls()
    steps = numbers.diff()
    rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
    whole = bool((numbers == numbers.round(0)).all())
    low, median, high = _three(numbers)
    evidence = f"{'whole numbers' if whole else 'numbers'} from {low:g} to {high:g}"
    marks = {".": "points", ",": "commas", " ": "blanks", "'": "apostrophes"}
    if reading.decimal:
        evidence += f", decimal {marks[reading.decimal]}"
    if reading.thousands:
        evidence += f", {marks[reading.thousands]} between thousands"
    if suffix:
        evidence += f', "{suffix}" with them'
    if undecided:
        evidence += "; the mark may be a decimal mark or one of thousands"
    if why:
        evidence += f" ({why})"
    return NumberForm(
        reading.decimal,
        reading.thousands,
        _share(reading),
        whole,
        suffix,
        _profile_unit(suffix),
        low,
        median,
        high,
        rises / (rises + falls) if rises + falls else 0.0,
        undecided,
        evidence,
    )


def _profile_unit(suffix: str | None) -> str | None:
    unit = unit_behind(suffix) if suffix else None
    return None if unit == "d" else unit  # a day is no unit of a profile


def _three(numbers: pl.Series) -> tuple[float, float, float]:
    frame = (
        numbers.alias("n").to_frame().select(low=pl.col("n").min(), mid=pl.col("n").median(), high=pl.col("n").max())
    )
    low, median, high = frame.row(0)
    return float(low), float(median), float(high)
