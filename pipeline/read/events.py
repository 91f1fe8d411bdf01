"""Observations in a machine's own words -> items and values in MTConnect's, in the canonical units.

Names, units and vocabulary only; times, machines and files are others' business.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from pipeline.read.numbers import number_text, read_numbers, tool_text
from schemas.profile import UNITS, ItemRule, standard_item
from schemas.vocabulary import CONDITION_LEVELS

UNAVAILABLE: Final = "UNAVAILABLE"
FEED_ITEMS: Final = ("PathFeedrate", "AxisFeedrate")
STREAM_FEED_FACTOR: Final = UNITS["mm/s"][1]
"""Feeds in streams are mm/s (units of the standard's public schema files), ours mm/min."""
NUMERIC_ITEMS: Final = frozenset(
    (
        *FEED_ITEMS,
        "RotaryVelocity",
        "SpindleSpeed",
        "PathFeedrateOverride",
        "AxisFeedrateOverride",
        "RotaryVelocityOverride",
        "Load",
        "PartCount",
        "AccumulatedTime",
        "ProcessTimer",
        "EquipmentTimer",
    )
)
WORD_ITEMS: Final = frozenset(
    (
        "Availability",
        "AxisState",
        "ChuckState",
        "ControllerMode",
        "ControllerModeOverride",
        "DoorState",
        "EmergencyStop",
        "Execution",
        "FunctionalMode",
        "OperatingMode",
        "PathMode",
        "PowerState",
        "ProgramEdit",
        "RotaryMode",
    )
)
"""Items whose values are words of a controlled vocabulary of the standard."""
MAX_EXACT: Final = 10**15  # floats up to it are written without an exponent
TOOL_ITEMS: Final = frozenset(("ToolNumber",))
NAMED_ITEMS: Final = WORD_ITEMS | TOOL_ITEMS | {"Program", "PartCount"}
"""Items that mean the same in whatever letters their name is written."""
FACTOR: Final = "factor"
"""A column of observations: what one unit of the value is in ours, where a devices document says so."""


@dataclass(frozen=True)
class Items:
    """How items of one source are renamed: the profile's rules by name, and the factor of feeds without a unit."""

    rules: Mapping[str, ItemRule]
    feed_factor: float = 1.0
    decimal: str = "."
    thousands: str | None = None
    factors: Mapping[str, float] = field(default_factory=dict)  # of adapter text, by name: FACTOR where it is not usual


def translate(observations: pl.DataFrame, items: Items) -> tuple[pl.DataFrame, pl.Series]:
    """Return observations in the standard's words, and a mask of the rows whose value should be a number and is not.

    Takes columns `name` and `value`, and where the source has them `item`, `sub_type`, `path`, `data_item_id`,
    `level` (all String) and FACTOR; gives the same with `item`, `sub_type`, `path` and `data_item_id` filled.
    """
    if "item" not in observations.columns:
        observations = _as_the_standard_writes(observations, items)
    names = observations["name"]
    known = [name for name in names.unique(maintain_order=True).to_list() if name in items.rules] if items.rules else []
    frame = observations.with_columns(
        item=_by_rule(observations, "item", known, lambda name: items.rules[name].type, fallback="name"),
        sub_type=_by_rule(observations, "sub_type", known, lambda name: items.rules[name].sub_type),
        path=_by_rule(observations, "path", known, lambda name: items.rules[name].path),
        data_item_id=_by_rule(
            observations, "data_item_id", known, lambda name: items.rules[name].data_item_id, fallback="name"
        ),
    )
    frame = frame.with_columns(value=_without_quotes(frame["value"]))
    for name in known:
        if items.rules[name].values:
            frame = frame.with_columns(value=_looked_up(frame, name, items.rules[name].values))
    present = set(frame["item"].unique().to_list())
    frame = _in_vocabulary(frame, present)
    return _in_units(frame, items, known, present & NUMERIC_ITEMS)


def _as_the_standard_writes(observations: pl.DataFrame, items: Items) -> pl.DataFrame:
    """Return observations with the standard's own names where a source writes them in other letters: execution.

    Words, programs, tools and counts only: of another number in other letters nothing says the unit.
    """
    names = observations["name"].unique().drop_nulls().to_list()
    meant = {name: said for name in names if (said := meant_item(name, items)) != name}
    if not meant:
        return observations
    item = pl.col("name").replace_strict(meant, default=None, return_dtype=pl.String)
    return observations.with_columns(item=item)


def meant_item(name: str, items: Items) -> str:
    """Return the standard's name of an item that no rule renames, the name itself where it is none of them."""
    said = standard_item(name)
    return said if said in NAMED_ITEMS and name not in items.rules else name


def items_seen(observations: pl.DataFrame, items: Items) -> frozenset[tuple[str, str]]:
    """Return the name of every item among some observations as the file has it, with its name in the standard."""
    if "item" in observations.columns:
        pairs = observations.select("name", "item").unique().drop_nulls("name")
    else:
        pairs = observations["name"].unique().drop_nulls().to_frame()
    return frozenset(
        (
            name,
            items.rules[name].type
            if name in items.rules
            else said[0]
            if said and said[0]
            else standard_item(name) or name,
        )
        for name, *said in pairs.iter_rows()
    )


def _by_rule(
    frame: pl.DataFrame, column: str, known: list[str], get: Callable[[str], str | None], fallback: str | None = None
) -> pl.Series:
    """Return what the rules say for each name, else what the source says, else the fallback column."""
    given = frame[column] if column in frame.columns else None
    said = {name: text for name in known if (text := get(name)) is not None}
    if given is None:
        empty = pl.Series([None], dtype=pl.String).new_from_index(0, frame.height)
        given = frame[fallback] if fallback else empty
    elif fallback and given.null_count():
        given = given.zip_with(given.is_not_null(), frame[fallback])
    if not said:
        return given.alias(column)
    ruled = frame["name"].replace_strict(said, default=None, return_dtype=pl.String)
    return ruled.zip_with(ruled.is_not_null(), given).alias(column)


def _without_quotes(value: pl.Series) -> pl.Series:
    return value.set((value == '""').fill_null(False), None) if (value == '""').any() else value


def _looked_up(frame: pl.DataFrame, name: str, values: Mapping[str, str]) -> pl.Series:
    plain = {word.strip().casefold(): put for word, put in values.items()}
    found = frame["value"].str.to_lowercase().replace_strict(plain, default=None, return_dtype=pl.String)
    return frame["value"].zip_with(~((frame["name"] == name) & found.is_not_null()), found)


def _in_vocabulary(frame: pl.DataFrame, present: Set[str]) -> pl.DataFrame:
    """Write words of the vocabulary in capitals, tools without leading zeros, condition levels in capitals."""
    value = frame["value"]
    for items, put in ((WORD_ITEMS, pl.col("value").str.to_uppercase()), (TOOL_ITEMS, tool_text(pl.col("value")))):
        if found := present & items:
            value = _rewritten(value, frame["item"].is_in(list(found)), put)
    frame = frame.with_columns(value=value)
    if "level" in frame.columns and frame["level"].null_count() < frame.height:
        frame = frame.with_columns(pl.col("level").str.strip_chars().str.to_uppercase())
    return frame


def _rewritten(value: pl.Series, where: pl.Series, put: pl.Expr) -> pl.Series:
    """Return values with `put` where a mask is true; values that stand as they should already are not copied."""
    rows = where.arg_true()
    part = value[rows]
    new = part.to_frame("value").select(put).to_series()
    return value if new.equals(part, null_equal=True) else value.scatter(rows, new)


def _in_units(frame: pl.DataFrame, items: Items, known: list[str], present: Set[str]) -> tuple[pl.DataFrame, pl.Series]:
    """Write numbers as the shortest text of the number in our unit."""
    never = pl.Series([False]).new_from_index(0, frame.height)
    units = {name: unit for name in known if (unit := items.rules[name].unit)}
    told = FACTOR in frame.columns and frame[FACTOR].null_count() < frame.height
    if not present and not units and not told:
        return frame, never
    numeric = frame["item"].is_in(list(present)).fill_null(False)
    if units:
        numeric = numeric | frame["name"].is_in(list(units))
    if told:
        numeric = numeric | frame[FACTOR].is_not_null()
    if "level" in frame.columns:
        numeric = numeric & frame["level"].is_null()
    numeric = numeric & frame["value"].is_not_null() & (frame["value"] != UNAVAILABLE).fill_null(True)
    if items.feed_factor == 1.0 and not units:
        numeric = numeric & ~_is_whole_number(frame["value"])
    rows = numeric.arg_true()
    if not len(rows):
        return frame, never
    part = frame.select("name", "item", "value", *([FACTOR] if told else []))[rows]
    number = read_numbers(part["value"], items.decimal, items.thousands)
    factor = pl.when(pl.col("item").is_in(list(FEED_ITEMS))).then(items.feed_factor).otherwise(1.0)
    if told:
        factor = pl.coalesce(FACTOR, factor)
    if units:
        said = {name: UNITS[unit][1] for name, unit in units.items()}
        ruled = pl.col("name").replace_strict(said, default=None, return_dtype=pl.Float64)
        factor = pl.coalesce(ruled, factor)
    text = part.select(number_text(number * factor).alias("value")).to_series()
    bad = number.is_null()
    kept = text.zip_with(~bad, part["value"]) if bad.any() else text
    frame = frame.with_columns(value=frame["value"].scatter(rows, kept))
    return frame, never.scatter(rows.filter(bad), True) if bad.any() else never


def _is_whole_number(value: pl.Series) -> pl.Series:
    """Return which texts are the shortest of a whole number already, as floats hold it exactly: most are."""
    number = value.cast(pl.Int64, strict=False)
    exact = number.is_between(-MAX_EXACT, MAX_EXACT)
    return (exact & (number.cast(pl.String) == value)).fill_null(False)


def is_level(level: pl.Series) -> pl.Series:
    """Return which of some upper-case words are levels of a condition."""
    return level.is_in(list(CONDITION_LEVELS))
