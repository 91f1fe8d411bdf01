"""The kind of tool that a description says: "indexable shoulder mill 40" is a shoulder mill, "D40 Z5" none of ours."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from typing import Any, Final

from pipeline.read.recognition.sample import Column
from schemas.words import tool_kinds

_DESCRIBING: Final = frozenset({"tool_type", "text", "note", "part", "tool"})
_TELLING: Final = 0.3  # share of the different descriptions that say a kind, from which a column is taken for it
_MOST_DESCRIPTIONS: Final = 2_000


def kind_rule(columns: Iterable[Column]) -> dict[str, Any] | None:
    """Return how the kind of tool is read from the one column of some that describes tools, None where none does.

    A cell that says no kind of ours leaves it empty; where any says two, nobody can tell which it is.
    """
    found = {column.name: words for column in columns if (words := _said(column))}
    if len(found) != 1:
        return None
    [(name, words)] = found.items()
    listed = "|".join(re.escape(word) for word in sorted(words, key=lambda word: (-len(word), word)))
    return {
        "from": name,
        "split": rf"(?i)\b(?P<value>{listed})\b",
        "lookup": {word: tool_kinds()[word] for word in sorted(words)},
    }


def _said(column: Column) -> set[str]:
    """Return the words for kinds of tools in a column of descriptions, none where it is not one of them."""
    if column.times or column.numbers or not column.reading.concepts.keys() & _DESCRIBING:
        return set()
    cells = column.text.drop_nulls().unique(maintain_order=True).head(_MOST_DESCRIPTIONS).to_list()
    told = [{match.casefold() for match in _pattern().findall(cell)} for cell in cells]
    if any(len({tool_kinds()[word] for word in words}) > 1 for words in told):
        return set()
    telling = sum(bool(words) for words in told)
    return set().union(*told) if cells and telling >= _TELLING * len(cells) else set()


@cache
def _pattern() -> re.Pattern[str]:
    words = sorted(tool_kinds(), key=lambda word: (-len(word), word))
    return re.compile(rf"(?i)\b(?:{'|'.join(map(re.escape, words))})\b")
