"""The words of the trade in ten languages, from schemas/words/*.toml, and the plain form in which words are compared.

It loads and normalises words; what a whole column name means is recognition's business.
"""

import re
import tomllib
import unicodedata
from importlib.resources import files
from typing import Any, Final

# Letters that no decomposition turns into plain ones.
_LETTERS: Final = str.maketrans({"ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i", "þ": "th"})
_MARKS: Final = re.compile(r"[^\w]+|_+")


def plain(text: str) -> str:
    """Return a text in small letters without diacritics and punctuation, its words parted by single blanks."""
    small = unicodedata.normalize("NFKC", text).casefold().translate(_LETTERS)
    bare = "".join(mark for mark in unicodedata.normalize("NFKD", small) if not unicodedata.combining(mark))
    return " ".join(_MARKS.sub(" ", bare).split())


def _load(name: str) -> dict[str, Any]:
    return tomllib.loads(files("schemas").joinpath("words", f"{name}.toml").read_text(encoding="utf-8"))


def _numbered(words: dict[str, list[str]]) -> dict[str, int]:
    return {plain(word): int(number) for number, spellings in words.items() for word in spellings}


_CALENDAR: Final = _load("calendar")
MONTHS: Final[dict[str, int]] = _numbered(_CALENDAR["months"])
"""Names and abbreviations of months in ten languages, in their plain form, with the month's number."""
WEEKDAYS: Final[dict[str, int]] = _numbered(_CALENDAR["weekdays"])
"""Names and abbreviations of days of the week in their plain form; 1 is Monday where two languages do not differ."""
