"""How one cell can be laid out as a time: each layout is a pattern of a profile, and what it takes the parts for.

It looks at one cell alone and decides nothing: which layout is meant is told by the whole column (`time_forms.py`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from schemas.words import MONTHS, WEEKDAYS, plain

Holds = Literal["instant", "date", "time of day"]


MONTH_WORD: Final = "month"


@dataclass(frozen=True)
class Family:
    """What cells of one column have in common when they are read one way: layouts of one family are one form."""

    order: str  # the parts of the date as they stand: "dmy", "ymd"; "" for a time of day
    holds: Holds
    has_offset: bool
    half_days: bool  # a 12-hour clock with AM and PM
    digits: bool  # one run of digits, which may be a plain number


@dataclass(frozen=True)
class Layout:
    family: Family
    format: str
    mark: str  # between the parts of a date in figures, "" where there is none; a month in words is its own


@dataclass(frozen=True)
class _Date:
    order: str
    format: str
    mark: str = ""
    digits: bool = False


@dataclass(frozen=True)
class _Time:
    format: str
    half_days: bool = False
    has_offset: bool = False
    digits: bool = False


_YEAR: Final = {4: "%Y", 2: "%y"}
_FIGURES: Final = re.compile(r"(\d{4}|\d{1,2})(\. |[./-]|[ ])(\d{1,2})(\2)(\d{4}|\d{1,2})(?!\d)")
_YEAR_APART: Final = re.compile(r"(\d{4}) (\d{1,2})([./-])(\d{1,2})(\.?)(?![\d.])")  # the year was put in front
_POINTS: Final = re.compile(r"\d{4}(\. ?)\d{1,2}\1\d{1,2}\.(?![\d.])")
_DAY_MONTH_WORD: Final = re.compile(
    r"(\d{1,2})((?:\. ?|[ -]|/)?(?:de |of )?)([^\W\d_]{3,})\.?((?:,? ?|[-/])(?:de |del )?)(\d{4}|\d{2})(?!\d)"
)
_MONTH_WORD_DAY: Final = re.compile(r"([^\W\d_]{3,})\.?([ -]?)(\d{1,2})(,? |-|/)(\d{4}|\d{2})(?!\d)")
_YEAR_MONTH_WORD: Final = re.compile(r"(\d{4}|\d{2})([ -/]|\. )([^\W\d_]{3,})\.?([ -/])(\d{1,2})(?!\d)")
_DAY_DIGITS: Final = re.compile(r"\d{8}(?!\d)")
_SHORT_DAY_DIGITS: Final = re.compile(r"\d{6}(?!\d)")
_CLOCK: Final = re.compile(
    r"(\d{1,2})([:.h-])(\d{1,2})(?:([:.m-])(\d{1,2})(?:([.,:])(\d{1,9}))?)?"
    r"(s| Uhr| h)?( ?[ap]\.? ?m\b\.?)?( ?(?:UTC|GMT)? ?[+-]\d\d:?\d\d| ?[+-]\d\d|\ ?(?:UTC|GMT|Z))?(?![\w:])",
    re.IGNORECASE,
)
_CLOCK_DIGITS: Final = re.compile(r"(\d{6}|\d{4})(?:([.,])(\d{1,9}))?( ?(?:[+-]\d\d:?\d\d|Z))?(?!\d)", re.IGNORECASE)
_ALL_DIGITS: Final = {12: "%Y%m%d%H%M", 14: "%Y%m%d%H%M%S", 17: "%Y%m%d%H%M%S%3f"}
_BETWEEN: Final = re.compile(r"T| - |, ?|; ?| at | um | kl\.? | à | a las | |-|_|:", re.IGNORECASE)
_WEEKDAY: Final = re.compile(r"([^\W\d_][\w-]*)([.,]* ?)(?=.)")
_CTIME: Final = re.compile(r"([^\W\d_]{3,}) (\d{1,2}) (\d{1,2}:\d\d:\d\d) (\d{4})$")
_ISO: Final = re.compile(r"%Y-%m-%d(?:[T ]%H:%M(?::%S(?:[.,]%f)?)?(?: ?%#z)?)?")


@lru_cache(maxsize=4096)
def layouts(cell: str) -> tuple[Layout, ...]:
    """Return the layouts of a cell, none where it can be no time."""
    cell = " ".join(cell.split())
    found = list(_layouts(cell, ""))
    weekday = _WEEKDAY.match(cell)
    if weekday and plain(weekday[1]) in WEEKDAYS:
        found += _layouts(cell[weekday.end() :], "%a" + weekday[2])
    return tuple(dict.fromkeys(found))


def _layouts(cell: str, before: str) -> Iterator[Layout]:
    if not cell[:1].isalnum() or not any(mark.isdigit() for mark in cell):
        return
    if cell.isdigit() and len(cell) in _ALL_DIGITS:
        yield Layout(Family("ymd", "instant", False, False, digits=True), before + _ALL_DIGITS[len(cell)], "")
    if (ctime := _CTIME.match(cell)) and plain(ctime[1]) in MONTHS:
        yield Layout(Family("mdy", "instant", False, False, digits=False), f"{before}%b %d %H:%M:%S %Y", "")
    for date, end in _dates(cell, 0):
        if end == len(cell):
            yield _dated(date, None, before + date.format)
        between = _BETWEEN.match(cell, end)
        if between is None:
            continue
        for time, time_end in _times(cell, between.end(), alone=False):
            if time_end == len(cell):
                yield _dated(date, time, before + date.format + between[0] + time.format)
    for time, end in _times(cell, 0, alone=True):
        if end == len(cell) and not before and not time.has_offset:
            family = Family("", "time of day", False, time.half_days, time.digits)
            yield Layout(family, time.format, "")
        between = _BETWEEN.match(cell, end)
        if between is None or time.has_offset or ":" not in time.format:
            continue  # with points or dashes it is the date that stands in front
        for date, date_end in _dates(cell, between.end()):
            if date_end == len(cell):
                yield _dated(date, time, before + time.format + between[0] + date.format)


def _dated(date: _Date, time: _Time | None, format: str) -> Layout:
    format = "iso" if _ISO.fullmatch(format) else format
    if time is None:
        return Layout(Family(date.order, "date", False, False, date.digits), format, date.mark)
    family = Family(date.order, "instant", time.has_offset, time.half_days, digits=False)
    return Layout(family, format, date.mark)


def _dates(cell: str, at: int) -> Iterator[tuple[_Date, int]]:
    if found := _YEAR_APART.match(cell, at):
        _, _, mark, _, end = found.groups()
        yield _Date("dmy", f"%Y %d{mark}%m{end}", mark), found.end()
        yield _Date("mdy", f"%Y %m{mark}%d{end}", mark), found.end()
    if found := _POINTS.match(cell, at):
        yield _Date("ymd", f"%Y{found[1]}%m{found[1]}%d.", "."), found.end()
    if found := _FIGURES.match(cell, at):
        for date in _in_figures(found):
            yield date, found.end()
    if found := _DAY_MONTH_WORD.match(cell, at):
        _, first, month, second, year = found.groups()
        if plain(month) in MONTHS:
            yield _Date("dmy", f"%d{first}%b{second}{_YEAR[len(year)]}", MONTH_WORD), found.end()
    if found := _MONTH_WORD_DAY.match(cell, at):
        month, first, _, second, year = found.groups()
        if plain(month) in MONTHS:
            yield _Date("mdy", f"%b{first}%d{second}{_YEAR[len(year)]}", MONTH_WORD), found.end()
    if found := _YEAR_MONTH_WORD.match(cell, at):
        year, first, month, second, _ = found.groups()
        if plain(month) in MONTHS:
            yield _Date("ymd", f"{_YEAR[len(year)]}{first}%b{second}%d", MONTH_WORD), found.end()
    if found := _DAY_DIGITS.match(cell, at):
        for order, format in (("ymd", "%Y%m%d"), ("dmy", "%d%m%Y"), ("mdy", "%m%d%Y")):
            yield _Date(order, format, digits=True), found.end()
    if found := _SHORT_DAY_DIGITS.match(cell, at):
        for order, format in (("ymd", "%y%m%d"), ("dmy", "%d%m%y"), ("mdy", "%m%d%y")):
            yield _Date(order, format, digits=True), found.end()


def _in_figures(found: re.Match[str]) -> Iterator[_Date]:
    first, mark, _, _, last = found.groups()
    kind = mark.strip() or " "
    if len(first) == 4:
        if len(last) <= 2:
            yield _Date("ymd", f"%Y{mark}%m{mark}%d", kind)
            yield _Date("ydm", f"%Y{mark}%d{mark}%m", kind)
        return
    if len(last) in _YEAR:
        year = _YEAR[len(last)]
        yield _Date("dmy", f"%d{mark}%m{mark}{year}", kind)
        yield _Date("mdy", f"%m{mark}%d{mark}{year}", kind)
    if len(first) == 2 and len(last) <= 2:
        yield _Date("ymd", f"%y{mark}%m{mark}%d", kind)


def _times(cell: str, at: int, *, alone: bool) -> Iterator[tuple[_Time, int]]:
    if (found := _CLOCK.match(cell, at)) and (time := _clock(found, alone=alone)) is not None:
        yield time, found.end()
    if found := _CLOCK_DIGITS.match(cell, at):
        digits, mark, fraction, offset = found.groups()
        format = "%H%M%S" if len(digits) == 6 else "%H%M"
        if fraction is None or len(digits) == 6:
            format += f"{mark}%f" if fraction else ""
            yield _Time(format + _offset_format(offset), has_offset=bool(offset), digits=True), found.end()


def _clock(found: re.Match[str], *, alone: bool) -> _Time | None:
    _, first, minutes, second, seconds, fraction_mark, fraction, suffix, half, offset = found.groups()
    dotted = alone and first == "." and seconds is None  # 7.30 is a number first
    if alone and (first == "-" or (first == "." and seconds and (len(minutes), len(seconds)) != (2, 2))):
        return None  # 03-04-26 is a date, 1.2.3 a version
    if dotted and (suffix or half or offset):
        return None
    if seconds is None:
        if len(minutes) != 2 or first == "-":
            return None
    elif second not in (first, "m" if first == "h" else first):
        return None
    hour = "%I" if half else "%H"
    format = f"{hour}{first}%M"
    if seconds is not None:
        format += f"{second}%S"
    if fraction:
        if fraction_mark == ":" and len(fraction) != 3:
            return None
        format += ":%3f" if fraction_mark == ":" else f"{fraction_mark}%f"
    format += suffix or ""
    if half:
        format += (" " if half.startswith(" ") else "") + "%p"
    return _Time(format + _offset_format(offset), half_days=bool(half), has_offset=bool(offset), digits=dotted)


def _offset_format(offset: str | None) -> str:
    return "" if not offset else (" " if offset.startswith(" ") else "") + "%#z"


def whole_formats(formats: list[str]) -> list[str]:
    """Return formats without those that another of them reads too: a fraction may be missing where one is allowed."""
    fractions = {re.sub(r"[.,]%f", "", format) for format in formats if "%f" in format}
    kept = [format for format in dict.fromkeys(formats) if format not in fractions]
    points = {format for format in kept if ".%f" in format}
    return [format for format in kept if ",%f" not in format or format.replace(",%f", ".%f") not in points]
