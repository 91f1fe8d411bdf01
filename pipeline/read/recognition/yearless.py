"""Dates without a year: which columns hold them, and the year that a title or the name of the file says.

It puts the year in front as a profile's `year` does; reading the dates is `time_forms.py`'s business.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import polars as pl

NO_YEAR: Final = 2000
"""Stands for the year in a proposal where nothing says it: a leap year, so that every date is one."""
_YEAR: Final = re.compile(r"(?<![A-Za-z0-9])(20\d\d)(?=[01]\d(?:[0-3]\d)?(?!\d)|(?!\d))")
_DAY_AND_CLOCK: Final = r"^(?:\p{L}{2,12}[.,]* ?)?\d{1,2}[./-]\d{1,2}\.?[ ,T]\s*\d{1,2}[:.h]\d\d"
_DAY: Final = r"^(?:\p{L}{2,12}[.,]* ?)?\d{1,2}(?:\.\d{1,2}\.|/\d{1,2})$"  # 12.3 is a number, 12.3. a day
_WEEKDAY: Final = r"^\p{L}{2,12}[.,]* ?"


def lacks_year(text: pl.Series) -> bool:
    """Return whether all cells of a column are days and months without a year, with or without a time of day."""
    filled = text.drop_nulls()
    if not len(filled) or not filled.head(5).str.contains(f"{_DAY_AND_CLOCK}|{_DAY}").all():
        return False
    return bool(filled.str.contains(_DAY_AND_CLOCK).all() or filled.str.contains(_DAY).all())


def with_year(text: pl.Series, year: int) -> pl.Series:
    """Return cells with a year in front."""
    return (pl.Series([f"{year} "]).new_from_index(0, len(text)) + text).alias(text.name)


def years_of(titles: Sequence[Sequence[str]]) -> list[int]:
    """Return the years that title lines and the name of a file say."""
    return sorted({int(year) for cells in titles for cell in cells for year in _YEAR.findall(cell)})
