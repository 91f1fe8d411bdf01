"""Pandera models of the seven input kinds: what a typed row must look like before it may enter the store.

They check one table at a time, eagerly; identity across files is the store's business.
"""

from functools import cache
from typing import Annotated, Final

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from schemas.vocabulary import CONDITION_LEVELS, EDGE_REASONS, OUTCOMES, InputKind

UtcTime = Annotated[pl.Datetime, "us", "UTC"]

MAX_CYCLE_S: Final = 14 * 86_400.0
"""A cycle longer than a fortnight is a wrong date, not a cycle (common practice, no source)."""


MAX_COUNT: Final = 1_000_000_000
MAX_SECONDS: Final = 366 * 86_400.0
MAX_MONEY: Final = 1e9
MAX_KG: Final = 1e6
"""The most that a count, a planned time, a cost or a mass may be. What is more is a slip, and sums of it would drown or
overflow every figure of the shop (common practice, no source)."""


class InputModel(pa.DataFrameModel):
    """Shared settings: exact columns, in order, no coercion. Optional fields are present and null."""

    class Config:
        strict = True
        ordered = True


class Cycle(InputModel):
    """One run of one program on one machine. Grain: cycle."""

    machine: str = pa.Field(str_length={"min_value": 1})
    program: str = pa.Field(str_length={"min_value": 1})
    started_at: UtcTime
    ended_at: UtcTime
    parts: pl.Int64 = pa.Field(nullable=True, ge=0, le=MAX_COUNT)
    scrap: pl.Int64 = pa.Field(nullable=True, ge=0, le=MAX_COUNT)
    outcome: str = pa.Field(nullable=True, isin=list(OUTCOMES))
    job: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    revision: str = pa.Field(nullable=True)
    operator: str = pa.Field(nullable=True)

    @pa.dataframe_check(name="ends_before_start")
    @classmethod
    def ends_after_start(cls, data: PolarsData) -> pl.LazyFrame:
        """A cycle ends after it starts."""
        return data.lazyframe.select(pl.col("ended_at") > pl.col("started_at"))

    @pa.dataframe_check(name="out_of_range")
    @classmethod
    def is_no_longer_than_a_fortnight(cls, data: PolarsData) -> pl.LazyFrame:
        """A cycle lasts at most MAX_CYCLE_S."""
        length = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds()
        return data.lazyframe.select(length <= MAX_CYCLE_S)


class ToolChange(InputModel):
    """One tool brought into the spindle. Grain: change."""

    machine: str = pa.Field(str_length={"min_value": 1})
    occurred_at: UtcTime
    tool: str = pa.Field(str_length={"min_value": 1})
    program: str = pa.Field(nullable=True)
    pocket: str = pa.Field(nullable=True)


class EdgeChange(InputModel):
    """One cutting edge (or solid tool) taken out and a fresh one put in. Grain: change."""

    machine: str = pa.Field(str_length={"min_value": 1})
    occurred_at: UtcTime
    tool: str = pa.Field(str_length={"min_value": 1})
    reason: str = pa.Field(isin=list(EDGE_REASONS))
    edge_cost: float = pa.Field(nullable=True, ge=0, le=MAX_MONEY)
    note: str = pa.Field(nullable=True)


class Event(InputModel):
    """One observation of a machine's control. Grain: observation. `value` is text; feeds are mm/min."""

    machine: str = pa.Field(str_length={"min_value": 1})
    occurred_at: UtcTime
    item: str = pa.Field(str_length={"min_value": 1})
    value: str = pa.Field(nullable=True)
    data_item_id: str = pa.Field(nullable=True)
    sub_type: str = pa.Field(nullable=True)
    path: str = pa.Field(nullable=True)
    level: str = pa.Field(nullable=True, isin=list(CONDITION_LEVELS))
    native_code: str = pa.Field(nullable=True)
    text: str = pa.Field(nullable=True)


class Estimate(InputModel):
    """One line of an estimate: what CAM or the quote said an operation takes, per cycle. Grain: line."""

    job: str = pa.Field(nullable=True)
    program: str = pa.Field(nullable=True)
    operation: str = pa.Field(str_length={"min_value": 1})
    operation_kind: str = pa.Field(nullable=True)
    machine: str = pa.Field(nullable=True)
    material: str = pa.Field(nullable=True)
    quantity: pl.Int64 = pa.Field(nullable=True, ge=1, le=MAX_COUNT)
    parts_per_cycle: pl.Int64 = pa.Field(nullable=True, ge=1, le=MAX_COUNT)
    tool: str = pa.Field(nullable=True)
    tool_type: str = pa.Field(nullable=True)
    cut_s: float = pa.Field(nullable=True, ge=0, le=MAX_SECONDS)
    noncut_s: float = pa.Field(nullable=True, ge=0, le=MAX_SECONDS)
    cycle_s: float = pa.Field(nullable=True, gt=0, le=MAX_SECONDS)
    load_s: float = pa.Field(nullable=True, ge=0, le=MAX_SECONDS)
    setup_s: float = pa.Field(nullable=True, ge=0, le=MAX_SECONDS)
    revision: str = pa.Field(nullable=True)
    source: str = pa.Field(nullable=True)

    @pa.dataframe_check(name="missing_value")
    @classmethod
    def names_a_job_or_a_program(cls, data: PolarsData) -> pl.LazyFrame:
        """A line belongs to a job or a program."""
        return data.lazyframe.select(pl.col("job").is_not_null() | pl.col("program").is_not_null())

    @pa.dataframe_check(name="missing_value")
    @classmethod
    def has_a_time(cls, data: PolarsData) -> pl.LazyFrame:
        """A line gives at least one time."""
        times = ("cut_s", "noncut_s", "cycle_s", "load_s", "setup_s")
        return data.lazyframe.select(pl.any_horizontal(pl.col(t).is_not_null() for t in times))


class Job(InputModel):
    """One order. Grain: job and the day it was ordered on."""

    job: str = pa.Field(str_length={"min_value": 1})
    part: str = pa.Field(str_length={"min_value": 1})
    material: str = pa.Field(nullable=True)
    quantity: pl.Int64 = pa.Field(ge=1, le=MAX_COUNT)
    quoted_cycle_s: float = pa.Field(nullable=True, gt=0, le=MAX_SECONDS)
    quoted_setup_s: float = pa.Field(nullable=True, ge=0, le=MAX_SECONDS)
    stock_kg: float = pa.Field(nullable=True, gt=0, le=MAX_KG)
    part_kg: float = pa.Field(nullable=True, gt=0, le=MAX_KG)
    ordered_on: pl.Date = pa.Field(nullable=True)


class NcProgram(InputModel):
    """One ISO 6983 program file as text. Grain: file."""

    program: str = pa.Field(str_length={"min_value": 1})
    text: str = pa.Field(str_length={"min_value": 1})


MODELS: Final[dict[InputKind, type[InputModel]]] = {
    "cycle": Cycle,
    "tool_change": ToolChange,
    "edge_change": EdgeChange,
    "event": Event,
    "estimate": Estimate,
    "job": Job,
    "nc_program": NcProgram,
}


@cache
def _fields(kind: InputKind) -> tuple[tuple[str, pl.DataType, bool], ...]:
    """Return name, type and whether it may be null of each field; a schema is slow to make and never changes."""
    found = MODELS[kind].to_schema().columns.items()
    return tuple((name, column.dtype.type, bool(column.nullable)) for name, column in found)


def columns(kind: InputKind) -> dict[str, pl.DataType]:
    """Return the fields of an input kind with their polars types, in order."""
    return {name: dtype for name, dtype, _ in _fields(kind)}


def required(kind: InputKind) -> list[str]:
    """Return the fields of an input kind that may not be null."""
    return [name for name, _, nullable in _fields(kind) if not nullable]


def empty(kind: InputKind) -> pl.DataFrame:
    """Return a frame of an input kind with no rows."""
    return pl.DataFrame(schema=columns(kind))
