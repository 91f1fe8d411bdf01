"""mart.wear_curve: what the parts of the edge in use told of its wear, beside what those of earlier edges told.

Arranges frames for the pages; whether the edge runs away was judged before (wear_signs).
"""

from __future__ import annotations

from typing import Final

import polars as pl

FIRST_PARTS: Final = 3
"""Parts that say what an edge was like when it was new, as in pipeline.stats.early_signs."""
LEAST_EDGES: Final = 5
SCHEMA: Final[dict[str, pl.DataType]] = {
    "machine": pl.String(),
    "tool": pl.String(),
    "which": pl.String(),  # `in use`, or `earlier`: the middle of earlier edges, with what eight of ten lay between
    "part_number": pl.Int64(),
    "value": pl.Float64(),  # over the edge's own first parts
    "low": pl.Float64(),
    "high": pl.Float64(),
}


def wear_curve(
    wear: pl.DataFrame, life: pl.DataFrame, before: pl.DataFrame | None = None, renewed: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return mart.wear_curve for tools whose edge in use was judged.

    Parameters
    ----------
    wear : machine, tool, edge_number, part_number, measure, value
    life : mart.tool_life
    before, renewed : mart.wear_curve as it stood, and the tools that `wear` has parts of, where that is not all
    """
    keys = ["machine", "tool"]
    kept = pl.DataFrame(schema=SCHEMA)
    if before is not None and renewed is not None:
        stands = life.select(keys).join(renewed, on=keys, how="anti")
        kept = before.join(stands, on=keys, how="semi").select(pl.col(name).cast(t) for name, t in SCHEMA.items())
    judged = life.filter(pl.col("wear_verdict").is_in(["as before", "runs away"])).select(
        *keys, pl.col("wear_measure").alias("measure")
    )
    of_edge = [*keys, "edge_number"]
    parts = wear.join(judged, on=[*keys, "measure"], how="semi").with_columns(
        (pl.col("value") / pl.col("value").sort_by("part_number").head(FIRST_PARTS).mean().over(of_edge)).alias("value")
    )
    is_newest = pl.col("edge_number") == pl.col("edge_number").max().over(keys)
    nothing = pl.lit(None, pl.Float64)
    in_use = parts.filter(is_newest).select(
        *keys, pl.lit("in use").alias("which"), "part_number", "value", nothing.alias("low"), nothing.alias("high")
    )
    earlier = (
        parts.filter(~is_newest)
        .group_by(*keys, "part_number")
        .agg(
            pl.lit("earlier").alias("which"),
            pl.col("value").median().alias("middle"),
            pl.col("value").quantile(0.1, "linear").alias("low"),
            pl.col("value").quantile(0.9, "linear").alias("high"),
            pl.len().alias("edges"),
        )
        .filter(pl.col("edges") >= LEAST_EDGES)
        .select(*keys, "which", "part_number", pl.col("middle").alias("value"), "low", "high")
    )
    made = pl.concat([in_use, earlier]).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
    return pl.concat([kept, made]).sort(*keys, "which", "part_number")
