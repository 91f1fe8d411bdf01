"""mart.tool_fit: what each tool's own edges and settings say, before it is seen beside others.

The rest of the statistics of tools rests on it: a tool none of whose rows or settings has changed is not fitted again.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.derive.edge_costs import CAUTIOUS_LEVEL, own_costs
from pipeline.derive.tool_lives import KEYS, ToolLives, as_columns, level_scores, tool_lives
from pipeline.stats.arrays import AnyArray, FloatArray
from pipeline.stats.life_posterior import NODES

BENDS: Final = tuple(f"bend_{degree}" for degree in range(1, 6))
"""How the scores of a tool's edges lie along polynomials of their order: they tell of batches in common."""
GRID: Final = ("grid_shape", "grid_weight", "grid_total")
NUMBERS: Final = (
    "min_per_part", "current_age", "km_median", "shape", "scale", "shape_error", "scale_error",
    "life_b10", "b10_low", "b10_high", "life_median", "life_low", "life_high", "mean_life", "mean_low", "mean_high",
    "trend_per_edge", "trend_low", "trend_high", "trend_p_alone", *BENDS,
    "taylor_n", "taylor_low", "taylor_high", "taylor_c",
    "edge_cost", "cost_per_part", "planned_cost", "failed_cost", "used_per_month", "habit_age", "habit_failed_share",
    "habit_rate", "habit_rate_low", "habit_rate_high",
)  # fmt: skip
SCHEMA: Final[dict[str, Any]] = {
    "machine": pl.String(),
    "tool": pl.String(),
    "rests_on": pl.Int64(),
    "edges": pl.Int64(),
    "failures": pl.Int64(),
    "censored": pl.Int64(),
    "finished": pl.Int64(),  # edges that are not in use any more
    "suspects": pl.Int64(),
    "unit": pl.String(),
    "unit_because": pl.String(),
    **dict.fromkeys(NUMBERS, pl.Float64()),
    # what is known of the coming edges, the tool's own alone (LifePosterior); nan where that is nothing
    "grid_top": pl.Float64(),
    **dict.fromkeys(GRID, pl.Array(pl.Float64(), NODES)),
}
# Edges that say how many minutes a part takes where the one in use has made none yet.
LATEST_EDGES: Final = 5


def tool_fit(
    edges: pl.DataFrame, tools: pl.DataFrame, rates: pl.DataFrame, before: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return mart.tool_fit.

    Parameters
    ----------
    edges : core.edge_life, as the statistics count them
    tools : core.tool
    rates : machine, rate_per_hour
    before : mart.tool_fit as it stood
        The result is the same without it.
    """
    marked = _marks(edges, tools, rates)
    marks = [*KEYS, "rests_on"]
    kept = pl.DataFrame(schema=SCHEMA)
    if before is not None and set(SCHEMA) <= set(before.columns):
        kept = before.select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
        kept = kept.join(marked, on=marks, how="semi")
    changed = edges.join(kept.select(KEYS), on=KEYS, how="anti") if kept.height else edges
    made = _made(changed, tools, rates).join(marked, on=KEYS, how="left")
    return pl.concat([kept, made.select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())]).sort(KEYS)


def settings_of(keys: pl.DataFrame, tools: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Return what shop.toml says of some tools and their machines, in their order."""
    told = keys.select(KEYS).join(tools, on=KEYS, how="left", maintain_order="left")
    return told.join(rates.select("machine", "rate_per_hour"), on="machine", how="left", maintain_order="left")


def _marks(edges: pl.DataFrame, tools: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Return machine, tool and rests_on, a number that changes with any row or setting that a tool's fit rests on."""
    told = pl.struct(
        "edge_number", "in_use_at", "removed_at", "cut_min", "parts", "censored", "is_suspect", "edge_cost",
        "speed_m_min",
    )  # fmt: skip
    rows = edges.select(*KEYS, told.hash(seed=1).alias("mark"))
    settings = tools.join(rates, on="machine", how="left")
    said = settings.select(*KEYS, pl.struct(pl.exclude(KEYS)).hash(seed=2).alias("mark"))
    return (
        pl.concat([rows, said.join(rows.select(KEYS).unique(), on=KEYS, how="semi")])
        .group_by(KEYS)
        .agg(pl.col("mark").reinterpret(signed=True).sum().alias("rests_on"))
    )


def _made(edges: pl.DataFrame, tools: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Return all but rests_on of the tools of some edges."""
    lives = tool_lives(edges)
    sets = lives.sets
    found, grid = _fitted(lives)
    found |= own_costs(lives, settings_of(lives.tools, tools, rates))
    return lives.tools.with_columns(
        pl.Series("edges", lives.groups.sizes),
        pl.Series("failures", sets.failures),
        pl.Series("censored", lives.groups.sizes - sets.failures),
        pl.Series("finished", lives.groups.within(~lives.in_use).sizes),
        *_now(lives, edges),
        *as_columns(found),
        *(pl.Series(name, values, dtype=SCHEMA[name]) for name, values in grid.items()),
    )


def _fitted(lives: ToolLives) -> tuple[dict[str, AnyArray], dict[str, FloatArray]]:
    """Return fits, limits, trends and speeds, and the grid of what is known of the coming edges."""
    from pipeline.stats.aft_many import fit_slopes
    from pipeline.stats.life_posterior import LifePrior, life_posterior
    from pipeline.stats.permutation_many import trend_shares
    from pipeline.stats.shared_batches import bends
    from pipeline.stats.survival_many import kaplan_meier_many
    from pipeline.stats.weibull_many import MeanLife, Quantile, fit_many, limits_many

    sets = lives.sets
    fits = fit_many(sets)
    shape_error = np.sqrt(fits.shape_variance)
    found: dict[str, AnyArray] = {
        "km_median": kaplan_meier_many(lives.life, lives.censored, lives.groups.sizes).median,
        "shape": fits.shape,
        "scale": fits.scale,
        "shape_error": shape_error,
        "scale_error": np.sqrt(fits.scale_variance),
        "life_b10": fits.quantile(0.1),
        "life_median": fits.quantile(0.5),
        "mean_life": fits.mean(),
    }
    found["b10_low"], found["b10_high"] = limits_many(sets, fits, Quantile(0.1), CAUTIOUS_LEVEL)
    found["life_low"], found["life_high"] = limits_many(sets, fits, Quantile(0.5), 0.95)
    found["mean_low"], found["mean_high"] = limits_many(sets, fits, MeanLife(), CAUTIOUS_LEVEL)
    slopes = fit_slopes(sets, sets.groups.position().astype(np.float64))
    found |= {
        "trend_per_edge": np.expm1(slopes.slope),
        "trend_low": np.expm1(slopes.low),
        "trend_high": np.expm1(slopes.high),
    }
    moving = ~lives.in_use
    groups, scores = lives.groups.within(moving), level_scores(lives, fits.shape, fits.log_scale)[moving]
    shares, _ = trend_shares(groups, scores)
    found["trend_p_alone"] = np.where(np.isfinite(slopes.slope), shares, np.nan)
    found |= dict(zip(BENDS, bends(groups, scores), strict=True))
    posterior = life_posterior(sets, LifePrior.nothing(sets.tools), np.log(fits.shape), shape_error)
    grid = {"grid_top": posterior.top} | dict(
        zip(GRID, (posterior.shape, posterior.weight, posterior.total), strict=True)
    )
    return found | _speeds(lives), grid


def _speeds(lives: ToolLives) -> dict[str, AnyArray]:
    """Return Taylor fits of tools whose lives are in minutes and whose edges have speeds."""
    from pipeline.stats.life_sets import LifeSets
    from pipeline.stats.taylor import fit_taylor_lives

    speed = lives.edges["speed_m_min"].cast(pl.Float64).fill_null(0.0).to_numpy()
    counts = (speed > 0) & lives.groups.spread((lives.tools["unit"] == "min").to_numpy())
    sets = LifeSets.of(lives.life[counts], lives.censored[counts], lives.groups.within(counts).sizes)
    fits = fit_taylor_lives(sets, speed[counts])
    return {"taylor_n": fits.n, "taylor_low": fits.low, "taylor_high": fits.high, "taylor_c": fits.c}


def _now(lives: ToolLives, edges: pl.DataFrame) -> list[pl.Series]:
    """Return the age of the edge in use, in the tool's unit, and its minutes of cut a part.

    Of several edges in use (one tool on several machines) the oldest counts.
    """
    started = edges.filter(pl.col("in_use_at").is_not_null() & ~pl.col("is_suspect").fill_null(False)).select(
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
