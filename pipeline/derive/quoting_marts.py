"""The marts of quoting together: what factors rest on, the factors, and how far they would have helped past quotes."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.derive.quote_backtest import quote_backtest, quote_trust
from pipeline.derive.quote_factor import quote_factor
from pipeline.derive.quote_ratio import OF_RUNS, batch_ratios, batch_spreads, job_names, quote_ratio, since_shift
from pipeline.derive.settled_run import SettledRuns

KEPT: Final = ("quote_backtest", "quote_origin")
"""Marts of which what still stands is kept, not made anew."""


def quoting_marts(
    settled: SettledRuns,
    drift: pl.DataFrame,
    within_sd: float | None,
    tool_batches: pl.DataFrame,
    estimate_lines: pl.DataFrame,
    batches: pl.DataFrame,
    load_estimates: pl.DataFrame,
    zone: str,
    before: tuple[pl.DataFrame | None, ...] = (None, None),
) -> dict[str, pl.DataFrame]:
    """Return the marts quote_ratio, quote_spread, quote_backtest, quote_origin, quote_trust and quote_factor.

    Parameters
    ----------
    settled : complete runs that can be judged
    drift : mart.job_drift; of a job that shifted only the runs since then count, for the next quote is about today.
        The backtest, which may not know that, takes all of them, as they ran.
    within_sd : spread of ln ratio between runs of a batch, of mart.run_spread
    tool_batches : query/tool_batches.sql
    estimate_lines : core.estimate_line
    batches : core.batch
    load_estimates : estimate_id, load_s
    zone : IANA name of the shop's zone
    before : the marts of KEPT as they stood, if they did; the result is the same without
    """
    names = job_names(settled)
    others = (tool_batches, estimate_lines, batches, load_estimates)
    by_batch = batch_ratios(settled.counted(*OF_RUNS, "settled_log"), "settled_log", *others)
    as_run = batch_ratios(settled.runs, "log_ratio", *others)
    spreads = batch_spreads(by_batch, within_sd)
    ratios = quote_ratio(since_shift(by_batch, names, drift), names, spreads)
    backtest, origins = quote_backtest(as_run, names, zone, *before)
    trust = quote_trust(backtest)
    factors = quote_factor(ratios, spreads, trust)
    return {
        "quote_ratio": ratios,
        "quote_spread": spreads,
        "quote_backtest": backtest,
        "quote_origin": origins,
        "quote_trust": trust,
        "quote_factor": factors,
    }
