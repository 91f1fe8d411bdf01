"""What recognition looks at: the cells of a table's first rows with what stands around them.

It holds and measures; it decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import polars as pl

from pipeline.read.foot import stand_outside
from pipeline.read.rawtable import RawTable, unique_names
from pipeline.read.recognition.duration_forms import DurationForm, duration_forms
from pipeline.read.recognition.legends import legend
from pipeline.read.recognition.names import NameReading, kind_titles, read_name
from pipeline.read.recognition.number_forms import NumberForm, number_forms
from pipeline.read.recognition.shared_dates import dated_by_start
from pipeline.read.recognition.sisters import HeadKey, Sisters
from pipeline.read.recognition.text_facts import TextFacts, text_facts
from pipeline.read.recognition.time_forms import TimeForm, time_forms
from pipeline.read.recognition.yearless import NO_YEAR, lacks_year, with_year, year_said
from pipeline.read.recognition.zones import (
    is_universal,
    title_is_universal,
    values_are_universal,
    without_zone,
    zone_pattern,
    zones_behind,
)
from pipeline.read.skipping import why_no_row
from pipeline.read.times import read_times
from schemas.concepts import TIMES
from schemas.vocabulary import InputKind
from schemas.words import plain, telling_columns

_GLANCED_AT: Final = 50
_HALF: Final = 0.5
_MAY_BE_DURATION: Final = (
    r"^[+\-−]?\s*(?:1(?:899|900)-|[Pp][\dTt]|\d[\d.,\s]*(?::|\p{L}|['\"′″]))"  # 1:05, 1 h, 12min, PT5M
)
_MOST_STEPS: Final = 9_995
MOST_WORDS: Final = 40
"""A closed list of words has no more."""
LOOKED_AT_ROWS: Final = 20_000
"""Rows whose values are weighed; which of day and month comes first is decided by the whole column."""


@dataclass(frozen=True)
class Knowledge:
    """What the shop knows already: ids by which values of a file are told. Names are folded in case."""

    machines: Mapping[str, str] = field(default_factory=dict)  # id or name, folded -> id
    programs: frozenset[str] = frozenset()
    jobs: frozenset[str] = frozenset()
    machines_seen: frozenset[str] = frozenset()  # ids that rows of the book name, folded
    heads: Mapping[HeadKey, Sisters] = field(default_factory=dict)  # what files that are sure tell of others
    machine: str | None = None  # of the whole file, as its [[source]] or its path says
    currency: str = ""  # of the shop
    machine_given: bool = False  # by the [[source]] of the file: a person has decided


@dataclass(frozen=True)
class Column:
    """One column of a sample: its name and its cells, trimmed, null where empty."""

    name: str
    text: pl.Series
    unit_below: str | None  # what a units row says
    year: int | None = None  # that was put in front of its cells, NO_YEAR where nothing says it
    zones: tuple[str, ...] = ()  # words for time zones that stood behind its cells
    clock: str | list[str] | None = None  # the format of its cells, where their day was taken from the start
    legend: Mapping[str, str] = field(default_factory=dict, repr=False)  # what codes stand for, as the file says

    def said(self, word: str) -> str:
        """Return what a cell says: the meaning of a code where a legend gives it, else the cell itself."""
        return self.legend.get(word, word)

    @cached_property
    def reading(self) -> NameReading:
        """What the name says."""
        return read_name(without_zone(self.name))

    @cached_property
    def filled(self) -> int:
        """How many cells are not empty."""
        return len(self.text) - self.text.null_count()

    @cached_property
    def times(self) -> list[TimeForm]:
        """The forms in which the cells are times, best first."""
        return time_forms(self.text)

    @cached_property
    def numbers(self) -> list[NumberForm]:
        """The forms in which the cells are numbers."""
        return number_forms(self.text)

    @cached_property
    def durations(self) -> list[DurationForm]:
        """The forms in which the cells are durations that bear their unit."""
        first = self.text.drop_nulls().head(_GLANCED_AT)
        may_be = first.str.contains(_MAY_BE_DURATION).mean()
        return duration_forms(self.text) if isinstance(may_be, float) and may_be >= _HALF else []

    @cached_property
    def facts(self) -> TextFacts:
        """What the cells are as text."""
        return text_facts(self.text)

    @cached_property
    def distinct(self) -> pl.Series:
        """The distinct values of the cells, sorted."""
        return self.text.drop_nulls().unique().sort()

    @cached_property
    def few_values(self) -> list[str]:
        """The distinct values where they are as few as the words of a closed list, else nothing."""
        return self.distinct.to_list() if len(self.distinct) <= MOST_WORDS else []

    @cached_property
    def in_fives(self) -> bool:
        """Whether all cells are numbers in fives or tens, as operations are numbered."""
        steps = self.distinct.cast(pl.Int64, strict=False)
        if not len(steps) or steps.null_count():
            return False
        return bool((steps % 5 == 0).all()) and bool((steps > 0).any()) and bool((steps <= _MOST_STEPS).all())

    @property
    def unit(self) -> str | None:
        """The unit that the name or the units row states."""
        return self.reading.unit or self.unit_below


@dataclass(frozen=True)
class Sample:
    """The first rows of one table."""

    names: list[str]
    table: RawTable  # at most LOOKED_AT_ROWS rows
    titles: tuple[tuple[str, ...], ...] = ()  # filled cells of each line above the head; the name of the sheet
    place: str = ""  # the path of the file
    units: Mapping[str, str] = field(default_factory=dict)  # by column, from a units row
    in_sheet: bool = False
    split: Callable[[str], list[str]] = lambda raw: [raw]  # the raw text of a row -> its cells
    rest: Callable[[], Iterator[pl.DataFrame]] = lambda: iter(())  # the whole table again, for what the rows leave open
    zone: str = "UTC"  # in which times without an offset are read
    beside: tuple[tuple[str, ...], ...] = ()  # cells of lines that stand outside the table: below it, on other sheets
    own_rows: int | None = None  # of this table, where others of its head are looked at too: a machine's own cycles

    @cached_property
    def cells(self) -> pl.DataFrame:
        """The cells of the rows; totals, remarks, numbers of pages and what stands below the table are left out."""
        rows = self.table.cells.select(self.names)
        return rows.filter(why_no_row(rows).is_null() & ~stand_outside(self.table.cells))

    @cached_property
    def columns(self) -> list[Column]:
        """The columns in the order of the file, those without any cell left out."""
        columns = [self._column(name, trimmed(self.cells[name])) for name in self.names]
        return dated_by_start([column for column in columns if column.filled], self.zone)

    def _column(self, name: str, text: pl.Series) -> Column:
        """Return a column with the year put in front of dates that have none, and without zones behind times."""
        known = self.legend
        if lacks_year(text) and read_name(without_zone(name)).concepts.keys() & TIMES:
            year = year_said(self.titles, self.place) or NO_YEAR
            return Column(name, with_year(text, year), self.units.get(name), year=year, legend=known)
        zones = zones_behind(text)
        bare = text.str.extract(zone_pattern(zones), 1) if zones else text
        return Column(name, bare, self.units.get(name), zones=zones, legend=known)

    @cached_property
    def legend(self) -> Mapping[str, str]:
        """What codes stand for, as lines around the table say."""
        return legend([*self.titles, *self.beside])

    @cached_property
    def _bearers(self) -> dict[str, list[tuple[float, str]]]:
        """The two columns whose names bear a meaning most surely."""
        bearers: dict[str, list[tuple[float, str]]] = {}
        for column in self.columns:
            for concept, share in column.reading.concepts.items():
                bearers[concept] = sorted([*bearers.get(concept, ()), (share, column.name)], reverse=True)[:2]
        return bearers

    def borne_elsewhere(self, concept: str, column: Column) -> float:
        """Return how surely another column's name bears a meaning."""
        return max((share for share, name in self._bearers.get(concept, ()) if name != column.name), default=0.0)

    @cached_property
    def scrap_is_of_a_total(self) -> bool:
        """Whether a column of scrap says that it is a part of what another column counts: "davon Ausschuss"."""
        return any(
            column.reading.concepts.get("scrap", 0.0) >= _HALF and is_of_which(column) for column in self.columns
        )

    @cached_property
    def is_unnamed(self) -> bool:
        """Whether no line names the columns."""
        return self.names == unique_names([None] * len(self.names))

    def is_universal(self, names: tuple[str, ...]) -> bool:
        """Return whether the times of some columns are universal: their names, a title or a column of zones says so."""
        said = title_is_universal(self.titles) or any(is_universal(name) for name in names)
        return said or any(is_zone(column) and values_are_universal(column.few_values) for column in self.columns)

    @property
    def rows(self) -> int:
        """How many rows are looked at."""
        return self.table.cells.height


def title_share(kind: InputKind, sample: Sample) -> float:
    """Return how surely the title lines of a table say that it is of a kind."""
    return max((kind_titles(" ".join(cells)).get(kind, 0.0) for cells in sample.titles), default=0.0)


def file_share(kind: InputKind, sample: Sample) -> float:
    """Return how surely the name of the file says so: it is of the whole file, and often of a folder's habit."""
    return kind_titles(sample.place.rpartition("/")[2]).get(kind, 0.0)


def is_of_which(column: Column) -> bool:
    """Return whether the name of a count says that it is a part of another one."""
    name = plain(column.name)
    return any(name.startswith(f"{words} ") for words in telling_columns()["of_which"])


def is_zone(column: Column) -> bool:
    """Return whether a column holds time zones."""
    return column.reading.concepts.get("zone", 0.0) >= _HALF and not column.times


def trimmed(cells: pl.Series) -> pl.Series:
    """Return cells without blanks around them, empty ones null."""
    text = cells.str.strip_chars()
    return text.set((text.str.len_bytes() == 0).fill_null(False), None)


def thinned(table: RawTable) -> RawTable:
    """Return the first half of the rows looked at, and as many spread over the rest of the table."""
    cells = table.cells
    if cells.height <= LOOKED_AT_ROWS:
        return RawTable(cells)
    half = LOOKED_AT_ROWS // 2
    rest = cells.slice(half)
    spread = rest.gather_every(max(1, rest.height // half)).head(half)
    return RawTable(pl.concat([cells.head(half), spread]))


def clock_us(text: pl.Series, format: str | list[str] | None) -> pl.Series:
    """Return times as microseconds, clock times as if in UTC; null where there is none."""
    read = read_times(text, format)
    naive, utc = read.naive.dt.timestamp("us"), read.utc.dt.timestamp("us")
    return utc.zip_with(utc.is_not_null(), naive).cast(pl.Float64)
