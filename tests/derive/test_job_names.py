"""One name for one thing: jobs, and what eats their time, are called by the last run that has a job, over all runs."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

LAST_NAMED = (
    "select last(job order by started_at, run_id) filter (where job is not null) from core.run where job_key = $k"
)


def named_in(book: Any, mart: str, key: str) -> list[str | None]:
    return [job for (job,) in book.rows(f"select distinct job from mart.{mart} where job_key = $k", {"k": key})]


def cycles(when: Any, *fields: dict[str, str]) -> list[dict[str, Any]]:
    """Cycles of one program, an hour apart."""
    start = when("2026-03-02 06:00")
    times = [(start + timedelta(hours=hour), start + timedelta(hours=hour, minutes=12)) for hour in range(len(fields))]
    return [
        {"machine": "M1", "program": "O1", "started_at": begun, "ended_at": ended, "outcome": "complete", **told}
        for (begun, ended), told in zip(times, fields, strict=True)
    ]


@pytest.mark.parametrize("outcome", ["complete", "aborted"])
def test_a_part_is_named_by_its_last_run(book_of: Any, shop_with: Any, when: Any, outcome: str) -> None:
    """Three orders of one part: the last run names it, in the causes as in the drift, an aborted one too."""
    orders = [{"job": name, "part": "P", "quantity": 5, "ordered_on": date(2026, 2, 1)} for name in "ABC"]
    lines = [{"job": name, "operation": "10", "cut_s": 500.0, "noncut_s": 100.0} for name in "ABC"]
    ran = [{"job": "B"}, {"job": "C"}, {"job": "A", "outcome": outcome}]
    runs = cycles(when, *({**told, "operation": "10"} for told in ran))
    book = book_of({"cycle": runs, "job": orders, "estimate": lines}, shop_with())
    assert named_in(book, "job_drift", "P") == named_in(book, "drift_cause", "P") == ["A"]
    assert book.rows(LAST_NAMED, {"k": "P"}) == [("A",)]


def test_a_run_without_a_job_takes_no_name_away(book_of: Any, shop_with: Any, when: Any) -> None:
    """A job that is called like its program, and a later run of the program that names no job."""
    lines = [{"program": "O1", "operation": "10", "cut_s": 500.0, "noncut_s": 100.0}]
    runs = cycles(when, {"job": "O1"}, {})
    book = book_of({"cycle": runs, "estimate": lines}, shop_with())
    assert book.rows("select job from core.run order by started_at") == [("O1",), (None,)]
    assert named_in(book, "job_drift", "O1") == named_in(book, "drift_cause", "O1") == ["O1"]
    assert book.rows(LAST_NAMED, {"k": "O1"}) == [("O1",)]
