"""The time zone that a table states itself: in a column's name, in a title line, in a column of its own.

Universal time is taken at its word; any other zone is for a person to name, as the file's timezone in shop.toml.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import polars as pl

from schemas.zones import known_zones

_UNIVERSAL: Final = re.compile(r"[(\[]?\b(?:UTC|GMT|Zulu)\b(?!\s*[+-]\s*\d)[)\]]?|[(\[]Z[)\]]|(?<=[_ ])(?:utc|gmt)\b")
_OTHER: Final = re.compile(
    r"\b(?:CET|CEST|MEZ|MESZ|EST|EDT|CST|CDT|PST|PDT|BST|WET|WEST|EET|EEST)\b|\b(?:UTC|GMT)\s*[+-]\s*\d"
)
OFFSETS_H: Final = {
    **{"WET": 0, "WEST": 1, "CET": 1, "CEST": 2, "MEZ": 1, "MESZ": 2, "EET": 2, "EEST": 3, "BST": 1},
    **{"EST": -5, "EDT": -4, "CST": -6, "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7},
}
"""Hours ahead of universal time by common words for zones; IANA's zones use the same words."""
_BEHIND: Final = r"^.*\d\s*(?:[AaPp]\.?[Mm]\.?\s*)?\(?(" + "|".join(OFFSETS_H) + r")\)?$"
_CLOCK: Final = re.compile(r"\d:\d\d")
_UNIVERSAL_VALUES: Final = frozenset({"utc", "gmt", "z", "+00:00", "+0000", "00:00", "0"})


def zones_behind(text: pl.Series) -> tuple[str, ...]:
    """Return the words for zones that stand behind all times of a column, none where a cell has none."""
    filled = text.drop_nulls()
    if not len(filled) or not filled.head(20).str.contains(_BEHIND).any():
        return ()
    words = filled.str.extract(_BEHIND, 1)
    return () if words.null_count() else tuple(words.unique().sort().to_list())


def zone_pattern(zones: Sequence[str]) -> str:
    """Return the pattern whose group `value` is a time without the word for its zone."""
    return rf"^(?P<value>.*\S)\s*\(?(?:{'|'.join(zones)})\)?$"


def agree(words: pl.Series, naive_us: pl.Series, zone: str) -> bool:
    """Return whether times, as microseconds of the clock, have in a zone the offsets that the words behind them say."""
    said = words.str.extract(_BEHIND, 1).replace_strict(OFFSETS_H, default=None, return_dtype=pl.Int64)
    clock = naive_us.cast(pl.Int64).cast(pl.Datetime("us"))
    both = [clock.dt.replace_time_zone(zone, ambiguous=which, non_existent="null") for which in ("earliest", "latest")]
    hours = [(at.dt.base_utc_offset() + at.dt.dst_offset()).dt.total_hours() for at in both]
    fits = (hours[0] == said) | (hours[1] == said)
    return bool(fits.filter(naive_us.is_not_null()).fill_null(False).all())


def is_universal(name: str) -> bool:
    """Return whether a name says that times are universal."""
    return _UNIVERSAL.search(name) is not None and not states_other(name)


def states_other(text: str) -> bool:
    """Return whether a text names a zone other than universal time."""
    return _OTHER.search(text) is not None or bool(set(re.findall(r"[\w+-]+/[\w/+-]+", text)) & known_zones())


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
