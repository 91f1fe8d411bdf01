"""How units are spelled behind a number in a cell, in ten languages; each word belongs to one unit.

The spellings stand in words/units.toml, with those of heads; what a unit is worth stands in `profile.py`.
"""

from typing import Final

from schemas.words import plain, unit_words

_DAYS: Final = (
    *("d", "day", "days", "Tag", "Tage", "Tagen", "jour", "jours", "día", "días", "dia", "dias", "giorno"),
    *("giorni", "dzień", "dni", "dag", "dagen", "den", "dny", "dnů", "dagar", "dygn"),
)
# Words of time. A day is no unit of a profile, but stands before hours in durations.
TIME_WORDS: Final[dict[str, tuple[str, ...]]] = {"d": _DAYS} | {
    unit: unit_words()[unit] for unit in ("h", "min", "s", "ms")
}
_BEHIND_ONLY: Final = {"in": ("in",)}  # in a head it is a word of English


def _key(word: str) -> str:
    """Return a word as it is looked up: signs that `plain` would drop stand for themselves."""
    bare = word.strip().rstrip(".").strip()
    return bare.casefold() if "/" in bare or bare == "%" else plain(bare)


_UNIT_OF: Final = {
    _key(word): unit
    for words in (unit_words(), TIME_WORDS, _BEHIND_ONLY)
    for unit, found in words.items()
    for word in found
}


def unit_behind(word: str) -> str | None:
    """Return the unit that a word behind a number means (`Std.` is h), None where it is none or means two.

    `m` alone is minutes or metres: it means nothing here. `d` is a day, which no profile takes as a unit.
    """
    return _UNIT_OF.get(_key(word))
