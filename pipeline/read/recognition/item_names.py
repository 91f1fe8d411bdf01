"""Long logs of signals (item and value are columns) with items in a shop's words: what the standard calls them.

Signals that are numbers keep their names: of a feed or a speed nothing here tells the unit.
"""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from pipeline.read.recognition.assigning import NOTICED, SURE, Assignment
from pipeline.read.recognition.event_logs import WORD_LISTS, of_feed, signal_rule
from pipeline.read.recognition.names import known_word, read_name
from pipeline.read.recognition.sample import Column
from pipeline.read.recognition.settling import Settled
from schemas.concepts import ITEM_CONCEPTS
from schemas.profile import ItemRule, standard_item
from schemas.vocabulary import EXECUTION

_RENAMED: Final = frozenset(
    {"Execution", "ControllerMode", "Program", "ToolNumber", "PartCount", "Availability", "PathFeedrateOverride"}
)
_OF_WORDS: Final[dict[str, frozenset[str]]] = {
    "Execution": frozenset(EXECUTION),
    "ControllerMode": frozenset({"AUTOMATIC", "MANUAL", "MANUAL_DATA_INPUT", "SEMI_AUTOMATIC", "EDIT", "UNAVAILABLE"}),
}
"""The standard's words for the items that have a closed list of them."""
_TOLD_APART: Final = frozenset({"data_item_id", "sub_type", "path"})
"""Columns that say which signal a row is of: where they stand, a name of it alone does not."""
_MOST_ITEMS: Final = 200
_MOST_PERCENT: Final = 250  # of an override; common practice, no source


def named_items(found: Assignment, settled: Settled) -> list[dict[str, Any]]:
    """Return what items named in words of the trade are in the standard's; asks where one may be Execution."""
    item, value = found.guesses.get("item"), found.guesses.get("value")
    if item is None or value is None or found.guesses.keys() & _TOLD_APART:
        return []
    cells = pl.DataFrame({"item": item.cells.text, "value": value.cells.text}).drop_nulls()
    return items_meant(cells, settled)


def items_meant(cells: pl.DataFrame, settled: Settled) -> list[dict[str, Any]]:
    """Return the rules for the items of a log, given its columns `item` and `value`."""
    names = cells["item"].unique().sort().to_list()
    if len(names) > _MOST_ITEMS:
        return []
    strange = [name for name in names if standard_item(name) is None]
    values = {name: cells.filter(pl.col("item") == name)["value"] for name in strange}
    running = {name for name in strange if _are_execution(values[name])}
    meant = {name: said for name in strange if (said := _item_meant(name, values[name])) is not None}
    given = {standard_item(name) for name in names} | set(meant.values())
    for said in sorted(set(meant.values())):
        if sum(other == said for other in (*meant.values(), *map(standard_item, names))) > 1:
            settled.doubt("item", said, f"several items can be {said}")
    if "Execution" not in given:
        for name in sorted(running):
            listed = ", ".join(values[name].unique().sort())
            settled.doubt("item", "Execution", f'item "{name}" says {listed}: tell whether it is Execution')
    spoken = {name: said for name in names if (said := standard_item(name)) in _OF_WORDS and name not in meant}
    own = {name: said for name, said in spoken.items() if _in_other_words(said, cells.filter(pl.col("item") == name))}
    values |= {name: cells.filter(pl.col("item") == name)["value"] for name in own}
    return [signal_rule(Column(name, values[name], None), said, settled) for name, said in (meant | own).items()]


def text_rules_meant(said: pl.DataFrame) -> dict[str, ItemRule]:
    """Return the rules for items of adapter text that its names and values surely tell; {} where any leaves a doubt."""
    settled = Settled()
    rules = items_meant(said, settled)
    return {} if settled.doubts else {rule["name"]: ItemRule.model_validate(rule) for rule in rules}


def _in_other_words(item: str, cells: pl.DataFrame) -> bool:
    """Return whether an item of the standard says something that the standard has other words for: AUTO, RUNNING."""
    said = cells["value"].str.to_uppercase().unique()
    return any(word not in _OF_WORDS[item] and known_word(WORD_LISTS[item], word) is not None for word in said)


def _are_execution(values: pl.Series) -> bool:
    """Return whether an item says several words for Execution, of the standard or a shop, and no other (a pump may)."""
    words = set(values.str.to_uppercase())
    return len(words) > 1 and all(word in EXECUTION or known_word("execution", word) is not None for word in words)


def _item_meant(name: str, values: pl.Series) -> str | None:
    """Return the item that a name surely means, or likely where its values say the same."""
    shares = {
        ITEM_CONCEPTS[concept]: share
        for concept, share in read_name(name).concepts.items()
        if ITEM_CONCEPTS.get(concept) in _RENAMED
    }
    best = max(shares, key=lambda said: shares[said], default=None)
    if best is None:
        return None
    if best == "Availability":
        borne_out = all(known_word("availability", word) is not None for word in values.unique())
        return best if borne_out and shares[best] >= NOTICED else None
    if best == "PathFeedrateOverride":
        percent = values.cast(pl.Float64, strict=False).is_between(0, _MOST_PERCENT)
        return best if of_feed(name) and shares[best] >= SURE and percent.fill_null(False).all() else None
    least = NOTICED if best == "Execution" and _are_execution(values) else SURE
    return best if shares[best] >= least else None
