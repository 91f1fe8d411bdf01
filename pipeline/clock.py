"""The one place that asks what time it is, so that tests can stop the clock. It converts no times."""

from __future__ import annotations

import os
from datetime import UTC, datetime


def now() -> datetime:
    """Return the current instant in UTC, or the one in SPINDLEBOOK_NOW (ISO 8601) where a test sets it."""
    fixed = os.environ.get("SPINDLEBOOK_NOW")
    return datetime.fromisoformat(fixed).astimezone(UTC) if fixed else datetime.now(UTC)
