"""The marts that rest on statistics of runs: drift of jobs, and what quotes take from it.

What they take from the book is read first, so that the statistics can run beside whatever the book is asked meanwhile.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline import resources
from pipeline.derive.job_drift import job_drift
from pipeline.derive.quoting_marts import quoting_marts
from pipeline.derive.settled_run import coded, numbered, settled_runs
from pipeline.store.book import Book
from schemas.shop import ShopFile

READ: Final = ("core.run", "core.month_batch_tool", "core.batch_setup")
"""What is derived window by window or month by month of what is read here, core.batch included; the rest is small."""


def job_facts(book: Book) -> dict[str, pl.DataFrame]:
    """Return what the book says of runs, batches and estimates."""
    return {
        "runs": coded(book.parts(_query("runs_counted"))),
        "rates": book.frame("select machine, rate_per_hour from core.machine"),
        "tool_batches": book.frame(_query("tool_batches")),
        "estimate_lines": book.frame("from core.estimate_line"),
        "batches": book.frame("from core.batch"),
        "load_estimates": book.frame("select estimate_id, load_s from core.estimate_operation where load_s > 0"),
    }


def job_marts(
    facts: dict[str, pl.DataFrame], shop: ShopFile, before: tuple[pl.DataFrame | None, ...]
) -> dict[str, pl.DataFrame]:
    """Return job_drift, run_spread and the marts of quoting; `before` as quoting_marts has it, `facts` are used up."""
    runs = numbered(facts.pop("runs"))  # the rows as they came are not kept beside it
    settled = settled_runs(runs)
    drift, spread = job_drift(runs, settled, facts["rates"], shop.shop.tolerance)
    quoting = quoting_marts(
        settled,
        drift,
        spread["within_sd"].item(),
        facts["tool_batches"],
        facts["estimate_lines"],
        facts["batches"],
        facts["load_estimates"],
        shop.shop.timezone,
        before,
    )
    return {"job_drift": drift, "run_spread": spread, **quoting}


def _query(name: str) -> str:
    return resources.read_text("pipeline.derive", "sql", "query", f"{name}.sql")
