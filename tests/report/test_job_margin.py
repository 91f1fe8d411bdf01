"""Cost of a good part and margin against the quote, by figures worked out by hand. CPU: well under a second."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.report.job_margin import job_margin


def row(operation: str, good: int, hours: tuple[float, float, float], rate: float | None, **more: object) -> dict:
    """Make a row of job_money.sql: cycle, setup and loading hours at a rate."""
    return {
        **{"job_key": "A", "operation": operation, "good": good, "scrap": 1, "batches": 2},
        **dict(zip(("cycle_hours", "setup_hours", "load_hours"), hours, strict=True)),
        **{"cost": None if rate is None else sum(hours) * rate, "quoted_cycle_s": 1800.0, "quoted_setup_s": 3600.0},
        **more,
    }


SCHEMA = {"cost": pl.Float64, "quoted_cycle_s": pl.Float64, "quoted_setup_s": pl.Float64}


def margin(*rows: dict) -> dict:
    """Return the only row of the result."""
    return job_margin(pl.DataFrame(list(rows), schema_overrides=SCHEMA)).row(0, named=True)


def test_two_operations_on_two_machines() -> None:
    """10 good parts pass both: quoted 10 x 0.5 h + 2 x 1 h = 7 h, taken 10 h at 50 and 60 a mean hour of 54."""
    found = margin(row("10", 12, (4.0, 1.5, 0.5), 50.0), row("20", 10, (3.0, 0.5, 0.5), 60.0))

    assert (found["good"], found["scrap"], found["batches"], found["operations"]) == (10, 2, 2, 2)
    assert found["cost"] == pytest.approx(6 * 50 + 4 * 60)
    assert found["cost_per_good"] == pytest.approx(54.0)
    assert found["quoted_hours"] == pytest.approx(7.0)
    assert found["quoted_value"] == pytest.approx(7 * 54)
    assert found["margin"] == pytest.approx(7 * 54 - 540)
    assert found["margin_share"] == pytest.approx(-162 / 378)


def test_an_operation_split_over_machines_counts_its_parts_together() -> None:
    """One operation on two machines: its good parts add up, before the fewest of all operations are taken."""
    found = margin(row("10", 6, (2.0, 1.0, 0.0), 50.0), row("10", 4, (2.0, 1.0, 0.0), 50.0))

    assert (found["operations"], found["good"], found["batches"]) == (1, 10, 4)


def test_what_is_not_known_stays_empty() -> None:
    """No rate on one machine: hours and no money. No quote: cost and no margin. No good part: no cost of one."""
    no_rate = margin(row("10", 5, (4.0, 1.0, 0.0), 50.0), row("20", 5, (1.0, 1.0, 0.0), None))
    no_quote = margin(row("10", 5, (4.0, 1.0, 0.0), 50.0, quoted_cycle_s=None, quoted_setup_s=None))
    no_good = margin(row("10", 0, (4.0, 1.0, 0.0), 50.0))

    assert (no_rate["cost"], no_rate["margin"], no_rate["hours"]) == (None, None, 7.0)
    assert (no_quote["cost_per_good"], no_quote["margin"]) == (50.0, None)
    assert (no_good["cost"], no_good["cost_per_good"], no_good["margin"]) == (250.0, None, None)
