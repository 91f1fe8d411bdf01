"""Which months, weeks and days a report of utilisation shows, and what is said of those that do not fit."""

from __future__ import annotations

import pytest

from pipeline.errors import UsageError
from pipeline.report.periods import rows_by

ASKED = [
    ((None, None, None, None), "month"),
    ((None, "2026-03", None, None), "month"),
    ((None, None, "2026-W53", None), "week"),
    ((None, "2026-03", "2026-W09", None), "week"),
    ((None, None, None, "2024-02-29"), "day"),
    (("day", "2026-03", None, None), "day"),
    (("week", "2026-03", None, None), "week"),
]


@pytest.mark.parametrize(("asked", "row"), ASKED)
def test_rows_are_of_the_finest_period_named(asked, row):
    assert rows_by(*asked) == row


REFUSED = [
    ((None, "2026-13", None, None), "--month 2026-13: write a month as YYYY-MM, for example 2026-03."),
    ((None, None, "2025-W53", None), "--week 2025-W53: write an ISO week as YYYY-Www, for example 2026-W09."),
    ((None, None, "2026-W9", None), "--week 2026-W9: write an ISO week as YYYY-Www, for example 2026-W09."),
    ((None, None, None, "2026-02-29"), "--day 2026-02-29: write a day as YYYY-MM-DD, for example 2026-03-01."),
    ((None, None, None, "20260301"), "--day 20260301: write a day as YYYY-MM-DD, for example 2026-03-01."),
    (
        ("month", None, "2026-W09", None),
        "--by month with --week 2026-W09: a week holds no month; use --by week.",
    ),
]


@pytest.mark.parametrize(("asked", "message"), REFUSED)
def test_what_is_no_period_is_told(asked, message):
    with pytest.raises(UsageError) as caught:
        rows_by(*asked)
    assert str(caught.value) == message
