"""Whether the lives of tools fall or rise, judged over all tools together, and whether by a step or along a slope.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.tool_fit import BENDS
from pipeline.derive.tool_lives import KEYS, as_columns, tool_lives
from pipeline.stats.arrays import AnyArray, IntArray
from schemas.mart import columns

FALSE_DISCOVERY_RATE = 0.05
IS_CHANGING = pl.col("verdict").is_in(["falling", "rising"])
"""The edge in use is then not as the earlier ones were."""
OF_THE_KIND = (
    "trend_kind", "step_at_edge", "step_edge_low", "step_edge_high", "step_ratio", "step_low", "step_high",
)  # fmt: skip


def with_verdicts(table: pl.DataFrame) -> pl.DataFrame:
    """Judge the trends of all tools of mart.tool_fit together."""
    from pipeline.stats.multiple import benjamini_hochberg
    from pipeline.stats.shared_batches import learn_batches

    alone = table["trend_p_alone"].fill_null(np.nan).to_numpy()
    judged = np.flatnonzero(np.isfinite(alone))
    some = table[judged]
    failed = (some["failures"] / some["edges"]).to_numpy()
    contrasts = np.array([some[name].fill_null(np.nan).to_numpy() for name in BENDS])
    batches = learn_batches(contrasts, some["finished"].to_numpy(), some["shape"].to_numpy(), failed)
    p, factor = np.full(alone.size, np.nan), np.full(alone.size, np.nan)
    p[judged] = batches.widened(alone[judged])
    factor[judged] = np.maximum(1.0, batches.mean_factor)
    q = benjamini_hochberg(p)
    return table.with_columns(as_columns({"trend_p": p, "trend_q": q, "trend_inflation": factor})).with_columns(
        pl.when(pl.col("trend_q").is_null())
        .then(pl.lit("too few"))
        .when(pl.col("trend_q") > FALSE_DISCOVERY_RATE)
        .then(pl.lit("steady"))
        .when(pl.col("trend_per_edge") < 0)
        .then(pl.lit("falling"))
        .otherwise(pl.lit("rising"))
        .alias("verdict")
    )


def with_kinds(table: pl.DataFrame, edges: pl.DataFrame, before: pl.DataFrame | None) -> pl.DataFrame:
    """Say of tools whose lives change whether by a step or along a slope; `before` is mart.tool_life as it stood."""
    from pipeline.stats.trend_kind import trend_kinds

    changing = table.filter(IS_CHANGING).select(*KEYS, "rests_on")
    stood = pl.DataFrame(schema=dict.fromkeys(KEYS, pl.String()))
    if before is not None and set(OF_THE_KIND) <= set(before.columns):
        told = before.filter(pl.col("trend_kind").is_not_null())
        stood = told.join(changing, on=[*KEYS, "rests_on"], how="semi").select(*KEYS, *OF_THE_KIND)
    missing = changing.select(KEYS).join(stood.select(KEYS), on=KEYS, how="anti")
    some = tool_lives(edges.join(missing, on=KEYS, how="semi"), table)
    kinds = trend_kinds(some.sets)
    numbers = some.edges["edge_number"].to_numpy()

    def named(at: IntArray) -> AnyArray:
        return np.where(at >= 0, numbers[np.where(at >= 0, some.groups.starts + at, 0)], -1) if at.size else at

    is_step = np.isin(kinds.kind, ["step", "unclear"])
    schema = {name: dtype for name, dtype in columns("tool_life").items() if name in OF_THE_KIND}
    made = some.tools.select(KEYS).with_columns(
        pl.Series("trend_kind", np.where(kinds.kind == "", "unclear", kinds.kind), dtype=pl.String),
        *(
            pl.Series(name, np.where(is_step, named(at), -1), dtype=pl.Int64).replace(-1, None)
            for name, at in (("step_at_edge", kinds.at), ("step_edge_low", kinds.low), ("step_edge_high", kinds.high))
        ),
        *as_columns(
            {
                name: np.where(is_step, of, np.nan)
                for name, of in (
                    ("step_ratio", kinds.ratio), ("step_low", kinds.ratio_low), ("step_high", kinds.ratio_high),
                )
            }
        ),
    )  # fmt: skip
    both = [
        frame.select(*KEYS, *(pl.col(n).cast(t) for n, t in schema.items())) for frame in (made, stood) if frame.height
    ]
    told = pl.concat(both) if both else pl.DataFrame(schema={**dict.fromkeys(KEYS, pl.String()), **schema})
    return table.join(told, on=KEYS, how="left", maintain_order="left")
