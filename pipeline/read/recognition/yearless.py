"""Dates without a year: which columns hold them, and the year that a title or the name of the file says.

It puts the year in front as a profile's `year` does; reading the dates is `time_forms.py`'s business.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.read.recognition.names import kind_titles, says
from schemas.words import MONTHS, plain

Titles = Sequence[Sequence[str]]

NO_YEAR: Final = 2000
"""Stands for the year in a proposal where nothing says it: a leap year, so that every date is one."""
_YEAR: Final = re.compile(r"(?<![A-Za-z0-9])(20\d\d)(?=[01]\d(?:[0-3]\d)?(?!\d)|(?!\d))")
_MONTHS: Final = 12
_DATED: Final = re.compile(
    r"(?<!\d)20\d\d[-_. /]?([01]\d)(?:[-_. /]?[0-3]\d)?(?!\d)|(?<!\d)(\d{1,2})[./-](\d{1,2})[./-]20\d\d(?!\d)"
)
_DAY_AND_CLOCK: Final = r"^(?:\p{L}{2,12}[.,]* ?)?\d{1,2}[./-]\d{1,2}\.?[ ,T]\s*\d{1,2}[:.h]\d\d"
_DAY: Final = r"^(?:\p{L}{2,12}[.,]* ?)?\d{1,2}(?:\.\d{1,2}\.|/\d{1,2})$"  # 12.3 is a number, 12.3. a day


def lacks_year(text: pl.Series) -> bool:
    """Return whether all cells of a column are days and months without a year, with or without a time of day."""
    filled = text.drop_nulls()
    if not len(filled) or not filled.head(5).str.contains(f"{_DAY_AND_CLOCK}|{_DAY}").all():
        return False
    return bool(filled.str.contains(_DAY_AND_CLOCK).all() or filled.str.contains(_DAY).all())


def with_year(text: pl.Series, year: int) -> pl.Series:
    """Return cells with a year in front."""
    return (pl.Series([f"{year} "]).new_from_index(0, len(text)) + text).alias(text.name)


def year_said(titles: Titles, place: str) -> int | None:
    """Return the one year that title lines and the name of a file say of a table, None where none or several do.

    A number that stands alone among other words may be that of a part or a drawing: it must belong to a date, or stand
    beside a month, a word for a period, or what the table is called.
    """
    texts = [*(" ".join(cells) for cells in titles), place.rpartition("/")[2].rpartition(".")[0]]
    years = {int(year) for text in texts for year in _YEAR.findall(text)}
    sure = {int(year) for text in texts if _is_of_a_period(text) for year in _YEAR.findall(text)}
    return years.pop() if len(years) == 1 and years == sure else None


def _is_of_a_period(text: str) -> bool:
    words = plain(text).split()
    called = bool(kind_titles(text)) or any(word in MONTHS for word in words) or says(text, "calendar")
    return called or _DATED.search(text) is not None or _YEAR.sub("", text).strip(" _-.") == ""


def last_month_said(titles: Titles, place: str) -> int | None:
    """Return the last month that a title or the name of a file says beside a year: no row is later than an export."""
    texts = [*(" ".join(cells) for cells in titles), place.rpartition("/")[2]]
    words = {MONTHS[word] for text in texts if _YEAR.search(text) for word in plain(text).split() if word in MONTHS}
    figures = {_month(found) for text in texts for found in _DATED.finditer(text)}
    return max(words | figures, default=None)


def _month(found: re.Match[str]) -> int:
    """Return the month of a date; the earlier where day and month may have changed places."""
    behind_year, first, second = found.groups()
    parts = [behind_year] if behind_year else [second] if "." in found[0] else [first, second]
    return min((int(part) for part in parts if 1 <= int(part) <= _MONTHS), default=_MONTHS)
