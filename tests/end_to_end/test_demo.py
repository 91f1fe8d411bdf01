"""The installed command on the bundled sample logs finds what was planted in them, and the true hours."""

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

import sample_logs
from pipeline.report.queries import query
from pipeline.store.book import open_book

TRUTH: dict[str, Any] = json.loads((Path(sample_logs.__file__).parent / "truth.json").read_text(encoding="utf-8"))
STATES = ("cutting", "noncutting", "held", "faulted", "setup", "idle", "off_shift", "unobserved")
MEASURED_MACHINE = "M2"
RECORD_MACHINES = ("M1", "L1")


@pytest.fixture(scope="module")
def marts(demo_shop: Path) -> dict[str, pl.DataFrame]:
    with duckdb.connect(str(demo_shop / "spindlebook.duckdb"), read_only=True) as book:
        names = ("utilisation_monthly", "job_drift", "drift_cause", "tool_life", "quote_factor")
        return {name: book.sql(f"from mart.{name}").pl() for name in names}


def _job(row: dict[str, Any]) -> tuple[str, str, str]:
    return row["part"], row["operation"], row["machine"]


def test_exactly_the_planted_jobs_leave_their_estimate(marts: dict[str, pl.DataFrame]) -> None:
    """Three jobs run over and one under; no other job is accused."""
    planted = {_job(row): row["verdict"] for row in TRUTH["planted_jobs"]}

    found = {
        _job(row): row["verdict"]
        for row in marts["job_drift"].iter_rows(named=True)
        if row["verdict"] in ("over", "under")
    }

    assert found == planted


def test_shifts_are_dated_to_the_planted_batch(marts: dict[str, pl.DataFrame]) -> None:
    """The jobs that ran over since a certain batch are dated within one batch of it, the others not at all."""
    since = {_job(row): row["since"] for row in TRUTH["planted_jobs"]}

    for row in marts["job_drift"].iter_rows(named=True):
        planted = since.get(_job(row))
        if planted is None:
            assert row["shifted_at"] is None, row
        else:
            assert abs(row["shifted_at"] - datetime.fromisoformat(planted)) < timedelta(days=14), row


def test_planted_ratio_lies_in_the_interval_after_the_shift(marts: dict[str, pl.DataFrame]) -> None:
    """What a shifted job takes since then is the planted ratio, within 2 %."""
    planted = {_job(row): row for row in TRUTH["planted_jobs"]}

    for row in marts["job_drift"].iter_rows(named=True):
        if _job(row) in planted:
            truth = planted[_job(row)]
            now = row["drift_after"] if truth["since"] else row["drift"]
            assert now == pytest.approx(truth["ratio"], rel=0.02), row


def test_exactly_the_planted_tools_have_falling_lives(marts: dict[str, pl.DataFrame]) -> None:
    """Two tools were made to fall; the tool with too few edges is called that."""
    planted = {(row["machine"], row["tool"]): row["verdict"] for row in TRUTH["tools"]}

    found = {(row["machine"], row["tool"]): row["verdict"] for row in marts["tool_life"].iter_rows(named=True)}

    assert {key: found[key] for key in planted} == planted


def test_true_hours_to_the_millisecond_where_measured(marts: dict[str, pl.DataFrame]) -> None:
    """For the event-stream machine every state that the truth tells is exact, in the month and in planned time."""
    months = {row["month"]: row for row in marts["utilisation_monthly"].filter(machine=MEASURED_MACHINE).to_dicts()}
    told = [row for row in TRUTH["states"] if row["machine"] == MEASURED_MACHINE]

    assert len(told) >= 8
    for row in told:
        for state in ("cutting", "noncutting", "held", "faulted", "unobserved"):
            assert round(months[row["month"]][f"{state}_s"] * 1000) == row[f"{state}_ms"], (row["month"], state)
        for state in ("cutting", "noncutting", "held", "faulted"):
            key = f"{state}_planned"
            assert round(months[row["month"]][f"{key}_s"] * 1000) == row[f"{key}_ms"], (row["month"], key)


@pytest.mark.parametrize("machine", RECORD_MACHINES)
def test_true_hours_within_the_stated_bound_where_derived(marts: dict[str, pl.DataFrame], machine: str) -> None:
    """From cycle lists time in cycle is exact; its cutting share rests on the estimate and keeps the stated bound."""
    months = {row["month"]: row for row in marts["utilisation_monthly"].filter(machine=machine).to_dicts()}
    in_cycle = ("cutting", "noncutting", "held", "faulted")

    for row in (row for row in TRUTH["states"] if row["machine"] == machine):
        mart = months[row["month"]]
        truth_ms = sum(row[f"{state}_ms"] for state in in_cycle)
        assert round(sum(mart[f"{state}_s"] for state in in_cycle) * 1000) == truth_ms, row["month"]
        share = abs(mart["cutting_s"] * 1000 / row["cutting_ms"] - 1)
        assert share <= TRUTH["derived_cutting_bound"], row["month"]
        assert mart["basis"] == "derived"


def test_states_add_up_to_the_month_to_the_millisecond(marts: dict[str, pl.DataFrame]) -> None:
    """Eight states fill every machine's month, the 743 hours of a March in Europe/Lisbon included."""
    table = marts["utilisation_monthly"]
    gap = table.select(
        (pl.sum_horizontal(f"{state}_s" for state in STATES) - pl.col("calendar_s")).abs().alias("calendar"),
        (pl.sum_horizontal(f"{state}_planned_s" for state in STATES) - pl.col("planned_s")).abs().alias("planned"),
    )

    assert max(gap["calendar"].max(), gap["planned"].max()) < 0.0005  # type: ignore[type-var]
    assert set(table.filter(month="2026-03")["calendar_s"]) == {743 * 3600.0}


def test_causes_add_up_to_the_overrun(marts: dict[str, pl.DataFrame]) -> None:
    """Hours of the causes are the overrun hours, job by job."""
    keys = ["job_key", "operation", "machine", "program", "revision"]
    causes = marts["drift_cause"].group_by(keys).agg(pl.col("hours").sum())

    joined = marts["job_drift"].join(causes, on=keys, nulls_equal=True)

    assert joined.height == marts["job_drift"].height
    assert (joined["overrun_hours"] - joined["hours"]).abs().max() < 1e-6  # type: ignore[operator]


def test_every_file_is_accounted_for(demo_shop: Path) -> None:
    """rows_read = rows_loaded + rows_duplicate + rows_rejected for each file; the planted rejects are the rejects."""
    with duckdb.connect(str(demo_shop / "spindlebook.duckdb"), read_only=True) as book:
        files = book.sql("from raw.source_file").pl()
        rejects = book.sql("select row_number, column_name as column, reason from raw.reject order by row_number").pl()

    assert (files["rows_read"] == files["rows_loaded"] + files["rows_duplicate"] + files["rows_rejected"]).all()
    assert files["rows_duplicate"].sum() > 0
    planted = [{key: row[key] for key in ("row_number", "column", "reason")} for row in TRUTH["rejects"]]
    assert rejects.to_dicts() == planted


def test_letter_is_named_and_does_no_harm(demo_shop: Path) -> None:
    """A file that is no log is recorded with a reason and gives no rows."""
    with duckdb.connect(str(demo_shop / "spindlebook.duckdb"), read_only=True) as book:
        status, reason, rows = book.execute(
            "select status, reason, rows_read from raw.source_file where name like '%letter.txt'"
        ).fetchall()[0]

    assert status != "loaded"
    assert rows == 0
    assert "no log" in reason


def test_what_jobs_cost_adds_up_with_their_runs(demo_shop: Path) -> None:
    """Hours, good parts and setup of all jobs are those of the book; per job causes make up actual less estimate."""
    with open_book(demo_shop / "spindlebook.duckdb", read_only=True) as book:
        money = query(book, "job_money")
        runs, batches = book.frame("from core.run"), book.frame("from core.batch")
        causes = book.frame("from mart.drift_cause")
    key = ["job_key", "operation", "machine", "program", "revision"]
    added = causes.group_by(key).agg(pl.col("seconds_per_run").sum())
    joined = money.join(added, on=key, nulls_equal=True)

    assert money["cycle_hours"].sum() == pytest.approx(runs["actual_s"].sum() / 3600)
    assert money["setup_hours"].sum() == pytest.approx(batches["setup_s"].sum() / 3600)
    assert money["good"].sum() == (runs["made"] - runs["scrap"]).sum() == batches["good"].sum()
    assert money["batches"].sum() == batches.height
    assert joined.height == money.height
    over = joined["actual_mean_s"] - joined["estimate_mean_s"] - joined["seconds_per_run"]
    assert float(over.abs().max()) < 1e-5  # type: ignore[arg-type]


def test_what_changed_with_the_level_is_what_was_planted(demo_shop: Path) -> None:
    """The slow tool is named where one was planted, the feed override where that was; no other job has a change."""
    with open_book(demo_shop / "spindlebook.duckdb", read_only=True) as book:
        found = query(book, "level_changes").filter(pl.col("what") == "cause")
    first = found.unique(["job_key", "operation"], keep="first", maintain_order=True)
    largest = {(row["job_key"], row["operation"]): (row["which"], row["tool"]) for row in first.iter_rows(named=True)}
    planted = {(row["part"], row["operation"]): row for row in TRUTH["planted_jobs"] if row["since"]}

    assert set(largest) == set(planted)
    for job, (which, tool) in largest.items():
        how = planted[job]["how"]
        assert (which, tool) == ("cutting", planted[job]["tool"]) if how == "tool" else which == how
