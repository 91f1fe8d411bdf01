"""Pandera models of the core tables that are derived or come from shop.toml.

The core tables of accepted rows are the input models plus provenance (`accepted`). Times are UTC, durations seconds.
"""

from typing import Final

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from schemas.columns import columns
from schemas.inputs import InputModel, UtcTime
from schemas.vocabulary import BASES, EDGE_ENDS, OUTCOMES, STATES, InputKind

PROVENANCE: Final[dict[str, pl.DataType]] = {
    "occurrence": pl.Int64(),  # 0-based count of the same identity inside one file
    "file_id": pl.String(),
    "row_number": pl.Int64(),
    "line": pl.Int64(),
}


def accepted(kind: InputKind) -> dict[str, pl.DataType]:
    """Return the columns of `core.<kind>`: the fields of the input kind, then where the row came from."""
    return {**columns(kind), **PROVENANCE}


class Machine(InputModel):
    """Grain: machine. From shop.toml, or seen in the data alone (then only `machine` is set)."""

    machine: str
    name: str
    kind: str = pa.Field(nullable=True)
    rate_per_hour: float = pa.Field(nullable=True, ge=0)
    max_speed_rpm: float = pa.Field(nullable=True, gt=0)
    spindle_kw: float = pa.Field(nullable=True, gt=0)
    rapid_mm_min: float = pa.Field(nullable=True, gt=0)
    tool_change_s: float = pa.Field(nullable=True, ge=0)
    silent_after_s: float = pa.Field(gt=0)
    no_data_after_h: float = pa.Field(gt=0)
    setup_max_s: float = pa.Field(ge=0)
    in_shop_file: bool


class Shift(InputModel):
    """Grain: machine x working stretch (a shift less its breaks, on days that are not closed)."""

    machine: str
    shift_on: pl.Date
    started_at: UtcTime
    ended_at: UtcTime


class Overtime(InputModel):
    """Grain: machine x stretch outside shifts in which people work."""

    machine: str
    started_at: UtcTime
    ended_at: UtcTime


class ClosedDay(InputModel):
    """Grain: machine x local day on which no shift starts; `name` is that of a public holiday, or the shop's own."""

    machine: str
    closed_on: pl.Date
    name: str = pa.Field(nullable=True)


class DayState(InputModel):
    """Grain: machine x local day x state x planned x is_overtime x basis. Lengths are whole microseconds."""

    machine: str
    day: pl.Date
    state: str = pa.Field(isin=list(STATES))
    planned: bool
    is_overtime: bool
    basis: str = pa.Field(isin=list(BASES))
    length_us: pl.Int64 = pa.Field(gt=0)


class Tool(InputModel):
    """Grain: machine x tool x stretch of local days in which the number means one tool, from shop.toml.

    life_machine and life_tool are what its edges count as; the settings of the row that is_lead hold for all of them.
    """

    machine: str
    tool: str
    from_on: pl.Date = pa.Field(nullable=True)
    until_on: pl.Date = pa.Field(nullable=True)  # the first day on which the number means something else
    from_at: UtcTime = pa.Field(nullable=True)
    name: str = pa.Field(nullable=True)
    tool_type: str = pa.Field(nullable=True)
    diameter_mm: float = pa.Field(nullable=True, gt=0)
    inserts: pl.Int64 = pa.Field(nullable=True, ge=1)
    edges_per_insert: pl.Int64 = pa.Field(nullable=True, ge=1)
    edge_cost: float = pa.Field(nullable=True, ge=0)
    insert_cost: float = pa.Field(nullable=True, ge=0)
    tool_cost: float = pa.Field(nullable=True, ge=0)
    regrinds: pl.Int64 = pa.Field(nullable=True, ge=0)
    is_solid: bool
    change_min: float = pa.Field(nullable=True, ge=0)
    failure_cost: float = pa.Field(nullable=True, ge=0)
    life_machine: str
    life_tool: str
    tool_from: pl.Date = pa.Field(nullable=True)
    is_lead: bool


class Run(InputModel):
    """Grain: cycle, from a cycle list or derived from a stream, with the job it belongs to and its estimate."""

    run_id: str
    machine: str
    program: str
    started_at: UtcTime
    ended_at: UtcTime
    outcome: str = pa.Field(isin=list(OUTCOMES))
    parts: pl.Int64
    scrap: pl.Int64
    scrap_told: bool
    made: pl.Int64  # parts, scrap included
    job: str = pa.Field(nullable=True)
    part: str = pa.Field(nullable=True)
    material: str = pa.Field(nullable=True)
    operation: str = pa.Field(nullable=True)
    revision: str = pa.Field(nullable=True)
    job_key: str
    batch_id: str
    estimate_s: float = pa.Field(nullable=True, gt=0)
    estimate_from: str = pa.Field(nullable=True, isin=["lines", "quote"])
    ideal_s: float = pa.Field(nullable=True, ge=0)
    actual_s: float = pa.Field(ge=0)
    in_cycle_s: float = pa.Field(ge=0)
    in_cycle_planned_s: float = pa.Field(ge=0)
    stops: pl.Int64 = pa.Field(ge=0)
    gap_s: float = pa.Field(nullable=True, ge=0)
    basis: str = pa.Field(isin=list(BASES))
    file_id: str
    row_number: pl.Int64
    last_file_id: str
    last_row_number: pl.Int64


class Span(InputModel):
    """Grain: machine x stretch of time with exactly one state. Tiles a machine's first to last record."""

    machine: str
    started_at: UtcTime
    ended_at: UtcTime
    state: str = pa.Field(isin=list(STATES))
    planned: bool
    detail: str = pa.Field(nullable=True, isin=["hold", "stop"])
    feed_override: float = pa.Field(nullable=True, ge=0)
    basis: str = pa.Field(isin=list(BASES))

    @pa.dataframe_check(name="ends_before_start")
    @classmethod
    def ends_after_start(cls, data: PolarsData) -> pl.LazyFrame:
        """A span has a length."""
        return data.lazyframe.select(pl.col("ended_at") > pl.col("started_at"))


class Batch(InputModel):
    """Grain: batch, consecutive cycles of one part and operation on one machine."""

    batch_id: str
    machine: str
    job: str = pa.Field(nullable=True)
    part: str = pa.Field(nullable=True)
    job_key: str
    operation: str = pa.Field(nullable=True)
    started_at: UtcTime
    ended_at: UtcTime
    runs: pl.Int64
    aborted: pl.Int64
    parts: pl.Int64
    scrap: pl.Int64
    good: pl.Int64 = pa.Field(ge=0)
    setup_s: float = pa.Field(nullable=True, ge=0)
    quoted_setup_s: float = pa.Field(nullable=True, ge=0)
    first_part_s: float = pa.Field(nullable=True, ge=0)
    repeat_s: float = pa.Field(nullable=True, ge=0)
    between_cycles_s: float = pa.Field(nullable=True, ge=0)
    stops: pl.Int64
    basis: str = pa.Field(isin=list(BASES))


class ToolUse(InputModel):
    """Grain: run x tool. Sums to the length of the run. `tool` is empty where no tool is known."""

    run_id: str
    machine: str
    started_at: UtcTime
    tool: str = pa.Field(nullable=True)
    cut_s: float = pa.Field(ge=0)
    noncut_s: float = pa.Field(ge=0)
    tool_change_s: float = pa.Field(ge=0)
    hold_s: float = pa.Field(ge=0)
    stop_s: float = pa.Field(ge=0)
    fault_s: float = pa.Field(ge=0)
    unobserved_s: float = pa.Field(ge=0)
    off_shift_s: float = pa.Field(ge=0)
    override_s: float  # part of cut_s that a feed override below 100 % added (negative above 100 %)
    blocked_s: float = pa.Field(ge=0)  # part of noncut_s in which an override at zero let nothing move
    dwell_s: float = pa.Field(ge=0)  # part of noncut_s in which nothing moved otherwise
    in_cycle_planned_s: float = pa.Field(ge=0)
    total_s: float = pa.Field(ge=0)


class EdgeLife(InputModel):
    """Grain: edge of a tool on a machine. `in_use_at` is empty for the first edge seen, which is in no fit.

    It counts as edge `life_number` of `life_tool` on `life_machine`. feed_m, load_pct and speed_rpm hold for the
    minutes of cutting in which the stream told them; override is 1 at 100 %.
    """

    machine: str
    tool: str
    edge_number: pl.Int64 = pa.Field(ge=0)
    life_machine: str
    life_tool: str
    life_number: pl.Int64 = pa.Field(ge=0)
    in_use_at: UtcTime = pa.Field(nullable=True)
    removed_at: UtcTime = pa.Field(nullable=True)
    cut_min: float = pa.Field(nullable=True, ge=0)
    parts: pl.Int64 = pa.Field(nullable=True, ge=0)
    cycles: pl.Int64 = pa.Field(ge=0)
    jobs: pl.Int64 = pa.Field(ge=0)
    job_list: str = pa.Field(nullable=True)
    material_list: str = pa.Field(nullable=True)
    program_list: str = pa.Field(nullable=True)
    feed_m: float = pa.Field(nullable=True)
    feed_known_min: float = pa.Field(ge=0)
    override: float = pa.Field(nullable=True, ge=0)
    load_pct: float = pa.Field(nullable=True)
    load_known_min: float = pa.Field(ge=0)
    speed_rpm: float = pa.Field(nullable=True)
    speed_m_min: float = pa.Field(nullable=True)
    reason: str = pa.Field(nullable=True, isin=list(EDGE_ENDS))
    censored: bool
    edge_cost: float = pa.Field(nullable=True, ge=0)
    insert_batch: str = pa.Field(nullable=True)
    inserts: pl.Int64 = pa.Field(nullable=True, ge=1)
    regrind_number: pl.Int64 = pa.Field(nullable=True, ge=0)
    is_suspect: bool  # a change may have gone without a note: in no statistics
    suspect_why: str = pa.Field(nullable=True)
    file_id: str = pa.Field(nullable=True)
    row_number: pl.Int64 = pa.Field(nullable=True)


MODELS: Final[dict[str, type[InputModel]]] = {
    "machine": Machine,
    "shift": Shift,
    "overtime": Overtime,
    "closed_day": ClosedDay,
    "day_state": DayState,
    "tool": Tool,
    "run": Run,
    "span": Span,
    "batch": Batch,
    "tool_use": ToolUse,
    "edge_life": EdgeLife,
}
