"""The time zone that a table states itself: in a column's name, in a title line, in a column of its own.

Universal time is taken at its word; any other zone is for a person to name, as the file's timezone in shop.toml.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final
from zoneinfo import available_timezones

_UNIVERSAL: Final = re.compile(r"[(\[]?\b(?:UTC|GMT|Zulu)\b(?!\s*[+-]\s*\d)[)\]]?|[(\[]Z[)\]]|(?<=[_ ])(?:utc|gmt)\b")
_OTHER: Final = re.compile(
    r"\b(?:CET|CEST|MEZ|MESZ|EST|EDT|CST|CDT|PST|PDT|BST|WET|WEST|EET|EEST)\b|\b(?:UTC|GMT)\s*[+-]\s*\d"
)
_CLOCK: Final = re.compile(r"\d:\d\d")
_UNIVERSAL_VALUES: Final = frozenset({"utc", "gmt", "z", "+00:00", "+0000", "00:00", "0"})


def is_universal(name: str) -> bool:
    """Return whether a name says that times are universal."""
    return _UNIVERSAL.search(name) is not None and not states_other(name)


def states_other(text: str) -> bool:
    """Return whether a text names a zone other than universal time."""
    return _OTHER.search(text) is not None or bool(set(re.findall(r"[\w+-]+/[\w/+-]+", text)) & available_timezones())


def without_zone(name: str) -> str:
    """Return a name without the words that say universal time."""
    return _UNIVERSAL.sub(" ", name)


def title_is_universal(titles: Sequence[Sequence[str]]) -> bool:
    """Return whether a title line says that all times are universal; that of a moment says so of the moment alone."""
    lines = [" ".join(cells) for cells in titles]
    return any(is_universal(line) and not _CLOCK.search(line) for line in lines)


def title_states_other(titles: Sequence[Sequence[str]]) -> str | None:
    """Return the title line that names another zone, or universal time for one moment; None where none does."""
    lines = (" ".join(cells) for cells in titles)
    return next((line for line in lines if states_other(line) or (is_universal(line) and _CLOCK.search(line))), None)


def values_are_universal(values: Sequence[str]) -> bool:
    """Return whether all values of a column of zones are universal time."""
    return bool(values) and all(value.strip().casefold() in _UNIVERSAL_VALUES for value in values)
