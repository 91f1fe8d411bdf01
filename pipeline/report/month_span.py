"""A local month as two instants. Knows nothing of what happened in it."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo


def month_span(month: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the first instant of a local month ('2026-03') and the first one after it, in UTC."""
    year, number = int(month[:4]), int(month[5:7])
    first = datetime(year, number, 1, tzinfo=zone)
    after = datetime(year + number // 12, number % 12 + 1, 1, tzinfo=zone)
    return first.astimezone(UTC), after.astimezone(UTC)
