"""What a good part of each job cost, all operations together, against what the order list quoted for it.

A pure function of one frame. Money is machine time at the machine's rate; tooling and material are not in it.
"""

from __future__ import annotations

import polars as pl


def job_margin(money: pl.DataFrame) -> pl.DataFrame:
    """Return one row a job_key: hours, cost, cost_per_good and, where quoted, quoted_value, margin and margin_share.

    Parameters
    ----------
    money : rows of job_money.sql; an operation may stand in several (machines, programs, revisions)

    A part is good once all operations let it pass: the fewest good parts of any operation. The quoted time (cycle for
    each good part, setup for each batch) is valued at the mean rate of the hours that the job really took; loading and
    scrap are in the cost and in no quote. Without a rate on every machine there is no money.
    """
    operations = money.group_by("job_key", "operation").agg(pl.col("good", "scrap", "batches").sum())
    counted = operations.group_by("job_key").agg(
        pl.len().cast(pl.Int64).alias("operations"),
        pl.col("good").min(),
        pl.col("scrap").sum(),
        pl.col("batches").max(),
    )
    spent = money.group_by("job_key").agg(
        pl.sum_horizontal("cycle_hours", "setup_hours", "load_hours").sum().alias("hours"),
        pl.when(pl.col("cost").is_null().any()).then(None).otherwise(pl.col("cost").sum()).alias("cost"),
        pl.col("quoted_cycle_s", "quoted_setup_s").mean(),
    )
    quoted = pl.col("quoted_cycle_s") * pl.col("good") + pl.col("quoted_setup_s").fill_null(0.0) * pl.col("batches")
    made = pl.col("good") > 0
    return (
        counted.join(spent, on="job_key")
        .with_columns(
            pl.when(made).then(pl.col("cost") / pl.col("good")).alias("cost_per_good"),
            pl.when(made).then(quoted / 3600).alias("quoted_hours"),
        )
        .with_columns((pl.col("quoted_hours") * pl.col("cost") / pl.col("hours")).alias("quoted_value"))
        .with_columns((pl.col("quoted_value") - pl.col("cost")).alias("margin"))
        .with_columns(
            pl.when(pl.col("quoted_value") > 0).then(pl.col("margin") / pl.col("quoted_value")).alias("margin_share")
        )
        .sort("job_key")
    )


__all__ = ["job_margin"]
