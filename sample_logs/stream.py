"""The event stream of the stream machine: every change of what its control says, in canonical columns.
It turns the record into set points and keeps the changes; how they are written to a file is the renderer's business.
"""

from __future__ import annotations

import polars as pl

from sample_logs.columns import at_utc, in_columns_of
from sample_logs.outages import Outages
from sample_logs.plan import STREAM_MACHINE, Plan
from sample_logs.record import Record

# the machine's own names, in the order of a line, and what they are in the words of MTConnect
ITEMS: dict[str, tuple[str, str | None]] = {
    "conn": ("Availability", None),
    "e_stop": ("EmergencyStop", None),
    "op_mode": ("ControllerMode", None),
    "prog_no": ("Program", None),
    "run_state": ("Execution", None),
    "tool_no": ("ToolNumber", None),
    "feed_ovr": ("PathFeedrateOverride", "PROGRAMMED"),
    "feed": ("PathFeedrate", "ACTUAL"),
    "spindle": ("RotaryVelocity", "ACTUAL"),
    "pieces": ("PartCount", "ALL"),
}
CONDITIONS = ("servo", "coolant", "control")
MODES = {"MAN": "MANUAL", "MDI": "MANUAL_DATA_INPUT", "AUTO": "AUTOMATIC"}
SPINDLE_ALARM = "FAULT|4012|||spindle load above limit"
COOLANT_ALARM = "FAULT|7003|||coolant pressure low"
COOLANT_WARNING = "WARNING|7001|||coolant level low"
NORMAL = "NORMAL||||"
UNAVAILABLE = "UNAVAILABLE"
CONDITION_UNAVAILABLE = "UNAVAILABLE||||"


def stream_changes(record: Record, outages: Outages, plan: Plan) -> pl.DataFrame:
    """Every change in the machine's own names and units (feeds in mm/s): at, name, value; in order of time and item."""
    names = [*ITEMS, *CONDITIONS]
    points = pl.concat(
        [
            _pieces(record, plan),
            _cycle_ends(record),
            _setups(record),
            _conditions(record, outages),
            _switches(outages),
        ],
        how="diagonal",
    )
    state = (
        points.sort("at", maintain_order=True)
        .group_by("at", maintain_order=True)
        .agg(pl.col(*names, "dark").drop_nulls().last())
        .with_columns(pl.col(*names, "dark").forward_fill())
        .with_columns(
            pl.when("dark")
            .then(pl.lit(UNAVAILABLE if name in ITEMS else CONDITION_UNAVAILABLE))
            .otherwise(name)
            .alias(name)
            for name in names
        )
    )
    order = pl.Enum(names)
    return (
        pl.concat(
            state.select("at", pl.lit(name).alias("name"), pl.col(name).alias("value")).filter(
                pl.col("value").is_not_null() & pl.col("value").ne_missing(pl.col("value").shift())
            )
            for name in names
        )
        .with_columns(pl.col("name").cast(order))
        .sort("at", "name")
        .with_columns(pl.col("name").cast(pl.String))
    )


def stream_events(changes: pl.DataFrame) -> pl.DataFrame:
    """The canonical event rows of a stream's changes: MTConnect's words, feeds in mm/min, conditions by level."""
    words = pl.DataFrame(
        [{"name": name, "item": item, "sub_type": sub} for name, (item, sub) in ITEMS.items()]
        + [{"name": name, "item": "Condition", "sub_type": None} for name in CONDITIONS]
    )
    fields = pl.col("value").str.split("|").list
    frame = (
        changes.join(words, on="name", how="left", maintain_order="left")
        .with_columns(
            machine=pl.lit(STREAM_MACHINE),
            occurred_at=at_utc("at"),
            data_item_id=pl.col("name"),
            level=pl.when(pl.col("item") == "Condition").then(fields.get(0)),
            native_code=pl.when(pl.col("item") == "Condition").then(_not_empty(fields.get(1, null_on_oob=True))),
            text=pl.when(pl.col("item") == "Condition").then(_not_empty(fields.get(4, null_on_oob=True))),
        )
        .with_columns(
            value=pl.when(pl.col("item") == "Condition")
            .then(None)
            .when((pl.col("item") == "PathFeedrate") & (pl.col("value") != UNAVAILABLE))
            .then((pl.col("value").cast(pl.Float64, strict=False) * 60).round(3).cast(pl.String).str.strip_suffix(".0"))
            .when(pl.col("item") == "ControllerMode")
            .then(pl.col("value").replace(MODES))
            .otherwise("value")
        )
    )
    return in_columns_of("event", frame)


def _not_empty(text: pl.Expr) -> pl.Expr:
    return pl.when(text != "").then(text)


def _pieces(record: Record, plan: Plan) -> pl.DataFrame:
    pieces = record.pieces.filter(pl.col("machine") == STREAM_MACHINE)
    kinds = pieces.select("kind", "tool", "override").unique(maintain_order=True)
    rapid = _decimal(plan.rapid_mm_min[STREAM_MACHINE] / 60)
    rows = []
    for kind, tool, override in kinds.iter_rows():
        tool_plan = plan.tools[STREAM_MACHINE, tool]
        cut = _decimal(tool_plan.feed_mm_min * override / 100 / 60)
        turns = kind in ("cut", "rapid", "hold")
        rows.append(
            {
                "kind": kind,
                "tool": tool,
                "override": override,
                "run_state": {"hold": "FEED_HOLD", "stop": "PROGRAM_STOPPED", "fault": "INTERRUPTED"}.get(
                    kind, "ACTIVE"
                ),
                "tool_no": tool,
                "feed_ovr": str(override),
                "feed": {"cut": cut, "rapid": rapid}.get(kind, "0"),
                "spindle": str(tool_plan.speed_rpm) if turns else "0",
            }
        )
    return (
        pieces.join(pl.DataFrame(rows), on=["kind", "tool", "override"], how="left", maintain_order="left")
        .rename({"start": "at"})
        .select("at", "run_state", "tool_no", "feed_ovr", "feed", "spindle")
    )


def _decimal(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _cycle_ends(record: Record) -> pl.DataFrame:
    complete = pl.col("outcome") == "complete"
    return record.cycles.filter(pl.col("machine") == STREAM_MACHINE).select(
        at="end",
        run_state=pl.when(complete).then(pl.lit("PROGRAM_COMPLETED")).otherwise(pl.lit("READY")),
        feed=pl.lit("0"),
        spindle=pl.lit("0"),
        pieces=pl.col("parts").cum_sum().over("task", order_by="start").cast(pl.String),
    )


def _setups(record: Record) -> pl.DataFrame:
    setups = record.setups.filter(pl.col("machine") == STREAM_MACHINE)
    start, end = pl.col("start"), pl.col("end")
    return pl.concat(
        [
            setups.select(
                at=start, op_mode=pl.lit("MAN"), prog_no="program", pieces=pl.lit("0"), feed_ovr=pl.lit("100")
            ),
            setups.select(at=start + (end - start) // 2, op_mode=pl.lit("MDI")),
            setups.select(at=end, op_mode=pl.lit("AUTO")),
        ],
        how="diagonal",
    )


def _conditions(record: Record, outages: Outages) -> pl.DataFrame:
    """Alarms with the faults of the cycles, warnings that stop nothing, and the emergency stop."""
    last = pl.col("start") == pl.col("start").max().over("cycle")
    faults = record.pieces.filter(pl.col("machine") == STREAM_MACHINE).with_columns(last=last)
    faults = faults.filter(pl.col("kind") == "fault")
    parts = []
    for of_spindle, name, alarm in ((True, "servo", SPINDLE_ALARM), (False, "coolant", COOLANT_ALARM)):
        some = faults.filter(pl.col("last") == of_spindle)
        parts += [
            some.select(pl.col("start").alias("at"), pl.lit(alarm).alias(name)),
            some.select(pl.col("end").alias("at"), pl.lit(NORMAL).alias(name)),
        ]
    free = [w for w in outages.warnings if not faults.filter((pl.col("start") < w[1]) & (pl.col("end") > w[0])).height]
    for name, on, off, stretches in (
        ("e_stop", "TRIGGERED", "ARMED", outages.stops),
        ("coolant", COOLANT_WARNING, NORMAL, free),
    ):
        for i, value in enumerate((on, off)):
            at = pl.Series("at", [stretch[i] for stretch in stretches], dtype=pl.Int64)
            parts.append(pl.DataFrame(at).with_columns(pl.lit(value).alias(name)))
    return pl.concat(parts, how="diagonal")


def _switches(outages: Outages) -> pl.DataFrame:
    """The machine switched on and off, and the network lost and found."""
    on = dict.fromkeys(CONDITIONS, NORMAL) | {
        "conn": "AVAILABLE",
        "e_stop": "ARMED",
        "run_state": "READY",
        "feed": "0",
        "spindle": "0",
    }
    first = {"op_mode": "MAN", "prog_no": "O2011", "tool_no": "11", "feed_ovr": "100", "pieces": "0"}
    rows: list[dict[str, object]] = []
    for number, (start, end) in enumerate(outages.off):
        rows.append({"at": start, "dark": True})
        if number + 1 < len(outages.off):
            rows.append({"at": end, "dark": False, **on, **(first if number == 0 else {})})
    for start, end in outages.lost:
        rows += [{"at": start, "dark": True}, {"at": end, "dark": False}]
    return pl.DataFrame(rows, infer_schema_length=None)
