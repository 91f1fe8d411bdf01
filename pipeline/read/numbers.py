"""Text of numbers, whole numbers and tools -> values, all at once for a column.

What is not a number becomes null; saying so to the user is `mapping.py`'s business.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from schemas.unit_words import unit_behind

EMPTY_WORDS: Final = ("-", "--", "---", "–", "—", "n/a", "null", "none", "nan", "#n/a")
"""What spreadsheets and controls write where there is no number."""
THOUSANDS_MARKS: Final = {".": r"\.", ",": ",", " ": r"\s", "'": "['’]"}
"""What a profile's thousands mark stands for in a cell: every kind of blank, both apostrophes."""
NUMBER_AND_WORD: Final = r"^([+\-−]?\s*\d(?:[\d.,'’\s]*\d)?[-−]?)\s*([^\d\s.,+\-−'’][^\d]*)$"
"""A number and the word behind it, such as a unit."""
_TOOL_NUMBER: Final = r"^[Tt]?0*(\d+)(?:\.0*)?$"


def without_empty_words(text: pl.Series) -> pl.Series:
    """Return numbers' text with a dash, `n/a` and the like made null."""
    return text.set(text.str.to_lowercase().is_in(EMPTY_WORDS), None)


def read_numbers(
    text: pl.Series, decimal: str = ".", thousands: str | None = None, unit: str | None = None
) -> pl.Series:
    """Return finite floats, null where the text is none.

    Thousands marks are accepted only where they group by threes, so that 12.5 is never read as 125. `decimal`
    "either" takes a comma or a point, for files that say nothing about it. A cell may bear `unit` in any spelling
    behind the number, no other; a minus may stand behind the number.
    """
    numbers = _plain_numbers(text, decimal, thousands).cast(pl.Float64, strict=False)
    left = numbers.is_null() & text.is_not_null()
    if left.any():
        rows = left.arg_true()
        rest = _minus_in_front(_without_unit(text[rows], unit))
        numbers = numbers.scatter(rows, _plain_numbers(rest, decimal, thousands).cast(pl.Float64, strict=False))
    return numbers.set(~numbers.is_finite(), None) if numbers.is_finite().all() is False else numbers


def _without_unit(text: pl.Series, unit: str | None) -> pl.Series:
    if unit is None:
        return text
    parts = text.str.extract_groups(NUMBER_AND_WORD).struct.unnest()
    number, word = parts.to_series(0), parts.to_series(1)
    own = [found for found in word.drop_nulls().unique().to_list() if unit_behind(found) == unit]
    return number.zip_with(word.is_in(own).fill_null(False), text)


def _minus_in_front(text: pl.Series) -> pl.Series:
    return text.str.replace("^−\\s*", "-").str.replace(r"^(\d.*\d|\d) ?[-−]$", "-$1").str.replace(r"^([+-])\s+", "$1")


def _plain_numbers(text: pl.Series, decimal: str, thousands: str | None) -> pl.Series:
    if thousands:
        mark = THOUSANDS_MARKS[thousands]
        tail = r"(?:,\d*)?" if decimal == "," else r"(?:\.\d*)?"
        grouped = text.str.contains(rf"^[+-]?[1-9]\d{{0,2}}(?:{mark}\d{{3}})+{tail}$")
        text = text.zip_with(~grouped, text.str.replace_all(mark, "")) if grouped.any() else text
    if decimal == ".":
        return text
    if decimal == "either":
        return text.str.replace(r"^([+-]?\d*),(\d+)$", "$1.$2")
    return text.set(text.str.contains(".", literal=True), None).str.replace(",", ".", literal=True)


def read_whole_numbers(
    text: pl.Series, decimal: str = ".", thousands: str | None = None, unit: str | None = None
) -> pl.Series:
    """Return whole numbers (`4`, `4.0`), null where the text is none."""
    whole = text.cast(pl.Int64, strict=False)
    if whole.null_count() == text.null_count():
        return whole
    numbers = read_numbers(text, decimal, thousands, unit)
    numbers = numbers.set((numbers != numbers.round(0)) | (numbers.abs() > 2**53), None)
    return numbers.cast(pl.Int64)


def tool_text(text: pl.Expr) -> pl.Expr:
    """Return tools as text: `T04`, `04` and `4.000000` are all `4`; other names only lose their leading zeros."""
    number = text.str.extract(_TOOL_NUMBER)
    return pl.coalesce(number, text.str.replace(r"^0+(.)", "$1"))


def number_text(number: pl.Expr) -> pl.Expr:
    """Return floats as the shortest text that reads back as the same number: 900.0 is `900`."""
    return number.cast(pl.String).str.strip_suffix(".0")
