"""Units as names of columns and cells of units rows state them: in brackets, behind a stroke, at the end.

What a unit is worth stands in schemas/profile.py; units behind numbers in cells are schemas/unit_words.py's.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.read.recognition.wording import segments
from schemas.profile import UNITS
from schemas.words import groups, languages, plain, unit_spelling, units

_PER: Final = ("/", "per", "pro", "par", "por", "na", "je", "za")
_TICKS: Final = ("us", "µs", "μs", "ns")  # of times that count from an instant; no words
_MONEY: Final = "money"
_BEFORE_UNITS: Final = ("/", "in", "en", "em", "w", "v", "i")
# The tags that a unit adds to a name which does not say what is measured.
_TAG_OF_UNIT: Final = {"time": "duration", "mass": "weight", "feed": "feed", "speed": "speed", "ratio": "share"}
_CLOCKS: Final = (
    (
        re.compile(r"(h{1,3}|s?td|u{2}|g{2})[:.]m{1,2}([:.]s{1,2}([.,]\w+)?)?|h:min(:s(ec)?)?|(hh)?h?hmm(ss)?"),
        "h:mm:ss",
    ),
    (re.compile(r"m{1,3}:s{1,2}|m{1,3}ss|min:s|min:?s(ec|ek)"), "mm:ss"),  # the point of mm.ss is no part of a spelling
)
_TIMES: Final = frozenset({"time", "duration", "hours", "hour"})
_IN_SECONDS: Final = re.compile(r"^(in|en|em|w|v|i)(?=(sek|sec|min|std|stu|hou|heu|hor|seg)[a-z]*$|kg$)")


@dataclass(frozen=True)
class Unit:
    """What a text says as a unit: one that a profile can state, or marks of another quantity."""

    unit: str | None = None
    tag: str | None = None
    foreign: str | None = None  # the dimension of a unit that no profile can state

    @property
    def measures(self) -> str | None:
        """The tag of what is measured in it."""
        dimension = UNITS[self.unit][0] if self.unit else self.foreign
        return self.tag or (_TAG_OF_UNIT.get(dimension) if dimension else None)


def stated_unit(text: str) -> Unit:
    said = unit_spelling(text).strip("[](){}<>,;:")
    said = _IN_SECONDS.sub("", said)
    for pattern, unit in _CLOCKS:
        if pattern.fullmatch(said):
            return Unit(unit)
    written = units()
    return Unit(written.units.get(said), written.marks.get(said), written.foreign.get(said))


NO_UNIT: Final = Unit()


def spoken_unit(tokens: list[str]) -> tuple[list[str], Unit]:
    """Part the unit from a name that states it without brackets: "cut_s", "Zeit / min", "Gewicht kg", "min/Stk"."""
    if len(tokens) > 2 and tokens[1] == "/" and (found := stated_unit(tokens[0])).unit:
        return ["per", *tokens[2:]], found
    whole = stated_unit("".join(tokens[-3:])) if len(tokens) > 3 and tokens[-2] == "/" else NO_UNIT
    if whole.unit:  # "Feed mm/min"
        return tokens[:-3], whole
    if len(tokens) > 3 and tokens[-2] == "/" and (found := stated_unit(tokens[-3])).unit:
        return [*tokens[:-3], "per", tokens[-1]], found
    if len(tokens) == 1:
        found = stated_unit(tokens[0])
        return tokens, found if found.unit and len(tokens[0]) > 2 else NO_UNIT
    for length in (3, 2, 1):
        found = stated_unit("".join(tokens[-length:])) if len(tokens) > length else NO_UNIT
        rest = tokens[:-length]
        said_behind = (found.foreign or found.tag == _MONEY) and rest[-1] in _BEFORE_UNITS
        if not found.unit and not said_behind and not (found.foreign and tokens[-1] in _TICKS):
            continue
        if rest[-1] in _PER and len(rest) > 1 and not _is_measured(rest[:-1]):
            return [*rest[:-1], "per", "hours"], NO_UNIT
        while len(rest) > 1 and rest[-1] in _BEFORE_UNITS:
            rest = rest[:-1]
        return rest, found
    return tokens, NO_UNIT


def leading_unit(tokens: list[str]) -> tuple[list[str], Unit]:
    """Part the unit from a name that begins with it: "seg_cambio", "min_ciclo"."""
    if not any(token.isalpha() for token in tokens[1:]):
        return [], NO_UNIT
    found = stated_unit(tokens[0])
    measures = found.unit is not None and UNITS[found.unit][0] in ("time", "mass")
    said = {tag for language in languages().values() for tag in language.words.get(plain(tokens[0]), ())}
    return (tokens[1:], found) if measures and said <= _TIMES else ([], NO_UNIT)  # "Std" is a standard too, "min" least


def _is_measured(tokens: Sequence[str]) -> bool:
    """Return whether words before a slash name a quantity ("Zeit / s"), not things that are counted ("Teile / h")."""
    words = [word for language in languages().values() for word in segments(tokens, language) if word.tags]
    return bool(words) and not any(groups()["counted"] & word.tags.keys() for word in words)
