"""The early signs of the edge in use: load or cut time, part by part, against earlier edges of the tool.

Arranges a frame of parts for the statistics; it computes none of its own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.tool_lives import KEYS
from pipeline.stats.ragged import Ragged
from schemas.vocabulary import WEAR_MEASURES

SCHEMA: dict[str, pl.DataType] = {
    "wear_measure": pl.String(),
    "wear_verdict": pl.String(),
    "wear_score": pl.Float64(),
    "wear_limit": pl.Float64(),
    "wear_edges": pl.Int64(),
    "wear_since_part": pl.Int64(),
}


def wear_columns(table: pl.DataFrame, wear: pl.DataFrame | None, stood: pl.DataFrame | None = None) -> list[pl.Series]:
    """Return the columns of early signs for the tools of the table, in its order.

    Of several measures the first in WEAR_MEASURES that gives a verdict counts. Only a tool with an edge in use has one.
    `stood` are rows of mart.tool_life whose early signs stand as they stood: `wear` has no parts of these tools.
    """
    frames = [] if wear is None else [_of_measure(table, wear, measure) for measure in WEAR_MEASURES]
    if stood is not None:
        kept = stood.filter(pl.col("wear_verdict").is_not_null())
        frames.append(kept.select(*KEYS, *(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())))
    told = [frame for frame in frames if frame.height]
    if not told:
        return [pl.Series(name, [None] * table.height, dtype=dtype) for name, dtype in SCHEMA.items()]
    rank = pl.col("wear_verdict") == "too few"
    best = pl.concat(told).sort(rank, maintain_order=True).unique(KEYS, keep="first", maintain_order=True)
    joined = table.select(KEYS).join(best, on=KEYS, how="left", maintain_order="left")
    return [joined[name] for name in SCHEMA]


def _of_measure(table: pl.DataFrame, wear: pl.DataFrame, measure: str) -> pl.DataFrame:
    from pipeline.stats.early_signs import early_signs

    parts = wear.filter((pl.col("measure") == measure) & (pl.col("value") > 0)).sort(
        *KEYS, "edge_number", "part_number"
    )
    newest = parts.group_by(KEYS).agg(pl.col("edge_number").max().alias("newest"))
    using = table.filter(pl.col("current_age").is_not_null()).select(KEYS).join(newest, on=KEYS)
    parts = parts.join(using.select(KEYS), on=KEYS, how="semi", maintain_order="left")
    tools = parts.select(KEYS).unique(maintain_order=True).join(using, on=KEYS, how="left", maintain_order="left")
    edges = parts.group_by(*KEYS, "edge_number", maintain_order=True).len()
    numbered = edges.join(tools.with_row_index("number"), on=KEYS, how="left", maintain_order="left")
    signs = early_signs(
        parts["value"].to_numpy(),
        Ragged.of_sizes(edges["len"].to_numpy()),
        numbered["number"].cast(pl.Int64).to_numpy(),
        (numbered["edge_number"] == numbered["newest"]).to_numpy(),
        tools.height,
    )
    with np.errstate(invalid="ignore"):
        away = signs.score > signs.limit
    verdict = np.where(np.isnan(signs.limit), "too few", np.where(away, "runs away", "as before"))
    return tools.select(KEYS).with_columns(
        pl.lit(measure).alias("wear_measure"),
        pl.Series("wear_verdict", verdict, dtype=pl.String),
        pl.Series("wear_score", signs.score).fill_nan(None),
        pl.Series("wear_limit", signs.limit).fill_nan(None),
        pl.Series("wear_edges", signs.earlier),
        pl.Series("wear_since_part", np.where(away, signs.since, 0)).replace(0, None),
    )
