"""The indicators of a machine's period: what each is called, in whose terms, by which formula and from what.

A catalogue only; the figures are worked out in derive, in the columns that it names.
"""

from dataclasses import dataclass
from typing import Final, Literal

ISO: Final = "ISO 22400-2"


@dataclass(frozen=True)
class Indicator:
    """One time element or indicator, as a column of the utilisation marts."""

    column: str
    name: str
    standard: str
    """Where the name and the formula come from; empty for those of our own."""
    formula: str
    unit: Literal["s", "share"]
    needs: str


_STATES: Final = "the states of planned time"
_IDEAL: Final = "an estimate or quoted cycle time for enough of the production time"

INDICATORS: Final[tuple[Indicator, ...]] = (
    Indicator("observed_planned_s", "Planned busy time (PBT)", ISO, "planned time that was observed", "s", _STATES),
    Indicator("actual_busy_s", "Actual unit busy time (AUBT)", ISO, "AUPT + ADET", "s", _STATES),
    Indicator("actual_processing_s", "Actual unit processing time (AUPT)", ISO, "APT + AUST", "s", _STATES),
    Indicator(
        "actual_production_s", "Actual production time (APT)", ISO, "cutting + in cycle, not cutting", "s", _STATES
    ),
    Indicator("setup_planned_s", "Actual unit setup time (AUST)", ISO, "setup", "s", _STATES),
    Indicator("actual_delay_s", "Actual unit delay time (ADET)", ISO, "held + faulted", "s", _STATES),
    Indicator("availability", "Availability", ISO, "APT / PBT", "share", _STATES),
    Indicator("utilization_efficiency", "Utilization efficiency", ISO, "APT / AUBT", "share", _STATES),
    Indicator("allocation_efficiency", "Allocation efficiency", ISO, "AUBT / PBT", "share", _STATES),
    Indicator("technical_efficiency", "Technical efficiency", ISO, "APT / (APT + ADET)", "share", _STATES),
    Indicator("setup_rate", "Setup rate", ISO, "AUST / AUPT", "share", _STATES),
    Indicator(
        "effectiveness",
        "Effectiveness",
        ISO,
        "PRI x PQ / APT, of the cycles with an estimate",
        "share",
        _IDEAL,
    ),
    Indicator(
        "quality_ratio",
        "Quality ratio",
        ISO,
        "GQ / PQ: good parts / parts made",
        "share",
        "counted parts, and a list that tells scrap",
    ),
    Indicator(
        "oee_index",
        "OEE index",
        ISO,
        "availability x effectiveness x quality ratio",
        "share",
        f"{_IDEAL}, counted parts, and a list that tells scrap",
    ),
    Indicator(
        "nee_index",
        "NEE index",
        ISO,
        "AUPT / PBT x effectiveness x quality ratio",
        "share",
        f"{_IDEAL}, counted parts, and a list that tells scrap",
    ),
    Indicator("spindle_utilisation", "Spindle utilisation", "", "cutting / PBT", "share", _STATES),
    Indicator(
        "spindle_utilisation_calendar",
        "Spindle utilisation, of all hours",
        "",
        "cutting / observed time, in and outside planned time",
        "share",
        "the states of all hours",
    ),
)
