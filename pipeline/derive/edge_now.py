"""The edge in use of each tool, and what other tools say of a tool with few failures.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.derive.tool_lives import KEYS, ToolLives
from pipeline.stats.arrays import BoolArray, IntArray

# Edges that say how many minutes a part takes where the one in use has made none yet.
LATEST_EDGES = 5


def now_columns(lives: ToolLives, edges: pl.DataFrame) -> list[pl.Series]:
    """Return the age of the edge in use, in the tool's unit, and its minutes of cut a part.

    Of several edges in use (one tool on several machines) the oldest counts.
    """
    suspect = pl.col("is_suspect").fill_null(False) if "is_suspect" in edges.columns else pl.lit(False)
    started = edges.filter(pl.col("in_use_at").is_not_null() & ~suspect).select(
        *KEYS, "edge_number", "removed_at", pl.col("cut_min").cast(pl.Float64), pl.col("parts").cast(pl.Float64)
    )
    using = started.filter(pl.col("removed_at").is_null()).join(lives.tools.select(*KEYS, "unit"), on=KEYS)
    age = using.group_by(KEYS).agg(
        pl.when(pl.col("unit") == "min").then(pl.col("cut_min")).otherwise(pl.col("parts")).max().alias("current_age")
    )
    both = started.filter((pl.col("cut_min") > 0) & (pl.col("parts") > 0)).sort(*KEYS, "edge_number")
    pace = (pl.col("cut_min").sum() / pl.col("parts").sum()).alias("min_per_part")
    now = both.filter(pl.col("removed_at").is_null()).group_by(KEYS).agg(pace)
    latest = both.group_by(KEYS).tail(LATEST_EDGES).group_by(KEYS).agg(pace.alias("_latest"))
    told = (
        lives.tools.select(KEYS)
        .join(age, on=KEYS, how="left", maintain_order="left")
        .join(now, on=KEYS, how="left", maintain_order="left")
        .join(latest, on=KEYS, how="left", maintain_order="left")
    )
    return [told["current_age"], told.select(pl.coalesce("min_per_part", "_latest"))["min_per_part"]]


def posterior_of(
    sets: Any, fits: Any, settings: pl.DataFrame, unit: pl.Series
) -> tuple[BoolArray, Any, list[str | None]]:
    """Return which tools lean on others, what is then known of each, and on which others they lean."""
    from pipeline.stats.life_pooling import OWN_FAILURES, pooled_prior
    from pipeline.stats.life_posterior import life_posterior

    of_name, of_type = _groups(settings, unit, "name"), _groups(settings, unit, "tool_type")
    same = np.where(_teachers(of_name, fits) > 0, of_name, -1)
    group = np.where(same >= 0, same, np.where(of_type >= 0, of_type + of_name.max(initial=-1) + 1, -1))
    prior = pooled_prior(fits, group)
    few = sets.failures < OWN_FAILURES
    which = np.flatnonzero(few)
    posterior = life_posterior(
        sets.take(which),
        prior.take(which),
        np.log(fits.shape[which]),
        np.sqrt(fits.shape_variance[which]),
    )
    pooled = np.zeros(few.size, dtype=np.bool_)
    pooled[which] = posterior.known & np.isfinite(prior.log_shape[which])
    leant = [
        None if not is_pooled else "all tools" if np.isnan(scale) else "same tool" if name >= 0 else "same type"
        for is_pooled, scale, name in zip(pooled, prior.log_scale, same, strict=True)
    ]
    return pooled, _Placed(posterior, which), leant


class _Placed:
    """A posterior of some tools, asked for by the number of the tool among all."""

    def __init__(self, posterior: Any, which: IntArray) -> None:
        self._posterior, self._which = posterior, which

    def take(self, tools: IntArray) -> Any:
        return self._posterior.take(np.searchsorted(self._which, tools))


def _groups(settings: pl.DataFrame, unit: pl.Series, by: str) -> IntArray:
    """Return the number of the tools that share a word of shop.toml and the unit of their lives; -1 without one."""
    word = settings[by] if by in settings.columns else pl.Series(by, [None] * settings.height, dtype=pl.String)
    told = pl.DataFrame({"word": word, "unit": unit}).select(
        pl.when(pl.col("word").is_not_null()).then(pl.struct("word", "unit").rank("dense").cast(pl.Int64) - 1)
    )
    return told.to_series().fill_null(-1).to_numpy()


def _teachers(group: IntArray, fits: Any) -> IntArray:
    """Return how many other tools of its group have a fit of their own, for each tool."""
    from pipeline.stats.life_pooling import OWN_FAILURES

    teaches = fits.fitted & (fits.failures >= OWN_FAILURES)
    number = np.bincount(group[(group >= 0) & teaches], minlength=group.max(initial=-1) + 1)
    others: IntArray = np.where(group >= 0, number[group] if number.size else 0, 0) - (teaches & (group >= 0))
    return others
