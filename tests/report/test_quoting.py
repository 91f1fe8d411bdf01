"""Quotes worked out by hand: factors, intervals, setup, costs, and what is said where nothing is known."""

import math
from datetime import UTC, datetime

import polars as pl
import pytest
from scipy import stats

from pipeline.report.quoting import PastRuns, quote
from schemas.columns import columns
from schemas.mart import columns as mart_columns


def factors(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=mart_columns("quote_factor"))


CELL = {"machine": "M1", "material": "brass", "operation_kind": "milling", "tool_type": None}
WHOLE = dict.fromkeys(CELL)
CYCLE = {
    "time_kind": "cycle", "runs": 80, "jobs": 4, "factor": 1.1, "factor_low": 1.0, "factor_high": 1.2,
    "shrinkage": 0.3, "predict_log_mean": math.log(1.1), "predict_log_sd": 0.05, "predict_df": 6.0,
}  # fmt: skip
SHOP = {**CYCLE, "factor": 1.2, "predict_log_mean": math.log(1.2), "jobs": 9, "runs": 300}


def past(**changes: pl.DataFrame) -> PastRuns:
    known = {
        "factors": factors(
            {**CELL, **CYCLE},
            {**WHOLE, **SHOP},
            {**CELL, **CYCLE, "time_kind": "setup", "factor": 1.5},
            {**CELL, **CYCLE, "time_kind": "load", "factor": 2.0},
        ),
        "drift": pl.DataFrame(schema=mart_columns("job_drift")),
        "spread": pl.DataFrame({"between_sd": [0.03], "within_sd": [0.04]}),
        "tool_costs": pl.DataFrame({"machine": ["M1"], "tool": ["3"], "cost_per_cut_min": [0.2], "edges": [12]}),
        "machines": pl.DataFrame({"machine": ["M1", "M2"], "kind": ["milling", None], "rate_per_hour": [60.0, None]}),
        "orders": pl.DataFrame({"job": ["J1"], "part": ["P"], "material": ["brass"], "stock_kg": [0.5]}),
        "materials": pl.DataFrame({"material": ["brass"], "price_per_kg": [8.0]}),
    }
    return PastRuns(**{**known, **changes})


def lines(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=columns("estimate"))


LINE = {"job": "J1", "operation": "10", "machine": "M1", "material": "brass", "quantity": 4, "tool": "3"}


def test_figures_by_hand() -> None:
    """600 s of estimate at a factor of 1.1, four parts, setup 1.5 times 1,200 s, loading twice 30 s."""
    given = lines({**LINE, "cut_s": 500.0, "noncut_s": 100.0, "setup_s": 1200.0, "load_s": 30.0})

    row = quote(given, past()).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(660.0)
    assert row["expected_setup_s"] == pytest.approx(1800.0)
    assert row["expected_load_s"] == pytest.approx(60.0)
    assert row["machine_cost_per_part"] == pytest.approx((660 + 60 + 1800 / 4) / 3600 * 60)
    assert row["tooling_cost_per_part"] == pytest.approx(500 / 60 * 1.1 * 0.2)
    assert row["material_cost_per_part"] == pytest.approx(4.0)
    total = sum(row[f"{name}_cost_per_part"] for name in ("machine", "tooling", "material"))
    assert row["total_cost_per_part"] == pytest.approx(total)
    assert row["total_cost_per_batch"] == pytest.approx(4 * total)
    assert "80 runs of 4 jobs" in row["rests_on"]


def test_interval_is_for_the_mean_cycle_of_the_batch() -> None:
    """Spread from job to job, from batch to batch and from run to run over four cycles, Student's t."""
    row = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)

    sd = math.sqrt(0.05**2 + 0.03**2 + 0.04**2 / 4)
    for name, share in (("low", 0.05), ("q25", 0.25), ("q75", 0.75), ("high", 0.95)):
        expected = 660.0 * math.exp(stats.t.ppf(share, 6.0) * sd)
        assert row[f"cycle_s_{name}"] == pytest.approx(expected)


def test_unseen_machine_takes_the_shops_factor_and_says_so() -> None:
    """No history of machine, material and kind together: the whole shop's."""
    row = quote(lines({**LINE, "machine": "M2", "cut_s": 100.0}), past()).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(120.0)
    assert "whole shop" in row["rests_on"]
    assert row["machine_cost_per_part"] is None
    assert "no rate_per_hour" in row["rests_on"]


def test_no_history_leaves_the_estimate_as_it_stands() -> None:
    """A new shop: factor one, no interval, and it says so."""
    row = quote(lines({**LINE, "cycle_s": 90.0}), past(factors=factors())).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(90.0)
    assert row["cycle_s_low"] is None
    assert "too few jobs for an interval" in row["rests_on"]


def test_figures_stand_once_for_each_operation() -> None:
    """Two tools of one operation: the cycle is their sum, on the first line; a cycle_s line replaces the others."""
    two = quote(lines({**LINE, "cut_s": 60.0, "noncut_s": 10.0}, {**LINE, "tool": "9", "cut_s": 30.0}), past())
    whole = quote(lines({**LINE, "cut_s": 60.0}, {**LINE, "tool": "9", "cycle_s": 200.0}), past())

    assert two["expected_cycle_s"].to_list() == [pytest.approx(110.0), None]
    assert whole["expected_cycle_s"][0] == pytest.approx(220.0)
    assert "without tools 9" in two["rests_on"][0]


def test_several_parts_in_a_cycle_share_it() -> None:
    """Two parts a cycle: half the cycle's cost each, and half the cycles."""
    one = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)
    two = quote(lines({**LINE, "cut_s": 600.0, "parts_per_cycle": 2}), past()).row(0, named=True)

    assert two["machine_cost_per_part"] == pytest.approx(one["machine_cost_per_part"] / 2)
    assert two["cycle_s_high"] > one["cycle_s_high"]


def history(**changes: object) -> pl.DataFrame:
    row = {
        "job_key": "J1", "job": "J1", "part": "P", "operation": "10", "machine": "M1", "program": "O7", "runs": 60,
        "batches": 6, "estimate_s": 600.0, "drift": 1.10, "drift_low": 1.05, "drift_high": 1.152381, "verdict": "over",
    }  # fmt: skip
    return pl.DataFrame([{**row, **changes}], schema=mart_columns("job_drift"))


def test_a_job_that_ran_before_is_quoted_from_its_own_runs() -> None:
    """The same estimate: its own ratio, with the error of that ratio beside the spread of the next batch."""
    row = quote(lines({**LINE, "cut_s": 600.0}), past(drift=history())).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(660.0)
    error = math.log(1.152381 / 1.05) / 2 / stats.t.ppf(0.975, 5)
    sd = math.sqrt(error**2 + 0.03**2 + 0.04**2 / 4)
    assert row["cycle_s_high"] == pytest.approx(660.0 * math.exp(stats.t.ppf(0.95, 5) * sd))
    assert "this job's own runs" in row["rests_on"]


def test_a_job_that_shifted_is_quoted_from_what_it_takes_since() -> None:
    """Months before the shift do not pull the next price down."""
    shifted = history(
        shifted_at=datetime(2026, 3, 20, tzinfo=UTC), drift_after=1.16, drift_after_low=1.14, drift_after_high=1.18
    )

    row = quote(lines({**LINE, "cut_s": 600.0}), past(drift=shifted)).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(696.0)
    assert "since 2026-03-20" in row["rests_on"]


def test_another_estimate_of_a_known_job_takes_the_cells_factor() -> None:
    """A changed estimate may already hold what was learnt: the job's own ratio would count it twice."""
    row = quote(lines({**LINE, "cut_s": 700.0}), past(drift=history())).row(0, named=True)

    assert "80 runs of 4 jobs" in row["rests_on"]
