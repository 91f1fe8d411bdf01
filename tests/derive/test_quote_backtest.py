"""The backtest on simulated shops: it never looks ahead, its intervals hold, and useless factors are not offered.

CPU: 30 s.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.derive.factor_model import FactorModel, fit_factors
from pipeline.derive.quote_backtest import quote_backtest, quote_trust
from pipeline.derive.quote_ratio import BATCH_SCHEMA
from schemas.mart import MODELS

FIRST = datetime(2025, 1, 6, tzinfo=UTC)
MACHINES, MATERIALS = 5, 4


def shop(
    rng: np.random.Generator, jobs: int, shop_log: float = 0.1, machine_sd: float = 0.08, months: int = 18
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Batches and names of jobs that begin over the months, each of one to four batches a week apart."""
    machine = rng.integers(0, MACHINES, jobs)
    material = rng.integers(0, MATERIALS, jobs)
    level = shop_log + rng.normal(0, machine_sd, MACHINES)[machine] + rng.normal(0, 0.06, jobs)
    begun = np.sort(rng.integers(0, months * 30, jobs))
    size = rng.integers(1, 5, jobs)
    key = np.repeat(np.arange(jobs), size)
    number = np.concatenate([np.arange(count) for count in size])
    started = [FIRST + timedelta(days=int(begun[job]) + 7 * int(at)) for job, at in zip(key, number, strict=True)]
    ratio = level[key] + rng.normal(0, 0.03, key.size)
    batches = pl.DataFrame(
        {
            "time_kind": "cycle", "_key": key, "batch_id": [f"{job}-{at}" for job, at in zip(key, number, strict=True)],
            "tool_type": None, "started_at": started, "ended_at": [at + timedelta(hours=9) for at in started],
            "runs": 10, "log_ratio": ratio, "estimate_s": 100.0,
            "material": [f"material {material[at]}" for at in key], "operation_kind": "milling",
        }
    ).select(pl.col(name).cast(dtype) for name, dtype in BATCH_SCHEMA.items())  # fmt: skip
    names = pl.DataFrame(
        {
            "_key": np.arange(jobs), "job_key": [f"P{job:04d}" for job in range(jobs)], "job": None, "part": None,
            "operation": "10", "program": "O1", "revision": None, "machine": [f"M{at}" for at in machine],
        },
        schema_overrides={"_key": pl.UInt32, "job": pl.String, "part": pl.String, "revision": pl.String},
    )  # fmt: skip
    return batches, names


def backtest(batches: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    return quote_backtest(batches, names, "Europe/Lisbon")[0]


def test_factors_that_help_are_offered_and_intervals_hold() -> None:
    """Eight shops of 60 jobs at 1.10 and 8 % between machines: errors a third less, 90 % of jobs lie within."""
    rng = np.random.default_rng(1)
    held, half, quoted, errors, offered = 0, 0, 0, [], []
    for _ in range(8):
        found = backtest(*shop(rng, 60))
        MODELS["quote_backtest"].validate(found)
        trust = quote_trust(found)
        MODELS["quote_trust"].validate(trust)
        cycle = trust.row(0, named=True)
        offered.append(cycle["offered"])
        errors.append((cycle["raw_error"], cycle["corrected_error"]))
        assert f"over {cycle['jobs']} past jobs" in cycle["because"]
        tested = found.filter(pl.col("low").is_not_null())
        quoted += tested.height
        held += tested.select(pl.col("actual_s").is_between("low", "high").sum()).item()
        half += tested.select(pl.col("actual_s").is_between("q25", "q75").sum()).item()
    assert sum(offered) >= 7
    raw, corrected = np.mean(errors, axis=0)
    assert corrected < 0.7 * raw
    for share, hits in ((0.9, held), (0.5, half)):
        # jobs of one shop share its machines: the binomial error is widened by a half
        assert abs(hits / quoted - share) <= 1.5 * 3 * math.sqrt(share * (1 - share) / quoted)


def test_factors_that_do_not_help_are_seldom_offered() -> None:
    """Forty shops whose estimates are right on average, on every machine: at most 5 % offer factors."""
    rng = np.random.default_rng(2)
    offered = [
        bool(quote_trust(backtest(*shop(rng, 25, 0.0, 0.0, months=8)))["offered"][0]) for _ in range(40)
    ]  # fmt: skip
    assert np.mean(offered) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 40)


def test_it_does_not_look_ahead() -> None:
    """What happens from a month on does not move a quote of a job that began before or in it."""
    batches, names = shop(np.random.default_rng(3), 60)
    at = FIRST + timedelta(days=270)
    later = pl.col("ended_at") >= at
    noise = pl.Series(np.random.default_rng(8).normal(5.0, 2.0, batches.height))
    other = batches.with_columns(pl.when(later).then(pl.col("log_ratio") + noise).otherwise("log_ratio"))
    one, two = (
        quote_backtest(told, names, "UTC")[0].filter(pl.col("first_at") < at).sort("job_key")
        for told in (batches, other)
    )
    assert one.height >= 30
    for name in ("estimate_s", "history", "corrected_s", "low", "high"):
        # spreads between batches are those of then, too
        assert one[name].to_list() == two[name].to_list()


def test_a_machine_that_is_new_is_said_to_be() -> None:
    """A job on a machine without history at its time names the machine, and its interval is wider."""
    batches, names = shop(np.random.default_rng(4), 60)
    names = names.with_columns(pl.when(pl.col("_key") == 50).then(pl.lit("new")).otherwise("machine").alias("machine"))
    found = backtest(batches, names)
    row = found.filter(pl.col("machine") == "new").row(0, named=True)
    others = found.filter((pl.col("machine") != "new") & (pl.col("history") >= 40) & pl.col("unseen").is_null())
    assert row["unseen"] == "machine"
    assert row["high"] / row["low"] > others.select((pl.col("high") / pl.col("low")).max()).item()


def test_intervals_that_did_not_hold_have_a_least_reach() -> None:
    """The ceil(0.9 (n + 1))-th of how far jobs lay out (split conformal); none where intervals held."""
    batches, names = shop(np.random.default_rng(5), 60)
    found = backtest(batches, names).filter(pl.col("low").is_not_null())
    narrow = found.with_columns(
        *(((pl.col(end) / pl.col("corrected_s")) ** 0.25 * pl.col("corrected_s")).alias(end) for end in ("low", "high"))
    )
    away = sorted(abs(math.log(row["actual_s"] / row["corrected_s"])) for row in found.iter_rows(named=True))
    reach = [quote_trust(frame)["least_reach"][0] for frame in (found, narrow)]
    assert reach[0] is None
    assert reach[1] == pytest.approx(away[math.ceil(round(0.9 * (len(away) + 1), 9)) - 1], rel=1e-9)


@pytest.mark.parametrize("jobs", [0, 1, 3])
def test_too_few_jobs_to_say(jobs: int) -> None:
    """Nothing is offered, and the reason is that too few jobs were tested."""
    batches, names = shop(np.random.default_rng(6), max(jobs, 1))
    trust = quote_trust(backtest(batches.head(0) if jobs == 0 else batches, names))
    assert trust["offered"].to_list() == [False] * min(jobs, 1)
    assert all("5 are needed" in because for because in trust["because"])


def test_origins_that_stand_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """A month more, then another material of an early job: the same as anew, and only what that moves is fitted."""
    batches, names = shop(np.random.default_rng(7), 16, months=4)
    fits = []

    def watched(rows: pl.DataFrame, *rest: Any) -> FactorModel | None:
        fits.append(rows.height)
        return fit_factors(rows, *rest)

    monkeypatch.setattr("pipeline.derive.quote_backtest.fit_factors", watched)
    at = FIRST + timedelta(days=90)
    # the numbers of jobs are others once there are more of them
    before = quote_backtest(*numbered_anew(batches.filter(pl.col("ended_at") < at), names), "UTC")
    renamed = batches.with_columns(
        pl.when((pl.col("_key") == 8) & (pl.col("started_at") == pl.col("started_at").min().over("_key")))
        .then(pl.lit("another"))
        .otherwise("material")
        .alias("material")
    )
    for told, most in ((batches, 0.4), (batches, 0.0), (renamed, 0.8)):
        fits.clear()
        anew = quote_backtest(told, names, "UTC")
        whole = len(fits)
        kept = quote_backtest(told, names, "UTC", *before)
        assert len(fits) - whole <= most * whole
        for one, other in zip(anew, kept, strict=True):
            assert one.equals(other)
        before = kept


def numbered_anew(batches: pl.DataFrame, names: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Batches and names as they are where there are no other jobs than these batches'."""
    there = batches["_key"].unique().sort()
    key = pl.col("_key").replace_strict(there, pl.int_range(there.len(), dtype=pl.UInt32, eager=True))
    return batches.with_columns(key), names.filter(pl.col("_key").is_in(there)).with_columns(key)
