"""A shop whose jobs are all of one machine, material and kind: no spread between kinds is known, none is made up."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.derive.quote_factor import quote_factor
from schemas.mart import MODELS, columns


def runs_of(jobs: int) -> pl.DataFrame:
    ratios = [1.1, 1.2, 0.9, 1.05][:jobs]
    return pl.DataFrame(
        {
            "run_id": [f"r{number}" for number in range(jobs)],
            "job_key": [f"J{number}" for number in range(jobs)],
            "machine": ["M1"] * jobs,
            "operation_kind": ["milling"] * jobs,
            "actual_s": [100 * ratio for ratio in ratios],
            "estimate_s": [100.0] * jobs,
        }
    ).with_columns(
        pl.lit("complete").alias("outcome"),
        pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("started_at"),
        pl.lit("quote").alias("estimate_from"),
        *(
            pl.lit(None, dtype=pl.String).alias(name)
            for name in ("operation", "program", "revision", "material", "estimate_id", "batch_id")
        ),
    )


def factors(jobs: int) -> pl.DataFrame:
    use = pl.DataFrame(schema=dict.fromkeys(("run_id", "machine", "tool"), pl.String)).with_columns(
        cut_s=pl.lit(None, dtype=pl.Float64), noncut_s=pl.lit(None, dtype=pl.Float64)
    )
    lines = pl.DataFrame(
        schema={
            "estimate_id": pl.String,
            "tool": pl.String,
            "tool_type": pl.String,
            "cut_s": pl.Float64,
            "noncut_s": pl.Float64,
        }
    )
    batches = pl.DataFrame(
        schema={
            "batch_id": pl.String,
            "machine": pl.String,
            "setup_s": pl.Float64,
            "quoted_setup_s": pl.Float64,
            "between_cycles_s": pl.Float64,
        }
    )
    loads = pl.DataFrame(schema={"estimate_id": pl.String, "load_s": pl.Float64})
    nothing_shifted = pl.DataFrame(schema=columns("job_drift"))
    return quote_factor(runs_of(jobs), nothing_shifted, use, lines, batches, loads)


@pytest.mark.parametrize("jobs", [1, 2, 4])
def test_the_mart_holds_with_one_kind_of_work(jobs: int) -> None:
    """The mart is valid; a kind never run has no interval, and with one job there is none at all."""
    found = factors(jobs)

    MODELS["quote_factor"].validate(found)
    whole = found.filter(pl.col("machine").is_null())
    own = found.filter(pl.col("machine") == "M1")
    assert whole["predict_df"].to_list() == [None]
    assert own["predict_df"].to_list() == [None if jobs == 1 else jobs - 1]
    assert found["jobs"].to_list() == [jobs] * 2
