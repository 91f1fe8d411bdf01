"""How figures, times and names are written for a reader: units, signs, rounding, plain sentences.

It turns values into text and does nothing else; no table or page is put together here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

NBSP: Final = "\u00a0"
THIN: Final = "\u202f"
MINUS: Final = "\u2212"
NONE: Final = "–"

MONTHS: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

CAUSE_NAMES: Final = {
    "cutting": "cutting time",
    "feed_override": "feed override",
    "rapid": "non-cutting moves",
    "tool_change": "tool changes",
    "probing": "probing",
    "dwell": "standing still",
    "hold": "feed hold",
    "fault": "fault",
    "stop": "program stop",
    "unobserved": "not observed",
    "unexplained": "not explained",
}
STATE_NAMES: Final = {
    "cutting": "cutting",
    "noncutting": "in cycle, not cutting",
    "held": "held",
    "faulted": "faulted",
    "setup": "setup",
    "idle": "idle",
    "off_shift": "off shift",
    "unobserved": "no data",
}
TIME_KIND_NAMES: Final = {
    "cycle": "cycle time",
    "cut": "cutting time",
    "noncut": "non-cutting time",
    "setup": "setup time",
    "load": "loading and unloading",
}
VERDICT_MARKS: Final = {
    "over": "▲ over",
    "on": "● on",
    "under": "▼ under",
    "falling": "▼ falling",
    "steady": "● steady",
    "rising": "▲ rising",
    "too few": "○ too few",
    "no estimate": "– no estimate",
}
CAUTION: Final = (
    "Caution: this is statistics of past runs, not advice on how to cut. The machine's and the tool maker's limits, "
    "local rules and the qualified person at the machine come first."
)


def number(value: float | None, digits: int = 0) -> str:
    """Write a number with a true minus and thin spaces between thousands; empty marks what is not known."""
    if value is None or not math.isfinite(value):
        return NONE
    text = f"{abs(value):,.{digits}f}".replace(",", THIN)
    negative = value < 0 and any(digit in text for digit in "123456789")
    return f"{MINUS}{text}" if negative else text


def signed(value: float | None, digits: int = 0) -> str:
    """Write a number with its sign; what rounds to nothing has none."""
    text = number(value, digits)
    return f"+{text}" if value is not None and value > 0 and any(digit in text for digit in "123456789") else text


def percent(ratio: float | None, digits: int = 0) -> str:
    """Write a share of one as per cent."""
    return NONE if ratio is None or not math.isfinite(ratio) else f"{number(ratio * 100, digits)}{NBSP}%"


def percent_range(low: float | None, high: float | None, digits: int = 0) -> str:
    """Write two shares of one as an interval."""
    if low is None or high is None:
        return NONE
    return f"{number(low * 100, digits)} to {number(high * 100, digits)}{NBSP}%"


def percent_span(low: float, high: float, joint: str = "to", digits: int = 0) -> str:
    """Write the least and the most of several shares; one figure where both read the same."""
    one, other = number(low * 100, digits), number(high * 100, digits)
    return f"{one if one == other else f'{one} {joint} {other}'}{NBSP}%"


def over(drift: float | None, digits: int = 1) -> str:
    """Write a drift (1.00 is on estimate) as signed per cent over the estimate."""
    return NONE if drift is None else f"{signed((drift - 1) * 100, digits)}{NBSP}%"


def over_range(low: float | None, high: float | None, digits: int = 1) -> str:
    """Write the interval of a drift as signed per cent."""
    if low is None or high is None:
        return NONE
    return f"{signed((low - 1) * 100, digits)} to {signed((high - 1) * 100, digits)}{NBSP}%"


def over_words(drift: float) -> str:
    """Write a drift as words that follow "runs": "12 % over its estimate"."""
    rounded = round((drift - 1) * 100)
    if rounded == 0:
        return "on its estimate"
    return f"{number(abs(rounded))}{NBSP}% {'over' if rounded > 0 else 'under'} its estimate"


def duration(seconds: float | None) -> str:
    """Write seconds as a person would: 48 s, 6 min 10 s, 1 h 04 min."""
    if seconds is None or not math.isfinite(seconds):
        return NONE
    sign, size = (MINUS if seconds < 0 else ""), abs(seconds)
    if size < 59.95:
        return f"{sign}{size:.1f}{NBSP}s" if size < 10 and round(size, 1) != round(size) else f"{sign}{size:.0f}{NBSP}s"
    if size < 3599.5:
        minutes, rest = divmod(round(size), 60)
        return f"{sign}{minutes}{NBSP}min" + (f"{NBSP}{rest:02d}{NBSP}s" if rest else "")
    hours_, minutes = divmod(round(size / 60), 60)
    return f"{sign}{number(hours_)}{NBSP}h" + (f"{NBSP}{minutes:02d}{NBSP}min" if minutes else "")


def duration_range(low: float, high: float) -> str:
    """Write two durations as a short interval in the unit that fits the longer one: 42.1 to 44.8 min."""
    size, unit = (1.0, "s") if high < 120 else (60.0, "min") if high < 7200 else (3600.0, "h")
    digits = 1 if unit != "h" else 2
    return f"{number(low / size, digits)} to {number(high / size, digits)}{NBSP}{unit}"


def hours(value: float | None, digits: int = 1) -> str:
    """Write hours."""
    return NONE if value is None else f"{number(value, digits)}{NBSP}h"


def money(value: float | None, currency: str, digits: int = 0) -> str:
    """Write an amount in the shop's currency."""
    return NONE if value is None else f"{number(value, digits)}{NBSP}{currency}".rstrip(NBSP)


def factor(value: float | None) -> str:
    """Write a factor with two digits."""
    return NONE if value is None else f"{value:.2f}"


def life(value: float | None, unit: str) -> str:
    """Write a tool life: minutes with one digit below 100, parts as a whole number."""
    if value is None:
        return NONE
    return f"{number(value, 1 if unit == 'min' and abs(value) < 100 else 0)}{NBSP}{unit}"


def probability(value: float | None) -> str:
    """Write a p or q value."""
    return NONE if value is None else ("< 0.001" if value < 0.001 else f"{value:.3f}")


def day(value: date) -> str:
    """Write a day for a sentence: 4 May 2026."""
    return f"{value.day}{NBSP}{MONTHS[value.month - 1]}{NBSP}{value.year}"


def day_in(value: date, year: int) -> str:
    """Write a day for a narrow place; its year only where it is another: 4 May, 4 May 2025."""
    return day(value) if value.year != year else f"{value.day}{NBSP}{MONTHS[value.month - 1]}"


def local_day(instant: datetime | None, zone: ZoneInfo) -> str:
    """Write the shop's own day of an instant for a sentence."""
    return NONE if instant is None else day(instant.astimezone(zone).date())


def local_time(instant: datetime | None, zone: ZoneInfo) -> str:
    """Write an instant in the shop's time for a table: 2026-05-04 07:10."""
    return NONE if instant is None else instant.astimezone(zone).strftime(f"%Y-%m-%d{NBSP}%H:%M")


def month(text: str) -> str:
    """Write '2026-05' as May 2026."""
    return f"{MONTHS[int(text[5:7]) - 1]}{NBSP}{text[:4]}"


def short_month(text: str) -> str:
    """Write '2026-05' as May 2026, longer names cut to three letters."""
    return f"{MONTHS[int(text[5:7]) - 1][:3]}{NBSP}{text[:4]}"


def plural(count: int, one: str, many: str = "") -> str:
    """Write a count with its noun."""
    return f"{number(count)}{NBSP}{one if count == 1 else many or one + 's'}"


def operations(count: int, jobs: int) -> str:
    """Write how many operations of how many jobs; jobs alone where each has one."""
    return plural(count, "job") if count == jobs else f"{plural(count, 'operation')} of {plural(jobs, 'job')}"


def listed(names: Sequence[str]) -> str:
    """Join names as a sentence does: a, b and c."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def job_label(job_key: str, operation: str | None, machine: str, revision: str | None = None) -> str:
    """Name a row of the drift mart: Bracket op 10 on M1, revision B."""
    words = [job_key, *([f"op {operation}"] if operation else []), f"on {machine}"]
    return " ".join(words) + (f", revision {revision}" if revision else "")


def tool_label(machine: str, tool: str, name: str | None = None) -> str:
    """Name a tool of a machine: T4 on M1 (40 mm square shoulder mill)."""
    return f"T{tool} on {machine}" + (f" ({name})" if name else "")
