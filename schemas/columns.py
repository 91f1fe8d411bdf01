"""The columns of the seven input kinds: names, types, and what a value may be. Plain data that costs nothing to import.

The models that hold rows to it, and the rules of whole rows, are in `inputs.py`.
"""

from dataclasses import dataclass
from typing import Final

import polars as pl

from schemas.vocabulary import CONDITION_LEVELS, EDGE_REASONS, OUTCOMES, UTC_TIME, InputKind

MAX_COUNT: Final = 1_000_000_000
MAX_SECONDS: Final = 366 * 86_400.0
MAX_MONEY: Final = 1e9
MAX_KG: Final = 1e6
"""The most that a count, a planned time, a cost or a mass may be. What is more is a slip, and sums of it would drown or
overflow every figure of the shop (common practice, no source)."""


@dataclass(frozen=True)
class Column:
    """One field: its type, and what a value may be that is not null."""

    dtype: pl.DataType
    nullable: bool = False
    filled: bool = False  # a text of one letter or more
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    among: tuple[str, ...] | None = None


def _count(at_least: int, *, nullable: bool = True) -> Column:
    return Column(pl.Int64(), nullable=nullable, at_least=at_least, at_most=MAX_COUNT)


def _amount(at_most: float, *, above: float | None = None) -> Column:
    return Column(pl.Float64(), nullable=True, above=above, at_least=0 if above is None else None, at_most=at_most)


_NAME: Final = Column(pl.String(), filled=True)
_TEXT: Final = Column(pl.String(), nullable=True)
_AT: Final = Column(UTC_TIME)

COLUMNS: Final[dict[InputKind, dict[str, Column]]] = {
    "cycle": {
        "machine": _NAME,
        "program": _NAME,
        "started_at": _AT,
        "ended_at": _AT,
        "parts": _count(0),
        "scrap": _count(0),
        "outcome": Column(pl.String(), nullable=True, among=OUTCOMES),
        "job": _TEXT,
        "operation": _TEXT,
        "revision": _TEXT,
        "operator": _TEXT,
    },
    "tool_change": {
        "machine": _NAME,
        "occurred_at": _AT,
        "tool": _NAME,
        "program": _TEXT,
        "pocket": _TEXT,
    },
    "edge_change": {
        "machine": _NAME,
        "occurred_at": _AT,
        "tool": _NAME,
        "reason": Column(pl.String(), among=EDGE_REASONS),
        "edge_cost": _amount(MAX_MONEY),
        "insert_batch": _TEXT,
        "note": _TEXT,
    },
    "event": {  # `value` is text; feeds are mm/min
        "machine": _NAME,
        "occurred_at": _AT,
        "item": _NAME,
        "value": _TEXT,
        "data_item_id": _TEXT,
        "sub_type": _TEXT,
        "path": _TEXT,
        "level": Column(pl.String(), nullable=True, among=CONDITION_LEVELS),
        "native_code": _TEXT,
        "text": _TEXT,
        "ended_at": Column(UTC_TIME, nullable=True),  # of a state: what is after it is not known by this row
        "end_within_s": _amount(MAX_SECONDS),  # by how much a rounded length may put that end off
    },
    "estimate": {
        "job": _TEXT,
        "program": _TEXT,
        "operation": _NAME,
        "operation_kind": _TEXT,
        "machine": _TEXT,
        "material": _TEXT,
        "quantity": _count(1),
        "parts_per_cycle": _count(1),
        "tool": _TEXT,
        "tool_type": _TEXT,
        "cut_s": _amount(MAX_SECONDS),
        "noncut_s": _amount(MAX_SECONDS),
        "cycle_s": _amount(MAX_SECONDS, above=0),
        "load_s": _amount(MAX_SECONDS),
        "setup_s": _amount(MAX_SECONDS),
        "revision": _TEXT,
        "source": _TEXT,
    },
    "job": {
        "job": _NAME,
        "part": _NAME,
        "material": _TEXT,
        "quantity": _count(1, nullable=False),
        "quoted_cycle_s": _amount(MAX_SECONDS, above=0),
        "quoted_setup_s": _amount(MAX_SECONDS),
        "stock_kg": _amount(MAX_KG, above=0),
        "part_kg": _amount(MAX_KG, above=0),
        "ordered_on": Column(pl.Date(), nullable=True),
    },
    "nc_program": {
        "program": _NAME,
        "text": _NAME,
    },
}

STATE_FIELDS: Final = ("ended_at", "end_within_s")
"""Of kind event: what a row says of the end of the state that it tells."""


def columns(kind: InputKind) -> dict[str, pl.DataType]:
    """Return the fields of an input kind with their polars types, in order."""
    return {name: column.dtype for name, column in COLUMNS[kind].items()}


def required(kind: InputKind) -> list[str]:
    """Return the fields of an input kind that may not be null."""
    return [name for name, column in COLUMNS[kind].items() if not column.nullable]
