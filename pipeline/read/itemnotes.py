"""What is told about the items of a whole file of events: those that lack, those that nothing is computed from.

It looks at names and at the words of Execution; numbers and times are others' business.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from typing import Final

import polars as pl

from pipeline.read.plan import listed_names
from pipeline.read.rows import STREAMS, TableRead, row_columns
from schemas.profile import Profile, standard_item
from schemas.vocabulary import COMPUTED_ITEMS
from schemas.vocabulary import EXECUTION as EXECUTION_WORDS

EXECUTION: Final = "Execution"
_CLOSE: Final = 0.8  # likeness from which an item counts as another one written wrongly


def with_item_notes(tables: Iterable[TableRead], profile: Profile | None, shape: str) -> Iterator[TableRead]:
    """Yield the tables of a file, and behind tables of events an empty one that bears the notes about their items."""
    seen: set[tuple[str, str]] = set()
    words: set[str] = set()
    conditions: set[str] = set()
    events = False
    for table in tables:
        if table.kind == "event":
            events = True
            seen |= table.items
            words |= set(table.rows["value"].filter(table.rows["item"] == EXECUTION).drop_nulls().unique())
            conditions |= set(table.rows["item"].filter(table.rows["level"].is_not_null()).drop_nulls().unique())
        yield table
    if events and (notes := (*item_notes(seen, profile, shape, conditions), *_strange_words(words))):
        yield TableRead("event", pl.DataFrame(schema=row_columns("event")), 0, notes=notes)


def item_notes(
    seen: Iterable[tuple[str, str]], profile: Profile | None, shape: str, conditions: Iterable[str] = ()
) -> tuple[str, ...]:
    """Return what is to be told about the items of a file, given each one's name in the file and its name of ours.

    `conditions` are those of ours that bear levels: they are computed with, whatever they are called.
    """
    pairs = sorted(set(seen))
    notes = [*_lacking([name for name, _ in pairs], profile, shape)]
    if shape in STREAMS and all(item != EXECUTION for _, item in pairs):
        notes.append(
            "no Execution in this stream: what the machine did cannot be seen from it; name its item in a profile"
        )
    if idle := sorted({item for _, item in pairs} - set(COMPUTED_ITEMS) - set(conditions)):
        notes.append(f"items kept but not computed with: {listed_names([_hinted(item) for item in idle])}")
    return tuple(notes)


def _strange_words(words: set[str]) -> Iterator[str]:
    """Tell the words of Execution that are not the standard's: no span can be made of them."""
    if strange := sorted(words - set(EXECUTION_WORDS)):
        yield (
            f"Execution says {listed_names(strange)}, not a word of the standard: "
            "map it with values under [[item]] in a profile"
        )


def _lacking(names: list[str], profile: Profile | None, shape: str) -> Iterator[str]:
    """Tell the items that a profile lists and the file never has; the case of a column's name does not count."""
    if profile is None or not profile.item:
        return
    are_columns = "item" not in profile.columns and shape not in STREAMS
    known = {name.casefold() for name in names} if are_columns else set()
    wanted = [item.name for item in profile.item]
    lacking = [name for name in wanted if name not in names and name.casefold() not in known]
    free = [name for name in names if name not in wanted]
    if lacking:
        near = {name: get_close_matches(name, free, 1, _CLOSE) for name in lacking}
        told = [f"{name} ({near[name][0]}?)" if near[name] else name for name in lacking]
        yield f"the file has no item{'s' * (len(lacking) > 1)} {listed_names(told)}"


def _hinted(item: str) -> str:
    """Return an item with the standard's name behind it where it looks like a slip of that."""
    name = standard_item(item) or next(iter(get_close_matches(item, COMPUTED_ITEMS, 1, _CLOSE)), None)
    return f"{item} ({name}?)" if name and name != item else item
