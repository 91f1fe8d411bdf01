"""The machines of a month taken together: sums of their times and counts, and the shares that follow from the sums.

Shares are never averaged; the indicators are those of pipeline.stats.iso22400.
"""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from pipeline.report.stated import ADDED
from pipeline.stats.iso22400 import TimeElements, ratio
from schemas.vocabulary import BASES, STATES

COUNTS: Final = ("cycles", "parts", "scrap")


def in_statement(months: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that count: a machine that came after its month was frozen is in no sum of it."""
    return months.filter(pl.col("standing") != ADDED)


def month_total(rows: pl.DataFrame, least_coverage: float) -> dict[str, Any]:
    """Return one row of utilisation for all machines together; the basis is the weakest of theirs.

    `low_coverage` says that less than `least_coverage` of their planned time was observed, as it does of one machine.
    """
    sums = [name for name in rows.columns if name.endswith("_s") or name in COUNTS]
    total: dict[str, Any] = rows.select(pl.col(sums).sum()).to_dicts()[0]
    pbt_s = total["observed_planned_s"]
    times = TimeElements(
        pbt_s=pbt_s,
        apt_s=total["cutting_planned_s"] + total["noncutting_planned_s"],
        aust_s=total["setup_planned_s"],
        adet_s=total["held_planned_s"] + total["faulted_planned_s"],
    )
    observed_s = sum(total[f"{state}_s"] for state in STATES if state != "unobserved")
    return {
        **total,
        "coverage": ratio(pbt_s, total["planned_s"]),
        "low_coverage": not total["planned_s"] or pbt_s < total["planned_s"] * least_coverage,
        "spindle_utilisation": ratio(total["cutting_planned_s"], pbt_s),
        "spindle_utilisation_calendar": ratio(total["cutting_s"], observed_s),
        "utilization_efficiency": times.utilization_efficiency,
        "availability": times.availability,
        "allocation_efficiency": times.allocation_efficiency,
        "technical_efficiency": times.technical_efficiency,
        "setup_rate": times.setup_rate,
        "basis": max(rows["basis"], key=BASES.index, default=None),
    }
