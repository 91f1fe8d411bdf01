"""The edge in use of each tool, and what other tools say of a tool with few failures.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from scipy import special

from pipeline.derive.life_trends import IS_CHANGING
from pipeline.derive.tool_lives import KEYS, ToolLives
from pipeline.stats.arrays import BoolArray, FloatArray, IntArray

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


def posterior_after_change(lives: ToolLives, table: pl.DataFrame, which: IntArray) -> tuple[Any, Any]:
    """Return what is known of the lives that edges have come to, of tools whose lives fall or rise, and the fits.

    Earlier lives are brought to the level of the edge in use, along the slope or over the step; how sure slope and
    step are is in it, as five equally likely ones.
    """
    from pipeline.stats.life_posterior import LifePrior, life_posterior, mixed
    from pipeline.stats.weibull_many import fit_many

    some = lives.take(which)
    sets, spread = some.sets, some.groups.spread
    change, error, steps = _changes(some, table[which])
    freedom = np.maximum(sets.failures - 1.0, 1.0)
    parts, fits = [], None
    for share in (0.5, 0.1, 0.3, 0.7, 0.9):
        by = change + special.stdtrit(freedom, share) * error
        moved = sets.moved(-spread(by) * steps)
        made = fit_many(moved)
        fits = made if fits is None else fits
        parts.append(
            life_posterior(moved, LifePrior.nothing(which.size), np.log(made.shape), np.sqrt(made.shape_variance))
        )
    return mixed(parts), fits


def lives_at_level_now(lives: ToolLives, table: pl.DataFrame) -> FloatArray:
    """Return all lives, those of tools whose lives fall or rise as they would be at the level of the edge in use."""
    life = lives.life.copy()
    which = np.flatnonzero(table.select(IS_CHANGING).to_series().to_numpy())
    if which.size:
        some = lives.take(which)
        change, _, steps = _changes(some, table[which])
        life[lives.groups.take(which)[1]] *= np.exp(some.groups.spread(change) * steps)
    return life


def _changes(some: ToolLives, rows: pl.DataFrame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln of the change of life for an edge or over the step, its error, and how often it was still to come."""
    spread = some.groups.spread
    is_step = (rows["trend_kind"] == "step").fill_null(False).to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        change, low, high = (
            np.log(np.where(is_step, _floats(rows[step]), 1.0 + _floats(rows[slope])))
            for slope, step in (
                ("trend_per_edge", "step_ratio"), ("trend_low", "step_low"), ("trend_high", "step_high"),
            )
        )  # fmt: skip
    # both limits are those of Student's t with failures - 1 degrees of freedom
    reach = special.stdtrit(np.maximum(rows["failures"].to_numpy() - 1.0, 1.0), 0.975)
    error = np.nan_to_num((high - low) / (2.0 * reach), nan=0.0, posinf=0.0)
    first_after = spread(rows["step_at_edge"].fill_null(0).to_numpy())
    before_step = some.edges["edge_number"].to_numpy() < first_after
    to_come = spread(some.groups.sizes - 1.0) - some.groups.position()
    return change, error, np.where(spread(is_step), before_step, to_come)


def _floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy()


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
