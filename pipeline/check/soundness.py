"""Whether all rows of a frame keep the rules of their pandera model, asked at once of whole columns.

The rules are taken from the model itself. Which rows break which rule is told by the model alone (`checking.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any, Final

import polars as pl
from pandera.api.polars.types import PolarsData
from pandera.polars import DataFrameSchema

from schemas.columns import columns
from schemas.inputs import MODELS
from schemas.vocabulary import InputKind

_Rule = Callable[[pl.Expr, dict[str, Any]], pl.Expr]
_WholeRow = Callable[[PolarsData], pl.LazyFrame]

_KEPT: Final[dict[str, _Rule]] = {
    "str_length": lambda column, said: column.str.len_chars().is_between(
        said["min_value"] or 0, 2**62 if said["max_value"] is None else said["max_value"]
    ),
    "greater_than_or_equal_to": lambda column, said: column >= said["min_value"],
    "greater_than": lambda column, said: column > said["min_value"],
    "less_than_or_equal_to": lambda column, said: column <= said["max_value"],
    "str_matches": lambda column, said: column.str.contains("^" + str(said["pattern"]).removeprefix("^")),
    "isin": lambda column, said: column.is_in(list(said["allowed_values"])),
}
"""What pandera's checks ask of a value, by their names; a null is asked for nothing but to be allowed."""


def is_sound(rows: pl.DataFrame, kind: InputKind) -> bool:
    """Return whether the model of `kind` would find nothing wrong with any row, nor with the frame."""
    broken, whole_row = _rules_of_kind(kind)
    return _is_of(rows, columns(kind)) and _keeps(rows, broken, whole_row)


def keeps_schema(rows: pl.DataFrame, schema: DataFrameSchema) -> bool:
    """Return whether a strict schema of columns in order would find nothing wrong with any row, nor with the frame."""
    wanted = {name: column.dtype.type for name, column in schema.columns.items()}
    return _is_of(rows, wanted) and _keeps(rows, *_rules(schema))


def _is_of(rows: pl.DataFrame, wanted: Mapping[str, Any]) -> bool:
    return dict(rows.schema) == wanted and list(rows.columns) == list(wanted)


def _keeps(rows: pl.DataFrame, broken: list[pl.Expr], whole_row: list[_WholeRow]) -> bool:
    if broken and any(rows.select(broken).row(0)):
        return False
    data = PolarsData(rows.lazy(), "*")
    return all(rows.height == 0 or check(data).collect().to_series().all(ignore_nulls=False) for check in whole_row)


@cache
def _rules_of_kind(kind: InputKind) -> tuple[list[pl.Expr], list[_WholeRow]]:
    return _rules(MODELS[kind])


def _rules(schema: DataFrameSchema) -> tuple[list[pl.Expr], list[_WholeRow]]:
    """Return expressions that are true where a column breaks a rule, and the model's own checks of whole rows."""
    broken = [expression for column in schema.columns.values() for expression in _broken(column)]
    numbered = [expression.alias(str(place)) for place, expression in enumerate(broken)]
    return numbered, [check._check_fn for check in schema.checks]


def _broken(column: Any) -> Iterator[pl.Expr]:
    value = pl.col(column.name)
    if not column.nullable:
        yield value.null_count() > 0
    for check in column.checks:
        yield (~_KEPT[check.name](value, check.statistics)).any()
