"""What words of a name mean together, by the rules of schemas/words/phrases.toml: tags in, concepts out.

It knows no words and no languages, only their tags and where the head of a phrase stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache, lru_cache
from typing import Final

from schemas.words import SPECIAL, Phrase, groups, phrases

SLASH: Final = "slash"  # the tag of a stroke between words: per, or, and
_SPECIAL_SHARE: Final = 0.95
_EITHER: Final = 0.5  # what each is worth where a stroke parts two things
_QUOTED: Final = frozenset({"planned", "quoted"})
_ESTIMATED: Final = frozenset({"cut_time", "noncut_time", "load_time"})
_IDLE: Final = frozenset({SLASH, "actual"})  # they may be left out


@lru_cache(maxsize=65_536)
def meaning(tags: tuple[str, ...], head: str) -> tuple[tuple[str, float], ...]:
    """Return what tags mean together: the phrases that need the most of them, decided by the head where they differ."""
    said = frozenset(tags)
    special = [tag for tag in said if tag.startswith(SPECIAL)]
    if special:
        concept = special[0].removeprefix(SPECIAL)
        rest = said - set(special)
        if concept in ("cycle_time", "setup_time") and rest & _QUOTED:
            concept, rest = f"quoted_{concept}", rest - _QUOTED
        elif concept in _ESTIMATED:
            rest -= _QUOTED  # a time that only estimates have
        return ((concept, _SPECIAL_SHARE),) if len(special) == 1 and rest <= groups()["beside_special"] else ()
    matched = list(_matching(said - {SLASH} | {"per"})) if SLASH in said else []
    matched = matched or list(_matching(said))
    if not matched and said & _IDLE:
        return meaning(tuple(tag for tag in tags if tag not in _IDLE), head) if said - _IDLE else ()
    if not matched:
        return ()
    most = max(len(phrase.needed) for phrase in matched)
    best = [phrase for phrase in matched if len(phrase.needed) == most]
    things = groups()["things"]
    objects = [tag for tag in tags if tag in things]
    slashed = SLASH in said
    if len(set(objects)) > 1 and most == 1:
        ruling = objects[-1] if head == "last" else objects[0]
        ruled = [phrase for phrase in best if not phrase.needed[0] & things or ruling in phrase.needed[0]]
        best = best if slashed else (ruled or best)
    concepts: dict[str, float] = {}
    for phrase in best:
        concepts[phrase.concept] = max(phrase.weight, concepts.get(phrase.concept, 0.0))
    if slashed and len(set(objects)) > 1 and len(concepts) > 1:
        return tuple((concept, min(share, _EITHER)) for concept, share in concepts.items())
    return tuple(concepts.items())


def _matching(said: frozenset[str]) -> Iterator[Phrase]:
    """Yield the phrases that hold: all that they need is said, and nothing that they do not name."""
    candidates = {id(phrase): phrase for tag in said for phrase in _phrases_by_tag().get(tag, ())}
    for phrase in candidates.values():
        needed = phrase.needed
        each_its_own = len(said) >= len(needed)  # one tag may not stand for two
        if each_its_own and all(said & one_of for one_of in needed) and said <= phrase.allowed.union(*needed):
            yield phrase


@cache
def _phrases_by_tag() -> Mapping[str, tuple[Phrase, ...]]:
    """Return tag -> the phrases whose first needed word it can be."""
    found: dict[str, list[Phrase]] = {}
    for phrase in phrases():
        for tag in phrase.needed[0]:
            found.setdefault(tag, []).append(phrase)
    return {tag: tuple(some) for tag, some in found.items()}
