"""The ways in which a column of text can be read as times, and which of them its values bear out.

It looks at values alone: names of columns and the choice of fields are the assigner's business.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.read.numbers import without_empty_words
from pipeline.read.recognition.layouts import MONTH_WORD, Family, Holds, layouts, whole_formats
from pipeline.read.times import read_dates, read_times
from schemas.time_format import chrono_pattern, parse_by

ENOUGH: Final = 0.9  # share of the filled cells that a form must read
_SAMPLE: Final = 400  # cells whose layouts are looked at one by one
_HOPELESS: Final = 0.8  # share of the sample below which a form is not tried on the whole column
_MOST_PATTERNS: Final = 6
_US_PER_DAY: Final = 86_400_000_000
_FIRST_DAY: Final = 7305  # 1990-01-01, in days since 1970; the readers take no earlier and no later day
_LAST_DAY: Final = 47481  # 2099-12-31
_TIME_DAY: Final = "2000-01-01"  # the day on which times of day are compared
_PLAIN_NUMBER: Final = r"^[1-9]\d*(?:[.,]\d+)?$"
_SERIALS: Final = (34700, 73051)  # 1995 to 2099 as serial days of spreadsheets
_EPOCHS: Final = {"epoch_s": 631_152_000, "epoch_ms": 631_152_000_000, "epoch_us": 631_152_000_000_000}  # 1990
_EPOCH_SPAN: Final = 6.5  # 2100 over 1990, since 1970
_MIN_ORDERED_DAYS: Final = 8  # fewer different days may lie in order by chance: 2 in 8! readings do
_ORDERED: Final = 0.98
_NOT_ORDERED: Final = 0.85
_MOST_SUMS: Final = 6  # dates on one day of so many months, one row each, are no sums of months
_MOST_YEARS: Final = 5  # of one export; times of day read as dates lie over up to 60
DOTTED_CLOCK: Final = "%H.%M"
_DOTTED_IN_ORDER: Final = 0.7  # share of steps in one direction: each day begins anew
_FEWEST_DOTTED: Final = 6
_QUARTERS: Final = ("00", "25", "50", "75")
_SURE_AFTER: Final = 50  # rows that one form alone reads for each that only the other reads


@dataclass(frozen=True)
class TimeForm:
    """One way in which a column can be read as times."""

    format: str | list[str]  # as a profile says it; of a time of day it is the part that stands behind the date
    holds: Holds
    has_offset: bool  # instants of their own (an offset, an epoch); else clock times of the file's zone
    share: float  # of the filled cells that it reads
    rises: float  # share of steps between consecutive filled cells that rise, steps of nothing left out
    falls: float
    undecided: bool  # another form of the list reads the column differently, and nothing tells which is right
    weak: bool  # the cells may as well be plain numbers: it takes a name to make them times
    evidence: str  # a short phrase for a person


@dataclass(frozen=True)
class _Reading:
    """A form on trial: what it makes of the filled cells."""

    family: Family
    formats: list[str]
    micros: pl.Series  # since 1970, null where it reads nothing
    marks: frozenset[str] = frozenset()

    @property
    def days(self) -> pl.Series:
        return self.micros // _US_PER_DAY


def time_forms(text: pl.Series) -> list[TimeForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for a column of no times.

    Several forms are returned only where they read the column differently and neither its values nor its order tell
    which is right; all of them are `undecided` then. A form alone may be `undecided` too: hours from 1 to 12 with no
    AM or PM.
    """
    filled = without_empty_words(text).drop_nulls()
    filled = _sheet_times(filled.filter(filled != ""))
    if not len(filled):
        return []
    sample = _sampled(filled)
    if sample.str.contains(_PLAIN_NUMBER).sum() >= _HOPELESS * len(sample) and (counted := _counted(filled)):
        return counted
    tried = _readings(filled, sample)
    readings = [reading for reading in tried if _share(reading) >= ENOUGH and not _is_number(reading, filled)]
    kept, why = _not_beaten(readings)
    if not why and len(kept) == 1 and len(tried) > 1:
        why = _above_twelve(kept[0])
    forms = [_form(reading, why, undecided=len(kept) > 1) for reading in kept]
    return sorted(forms, key=lambda form: -form.share)


def _is_number(reading: _Reading, filled: pl.Series) -> bool:
    """Return whether hours and minutes with a point between are numbers: nothing shows that they are of a clock.

    A zero in front does ("07.05"), and so do rows in order, which lengths are not. Halves and quarters alone are of
    hours with decimals.
    """
    if reading.family.holds != "time of day" or reading.formats != [DOTTED_CLOCK]:
        return False
    fractions = filled.str.extract(r"\D(\d\d)$").drop_nulls().unique()
    if len(fractions) > 1 and fractions.is_in(_QUARTERS).all():
        return True
    rises, falls = _steps(reading.micros.drop_nulls())
    in_order = max(rises, falls) >= _DOTTED_IN_ORDER and len(filled) >= _FEWEST_DOTTED
    return not in_order and not filled.str.contains(r"^0\d\.").any()


def _sheet_times(filled: pl.Series) -> pl.Series:
    """Return dates without the midnight, and times of day without the day, that a spreadsheet gives all of them."""
    for pattern, put in ((r"^(\d{4}-\d\d-\d\d)[ T]00:00:00$", "$1"), (r"^1899-12-3[01][ T](\d\d:\d\d:\d\d.*)$", "$1")):
        if filled.str.contains(pattern).all():
            return filled.str.replace(pattern, put)
    return filled


def _sampled(filled: pl.Series) -> pl.Series:
    """Return cells from all over the column."""
    step = max(1, len(filled) // _SAMPLE)
    return filled.gather_every(step).head(_SAMPLE)


def _readings(filled: pl.Series, sample: pl.Series) -> list[_Reading]:
    """Return the families of layouts that the sample suggests, each read through the whole column."""
    found = _families(sample)
    readings = []
    for family, (formats, marks) in found.items():
        tried = whole_formats(formats)[:_MOST_PATTERNS]
        micros = _read(sample, family, tried)
        if micros.null_count() > (1 - _HOPELESS) * len(sample):
            readings.append(_Reading(family, tried, micros, marks))
            continue
        micros = _read(filled, family, tried)
        if micros.null_count():
            micros, tried = _more_of(filled, family, tried, micros)
        readings.append(_Reading(family, tried, micros, marks))
    return readings


def _families(cells: pl.Series) -> dict[Family, tuple[list[str], frozenset[str]]]:
    """Return the formats of each family, the commonest first, and the marks between the parts of its dates."""
    counts: dict[Family, Counter[str]] = {}
    marks: dict[Family, set[str]] = {}
    for cell in cells.to_list():
        for layout in layouts(cell):
            counts.setdefault(layout.family, Counter())[layout.format] += 1
            marks.setdefault(layout.family, set()).add(layout.mark)
    return {
        family: ([format for format, _ in count.most_common()], frozenset(marks[family]))
        for family, count in counts.items()
    }


def _more_of(filled: pl.Series, family: Family, tried: list[str], micros: pl.Series) -> tuple[pl.Series, list[str]]:
    """Read what the sample's formats leave by the rarer formats of the same family that stand in it."""
    rows = micros.is_null().arg_true()
    rest = filled[rows]
    found = _families(_sampled(rest)).get(family)
    formats = whole_formats([*tried, *(found[0] if found else [])])[:_MOST_PATTERNS]
    if formats == tried:
        return micros, tried
    return micros.scatter(rows, _read(rest, family, formats)), formats


def _read(cells: pl.Series, family: Family, formats: Sequence[str]) -> pl.Series:
    """Return microseconds since 1970, null for what is not read or lies in no year of a machine's log."""
    if family.holds == "time of day":
        dated = (_TIME_DAY + " ") + cells
        found = pl.Series([None], dtype=pl.Datetime("us")).new_from_index(0, len(cells))
        for format in formats:
            found = found.zip_with(found.is_not_null(), parse_by(dated, chrono_pattern(f"%Y-%m-%d {format}")))
        return found.dt.timestamp("us")
    if family.holds == "date":
        micros = read_dates(cells, list(formats)).cast(pl.Datetime("us")).dt.timestamp("us")
        if "iso" in formats:  # the readers take a date from the front of a longer text
            micros = micros.set((cells.str.len_chars() > 10).fill_null(False), None)
    else:
        read = read_times(cells, list(formats))
        micros = (read.utc if family.has_offset else read.naive).dt.timestamp("us")
    sane = micros.is_between(_FIRST_DAY * _US_PER_DAY, (_LAST_DAY + 1) * _US_PER_DAY, closed="left")
    return micros.set(~sane.fill_null(False), None)


def _share(reading: _Reading) -> float:
    return 1 - reading.micros.null_count() / len(reading.micros)


def _not_beaten(readings: list[_Reading]) -> tuple[list[_Reading], str]:
    """Return the readings that no other one beats, and what told; several are left where nothing tells."""
    beaten: set[int] = set()
    why: list[str] = []
    for at, one in enumerate(readings):
        for other_at in range(at + 1, len(readings)):
            winner, reason = _better(one, readings[other_at])
            if winner:
                beaten.add(other_at if winner > 0 else at)
            if reason:
                why.append(reason)
    kept = [reading for at, reading in enumerate(readings) if at not in beaten]
    if not kept:  # each is beaten by another: nothing tells
        return readings, "; ".join(dict.fromkeys(why))
    return kept, "; ".join(dict.fromkeys(why))


def _better(one: _Reading, other: _Reading) -> tuple[int, str]:
    """Return 1 where `one` is borne out against `other`, -1 where it is the other way, 0 where nothing tells."""
    only_one = int((one.micros.is_not_null() & other.micros.is_null()).sum())
    only_other = int((one.micros.is_null() & other.micros.is_not_null()).sum())
    if one.family.holds != other.family.holds:
        winner, reason = _first_fits(only_one, only_other, "the other reading leaves cells out")
        return (winner, reason) if winner or only_one or only_other else _by_years(one, other)
    if (one.micros == other.micros).all():  # null where either reads nothing, which the counts tell
        return (1, "") if only_one >= only_other else (-1, "")
    by_order, order = _by_order(one, other)
    winner, reason = _first_fits(only_one, only_other, _above_twelve(one))
    if winner and by_order == -winner and min(only_one + only_other, 3) < 3:
        return 0, "a few cells tell one order of day and month, the order of the rows the other"
    if winner:
        return winner, reason
    if only_one or only_other:
        return 0, "some cells fit only one order of day and month, some only the other"
    if by_order:
        return by_order, order
    return _by_custom(one, other)


def _first_fits(only_one: int, only_other: int, reason: str) -> tuple[int, str]:
    if only_one > _SURE_AFTER * only_other:
        return 1, f"{reason} ({only_one} rows)"
    if only_other > _SURE_AFTER * only_one:
        return -1, f"{reason} ({only_other} rows)"
    return 0, ""


def _above_twelve(one: _Reading) -> str:
    two_digits = any("%y" in format for format in one.formats)
    if two_digits:
        return "parts above 12 or 31"
    return "days above 12" if one.family.order in ("dmy", "mdy", "ydm") else ""


def _by_years(one: _Reading, other: _Reading) -> tuple[int, str]:
    """Tell a date from a time of day that is written with its marks: seconds read as years lie all over a century."""
    holds = {one.family.holds, other.family.holds}
    if holds != {"date", "time of day"}:
        return 0, ""
    date, sign = (one, 1) if one.family.holds == "date" else (other, -1)
    days = date.days.drop_nulls().unique().sort()
    if len(days) < 3 and 2 * len(days) > len(date.micros):
        return 0, ""
    years = (days[-1] - days[0]) / 365.25
    if years <= _MOST_YEARS:
        return sign, "the years are close together"
    return (-sign, "read as dates, they would lie far apart") if years >= 4 * _MOST_YEARS else (0, "")


def _by_order(one: _Reading, other: _Reading) -> tuple[int, str]:
    """Tell by the order of rows: one reading is a log in order, the other is not."""
    days, others = one.days.drop_nulls(), other.days.drop_nulls()
    if days.n_unique() < _MIN_ORDERED_DAYS or others.n_unique() < _MIN_ORDERED_DAYS:
        return 0, ""
    first, second = max(_steps(days)), max(_steps(others))
    if first >= _ORDERED and second <= _NOT_ORDERED:
        return 1, "read so, the rows are in order"
    if second >= _ORDERED and first <= _NOT_ORDERED:
        return -1, "read so, the rows are in order"
    return 0, ""


def _by_custom(one: _Reading, other: _Reading) -> tuple[int, str]:
    """Tell by how dates are written: day first between points, the month in the middle behind a year in front."""
    if one.marks == other.marks == {"."} and (winner := _prefer(one, other, "dmy", "mdy")):
        return winner, "points stand between day and month"
    if winner := _prefer(one, other, "ymd", "ydm"):
        return winner, ""
    winner, reason = _by_spread(one, other)
    if not winner and one.marks == other.marks and one.marks in ({MONTH_WORD}, {"."}):
        winner = _prefer(one, other, "dmy", "ymd")
        return winner, "the year stands behind points and words" if winner else ""
    return winner, reason


def _prefer(one: _Reading, other: _Reading, better: str, worse: str) -> int:
    orders = (one.family.order, other.family.order)
    return (1 if orders[0] == better else -1) if set(orders) == {better, worse} else 0


def _by_spread(one: _Reading, other: _Reading) -> tuple[int, str]:
    """Tell by how the days lie: all in a few weeks by one reading, by the other on one day of each of many months."""
    if _lies_better(one, other):
        return 1, "read so, the days follow one another"
    if _lies_better(other, one):
        return -1, "read so, the days follow one another"
    return 0, ""


def _lies_better(one: _Reading, other: _Reading) -> bool:
    days, others = (reading.days.drop_nulls().unique().sort() for reading in (one, other))
    # Where a year of two digits changes places with a day, each day by one reading is another year by the other.
    years_too = one.family.order.endswith("y") != other.family.order.endswith("y")
    rows = len(one.micros) - one.micros.null_count()
    # Sums of months are dated on one day of each: only a log has many rows a day, at all hours.
    many_a_day = one.family.holds == "instant" and rows >= 2 * len(days)
    least, most = (2 if many_a_day else 3, 6) if years_too else (4, 2)
    dates = others.cast(pl.Int32).cast(pl.Date)
    same_day, months = dates.dt.day().unique(), dates.dt.truncate("1mo").n_unique()
    if len(days) != len(others) or len(same_day) > most or len(days) < least * len(same_day) or months < least:
        return False
    if 3 * (days[-1] - days[0]) > others[-1] - others[0]:
        return False
    return years_too or many_a_day or (len(days) >= _MOST_SUMS and 1 not in same_day)


def _steps(values: pl.Series) -> tuple[float, float]:
    """Return the shares of steps that rise and that fall, steps of nothing left out."""
    steps = values.diff()
    rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
    return (rises / (rises + falls), falls / (rises + falls)) if rises + falls else (0.0, 0.0)


def _form(reading: _Reading, why: str, *, undecided: bool) -> TimeForm:
    family = reading.family
    micros = reading.micros.drop_nulls()
    rises, falls = _steps(micros)
    evidence = [_span(micros, family.holds)]
    if undecided:
        evidence.append(why or _fit_both_ways(family))
    elif why:
        evidence.append(why)
    half_clock = family.holds != "date" and not family.half_days and _without_half_days(micros, rises, falls)
    if half_clock:
        evidence.append("hours from 1 to 12 alone: a 12-hour clock without AM and PM")
    return TimeForm(
        reading.formats[0] if len(reading.formats) == 1 else reading.formats,
        family.holds,
        family.has_offset,
        _share(reading),
        rises,
        falls,
        undecided or half_clock,
        family.digits and (micros.n_unique() < 3 or not all("%Y" in format for format in reading.formats)),
        ", ".join(part for part in evidence if part),
    )


def _fit_both_ways(family: Family) -> str:
    return "day and month fit both ways" if family.order else "the parts fit more than one way"


def _span(micros: pl.Series, holds: Holds) -> str:
    if not len(micros) or holds == "time of day":
        return "times of day" if len(micros) else ""
    first, last = (str(day) for day in (_date(micros.min()), _date(micros.max())))
    return first if first == last else f"{first} to {last}"


def _date(micros: object) -> object:
    return pl.Series([micros]).cast(pl.Datetime("us")).dt.date()[0]


def _without_half_days(micros: pl.Series, rises: float, falls: float) -> bool:
    """Return whether hours look like those of a 12-hour clock that says neither AM nor PM."""
    hours = micros % _US_PER_DAY // 3_600_000_000
    if not hours.is_between(1, 12).all():
        return False
    if hours.n_unique() >= 10 and len(hours) >= 48:
        return True
    # In a log in order such a clock goes from 12 to 1 within a day.
    in_order = micros if rises >= falls else micros.reverse()
    hours = in_order % _US_PER_DAY // 3_600_000_000
    same_day = (in_order // _US_PER_DAY).diff() == 0
    before = hours.shift()
    turned = same_day & (before >= 11) & (hours <= 3) & (hours + 12 - before <= 3)
    return bool(turned.any())


def _counted(filled: pl.Series) -> list[TimeForm]:
    """Return the forms of a column of plain numbers: epochs and serial days."""
    numbers = filled.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    forms = []
    for format, first in _EPOCHS.items():
        inside = numbers.is_between(first, first * _EPOCH_SPAN).fill_null(False)
        if inside.sum() >= ENOUGH * len(filled):
            forms.append(_counted_form(filled, inside, format, "instant", weak=numbers.n_unique() < 3))
    inside = numbers.is_between(*_SERIALS).fill_null(False)
    if inside.sum() >= ENOUGH * len(filled):
        fractions = filled.str.extract(r"[.,](\d+)$").str.strip_chars_end("0").str.len_chars().fill_null(0)
        fine = float((fractions >= 4).sum()) >= 0.5 * len(filled)  # minutes and seconds as shares of a day
        holds: Holds = "instant" if fractions.max() else "date"
        forms.append(_counted_form(filled, inside, "spreadsheet_days", holds, weak=not fine))
    return forms


def _counted_form(filled: pl.Series, inside: pl.Series, format: str, holds: Holds, *, weak: bool) -> TimeForm:
    read = read_times(filled.set(~inside, None), format)
    micros = read.utc.zip_with(read.utc.is_not_null(), read.naive.dt.replace_time_zone("UTC")).dt.timestamp("us")
    rises, falls = _steps(micros.drop_nulls())
    return TimeForm(
        format,
        holds,
        format.startswith("epoch"),
        float(inside.sum()) / len(filled),
        rises,
        falls,
        False,
        weak,
        _span(micros.drop_nulls(), holds) + (" if it is no plain number" if weak else ""),
    )
