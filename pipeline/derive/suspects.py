"""core.edge_life: the ledger of edges, with those marked in whose life a change may have gone without a note.

A mark takes an edge out of the statistics. No edge is invented and none is split.
"""

from __future__ import annotations

from typing import Final

import polars as pl

LEAST_FAILURES: Final = 5
FALSE_ALARMS: Final = 0.001
"""Share of edges, all changes noted, whose life is marked for its length; held by simulation."""


def with_suspects(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return core.edge_life: the ledger with is_suspect and suspect_why.

    An edge is suspect where one in a thousand lives at most is as long, by the lives before it, at least five of them
    seen to their end; but not where the next edge lives as long too: then edges live longer than before. A step back
    within its life marks it as well (core.edge_step).
    """
    from pipeline.stats.unlogged import chance_to_outlast

    in_order = ledger.sort("life_machine", "life_tool", "life_number").with_row_index("place")
    tells_minutes = (pl.col("cut_min").fill_null(0) > 0) & pl.col("in_use_at").is_not_null()
    life = pl.when(tells_minutes.any().over("life_machine", "life_tool")).then(pl.col("cut_min")).otherwise("parts")
    known = (
        in_order.select(
            "place",
            "in_use_at",
            "censored",
            life.cast(pl.Float64).alias("life"),
            pl.struct("life_machine", "life_tool").rle_id().cast(pl.Int64).alias("tool"),
        )
        .filter(pl.col("in_use_at").is_not_null() & (pl.col("life") > 0))
        .with_columns(pl.col("life").shift(-1).over("tool").alias("next_life"))
    )
    lives, censored, tool = (known[name].to_numpy() for name in ("life", "censored", "tool"))
    chance, failures = chance_to_outlast(lives, censored, tool)
    of_next, _ = chance_to_outlast(lives, censored, tool, known["next_life"].fill_null(0.0).to_numpy())
    is_long = (chance < FALSE_ALARMS) & (failures >= LEAST_FAILURES) & ~(of_next < FALSE_ALARMS)
    marked = known.select("place", pl.Series("is_long", is_long))
    why = pl.concat_str(
        pl.when("is_long").then(pl.lit("its life is far past those before it")),
        pl.when("is_step").then(
            pl.concat_str(
                pl.lit("the "), "step_measure", pl.lit(" of a part fell back after "), "step_part", pl.lit(" parts")
            )
        ),
        separator="; ",
        ignore_nulls=True,
    )
    return (
        in_order.join(marked, on="place", how="left", maintain_order="left")
        .with_columns(pl.col("is_long").fill_null(False), pl.col("step_part").is_not_null().alias("is_step"))
        .with_columns((pl.col("is_long") | pl.col("is_step")).alias("is_suspect"))
        .with_columns(pl.when("is_suspect").then(why).alias("suspect_why"))
        .drop("place", "is_long", "is_step", "step_measure", "step_part")
        .sort("machine", "tool", "edge_number")
    )
