"""The words of the book: column types, states, causes, outcomes, and the MTConnect vocabulary that streams use.

One place per word; models, SQL seeds and pages take them from here. Holds no checks and no logic.
"""

from typing import Final, Literal

import polars as pl

UTC_TIME: Final = pl.Datetime("us", "UTC")

InputKind = Literal["cycle", "tool_change", "edge_change", "event", "estimate", "job", "nc_program"]
INPUT_KINDS: Final[tuple[InputKind, ...]] = (
    "cycle",
    "tool_change",
    "edge_change",
    "event",
    "estimate",
    "job",
    "nc_program",
)
STORED_KINDS: Final[tuple[InputKind, ...]] = ("cycle", "tool_change", "edge_change", "event", "estimate", "job")

OUTCOMES: Final = ("complete", "aborted", "unknown")
EDGE_REASONS: Final = ("worn", "broken", "chipped", "planned", "unknown")
EDGE_ENDS: Final = (*EDGE_REASONS, "exchanged")
"""How an edge's life ends in the ledger; `exchanged`: shop.toml gives the number to another tool from that day on."""
FAILURE_REASONS: Final = ("worn", "broken", "chipped")

STATES: Final = (
    "cutting",
    "noncutting",
    "held",
    "faulted",
    "setup",
    "idle",
    "off_shift",
    "unobserved",
)
LOSSES: Final[dict[str, str]] = {
    "noncutting": "non-cutting moves",
    "tool_change": "tool changes",
    "feed_hold": "feed hold",
    "program_stop": "program stop",
    "fault": "fault",
    "setup": "setup",
    "idle": "idle",
    "unobserved": "no data",
}
"""What planned time goes to besides cutting, and how it is called; `noncutting` is without the tool changes."""

BASES: Final = ("measured", "derived", "estimated")
CAUSES: Final = (
    "cutting",
    "feed_override",
    "rapid",
    "tool_change",
    "probing",
    "dwell",
    "hold",
    "fault",
    "stop",
    "unobserved",
    "unexplained",
)
COUNTERS: Final = {
    "automatic": "in cycle",
    "working": "in cycle without holds",
    "cutting": "cutting",
    "powered": "power on",
}
COUNTER_VERDICTS: Final = ("agrees", "differs", "too little", "several counters")
CONTRADICTIONS: Final = (
    "listed cycle, control idle",
    "control in cycle, none listed",
    "listed cycles overlap",
    "clock of the list wrong",
)
DRIFT_VERDICTS: Final = ("over", "on", "under", "too few")
LIFE_VERDICTS: Final = ("falling", "steady", "rising", "too few")
TIME_KINDS: Final = ("cycle", "cut", "noncut", "setup", "load")
"""What quoting factors tell apart."""
LIFE_UNITS: Final = ("min", "parts")
LIFE_UNIT_REASONS: Final = (
    "only minutes known",
    "only parts known",
    "minutes fit better",
    "parts fit better",
    "alike",
    "too few",
)
POOLED_WITH: Final = ("same tool", "same type", "all tools")
TREND_KINDS: Final = ("step", "slope", "unclear")
EDGE_DUE: Final = ("due", "in this batch", "lasts", "suspect", "too few")
"""What is said of an edge in use: with 90 % chance it does not make the next part, or the batch."""
BATCH_BASES: Final = ("order", "like the last", "once more")
WEAR_MEASURES: Final = ("load", "cut_s")
WEAR_VERDICTS: Final = ("runs away", "as before", "too few")

# MTConnect 2.4 controlled vocabulary of Execution (standard's public schema files, mtconnect/schema 4abb23e).
EXECUTION_ACTIVE: Final = "ACTIVE"
EXECUTION_HELD: Final = (
    "FEED_HOLD",
    "INTERRUPTED",
    "OPTIONAL_STOP",
    "PROGRAM_STOPPED",
    "PROGRAM_OPTIONAL_STOP",
    "WAIT",
)
EXECUTION_STOP: Final = ("OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP")
EXECUTION_ENDED: Final = ("READY", "STOPPED", "PROGRAM_COMPLETED")
EXECUTION: Final = (EXECUTION_ACTIVE, *EXECUTION_HELD, *EXECUTION_ENDED, "UNAVAILABLE")
CONDITION_LEVELS: Final = ("NORMAL", "WARNING", "FAULT", "UNAVAILABLE")

# The items of the standard that spans, cycles, tools and edges are computed from, and what each tells.
COMPUTED_ITEMS: Final[dict[str, str]] = {
    "Execution": "whether the program runs, is held or has ended",
    "ControllerMode": "automatic, manual or manual data input: setting up shows in it",
    "EmergencyStop": "a stop that is TRIGGERED is a fault",
    "Availability": "whether the machine was observed at all",
    "Condition": "alarms; one at FAULT is a fault",
    "Program": "the program that runs, and with it job and operation",
    "ToolNumber": "the tool in the spindle",
    "PartCount": "finished parts",
    "PathFeedrate": "feed along the path: the machine cuts while it is slower than rapid",
    "PathFeedrateOverride": "feed override, for its share of an overrun",
    "RotaryVelocity": "spindle speed: the machine cuts while it turns",
    "SpindleSpeed": "spindle speed by its older name",
    "RotaryVelocityOverride": "spindle override",
    "RotaryMode": "whether a rotary axis turns as a spindle, indexes or contours",
    "Load": "that of a spindle, for how an edge wears; any of them as a sign of life",
    "ToolLife": "a tool's own counter, for lives of edges",
    "AccumulatedTime": "the control's own counter of a time, as a witness",
    "EquipmentTimer": "the same by its newer name",
    "ProcessTimer": "the same for a process",
    "CutterStatus": "a tool called EXPIRED or BROKEN, for why an edge ended",
}
# Items of the standard that are read as numbers, words or texts of it, and kept.
OTHER_ITEMS: Final = (
    "AxisFeedrate",
    "AxisFeedrateOverride",
    "AxisState",
    "ChuckState",
    "ControllerModeOverride",
    "DoorState",
    "FunctionalMode",
    "Message",
    "OperatingMode",
    "PathMode",
    "PowerState",
    "ProgramEdit",
)

# Reason codes of raw.reject; the sentence that goes with a row says what to do.
REJECT_REASONS: Final = (
    "missing_value",
    "missing_column",
    "not_a_number",
    "not_a_time",
    "not_allowed",
    "out_of_range",
    "ends_before_start",
    "skipped_by_clock",
    "broken_line",
)
NEEDS_PROFILE: Final = "needs a profile"
FILE_STATUSES: Final = ("loaded", "unreadable", NEEDS_PROFILE, "set aside")
