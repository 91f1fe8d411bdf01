"""A shop whose jobs are all of one machine, material and kind: no spread between kinds is known, none is made up."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.derive.quote_backtest import quote_trust
from pipeline.derive.quote_factor import quote_factor
from schemas.mart import MODELS, columns

AT = datetime(2026, 3, 2, tzinfo=UTC)


def ratios_of(jobs: int) -> pl.DataFrame:
    rows = [
        {
            "time_kind": "cycle", "job_key": f"J{number}", "machine": "M1", "program": "O1",
            "operation_kind": "milling", "batches": 1, "runs": 5, "log_ratio": ratio,
            "sampling_variance": 0.0, "shared_variance": 0.0,
            "estimate_s": 100.0, "first_at": AT, "last_at": AT,
        }
        for number, ratio in enumerate([0.1, 0.2, -0.1, 0.05][:jobs])
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=columns("quote_ratio"))


@pytest.mark.parametrize("jobs", [1, 2, 4])
def test_the_mart_holds_with_one_kind_of_work(jobs: int) -> None:
    """The mart is valid; a kind never run has no interval, and with one job there is none at all."""
    trust = quote_trust(pl.DataFrame(schema=columns("quote_backtest")))
    found = quote_factor(ratios_of(jobs), pl.DataFrame(schema=columns("quote_spread")), trust)

    MODELS["quote_factor"].validate(found)
    MODELS["quote_trust"].validate(trust)
    whole = found.filter(pl.col("machine").is_null())
    own = found.filter(pl.col("machine") == "M1")
    assert whole["predict_df"].to_list() == [None]
    assert own["predict_df"].to_list() == [None if jobs == 1 else pytest.approx(jobs - 1, rel=0.02)]
    assert found["jobs"].to_list() == [jobs] * 2
    assert found["offered"].to_list() == [False] * 2
    assert found["because"][0] == "no job to test it on"
