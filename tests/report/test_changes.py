"""What changed from month to month, in words: utilisation, losses, jobs that came and went, setups."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report.changes import month_changes
from schemas import mart

LOSSES = {"noncutting": 1.2, "tool_change": 0.1, "feed_hold": 0.0, "program_stop": -0.6, "fault": 7.0, "setup": -2.5}


def changes(cut: float = 0.30, before: float = 0.35, **more: float) -> pl.DataFrame:
    """The rows of one month whose losses changed as LOSSES says."""
    moved = {**LOSSES, **more}
    moved["cutting"] = (cut - before) * 100
    moved["idle"] = -sum(moved.values())
    rows = [
        {
            **{"machine": "M1", "month": "2026-06", "month_before": "2026-05", "loss": loss, "hours": 9.0},
            **{"hours_before": 9.0, "change_hours": hours, "share_change": hours / 100, "observed_hours": 100.0},
            **{"observed_hours_before": 90.0, "coverage": 1.0, "coverage_before": 0.9},
            **{"spindle_utilisation": cut, "spindle_utilisation_before": before},
        }
        for loss, hours in moved.items()
    ]
    return pl.DataFrame(rows, schema=mart.columns("month_change"))


def jobs(*rows: tuple[str, str, float, int]) -> pl.DataFrame:
    """Rows of mart.month_job: month, job, hours in cycle, setups."""
    told: list[dict[str, Any]] = [
        {
            **{"machine": "M1", "month": month, "job_key": job, "runs": 5, "parts": 5, "scrap": 0},
            **{"in_cycle_hours": hours, "setups": setups, "setup_hours": 1.0 * setups},
        }
        for month, job, hours, setups in rows
    ]
    return pl.DataFrame(told, schema=mart.columns("month_job"))


def test_a_month_is_told_in_plain_words() -> None:
    """Utilisation first, then what took more and what less, jobs that came, went and grew, setups."""
    worked = jobs(
        ("2026-05", "Bracket", 20.0, 2), ("2026-05", "Old", 4.0, 1), ("2026-06", "Bracket", 12.5, 1),
        ("2026-06", "New", 3.0, 1), ("2026-06", "Newer", 6.0, 3), ("2026-04", "Older", 6.0, 3),
    )  # fmt: skip
    row = month_changes(changes(), worked).row(0, named=True)

    assert row["what_changed"] == (
        "Cut 30.0% of planned, observed time after 35.0% in May 2026: 5.0 h less. "
        "More fault (7.0 h) and non-cutting moves (1.2 h). "
        "Less setup (2.5 h) and program stop (0.6 h). "
        "New: Newer (6.0 h in cycle) and New (3.0 h in cycle). Gone: Old (4.0 h in cycle). "
        "Bracket ran 7.5 h less than before. 5 setups after 3."
    )
    assert (row["setups"], row["setups_before"]) == (5, 3)
    assert row["fault_change_hours"] == 7.0
    assert abs(row["utilisation_change"] + 0.05) < 1e-12


def test_no_change_is_said_to_be_none() -> None:
    """A month like the one before says so, and names no loss and no job."""
    quiet = changes(0.3, 0.3, **dict.fromkeys(LOSSES, 0.0))
    row = month_changes(quiet, jobs(("2026-05", "A", 4.0, 1), ("2026-06", "A", 4.1, 1))).row(0, named=True)

    assert row["what_changed"] == "Cut the same 30.0% of planned, observed time as in May 2026."


def test_many_jobs_are_counted() -> None:
    """Past three, new jobs are counted."""
    worked = jobs(*[("2026-06", f"J{number}", 9.0 - number, 0) for number in range(5)])

    told = month_changes(changes(), worked)["what_changed"][0]
    assert "New: J0 (9.0 h in cycle), J1 (8.0 h in cycle), J2 (7.0 h in cycle) and 2 more." in told


def test_nothing_to_compare() -> None:
    """Without a month before there are no rows, but the columns."""
    frame = month_changes(changes().head(0), jobs())

    assert frame.is_empty()
    assert {"machine", "month", "idle_change_hours", "what_changed"} <= set(frame.columns)
