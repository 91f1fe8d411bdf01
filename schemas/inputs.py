"""Pandera models of the seven input kinds: what a typed row must look like before it may enter the store.

They check one table at a time, eagerly; identity across files is the store's business.
"""

from collections.abc import Iterator
from typing import Annotated, Final

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from schemas.columns import COLUMNS, Column
from schemas.vocabulary import InputKind

UtcTime = Annotated[pl.Datetime, "us", "UTC"]

MAX_CYCLE_S: Final = 14 * 86_400.0
"""A cycle longer than a fortnight is a wrong date, not a cycle (common practice, no source)."""


class InputModel(pa.DataFrameModel):
    """Shared settings of models: exact columns, in order, no coercion. Optional fields are present and null."""

    class Config:
        strict = True
        ordered = True


def _ends_no_sooner_than_it_starts(data: PolarsData) -> pl.LazyFrame:
    return data.lazyframe.select(pl.col("ended_at") >= pl.col("started_at"))


def _is_no_longer_than_a_fortnight(data: PolarsData) -> pl.LazyFrame:
    length = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds()
    return data.lazyframe.select(length <= MAX_CYCLE_S)


def _names_a_job_or_a_program(data: PolarsData) -> pl.LazyFrame:
    return data.lazyframe.select(pl.col("job").is_not_null() | pl.col("program").is_not_null())


def _has_a_time(data: PolarsData) -> pl.LazyFrame:
    times = ("cut_s", "noncut_s", "cycle_s", "load_s", "setup_s")
    return data.lazyframe.select(pl.any_horizontal(pl.col(t).is_not_null() for t in times))


_WHOLE_ROW: Final[dict[InputKind, list[pa.Check]]] = {
    "cycle": [
        pa.Check(_ends_no_sooner_than_it_starts, name="ends_before_start"),
        pa.Check(_is_no_longer_than_a_fortnight, name="out_of_range"),
    ],
    "estimate": [
        pa.Check(_names_a_job_or_a_program, name="missing_value"),
        pa.Check(_has_a_time, name="missing_value"),
    ],
}
"""The rules that need more than one column, by kind; each bears the reason of its rejects."""


def _checks(column: Column) -> Iterator[pa.Check]:
    if column.filled:
        yield pa.Check.str_length(min_value=1)
    if column.above is not None:
        yield pa.Check.gt(column.above)
    if column.at_least is not None:
        yield pa.Check.ge(column.at_least)
    if column.at_most is not None:
        yield pa.Check.le(column.at_most)
    if column.among is not None:
        yield pa.Check.isin(list(column.among))


def _model(kind: InputKind) -> pa.DataFrameSchema:
    found = {
        name: pa.Column(column.dtype, list(_checks(column)), nullable=column.nullable)
        for name, column in COLUMNS[kind].items()
    }
    return pa.DataFrameSchema(found, checks=_WHOLE_ROW.get(kind), name=kind, strict=True, ordered=True)


MODELS: Final[dict[InputKind, pa.DataFrameSchema]] = {kind: _model(kind) for kind in COLUMNS}
