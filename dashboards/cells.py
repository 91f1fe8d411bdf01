"""Small makers of table cells that several pages share: numbers that sort, verdicts with their mark.

No table is laid out here.
"""

from __future__ import annotations

from typing import Any, Final

from dashboards import wording
from dashboards.blocks import Cell

MARK_CLASSES: Final = {
    "over": "bad",
    "falling": "bad",
    "under": "good",
    "rising": "good",
    "too few": "few",
    "no estimate": "few",
}


def count(value: int | None) -> Cell:
    """A whole number."""
    return Cell(wording.number(value), sort=value)


def seconds(value: float | None) -> Cell:
    """A duration."""
    return Cell(wording.duration(value), sort=value)


def hours(value: float | None, digits: int = 1) -> Cell:
    """Hours."""
    return Cell(wording.hours(value, digits), sort=value)


def percent(value: float | None, digits: int = 0) -> Cell:
    """A share of one."""
    return Cell(wording.percent(value, digits), sort=value)


def drift(value: float | None) -> Cell:
    """A drift as per cent over the estimate."""
    return Cell(wording.over(value), sort=value)


def is_timed(row: dict[str, Any]) -> bool:
    """Whether a row of the drift mart has an estimate and a time to hold against it."""
    return row["estimate_s"] is not None and row["drift"] is not None


def drift_verdict(row: dict[str, Any]) -> str:
    """The verdict on a row of the drift mart; one without an estimate does not wait for more runs."""
    return "no estimate" if row["estimate_s"] is None else str(row["verdict"])


def drift_interval(row: dict[str, Any]) -> Cell:
    """The 95 % interval of a drift, or that there are too few runs for one."""
    if row["estimate_s"] is None:
        return Cell("no estimate", mark="few")
    if row["drift"] is None or row["drift_low"] is None or row["drift_high"] is None:
        return Cell("too few", mark="few")
    return Cell(wording.over_range(row["drift_low"], row["drift_high"]), sort=row["drift_low"])


def after_interval(row: dict[str, Any]) -> str:
    """The 95 % interval of a drift since its change, or that there are too few runs for one."""
    low, high = row.get("drift_after_low"), row.get("drift_after_high")
    return "too few" if low is None or high is None else wording.over_range(low, high)


def verdict(word: str) -> Cell:
    """A verdict, marked by a sign as well as by colour."""
    return Cell(wording.VERDICT_MARKS.get(word, word), sort=word, mark=MARK_CLASSES.get(word, ""))


def life(value: float | None, unit: str) -> Cell:
    """A tool life."""
    return Cell(wording.life(value, unit), sort=value)


def life_interval(low: float | None, high: float | None, unit: str) -> Cell:
    """The interval of a tool life, or that there are too few edges for one."""
    if low is None or high is None:
        return Cell("too few", mark="few")
    return Cell(f"{wording.life(low, unit).split(wording.NBSP)[0]} to {wording.life(high, unit)}", sort=low)
