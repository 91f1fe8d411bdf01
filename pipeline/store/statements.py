"""The SQL files of the store with the names of one kind filled in, and what makes a row of a kind one fact.

Names come from the schemas alone; values are always bound. Nothing here runs a statement.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cache
from typing import Final

import polars as pl

from pipeline.resources import read_text
from schemas.columns import columns, required
from schemas.vocabulary import InputKind

PACKAGE: Final = "pipeline.store"
_TOKEN: Final = re.compile(r"@(\w+)")
_BOUND: Final = re.compile(r"\$([a-z]\w*)")


@dataclass(frozen=True)
class Fact:
    """What makes a row one fact: expressions over its columns, none of them null, and the times it spans."""

    keys: tuple[str, ...]  # `{row}` stands for the table's alias and its dot
    first_time: str | None  # column, or none where the kind has no time
    last_time: str | None
    goes_on_until: str | None = field(default=None, kw_only=True)  # column of a time that may be later than the last
    touched: str  # machine and UTC days that a changed row touches


_EVENT_DAY: Final = "moved.machine, moved.occurred_at::date as day_on"

FACTS: Final[dict[InputKind, Fact]] = {
    "cycle": Fact(
        keys=("{row}machine", "{row}program", "date_trunc('second', {row}started_at)"),
        first_time="started_at",
        last_time="ended_at",
        touched="moved.machine, unnest(generate_series("
        "moved.started_at::date, moved.ended_at::date, interval 1 day))::date as day_on",
    ),
    "tool_change": Fact(
        keys=("{row}machine", "{row}tool", "date_trunc('second', {row}occurred_at)"),
        first_time="occurred_at",
        last_time="occurred_at",
        touched=_EVENT_DAY,
    ),
    "edge_change": Fact(
        keys=("{row}machine", "{row}tool", "date_trunc('second', {row}occurred_at)"),
        first_time="occurred_at",
        last_time="occurred_at",
        touched=_EVENT_DAY,
    ),
    "event": Fact(
        keys=(
            "{row}machine",
            "coalesce({row}data_item_id, {row}item)",
            "{row}occurred_at",
            "coalesce({row}native_code, '')",
        ),
        first_time="occurred_at",
        last_time="occurred_at",
        goes_on_until="ended_at",
        touched=_EVENT_DAY,
    ),
    "estimate": Fact(
        keys=(
            "coalesce({row}job, '')",
            "coalesce({row}program, '')",
            "{row}operation",
            "coalesce({row}machine, '')",
            "coalesce({row}tool, '')",
            "coalesce({row}revision, '')",
        ),
        first_time=None,
        last_time=None,
        touched="moved.machine, null::date as day_on",
    ),
    "job": Fact(
        keys=("{row}job", "coalesce({row}ordered_on::varchar, '')"),
        first_time="ordered_on",
        last_time="ordered_on",
        touched="null::varchar as machine, null::date as day_on",
    ),
}
"""DESIGN section 4, "Identity of a fact". The occurrence within the file is part of each."""


def sql_type(dtype: pl.DataType) -> str:
    """Return the DuckDB type that holds a polars type of the schemas."""
    if isinstance(dtype, pl.Datetime):
        return "TIMESTAMP WITH TIME ZONE"
    names = {pl.String: "VARCHAR", pl.Int64: "BIGINT", pl.Float64: "DOUBLE", pl.Date: "DATE", pl.Boolean: "BOOLEAN"}
    return names[dtype.base_type()]


def bound_names(sql: str) -> set[str]:
    """Return the names of the values that a statement binds."""
    return set(_BOUND.findall(sql))


@cache
def statement(folder: str, name: str, kind: InputKind | None = None) -> str:
    """Return the statement of `sql/<folder>/<name>.sql`, with the tokens of `kind` filled in (see `_tokens`)."""
    text = read_text(PACKAGE, "sql", folder, f"{name}.sql")
    if kind is None:
        return text
    tokens = _tokens(kind)
    return _TOKEN.sub(lambda found: tokens[found[1]], text)


def touch_statement(kind: InputKind, rows: str) -> str:
    """Return the statement that marks the days of `rows`, itself the name of a statement that selects them."""
    tokens = {"kind": kind, "touched": FACTS[kind].touched, "moved": statement("load", rows, kind)}
    return _TOKEN.sub(lambda found: tokens[found[1]], statement("load", "touch"))


def _tokens(kind: InputKind) -> dict[str, str]:
    """Fill-ins of one kind.

    kind, fields; named_keys and key_names of a bare table; same_fact, staged_row, stored_row and near for tables
    aliased `staged` and `stored`; staged_covered (the stored row says all that the staged one says) and stored_covered,
    for these and their tables' fields as `own.says` and `rival.says`; says, these fields as bits; first_time, last_time
    of a bare table; structure for from_json; machine, program, job, began_at and is_execution of a table aliased
    `stored`, null or false where the kind has none.
    """
    fact, fields = FACTS[kind], columns(kind)
    names = [f"key_{place}" for place in range(len(fact.keys))]
    staged_keys = [key.format(row="staged.") for key in fact.keys]
    stored_keys = [key.format(row="stored.") for key in fact.keys]
    same = [f"{one} = {other}" for one, other in zip(staged_keys, stored_keys, strict=True)]
    return {
        "kind": kind,
        "fields": ", ".join(fields),
        "key_names": ", ".join(names),
        "named_keys": ", ".join(f"{key.format(row='')} as {name}" for key, name in zip(fact.keys, names, strict=True)),
        "same_fact": " and ".join([*same, "staged.occurrence = stored.occurrence"]),
        "says": " + ".join(
            f"(list_contains(fields, '{name}')::bigint << {place})" for place, name in enumerate(fields)
        ),
        "staged_covered": _covered(kind, "staged", "own", "stored", "rival"),
        "stored_covered": _covered(kind, "stored", "rival", "staged", "own"),
        "staged_row": _row_json("staged", fields),
        "stored_row": _row_json("stored", fields),
        "near": _near(fact),
        "first_time": f"{fact.first_time}::timestamptz" if fact.first_time else "null::timestamptz",
        "last_time": f"{fact.last_time}::timestamptz" if fact.last_time else "null::timestamptz",
        "machine": _stored("machine", fields),
        "program": _stored("program", fields),
        "job": _stored("job", fields),
        "began_at": f"stored.{fact.first_time}::timestamptz" if fact.first_time else "null::timestamptz",
        "is_execution": "stored.item = 'Execution'" if kind == "event" else "false",
        "structure": json.dumps({name: sql_type(dtype) for name, dtype in fields.items()}),
    }


def _stored(name: str, fields: Collection[str]) -> str:
    return f"stored.{name}" if name in fields else "null::varchar"


def _covered(kind: InputKind, lower: str, lower_table: str, higher: str, higher_table: str) -> str:
    """Return whether the higher row says all that the lower one says, and the same."""
    always = set(required(kind))
    parts = []
    for place, name in enumerate(columns(kind)):
        same = f"{lower}.{name} is not distinct from {higher}.{name}"
        if name not in always:
            bit = 1 << place
            same = (
                f"(({same} and ({higher}.{name} is not null or {higher_table}.says & {bit} <> 0))"
                f" or ({lower}.{name} is null and {lower_table}.says & {bit} = 0))"
            )
        parts.append(same)
    return "(" + " and ".join(parts) + ")"


def _row_json(alias: str, fields: dict[str, pl.DataType]) -> str:
    packed = ", ".join(f"{name} := {alias}.{name}" for name in fields)
    return f"to_json(struct_pack({packed}))"


def _near(fact: Fact) -> str:
    """The stretch of stored time that can hold a staged fact, so that old row groups are passed over unread."""
    if fact.first_time in (None, "ordered_on"):
        return "true"
    return (
        f"stored.{fact.first_time} between make_timestamptz($first_us::bigint) - interval 1 second"
        " and make_timestamptz($last_us::bigint) + interval 1 second"
    )
