"""Which months, weeks or days a report is asked for: reads what the user typed, and says what does not fit together.

Knows no tables; the queries do the narrowing.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Final, Literal

from pipeline.errors import UsageError

PeriodKind = Literal["month", "week", "day"]
PERIOD_KINDS: Final[tuple[PeriodKind, ...]] = ("month", "week", "day")


def rows_by(by: PeriodKind | None, month: str | None, week: str | None, day: str | None) -> PeriodKind:
    """Return what a row stands for: the finest period that was named, unless `by` says otherwise.

    Raises UsageError where a period is not written as one, or is longer than what it should narrow.
    """
    if month is not None and not _is_month(month):
        raise UsageError(f"--month {month}: write a month as YYYY-MM, for example 2026-03.")
    if week is not None and not _is_week(week):
        raise UsageError(f"--week {week}: write an ISO week as YYYY-Www, for example 2026-W09.")
    if day is not None and not _is_day(day):
        raise UsageError(f"--day {day}: write a day as YYYY-MM-DD, for example 2026-03-01.")
    named: dict[PeriodKind, str | None] = {"month": month, "week": week, "day": day}
    finest = [kind for kind in PERIOD_KINDS if named[kind] is not None][-1:]
    chosen = by or (finest[0] if finest else "month")
    for kind in PERIOD_KINDS[PERIOD_KINDS.index(chosen) + 1 :]:
        if named[kind] is not None:
            raise UsageError(f"--by {chosen} with --{kind} {named[kind]}: a {kind} holds no {chosen}; use --by {kind}.")
    return chosen


def _is_month(text: str) -> bool:
    return re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text) is not None


def _is_week(text: str) -> bool:
    parts = re.fullmatch(r"(\d{4})-W(\d{2})", text)
    try:
        return parts is not None and date.fromisocalendar(int(parts[1]), int(parts[2]), 1) is not None
    except ValueError:
        return False


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
