"""What the name of a column says: which concepts it may mean, a unit, whether it is a date or a time of day.

Names are read as words of the trade in ten languages (schemas/words.py), one by one and together. It looks at no values.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import islice, product
from typing import Final, Literal

from schemas.concepts import CONCEPTS, FIELDS
from schemas.profile import UNITS, unit_dimension
from schemas.vocabulary import InputKind
from schemas.words import (
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
_BRACKETS: Final = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]?")
_CAMEL: Final = re.compile(r"(?<=[a-zà-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=[A-Z])(?=[A-Z][a-z])")
_DIGITS: Final = re.compile(r"(?<=[^\W\d_])(?=\d)|(?<=\d)(?=[^\W\d_])")
_TOKEN: Final = re.compile(r"[^\W_]+\.?|/|%|€|\$|£")
_NUMBER_SIGN: Final = re.compile(r"\b[nN]\s*[°º]|№|#")
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


@lru_cache(maxsize=16_384)
def read_name(name: str) -> NameReading:
    """Return what the name of a column says."""
    own = _OWN_CONCEPTS.get(" ".join(name.split()).casefold())
    reading = _read(name[:LONGEST_NAME]) if name.strip() else _NOTHING
    if own is None:
        return reading
    field = " ".join(name.split()).casefold()
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
            kinds = titles().get(phrase) or (titles().get(phrase.replace(" ", "")) if length > 1 else None)
            if not kinds or taken & set(range(at, at + length)):
                continue
            taken |= set(range(at, at + length))
            for kind, likely in kinds:
                share = 0.95 * likely if len(kinds) == 1 else _DISPUTED * likely
                found[kind] = max(share, found.get(kind, 0.0))  # type: ignore[index, call-overload]
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
    if foreign := written.foreign.get(said):
        return _Unit(foreign=foreign)
    if unit := written.units.get(said):
        return _Unit(unit)
    return _Unit(tag=written.marks.get(said))


def _read(name: str) -> NameReading:
    text = _BREAK.sub(" ", html.unescape(name))
    text = unicodedata.normalize("NFC", text)
    text = _NUMBER_SIGN.sub(" no ", text)
    remarks = [found.strip() for found in _BRACKETS.findall(text) if found.strip()]
    main = _BRACKETS.sub(" ", text).replace("'s ", " ").replace("’s ", " ")
    said = [_unit(remark) for remark in remarks]
    dated = any(_DATE_FORM.match(unit_spelling(remark)) for remark in remarks)
    tokens = _tokens(main)
    unit = next((found for found in said if found != _Unit()), None)
    if unit is None:
        tokens, unit = _trailing_unit(tokens)
    asides = [
        token
        for remark, found in zip(remarks, said, strict=True)
        if found == _Unit() and not _DATE_FORM.match(unit_spelling(remark))
        for token in _tokens(remark)
    ]
    return _understand(tuple(tokens), tuple(asides), unit or _Unit(), dated=dated)


def _tokens(text: str) -> list[str]:
    parted = _DIGITS.sub(" ", _CAMEL.sub(" ", unicodedata.normalize("NFKC", text).replace("_", " ")))
    return [token.casefold() for token in _TOKEN.findall(parted)][:_MOST_WORDS]


def _trailing_unit(tokens: list[str]) -> tuple[list[str], _Unit | None]:
    """Part the unit from the end of a name: "Zeit / min", "cut_s", "Gewicht kg", "Laufzeit in Sekunden"."""
    for length in (3, 2, 1):
        if len(tokens) <= length:
            continue
        found = _unit("".join(tokens[-length:]))
        if found.unit is None and found.foreign is None:
            continue
        rest = tokens[:-length]
        if rest[-1] == "/" and len(rest) > 1 and not _measures_itself(rest[:-1]):
            return tokens, None  # parts per hour
        while len(rest) > 1 and rest[-1] in ("/", "in", "en", "em", "w", "v", "i"):
            rest = rest[:-1]
        return rest, found
    return tokens, None


def _measures_itself(tokens: Sequence[str]) -> bool:
    """Return whether words before a slash name a quantity ("Zeit / s"), not things that are counted ("Teile / h")."""
    counted = {"pieces", "count", "good", "bad", "made", "money", "price", "cost", "part", "cycles", "share"}
    for language in languages().values():
        for words in _segments(tokens, language):
            if counted & set(words.tags) or "unknown" in words.tags:
                return False
    return not any(token in "€$£%" for token in tokens)


def _understand(tokens: tuple[str, ...], asides: tuple[str, ...], unit: _Unit, *, dated: bool) -> NameReading:
    found: list[tuple[str, dict[str, float], frozenset[str], int, bool]] = []
    for language in languages().values():
        segments = _segments(tokens, language)
        beside = [words for words in _segments(asides, language) if words.tags]
        unknown = sum(not words.tags for words in segments)
        native = any(words.native for words in (*segments, *beside))
        if language.code != "en" and not native:
            continue
        concepts, tags = _weigh(segments, beside, language, unit)
        if concepts:
            found.append((language.code, concepts, tags, unknown, native))
    if not found:
        return NameReading({}, None, unit.unit)
    least = min(unknown for *_, unknown, _ in found)
    found = [reading for reading in found if reading[3] == least]
    concepts = _merged([concepts for _, concepts, *_ in found])
    spoken = frozenset(code for code, *_, native in found if native)
    tags = frozenset[str]().union(*(tags for _, _, tags, *_ in found))
    concepts = _with_unit(concepts, unit)
    return NameReading(concepts, _part(tags, concepts, unit, dated=dated), _fitting(unit.unit, concepts), spoken)


def _merged(readings: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Return the readings of all languages together; where languages differ, none is believed fully."""
    first = {max(reading, key=lambda concept: reading[concept]) for reading in readings}
    merged: dict[str, float] = {}
    for reading in readings:
        for concept, share in reading.items():
            merged[concept] = max(share, merged.get(concept, 0.0))
    strong = {
        concept for concept in first if all(concept not in reading for reading in readings if concept not in reading)
    }
    if len(first) > 1 and any(not first <= set(reading) for reading in readings) and strong:
        return {concept: min(share, _DISPUTED) for concept, share in merged.items()}
    return merged


def _with_unit(concepts: dict[str, float], unit: _Unit) -> dict[str, float]:
    """Return the concepts that the unit leaves: a time in minutes is a duration, a weight no count."""
    if unit.foreign:
        return {concept: share * _FOREIGN_UNIT for concept, share in concepts.items()}
    if unit.unit is None:
        return concepts
    dimension = UNITS[unit.unit][0]
    fitting = {concept: share for concept, share in concepts.items() if concept in _TAKES.get(dimension, frozenset())}
    if dimension == "time" and (unit.unit in ("s", "ms", "h:mm:ss", "mm:ss")):
        instants = {concept: share for concept, share in concepts.items() if concept in _INSTANTS}
        if unit.unit == "h:mm:ss" or not fitting:
            return {**instants, **fitting}
        return fitting
    if not fitting:
        return {}
    top = max(fitting.values())
    if dimension in ("time", "mass") and top < max(concepts.values()) + 0.01:
        share = min(0.95, top + 0.35) if len(fitting) == 1 else top
        return {concept: old * share / top for concept, old in fitting.items()}
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
    at = 0
    while at < len(tokens):
        for length in range(min(_LONGEST_PHRASE, len(tokens) - at), 0, -1):
            run = tokens[at : at + length]
            words = _known(" ".join(filter(None, map(plain, run))), language) if "/" not in (run[0], run[-1]) else None
            if words is not None:
                found.append(words)
                at += length
                break
        else:
            found.extend(_word(tokens[at], language))
            at += 1
    return found


def _known(phrase: str, language: Language) -> _Words | None:
    for speaks in _spoken(language):
        tags: dict[str | None, float] = dict(speaks.words.get(phrase, {}))
        if phrase in speaks.stop:
            tags[None] = 1.0
        if tags:
            native = speaks is language and any(tag is not None for tag in tags)
            return _Words(tags, native=native)
    return None


def _spoken(language: Language) -> tuple[Language, ...]:
    english = languages().get("en")
    return (language,) if english is None or language is english else (language, english)


def _word(token: str, language: Language) -> list[_Words]:
    """Return what one word means that is not known as it stands: a plural, a compound, a short form, a number."""
    bare = plain(token)
    if not bare:
        return [] if token not in "/%€$£" else [_Words({{"/": "slash", "%": "share"}.get(token, "money"): 1.0})]
    if bare.isdigit():
        return [_Words({None: 1.0}, _NUMBERED)]
    for speaks in _spoken(language):
        for ending in speaks.endings:
            stem = bare.removesuffix(ending)
            if len(stem) >= _SHORTEST_PIECE and stem != bare and stem in speaks.words:
                return [_Words(dict(speaks.words[stem]), native=speaks is language)]
    if pieces := _compound(bare, language.code):
        return [words for piece in pieces if (words := _known(piece, language)) is not None]
    least = _FIRST_LETTERS_WITH_POINT if token.endswith(".") else _FIRST_LETTERS
    if len(bare) >= least:
        for speaks in _spoken(language):
            tags = _beginnings(speaks.code).get(bare)
            if tags:
                return [_Words({tags: 1.0}, _SHORTENED, native=speaks is language)]
    return [_Words({})]


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
                if known is None or len(way) < len(known):
                    ways[stop] = way
    best = ways[-1]
    return best if best and len(best) > 1 and any(len(piece) > _SHORTEST_PIECE for piece in best) else ()


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
    ways: list[tuple[int, float, dict[str, float], frozenset[str]]] = []
    for choice in islice(product(*(words.tags.items() for words in (*known, *beside))), _MOST_WAYS):
        tags = tuple(tag for tag, _ in choice if tag is not None)
        likely = min((share for tag, share in choice if tag is not None), default=1.0)
        if not tags:
            continue
        meaning = _meaning(_with_unit_tag(tags, unit), language.head)
        if meaning:
            ways.append((len(tags), likely, dict(meaning), frozenset(tags)))
    if not ways:
        return {}, frozenset()
    distinct = {max(meaning, key=lambda concept: meaning[concept]) for _, _, meaning, _ in ways}
    alone = len(distinct) == 1 and len({tag for *_, tags in ways for tag in tags}) > 1
    concepts: dict[str, float] = {}
    for _, likely, meaning, _ in ways:
        for concept, share in meaning.items():
            sure = share * worth * (1.0 if alone else likely)
            concepts[concept] = max(sure, concepts.get(concept, 0.0))
    if len(distinct) > 1:
        sure_ways = {max(m, key=lambda concept: m[concept]) for _, likely, m, _ in ways if likely == 1.0}
        if len(sure_ways) > 1:
            concepts = {concept: min(share, _DISPUTED) for concept, share in concepts.items()}
    return concepts, frozenset(tag for *_, tags in ways for tag in tags)


def _with_unit_tag(tags: tuple[str, ...], unit: _Unit) -> tuple[str, ...]:
    """Return the tags with what the unit says is measured, where the words do not say it."""
    dimension = UNITS[unit.unit][0] if unit.unit else unit.foreign
    tag = unit.tag or (_TAG_OF_UNIT.get(dimension) if dimension else None)
    if tag is None or tag in tags or any(tag.startswith(SPECIAL) for tag in tags):
        return tags
    if tag == "duration" and (_SAYS_TIME & set(tags) or not _meaning((*tags, tag), "last")):
        return tags
    if tag == "share" and _meaning(tags, "last") and set(dict(_meaning(tags, "last"))) & _TAKES["ratio"]:
        return tags
    return (*tags, tag)


@lru_cache(maxsize=65_536)
def _meaning(tags: tuple[str, ...], head: str) -> tuple[tuple[str, float], ...]:
    """Return what tags mean together: the phrases that need the most of them, decided by the head where they differ."""
    said = frozenset(tags)
    special = [tag for tag in said if tag.startswith(SPECIAL)]
    if special:
        rest = said - set(special)
        fits = len(special) == 1 and rest <= _BESIDE_SPECIAL
        return ((special[0].removeprefix(SPECIAL), 0.95),) if fits else ()
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
        concepts = {concept: min(share, 0.5) for concept, share in concepts.items()}
    return tuple(concepts.items())


_IDLE: Final = frozenset({"slash", "actual"})
_BESIDE_SPECIAL: Final = frozenset(
    [
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
