"""What the name of a column says: which concepts it may mean, a unit, whether it is a date or a time of day.

Names are read as words of the trade in ten languages (schemas/words.py), alone and together. It looks at no values.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice, product
from typing import Final, Literal

from pipeline.read.recognition.phrasing import meaning
from pipeline.read.recognition.stated_units import NO_UNIT, Unit, leading_unit, spoken_unit, stated_unit
from pipeline.read.recognition.wording import LONGEST_PHRASE, Words, segments
from schemas.concepts import CONCEPTS, FIELDS
from schemas.profile import UNITS, unit_dimension
from schemas.vocabulary import InputKind
from schemas.words import (
    NUMBER_SIGN,
    SPECIAL,
    Language,
    closed_lists,
    languages,
    other_tables,
    plain,
    telling_columns,
    titles,
)

Part = Literal["date", "time of day"]

LONGEST_NAME: Final = 120  # characters of a name that are read; longer ones are sentences
_MOST_WORDS: Final = 10
_MOST_WAYS: Final = 48
_UNKNOWN: Final = 0.6  # what a name is worth with a word in it that nobody knows
_UNKNOWN_HEAD: Final = 0.3
_WHATEVER: Final = 0.85  # of a word for reason: what it is the reason for is often told in words of the shop
_PERHAPS: Final = 0.8
_DISPUTED: Final = 0.6  # where two languages or meanings differ
_SHORT_TITLE: Final = 2
_TAGGED: Final = 0.5
_FOREIGN_UNIT: Final = 0.4
_LONG_UNIT: Final = 4
_SPELT_UNIT: Final = 3
_INSTANTS: Final = frozenset(["started", "ended", "instant", "planned_instant", "due_on", "ordered_on"])
_TAKES: Final[Mapping[str, frozenset[str]]] = {
    "time": frozenset({*(name for name in CONCEPTS if name.endswith("_time")), "duration", "tool_life", "counter"}),
    "mass": frozenset({"stock_mass", "part_mass"}),
    "feed": frozenset({"feed"}),
    "speed": frozenset({"speed"}),
    "angular_velocity": frozenset({"speed"}),
    "length": frozenset({"size", "position"}),
    "ratio": frozenset({"rate", "load", "override", "tool_life"}),
}
_BEGUN_OR_OVER: Final = frozenset(["started", "ended", "planned_instant"])
_ALONE: Final = 0.95
_OF_AN_END: Final = 0.95
_ASKED: Final = frozenset({"ended", "parts", "outcome"})
_ANSWERS: Final = re.compile(r"(?i)[(\[]\s*\w+\s*[/|,]\s*\w+\s*[)\]]|\b(?:y/n|j/n|o/n|s/n|t/n|a/n|ja/nein)\b")
_RUNS: Final = frozenset({"cycle", "program", "run", "machining"})
_QUALITY: Final = frozenset({"scrap", "parts", "native_code", "text"})
_PERHAPS_OF_QUALITY: Final = 0.45
_TURNED: Final = {"complete": "aborted", "aborted": "complete"}
_MONEYS: Final = frozenset({"cost", "price"})
_SAYS_TIME: Final = frozenset({"time", "duration", "hours"})
_OWN_CONCEPTS: Final[Mapping[str, str]] = {
    **{field: concept for fields in FIELDS.values() for concept, field in reversed(fields.items())},
    "quoted_cycle_s": "quoted_cycle_time",
    "quoted_setup_s": "quoted_setup_time",
    "cycle_s": "cycle_time",
    "setup_s": "setup_time",
}

_BREAK: Final = re.compile(
    r"<\s*br\s*/?\s*>|</?(?:b|i|u|p|em|strong|span|div|font|sup|sub|small|th|td|tr)>", re.IGNORECASE
)
_AROUND: Final = re.compile(r"^[\s:.*\"_-]+|[\s:.*\"_-]+$")
_BRACKETS: Final = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]?")
_CAMEL: Final = re.compile(r"(?<=[a-zà-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=[A-Z])(?=[A-Z][a-z])")
_DIGITS: Final = re.compile(r"(?<=[^\W\d_])(?=\d)|(?<=\d)(?=[^\W\d_])")
_TOKEN: Final = re.compile(r"[^\W_]+\.?|/|%|€|\$|£")
_POSSESSIVE: Final = re.compile(r"['’]s\b")
_DATE_FORM: Final = re.compile(r"(?=.*[yja]{2})(?=.*m)[dtgjmya]{1,4}([./\- ][dtgjmya]{1,4}){2}")


@dataclass(frozen=True)
class NameReading:
    """What a column's name says; an unknown name says nothing."""

    concepts: Mapping[str, float]  # concept -> how surely the name means it
    part: Part | None = None
    unit: str | None = None  # a key of UNITS
    languages: frozenset[str] = frozenset()


_NOTHING: Final = NameReading({})


@lru_cache(maxsize=16_384)
def read_name(name: str) -> NameReading:
    """Return what the name of a column says."""
    text = _BREAK.sub(" ", html.unescape(name[:LONGEST_NAME]))
    reading = _read(text) if text.strip() else _NOTHING
    if text.rstrip().endswith("?"):
        reading = _as_question(text, reading)
    if alone := _alone(text):
        concepts = {**reading.concepts, **{name: max(share, reading.concepts.get(name, 0)) for name, share in alone}}
        reading = replace(reading, concepts=concepts)
    field = _AROUND.sub("", text).casefold()
    own = _OWN_CONCEPTS.get(field)
    if own is None:
        return reading
    unit = {"time": "s", "mass": "kg"}.get(unit_dimension(field) or "")
    others = {concept: min(share, 0.5) for concept, share in reading.concepts.items() if concept != own}
    return NameReading({own: 1.0} if unit else {own: 1.0, **others}, reading.part, unit, reading.languages | {"en"})


def _alone(text: str) -> list[tuple[str, float]]:
    """Return what a whole name means that means nothing, or something else, beside other words: "from", "to"."""
    name = plain(text)
    found = [entry for language in languages().values() for entry in language.alone.get(name, {}).items()]
    return [(concept, _ALONE * share) for concept, share in found]


def _as_question(name: str, reading: NameReading) -> NameReading:
    """Return the reading of a name that asks: "Finished?" is answered by how a cycle ended, not by when."""
    if not reading.concepts.keys() & _ASKED:
        return replace(reading, concepts={"outcome": _OF_AN_END}) if asked_end(name) else reading
    rest = {concept: share for concept, share in reading.concepts.items() if concept not in _ASKED}
    return replace(reading, concepts={**rest, "outcome": max(reading.concepts.values())}, part=None)


def unit_of(text: str) -> str | None:
    """Return the unit that a cell of a units row or a bracket states, None if it states none that a profile takes."""
    return stated_unit(text).unit


def known_word(list_name: str, text: str) -> str | None:
    """Return our word for a word of a closed list: known_word("outcome", "Abgebrochen") is "aborted"."""
    words = closed_lists().get(list_name, {})
    said = plain(text)
    if found := words.get(said):
        return found
    tokens = said.split()
    if any(token in closed_lists()["negation"] for token in tokens):
        return None
    if list_name == "outcome":
        # by whom or why it was broken off ("Aborted by operator") changes nothing
        linked = next((at for at, token in enumerate(tokens) if at and token in closed_lists()["because"]), 0)
        return "aborted" if words.get(" ".join(tokens[:linked])) == "aborted" else None
    if list_name != "reason":
        return None
    runs = [" ".join(tokens[a:b]) for a in range(len(tokens)) for b in range(a + 1, len(tokens) + 1) if b - a <= 4]
    found_in = {words[run] for run in runs if run in words and words[run] != "unknown" and len(run) >= 4}
    return found_in.pop() if len(found_in) == 1 else None


def kind_titles(text: str) -> Mapping[InputKind, float]:
    """Return the kinds of table that a title line or the name of a sheet or file tells, with how surely."""
    tokens = [token for token in plain(_CAMEL.sub(" ", text[:300])).split() if not token.isdigit()]
    found: dict[InputKind, float] = {}
    taken: set[int] = set()
    for length in range(min(LONGEST_PHRASE, len(tokens)), 0, -1):
        for at in range(len(tokens) - length + 1):
            phrase = " ".join(tokens[at : at + length])
            kinds = titles().get(phrase)
            if len(phrase) <= _SHORT_TITLE and phrase.upper() not in text.split():
                continue  # "OF" is a French order, "of" an English word
            if kinds is None or taken & set(range(at, at + length)):
                continue
            taken |= set(range(at, at + length))
            for kind, likely in kinds:
                share = 0.95 * likely if len(kinds) == 1 else _DISPUTED * likely
                found[kind] = max(share, found.get(kind, 0.0))
    if len(found) > 1:
        return {kind: min(share, _DISPUTED) for kind, share in found.items()}
    return found


@lru_cache(maxsize=4096)
def asked_end(name: str) -> str | None:
    """Return what a name asks of the end of a cycle, "complete" or "aborted": "Ran to end?", "Cycle abgebrochen (j/n)".

    Words for the thing that ended are passed over, a negation turns the question round. Whether parts were good is
    another question.
    """
    tokens = [token for token in plain(_ANSWERS.sub(" ", name[:LONGEST_NAME])).split() if not token.isdigit()]
    negations = closed_lists()["negation"]
    for said in (tokens, [token for token in tokens if token in negations or not _is_of_a_run(token)]):
        for words, turned in ((said, False), ([token for token in said if token not in negations], True)):
            text = " ".join(words)
            end = closed_lists()["asked"].get(text) or closed_lists()["outcome"].get(text)
            if end not in _TURNED or _is_of_quality(text) or (turned and words == said):
                continue
            return _TURNED[end] if turned else end
    return None


def _is_of_quality(text: str) -> bool:
    """Return whether words are as much of parts or of alarms as of an end."""
    concepts = read_name(text).concepts
    ends = max(concepts.get("ended", 0.0), concepts.get("outcome", 0.0), _PERHAPS_OF_QUALITY)
    return any(concepts.get(concept, 0.0) > ends for concept in _QUALITY)


def _is_of_a_run(word: str) -> bool:
    """Return whether a word is one for what a cycle is, or says nothing."""
    return any(
        word in language.stop or language.words.get(word, {}).keys() & _RUNS for language in languages().values()
    )


def _read(name: str) -> NameReading:
    text = NUMBER_SIGN.sub(" no ", unicodedata.normalize("NFC", name))
    remarks = [found.strip() for found in _BRACKETS.findall(text) if found.strip()]
    tokens = _tokens(_BRACKETS.sub(" ", _POSSESSIVE.sub(" ", text)))
    asides: list[str] = []
    unit = NO_UNIT
    dated = False
    for remark in remarks:
        found = stated_unit(remark)
        if found != NO_UNIT:
            unit = found
        elif _DATE_FORM.match(remark.casefold()):
            dated = True
        elif _includes_scrap(remark):
            continue
        else:
            rest, per_thing = spoken_unit(_tokens(remark))
            unit = per_thing if per_thing.unit and rest[0] == "per" else unit
            asides += rest if unit is per_thing else _tokens(remark)
    whole = _understand(tokens, asides, unit, dated=dated)
    if unit != NO_UNIT:
        return whole
    rest, unit = spoken_unit(tokens)
    if unit == NO_UNIT and rest == tokens:
        return _led_by_unit(tokens, asides, whole, dated=dated)
    parted = _understand(rest, asides, unit, dated=dated)
    if rest == tokens[:-1] and tokens[-1].rstrip(".") == "min":  # minutes, or the least of something
        parted = replace(parted, concepts={concept: share * _PERHAPS for concept, share in parted.concepts.items()})
    short = len(tokens[-1]) < _LONG_UNIT  # "s" and "min" are units first, "hours" is a word too
    if parted.concepts and (short or unit.foreign or rest[0] == "per" or _surest(parted) > _surest(whole)):
        return parted
    return replace(whole, unit=_fitting(unit.unit, whole.concepts)) if whole.concepts else parted


def _led_by_unit(tokens: list[str], asides: Sequence[str], whole: NameReading, *, dated: bool) -> NameReading:
    """Return what a name says that begins with its unit, where it says hardly anything as a whole: "seg_cambio"."""
    rest, unit = leading_unit(tokens)
    if not rest:
        return whole
    if _surest(whole) >= _TAGGED:  # "segundos ciclo" says both
        says_unit = len(tokens[0]) >= _SPELT_UNIT
        return replace(whole, unit=_fitting(unit.unit, whole.concepts)) if says_unit else whole
    parted = _understand(rest, asides, unit, dated=dated)
    return parted if parted.concepts or not whole.concepts else whole


def _includes_scrap(remark: str) -> bool:
    words = plain(remark)
    rest = next((words[len(word) :] for word in telling_columns()["including"] if words.startswith(f"{word} ")), "")
    return bool(rest) and read_name(rest).concepts.get("scrap", 0.0) >= _TAGGED


def counts_scrap(name: str) -> bool:
    """Return whether the name of a count says in brackets that scrap is among it: "Made (incl. scrap)"."""
    return any(map(_includes_scrap, _BRACKETS.findall(name)))


def _surest(reading: NameReading) -> float:
    return max(reading.concepts.values(), default=0.0)


def _tokens(text: str) -> list[str]:
    parted = _DIGITS.sub(" ", _CAMEL.sub(" ", unicodedata.normalize("NFKC", text).replace("_", " ")))
    return [token.casefold() for token in _TOKEN.findall(parted)][:_MOST_WORDS]


def _understand(tokens: Sequence[str], asides: Sequence[str], unit: Unit, *, dated: bool) -> NameReading:
    """Return what the languages that know the most words of a name say together."""
    found: list[tuple[tuple[int, int, int], str, dict[str, float], frozenset[str]]] = []
    for language in languages().values():
        main = segments(tokens, language)
        beside = [words for words in segments(asides, language) if words.tags]
        if not any(words.native and words.says for words in (*main, *beside)):
            continue
        concepts, tags = _weigh(main, beside, language, unit)
        unknown = sum(not words.tags for words in main)
        native = sum(words.length for words in (*main, *beside) if words.native and words.says)
        guessed = sum(words.guessed for words in (*main, *beside))
        found.append(((-unknown, -guessed, native), language.code, concepts, tags))
    most = max((rank for rank, *_ in found), default=(0, 0, 0))
    found = [reading for reading in found if reading[0] == most and reading[2]]
    if not found:  # nothing, or words that are all known and say nothing together: another language would only guess
        return NameReading({}, None, unit.unit)
    concepts = _with_unit(_merged([concepts for *_, concepts, _ in found]), unit)
    tags = frozenset[str]().union(*(tags for *_, tags in found))
    part = _part(tags, concepts, unit, dated=dated)
    return NameReading(concepts, part, _fitting(unit.unit, concepts), frozenset(code for _, code, *_ in found))


def _merged(readings: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Return the readings of all languages together; where languages differ, none is believed fully."""
    first = {max(reading, key=lambda concept: reading[concept]) for reading in readings}
    merged: dict[str, float] = {}
    for reading in readings:
        for concept, share in reading.items():
            merged[concept] = max(share, merged.get(concept, 0.0))
    if any(not first <= reading.keys() for reading in readings):
        return {concept: min(share, _DISPUTED) for concept, share in merged.items()}
    return merged


def _with_unit(concepts: dict[str, float], unit: Unit) -> dict[str, float]:
    """Return the concepts that the unit leaves: a time in minutes is a duration, a weight no count."""
    if unit.foreign:
        return {
            concept: share if concept in _INSTANTS else share * _FOREIGN_UNIT for concept, share in concepts.items()
        }
    if unit.unit is None:
        return concepts
    dimension = UNITS[unit.unit][0]
    takes = _TAKES.get(dimension, frozenset())
    fitting = {concept: share for concept, share in concepts.items() if concept in takes}
    instants = {concept: share for concept, share in concepts.items() if concept in _INSTANTS}
    if unit.unit == "h:mm:ss" and instants:
        return {**instants, **fitting}  # a time of day is written so too
    if not fitting and unit.unit == "s" and concepts.keys() & _MONEYS:
        return concepts  # SEK is a currency too
    if not fitting:
        if unit.unit == "h":  # the hour of the day: "Start (h)", "Początek (godz.)"
            return {concept: share for concept, share in instants.items() if concept in _BEGUN_OR_OVER}
        return instants if unit.unit in ("s", "ms") else {}  # counted since an instant
    since = {"instant": concepts["instant"]} if unit.unit in ("s", "ms") and "instant" in concepts else {}
    if len(fitting) == 1 and fitting.keys() != concepts.keys():
        fitting = {concept: min(0.95, share + 0.35) for concept, share in fitting.items()}
    return {**since, **fitting}  # "time_ms" may be counted since an instant, too


def _fitting(unit: str | None, concepts: Mapping[str, float]) -> str | None:
    """Return the unit if one of the concepts can be measured in it, or nothing is known of them."""
    if unit is None or not concepts:
        return unit
    takes = _TAKES.get(UNITS[unit][0], frozenset())
    clock = unit in ("h:mm:ss", "mm:ss")
    epoch = unit in ("s", "ms") and not concepts.keys() & takes and concepts.keys() & _INSTANTS
    return unit if concepts.keys() & takes or (epoch and not clock) else None


def _part(tags: frozenset[str], concepts: Mapping[str, float], unit: Unit, *, dated: bool) -> Part | None:
    if not concepts.keys() & _INSTANTS:
        return None
    hour = unit.unit == "h:mm:ss" or (unit.unit == "h" and concepts.keys() & _BEGUN_OR_OVER)  # "Start (h)"
    clock = "clock" in tags or (hour and not concepts.keys() & _TAKES["time"])
    date = "date" in tags or dated
    both = tags & {"instant"} or (date and (clock or tags & {"time", "hour"}))
    return None if both or clock == date else "date" if date else "time of day"


def _weigh(
    main: Sequence[Words], beside: Sequence[Words], language: Language, unit: Unit
) -> tuple[dict[str, float], frozenset[str]]:
    """Return the concepts of a name in one language, and the tags that it was understood by."""
    known = [words for words in main if words.tags]
    if not known or len(known) * 2 < len(main):
        return {}, frozenset()
    worth = 1.0
    for words in (*known, *beside):
        worth *= words.worth
    if len(known) < len(main):
        head = main[-1] if language.head == "last" else main[0]
        asks = any(words.tags.get("reason") == 1.0 for words in known)
        worth *= _WHATEVER if asks else _UNKNOWN if head.tags else _UNKNOWN_HEAD
    ways: list[tuple[int, float, bool, dict[str, float], frozenset[str]]] = []
    unit_tag = unit.measures
    for choice in islice(product(*(words.tags.items() for words in (*known, *beside))), _MOST_WAYS):
        tags = tuple(tag for tag, _ in choice if tag is not None)
        shares = [1.0 if tag == unit_tag else share for tag, share in choice if tag is not None]
        likely = min(shares, default=1.0)
        if not tags:
            continue
        said = meaning(_with_unit_tag(tags, unit), language.head)
        if said:
            firm = len(set(tags)) > 1 and max(shares) == 1.0  # a word that is sure tells what the others mean
            ways.append((len(tags), likely, firm, dict(said), frozenset(tags)))
    if not ways:
        return {}, frozenset()
    most = max(understood for understood, *_ in ways)
    ways = [way for way in ways if way[0] == most]
    firsts = [max(shown, key=lambda concept: shown[concept]) for *_, shown, _ in ways]
    agreed = len(set(firsts)) == 1
    concepts: dict[str, float] = {}
    for _, likely, firm, shown, _ in ways:
        for concept, share in shown.items():
            sure = share * worth * (1.0 if agreed and firm else likely)
            concepts[concept] = max(sure, concepts.get(concept, 0.0))
    if len({first for first, (_, likely, *_) in zip(firsts, ways, strict=True) if likely == 1.0}) > 1:
        concepts = {concept: min(share, _DISPUTED) for concept, share in concepts.items()}
    return concepts, frozenset(tag for *_, tags in ways for tag in tags)


def _with_unit_tag(tags: tuple[str, ...], unit: Unit) -> tuple[str, ...]:
    """Return the tags with what the unit says is measured, where the words do not say it."""
    tag = unit.measures
    if tag is None or tag in tags or any(tag.startswith(SPECIAL) for tag in tags):
        return tags
    if tag == "duration":
        if unit.unit == "ms" and dict(meaning(tags, "last")).keys() & _INSTANTS:
            return tags  # counted since 1970
        clock = unit.unit in ("h:mm:ss", "mm:ss", "h") and dict(meaning(tags, "last")).keys() & _INSTANTS
        return tags if clock or _SAYS_TIME & set(tags) or not meaning((*tags, tag), "last") else (*tags, tag)
    if tag == "share" and meaning(tags, "last") and set(dict(meaning(tags, "last"))) & _TAKES["ratio"]:
        return tags
    return (*tags, tag)


@lru_cache(maxsize=4096)
def says(name: str, *tags: str) -> bool:
    """Return whether a word of a name bears one of some tags of schemas/words: "actual", "planned", "average" ..."""
    words = plain(_CAMEL.sub(" ", name)).split()
    return any(
        language.words.get(word, {}).get(tag, 0.0) >= _TAGGED
        for language in languages().values()
        for word in words
        for tag in tags
    )


def is_another_table(kind: InputKind, text: str, *, stems: bool = False) -> str | None:
    """Return the word of a title that says that a table is not of a kind, None where none does.

    Names of files are held against `stems` alone: short words stand in them for many things.
    """
    whole, beginnings = other_tables().get(kind, (frozenset(), ()))
    for word in plain(_CAMEL.sub(" ", text[:300])).split():
        if (not stems and word in whole) or any(stem in word for stem in beginnings):
            return word
    return None
