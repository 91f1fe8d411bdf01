"""The words that a name is made of, in one language: phrases, plurals, compounds, short forms, each with its tags.

What the tags mean together is `phrasing.py`'s business.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Final

from schemas.words import Language, closed_lists, currencies, languages, plain

LONGEST_PHRASE: Final = 5
_SHORTENED: Final = 0.85  # what a name is worth with a word that is only the beginning of a known one
_NUMBERED: Final = 0.7  # "Machine 2"
_FIRST_LETTERS: Final = 4
_FIRST_LETTERS_WITH_POINT: Final = 3
_SHORTEST_PIECE: Final = 3
_SHORTEST_STEM: Final = 4  # before an ending that stands for another: "prevista" is "previsto"
_MOST_PIECES: Final = 4
_SHORT_PIECES: Final = frozenset({"nr", "no", "id", "wz", "fa", "op", "nc", "ag"})
_VOWELS: Final = frozenset("aeiouy")
_NEGATION: Final = "not"  # a tag that no phrase takes: what is negated is not what it says
_INSTANT: Final = "instant"  # what a preposition of time at the end of a name says: "changed on"
_SIGNS: Final = {"/": "slash", "%": "share", "€": "money", "$": "money", "£": "money"}


@dataclass(frozen=True)
class Words:
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


def segments(tokens: Sequence[str], language: Language) -> list[Words]:
    """Return the words and phrases that a name is made of, the longest known ones first."""
    found: list[Words] = []
    bare = [plain(token) for token in tokens]
    starts = _phrase_starts(language.code)
    at = 0
    while at < len(tokens):
        longest = min(LONGEST_PHRASE, len(tokens) - at) if bare[at] in starts else 1
        for length in range(longest, 0, -1):
            run = bare[at : at + length]
            words = _known(" ".join(filter(None, run)), language.code) if run[0] and run[-1] else None
            if words is not None:
                if found and length == 1 and at == len(tokens) - 1 and run[0] in language.at:
                    words = replace(words, tags={**words.tags, _INSTANT: 1.0}, worth=1.0)
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
def _known(phrase: str, code: str) -> Words | None:
    """Return what a word or phrase is known to mean, in English too where the language has no such word."""
    language = languages()[code]
    for speaks in _spoken(language):
        tags = _tags(speaks, phrase)
        if phrase in speaks.stop:
            tags[None] = 1.0
        if tags:
            return Words(tags, native=speaks is language)
    return None


def _tags(language: Language, phrase: str) -> dict[str | None, float]:
    return {tag: likely for tag, likely in language.words.get(phrase, {}).items()}  # noqa: C416 (keys may be None)


def _spoken(language: Language) -> tuple[Language, ...]:
    english = languages()["en"]
    return (language,) if language is english else (language, english)


@lru_cache(maxsize=65_536)
def _word(token: str, code: str) -> tuple[Words, ...]:
    """Return what one word means that is not known as it stands: a plural, a compound, a short form, a number."""
    language = languages()[code]
    bare = plain(token)
    if not bare:
        return (Words({_SIGNS[token]: 1.0}),) if token in _SIGNS else ()
    if token.rstrip(".") in _currencies():
        return (Words({"money": 1.0}),)
    if bare.isdigit():
        return (Words({None: 1.0}, _NUMBERED),)
    if bare in closed_lists()["negation"]:
        return (Words({_NEGATION: 1.0}),)
    for speaks in _spoken(language):
        for stem in stems(bare, speaks):
            if stem in speaks.words:
                return (Words(_tags(speaks, stem), native=speaks is language, guessed=1),)
    for whole in (bare, *(stem for stem in stems(bare, language) if language.links)):
        if pieces := _compound(whole, language.code):
            found = [words for piece in pieces if (words := _known(piece, language.code)) is not None]
            return (replace(found[0], guessed=1), *found[1:])
    least = _FIRST_LETTERS_WITH_POINT if token.endswith(".") else _FIRST_LETTERS
    if len(bare) >= least:
        for speaks in _spoken(language):
            tags = _beginnings(speaks.code).get(bare)
            if tags:
                return (Words({tags: 1.0}, _SHORTENED, native=speaks is language, guessed=2),)
    return (Words({}),)


def stems(word: str, language: Language) -> Iterator[str]:
    """Yield what a word may be without its ending, or with that under which the files list it."""
    for ending, instead in language.endings:
        stem = word.removesuffix(ending)
        if stem != word and len(stem) >= (_SHORTEST_STEM if instead else _SHORTEST_PIECE):
            yield stem + instead


@cache
def _currencies() -> frozenset[str]:
    """Return codes and names of currencies, in small letters."""
    return frozenset(text.casefold() for text in currencies() if text.isalpha())


@cache
def _beginnings(code: str) -> Mapping[str, str]:
    """Return the beginnings of words that can mean one tag only."""
    found: dict[str, set[str]] = {}
    unshortened = languages()[code].unshortened
    for word, meant in languages()[code].words.items():
        tags = {tag: likely for tag, likely in meant.items() if (word, tag) not in unshortened}
        if " " in word or len(word) <= _FIRST_LETTERS_WITH_POINT or not tags:
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


def _worth_of(pieces: tuple[str, ...]) -> tuple[int, int, int]:
    """Return what tells the better way to part a compound: few pieces, no odd short forms, long ones among them.

    "Zeichnungsnr" is a drawing's number, not Zeichnung and SNr.
    """
    odd = sum(len(piece) == _SHORTEST_PIECE and not _VOWELS & set(piece) for piece in pieces)
    return -len(pieces), -odd, sum(len(piece) ** 2 for piece in pieces)


def _is_piece(piece: str, language: Language) -> bool:
    if len(piece) < _SHORTEST_PIECE and piece not in _SHORT_PIECES:
        return False
    return any(piece in speaks.words for speaks in _spoken(language))
