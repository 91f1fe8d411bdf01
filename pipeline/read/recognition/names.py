"""What the name of a column says: which concepts it may mean, a unit, whether it is a date or a time of day.

Names are read as words of the trade in ten languages (schemas/words.py), alone and together. It looks at no values.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import islice, product
from typing import Final, Literal

from schemas.concepts import CONCEPTS, FIELDS
from schemas.profile import UNITS, unit_dimension
from schemas.vocabulary import InputKind
from schemas.words import (
    NUMBER_SIGN,
    SPECIAL,
    Language,
    Phrase,
    closed_lists,
    languages,
    phrases,
    plain,
    titles,
    unit_spelling,
    units,
)

Part = Literal["date", "time of day"]

LONGEST_NAME: Final = 120  # characters of a name that are read; longer ones are sentences
_MOST_WORDS: Final = 10
_LONGEST_PHRASE: Final = 5
_MOST_WAYS: Final = 48
_UNKNOWN: Final = 0.6  # what a name is worth with a word in it that nobody knows
_UNKNOWN_HEAD: Final = 0.3
_SHORTENED: Final = 0.85  # with a word that is only the beginning of a known one
_NUMBERED: Final = 0.7  # "Machine 2"
_DISPUTED: Final = 0.6  # where two languages or meanings differ
_FOREIGN_UNIT: Final = 0.4
_LONG_UNIT: Final = 4
_FIRST_LETTERS: Final = 4
_FIRST_LETTERS_WITH_POINT: Final = 3
_SHORTEST_PIECE: Final = 3
_MOST_PIECES: Final = 4
_SHORT_PIECES: Final = frozenset({"nr", "no", "id", "wz", "fa", "op", "nc", "ag"})
_DURATIONS: Final = frozenset(
    [
        "duration",
        "cycle_time",
        "cut_time",
        "noncut_time",
        "load_time",
        "setup_time",
        "quoted_cycle_time",
        "quoted_setup_time",
        "idle_time",
        "tool_life",
        "counter",
    ]
)
_INSTANTS: Final = frozenset(["started", "ended", "instant", "planned_instant", "due_on", "ordered_on"])
_TAKES: Final[Mapping[str, frozenset[str]]] = {
    "time": _DURATIONS,
    "mass": frozenset({"stock_mass", "part_mass"}),
    "feed": frozenset({"feed"}),
    "speed": frozenset({"speed"}),
    "angular_velocity": frozenset({"speed"}),
    "length": frozenset({"size", "position"}),
    "ratio": frozenset({"rate", "load", "override", "tool_life"}),
}
# The tags that a unit adds to a name which does not say what is measured, and those that say it.
_TAG_OF_UNIT: Final = {"time": "duration", "mass": "weight", "feed": "feed", "speed": "speed", "ratio": "share"}
_NEGATION: Final = "not"  # a tag that no phrase takes: what is negated is not what it says
_SIGNS: Final = {"/": "slash", "%": "share", "€": "money", "$": "money", "£": "money"}
_COUNTED: Final = frozenset(
    {"pieces", "count", "good", "bad", "made", "money", "price", "cost", "part", "cycles", "share"}
)
_PER: Final = ("/", "per", "pro", "par", "por", "na", "je", "za")
_BEFORE_UNITS: Final = ("/", "in", "en", "em", "w", "v", "i")
_SAYS_TIME: Final = frozenset({"time", "duration", "hours"})
_OBJECTS: Final = frozenset(
    [
        "machine",
        "program",
        "job",
        "operation",
        "part",
        "tool",
        "pocket",
        "operator",
        "customer",
        "material",
        "batch",
        "revision",
        "department",
        "shift",
    ]
)
_OWN_CONCEPTS: Final[Mapping[str, str]] = {
    **{field: concept for fields in FIELDS.values() for concept, field in reversed(fields.items())},
    "quoted_cycle_s": "quoted_cycle_time",
    "quoted_setup_s": "quoted_setup_time",
    "cycle_s": "cycle_time",
    "setup_s": "setup_time",
}

_BREAK: Final = re.compile(r"<\s*br\s*/?\s*>|</?[a-z]{1,6}>", re.IGNORECASE)
_AROUND: Final = re.compile(r"^[\s:.*\"_-]+|[\s:.*\"_-]+$")
_BRACKETS: Final = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]?")
_CAMEL: Final = re.compile(r"(?<=[a-zà-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=[A-Z])(?=[A-Z][a-z])")
_DIGITS: Final = re.compile(r"(?<=[^\W\d_])(?=\d)|(?<=\d)(?=[^\W\d_])")
_TOKEN: Final = re.compile(r"[^\W_]+\.?|/|%|€|\$|£")
_POSSESSIVE: Final = re.compile(r"['’]s\b")
_CLOCK_UNITS: Final = (
    (
        re.compile(r"(h{1,3}|s?td|u{2}|g{2})[:.]m{1,2}([:.]s{1,2}([.,]\w+)?)?|h:min(:s(ec)?)?|(hh)?h?hmm(ss)?"),
        "h:mm:ss",
    ),
    (re.compile(r"m{1,3}[:.]s{1,2}|min:s(ec|ek)?"), "mm:ss"),
)
_DATE_FORM: Final = re.compile(r"(?=.*[yja]{2})(?=.*m)[dtgjmya]{1,4}([./\- ][dtgjmya]{1,4}){2}")


@dataclass(frozen=True)
class NameReading:
    """What a column's name says; an unknown name says nothing."""

    concepts: Mapping[str, float]  # concept -> how surely the name means it
    part: Part | None = None
    unit: str | None = None  # a key of UNITS
    languages: frozenset[str] = frozenset()


_NOTHING: Final = NameReading({})


@dataclass(frozen=True)
class _Unit:
    """What a text says as a unit: one that a profile can state, or marks of another quantity."""

    unit: str | None = None
    tag: str | None = None
    foreign: str | None = None  # the dimension of a unit that no profile can state


@dataclass(frozen=True)
class _Words:
    """One word or phrase of a name in one language: its tags with how often it means them, none if unknown."""

    tags: Mapping[str | None, float]  # None: it says nothing
    worth: float = 1.0
    native: bool = False
    length: int = 1  # how many words of the name
    guessed: int = 0  # 1: an inflected word or a compound, 2: a shortened one

    @property
    def says(self) -> bool:
        """Whether it is more than an article or a number."""
        return any(tag is not None for tag in self.tags)


@lru_cache(maxsize=16_384)
def read_name(name: str) -> NameReading:
    """Return what the name of a column says."""
    text = _BREAK.sub(" ", html.unescape(name[:LONGEST_NAME]))
    reading = _read(text) if text.strip() else _NOTHING
    field = _AROUND.sub("", text).casefold()
    own = _OWN_CONCEPTS.get(field)
    if own is None:
        return reading
    unit = {"time": "s", "mass": "kg"}.get(unit_dimension(field) or "")
    others = {concept: min(share, 0.5) for concept, share in reading.concepts.items() if concept != own}
    return NameReading({own: 1.0} if unit else {own: 1.0, **others}, reading.part, unit, reading.languages | {"en"})


def unit_of(text: str) -> str | None:
    """Return the unit that a cell of a units row or a bracket states, None if it states none that a profile takes."""
    return _unit(text).unit


def known_word(list_name: str, text: str) -> str | None:
    """Return our word for a word of a closed list: known_word("outcome", "Abgebrochen") is "aborted"."""
    words = closed_lists().get(list_name, {})
    said = plain(text)
    if found := words.get(said):
        return found
    if list_name != "reason" or not said:
        return None
    tokens = said.split()
    if any(token in closed_lists()["negation"] for token in tokens):
        return None
    runs = [" ".join(tokens[a:b]) for a in range(len(tokens)) for b in range(a + 1, len(tokens) + 1) if b - a <= 4]
    found_in = {words[run] for run in runs if run in words and words[run] != "unknown" and len(run) >= 4}
    return found_in.pop() if len(found_in) == 1 else None


def kind_titles(text: str) -> Mapping[InputKind, float]:
    """Return the kinds of table that a title line or the name of a sheet or file tells, with how surely."""
    tokens = [token for token in plain(_CAMEL.sub(" ", text[:300])).split() if not token.isdigit()]
    found: dict[InputKind, float] = {}
    taken: set[int] = set()
    for length in range(min(_LONGEST_PHRASE, len(tokens)), 0, -1):
        for at in range(len(tokens) - length + 1):
            phrase = " ".join(tokens[at : at + length])
            kinds = titles().get(phrase)
            if kinds is None or taken & set(range(at, at + length)):
                continue
            taken |= set(range(at, at + length))
            for kind, likely in kinds:
                share = 0.95 * likely if len(kinds) == 1 else _DISPUTED * likely
                found[kind] = max(share, found.get(kind, 0.0))
    if len(found) > 1:
        return {kind: min(share, _DISPUTED) for kind, share in found.items()}
    return found


def _unit(text: str) -> _Unit:
    said = unit_spelling(text).strip("[](){}<>,;:")
    said = re.sub(r"^(in|en|em|w|v|i)(?=[a-z]{3,}$)(?=sek|sec|min|std|stu|hou|heu|hor|kg|seg)", "", said)
    for pattern, unit in _CLOCK_UNITS:
        if pattern.fullmatch(said):
            return _Unit(unit)
    written = units()
    return _Unit(written.units.get(said), written.marks.get(said), written.foreign.get(said))


def _read(name: str) -> NameReading:
    text = NUMBER_SIGN.sub(" no ", unicodedata.normalize("NFC", name))
    remarks = [found.strip() for found in _BRACKETS.findall(text) if found.strip()]
    tokens = _tokens(_BRACKETS.sub(" ", _POSSESSIVE.sub(" ", text)))
    asides: list[str] = []
    unit = _Unit()
    dated = False
    for remark in remarks:
        found = _unit(remark)
        if found != _Unit():
            unit = found
        elif _DATE_FORM.match(remark.casefold()):
            dated = True
        else:
            asides += _tokens(remark)
    whole = _understand(tokens, asides, unit, dated=dated)
    if unit != _Unit():
        return whole
    rest, unit = _spoken_unit(tokens)
    if unit == _Unit() and rest == tokens:
        return whole
    parted = _understand(rest, asides, unit, dated=dated)
    short = len(tokens[-1]) < _LONG_UNIT  # "s" and "min" are units first, "hours" is a word too
    if parted.concepts and (short or unit.foreign or rest[0] == "per" or _surest(parted) > _surest(whole)):
        return parted
    return replace(whole, unit=_fitting(unit.unit, whole.concepts)) if whole.concepts else parted


def _surest(reading: NameReading) -> float:
    return max(reading.concepts.values(), default=0.0)


def _tokens(text: str) -> list[str]:
    parted = _DIGITS.sub(" ", _CAMEL.sub(" ", unicodedata.normalize("NFKC", text).replace("_", " ")))
    return [token.casefold() for token in _TOKEN.findall(parted)][:_MOST_WORDS]


def _spoken_unit(tokens: list[str]) -> tuple[list[str], _Unit]:
    """Part the unit from a name that states it without brackets: "cut_s", "Zeit / min", "Gewicht kg", "min/Stk"."""
    if len(tokens) > 2 and tokens[1] == "/" and (found := _unit(tokens[0])).unit:
        return ["per", *tokens[2:]], found
    if len(tokens) == 1:
        found = _unit(tokens[0])
        return tokens, found if found.unit and len(tokens[0]) > 2 else _Unit()
    for length in (3, 2, 1):
        found = _unit("".join(tokens[-length:])) if len(tokens) > length else _Unit()
        rest = tokens[:-length]
        if not found.unit and not (found.foreign and rest[-1] in _BEFORE_UNITS):
            continue
        if rest[-1] in _PER and len(rest) > 1 and not _is_measured(rest[:-1]):
            return [*rest[:-1], "per", "hours"], _Unit()
        while len(rest) > 1 and rest[-1] in _BEFORE_UNITS:
            rest = rest[:-1]
        return rest, found
    for at, token in enumerate(tokens[1:], start=1):
        found = _unit(token)
        if found.unit and len(token) > 1:
            return [*tokens[:at], *tokens[at + 1 :]], found
    return tokens, _Unit()


def _is_measured(tokens: Sequence[str]) -> bool:
    """Return whether words before a slash name a quantity ("Zeit / s"), not things that are counted ("Teile / h")."""
    words = [word for language in languages().values() for word in _segments(tokens, language) if word.tags]
    return bool(words) and not any(_COUNTED & word.tags.keys() for word in words)


def _understand(tokens: Sequence[str], asides: Sequence[str], unit: _Unit, *, dated: bool) -> NameReading:
    """Return what the languages that know the most words of a name say together."""
    found: list[tuple[tuple[int, int, int], str, dict[str, float], frozenset[str]]] = []
    for language in languages().values():
        segments = _segments(tokens, language)
        beside = [words for words in _segments(asides, language) if words.tags]
        if not any(words.native and words.says for words in (*segments, *beside)):
            continue
        concepts, tags = _weigh(segments, beside, language, unit)
        unknown = sum(not words.tags for words in segments)
        native = sum(words.length for words in (*segments, *beside) if words.native and words.says)
        guessed = sum(words.guessed for words in (*segments, *beside))
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


def _with_unit(concepts: dict[str, float], unit: _Unit) -> dict[str, float]:
    """Return the concepts that the unit leaves: a time in minutes is a duration, a weight no count."""
    if unit.foreign:
        return {concept: share * _FOREIGN_UNIT for concept, share in concepts.items()}
    if unit.unit is None:
        return concepts
    dimension = UNITS[unit.unit][0]
    takes = _TAKES.get(dimension, frozenset())
    fitting = {concept: share for concept, share in concepts.items() if concept in takes}
    instants = {concept: share for concept, share in concepts.items() if concept in _INSTANTS}
    if unit.unit == "h:mm:ss" and instants:
        return {**instants, **fitting}  # a time of day is written so too
    if not fitting:
        return instants if unit.unit in ("s", "ms") else {}  # counted since an instant
    if len(fitting) == 1 and fitting.keys() != concepts.keys():
        return {concept: min(0.95, share + 0.35) for concept, share in fitting.items()}
    return fitting


def _fitting(unit: str | None, concepts: Mapping[str, float]) -> str | None:
    """Return the unit if one of the concepts can be measured in it, or nothing is known of them."""
    if unit is None or not concepts:
        return unit
    takes = _TAKES.get(UNITS[unit][0], frozenset())
    clock = unit in ("h:mm:ss", "mm:ss")
    epoch = unit in ("s", "ms") and not concepts.keys() & takes and concepts.keys() & _INSTANTS
    return unit if concepts.keys() & takes or (epoch and not clock) else None


def _part(tags: frozenset[str], concepts: Mapping[str, float], unit: _Unit, *, dated: bool) -> Part | None:
    if not concepts.keys() & _INSTANTS:
        return None
    clock = "clock" in tags or (unit.unit == "h:mm:ss" and not concepts.keys() & _DURATIONS)
    date = "date" in tags or dated
    both = tags & {"instant"} or (date and (clock or tags & {"time", "hour"}))
    return None if both or clock == date else "date" if date else "time of day"


# --- words of a name ---


def _segments(tokens: Sequence[str], language: Language) -> list[_Words]:
    """Return the words and phrases that a name is made of, the longest known ones first."""
    found: list[_Words] = []
    bare = [plain(token) for token in tokens]
    starts = _phrase_starts(language.code)
    at = 0
    while at < len(tokens):
        longest = min(_LONGEST_PHRASE, len(tokens) - at) if bare[at] in starts else 1
        for length in range(longest, 0, -1):
            run = bare[at : at + length]
            words = _known(" ".join(filter(None, run)), language.code) if run[0] and run[-1] else None
            if words is not None:
                found.append(replace(words, length=length) if length > 1 else words)
                at += length
                break
        else:
            found.extend(_word(tokens[at], language.code))
            at += 1
    return found


@cache
def _phrase_starts(code: str) -> frozenset[str]:
    """Return the words that phrases of several words begin with."""
    spoken = _spoken(languages()[code])
    return frozenset(phrase.split()[0] for speaks in spoken for phrase in speaks.words if " " in phrase)


@lru_cache(maxsize=65_536)
def _known(phrase: str, code: str) -> _Words | None:
    """Return what a word or phrase is known to mean, in English too where the language has no such word."""
    language = languages()[code]
    for speaks in _spoken(language):
        tags = _tags(speaks, phrase)
        if phrase in speaks.stop:
            tags[None] = 1.0
        if tags:
            return _Words(tags, native=speaks is language)
    return None


def _tags(language: Language, phrase: str) -> dict[str | None, float]:
    return {tag: likely for tag, likely in language.words.get(phrase, {}).items()}  # noqa: C416 (keys may be None)


def _spoken(language: Language) -> tuple[Language, ...]:
    english = languages()["en"]
    return (language,) if language is english else (language, english)


@lru_cache(maxsize=65_536)
def _word(token: str, code: str) -> tuple[_Words, ...]:
    """Return what one word means that is not known as it stands: a plural, a compound, a short form, a number."""
    language = languages()[code]
    bare = plain(token)
    if not bare:
        return (_Words({_SIGNS[token]: 1.0}),) if token in _SIGNS else ()
    if bare.isdigit():
        return (_Words({None: 1.0}, _NUMBERED),)
    if bare in closed_lists()["negation"]:
        return (_Words({_NEGATION: 1.0}),)
    for speaks in _spoken(language):
        for ending in speaks.endings:
            stem = bare.removesuffix(ending)
            if len(stem) >= _SHORTEST_PIECE and stem != bare and stem in speaks.words:
                return (_Words(_tags(speaks, stem), native=speaks is language, guessed=1),)
    if pieces := _compound(bare, language.code):
        found = [words for piece in pieces if (words := _known(piece, language.code)) is not None]
        return (replace(found[0], guessed=1), *found[1:])
    least = _FIRST_LETTERS_WITH_POINT if token.endswith(".") else _FIRST_LETTERS
    if len(bare) >= least:
        for speaks in _spoken(language):
            tags = _beginnings(speaks.code).get(bare)
            if tags:
                return (_Words({tags: 1.0}, _SHORTENED, native=speaks is language, guessed=2),)
    return (_Words({}),)


@cache
def _beginnings(code: str) -> Mapping[str, str]:
    """Return the beginnings of words that can mean one tag only."""
    found: dict[str, set[str]] = {}
    for word, tags in languages()[code].words.items():
        if " " in word or len(word) <= _FIRST_LETTERS_WITH_POINT:
            continue
        sure = {tag for tag, likely in tags.items() if likely == 1.0}
        for length in range(_FIRST_LETTERS_WITH_POINT, len(word)):
            found.setdefault(word[:length], set()).update(sure or {"?"})
    return {start: next(iter(tags)) for start, tags in found.items() if len(tags) == 1 and "?" not in tags}


@lru_cache(maxsize=16_384)
def _compound(word: str, code: str) -> tuple[str, ...]:
    """Return the known words that a word is put together from, the fewest; none if it is not wholly known words."""
    language = languages()[code]
    ways: list[tuple[str, ...] | None] = [None] * (len(word) + 1)
    ways[0] = ()
    for start in range(len(word)):
        before = ways[start]
        if before is None or len(before) == _MOST_PIECES:
            continue
        for end in range(start + 2, len(word) + 1):
            piece = word[start:end]
            if not _is_piece(piece, language):
                continue
            for link in ("", *language.links):
                stop = end + len(link)
                if (link and (stop >= len(word) or word[end:stop] != link)) or (end - start < _SHORTEST_PIECE and link):
                    continue
                way = (*before, piece)
                known = ways[stop]
                if known is None or _worth_of(way) > _worth_of(known):
                    ways[stop] = way
    best = ways[-1]
    return best if best and len(best) > 1 and any(len(piece) > _SHORTEST_PIECE for piece in best) else ()


def _worth_of(pieces: tuple[str, ...]) -> tuple[int, int]:
    """Return what tells the better way to part a compound: few pieces, long ones among them."""
    return -len(pieces), sum(len(piece) ** 2 for piece in pieces)


def _is_piece(piece: str, language: Language) -> bool:
    if len(piece) < _SHORTEST_PIECE and piece not in _SHORT_PIECES:
        return False
    return any(piece in speaks.words for speaks in _spoken(language))


# --- what words mean together ---


def _weigh(
    segments: Sequence[_Words], beside: Sequence[_Words], language: Language, unit: _Unit
) -> tuple[dict[str, float], frozenset[str]]:
    """Return the concepts of a name in one language, and the tags that it was understood by."""
    known = [words for words in segments if words.tags]
    if not known or len(known) * 2 < len(segments):
        return {}, frozenset()
    worth = 1.0
    for words in (*known, *beside):
        worth *= words.worth
    if len(known) < len(segments):
        head = segments[-1] if language.head == "last" else segments[0]
        worth *= _UNKNOWN if head.tags else _UNKNOWN_HEAD
    ways: list[tuple[int, float, bool, dict[str, float], frozenset[str]]] = []
    unit_tag = _tag_of(unit)
    for choice in islice(product(*(words.tags.items() for words in (*known, *beside))), _MOST_WAYS):
        tags = tuple(tag for tag, _ in choice if tag is not None)
        shares = [1.0 if tag == unit_tag else share for tag, share in choice if tag is not None]
        likely = min(shares, default=1.0)
        if not tags:
            continue
        meaning = _meaning(_with_unit_tag(tags, unit), language.head)
        if meaning:
            firm = len(set(tags)) > 1 and max(shares) == 1.0  # a word that is sure tells what the others mean
            ways.append((len(tags), likely, firm, dict(meaning), frozenset(tags)))
    if not ways:
        return {}, frozenset()
    most = max(understood for understood, *_ in ways)
    ways = [way for way in ways if way[0] == most]
    firsts = [max(said, key=lambda concept: said[concept]) for *_, said, _ in ways]
    agreed = len(set(firsts)) == 1
    concepts: dict[str, float] = {}
    for _, likely, firm, said, _ in ways:
        for concept, share in said.items():
            sure = share * worth * (1.0 if agreed and firm else likely)
            concepts[concept] = max(sure, concepts.get(concept, 0.0))
    if len({first for first, (_, likely, *_) in zip(firsts, ways, strict=True) if likely == 1.0}) > 1:
        concepts = {concept: min(share, _DISPUTED) for concept, share in concepts.items()}
    return concepts, frozenset(tag for *_, tags in ways for tag in tags)


def _tag_of(unit: _Unit) -> str | None:
    dimension = UNITS[unit.unit][0] if unit.unit else unit.foreign
    return unit.tag or (_TAG_OF_UNIT.get(dimension) if dimension else None)


def _with_unit_tag(tags: tuple[str, ...], unit: _Unit) -> tuple[str, ...]:
    """Return the tags with what the unit says is measured, where the words do not say it."""
    tag = _tag_of(unit)
    if tag is None or tag in tags or any(tag.startswith(SPECIAL) for tag in tags):
        return tags
    if tag == "duration":
        clock = unit.unit in ("h:mm:ss", "mm:ss") and dict(_meaning(tags, "last")).keys() & _INSTANTS
        return tags if clock or _SAYS_TIME & set(tags) or not _meaning((*tags, tag), "last") else (*tags, tag)
    if tag == "share" and _meaning(tags, "last") and set(dict(_meaning(tags, "last"))) & _TAKES["ratio"]:
        return tags
    return (*tags, tag)


@lru_cache(maxsize=65_536)
def _meaning(tags: tuple[str, ...], head: str) -> tuple[tuple[str, float], ...]:
    """Return what tags mean together: the phrases that need the most of them, decided by the head where they differ."""
    said = frozenset(tags)
    special = [tag for tag in said if tag.startswith(SPECIAL)]
    if special:
        concept = special[0].removeprefix(SPECIAL)
        rest = said - set(special)
        if concept in ("cycle_time", "setup_time") and rest & _QUOTED:
            concept, rest = f"quoted_{concept}", rest - _QUOTED
        return ((concept, 0.95),) if len(special) == 1 and rest <= _BESIDE_SPECIAL else ()
    matched = list(_matching(said - {"slash"} | {"per"})) if "slash" in said else []
    matched = matched or list(_matching(said))
    if not matched and said & _IDLE:
        return _meaning(tuple(tag for tag in tags if tag not in _IDLE), head) if said - _IDLE else ()
    if not matched:
        return ()
    most = max(len(phrase.needed) for phrase in matched)
    best = [phrase for phrase in matched if len(phrase.needed) == most]
    objects = [tag for tag in tags if tag in _OBJECTS]
    slashed = "slash" in said
    if len(set(objects)) > 1 and most == 1:
        ruling = objects[-1] if head == "last" else objects[0]
        ruled = [phrase for phrase in best if not phrase.needed[0] & _OBJECTS or ruling in phrase.needed[0]]
        best = best if slashed else (ruled or best)
    concepts: dict[str, float] = {}
    for phrase in best:
        concepts[phrase.concept] = max(phrase.weight, concepts.get(phrase.concept, 0.0))
    if slashed and len(set(objects)) > 1 and len(concepts) > 1:
        return tuple((concept, min(share, 0.5)) for concept, share in concepts.items())
    return tuple(concepts.items())


_QUOTED: Final = frozenset({"planned", "quoted"})
_IDLE: Final = frozenset({"slash", "actual"})
_BESIDE_SPECIAL: Final = frozenset(
    [
        "date",
        "clock",
        "hour",
        "instant",
        "slash",
        "actual",
        "number",
        "name",
        "id",
        "code",
        "job",
        "part",
        "pieces",
        "per",
        "time",
        "duration",
        "machine",
        "cycle",
        "total",
        "program",
        "operation",
    ]
)


def _matching(said: frozenset[str]) -> Iterator[Phrase]:
    for phrase in _phrases_with(said):
        needed = phrase.needed
        if all(said & one_of for one_of in needed) and said <= phrase.allowed.union(*needed):
            if len(needed) > 1 and len(said) < len(needed):
                continue  # one tag may not stand for two
            yield phrase


def _phrases_with(said: Iterable[str]) -> Iterator[Phrase]:
    """Yield the phrases whose first needed word is said."""
    seen: set[int] = set()
    by_tag = _phrases_by_tag()
    for tag in said:
        for phrase in by_tag.get(tag, ()):
            if id(phrase) not in seen:
                seen.add(id(phrase))
                yield phrase


@cache
def _phrases_by_tag() -> Mapping[str, tuple[Phrase, ...]]:
    found: dict[str, list[Phrase]] = {}
    for phrase in phrases():
        assert phrase.concept in CONCEPTS, phrase.concept
        for tag in phrase.needed[0]:
            found.setdefault(tag, []).append(phrase)
    return {tag: tuple(some) for tag, some in found.items()}
