"""What a cell says of how a cycle ended, word by word: "i.O. beendet", "ciclo interrotto", "ohne Fehler fertig".

A phrase is understood in one language, with the words of English that every shop uses. All its words must be known;
a negation turns the word behind it, and words that contradict one another say nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache, lru_cache
from itertools import chain
from typing import Final, Literal

from pipeline.read.recognition.names import known_word, read_name
from pipeline.read.recognition.wording import stems
from schemas.words import Language, languages, plain, spoken_list

Role = Literal[
    "over",  # it came to its end
    "orderly",  # as it should
    "good",
    "bad",  # the part, which says nothing of the end
    "aborted",
    "unknown",
    "negation",
    "early",
    "end",  # a word for an end, which says nothing of how
    "thing",  # what ended
    "cause",  # by whom or what
    "because",
    "beside",
]

_LONGEST_PHRASE: Final = 5
_MOST_WORDS: Final = 8
_SHORTEST_STEM: Final = 5
_SHORTEST_NEGATED: Final = 4
_SURE: Final = 0.8
_MEANT: Final = 0.5
_THINGS: Final = frozenset({"cycle", "cycles", "run", "program", "machining", "part", "pieces", "operation"})
_CAUSES: Final = frozenset({"operator", "tool", "edge", "insert", "alarm", "spindle", "control", "wear"})
_ENDS: Final[Mapping[Role, str]] = {
    "over": "complete",
    "orderly": "complete",
    "good": "complete",
    "aborted": "aborted",
}
_TURNED: Final[Mapping[Role, Role]] = {"over": "aborted", "aborted": "over", "good": "bad"}
"""What a negation makes of a word; one that is turned otherwise says nothing sure: what ended "not normally" ended."""


@lru_cache(maxsize=4096)
def told_end(text: str) -> str | None:
    """Return how a cycle ended by the words of a cell, "complete", "aborted" or "unknown", None where they do not say.

    Words for the thing that ended, for by whom or what it was broken off, and verbs that only help say nothing more.
    """
    if (found := known_word("outcome", text)) is not None:
        return found
    tokens = plain(text).split()
    if not 0 < len(tokens) <= _MOST_WORDS:
        return None
    told = {end for language in languages().values() if (end := _told(_roles(tokens, language))) is not None}
    return told.pop() if len(told) == 1 else None


def told_word(list_name: str, text: str) -> str | None:
    """Return our word for what a cell says in terms of a closed list; how a cycle ended may take several words."""
    return told_end(text) if list_name == "outcome" else known_word(list_name, text)


def _told(roles: Sequence[Role] | None) -> str | None:
    """Return what words say together, None where one is not known or they contradict one another."""
    said: set[Role] = set()
    negated = False
    for role in roles or ():
        if role == "because" and "aborted" in said:
            return "aborted" if not negated and said <= {"aborted", "thing", "cause"} else None
        if role in ("beside", "because"):  # "by the operator stopped"
            continue
        if negated:
            if role not in _TURNED:
                return None
            said.add(_TURNED[role])
            negated = False
        elif role == "negation":
            negated = True
        else:
            said.add(role)
    if negated or "unknown" in said:
        return None
    if "early" in said:
        return None if said & {"orderly", "good"} else "aborted"
    ends = {_ENDS[role] for role in said if role in _ENDS}
    if not ends and ({"end", "thing"} <= said or "bad" in said):
        ends = {"complete"}
    end = ends.pop() if len(ends) == 1 else None
    return None if "cause" in said and end != "aborted" else end


def _roles(tokens: Sequence[str], language: Language) -> list[Role] | None:
    """Return what each word or phrase is in one language, the longest known ones first; None where one is not known."""
    found: list[Role] = []
    at = 0
    while at < len(tokens):
        for length in range(min(_LONGEST_PHRASE, len(tokens) - at), 0, -1):
            role = _role(" ".join(tokens[at : at + length]), language.code)
            if role is not None:
                found.append(role)
                at += length
                break
        else:
            turned = _with_negation(tokens[at], language.code)
            if turned is None:
                return None
            found += turned
            at += 1
    return found


def _with_negation(word: str, code: str) -> list[Role] | None:
    """Return what a word is that a negation is written together with: "neukončeno", "unfinished"."""
    for negation in spoken_list(code, "negation"):
        rest = word.removeprefix(negation)
        if rest != word and len(rest) >= _SHORTEST_NEGATED and (role := _end(rest, code)) is not None:
            return ["negation", role]
    return None


@lru_cache(maxsize=16_384)
def _role(phrase: str, code: str) -> Role | None:
    if phrase in spoken_list(code, "negation"):
        return "negation"
    if (end := _end(phrase, code)) is not None:
        return end
    listed: tuple[tuple[str, Role], ...] = (("early", "early"), ("because", "because"), ("beside_an_end", "beside"))
    for name, role in listed:
        if phrase in spoken_list(code, name):
            return role
    for speaks in _spoken(code):
        tags = {tag for tag, likely in languages()[speaks].words.get(phrase, {}).items() if likely >= _SURE}
        if "end" in tags and " " not in phrase:
            return "end"
        if tags & _THINGS:
            return "thing"
        if tags & _CAUSES or (spoken_list(speaks, "reason").get(phrase, "unknown") != "unknown"):
            return "cause"
        if any(_is_cause(stem, speaks) for stem in _bare(phrase, languages()[speaks])):
            return "cause"  # "obsluhou": by the operator
    return "beside" if phrase in languages()[code].stop else None


def _is_cause(word: str, code: str) -> bool:
    tags = {tag for tag, likely in languages()[code].words.get(word, {}).items() if likely >= _SURE}
    return bool(tags & _CAUSES)


def _end(phrase: str, code: str) -> Role | None:
    """Return what a word or phrase says of an end in a language, or in English; its ending may be another."""
    for speaks in _spoken(code):
        outcome = _outcomes(speaks)
        for form in chain([phrase], _bare(phrase, languages()[speaks])):
            if form not in outcome:
                continue
            if outcome[form] == "complete":
                return _of_complete(form, speaks)
            return "aborted" if outcome[form] == "aborted" else "unknown"
    return None


@cache
def _outcomes(code: str) -> Mapping[str, str]:
    """Return words for how a cycle ended, and those in which a column's name asks for it, in plain form -> ours."""
    return {**spoken_list(code, "asked"), **spoken_list(code, "outcome")}


def _bare(phrase: str, language: Language) -> Iterator[str]:
    return (stem for stem in stems(phrase, language) if len(stem) >= _SHORTEST_STEM)


def _of_complete(phrase: str, code: str) -> Role:
    orderly = spoken_list(code, "orderly")
    if phrase in orderly or any(word in orderly for word in phrase.split()):
        return "orderly"
    concepts = read_name(phrase).concepts
    if concepts.get("scrap", 0.0) >= _MEANT:
        return "bad"
    return "good" if concepts.get("parts", 0.0) >= _MEANT else "over"


def _spoken(code: str) -> tuple[str, ...]:
    return (code,) if code == "en" else (code, "en")
