"""What the site is made of: the frames and words that `pipeline.report` hands over in one frozen bundle.

It names every column and type that pages rely on and checks them once; it fetches nothing and formats nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from functools import cached_property, lru_cache
from typing import Final, Literal
from zoneinfo import ZoneInfo

import polars as pl

from schemas.vocabulary import LOSSES, UTC_TIME

SECTION_KEY: Final = ("job_key", "operation", "machine", "program", "revision")
"""Grain of mart.job_drift, and so of one section of a job's page."""

TEXT, WHOLE, REAL, FLAG, DAY = pl.String(), pl.Int64(), pl.Float64(), pl.Boolean(), pl.Date()

OWN_COLUMNS: Final[dict[str, dict[str, pl.DataType]]] = {
    # Grain: source file. `reason` says why a file was not read, or what there is to know of one that was.
    "files": {
        "file_id": TEXT,
        "name": TEXT,
        "shape": TEXT,
        "status": TEXT,
        "rows_read": WHOLE,
        "rows_loaded": WHOLE,
        "rows_duplicate": WHOLE,
        "rows_rejected": WHOLE,
        "rows_skipped": WHOLE,
        "reason": TEXT,
    },
    # Grain: reason x column of raw.reject, with one example row and its sentence that says what to do.
    "rejects": {
        "reason": TEXT,
        "column": TEXT,
        "rows": WHOLE,
        "message": TEXT,
        "file_id": TEXT,
        "row_number": WHOLE,
        "line": WHOLE,
    },
    # Grain: corrected row (newest first, as many as report hands over). `change` names what differs, old to new.
    "superseded": {
        "kind": TEXT,
        "change": TEXT,
        "file_id": TEXT,
        "row_number": WHOLE,
        "by_file_id": TEXT,
        "by_row_number": WHOLE,
    },
    # Grain: figure of a frozen month that would be another today; no frozen value where the machine came later.
    "restatements": {
        "month": TEXT,
        "machine": TEXT,
        "item": TEXT,
        "figure": TEXT,
        "told": TEXT,
        "cause": TEXT,
        "frozen": REAL,
        "now": REAL,
        "frozen_at": UTC_TIME,
    },
    # Grain: month x freezing; thawed_at is empty while the statement stands.
    "freezings": {"month": TEXT, "frozen_at": UTC_TIME, "thawed_at": UTC_TIME},
    # Grain: stretch without data inside planned time, between a machine's first and last record.
    "gaps": {"machine": TEXT, "started_at": UTC_TIME, "ended_at": UTC_TIME, "hours": REAL},
    # Grain: machine x local day x state, hours of the calendar day; states with no time may be absent.
    "state_days": {"machine": TEXT, "day": DAY, "state": TEXT, "hours": REAL},
    # Grain: machine x closed local day; the name may be empty.
    "closed_days": {"machine": TEXT, "closed_on": DAY, "name": TEXT},
    # Grain: machine x source file x input kind: which rows of which file a machine's times were made from.
    "machine_sources": {
        "machine": TEXT,
        "file_id": TEXT,
        "kind": TEXT,
        "rows": WHOLE,
        "first_row": WHOLE,
        "last_row": WHOLE,
        "first_at": UTC_TIME,
        "last_at": UTC_TIME,
    },
    # Grain: machine x local month that has a month before it, with what changed in plain words.
    "changes": {
        "machine": TEXT,
        "month": TEXT,
        "month_before": TEXT,
        "coverage": REAL,
        "coverage_before": REAL,
        "spindle_utilisation": REAL,
        "spindle_utilisation_before": REAL,
        **{f"{loss}_change_hours": REAL for loss in ("cutting", *LOSSES) if loss != "unobserved"},
        "what_changed": TEXT,
    },
    # Grain: row of job_drift. Hours, setup and loading (per batch, between cycles) against the quote, and their cost.
    "money": {
        "job_key": TEXT,
        "operation": TEXT,
        "machine": TEXT,
        "program": TEXT,
        "revision": TEXT,
        "compared_runs": WHOLE,
        "estimate_mean_s": REAL,
        "actual_mean_s": REAL,
        "good": WHOLE,
        "scrap": WHOLE,
        "batches": WHOLE,
        "cycle_hours": REAL,
        "setup_hours": REAL,
        "load_hours": REAL,
        "rate_per_hour": REAL,
        "cost": REAL,
        "quoted_batches": WHOLE,
        "setup_each_s": REAL,
        "quoted_setup_each_s": REAL,
        "setup_over_hours": REAL,
        "load_each_s": REAL,
        "quoted_load_s": REAL,
        "load_over_hours": REAL,
    },
    # Grain: job_key, all operations together.
    "margins": {
        "job_key": TEXT,
        "operations": WHOLE,
        "good": WHOLE,
        "scrap": WHOLE,
        "batches": WHOLE,
        "hours": REAL,
        "cost": REAL,
        "cost_per_good": REAL,
        "quoted_hours": REAL,
        "quoted_value": REAL,
        "margin": REAL,
        "margin_share": REAL,
    },
    # Grain: row of job_drift that shifted x what was different since: estimate, cause, edge, material, tool, tool
    # changes, machine, program, hour.
    "level_changes": {
        "job_key": TEXT,
        "operation": TEXT,
        "machine": TEXT,
        "program": TEXT,
        "revision": TEXT,
        "what": TEXT,
        "which": TEXT,
        "tool": TEXT,
        "before": REAL,
        "after": REAL,
        "changed_at": UTC_TIME,
    },
    # Grain: machine x tool. What edges cost, today's habit against the best change.
    "tooling": {
        "machine": TEXT,
        "tool": TEXT,
        "name": TEXT,
        "changes": WHOLE,
        "regrinds": WHOLE,
        "edges_cost": REAL,
        "cost_per_part": REAL,
        "unit": TEXT,
        "used_per_month": REAL,
        "habit_age": REAL,
        "habit_failed_share": REAL,
        "habit_cost_month": REAL,
        "habit_low": REAL,
        "habit_high": REAL,
        "change_at": REAL,
        "best_cost_month": REAL,
        "saving_month": REAL,
        "taylor_n": REAL,
        "taylor_low": REAL,
        "taylor_high": REAL,
        "min_cost_life": REAL,
        "max_output_life": REAL,
    },
    # Grain: machine x tool x job_key.
    "tool_jobs": {
        "machine": TEXT,
        "tool": TEXT,
        "job_key": TEXT,
        "material_list": TEXT,
        "edges": WHOLE,
        "parts": WHOLE,
        "cut_min": REAL,
        "cost": REAL,
        "cost_per_part": REAL,
    },
    # Grain: machine x tool x what was different in the later edges of a tool whose lives fall or rise.
    "tool_differences": {
        "machine": TEXT,
        "tool": TEXT,
        "what": TEXT,
        "which": TEXT,
        "before": REAL,
        "after": REAL,
        "unit": TEXT,
    },
    # Grain: machine x tool x which (`in use`, `earlier`) x part. Values are over an edge's own first parts.
    "wear_curves": {
        "machine": TEXT,
        "tool": TEXT,
        "which": TEXT,
        "part_number": WHOLE,
        "value": REAL,
        "low": REAL,
        "high": REAL,
    },
    # Grain: point of a survival curve; `observed` is Kaplan-Meier (steps), `fitted` is the Weibull curve.
    "life_curves": {
        "machine": TEXT,
        "tool": TEXT,
        "which": TEXT,
        "life": REAL,
        "survival": REAL,
        "low": REAL,
        "high": REAL,
    },
}

MARTS: Final[dict[str, str]] = {
    "utilisation": "utilisation_monthly",
    "drift": "job_drift",
    "causes": "drift_cause",
    "tools": "tool_life",
    "factors": "quote_factor",
    "trust": "quote_trust",
    "backtest": "quote_backtest",
    "outcomes": "quote_outcome",
    "counters": "counter_check",
    "contradictions": "contradiction_file",
    "losses": "month_loss",
    "stops": "longest_stop",
    "in_use": "edge_now",
    "shelf": "shelf_list",
}
CORE: Final[dict[str, str]] = {"runs": "run", "batches": "batch", "edges": "edge_life", "machines": "machine"}


@lru_cache(maxsize=1)
def frame_columns() -> Mapping[str, Mapping[str, pl.DataType]]:
    """Return, for every frame of SiteData, the columns and polars types that pages rely on (more may be there)."""
    from schemas import core, mart

    marts = {name: mart.columns(table) for name, table in MARTS.items()}
    cores = {
        name: {column: spec.dtype.type for column, spec in core.MODELS[table].to_schema().columns.items()}
        for name, table in CORE.items()
    }
    # Older batches than the newest runs are found by the job that they belong to.
    cores["batches"] = {**cores["batches"], "job_key": TEXT, "setup_over_cost": REAL}
    # An edge stands under what it counts as; this is the machine and the number under which it was used.
    cores["edges"] = {**cores["edges"], "at_machine": TEXT, "at_tool": TEXT}
    # Frozen months stand with the figures that were stated; `standing` says which, and whether today's differ.
    marts["utilisation"] = {**marts["utilisation"], "frozen_at": UTC_TIME, "restated": FLAG, "standing": TEXT}
    return {**marts, **cores, **OWN_COLUMNS}


@dataclass(frozen=True, eq=False)
class SiteData:
    """All that the site shows. Times are UTC and shown in `timezone`; durations are seconds.

    `runs` may hold only the newest runs of each job; pages compare it with the counts of `drift` and say so.
    Raises ValueError where a frame lacks a column or has another type.
    """

    shop_name: str
    currency: str
    """Empty where the shop names none; money columns are then null."""
    timezone: str
    built_at: datetime
    tolerance: float
    unknown_reason: Literal["censored", "failure"]
    notes: tuple[str, ...]
    """Sentences that the reader must know first, for example that there is no shop.toml."""
    utilisation: pl.DataFrame
    drift: pl.DataFrame
    causes: pl.DataFrame
    tools: pl.DataFrame
    factors: pl.DataFrame
    trust: pl.DataFrame
    backtest: pl.DataFrame
    outcomes: pl.DataFrame
    money: pl.DataFrame
    margins: pl.DataFrame
    level_changes: pl.DataFrame
    runs: pl.DataFrame
    batches: pl.DataFrame
    edges: pl.DataFrame
    in_use: pl.DataFrame
    shelf: pl.DataFrame
    tooling: pl.DataFrame
    tool_jobs: pl.DataFrame
    tool_differences: pl.DataFrame
    wear_curves: pl.DataFrame
    machines: pl.DataFrame
    files: pl.DataFrame
    rejects: pl.DataFrame
    superseded: pl.DataFrame
    gaps: pl.DataFrame
    state_days: pl.DataFrame
    closed_days: pl.DataFrame
    machine_sources: pl.DataFrame
    life_curves: pl.DataFrame
    restatements: pl.DataFrame
    freezings: pl.DataFrame
    counters: pl.DataFrame
    contradictions: pl.DataFrame
    losses: pl.DataFrame
    stops: pl.DataFrame
    changes: pl.DataFrame
    least_coverage: float = 0.8
    """A figure of a period observed for less of its planned time is greyed and says so."""
    factors_version: str = ""
    """Hash of what quotes rest on, as each kept quote bears it."""
    first_at: datetime | None = None
    last_at: datetime | None = None
    """First and last record in the book; None where nothing was loaded."""

    def __post_init__(self) -> None:
        for name, wanted in frame_columns().items():
            frame: pl.DataFrame = getattr(self, name)
            for column, dtype in wanted.items():
                if column not in frame.columns:
                    raise ValueError(f"SiteData.{name} has no column {column}")
                if frame.schema[column] != dtype:
                    raise ValueError(f"SiteData.{name}.{column} is {frame.schema[column]}, not {dtype}")

    @cached_property
    def zone(self) -> ZoneInfo:
        """The shop's time zone."""
        return ZoneInfo(self.timezone)


def empty_frames() -> dict[str, pl.DataFrame]:
    """Return every frame of SiteData with its columns and no rows."""
    names = {field.name for field in fields(SiteData)}
    return {name: pl.DataFrame(schema=dict(columns)) for name, columns in frame_columns().items() if name in names}
