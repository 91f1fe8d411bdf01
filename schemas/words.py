"""The words of the trade in ten languages, from schemas/words/*.toml, and the plain form in which words are compared.

It loads and normalises words; what a whole column name means is recognition's business.

A language file says how words end ("s", or "ada=ado" for an ending that stands here for another) and has [words]:
tag -> the words and phrases for it, where a mark behind a word tells how often it means something else ("op no~"
now and then, "T?" every second time, "mill??" mostly), and a stroke that its beginning does not stand for it
("vacío_"); [special]: concept -> words whose parts would say something else; [alone]: concept -> words that mean it
only where nothing stands beside them; closed lists ([outcome], [reason], ...): word of ours -> theirs, and [asked] what
a column's name asks of the end of a cycle; [kinds]: titles of tables; [lists]. phrases.toml beside them says what tags
mean together, units.toml how units are written.
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, Final, Literal

from schemas.vocabulary import InputKind

LANGUAGES: Final = ("en", "de", "fr", "es", "pt", "it", "pl", "nl", "cs", "sv")
CLOSED_LISTS: Final = ("outcome", "asked", "reason", "level", "execution", "availability", "mode")
SPECIAL: Final = "="  # before a concept: the tag of a word that means it whatever its parts say

# Letters that no decomposition turns into plain ones.
_LETTERS: Final = str.maketrans({"ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i", "þ": "th"})
_SPELT_OUT: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
NUMBER_SIGN: Final = re.compile(r"\b[nN]\s*[°º]|№|#")
_MARKS: Final = re.compile(r"[^\w]+|_+")
_WHOLE: Final = "_"  # behind a word: its beginning does not stand for it
_WORD_MARKS: Final = f"?~{_WHOLE}"
_LIKELY: Final = {"": 1.0, "~": 0.8, "?": 0.5, "??": 0.3}


@lru_cache(maxsize=65_536)
def plain(text: str) -> str:
    """Return a text in small letters without diacritics and punctuation, its words parted by single blanks."""
    said = NUMBER_SIGN.sub(" no ", text)
    if said.isascii():  # has no diacritics
        bare = said.lower()
    else:
        small = unicodedata.normalize("NFKC", said).casefold().translate(_LETTERS)
        bare = "".join(mark for mark in unicodedata.normalize("NFKD", small) if not unicodedata.combining(mark))
    return " ".join(_MARKS.sub(" ", bare).split())


@cache
def _load(name: str) -> dict[str, Any]:
    return tomllib.loads(files("schemas").joinpath("words", f"{name}.toml").read_text(encoding="utf-8"))


_CALENDAR: Final = _load("calendar")
MONTHS: Final[dict[str, int]] = {
    plain(word): int(number) for number, words in _CALENDAR["months"].items() for word in words
}
"""Names and abbreviations of months in ten languages, in their plain form, with the month's number."""
WEEKDAY_NUMBERS: Final[dict[str, frozenset[int]]] = {
    plain(word): frozenset(int(number) for number, listed in _CALENDAR["weekdays"].items() if word in listed)
    for words in _CALENDAR["weekdays"].values()
    for word in words
}
"""Names and abbreviations of days of the week in ten languages, in their plain form, with the days they may be."""
WEEKDAYS: Final = frozenset(WEEKDAY_NUMBERS)


@dataclass(frozen=True)
class Language:
    """The words of one language: plain phrase -> the tags it may stand for, with how often it does."""

    code: str
    head: Literal["first", "last"]  # where the word stands that the others modify
    words: Mapping[str, Mapping[str, float]]
    stop: frozenset[str]  # words that say nothing
    at: frozenset[str]  # prepositions that say, at the end of a name, that it is of a moment: "changed on"
    endings: tuple[tuple[str, str], ...]  # of plurals and cases, each with what stands in their place in these files
    links: tuple[str, ...]  # letters between the parts of a compound
    alone: Mapping[str, Mapping[str, float]]  # plain name -> the concepts that it means as a whole name
    unshortened: frozenset[tuple[str, str]] = frozenset()  # words and tags that no beginning of the word stands for


@dataclass(frozen=True)
class Phrase:
    """A rule of phrases.toml: these tags together mean a concept."""

    concept: str
    needed: tuple[frozenset[str], ...]  # one of each
    allowed: frozenset[str]
    weight: float


@dataclass(frozen=True)
class Units:
    """How units are written: spelling -> unit of a profile, tag of a quantity, dimension of a unit none can state."""

    units: Mapping[str, str]
    marks: Mapping[str, str]
    foreign: Mapping[str, str]


def _spellings(text: str) -> Iterator[tuple[str, float]]:
    """Yield the plain forms of a word of a file with how likely it is meant."""
    word = text.rstrip(_WORD_MARKS)
    likely = _LIKELY[text[len(word) :].strip(_WHOLE)]
    yield _plain_or_self(word), likely
    spelt = word.casefold().translate(_SPELT_OUT)
    if spelt != word.casefold():
        yield plain(spelt), likely


def _is_whole(text: str) -> bool:
    return _WHOLE in text[len(text.rstrip(_WORD_MARKS)) :]


def _plain_or_self(word: str) -> str:
    return plain(word) or word


@cache
def languages() -> Mapping[str, Language]:
    """Return the languages by code."""
    return {code: _language(code, _load(code)) for code in LANGUAGES}


def _language(code: str, content: Mapping[str, Any]) -> Language:
    words: dict[str, dict[str, float]] = {}
    tagged = [
        *content["words"].items(),
        *((SPECIAL + name, listed) for name, listed in content["special"].items()),
    ]
    for tag, listed in tagged:
        for text in listed:
            for word, likely in _spellings(text):
                meanings = words.setdefault(word, {})
                meanings[tag] = max(likely, meanings.get(tag, 0.0))
    alone: dict[str, dict[str, float]] = {}
    for concept, listed in content.get("alone", {}).items():
        for text in listed:
            for word, likely in _spellings(text):
                alone.setdefault(word, {})[concept] = likely
    stop = frozenset(plain(word) for word in (*content["stop"], *content.get("at", ())))
    _add_telegraphic(words, stop)
    return Language(
        code,
        content["head"],
        words,
        stop,
        frozenset(plain(word) for word in content.get("at", ())),
        tuple((ending, instead) for ending, _, instead in (text.partition("=") for text in content["endings"])),
        tuple(content.get("links", ())),
        alone,
        frozenset(
            (word, tag) for tag, listed in tagged for text in listed if _is_whole(text) for word, _ in _spellings(text)
        ),
    )


def _add_telegraphic(words: dict[str, dict[str, float]], stop: frozenset[str]) -> None:
    """Add phrases as heads of columns shorten them, without the words that say nothing: "ordem (de) fabrico"."""
    for phrase, meanings in list(words.items()):
        parts = phrase.split()
        kept = [part for part in parts if part not in stop]
        if 1 < len(kept) < len(parts):
            short = words.setdefault(" ".join(kept), {})
            for tag, likely in meanings.items():
                short[tag] = max(likely, short.get(tag, 0.0))


@cache
def groups() -> Mapping[str, frozenset[str]]:
    """Return the groups of tags of phrases.toml."""
    return {name: frozenset(text.split()) for name, text in _load("phrases")["groups"].items()}


@cache
def phrases() -> tuple[Phrase, ...]:
    """Return the rules of phrases.toml."""
    return tuple(_phrase(concept, text) for concept, texts in _load("phrases")["phrases"].items() for text in texts)


def _phrase(concept: str, text: str) -> Phrase:
    beside = re.search(r"\[(.*?)\]", text)
    rest = re.sub(r"\[.*?\]", " ", text).split()
    weight = float(rest.pop()) if re.fullmatch(r"0\.\d+", rest[-1]) else 0.95
    return Phrase(
        concept,
        tuple(_one_of(term.split("|")) for term in rest),
        _one_of(beside[1].split() if beside else ()),
        weight,
    )


def _one_of(terms: Iterable[str]) -> frozenset[str]:
    return frozenset(tag for term in terms for tag in groups().get(term, (term,)))


@cache
def unit_words() -> Mapping[str, tuple[str, ...]]:
    """Return how each unit of a profile is written, as people write it."""
    return {unit: tuple(texts) for unit, texts in _load("units")["units"].items()}


@cache
def units() -> Units:
    """Return the spellings of units; they are compared in small letters without blanks."""
    content = _load("units")
    return Units(*(_by_spelling(content[part]) for part in ("units", "marks", "foreign")))


@cache
def currencies() -> tuple[str, ...]:
    """Return the signs, codes and names of currencies, as they are written."""
    return tuple(_load("units")["marks"]["money"])


@cache
def currency_codes() -> Mapping[str, str]:
    """Return what stands in brackets behind a cost, as units are spelt -> the code of its currency, "" if open."""
    return {unit_spelling(text): code for code, texts in _load("units")["currencies"].items() for text in texts}


def _by_spelling(words: Mapping[str, list[str]]) -> dict[str, str]:
    return {unit_spelling(text): unit for unit, texts in words.items() for text in texts}


def unit_spelling(text: str) -> str:
    """Return the form in which units are compared: small letters, no diacritics, no blanks and final points."""
    small = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold().translate(_LETTERS))
    bare = "".join(mark for mark in small if not unicodedata.combining(mark))
    return re.sub(r"\s|\.(?!\d)", "", bare)


@cache
def closed_lists() -> Mapping[str, Mapping[str, str]]:
    """Return list -> their word in plain form -> ours; a word of which two languages differ is left out.

    "total", "page", "negation" and "because" are lists too, of words that have no word of ours: they stand for the
    list's name.
    """
    found: dict[str, dict[str, set[str]]] = {}
    for code in LANGUAGES:
        content = _load(code)
        lists = {name: content[name] for name in CLOSED_LISTS} | {
            name: {name: listed} for name, listed in content["lists"].items()
        }
        for name, by_word in lists.items():
            for ours, theirs in by_word.items():
                for text in (*theirs, *([ours] if name in CLOSED_LISTS else [])):
                    for word, _ in _spellings(text):
                        found.setdefault(name, {}).setdefault(word, set()).add(ours)
    return {
        name: {word: next(iter(ours)) for word, ours in by_word.items() if len(ours) == 1}
        for name, by_word in found.items()
    }


@cache
def spoken_list(code: str, name: str) -> Mapping[str, str]:
    """Return a closed list, or one of [lists], in one language alone: their word in plain form -> ours."""
    content = _load(code)
    by_word = content[name] if name in CLOSED_LISTS else {name: content["lists"][name]}
    return {word: ours for ours, theirs in by_word.items() for text in theirs for word, _ in _spellings(text)}


@cache
def written_words(code: str) -> frozenset[str]:
    """Return the single words of a language as they are written, in small letters with their diacritics."""
    content = _load(code)
    listed = [text for part in content.values() if isinstance(part, dict) for texts in part.values() for text in texts]
    texts = [*listed, *content["stop"]]
    return frozenset(word for text in texts for word in re.findall(r"[^\W\d_]{2,}", text.casefold()))


@cache
def titles() -> Mapping[str, tuple[tuple[InputKind, float], ...]]:
    """Return plain title, also written as one word -> the kinds of table that it tells, with how surely."""
    found: dict[str, dict[InputKind, float]] = {}
    for code in languages():
        for kind, listed in _load(code)["kinds"].items():
            for text in listed:
                for phrase, likely in _spellings(text):
                    for word in {phrase, phrase.replace(" ", "")}:
                        kinds = found.setdefault(word, {})
                        kinds[kind] = max(likely, kinds.get(kind, 0.0))
    return {word: tuple(kinds.items()) for word, kinds in found.items()}


@cache
def other_tables() -> Mapping[str, tuple[frozenset[str], tuple[str, ...]]]:
    """Return for kinds the whole words and the stems that say, in a title or file name, that a table is not of it."""
    content = _load("other_tables")
    return {
        kind: (frozenset(listed["whole"]), tuple(listed["stem"]))
        for kind, listed in content.items()
        if "whole" in listed
    }


@cache
def tool_kinds() -> Mapping[str, str]:
    """Return words of descriptions, in small letters as written, -> the kind of tool that they plainly say."""
    return {word.casefold(): kind for kind, words in _load("tool_kinds")["kinds"].items() for word in words}


@cache
def telling_columns() -> Mapping[str, frozenset[str]]:
    """Return names of columns, in plain form, that say what a list is of: `sorts`, `units`, and stems `elsewhere`."""
    return {name: frozenset(plain(word) for word in words) for name, words in _load("other_tables")["columns"].items()}
