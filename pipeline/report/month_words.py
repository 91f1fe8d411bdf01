"""Sentences that the printed month and its workbook share: what state it is in, and how its figures are to be read."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from schemas.indicators import INDICATORS

NO_STATEMENT: Final = (
    "Made by a program from the logs of the shop's own machines and its shop.toml; nobody has audited it. It says how "
    "the machines' time was spent, not what they earned."
)
HOW_TO_READ: Final = (
    ("Planned time", "The shop's shifts less breaks, closed days and public holidays."),
    (
        "Observed, coverage",
        "The planned time of which the logs tell what the machine did, and its share of all planned time. Time without "
        "data is never counted as idle, and is in no share but the coverage.",
    ),
    (
        "Cutting",
        "In cycle, with the spindle turning at a working feed. In cycle, not cutting, is tool changes and non-cutting "
        "moves: rapid, probing and dwell. Held is feed hold and program stop; faulted is a fault or an emergency stop.",
    ),
    (
        "Basis",
        "How the times were obtained: measured from the control's own states; derived from its lists of cycles and "
        "tool changes; estimated where no share of non-cutting time is known. A sum bears the weakest basis in it.",
    ),
    (
        "Outside planned time",
        "In cycle during overtime, and lights-out (running unattended), count in the hours of the whole month and not "
        "in planned time.",
    ),
    (
        "Sums",
        "Times and counts are added up; shares of all machines are worked out from the sums.",
    ),
)


def formulas() -> list[tuple[str, str]]:
    """Return the name of every indicator with whose term it is, and its formula in words."""
    return [(f"{one.name}{f', {one.standard}' if one.standard else ', our own'}", one.formula) for one in INDICATORS]


def standing_sentence(month: str, rows: pl.DataFrame, freezings: pl.DataFrame, zone: ZoneInfo) -> str:
    """Say whether a month is open or frozen, since when, whether it was restated, and whether it was stated before."""
    mine = freezings.filter(pl.col("month") == month).sort("frozen_at")
    now = mine.filter(pl.col("thawed_at").is_null())
    if now.is_empty():
        said = "Open: figures may still change as exports come in."
    else:
        said = f"Frozen on {_day(now['frozen_at'][0], zone)}: these figures stand as they were stated on that day."
        changed = sorted(set(rows.filter("restated")["machine"]))
        if changed:
            said += f" Later data would change {', '.join(changed)}: see Restated."
    for earlier in mine.filter(pl.col("thawed_at").is_not_null()).iter_rows(named=True):
        said += (
            f" An earlier statement of {_day(earlier['frozen_at'], zone)} was taken back on "
            f"{_day(earlier['thawed_at'], zone)}."
        )
    return said


def _day(instant: datetime, zone: ZoneInfo) -> str:
    return f"{instant.astimezone(zone):%Y-%m-%d}"
