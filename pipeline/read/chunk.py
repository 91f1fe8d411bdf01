"""One chunk of a table on its way from text to typed rows: its cells, its problems, and the text of its fields.

Shared by the modules that type fields; it decides nothing about kinds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import polars as pl

from pipeline.read import numbers
from pipeline.read.durations import read_durations
from pipeline.read.plan import Context, TablePlan, own_name, text_of
from pipeline.read.problems import Problems
from schemas.columns import required
from schemas.profile import CELL_UNITS, UNITS, ColumnRule
from schemas.vocabulary import EDGE_REASONS, OUTCOMES

WORDS: Final = {"outcome": OUTCOMES, "reason": EDGE_REASONS}
UTC: Final = pl.Datetime("us", "UTC")


@dataclass
class Chunk:
    """One chunk on its way from text to typed rows."""

    plan: TablePlan
    context: Context
    cells: pl.DataFrame
    problems: Problems
    typed: dict[str, pl.Series] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    items: set[tuple[str, str]] = field(default_factory=set)  # as in TableRead
    times: pl.DataFrame | None = None  # as in TableRead

    @property
    def height(self) -> int:
        return self.cells.height

    def empty(self, dtype: pl.DataType) -> pl.Series:
        return pl.Series([None], dtype=dtype).new_from_index(0, self.height)


def source_text(chunk: Chunk, name: str, rule: ColumnRule) -> pl.Series:
    """Return a field's text after split, lookup and default, with what the lookup does not know as a problem."""
    text = text_of(chunk.cells, rule)
    label = label_of(chunk.plan, name)
    if rule.split is not None and rule.from_ is not None:
        found = text.str.extract_groups(rule.split).struct.field("value")
        if name in required(chunk.plan.kind) and rule.default is None:
            message = (
                f'"{{value}}" in {label} does not fit the pattern {rule.split} of the profile. Correct one of the two.'
            )
            chunk.problems.add(
                found.is_null() & text.is_not_null(), own_name(chunk.plan, name), text, "not_allowed", message
            )
        text = found.set((found == "").fill_null(False), None)
    if rule.lookup:
        found = _looked_up(text, rule.lookup)
        if rule.default is None:
            words = WORDS.get(name, ())
            found = found.zip_with(found.is_not_null(), same_word(text, words)) if words else found
            known = ", ".join(f'"{word}"' for word in rule.lookup)
            one_of = f" as one of {', '.join(words)}" if words else ""
            message = (
                f'"{{value}}" in {label} is not in the lookup of the profile, which knows {known}. '
                f"Add it there{one_of}."
            )
            chunk.problems.add(
                found.is_null() & text.is_not_null(), own_name(chunk.plan, name), text, "not_allowed", message
            )
            found = found.zip_with(found.is_not_null() | text.is_null(), pl.Series(["?"]).new_from_index(0, len(text)))
        text = found
    return text.fill_null(rule.default) if rule.default is not None else text


def _looked_up(text: pl.Series, lookup: dict[str, str]) -> pl.Series:
    exact = {word.strip(): put for word, put in lookup.items()}
    found = text.replace_strict(exact, default=None, return_dtype=pl.String)
    plain = {word.casefold(): put for word, put in exact.items()}
    if len(plain) < len(exact) or found.null_count() == text.null_count():
        return found
    loose = text.str.to_lowercase().replace_strict(plain, default=None, return_dtype=pl.String)
    return found.zip_with(found.is_not_null(), loose)


def same_word(text: pl.Series, words: tuple[str, ...]) -> pl.Series:
    lower = text.str.to_lowercase()
    return lower.set(~lower.is_in(list(words)), None)


def not_a_word(chunk: Chunk, name: str, words: tuple[str, ...]) -> str:
    """Return the sentence about a word outside a closed list, with what maps it to one of the list."""
    rule = chunk.plan.columns.get(name)
    if chunk.plan.profile is None:
        mend = "Correct it, or map it with a lookup in a profile (the README shows one)."
    elif rule is not None and rule.lookup:
        mend = "Correct it, or add it to the lookup of the profile."
    else:
        mend = f"Correct it, or map it with a lookup under [columns.{name}] in the profile."
    return f'"{{value}}" in {label_of(chunk.plan, name)} is not one of {", ".join(words)}. {mend}'


def label_of(plan: TablePlan, name: str) -> str:
    """Return how messages name a field: the file's column, and our field where that is another word."""
    column = own_name(plan, name)
    return f'column "{column}"' if column.casefold() == name else f'column "{column}" ({name})'


def numbers_of(chunk: Chunk, name: str, rule: ColumnRule, text: pl.Series, *, whole: bool) -> pl.Series:
    """Return numbers in our unit, with what is none as a problem."""
    plan, label = chunk.plan, label_of(chunk.plan, name)
    text = numbers.without_empty_words(text)
    decimal, thousands = (plan.decimal, plan.thousands) if rule.constant is None else ("either", None)
    if rule.unit in CELL_UNITS:
        values = read_durations(text, rule.unit, decimal, thousands)
        message = (
            f'"{{value}}" in {label} is not a duration like {CELL_UNITS[rule.unit]}. '
            "Correct the cell, or the unit in the profile."
        )
    elif whole:
        values = numbers.read_whole_numbers(text, decimal, thousands)
        message = f'"{{value}}" in {label} is not a whole number. Correct the cell in the file and run again.'
    else:
        values = numbers.read_numbers(text, decimal, thousands, rule.unit)
        mark = "a decimal comma" if plan.decimal == "," else "a decimal point"
        message = (
            f'"{{value}}" in {label} is not a number with {mark}. '
            "Correct the cell, or set decimal and thousands under [file] in a profile."
        )
    chunk.problems.add(values.is_null() & text.is_not_null(), own_name(plan, name), text, "not_a_number", message)
    factor = UNITS[rule.unit][1] if rule.unit else 1.0
    return values if factor == 1.0 else values * factor


def expected_time(rule: ColumnRule, plain: str) -> str:
    if rule.format in (None, "iso"):
        return f"Write it like {plain}, or give its format in a profile."
    formats = rule.format if isinstance(rule.format, str) else " or ".join(rule.format)
    return f"The profile expects the format {formats}; correct the cell or the format."


def machine_text(chunk: Chunk) -> pl.Series:
    """Return the machine: the column, else the profile's constant, else what shop.toml says of the source."""
    if "machine" not in chunk.typed:
        rule = chunk.plan.columns.get("machine")
        text = source_text(chunk, "machine", rule) if rule else chunk.empty(pl.String())
        machine = chunk.context.machine or (None if rule else chunk.context.place_machine)
        chunk.typed["machine"] = text.fill_null(machine) if machine is not None else text
    return chunk.typed["machine"]
